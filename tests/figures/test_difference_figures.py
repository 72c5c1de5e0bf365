"""Strips and the overview: intervals, margins, runs, and the words that say the same."""

from __future__ import annotations

import dataclasses
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from generator.evidence.records import Contrast
from generator.figures.overview_chart import difference_overview
from generator.figures.records import Figure
from generator.figures.strips import BOLD, CLEAR, RUNS_Y, difference_strip, reading_dx
from generator.figures.theme import CHARACTER
from tests.factories import BASELINE, LABELS, make_analysis, make_contrast, make_kinds
from tests.figures.chart_reading import assert_sound, axis_titles, layers, rows_of, texts, x_domain

ANALYSIS = make_analysis()
KINDS = make_kinds()
VALUES = {(s.response, s.at, s.treatment): s for s in ANALYSIS.responses}


def strip(contrast: Contrast) -> Figure:
    where = (contrast.response, contrast.at)
    return difference_strip(
        contrast,
        LABELS,
        KINDS[contrast.response],
        per_run=VALUES[(*where, contrast.treatment)].per_run,
        baseline_runs=VALUES[(*where, contrast.baseline)].per_run,
    )


@pytest.mark.parametrize("contrast", ANALYSIS.contrasts, ids=lambda contrast: contrast.key)
def test_every_contrast_has_a_sound_strip(contrast: Contrast) -> None:
    figure = strip(contrast)
    assert_sound(figure)
    assert contrast.verdict in figure.states
    assert figure.name == f"{contrast.key}-difference"
    assert sum(contrast.runs) == len(rows_of(figure.spec, "point", "run"))


def test_the_text_alternative_holds_the_numbers() -> None:
    states = strip(ANALYSIS.contrasts[0]).states
    assert "+7.9\u00a0W" in states
    assert "+6.1 to +9.7\u00a0W" in states
    assert "margin of 2\u00a0%" in states
    assert "at 16\u202f000\u00a0rpm" in states


def test_axis_title_carries_unit_and_both_treatments() -> None:
    figure = strip(ANALYSIS.contrasts[0])
    assert axis_titles(figure.spec) == {"Electrical power, 5S capped minus 4S (W)"}


def test_dots_are_runs_minus_the_mean_of_the_baseline() -> None:
    contrast = ANALYSIS.contrasts[0]
    dots = {row["run"]: row["difference"] for row in rows_of(strip(contrast).spec, "point", "run")}
    for treatment in (contrast.treatment, contrast.baseline):
        for run in VALUES[(contrast.response, contrast.at, treatment)].per_run:
            assert dots[run.run_id] == pytest.approx(run.value - 262.4, abs=0.005)


@pytest.mark.parametrize(
    ("difference", "interval"), [(120.0, (118.0, 122.0)), (-90.0, (-91.0, -89.0)), (3.0, (-400.0, 406.0))]
)
def test_the_axis_holds_zero_margin_and_interval(difference: float, interval: tuple[float, float]) -> None:
    contrast = make_contrast(difference=difference, interval=interval)
    low, high = x_domain(strip(contrast).spec)
    assert low < min(-5.248, interval[0])
    assert high > max(5.248, interval[1])


def test_zone_and_margin_label_only_where_a_margin_was_set() -> None:
    with_margin = strip(make_contrast())
    assert rows_of(with_margin.spec, "rect", "low") == [{"low": -5.248, "high": 5.248}]
    assert "margin ±2\u00a0%" in texts(with_margin.spec)
    assert "The shaded zone is the margin, 2\u00a0% (5.2\u00a0W), set before the test." in with_margin.note
    without = strip(make_contrast(margin=None, margin_text=None))
    assert rows_of(without.spec, "rect", "low") == []
    assert not [text for text in texts(without.spec) if "margin" in text]
    assert "No margin was set." in without.note


def test_without_an_interval_only_the_estimate_is_drawn_and_said() -> None:
    figure = strip(make_contrast(interval=(-math.inf, math.inf), relative_interval=None))
    assert_sound(figure)
    assert rows_of(figure.spec, "rule", "high") == []
    assert "without an interval" in figure.states
    assert "inf" not in figure.states + figure.note + figure.table.to_csv()


def test_a_run_without_a_value_is_left_out() -> None:
    contrast = make_contrast()
    runs = VALUES[(contrast.response, contrast.at, contrast.treatment)].per_run
    broken = (dataclasses.replace(runs[0], value=math.nan), *runs[1:])
    figure = difference_strip(contrast, LABELS, KINDS["electrical_power"], per_run=broken)
    assert len(rows_of(figure.spec, "point", "run")) == 3
    assert runs[0].run_id not in figure.table.to_csv()


def test_one_run_each_is_told() -> None:
    figure = strip(next(c for c in ANALYSIS.contrasts if c.response == "temperature_rise"))
    assert "One run each" in figure.note
    assert "As a share" not in figure.note


@pytest.mark.parametrize("width", [300.0, 640.0])
@pytest.mark.parametrize("text", ["+7.9 W (+6.1 to +9.7)", "+120 W (+118 to +122)"])
@given(share=st.floats(0.0, 1.0), zero=st.floats(0.0, 1.0))
def test_the_reading_stays_inside_and_off_the_zero_line(
    width: float, text: str, share: float, zero: float
) -> None:
    long = len(text) * CHARACTER * BOLD
    start = share * width + reading_dx(share, zero, text, width)
    assert -0.1 <= start <= width - long + 0.1
    room = width * (1.0 - zero) if share >= zero else width * zero  # on the estimate's side of zero
    if room >= long + CLEAR:
        assert not start + 0.1 < zero * width < start + long - 0.1


def test_the_margin_is_named_below_beside_its_zone_and_not_at_zero() -> None:
    spec = strip(make_contrast()).spec
    (label,) = (layer for layer in layers(spec) if layer.get("name") == "margin label")
    assert label["encoding"]["y"]["value"] > max(RUNS_Y) + 24  # below the baseline's runs
    (row,) = spec["datasets"][label["data"]["name"]]
    assert abs(row["difference"]) == pytest.approx(5.248)


def test_a_difference_of_percentages_is_in_percentage_points() -> None:
    kind = dataclasses.replace(KINDS["thrust"], name="overshoot", label="Overshoot", unit="%", relative=False)
    figure = difference_strip(make_contrast(response="overshoot", unit="%"), LABELS, kind)
    assert axis_titles(figure.spec) == {"Overshoot, 5S capped minus 4S (percentage points)"}


def test_table_is_rounded_as_published() -> None:
    table = strip(ANALYSIS.contrasts[0]).table
    assert list(table.columns) == ["What", "Difference (W)", "Lower limit (W)", "Upper limit (W)"]
    assert table.iloc[0].tolist() == ["mean difference, 5S capped minus 4S", 7.9, 6.1, 9.7]
    assert table.iloc[-1].tolist()[2:] == [-5.2, 5.2]
    assert len(table) == 1 + 8 + 1


def test_an_unknown_treatment_is_refused() -> None:
    with pytest.raises(KeyError, match="seven-cell"):
        difference_strip(make_contrast(treatment="seven-cell"), LABELS, KINDS["electrical_power"])


def test_overview_draws_every_relative_difference_with_its_own_margin() -> None:
    figure = difference_overview(ANALYSIS.contrasts, LABELS, KINDS)
    assert figure is not None
    assert_sound(figure)
    relative = [c for c in ANALYSIS.contrasts if c.relative is not None]
    assert len(rows_of(figure.spec, "rule", "label")) == len(relative) == len(figure.table)
    zones = rows_of(figure.spec, "rect", "high")
    assert [zone["high"] for zone in zones] == pytest.approx(
        [100 * c.margin / c.baseline_value for c in relative if c.margin is not None]
    )
    assert axis_titles(figure.spec) == {"Difference from 4S (% of 4S)"}
    assert "motor temperature rise" in figure.note
    assert (
        "Electrical power at 16\u202f000\u00a0rpm, 5S capped: +3.0\u00a0% (+2.3 to +3.7\u00a0%), more"
        in figure.states
    )


def test_overview_reads_out_the_primary_ones_of_many_and_counts_the_rest() -> None:
    figure = difference_overview(ANALYSIS.contrasts, LABELS, KINDS)
    assert figure is not None
    # counted by hand in the factory's list of cases, without the two temperature rises
    assert "Of 14: 2 more; 1 more, perhaps too little to matter; 3 less;" in figure.states
    assert "5 no difference that matters; 2 not settled." in figure.states
    assert "Rise time" not in figure.states
    few = difference_overview(ANALYSIS.contrasts[:3], LABELS, KINDS)
    assert few is not None
    assert "Rise time at 16\u202f000\u00a0rpm: −19.8\u00a0%" in few.states


def test_long_axis_titles_are_set_in_lines_on_a_phone() -> None:
    long = {
        **LABELS,
        BASELINE: "the two-blade propeller",
        "five-cell": "the three-blade propeller of the same pitch",
    }
    figure = difference_strip(make_contrast(), long, KINDS["electrical_power"])
    assert figure.narrow is not None
    (title,) = {
        tuple(layer["encoding"]["x"]["title"])
        for layer in layers(figure.narrow)
        if isinstance(layer["encoding"]["x"].get("title"), list)
    }
    assert title == (
        "Electrical power (W)",
        "the three-blade propeller of the same",
        "pitch minus the two-blade propeller",
    )


def test_overview_is_none_where_no_percentage_has_a_meaning() -> None:
    warm = [c for c in ANALYSIS.contrasts if c.response == "temperature_rise"]
    assert difference_overview(warm, LABELS, KINDS) is None
    assert difference_overview([], LABELS, KINDS) is None


def test_one_very_wide_interval_is_cut_and_marked_and_does_not_flatten_the_rest() -> None:
    own = [c for c in ANALYSIS.contrasts if c.treatment == "five-cell"]
    wide = make_contrast(key="wide", relative_interval=(-3.0, 3.1))
    figure = difference_overview([*own, wide], LABELS, KINDS)
    assert figure is not None
    assert_sound(figure)
    low, high = x_domain(figure.spec)
    assert low > -100
    assert high < 100
    assert {row["angle"] for row in rows_of(figure.spec, "point", "angle")} == {-90, 90}
    assert "An arrow marks" in figure.note
    assert figure.table.iloc[-1]["Upper limit (% of 4S)"] == 310.0


def test_on_a_phone_readings_stand_below_their_labels() -> None:
    figure = difference_overview(ANALYSIS.contrasts, LABELS, KINDS)
    assert figure is not None
    assert figure.narrow is not None
    wide, narrow = (
        next(layer["mark"] for layer in layers(spec) if layer.get("name") == "row reading")
        for spec in (figure.spec, figure.narrow)
    )
    assert (wide["align"], narrow["align"]) == ("right", "left")
