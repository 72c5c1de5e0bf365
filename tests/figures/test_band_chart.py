"""Difference curves with their band: what is drawn, what is marked as settled, and the words that say the same."""

from __future__ import annotations

from dataclasses import replace

import pytest

from generator.evidence.curve_contrasts import curve_contrasts
from generator.evidence.records import CurveContrast
from generator.figures.band_chart import difference_band
from generator.figures.records import Figure
from tests.evidence.curve_bench import THRUSTS, campaign
from tests.evidence.invented_bench import (
    BASE,
    KINDS,
    LABELS,
    OTHER,
    make_session,
    percent_margin,
    unit_margin,
)
from tests.figures.chart_reading import assert_sound, axis_titles, layers, rows_of, texts, x_domain

NBSP = "\u00a0"


def contrast(share: float = 0.0, exponent: float = 1.5, **session: object) -> CurveContrast:
    curves = {
        BASE: lambda thrust: 60.0 * (thrust / 240.0) ** 1.5,
        OTHER: lambda thrust: 60.0 * (1.0 + share) * (thrust / 240.0) ** exponent,
    }
    (found,) = curve_contrasts(campaign(curves, 4, level=0.001), make_session(**session), KINDS)  # type: ignore[arg-type]
    return found


CROSSING = contrast(exponent=1.53, margins={"electrical_power": percent_margin(0.02)})
ABOVE = contrast(0.03)
SAME = contrast(0.001, margins={"electrical_power": percent_margin(0.02)})
IN_WATTS = contrast(0.03, margins={"electrical_power": unit_margin(2.0, "W")})
OPEN = replace(SAME, ranges=(), margin_text=None, points=tuple(replace(p, margin=None) for p in SAME.points))


def band(found: CurveContrast) -> Figure:
    return difference_band(found, LABELS, KINDS["electrical_power"], baseline=BASE, sources=("logs/01.csv",))


@pytest.mark.parametrize(
    "found", [CROSSING, ABOVE, SAME, IN_WATTS, OPEN], ids=["crossing", "above", "same", "W", "open"]
)
def test_every_difference_curve_has_a_sound_figure(found: CurveContrast) -> None:
    figure = band(found)
    assert_sound(figure)
    assert figure.name == "electrical_power-over-thrust-five-cell-band"
    assert figure.title == "Electrical power at equal thrust: 5S capped against 4S"
    assert figure.sources == ("logs/01.csv",)
    assert len(figure.table) == len(THRUSTS)


def test_shares_are_drawn_in_per_cent_of_the_baseline_else_the_unit() -> None:
    assert axis_titles(band(CROSSING).spec) >= {"Difference (% of 4S)", "Thrust (gf)"}
    assert axis_titles(band(IN_WATTS).spec) >= {"Difference (W)", "Thrust (gf)"}
    rows = rows_of(band(CROSSING).spec, "point", "low")
    for row, point in zip(rows, CROSSING.points, strict=True):
        assert point.relative is not None
        assert row["difference"] == pytest.approx(100.0 * point.relative, abs=0.006)
        assert row["low"] < row["difference"] < row["high"]
    rows = rows_of(band(IN_WATTS).spec, "point", "low")
    assert rows[-1]["high"] == pytest.approx(IN_WATTS.points[-1].high, abs=0.006)


def test_band_edges_zero_and_margin_are_drawn() -> None:
    kinds = [layer["mark"]["type"] for layer in layers(band(SAME).spec)]
    assert kinds.count("area") == 2  # margin and band
    assert kinds.count("line") == 5  # two edges each, and the difference
    assert [layer["mark"]["type"] for layer in layers(band(ABOVE).spec)].count("area") == 1
    words = texts(band(SAME).spec)
    assert "same as 4S" in words
    assert f"margin ±2{NBSP}%" in words


def test_settled_ranges_and_the_crossing_are_marked() -> None:
    figure = band(CROSSING)
    ((low, high),) = CROSSING.crossings
    assert {row["x"] for row in rows_of(figure.spec, "rule", "x") if "stop" not in row} == {low, high}
    bars = rows_of(figure.spec, "rule", "stop")
    assert len(bars) == len(CROSSING.ranges)
    for bar, found in zip(bars, CROSSING.ranges, strict=True):
        assert bar["x"] <= found.low <= found.high <= bar["stop"]
    assert "cross" in texts(figure.spec)
    assert f"curves cross between {low:g} and {high:g}{NBSP}gf of thrust" in figure.states
    assert "The curves cross between the dotted lines." in figure.note


def test_the_words_say_what_is_settled() -> None:
    assert "Settled: more between 63 and 710" in band(ABOVE).states
    assert "more" in texts(band(ABOVE).spec)
    same = band(SAME)
    assert "within the margin" in texts(same.spec)
    assert f"The shaded zone is the margin of 2{NBSP}%" in same.note
    assert "Nothing is settled." in band(OPEN).states
    assert "Nowhere is the difference settled." in band(OPEN).note


def test_the_table_has_both_curves_the_band_and_what_is_settled() -> None:
    table = band(CROSSING).table
    assert list(table.columns) == [
        "Thrust (gf)", "4S (W)", "5S capped (W)", "Difference (W)", "Lower limit (W)", "Upper limit (W)",
        "Difference (%)", "Lower limit (%)", "Upper limit (%)", "Settled",
    ]  # fmt: skip
    first = table.iloc[0]
    assert first["5S capped (W)"] - first["4S (W)"] == pytest.approx(first["Difference (W)"], abs=0.02)
    words = {1: "more", -1: "less", 0: "within the margin"}
    for x, said in zip(table["Thrust (gf)"], table["Settled"], strict=True):
        ways = [words[found.direction] for found in CROSSING.ranges if found.low <= x <= found.high]
        assert [said] == (ways or ["no"])
    assert {"within the margin", "more"} <= set(table["Settled"])


def test_a_band_that_is_very_wide_at_one_end_is_cut_and_the_note_says_so() -> None:
    first = ABOVE.points[0]
    wide = replace(ABOVE, points=(replace(first, relative_low=-2.0, relative_high=3.0), *ABOVE.points[1:]))
    figure = band(wide)
    assert "The band is cut" in figure.note
    assert figure.table.iloc[0]["Upper limit (%)"] == 300.0
    domains = [layer["encoding"]["y"]["scale"]["domain"] for layer in layers(figure.spec)
               if "scale" in layer.get("encoding", {}).get("y", {})]  # fmt: skip
    assert max(high for _, high in domains) < 50.0
    assert "The band is cut" not in band(ABOVE).note


def test_the_axis_begins_at_zero_only_where_the_curve_comes_near_it() -> None:
    assert x_domain(band(ABOVE).spec)[0] == 0.0
    upper = replace(ABOVE, points=ABOVE.points[10:])
    assert x_domain(band(upper).spec)[0] > 150.0


def test_one_run_each_is_said() -> None:
    assert "One run each" in band(replace(ABOVE, basis="within one run", runs=(1, 1))).note


def test_a_treatment_without_label_is_an_error() -> None:
    with pytest.raises(KeyError, match="five-cell"):
        difference_band(ABOVE, {BASE: "4S"}, KINDS["electrical_power"], baseline=BASE)
