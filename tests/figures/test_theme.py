"""Placing of labels, ranges of axes, and the narrow version."""

from __future__ import annotations

import math
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from generator.figures.theme import Sheet, extent, narrowed, side, spread, wrapped

PLACES = st.lists(st.floats(min_value=-50, max_value=350), min_size=1, max_size=8)


@given(PLACES)
def test_spread_labels_never_overlap_and_stay_inside(places: list[float]) -> None:
    gaps = [20.0 + 5.0 * (i % 3) for i in range(len(places))]
    found = spread(places, gaps, 0.0, 300.0)
    order = sorted(range(len(places)), key=lambda i: found[i])
    for above, below in pairwise(order):
        assert found[below] - found[above] >= (gaps[above] + gaps[below]) / 2 - 1e-9
    assert min(f - g / 2 for f, g in zip(found, gaps, strict=True)) >= -1e-9
    assert max(f + g / 2 for f, g in zip(found, gaps, strict=True)) <= 300.0 + 1e-9


@given(PLACES)
def test_spread_keeps_the_order_of_what_is_named(places: list[float]) -> None:
    found = spread(places, [18.0] * len(places), 0.0, 300.0)
    wanted = sorted(range(len(places)), key=lambda i: (places[i], i))
    assert sorted(range(len(places)), key=lambda i: found[i]) == wanted


def test_labels_that_do_not_collide_stay_where_they_belong() -> None:
    assert spread([200.0, 40.0, 100.0], [20.0, 20.0, 20.0], 0.0, 300.0) == [200.0, 40.0, 100.0]


def test_extent_ignores_what_is_not_finite() -> None:
    assert extent([1.0, math.nan, 3.0, math.inf], pad=0.0) == (1.0, 3.0)
    assert extent([math.nan]) == (-1.0, 1.0)


def test_extent_of_a_single_value_is_not_empty() -> None:
    low, high = extent([0.0])
    assert low < 0.0 < high


@pytest.mark.parametrize(("share", "where"), [(0.02, "left"), (0.5, "center"), (0.98, "right")])
def test_labels_near_an_edge_turn_inwards(share: float, where: str) -> None:
    assert side(share, "same as 4S", 288) == where


def test_long_labels_are_cut_after_three_lines() -> None:
    assert wrapped("five cells capped at eighty percent of full output") == [
        "five cells",
        "capped at eighty",
        "percent of full…",
    ]
    assert wrapped("the three-blade propeller") == ["the three-blade", "propeller"]
    assert wrapped("4S") == ["4S"]


def test_the_narrow_version_changes_sizes_and_titles_but_no_data() -> None:
    sheet = Sheet()
    layer = sheet.at(width=640.0, title=1.0).mark_point().properties(name="dot")
    spec = sheet.finished(sheet.view([layer], width=640, height=100))
    spec["layer"][0]["encoding"] = {"x": {"field": "width", "title": "A long title (W)"}}
    small = narrowed(
        spec, width=300, layers={"dot": {"size": 9}}, titles={"A long title (W)": ["A long", "title (W)"]}
    )
    assert (small["width"], small["height"]) == (300, 100)
    assert small["datasets"] == spec["datasets"] == {"rows-1": [{"width": 640.0, "title": 1.0}]}
    assert small["layer"][0]["mark"]["size"] == 9
    assert small["layer"][0]["encoding"]["x"]["title"] == ["A long", "title (W)"]
    assert spec["width"] == 640
    assert "size" not in spec["layer"][0]["mark"]
