"""A zero run: loads found whatever the gain, what is missing told, plans that cannot be meant refused."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest
from pydantic import ValidationError

from generator.reduction.calibration_loads import ZeroPlan
from generator.reduction.calibration_run import ZERO, reduce_zero
from generator.reduction.prepare import prepare
from generator.reduction.records import Outcome
from tests.reduction.synthetic import make_setup

LOADS = ("0 gf", "100 gf", "200 gf", "400 gf", "200 gf", "100 gf", "0 gf")
GF = 0.00980665


def plan(**changes: Any) -> ZeroPlan:
    stated = {"channel": "thrust", "loads": list(LOADS), "settle": "1 s", "window": "2 s"} | changes
    return ZeroPlan.model_validate(stated)


def reduced(made: ZeroPlan, readings_n: np.ndarray, column: str = "thrust_n", hz: float = 50.0) -> Outcome:
    frame = pd.DataFrame({"time_s": np.arange(readings_n.size) / hz, column: readings_n})
    return reduce_zero(prepare(frame, make_setup(), made))


def course(
    levels_n: list[float], *, seconds: float = 4.0, hz: float = 50.0, noise: float = 0.0
) -> np.ndarray:
    """Levels with a second of handling between them, in which the reading swings."""
    rng = np.random.default_rng(1)
    made = []
    for place, level in enumerate(levels_n):
        if place:
            before = levels_n[place - 1]
            t = np.linspace(0.0, 1.0, round(hz))
            made.append(before + (level - before) * t + 0.3 * np.sin(25.0 * t) * np.sin(np.pi * t))
        made.append(np.full(round(seconds * hz), level))
    whole = np.concatenate(made)
    return whole + noise * rng.standard_normal(whole.size)


def levels(gain: float, offset_n: float) -> list[float]:
    """Readings of LOADS on a channel whose true value is offset + gain × reading."""
    return [(float(text.split()[0]) * GF - offset_n) / gain for text in LOADS]


@pytest.mark.parametrize(("gain", "offset_n"), [(1.0, 0.0), (0.97, 0.03), (1.4, -0.5), (0.002, 0.0)])
def test_gain_and_offset_are_found_however_far_off(gain: float, offset_n: float) -> None:
    found = reduced(plan(), course(levels(gain, offset_n))).calibration
    assert found is not None
    assert len(found.points) == 7
    assert found.gain == pytest.approx(gain, rel=1e-6)
    assert found.offset == pytest.approx(offset_n, abs=1e-6)


def test_the_zero_at_rest_is_not_taken_off() -> None:
    """Everything is rest here; a zero taken off would hide the offset."""
    found = reduced(plan(), course(levels(1.0, -0.2), noise=0.002)).calibration
    assert found is not None
    assert found.offset == pytest.approx(-0.2, abs=0.002)


def test_a_pause_with_a_hand_on_the_stand_is_no_load() -> None:
    made = levels(1.0, 0.0)
    made.insert(3, 0.5 * (made[2] + made[3]))  # half the last weight, held for four seconds
    found = reduced(plan(), course(made)).calibration
    assert found is not None
    assert found.gain == pytest.approx(1.0, rel=1e-6)


def test_a_load_that_was_forgotten_is_told() -> None:
    made = levels(1.0, 0.0)
    del made[4]
    outcome = reduced(plan(), course(made))
    assert outcome.calibration is not None
    assert len(outcome.calibration.points) == 6
    (told,) = [finding for finding in outcome.findings if finding.kind == "load missing"]
    assert told.grade == "doubtful"
    assert "200 gf (down)" in told.sentence


def test_a_channel_that_counts_the_other_way_is_refused() -> None:
    outcome = reduced(plan(), course(levels(-1.0, 0.0)))
    assert outcome.calibration is None
    assert "counts the other way" in outcome.findings[-1].sentence


@pytest.mark.parametrize("readings", [np.zeros(1000), np.full(1000, np.nan), np.arange(1000.0)])
def test_without_levels_nothing_is_given(readings: np.ndarray) -> None:
    outcome = reduced(plan(), readings)
    assert outcome.calibration is None
    assert outcome.findings[-1].grade == "refused"


def test_masses_on_an_arm_make_a_torque() -> None:
    made = plan(
        channel="torque", loads=["0 g", "100 g", "200 g"], arm="200 mm", gravity="9.81 m/s^2",
        arm_uncertainty="0.5 mm", load_uncertainty="0.1 %",
    )  # fmt: skip
    assert made.load_values() == pytest.approx((0.0, 0.1 * 9.81 * 0.2, 0.2 * 9.81 * 0.2))
    # two relative doubts in quadrature: 0.1 % of the masses and 0.25 % of the arm
    assert made.load_relative() == pytest.approx(0.0026926, rel=1e-4)


def test_local_gravity_counts_for_masses_alone() -> None:
    assert plan().load_values()[1] == pytest.approx(100 * GF)
    assert plan(loads=["0 g", "100 g", "0 g"], gravity="9.78 m/s^2").load_values()[1] == pytest.approx(0.978)


@pytest.mark.parametrize(("changes", "told"), [
    ({"loads": ["0 gf", "0 gf", "100 gf"]}, "load 2 .* again"),
    ({"loads": [0, 100, 200]}, "load 1: 0 has no unit"),
    ({"loads": ["0 gf", "1 V", "2 gf"]}, "load 2"),
    ({"loads": ["0 gf", "100 gf"]}, "at least 3"),
    ({"channel": "air_temperature", "loads": ["0 degC", "9 degC", "0 degC"], "load_uncertainty": "1 %"}, "a share of"),
    ({"arm": "100 mm"}, "torque only"),
    ({"load_uncertainty": "-1 gf"}, "below zero"),
    ({"gravity": "12 m/s^2"}, "gravity"),
])  # fmt: skip
def test_plans_that_cannot_be_meant(changes: dict[str, Any], told: str) -> None:
    with pytest.raises(ValidationError, match=told):
        plan(**changes)


def test_it_gives_no_responses() -> None:
    """Its figures must never become verdicts."""
    assert ZERO.responses == ()
    assert reduced(plan(), course(levels(1.0, 0.0))).responses == ()
