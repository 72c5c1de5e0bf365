"""Drain: a pack with a straight open-circuit voltage, where charge, energy, time and resistance have closed forms."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import pytest
from numpy.typing import NDArray
from pydantic import ValidationError

from generator.intake.parts import Pack
from generator.reduction.drain import DrainPlan, reduce_drain
from generator.reduction.drain_load import integral
from generator.reduction.prepare import prepare
from generator.reduction.records import Outcome, RunResponse, Setup
from tests.reduction.synthetic import make_rig, make_setup

Array = NDArray[np.float64]

FULL_V, OHM, V_PER_C = 16.6, 0.05, 0.004  # invented pack: E = FULL_V - V_PER_C · q
REST_S, HZ = 5.0, 50.0
# When between two samples the load jumped is not known: half a sample's charge, as a resistance.
HALF_SAMPLE_OHM = V_PER_C / (2.0 * HZ) * 1.001


def plan(**changes: Any) -> DrainPlan:
    return DrainPlan.model_validate({"throttle": "60 %", "cut_off": "3.5 V", "window": "2 s"} | changes)


def pack_setup(**rig: Any) -> Setup:
    pack = {"id": "pond", "kind": "pack", "label": "Pond", "cells": 4, "capacity": "300 mAh"}
    return replace(make_setup(make_rig(**rig)), source=Pack.model_validate(pack))


def drained(levels_a: list[float], each_s: float, *, stop_v: float = 14.0, hz: float = HZ) -> pd.DataFrame:
    """A log of a drain whose load jumps between levels until the voltage is at stop_v, with rest before and after."""
    step = 1.0 / hz
    time, volts, amperes, drawn = [], [], [], 0.0
    k, since_stop = 0, -1
    while since_stop < REST_S * hz:
        t = k * step
        under = t >= REST_S and since_stop < 0
        current = levels_a[int((t - REST_S) / each_s) % len(levels_a)] if under else 0.0
        voltage = FULL_V - V_PER_C * drawn - OHM * current
        if under and voltage <= stop_v - 1e-12:
            since_stop, current = 0, 0.0
            voltage = FULL_V - V_PER_C * drawn
        time.append(t)
        volts.append(voltage)
        amperes.append(current)
        drawn += current * step
        k += 1
        since_stop += since_stop >= 0
    speed = np.where(np.array(amperes) > 0.0, 12000.0, 0.0)
    return pd.DataFrame({"time_s": time, "speed_rpm": speed, "voltage_v": volts, "current_a": amperes})


def reduced(frame: pd.DataFrame, made: DrainPlan | None = None, setup: Setup | None = None) -> Outcome:
    made = made or plan()
    return reduce_drain(prepare(frame, setup or pack_setup(), made))


def values(outcome: Outcome) -> dict[str, RunResponse]:
    return {response.response: response for response in outcome.responses}


def test_constant_load_has_a_closed_form() -> None:
    """10 A from 16.6 V: 14.0 V are reached after (16.6 - 14.0 - 0.5)/0.04 s."""
    found = values(reduced(drained([10.0], 1e9)))
    lasts = (FULL_V - 14.0 - OHM * 10.0) / (V_PER_C * 10.0)
    assert found["time_to_cut_off"].value == pytest.approx(lasts, abs=1.5 / HZ)
    assert found["delivered_charge"].value == pytest.approx(10.0 * lasts / 3.6, rel=1e-3)
    mean_v = 0.5 * (FULL_V - OHM * 10.0 + 14.0)
    assert found["delivered_energy"].value == pytest.approx(10.0 * lasts * mean_v / 3600.0, rel=1e-3)
    assert found["internal_resistance"].value == pytest.approx(1000.0 * OHM, abs=1000.0 * HALF_SAMPLE_OHM)
    assert found["sag"].value == pytest.approx(OHM * 10.0, abs=10.0 * HALF_SAMPLE_OHM)


def test_a_pattern_gives_the_same_resistance_at_every_step_and_by_regression() -> None:
    outcome = reduced(drained([12.0, 5.0], 6.0), plan(each="6 s", throttle=["70 %", "40 %"]))
    resistance = values(outcome)["internal_resistance"].value
    assert resistance == pytest.approx(1000.0 * OHM, abs=1000.0 * HALF_SAMPLE_OHM)
    assert outcome.fitted is not None
    by_step = outcome.fitted["resistance_ohm"].dropna()
    assert len(by_step) > 5
    assert by_step.to_numpy() == pytest.approx(OHM, abs=HALF_SAMPLE_OHM)
    assert dict(outcome.fits)["regression_resistance_ohm"] == pytest.approx(OHM, abs=HALF_SAMPLE_OHM)
    assert not [finding for finding in outcome.findings if finding.kind == "two ways differ"]


def test_a_surge_as_the_motor_starts_is_no_resistance() -> None:
    frame = drained([10.0], 1e9)
    surge = (frame["time_s"] >= REST_S) & (frame["time_s"] < REST_S + 0.3)
    extra = np.where(surge, 25.0, 0.0)
    frame["current_a"] += extra
    frame["voltage_v"] -= OHM * extra + V_PER_C * np.cumsum(extra) / HZ
    assert values(reduced(frame))["internal_resistance"].value == pytest.approx(1000.0 * OHM, rel=2e-3)


def test_the_voltage_is_the_packs_not_the_controllers() -> None:
    """Wiring behind the tap takes nothing from what the pack gives."""
    frame = drained([10.0], 1e9)
    with_wiring = values(reduced(frame, setup=pack_setup(wiring_ohm=0.02, wiring_u_ohm=0.005)))
    without = values(reduced(frame))
    for name, response in without.items():
        assert with_wiring[name].value == pytest.approx(response.value, rel=1e-12), name
        assert all(part.source != "wiring resistance" for part in with_wiring[name].components)


def test_an_offset_of_the_voltage_does_not_touch_the_resistance_and_a_gain_does() -> None:
    channels = {"voltage": {"gain_uncertainty": "0.5 %", "offset_uncertainty": 0.02}}
    parts = {
        part.source: part.contribution
        for part in values(reduced(drained([10.0], 1e9), setup=pack_setup(channels=channels)))[
            "internal_resistance"
        ].components
    }
    assert "voltage offset" not in parts
    assert parts["voltage gain"] == pytest.approx(0.005 * 1000.0 * OHM, rel=1e-3)


def test_a_doubt_of_the_voltage_is_a_doubt_of_the_instant() -> None:
    """20 mV at 0.04 V/s are half a second, and 5 C at 10 A."""
    channels = {"voltage": {"offset_uncertainty": 0.02}}
    found = values(reduced(drained([10.0], 1e9), setup=pack_setup(channels=channels)))
    for name, size in (("time_to_cut_off", 0.5), ("delivered_charge", 5.0 / 3.6)):
        (part,) = [p for p in found[name].components if p.source == "voltage offset"]
        assert abs(part.contribution) == pytest.approx(size, rel=0.02), name


def test_a_run_that_ended_a_little_above_the_cut_off_is_carried_on() -> None:
    """Nobody has to go below it: 50 mV above, at 0.04 V/s, are 1.25 s."""
    outcome = reduced(drained([10.0], 1e9, stop_v=14.05))
    whole = (FULL_V - 14.0 - OHM * 10.0) / (V_PER_C * 10.0)
    assert values(outcome)["time_to_cut_off"].value == pytest.approx(whole, abs=0.1)
    assert values(outcome)["delivered_charge"].value == pytest.approx(10.0 * whole / 3.6, rel=3e-3)
    assert [finding.kind for finding in outcome.findings] == ["carried on"]


def test_a_cut_off_that_was_not_reached_gives_no_charge() -> None:
    outcome = reduced(drained([10.0], 1e9, stop_v=15.0))
    assert set(values(outcome)) == {"internal_resistance", "sag"}
    (told,) = [finding for finding in outcome.findings if finding.grade == "refused"]
    assert "14.00 V" in told.sentence


def test_a_dip_does_not_end_a_drain() -> None:
    frame = drained([10.0], 1e9)
    dip = (frame["time_s"] > 20.0) & (frame["time_s"] < 20.2)
    frame.loc[dip, "voltage_v"] = 13.0
    lasts = (FULL_V - 14.0 - OHM * 10.0) / (V_PER_C * 10.0)
    assert values(reduced(frame))["time_to_cut_off"].value == pytest.approx(lasts, abs=0.1)


def test_missing_samples_are_bridged() -> None:
    frame = drained([10.0], 1e9)
    frame.loc[(frame["time_s"] > 20.0) & (frame["time_s"] < 21.0), "current_a"] = math.nan
    lasts = (FULL_V - 14.0 - OHM * 10.0) / (V_PER_C * 10.0)
    assert values(reduced(frame))["delivered_charge"].value == pytest.approx(10.0 * lasts / 3.6, rel=1e-3)


def test_a_full_pack_gives_its_charge_as_a_constant_and_another_does_not() -> None:
    full = reduced(drained([10.0], 1e9))
    assert {constant.response for constant in full.constants} == {"internal_resistance", "pack_charge"}
    frame = drained([10.0], 1e9)
    frame["voltage_v"] -= 0.4  # 4.05 V a cell at rest
    assert {c.response for c in reduced(frame, plan(cut_off="3.4 V")).constants} == {"internal_resistance"}


def test_the_packs_warming_counts_from_before_the_load() -> None:
    frame = drained([10.0], 1e9)
    under = np.clip(frame["time_s"] - REST_S, 0.0, None)
    frame["pack_temperature_k"] = 293.15 + 0.1 * np.minimum(under, 60.0)
    rig = make_rig()
    more = {"column": "pack", "unit": "K"}
    channels = rig.channels.model_copy(
        update={"pack_temperature": type(rig.channels.time).model_validate(more)}
    )
    setup = replace(pack_setup(), rig=rig.model_copy(update={"channels": channels}))
    outcome = reduced(frame, setup=setup)
    lasts = (FULL_V - 14.0 - OHM * 10.0) / (V_PER_C * 10.0)
    assert values(outcome)["pack_temperature_rise"].value == pytest.approx(0.1 * lasts, abs=0.02)
    assert dict(outcome.fits)["pack_start_temperature_k"] == pytest.approx(293.15, abs=0.01)


def test_a_supply_cannot_be_drained() -> None:
    outcome = reduced(drained([10.0], 1e9), setup=make_setup())
    assert outcome.responses == ()
    assert "is a supply" in outcome.findings[0].sentence


def test_without_a_load_nothing_is_given() -> None:
    frame = drained([10.0], 1e9)
    frame["current_a"] = 0.0
    assert reduced(frame).responses == ()


def test_an_integral_of_a_ramp() -> None:
    time = np.linspace(0.0, 10.0, 101)
    total, doubt = integral(time, time, 2.05, 8.0)
    assert total == pytest.approx(0.5 * (8.0**2 - 2.05**2), rel=1e-12)
    # 60 steps of 0.1 · 0.1 half-widths 0.005, rectangular: 0.005/√3 · √60, the first one half as wide
    assert doubt == pytest.approx(0.005 / math.sqrt(3.0) * math.sqrt(60.0), rel=0.02)


@pytest.mark.parametrize(("changes", "told"), [
    ({"speed": "9000 rpm"}, "either `throttle` or `speed`"),
    ({"throttle": []}, "either `throttle` or `speed`"),
    ({"throttle": ["60 %", "30 %"]}, "each: is missing"),
    ({"throttle": ["60 %", "30 %"], "each": "3 s"}, "longer than"),
    ({"throttle": "120 %"}, "at most at 100 %"),
    ({"cut_off": "3.5"}, "no unit"),
    ({"cut_off": "0 V"}, "greater than 0"),
])  # fmt: skip
def test_plans_that_cannot_be_meant(changes: dict[str, Any], told: str) -> None:
    with pytest.raises(ValidationError, match=told):
        plan(**changes)
