"""Internal resistance of a pack: from the steps of its load, and by regression over all of the run."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from generator.reduction.levels import smoothed, stretches
from generator.reduction.measured import Number, RigErrors, mean_and_error, variable

Array = NDArray[np.float64]

# A change of the current by this share of its usual size under load is a step of the load. Our own choice, no source.
STEP_SHARE = 0.2
REACH_S = 0.25  # a step is looked for between instants so far to either side; our own choice, no source
FEWEST_SAMPLES = 5
FULLEST_SHARE = (
    0.5  # of a side that its samples must span; a log that ends shortly after a step has no other side
)
# Pieces of the open-circuit voltage in the regression: one for so many steps, and never more. Our own choice.
STEPS_A_PIECE = 2
MOST_PIECES = 40
# A step this many times less certain than the median of a run is left out: there the open-circuit voltage bends. Our
# own choice, no source.
FAR_LESS_CERTAIN = 5.0
FEWEST_STEPS = 4  # with fewer, a regression says no more than the steps themselves


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadStep:
    """One change of the load and the line through the steady stretches on both sides of it.

    start_s, stop_s        of the change itself; sides are the two stretches, (start_s, stop_s) each
    before_a, after_a      mean current of the sides
    before_v, after_v      voltage with the charge drawn at the step, at these currents
    resistance_ohm         -ΔV/ΔI at that charge
    u_ohm                  its standard uncertainty from the scatter of the samples
    """

    start_s: float
    stop_s: float
    sides: tuple[tuple[float, float], tuple[float, float]]
    before_a: float
    after_a: float
    before_v: float
    after_v: float
    resistance_ohm: float
    u_ohm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Regression:
    """Resistance from voltage on current with an open-circuit voltage that falls piece by piece with the charge."""

    resistance_ohm: float
    residual_v: float


def load_level_a(current_a: Array) -> float:
    """Usual size of the current under load [A]: the 90th percentile of all samples; NaN without any."""
    good = current_a[np.isfinite(current_a)]
    return float(np.percentile(np.abs(good), 90.0)) if good.size else math.nan


def load_steps(
    time_s: Array, voltage_v: Array, current_a: Array, *, settle_s: float, window_s: float
) -> tuple[LoadStep, ...]:
    """Every step of the load with a steady stretch of `window_s` on either side, in order of time.

    settle_s  left out after a step, so that the motor has reached its new speed
    Returns   steps without such stretches, and those far less certain than most, are left out
    """
    interval = float(np.median(np.diff(time_s))) if time_s.size > 1 else math.inf
    smooth = smoothed(time_s, current_a)
    reach = max(REACH_S, 2.0 * interval)
    ahead = np.interp(time_s + reach, time_s, smooth)
    behind = np.interp(time_s - reach, time_s, smooth)
    moving = np.abs(ahead - behind) > STEP_SHARE * load_level_a(current_a)
    # what follows within the settling belongs to the same step: a motor overshoots
    spans: list[tuple[float, float]] = []
    for first, last in stretches(moving):
        start, stop = float(time_s[first]), float(time_s[last])
        if spans and start - spans[-1][1] < settle_s:
            spans[-1] = (spans[-1][0], stop)
        else:
            spans.append((start, stop))
    found = []
    good = time_s[np.isfinite(voltage_v) & np.isfinite(current_a)]
    for place, (start, stop) in enumerate(spans):
        earliest = spans[place - 1][1] + settle_s if place else -math.inf
        latest = spans[place + 1][0] if place + 1 < len(spans) else math.inf
        before, after = good[good <= start], good[good >= stop + settle_s]
        if before.size < FEWEST_SAMPLES or after.size < FEWEST_SAMPLES:
            continue
        # a slow logger needs longer than the window for enough samples
        begin = min(start - window_s, float(before[-FEWEST_SAMPLES]))
        end = max(stop + settle_s + window_s, float(after[FEWEST_SAMPLES - 1]))
        if begin < earliest or end > latest:
            continue
        sides = ((begin, start), (stop + settle_s, end))
        step = _step(time_s, voltage_v, current_a, start, stop, sides)
        if step is not None:
            found.append(step)
    usual = float(np.median([step.u_ohm for step in found])) if found else 0.0
    return tuple(step for step in found if step.u_ohm <= FAR_LESS_CERTAIN * usual)


def _step(
    time: Array,
    voltage: Array,
    current: Array,
    start: float,
    stop: float,
    sides: tuple[tuple[float, float], tuple[float, float]],
) -> LoadStep | None:
    """V = E + b·q - R·I over both sides of a step, q being the charge drawn since the change; None without samples.

    The open-circuit voltage falls with the charge, not with the step: so its fall during the change, in which the
    current runs over, does not count as resistance.
    Source  ordinary least squares; its variance is widened by what correlation adds to the means of the residuals
    """
    good = np.isfinite(voltage) & np.isfinite(current)
    rows = [good & (time >= first) & (time <= last) for first, last in sides]
    if any(int(side.sum()) < FEWEST_SAMPLES for side in rows):
        return None
    if any(
        float(np.ptp(time[side])) < FULLEST_SHARE * (last - first)
        for side, (first, last) in zip(rows, sides, strict=True)
    ):
        return None
    whole = good & (time >= sides[0][0]) & (time <= sides[1][1])
    t, i = time[whole], current[whole]
    drawn = np.concatenate(([0.0], np.cumsum(0.5 * (i[1:] + i[:-1]) * np.diff(t))))
    at = float(np.interp(0.5 * (start + stop), t, drawn))
    scale = max(float(np.ptp(drawn)), 1e-12)
    q = (np.interp(time, t, drawn) - at) / scale
    both = rows[0] | rows[1]
    table = np.column_stack((np.ones(int(both.sum())), q[both], -current[both]))
    solved, _, rank, _ = np.linalg.lstsq(table, voltage[both], rcond=None)
    if int(rank) < 3:
        return None
    left = voltage[both] - table @ solved
    sd2 = float(left @ left) / max(left.size - 3, 1)
    widening = 1.0
    for side in rows:
        own = left[side[both]]
        error = mean_and_error(own, remove_trend=True)[1]
        scatter2 = float(own.var()) / own.size
        if math.isfinite(error) and scatter2 > 0.0:
            widening = max(widening, error**2 / scatter2)
    variance = float(np.linalg.inv(table.T @ table)[2, 2]) * sd2 * widening
    amperes = [float(current[side].mean()) for side in rows]
    ohm = float(solved[2])
    return LoadStep(
        start_s=start,
        stop_s=stop,
        sides=sides,
        before_a=amperes[0],
        after_a=amperes[1],
        before_v=float(solved[0]) - ohm * amperes[0],
        after_v=float(solved[0]) - ohm * amperes[1],
        resistance_ohm=ohm,
        u_ohm=math.sqrt(max(variance, 0.0)),
    )


def fall_v(step: LoadStep, errors: RigErrors) -> Number:
    """Fall of the voltage over a step [V], with the rig's errors: an offset cancels in it, a gain does not."""
    fall = errors.apply("tap_voltage_v", step.before_v) - errors.apply("tap_voltage_v", step.after_v)
    return fall + variable(0.0, step.u_ohm * abs(step.after_a - step.before_a), "scatter")


def resistance(step: LoadStep, errors: RigErrors) -> Number:
    """Resistance of one step, -ΔV/ΔI [Ω], with the rig's errors."""
    return fall_v(step, errors) / (
        errors.apply("current_a", step.after_a) - errors.apply("current_a", step.before_a)
    )


def bending(steps: Sequence[LoadStep]) -> float:
    """What the steps scatter about a straight line over time beyond their own noise, of the mean of all [Ω].

    A resistance changes slowly, as the pack warms and empties; what jumps from step to step is the open-circuit voltage
    that bends within a window. 0 for fewer than FEWEST_STEPS, which cannot tell.
    Source  standard error of a mean, n - 2 degrees of freedom (textbook)
    """
    if len(steps) < FEWEST_STEPS:
        return 0.0
    time = np.array([step.start_s for step in steps])
    ohms = np.array([step.resistance_ohm for step in steps])
    table = np.column_stack((np.ones(time.size), time - time.mean()))
    solved, *_ = np.linalg.lstsq(table, ohms, rcond=None)
    left = ohms - table @ solved
    scatter2 = float(left @ left) / (time.size - 2) / time.size
    own2 = math.fsum(step.u_ohm**2 for step in steps) / time.size**2
    return math.sqrt(max(scatter2 - own2, 0.0))


def regression(
    time_s: Array, voltage_v: Array, current_a: Array, steps: Sequence[LoadStep], *, settle_s: float
) -> Regression | None:
    """V = E(q) - R·I over all samples that do not follow a step too closely; None for too few steps.

    E(q) is a broken line over the charge drawn, with one piece for STEPS_A_PIECE steps.
    Source  ordinary least squares
    """
    if len(steps) < FEWEST_STEPS:
        return None
    good = np.isfinite(voltage_v) & np.isfinite(current_a)
    current = np.interp(time_s, time_s[good], current_a[good])
    drawn = np.concatenate(([0.0], np.cumsum(0.5 * (current[1:] + current[:-1]) * np.diff(time_s))))
    for step in steps:
        good &= ~((time_s >= step.start_s) & (time_s <= step.stop_s + settle_s))
    pieces = max(1, min(MOST_PIECES, len(steps) // STEPS_A_PIECE))
    knots = np.linspace(float(drawn[good].min()), float(drawn[good].max()), pieces + 1)
    if not float(np.ptp(knots)) > 0.0:
        return None
    base = [np.interp(drawn[good], knots, row) for row in np.eye(knots.size)]
    table = np.column_stack((*base, -current_a[good]))
    solved, _, rank, _ = np.linalg.lstsq(table, voltage_v[good], rcond=None)
    if int(rank) < table.shape[1]:
        return None
    left = voltage_v[good] - table @ solved
    return Regression(resistance_ohm=float(solved[-1]), residual_v=float(np.sqrt(np.mean(left**2))))
