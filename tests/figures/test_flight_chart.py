"""Minutes of hover: rows, intervals, the baseline's line, and the words that say the same."""

from __future__ import annotations

from dataclasses import replace

import pytest

from generator.evidence.physics_records import InTheAir, Measured
from generator.figures.flight_chart import flight_strip
from generator.figures.records import Figure
from generator.figures.styles import BASELINE_MARK
from tests.factories import BASELINE, LABELS, TREATMENTS
from tests.figures.chart_reading import assert_sound, axis_titles, layers, rows_of, texts, x_domain


def flight(treatment: str, minutes: float | None, half: float = 0.2, runs: int = 4) -> InTheAir:
    """An invented flight; no number here was measured."""
    known = None
    if minutes is not None:
        known = Measured(
            value=minutes, standard_uncertainty=half / 2, interval=(minutes - half, minutes + half)
        )
    return InTheAir(
        key=f"mapper-{treatment}",
        aircraft="mapper",
        label="Orchard mapper",
        treatment=treatment,
        pack="pond-4s",
        mass_kg=0.74,
        thrust_per_motor_gf=185.0,
        hover_power_w=known,
        minutes=known,
        thrust_to_weight=None,
        notes=(),
        sentence="",
        logs=tuple(f"logs/{treatment}-{run}.csv" for run in range(runs)),
        indicative=runs == 1,
    )


def strip(*minutes: float | None, runs: int = 4) -> Figure:
    pairs = zip(TREATMENTS, minutes, strict=False)
    figure = flight_strip([flight(name, m, runs=runs) for name, m in pairs], LABELS, BASELINE)
    assert figure is not None
    return figure


def test_a_row_each_with_dot_and_interval() -> None:
    figure = strip(10.4, 9.8, 9.1)
    assert_sound(figure)
    dots = {row["treatment"]: row["minutes"] for row in rows_of(figure.spec, "point", "minutes")}
    assert dots == {"four-cell": 10.4, "five-cell": 9.8, "six-cell": 9.1}
    lines = {row["treatment"]: (row["low"], row["high"]) for row in rows_of(figure.spec, "point", "low")}
    assert lines["five-cell"] == pytest.approx((9.6, 10.0))
    low, high = x_domain(figure.spec)
    assert low < 8.9
    assert high > 10.6
    assert axis_titles(figure.spec) == {"Minutes of hover (min)"}


def test_the_baseline_is_neutral_and_its_time_goes_through_all_rows() -> None:
    figure = strip(10.4, 9.8)
    (estimate,) = (layer for layer in layers(figure.spec) if layer.get("name") == "estimate")
    scale = estimate["encoding"]["stroke"]["scale"]
    assert dict(zip(scale["domain"], scale["range"], strict=True))[BASELINE] == BASELINE_MARK.colour
    assert "as long as with 4S" in texts(figure.spec)
    assert {"minutes": 10.4} in rows_of(figure.spec, "rule", "minutes")
    assert not any("as long as" in text for text in texts(strip(None, 9.8).spec))


def test_words_and_table_say_the_same() -> None:
    figure = strip(10.4, 9.8)
    assert figure.name == "air-mapper"
    assert figure.title == "Minutes of hover, Orchard mapper"
    assert "4S: 10.40\u00a0min (10.20 to 10.60\u00a0min)" in figure.states
    assert list(figure.table.columns) == [
        "Treatment", "Minutes of hover (min)", "Lower limit (min)", "Upper limit (min)", "Runs",
    ]  # fmt: skip
    assert figure.table.iloc[1].tolist() == ["5S capped", 9.8, 9.6, 10.0, 4]
    assert figure.sources[0] == "logs/four-cell-0.csv"
    assert len(figure.sources) == 8
    assert "Do not judge a difference by whether two lines overlap" in figure.note


def test_what_is_not_known_is_named_and_left_out() -> None:
    figure = strip(10.4, None, 9.1)
    assert_sound(figure)
    assert "Not known: 5S capped." in figure.note
    assert "5S capped" not in figure.table.to_csv()
    assert flight_strip([flight(BASELINE, None)], LABELS, BASELINE) is None
    assert flight_strip([], LABELS, BASELINE) is None


def test_single_runs_are_told() -> None:
    assert "One run each: a line holds the scatter within a run only." in strip(10.4, 9.8, runs=1).note
    assert "run only" not in strip(10.4, 9.8).note
    alone = strip(10.4, runs=1)
    assert_sound(alone)
    assert "overlap" not in alone.note


def test_two_aircraft_are_no_strip() -> None:
    other = replace(flight(BASELINE, 9.0), aircraft="scout")
    with pytest.raises(ValueError, match="one strip shows one aircraft"):
        flight_strip([flight(BASELINE, 10.4), other], LABELS, BASELINE)
