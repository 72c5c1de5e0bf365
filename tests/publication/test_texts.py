"""Numbers as text: digits after the uncertainty, percentages with their base, rules that fit the verdict."""

from __future__ import annotations

import math

import pytest

from generator.publication import navigation, rendering, texts
from generator.publication.facts import date_text, facts_of, shown
from generator.publication.tables import LONGEST, frame_table
from generator.publication.verdict_rows import small_strip
from generator.publication.working import rule_text
from tests.factories import LABELS, make_contrast


def flat(text: str) -> str:
    return text.replace("\u00a0", " ").replace("\u202f", " ")


def test_contrast_as_text() -> None:
    contrast = make_contrast()
    assert flat(texts.difference_text(contrast)) == "+7.9 W"
    assert flat(texts.interval_text(contrast)) == "+6.1 to +9.7 W"
    assert flat(texts.relative_text(contrast, LABELS)) == "+3.0 % of 4S (+2.3 to +3.7 %)"
    assert flat(texts.margin_text(contrast)) == "±5.2 W (2 %, set before the test)"
    assert texts.runs_text(contrast, LABELS) == "4 runs of 5S capped, 4 runs of 4S"


def test_values_that_are_not_there() -> None:
    empty = make_contrast(
        difference=math.nan, interval=(math.nan, math.nan), relative=None, relative_interval=None, margin=None
    )
    assert texts.difference_text(empty) == texts.amount_text(empty) == "no value"
    assert texts.interval_text(empty) == "no interval"
    assert texts.relative_text(empty, LABELS) == texts.relative_amount_text(empty) == ""
    assert texts.margin_text(empty) == "none was set"
    unbounded = make_contrast(interval=(-math.inf, math.inf))
    strip = small_strip(unbounded)
    assert (strip.low_x, strip.high_x) == (0.0, 240.0)


def test_margin_written_in_the_unit_is_not_repeated() -> None:
    contrast = make_contrast(margin=5.0, margin_text="5 W")
    assert flat(texts.margin_text(contrast)) == "±5 W (set before the test)"


@pytest.mark.parametrize(
    ("p", "text"), [(0.004, "0.004"), (0.0004, "below 0.001"), (0.31, "0.31"), (None, "")]
)
def test_p_values(p: float | None, text: str) -> None:
    assert texts.p_value_text(p) == text


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({}, "lies wholly above the margin of +5.25 W"),
        ({"verdict": "less", "interval": (-9.0, -6.0)}, "lies wholly below the margin of −5.25 W"),
        ({"verdict": "more", "margin": None}, "lies wholly above zero. No margin was set"),
        (
            {"verdict": "no difference that matters", "interval": (-1.0, 2.0)},
            "Two one-sided tests, each at 5 %",
        ),
        ({"verdict": "not settled", "interval": (-1.0, 9.0)}, "holds zero and the tests do not place it"),
        (
            {
                "verdict": "not settled",
                "interval": (1.0, 9.0),
                "primary": False,
                "p_adjusted": 0.2,
                "family_size": 12,
            },
            "leaves out zero, but among 12 exploratory contrasts the adjusted p-value, 0.20, is not below 5",
        ),
    ],
)
def test_rule_told_fits_the_verdict(changes: dict[str, object], words: str) -> None:
    assert words in flat(rule_text(make_contrast(**changes)))


def test_strip_is_drawn_to_scale() -> None:
    strip = small_strip(make_contrast(difference=2.0, interval=(1.0, 3.0), margin=4.0))
    assert strip.zero_x == 120.0
    assert strip.zone_x is not None
    assert strip.zone_width is not None
    scale = (strip.zone_width / 2) / 4.0
    for value, x in ((2.0, strip.dot_x), (1.0, strip.low_x), (3.0, strip.high_x), (-4.0, strip.zone_x)):
        assert x == pytest.approx(120 + value * scale, abs=0.11)  # 0.1 is what coordinates are rounded to


@pytest.mark.parametrize(
    ("from_page", "to_page", "fragment", "address"),
    [
        ("index.html", "sessions/a/index.html", "", "sessions/a/index.html"),
        ("sessions/a/runs/r.html", "index.html", "", "../../../index.html"),
        ("sessions/a/index.html", "sessions/a/index.html", "top", "#top"),
        ("sessions/a/index.html", "sessions/a/logs/1 #2?.csv", "", "logs/1%20%232%3F.csv"),
        ("index.html", "a:b.html", "", "a%3Ab.html"),
    ],
)
def test_links_are_relative(from_page: str, to_page: str, fragment: str, address: str) -> None:
    assert navigation.link(from_page, to_page, fragment) == address


def test_facts_show_units_a_reader_uses() -> None:
    from generator.intake.parts import Motor
    from tests.publication.site_season import PARTS

    motor = Motor.model_validate({"id": "heron", **PARTS["heron"]})
    facts = {fact.name: flat(fact.value) for fact in facts_of(motor, leave_out=("id", "kind", "label"))}
    assert facts == {
        "KV": "1 750 rpm/V",
        "Pole pairs": "7",
        "Mass": "32 g",
        "Terminal resistance": "88 mΩ",
        "Rated cells": "4",
        "Thermal class": "F",
        "Temperature limit": "110 °C",
    }


def test_dates_do_not_depend_on_the_machine() -> None:
    import datetime

    assert flat(date_text(datetime.date(2031, 5, 4))) == "4 May 2031"
    assert shown("absorbs_returned_energy", False) == "no"


def test_long_tables_are_cut_and_say_so() -> None:
    import pandas as pd

    long = frame_table("t", "c", pd.DataFrame({"Time (s)": range(1500), "Value (W)": [0.5] * 1500}))
    assert len(long.rows) <= LONGEST
    assert flat(long.note) == "One row in 25 of 1 500 is shown; the CSV file has them all."
    short = frame_table("t", "c", pd.DataFrame({"x": [1.0, 2.25, float("nan")]}))
    assert [row[0].text for row in short.rows] == ["1.00", "2.25", ""]
    assert short.note == ""


def test_headings_are_moved_without_gaps() -> None:
    html = rendering.with_headings_from("<h1>a</h1><h3>b</h3><h6>c</h6><h1>d</h1>", 2)
    assert html == "<h2>a</h2><h3>b</h3><h4>c</h4><h2>d</h2>"


def test_an_interval_for_prose_has_sides_in_words() -> None:
    contrast = make_contrast()  # +7.9 W, +6.1 to +9.7 W
    assert texts.interval_in_words(contrast) == "6.1 to 9.7\u00a0W more"
    faster = make_contrast(difference=-18.3, interval=(-21.6, -15.0), unit="ms")
    words = ("slower", "faster")
    assert texts.amount_text(faster, words) == "18.3\u00a0ms faster"
    assert texts.interval_in_words(faster, words) == "15.0 to 21.6\u00a0ms faster"
    both = make_contrast(difference=-0.3, interval=(-1.5, 0.9), unit="ms")
    assert texts.interval_in_words(both, words) == "1.5\u00a0ms faster to 0.9\u00a0ms slower"
