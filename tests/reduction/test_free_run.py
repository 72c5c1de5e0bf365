"""Free runs of an invented motor with known KV, resistance and a current that rises in a straight line with speed."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import pydantic
import pytest

from generator.reduction.free_run import FREE_RUN
from generator.reduction.motor_fit import copper_factor
from generator.reduction.prepare import prepare
from generator.reduction.records import Outcome, RunResponse
from tests.reduction.synthetic import AIR_K, correlated, make_plan, make_rig, make_setup

KV, OHM, STANDING_A, SLOPE_A_RPM = 1712.0, 0.08, 0.4, 1.5e-5
VOLTS, HOLD_S, REST_S, RATE_HZ = 16.0, 2.0, 2.0, 100.0
THROTTLES = (0.3, 0.5, 0.7, 0.9, 1.0)
BLOCK = {
    "throttle": [f"{100 * t:g} %" for t in THROTTLES],
    "hold": "2 s",
    "average": "1 s",
    "read_at": ["10000 rpm", "20000 rpm"],
}


def own_current(rpm: float) -> float:
    return STANDING_A + SLOPE_A_RPM * rpm


def steady(duty: float) -> tuple[float, float]:
    """Speed and supply current: d V = n/KV + R (a + b n) is linear in n; an ideal bridge draws I = d I_w."""
    ohm = OHM * float(copper_factor(AIR_K))
    rpm = (duty * VOLTS - ohm * STANDING_A) / (1.0 / KV + ohm * SLOPE_A_RPM)
    return rpm, duty * own_current(rpm)


def free_run(
    *,
    block: Mapping[str, Any] = BLOCK,
    throttles: tuple[float, ...] = THROTTLES,
    noise: float = 0.0,
    thrust_n: float = 0.0,
    motor: Mapping[str, Any] | None = None,
    without: tuple[str, ...] = (),
) -> Outcome:
    rig = make_rig()
    kept = rig.channels.model_copy(update={"air_temperature": None, **dict.fromkeys(without)})
    setup = make_setup(rig.model_copy(update={"channels": kept}))
    stated = {"terminal_resistance_ohm": OHM, "resistance_temperature_k": 293.15, **(motor or {})}
    setup = replace(setup, motor=setup.motor.model_copy(update=stated))
    time = np.arange(round((2 * REST_S + HOLD_S * len(throttles)) * RATE_HZ) + 1) / RATE_HZ
    place = np.floor((time - REST_S) / HOLD_S).astype(int)
    on = (place >= 0) & (place < len(throttles))
    columns = {
        "time_s": time,
        "voltage_v": np.full(time.size, VOLTS),
        "motor_temperature_k": np.full(time.size, AIR_K),
    }
    found = [steady(duty) for duty in throttles]
    for name, values in (
        ("throttle", throttles),
        ("speed_rpm", [rpm for rpm, _ in found]),
        ("current_a", [amps for _, amps in found]),
        ("thrust_n", [thrust_n] * len(throttles)),
    ):
        columns[name] = np.where(on, np.array(values)[np.clip(place, 0, len(throttles) - 1)], 0.0)
    rng = np.random.default_rng(3)
    columns["current_a"] = columns["current_a"] + noise * correlated(rng, time.size, 0.0)
    frame = pd.DataFrame(
        {name: values for name, values in columns.items() if name.split("_")[0] not in without}
    )
    plan = make_plan("free-run", block)
    return FREE_RUN.reduce(prepare(frame, setup, plan))


def named(responses: tuple[RunResponse, ...]) -> dict[tuple[str, Any], RunResponse]:
    return {
        (r.response, dict(r.at).get("speed_rpm", dict(r.at).get("throttle_percent"))): r for r in responses
    }


def total_u(response: RunResponse) -> float:
    return math.hypot(*(part.contribution for part in response.components))


def test_closed_form_at_full_output() -> None:
    """d = 1: KV = n/(V - R I) and I(free) = (V I - R I²) KV/n = I exactly."""
    found = named(free_run().constants)
    rpm, amps = steady(1.0)
    assert found["kv", None].value == pytest.approx(KV, rel=1e-9)
    own = found["free_run_current", 100.0]
    assert own.value == pytest.approx(amps, rel=0.011)  # up to 1 % is the controller's own
    assert abs(own.value - amps) < 2.0 * total_u(own)
    assert found["speed", 100.0].value == pytest.approx(rpm, rel=1e-12)


def test_an_ideal_bridge_is_read_within_what_it_is_doubted() -> None:
    """Nothing is lost in switching here; the constants allow for anything from nothing on."""
    found = named(free_run().constants)
    for throttle in THROTTLES:
        rpm, _ = steady(throttle)
        own = found["free_run_current", 100.0 * throttle]
        assert abs(own.value - own_current(rpm)) < 2.0 * total_u(own)
    assert abs(found["free_run_current_standing", None].value - STANDING_A) < 2.0 * total_u(
        found["free_run_current_standing", None]
    )
    assert abs(found["free_run_current_slope", None].value - 1e6 * SLOPE_A_RPM) < 2.0 * total_u(
        found["free_run_current_slope", None]
    )


def beside(response: RunResponse, wanted: float) -> None:
    """Without switching loss the truth lies at the edge of what switching is doubted to take: √3 of its component."""
    bridge = next((part.contribution for part in response.components if part.source == "bridge loss"), 0.0)
    assert abs(response.value - wanted) == pytest.approx(
        math.sqrt(3.0) * abs(bridge), rel=0.35, abs=1e-4 * wanted
    )
    assert abs(response.value - wanted) < 6e-3 * wanted


def test_responses_lie_on_the_line() -> None:
    found = named(free_run().responses)
    for rpm in (10000.0, 20000.0):
        amps = own_current(rpm)
        beside(found["free_run_current", rpm], amps)
        beside(found["drag_torque", rpm], 60.0 / (2.0 * math.pi * KV) * amps)
        # what the copper takes is in the power again
        power = rpm / KV * amps + OHM * float(copper_factor(AIR_K)) * amps**2
        assert found["free_run_power", rpm].value == pytest.approx(power, rel=1e-3)


def test_without_full_output_kv_rests_on_the_throttle() -> None:
    outcome = free_run(
        throttles=THROTTLES[:4], block=BLOCK | {"throttle": BLOCK["throttle"][:4], "read_at": []}
    )
    kv = named(outcome.constants)["kv", None]
    assert abs(kv.value - KV) < 2.0 * total_u(kv)
    assert max(kv.components, key=lambda part: abs(part.contribution)).source == "throttle as duty"


def test_without_throttle_the_stated_kv_serves_and_is_told() -> None:
    block = {"speed": [f"{steady(t)[0]:.1f} rpm" for t in THROTTLES], "hold": "2 s", "average": "1 s"}
    outcome = free_run(block=block, without=("throttle",))
    assert "no KV" in {finding.kind for finding in outcome.findings}
    names = {response.response for response in outcome.responses}
    assert names == {"free_run_current", "free_run_power", "drag_torque"}
    assert "kv" not in {constant.response for constant in outcome.constants}


def test_held_speeds_give_their_own_values() -> None:
    speeds = [steady(t)[0] for t in THROTTLES]
    block = {"speed": [f"{rpm:.1f} rpm" for rpm in speeds], "hold": "2 s", "average": "1 s"}
    found = named(free_run(block=block).responses)
    for rpm in speeds:
        beside(found["free_run_current", round(rpm, 1)], own_current(rpm))


def test_nothing_belongs_to_a_propeller() -> None:
    outcome = free_run()
    names = {r.response for r in (*outcome.responses, *outcome.constants)}
    assert not any("thrust" in name or "power_coefficient" in name for name in names)
    assert not outcome.losses
    assert not outcome.readings
    assert not outcome.steps


def test_thrust_means_a_propeller_and_is_refused() -> None:
    outcome = free_run(thrust_n=1.0)
    assert not outcome.responses
    assert [f.kind for f in outcome.findings if f.grade == "refused"] == ["propeller on"]


def test_a_motor_that_is_braked_is_doubtful() -> None:
    kinds = {f.kind: f.grade for f in free_run(motor={"free_run_current_a": 0.1}).findings}
    assert kinds["braked"] == "doubtful"
    assert "braked" not in {f.kind for f in free_run(motor={"free_run_current_a": 0.5}).findings}


def test_unstated_resistance_widens_kv() -> None:
    known, unknown = (
        named(free_run(motor={"terminal_resistance_ohm": ohm}).constants)["kv", None] for ohm in (OHM, None)
    )
    assert total_u(unknown) > 3.0 * total_u(known)
    assert abs(unknown.value - KV) < 2.0 * total_u(unknown)


def test_noise_is_covered() -> None:
    found = named(free_run(noise=0.05).responses)
    for rpm in (10000.0, 20000.0):
        response = found["free_run_current", rpm]
        assert abs(response.value - own_current(rpm)) < 3.0 * total_u(response)
        assert total_u(response) < 0.05


@pytest.mark.parametrize(
    ("block", "words"),
    [
        ({}, "either"),
        ({"throttle": ["50 %"], "speed": ["9000 rpm"]}, "either"),
        ({"throttle": ["50 %", "50.5 %"]}, "apart"),
        ({"throttle": ["0 %"]}, "above 0"),
        ({"throttle": ["50 %"], "hold": "1 s", "average": "1 s"}, "shorter"),
    ],
)
def test_plans_that_make_no_sense(block: Mapping[str, Any], words: str) -> None:
    with pytest.raises(pydantic.ValidationError, match=words):
        make_plan("free-run", block)
