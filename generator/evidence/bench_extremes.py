"""The highest speeds, currents, temperatures and sound levels that a treatment reached, and the limits of its parts."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from generator.evidence.check_input import step_means, sustained_highest
from generator.intake.parts import Motor, Pack, Supply
from generator.intake.reference_texts import Thresholds
from generator.intake.session import Treatment
from generator.reduction.records import RunReduction

ZERO_CELSIUS_K = 273.15
RISES = {
    "motor_temperature_k": ("motor_temperature_rise", "temperature_rise"),
    "controller_temperature_k": ("controller_temperature_rise", "controller_rise"),
}


def highest_speed_rpm(runs: Sequence[RunReduction]) -> float | None:
    """Highest speed of the runs that was more than a spike [rpm]."""
    found: list[float] = []
    for run in runs:
        found += [speed for r in run.responses for name, speed in r.at if name == "speed_rpm"]
        found += [r.value for r in run.responses if r.response in ("top_speed", "speed")]
        found += step_means(run, "speed_rpm")
        found += _sustained(run, "speed_rpm")
    return _highest(found)


def highest_temperature_k(runs: Sequence[RunReduction], column: str, air_k: float) -> float | None:
    """Highest temperature of a house column [K]: in the trace, else from the rises above the air."""
    found: list[float] = []
    for run in runs:
        found += _sustained(run, column)
        found += [r.value + air_k for r in run.responses if r.response in RISES.get(column, ())]
    return _highest(found)


def highest_sound_level_db(runs: Sequence[RunReduction]) -> float | None:
    """Highest sound level of the runs that was more than a spike [dB]."""
    found = [r.value for run in runs for r in run.responses if r.response == "sound_level"]
    for run in runs:
        found += step_means(run, "sound_level_db")
        found += _sustained(run, "sound_level_db")
    return _highest(found)


def highest_mean_current_a(runs: Sequence[RunReduction]) -> float | None:
    """Highest current averaged over a hold, a step or an on period [A]."""
    found = [r.value for run in runs for r in run.responses if r.response == "current"]
    for run in runs:
        found += step_means(run, "current_a")
        if "current_a" not in run.trace or "time_s" not in run.trace:
            continue
        time = run.trace["time_s"].to_numpy(dtype=np.float64)
        current = run.trace["current_a"].to_numpy(dtype=np.float64)
        for window in run.windows:
            if window.kind == "on":
                part = current[(time >= window.start_s) & (time <= window.stop_s) & np.isfinite(current)]
                found += [float(part.mean())] if part.size else []
    return _highest(found)


def cells_of(treatment: Treatment, source: Pack | Supply) -> int | None:
    """Cells in series that a treatment stands for."""
    return source.cells if treatment.cells is None and isinstance(source, Pack) else treatment.cells


def motor_limit_k(motor: Motor, thresholds: Thresholds) -> tuple[float, str] | None:
    """Temperature limit of a motor [K] and what it rests on: the maker's word, else the lowest of class and magnets."""
    if motor.temperature_limit_k is not None:
        return motor.temperature_limit_k, "stated for the part"
    limits = [
        limit for limit in (winding_limit_k(motor, thresholds), magnet_limit_k(motor, thresholds)) if limit
    ]
    return min(limits, default=None)


def winding_limit_k(motor: Motor, thresholds: Thresholds) -> tuple[float, str] | None:
    """Temperature of the winding's thermal class [K], IEC 60085."""
    if motor.thermal_class is None:
        return None
    limit = thresholds.value(f"thermal_class.{motor.thermal_class}") + ZERO_CELSIUS_K
    return limit, f"thermal class {motor.thermal_class}"


def magnet_limit_k(motor: Motor, thresholds: Thresholds) -> tuple[float, str] | None:
    """Guide value of the magnet grade's suffix [K]."""
    if motor.magnet_grade is None:
        return None
    limit = thresholds.value(f"magnet_suffix.{motor.magnet_grade}") + ZERO_CELSIUS_K
    return limit, f"guide value of magnet suffix {motor.magnet_grade}"


def _sustained(run: RunReduction, column: str) -> list[float]:
    found = sustained_highest(run.trace, column)
    return [] if found is None else [found]


def _highest(values: Sequence[float]) -> float | None:
    return max((value for value in values if math.isfinite(value)), default=None)
