"""Soak: the motor runs on and off at one speed while its temperature climbs."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Annotated

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from pydantic import Field

from generator.intake.parts import Record, key
from generator.intake.quantities import Speed, Time
from generator.reduction import response_kinds as kinds
from generator.reduction.hold import air_temperature
from generator.reduction.levels import smoothed, stretches
from generator.reduction.measured import Number, RigErrors, StretchMeans, components, mean_and_error, variable
from generator.reduction.records import (
    At,
    Finding,
    Outcome,
    PreparedRun,
    Procedure,
    ResponseKind,
    RunResponse,
    Window,
    fits_of,
)
from generator.reduction.thermal import ThermalFit, fit_first_order, seconds_to_limit, simulate_rise_k

Array = NDArray[np.float64]
ON_SHARE = 0.5  # above this share of the set speed the motor is on
END_SHARE = 0.5  # the end of the last on period that is averaged, as a share of it, at most one second
SHOWN_FIT_ROWS = 400


class SoakPlan(Record):
    """`soak:` in session.yaml."""

    speed_rpm: Speed = key("speed", "Speed while on.", gt=0)
    on_s: Time = key("on", "How long it is on in each cycle.", gt=0)
    off_s: Time = key("off", "How long it is off in each cycle; `0 s` for continuous.", ge=0)
    cycles: Annotated[int, Field(ge=1, le=5000)]


def reduce_soak(run: PreparedRun) -> Outcome:
    """Rise above the air at the end, and what the first-order fit makes of the whole on and off pattern."""
    plan = run.plan
    assert isinstance(plan, SoakPlan)
    time = run.frame["time_s"].to_numpy(dtype=np.float64)
    speed = smoothed(time, run.frame["speed_rpm"].to_numpy(dtype=np.float64))
    on = stretches(speed > ON_SHARE * plan.speed_rpm)
    periods = [(float(time[a]), float(time[b])) for a, b in on if time[b] - time[a] >= 0.5 * plan.on_s]
    if not periods:
        sentence = f"The motor was never on at {plan.speed_rpm:.0f} rpm for {plan.on_s:g} s. Not used."
        return Outcome(
            findings=(Finding(kind="not reached", channel="speed_rpm", grade="refused", sentence=sentence),)
        )
    findings = list(_speed_and_count(time, speed, periods, plan))
    last = periods[-1]
    end = Window(
        kind="averaged",
        label="end of the last on period",
        start_s=max(last[1] - 1.0, last[1] - END_SHARE * (last[1] - last[0])),
        stop_s=last[1],
    )
    errors = RigErrors(run.setup.rig)
    means = StretchMeans(run, errors, (time >= end.start_s) & (time <= end.stop_s))
    at: At = (("speed_rpm", float(plan.speed_rpm)),)
    fit, fitted, told = _fit(run, time, speed, periods, plan)
    findings += told
    values: list[tuple[ResponseKind, Number]] = list(_rises(run, means))
    if fit is not None and fit.identifiable:
        values += _from_fit(fit, run, plan, findings)
    responses = []
    for kind, value in values:
        centre, parts = components(value)
        if math.isfinite(centre):
            responses.append(
                RunResponse(response=kind.name, at=at, value=centre, components=parts, window=end)
            )
    windows = [
        Window(kind="on", label=f"on {i + 1}", start_s=a, stop_s=b) for i, (a, b) in enumerate(periods)
    ]
    figures = {} if fit is None else {
        "time_constant_s": fit.time_constant_s,
        "continuous_rise_k": fit.continuous_rise_k,
        "initial_rise_k": fit.initial_rise_k,
        "residual_sd_k": fit.residual_sd_k,
    }  # fmt: skip
    return Outcome(
        responses=tuple(responses),
        windows=(*windows, end),
        fits=fits_of(figures),
        fitted=fitted,
        findings=tuple(findings),
    )


def _speed_and_count(
    time: Array, speed: Array, periods: list[tuple[float, float]], plan: SoakPlan
) -> Iterator[Finding]:
    """What differs from the plan: the number of on periods, the speed while on."""
    if len(periods) != plan.cycles:
        sentence = f"{len(periods)} on periods were found, {plan.cycles} were planned."
        yield Finding(kind="cycles", channel="speed_rpm", grade="doubtful", sentence=sentence)
    levels = [float(np.median(speed[(time >= a) & (time <= b)])) for a, b in periods]
    mean = float(np.mean(levels))
    if abs(mean / plan.speed_rpm - 1.0) > 0.02:
        sentence = (
            f"The speed while on was {mean:.0f} rpm, {100 * (mean / plan.speed_rpm - 1):+.1f} % off the plan."
        )
        yield Finding(kind="speed missed", channel="speed_rpm", grade="doubtful", sentence=sentence)


def _rises(run: PreparedRun, means: StretchMeans) -> Iterator[tuple[ResponseKind, Number]]:
    air = air_temperature(run, means)
    for column, kind in (
        ("motor_temperature_k", kinds.TEMPERATURE_RISE),
        ("controller_temperature_k", kinds.CONTROLLER_SOAK_RISE),
    ):
        if means.has(column):
            scatter = mean_and_error(means.samples(column))[1]
            yield kind, means.mean(column) - air + variable(0.0, scatter, "scatter")


def _fit(
    run: PreparedRun, time: Array, speed: Array, periods: list[tuple[float, float]], plan: SoakPlan
) -> tuple[ThermalFit | None, pd.DataFrame | None, list[Finding]]:
    """First-order fit from the start of the first on period to the end of the last cycle."""
    if "motor_temperature_k" not in run.frame:
        return None, None, []
    stop = min(periods[-1][1] + plan.off_s, float(time[-1]))
    rows = (time >= periods[0][0]) & (time <= stop)
    air = run.setup.air.temperature_k
    if "air_temperature_k" in run.frame:
        air = float(np.nanmean(run.frame["air_temperature_k"].to_numpy()))
    rise = run.frame["motor_temperature_k"].to_numpy(dtype=np.float64)[rows] - air
    power = (speed[rows] > ON_SHARE * plan.speed_rpm).astype(np.float64)
    try:
        fit = fit_first_order(time[rows], rise, power)
    except ValueError as error:
        sentence = f"No thermal fit: {error}."
        return (
            None,
            None,
            [Finding(kind="no fit", channel="motor_temperature_k", grade="doubtful", sentence=sentence)],
        )
    told = []
    if not fit.identifiable:
        sentence = f"No time constant and no settled rise: {fit.reason}."
        told.append(Finding(kind="no fit", channel="motor_temperature_k", sentence=sentence))
    curve = simulate_rise_k(time[rows], power, fit.continuous_rise_k, fit.time_constant_s, fit.initial_rise_k)
    step = max(1, int(rows.sum()) // SHOWN_FIT_ROWS)
    fitted = pd.DataFrame({"time_s": time[rows][::step], "fitted_rise_k": curve[::step]})
    return fit, fitted, told


def _from_fit(
    fit: ThermalFit, run: PreparedRun, plan: SoakPlan, findings: list[Finding]
) -> Iterator[tuple[ResponseKind, Number]]:
    yield kinds.TIME_CONSTANT, variable(fit.time_constant_s, fit.u_time_constant_s, "thermal fit")
    if fit.duty_settled_peak_rise_k is not None and fit.u_duty_settled_peak_rise_k is not None:
        yield (
            kinds.SETTLED_RISE,
            variable(fit.duty_settled_peak_rise_k, fit.u_duty_settled_peak_rise_k, "thermal fit"),
        )
    limit = run.setup.motor.temperature_limit_k
    if limit is None:
        return
    allowed = limit - run.setup.air.temperature_k
    seconds = seconds_to_limit(fit, allowed, plan.on_s, plan.off_s)
    if math.isinf(seconds):
        sentence = f"By the fit the motor would settle below its stated limit of {limit - 273.15:.0f} °C at this duty."
        findings.append(Finding(kind="below limit", channel="motor_temperature_k", sentence=sentence))
    else:
        yield (
            kinds.MINUTES_TO_LIMIT,
            variable(
                seconds / 60.0,
                seconds / 60.0 * fit.u_continuous_rise_k / fit.continuous_rise_k,
                "thermal fit",
            ),
        )


SOAK = Procedure(
    name="soak",
    plan=SoakPlan,
    needs=("speed", "motor_temperature"),
    responses=(
        kinds.TEMPERATURE_RISE,
        kinds.CONTROLLER_SOAK_RISE,
        kinds.SETTLED_RISE,
        kinds.TIME_CONSTANT,
        kinds.MINUTES_TO_LIMIT,
    ),
    reduce=reduce_soak,
    about="The motor runs on and off at one speed; a first-order model of its heating is fitted to the whole pattern.",
)
