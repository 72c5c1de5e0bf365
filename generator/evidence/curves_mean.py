"""Mean curves of the treatments from the steps of all staircases, and their difference over a common range."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from generator.evidence.records import CurvePoint
from generator.reduction.curves import (
    Curve,
    OutsideCurve,
    common_range,
    interpolate_power_law,
    make_curve,
)
from generator.reduction.measured import GF_PER_N
from generator.reduction.records import RunReduction, StepRow


@dataclass(frozen=True, slots=True, kw_only=True)
class CurveDifference:
    """Treatment minus baseline at one x; relative as a share of the baseline."""

    x: float
    treatment: float
    baseline: float
    difference: float
    relative: float


def mean_curves(runs: Sequence[RunReduction]) -> tuple[CurvePoint, ...]:
    """One point for each treatment, direction and throttle step: the mean over the runs that have it.

    Refused runs and steps without speed or power are left out. Power is that of the step, or voltage times
    current of its means where the step carries none. Points come treatment by treatment in the order made, up
    with rising and down with falling throttle. Thrust per power is the mean of the runs' own quotients.
    """
    groups: dict[tuple[str, str, float], list[tuple[float, float, float | None]]] = {}
    for run in sorted(runs, key=lambda run: run.order):
        if run.refused is not None:
            continue
        own: dict[tuple[str, str, float], list[tuple[float, float, float | None]]] = {}
        for step in run.steps:
            means = _means(step)
            if means is not None:
                key = (run.treatment, str(step.direction), round(100.0 * step.throttle, 3))
                own.setdefault(key, []).append(means)
        for key, found in own.items():
            groups.setdefault(key, []).append(_averaged(found))  # a step run twice is still one run's
    order = {name: place for place, name in enumerate(dict.fromkeys(run.treatment for run in runs))}
    places = sorted(groups, key=lambda p: (order[p[0]], p[1] == "down", -p[2] if p[1] == "down" else p[2]))
    return tuple(_point(place, groups[place]) for place in places)


def compare_curves(
    points: Sequence[CurvePoint],
    treatment: str,
    baseline: str,
    x: Callable[[CurvePoint], float | None],
    y: Callable[[CurvePoint], float | None],
    *,
    direction: str = "up",
    count: int = 25,
) -> tuple[CurveDifference, ...]:
    """Treatment minus baseline along x, over the range that both curves cover, never beyond.

    x, y   what of a point is compared against what; both above zero, points without them are left out
    count  points along the common range, evenly spaced
    Returns nothing where a curve has fewer than three points or the ranges do not meet.
    These are differences of mean curves, to be drawn; the contrasts with their intervals come from the runs.
    """
    ours, base = (_curve(points, name, direction, x, y) for name in (treatment, baseline))
    if ours is None or base is None:
        return ()
    try:
        low, high = common_range(ours, base)
    except OutsideCurve:
        return ()
    places = np.linspace(low, high, count)
    t, b = interpolate_power_law(ours, places)[0], interpolate_power_law(base, places)[0]
    return tuple(
        CurveDifference(
            x=float(place),
            treatment=float(value),
            baseline=float(other),
            difference=float(value - other),
            relative=float(value / other - 1.0),
        )
        for place, value, other in zip(places, t, b, strict=True)
    )


def _means(step: StepRow) -> tuple[float, float, float | None] | None:
    """Speed [rpm], power [W] and thrust [gf] of a step, None without speed or power."""
    found = {name: mean for name, mean, _ in step.means if math.isfinite(mean)}
    speed, power, thrust = found.get("speed_rpm"), found.get("power_w"), found.get("thrust_n")
    if power is None and "voltage_v" in found and "current_a" in found:
        power = found["voltage_v"] * found["current_a"]
    if speed is None or power is None:
        return None
    return speed, power, None if thrust is None else thrust * GF_PER_N


def _averaged(found: Sequence[tuple[float, float, float | None]]) -> tuple[float, float, float | None]:
    thrusts = [thrust for _, _, thrust in found if thrust is not None]
    return (
        math.fsum(speed for speed, _, _ in found) / len(found),
        math.fsum(power for _, power, _ in found) / len(found),
        math.fsum(thrusts) / len(thrusts) if thrusts else None,
    )


def _point(place: tuple[str, str, float], found: Sequence[tuple[float, float, float | None]]) -> CurvePoint:
    treatment, direction, throttle = place
    speed, power, thrust = _averaged(found)
    quotients = [t / p for _, p, t in found if t is not None and p > 0.0]
    return CurvePoint(
        treatment=treatment,
        direction=direction,
        throttle_percent=throttle,
        speed_rpm=speed,
        thrust_gf=thrust,
        power_w=power,
        thrust_per_power_gf_w=math.fsum(quotients) / len(quotients) if quotients else None,
        runs=len(found),
    )


def _curve(
    points: Sequence[CurvePoint],
    treatment: str,
    direction: str,
    x: Callable[[CurvePoint], float | None],
    y: Callable[[CurvePoint], float | None],
) -> Curve | None:
    pairs = [
        (a, b)
        for point in points
        if (point.treatment, point.direction) == (treatment, direction)
        and (a := x(point)) is not None
        and (b := y(point)) is not None
        and a > 0.0
        and b > 0.0
    ]
    if len({a for a, _ in pairs}) < 3:
        return None
    xs, ys = np.array(pairs, dtype=np.float64).T
    return make_curve(xs, ys, np.zeros(xs.size))
