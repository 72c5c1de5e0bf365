"""Hold: constant speed, everything averaged over a window in which the speed stands still."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Annotated

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from generator.intake.parts import Record, key
from generator.intake.quantities import Ratio, Speed, Time
from generator.reduction import response_kinds as kinds
from generator.reduction.constants import constant_findings, fitted_constants
from generator.reduction.levels import last_steady, nearest_plateau
from generator.reduction.losses import losses
from generator.reduction.measured import (
    GF_PER_N,
    Number,
    RigErrors,
    StretchMeans,
    components,
    mean_and_error,
    nominal,
    variable,
)
from generator.reduction.readings import hover_readings
from generator.reduction.records import (
    At,
    Finding,
    Outcome,
    PreparedRun,
    Procedure,
    ResponseKind,
    RunResponse,
    Window,
)
from generator.reduction.speed_miss import at_speed
from generator.reduction.steady import SteadyPoint


class HoldPlan(Record):
    """`hold:` in session.yaml."""

    speed_rpm: Annotated[tuple[Speed, ...], Field(min_length=1, max_length=40)] = key(
        "speed", "Speeds to hold."
    )
    settle_s: Time = key("settle", "Left out after the speed is reached.", default=1.0, ge=0)
    window_s: Time = key("window", "Averaged at the end of each hold.", default=3.0, gt=0)
    tolerance: Ratio = key(
        "tolerance",
        "Largest speed miss that is corrected; beyond it the hold is refused.",
        default=0.02,
        gt=0,
        le=0.05,
    )


def reduce_hold(run: PreparedRun) -> Outcome:
    """Responses of one hold run at each planned speed.

    A miss of the speed within the tolerance is corrected with T ∝ n² and P ∝ n³; the uncertainty of the speed
    then enters doubled and tripled. A speed that was not held gives a refused finding and no response.
    Source: similarity of propeller coefficients at constant advance ratio (static: J = 0).
    """
    plan = run.plan
    assert isinstance(plan, HoldPlan)
    time = run.columns["time_s"]
    speed = run.columns["speed_rpm"]
    errors = RigErrors.of(run)
    responses: list[RunResponse] = []
    windows: list[Window] = []
    findings: list[Finding] = []
    held: list[SteadyPoint] = []
    targets = tuple(dict.fromkeys(plan.speed_rpm))
    for target in targets:
        # a hold at a neighbouring speed is not a miss of this one
        reach = min((abs(other / target - 1.0) / 2.0 for other in targets if other != target), default=1.0)
        steady = last_steady(
            time, speed, target,
            tolerance=min(plan.tolerance, reach), settle_s=plan.settle_s, window_s=plan.window_s,
        )  # fmt: skip
        if steady is None:
            findings.append(_not_held(time, speed, target, plan))
            continue
        window = Window(
            kind="averaged", label=f"{target:.0f} rpm", start_s=steady.start_s, stop_s=steady.stop_s
        )
        windows.append(window)
        at: At = (("speed_rpm", float(target)),)
        point = SteadyPoint(run, errors, window, at=at)
        means = point.means
        held.append(point)
        if means.electrical() and not nominal(means.power()) > 0.0:
            findings.append(_no_power(nominal(means.power()), target))
        for kind, value in hold_responses(run, means, target):
            centre, parts = components(value)
            if math.isfinite(centre):
                responses.append(
                    RunResponse(response=kind.name, at=at, value=centre, components=parts, window=window)
                )
    constants = fitted_constants(run, held)
    findings += constant_findings(run, held, constants)
    return Outcome(
        responses=tuple(responses),
        losses=losses(run, held),
        constants=constants,
        readings=hover_readings(run, held),
        windows=tuple(windows),
        findings=tuple(findings),
    )


def _not_held(
    time: NDArray[np.float64], speed: NDArray[np.float64], target: float, plan: HoldPlan
) -> Finding:
    near = nearest_plateau(time, speed, target, plan.window_s)
    words = f"{target:.0f} rpm was not held within {100 * plan.tolerance:.3g} % for {plan.window_s:g} s without a trend"
    if near is not None:
        words += f"; the nearest steady speed was {near.level:.0f} rpm"
    return Finding(kind="speed missed", channel="speed_rpm", grade="refused", sentence=f"{words}. Not used.")


def _no_power(power_w: float, target: float) -> Finding:
    sentence = (
        f"At {target:.0f} rpm voltage times current gives {power_w:.3g} W; "
        "no thrust per watt and no efficiency come from that."
    )
    return Finding(kind="no power", channel="current_a", grade="doubtful", sentence=sentence)


def hold_responses(
    run: PreparedRun, means: StretchMeans, target_rpm: float
) -> Iterator[tuple[ResponseKind, Number]]:
    """Every response that the channels of a window allow, corrected to the target speed."""
    setup = run.setup

    def corrected(value: Number, exponent: float, columns: dict[str, float], whose: str) -> Number:
        return at_speed(means, value, exponent, target_rpm, columns, whose)

    # The exponent of thrust and shaft power is the propeller's; losses make that of electrical power the set-up's.
    propeller, whole = setup.propeller.label, setup.treatment.label
    electrical = means.electrical()
    together = means.has("power_w")
    watts = {"power_w": 1.0} if together else {"tap_voltage_v": 1.0, "current_a": 1.0}
    per_watt = {column: -power for column, power in watts.items()}
    power = means.power() if electrical else math.nan
    divisible = electrical and nominal(power) > 0.0
    if electrical:
        yield kinds.ELECTRICAL_POWER, corrected(power, 3.0, watts, whole)
        yield kinds.CURRENT, corrected(means.mean("current_a"), 3.0, {"current_a": 1.0}, whole)
    if means.has("thrust_n"):
        thrust = means.mean("thrust_n") * GF_PER_N
        yield kinds.THRUST, corrected(thrust, 2.0, {"thrust_n": 1.0}, propeller)
        if divisible:
            yield (
                kinds.THRUST_PER_POWER,
                corrected(thrust / power, -1.0, {"thrust_n": 1.0, **per_watt}, whole),
            )
    if means.has("torque_nm"):
        yield kinds.TORQUE, corrected(means.mean("torque_nm"), 2.0, {"torque_nm": 1.0}, propeller)
        shaft = means.shaft_power()
        turning = {"torque_nm": 1.0, "speed_rpm": 1.0}
        yield kinds.SHAFT_POWER, corrected(shaft, 3.0, turning, propeller)
        if divisible:
            yield (
                kinds.SYSTEM_EFFICIENCY,
                corrected(100.0 * shaft / power, 0.0, {**turning, **per_watt}, whole),
            )
    yield from plain_responses(run, means)


def plain_responses(run: PreparedRun, means: StretchMeans) -> Iterator[tuple[ResponseKind, Number]]:
    """Responses of a window that are not moved to another speed."""

    def scattered(value: Number, column: str, factor: float = 1.0) -> Number:
        return value + variable(0.0, factor * means.estimate(column)[1], "scatter")

    if means.has("tap_voltage_v"):
        voltage = means.voltage() if means.has("current_a") else means.mean("tap_voltage_v")
        yield kinds.VOLTAGE, scattered(voltage, "voltage_v" if means.has("voltage_v") else "tap_voltage_v")
    if means.has("throttle"):
        yield kinds.THROTTLE, scattered(100.0 * means.mean("throttle"), "throttle", 100.0)
    air = air_temperature(run, means)
    for column, kind in (
        ("motor_temperature_k", kinds.MOTOR_TEMPERATURE_RISE),
        ("controller_temperature_k", kinds.CONTROLLER_TEMPERATURE_RISE),
    ):
        if means.has(column):
            scatter = mean_and_error(means.samples(column), remove_trend=True)[1]
            yield kind, means.mean(column) - air + variable(0.0, scatter, "scatter")
    if means.has("sound_level_db"):
        yield kinds.SOUND_LEVEL, scattered(means.mean("sound_level_db"), "sound_level_db")
    if means.has("vibration_m_s2"):
        yield kinds.VIBRATION, scattered(means.mean("vibration_m_s2"), "vibration_m_s2")


def air_temperature(run: PreparedRun, means: StretchMeans) -> Number:
    """Air temperature of a stretch [K]: the rig's own channel with its scatter, else the session's value.

    The session's value has one error for all its runs: it cancels between treatments, not in a rise itself.
    """
    column = "air_temperature_k"
    if means.has(column):
        return means.mean(column) + variable(0.0, means.estimate(column)[1], "scatter")
    air = run.setup.air
    return variable(air.temperature_k, air.temperature_u_k, "air temperature", shared=True)


HOLD = Procedure(
    name="hold",
    plan=HoldPlan,
    needs=("speed",),
    responses=(
        kinds.ELECTRICAL_POWER,
        kinds.THRUST,
        kinds.THRUST_PER_POWER,
        kinds.CURRENT,
        kinds.TORQUE,
        kinds.SHAFT_POWER,
        kinds.SYSTEM_EFFICIENCY,
        kinds.VOLTAGE,
        kinds.THROTTLE,
        kinds.MOTOR_TEMPERATURE_RISE,
        kinds.CONTROLLER_TEMPERATURE_RISE,
        kinds.SOUND_LEVEL,
        kinds.VIBRATION,
    ),
    reduce=reduce_hold,
    about="The speed is held; everything is averaged over the last seconds in which it stands still.",
)
