"""What is true in a rehearsal: each treatment's responses without sensor errors and without scatter between runs."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel
from scipy.interpolate import PchipInterpolator

from generator.planning.bench_model import RPM, BenchModel, BenchTrace, run_bench
from generator.planning.drain_truth import of_drain
from generator.planning.drive_patterns import drive_pattern
from generator.planning.sweep_truth import as_staircase, of_free_run, steady_trace
from generator.reduction.calibration_loads import ZeroPlan
from generator.reduction.drain import DrainPlan
from generator.reduction.free_run import FreeRunPlan
from generator.reduction.hold import HoldPlan
from generator.reduction.measured import GF_PER_N
from generator.reduction.ramp import RampPlan
from generator.reduction.records import At
from generator.reduction.soak import SoakPlan
from generator.reduction.spin_up import SpinUpPlan
from generator.reduction.staircase import StaircasePlan

Array = NDArray[np.float64]
AT_END = 1e-9  # rounding of a mean; a condition at the very end of a curve is still on it


@dataclass(frozen=True, slots=True, kw_only=True)
class TrueResponse:
    """One response as it truly is, in its published unit."""

    procedure: str
    response: str
    treatment: str
    at: At
    value: float


def true_of_treatment(
    model: BenchModel, procedure: str, plan: BaseModel, treatment: str, step_s: float = 0.001
) -> tuple[TrueResponse, ...]:
    """True responses of one treatment in one procedure.

    Power and thrust of holds and staircases, rise and fall time of spin-ups, rise of temperature of soaks, resistance,
    charge, energy, time and warming of drains; other
    responses follow from these or rest on definitions of the reduction and are not given.
    """
    if isinstance(plan, ZeroPlan):
        return ()  # what it calibrates is the rig's
    trace = (
        steady_trace(model, plan, step_s)
        if isinstance(plan, RampPlan)
        else run_bench(model, drive_pattern(plan), step_s)
    )
    match plan:
        case HoldPlan():
            found = _of_hold(trace, plan)
        case SpinUpPlan():
            found = _of_spin_up(trace, plan)
        case SoakPlan():
            found = _of_soak(trace, plan, model.air_temperature_k)
        case StaircasePlan():
            found = _of_staircase(trace, plan)
        case RampPlan():
            found = _of_staircase(trace, as_staircase(plan))
        case FreeRunPlan():
            found = of_free_run(trace, plan, model)
        case DrainPlan():
            found = of_drain(trace, plan, model.source)
        case _:
            found = iter(())
    return tuple(
        TrueResponse(procedure=procedure, response=response, treatment=treatment, at=at, value=value)
        for response, at, value in found
    )


def _end_of(trace: BenchTrace, stop_s: float, lasts_s: float) -> NDArray[np.bool_]:
    """Rows of the last `lasts_s` before a stretch stops; the row at its stop belongs to the next stretch."""
    half = 0.5 * float(trace.time_s[1] - trace.time_s[0])
    return (trace.time_s > stop_s - lasts_s - half) & (trace.time_s < stop_s - half)


def _of_hold(trace: BenchTrace, plan: HoldPlan) -> Iterator[tuple[str, At, float]]:
    power = trace.voltage_v * trace.current_a
    for rpm in plan.speed_rpm:
        stop = next(stop for label, _, stop in trace.stretches if label == f"hold {rpm:.0f}")
        rows = _end_of(trace, stop, plan.window_s)
        miss = rpm * RPM / float(trace.speed_rad_s[rows].mean())
        if abs(miss - 1.0) > plan.tolerance:
            continue  # not reached
        at: At = (("speed_rpm", float(rpm)),)
        yield "electrical_power", at, float(power[rows].mean()) * miss**3
        yield "thrust", at, float(trace.thrust_n[rows].mean()) * GF_PER_N * miss**2


def _of_spin_up(trace: BenchTrace, plan: SpinUpPlan) -> Iterator[tuple[str, At, float]]:
    marks = trace.stretches
    for rpm in plan.to_rpm:
        at: At = (("speed_rpm", float(rpm)),)
        rises, falls = [], []
        for index, (label, start, stop) in enumerate(marks):
            if label != f"to {rpm:.0f}":
                continue
            rises.append(_between_states(trace, marks[index - 1][2], start, stop))
            falls.append(_between_states(trace, stop, stop, marks[index + 1][2]))
        for name, values in (("rise_time", rises), ("fall_time", falls)):
            yield name, at, 1000.0 * float(np.mean(values))


def _between_states(trace: BenchTrace, before_s: float, start_s: float, stop_s: float) -> float:
    """10 to 90 % duration of the step that begins at start_s; states are the ends of the dwells [s]."""
    speed = trace.speed_rad_s
    old = float(np.median(speed[_end_of(trace, before_s, 0.1)]))
    new = float(np.median(speed[_end_of(trace, stop_s, 0.1)]))
    rows = (trace.time_s >= start_s) & (trace.time_s <= stop_s)
    done = (speed[rows] - old) / (new - old)
    time = trace.time_s[rows]
    instants = []
    for level in (0.1, 0.9):
        after = int(np.argmax(done >= level))
        if after == 0:
            return math.nan
        share = (level - done[after - 1]) / (done[after] - done[after - 1])
        instants.append(time[after - 1] + share * (time[after] - time[after - 1]))
    return float(instants[1] - instants[0])


def _of_soak(trace: BenchTrace, plan: SoakPlan, air_k: float) -> Iterator[tuple[str, At, float]]:
    stop = next(stop for label, _, stop in trace.stretches if label == f"on {plan.cycles}")
    rows = _end_of(trace, stop, min(1.0, 0.5 * plan.on_s))
    at: At = (("speed_rpm", float(plan.speed_rpm)),)
    yield "temperature_rise", at, float(trace.motor_temperature_k[rows].mean()) - air_k
    yield "controller_rise", at, float(trace.controller_temperature_k[rows].mean()) - air_k


def _of_staircase(trace: BenchTrace, plan: StaircasePlan) -> Iterator[tuple[str, At, float]]:
    """At stated conditions, by interpolation in logarithms through the ends of the steps, both ways averaged."""
    columns = {
        "electrical_power": trace.voltage_v * trace.current_a,
        "thrust": trace.thrust_n * GF_PER_N,
        "speed": trace.speed_rad_s / RPM,
        "throttle": 100.0 * trace.throttle,
    }
    ends: dict[str, dict[str, list[float]]] = {way: {name: [] for name in columns} for way in ("up", "down")}
    highest = len(plan.throttle) - 1
    for label, _, stop in trace.stretches:
        way, _, index = label.partition(" ")
        if way not in ends:
            continue
        rows = _end_of(trace, stop, plan.average_s)
        for name, values in columns.items():
            level = float(values[rows].mean())
            ends[way][name].append(level)
            if way == "up" and int(index) == highest and plan.down:
                ends["down"][name].append(level)
    wanted: tuple[tuple[str, str, tuple[float, ...]], ...] = (
        ("thrust_gf", "thrust", tuple(force * GF_PER_N for force in plan.compare_at.thrust_n)),
        ("speed_rpm", "speed", plan.compare_at.speed_rpm),
        ("throttle_percent", "throttle", tuple(100.0 * level for level in plan.compare_at.throttle)),
    )
    for key, axis, conditions in wanted:
        for x in conditions:
            for name in ("electrical_power", "thrust", "speed"):
                if name == axis:
                    continue
                read = [_interpolated(way[axis], way[name], x) for way in ends.values() if way[axis]]
                within = [value for value in read if value is not None]
                if len(within) == len(read):
                    at: At = ((key, round(x, 6)),)
                    yield name, at, float(np.mean(within))


def _interpolated(x: list[float], y: list[float], at: float) -> float | None:
    order = np.argsort(x)
    knots, values = np.asarray(x)[order], np.asarray(y)[order]
    if not knots[0] * (1.0 - AT_END) <= at <= knots[-1] * (1.0 + AT_END):
        return None
    inside = math.log(min(max(at, float(knots[0])), float(knots[-1])))
    return float(np.exp(PchipInterpolator(np.log(knots), np.log(values))(inside)))
