"""What is true of free runs and ramps, from the simulated bench's own model."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from generator.planning.bench_model import (
    COPPER_PER_K,
    RPM,
    BenchModel,
    BenchTrace,
    free_run_current_a,
    run_bench,
)
from generator.planning.drive_patterns import drive_pattern
from generator.reduction.free_run import FreeRunPlan
from generator.reduction.ramp import RampPlan
from generator.reduction.records import At
from generator.reduction.staircase import StaircasePlan

Array = NDArray[np.float64]

# A ramp stands for the steady curve, so its truth is that of a staircase of these steps. They last as long together as
# the ramp, so that the winding is as warm, but each long enough to settle.
TRUE_STEPS, SHORTEST_TRUE_STEP_S, TRUE_AVERAGE_S = 13, 0.7, 0.2


def of_free_run(trace: BenchTrace, plan: FreeRunPlan, model: BenchModel) -> Iterator[tuple[str, At, float]]:
    """KV of the motor; at the speeds held, the power drawn and what is left of it without copper loss.

    Where throttles are held the values at the speeds asked for lie on the straight line through the ends of the holds,
    as their definition has it.
    """
    kt = 1.0 / model.motor.kv_rad_s_v
    yield "effective_kv", (), model.motor.kv_rad_s_v / RPM
    ends = [_end(trace, stop, plan.average_s) for label, _, stop in trace.stretches
            if label.startswith(("hold ", "up "))]  # fmt: skip
    speed = np.array([float(trace.speed_rad_s[rows].mean()) for rows in ends])
    power = np.array([float((trace.voltage_v * trace.current_a)[rows].mean()) for rows in ends])
    winding_k = np.array([float(trace.winding_temperature_k[rows].mean()) for rows in ends])
    in_winding = (
        np.array([free_run_current_a(model.motor, w) for w in speed]) + model.motor.bearing_torque_nm / kt
    )
    warm = 1.0 + COPPER_PER_K * (winding_k - model.motor.resistance_temperature_k)
    ohm = model.motor.resistance_ohm * warm + model.controller.resistance_ohm
    copper = in_winding**2 * ohm
    current = (power - copper) / (speed * kt)
    rpm = speed / RPM
    for target in plan.speed_rpm or plan.read_at_rpm:
        if not float(rpm.min()) * 0.99 <= target <= float(rpm.max()) * 1.01:
            continue
        at: At = (("speed_rpm", float(target)),)
        if plan.speed_rpm:
            place = int(np.argmin(np.abs(rpm - target)))
            if abs(rpm[place] / target - 1.0) > 0.03:
                continue
            amps, heat = float(current[place]), float(copper[place])
        else:
            slope, standing = np.polyfit(rpm, current, 1)
            amps, heat = (
                float(standing + slope * target),
                float(np.interp(target, np.sort(rpm), copper[np.argsort(rpm)])),
            )
        yield "free_run_current", at, amps
        yield "free_run_power", at, amps * target * RPM * kt + heat
        yield "drag_torque", at, amps * kt


def as_staircase(plan: RampPlan) -> StaircasePlan:
    """Steady steps over the range of a ramp, compared where the ramp is."""
    levels = np.linspace(plan.from_throttle, plan.to_throttle, TRUE_STEPS)
    return StaircasePlan.model_construct(
        throttle=tuple(float(level) for level in levels),
        step_s=max(SHORTEST_TRUE_STEP_S, (plan.up_s + plan.falls_s) / (2 * TRUE_STEPS - 1)),
        average_s=TRUE_AVERAGE_S,
        down=True,
        compare_at=plan.compare_at,
    )


def steady_trace(model: BenchModel, plan: RampPlan, step_s: float) -> BenchTrace:
    """The bench driven through the steady steps of `as_staircase`."""
    return run_bench(model, drive_pattern(as_staircase(plan)), step_s)


def _end(trace: BenchTrace, stop_s: float, lasts_s: float) -> NDArray[np.bool_]:
    half = 0.5 * float(trace.time_s[1] - trace.time_s[0])
    rows: NDArray[np.bool_] = (trace.time_s > stop_s - lasts_s - half) & (trace.time_s < stop_s - half)
    return rows
