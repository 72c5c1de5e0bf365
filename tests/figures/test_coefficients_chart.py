"""Coefficients against speed: what is drawn, said and tabled."""

from __future__ import annotations

import math

import pytest

from generator.evidence.physics_records import EffectiveConstant, Measured
from generator.figures.coefficients_chart import coefficients
from generator.reduction.records import At
from tests.factories import BASELINE, LABELS
from tests.figures.chart_reading import assert_sound, axis_titles, layers, rows_of, texts

TREATMENTS = ("four-cell", "five-cell")
SHOWN = {name: LABELS[name] for name in TREATMENTS}
SPEEDS = (8000.0, 12000.0, 16000.0, 20000.0)
STATED = ((8000.0, 0.104, 0.003), (16000.0, 0.110, 0.003))


def constant(treatment: str, speed: float, value: float, **changes: object) -> EffectiveConstant:
    at: At = (("throttle_percent", speed / 250.0), ("speed_rpm", speed))
    made = {
        "key": f"thrust_coefficient-{speed:.0f}rpm-{treatment}",
        "name": "thrust_coefficient",
        "label": "Thrust coefficient CT",
        "treatment": treatment,
        "part": "tri",
        "at": at,
        "unit": "1",
        "fitted": Measured(value=value, standard_uncertainty=0.001, interval=(value - 0.002, value + 0.002)),
        "runs": 4,
        "nominal": 0.104,
        "departure": Measured(value=value / 0.104 - 1.0, standard_uncertainty=0.03, interval=(-0.05, 0.07)),
        "outcome": "agrees",
        "sentence": "",
    }
    return EffectiveConstant(**{**made, **changes})  # type: ignore[arg-type]


def both() -> list[EffectiveConstant]:
    """Handed over out of order, as nothing promises one."""
    made = [constant("four-cell", speed, 0.100 + speed * 5e-7) for speed in SPEEDS]
    return [*(constant("five-cell", s, 0.102 + s * 5e-7) for s in reversed(SPEEDS)), *made[::-1]]


def test_every_point_is_drawn_with_its_interval() -> None:
    figure = coefficients(
        both(), SHOWN, which="thrust_coefficient", baseline=BASELINE, sources=("logs/a.csv",)
    )
    assert figure is not None
    assert_sound(figure)
    rows = rows_of(figure.spec, "point", "speed")
    drawn = {(row["treatment"], row["speed"]): row for row in rows}
    assert set(drawn) == {(name, speed) for name in TREATMENTS for speed in SPEEDS}
    for (name, speed), row in drawn.items():
        value = (0.100 if name == "four-cell" else 0.102) + speed * 5e-7
        assert row["value"] == pytest.approx(value, abs=1e-5)
        assert (row["low"], row["high"]) == pytest.approx((value - 0.002, value + 0.002), abs=1e-5)
    assert axis_titles(figure.spec) == {"Speed (rpm)", "Thrust coefficient CT"}
    assert {"4S", "5S capped"} <= set(texts(figure.spec))
    assert figure.name == "thrust_coefficient-against-speed"
    assert figure.sources == ("logs/a.csv",)


def test_it_says_where_each_treatment_starts_and_ends() -> None:
    figure = coefficients(both(), SHOWN, which="thrust_coefficient", baseline=BASELINE)
    assert figure is not None
    assert figure.states == (
        "CT against speed: 4S from 0.1040 at 8\u202f000\u00a0rpm to 0.1100 at 20\u202f000\u00a0rpm, 0 of 4 points off "
        "the stated value and 5S capped from 0.1060 at 8\u202f000\u00a0rpm to 0.1120 at 20\u202f000\u00a0rpm, 0 of 4 "
        "points off the stated value."
    )
    assert "Crosses" not in figure.note
    assert figure.table["Speed (rpm)"].tolist() == [8000, 12000, 16000, 20000] * 2
    assert figure.table["Treatment"].tolist() == ["4S"] * 4 + ["5S capped"] * 4
    assert figure.table["CT"].tolist()[:2] == [0.104, 0.106]
    assert figure.table["Departure (%)"].tolist()[1] == pytest.approx(1.9)


def crosses(figure_spec: object) -> list[dict[str, object]]:
    marks = [layer["mark"] for layer in layers(figure_spec)]  # type: ignore[arg-type]
    return [mark for mark in marks if mark.get("shape") == "cross"]


def test_stated_values_shared_by_all_are_drawn_once() -> None:
    stated = dict.fromkeys(TREATMENTS, STATED)
    figure = coefficients(both(), SHOWN, which="thrust_coefficient", baseline=BASELINE, stated=stated)
    assert figure is not None
    assert_sound(figure)
    assert len(crosses(figure.spec)) == 1
    rows = [row for row in rows_of(figure.spec, "point", "speed") if row["speed"] in (8000, 16000)]
    found = [row for row in rows if row["high"] - row["low"] == pytest.approx(0.012)]
    assert [(row["speed"], row["value"]) for row in found] == [(8000, 0.104), (16000, 0.110)]
    assert "Crosses are what the propeller's file states" in figure.note


def test_stated_values_of_two_propellers_are_drawn_for_each() -> None:
    stated = {"four-cell": STATED, "five-cell": ((8000.0, 0.13, 0.002),)}
    figure = coefficients(both(), SHOWN, which="thrust_coefficient", baseline=BASELINE, stated=stated)
    assert figure is not None
    (cross,) = [lay for lay in layers(figure.spec) if lay["mark"].get("shape") == "cross"]
    rows = figure.spec["datasets"][cross["data"]["name"]]
    assert {(row["treatment"], row["value"]) for row in rows} == {
        ("four-cell", 0.104), ("four-cell", 0.110), ("five-cell", 0.13),
    }  # fmt: skip
    assert cross["encoding"]["stroke"]["field"] == "treatment"


def test_fewer_than_three_speeds_give_no_figure() -> None:
    few = [c for c in both() if dict(c.at)["speed_rpm"] < 13000]
    assert coefficients(few, SHOWN, which="thrust_coefficient", baseline=BASELINE) is None
    assert coefficients([], SHOWN, which="thrust_coefficient", baseline=BASELINE) is None
    assert coefficients(both(), SHOWN, which="power_coefficient", baseline=BASELINE) is None


def test_values_that_are_not_finite_and_other_constants_are_passed_over() -> None:
    gone = constant("four-cell", 9000.0, math.nan)
    kv = constant("four-cell", 9500.0, 2000.0, name="kv", at=())
    figure = coefficients([gone, kv, *both()], SHOWN, which="thrust_coefficient", baseline=BASELINE)
    assert figure is not None
    assert len(figure.table) == 8


def test_points_without_a_stated_value_have_none_in_the_table() -> None:
    bare = [
        constant("four-cell", s, 0.1, nominal=None, departure=None, outcome="no nominal value")
        for s in SPEEDS
    ]
    figure = coefficients(bare, SHOWN, which="thrust_coefficient", baseline=BASELINE)
    assert figure is not None
    assert figure.table["Stated"].isna().all()
    assert "off the stated value" not in figure.states


def test_an_unknown_coefficient_is_refused() -> None:
    with pytest.raises(KeyError, match="advance"):
        coefficients(both(), SHOWN, which="advance", baseline=BASELINE)
