"""Steps between a low speed and planned speeds, found in the trace of a run and read one by one."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from generator.reduction.levels import smoothed, stretches
from generator.reduction.transitions import NoTransition, Transition, find_transition, sample_noise

Array = NDArray[np.float64]
Levels = tuple[float, float, float]

# A plateau belongs to the planned speed nearest to it, if not further away than this. Our own choice.
NEAR_TARGET = 0.10
# Of a state that is still coming, one change of level over the change before it, at most. Our own choice, no source.
SLOWEST_APPROACH = 0.9
# A smaller rise of the throttle than this is no command. Our own choice, no source.
SMALLEST_COMMAND = 0.02
# A plateau ends where the smoothed speed last is within this share of the step. Our own choice, no source.
PLATEAU_BAND = 0.03
# Steps are read from a moving mean over this share of their duration; tests hold what it does to them.
MEAN_SHARE = 0.08


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One excursion from the low to a planned speed and back.

    high_levels  median speed in three successive fifths at the end of the plateau; the last is the state level
    low_levels   the same after the step back; None with `falling`
    peak_a       largest current about the rise; NaN without current
    peak_missed_a, peak_noise_a  how far above it the true peak may lie between samples, and the noise of one
                 sample there
    Times in seconds.
    """

    target_rpm: float
    rising: Transition
    falling: Transition | None
    high_levels: Levels
    low_levels: Levels | None
    start_s: float
    stop_s: float
    peak_a: float
    peak_missed_a: float = 0.0
    peak_noise_a: float = 0.0


def find_steps(
    time: Array,
    speed: Array,
    throttle: Array | None,
    current: Array | None,
    *,
    low_rpm: float,
    targets_rpm: Sequence[float],
    dwell_s: float,
) -> tuple[list[Step], int]:
    """Every readable excursion above the low speed, and how many could not be read.

    time, speed, ...  shape (n,) each, time strictly increasing; NaN where missing
    targets_rpm       all above low_rpm
    dwell_s           planned time at each level
    """
    smooth = smoothed(time, speed, 0.03)
    threshold = low_rpm + 0.35 * (min(targets_rpm) - low_rpm)
    above = [(a, b) for a, b in stretches(smooth > threshold) if time[b] - time[a] >= 0.3 * dwell_s]
    found: list[Step] = []
    missed = 0
    for place, (first, last) in enumerate(above):
        begin = float(time[above[place - 1][1]]) if place else float(time[0])
        begin = max(begin, float(time[first]) - 0.9 * dwell_s)
        end = float(time[above[place + 1][0]]) if place + 1 < len(above) else float(time[-1])
        end = min(end, float(time[last]) + 0.9 * dwell_s)
        top = float(np.median(smooth[first + (last - first) // 2 : last + 1]))
        target = min(targets_rpm, key=lambda wanted: abs(top - wanted))
        band = PLATEAU_BAND * (target - low_rpm)
        before = _rows(time, begin, float(time[first]))
        base = _level(speed[before[before.size // 2 :]])
        plateau = np.arange(first, last + 1)
        highs = _levels(time, speed, plateau[: _end_of(smooth[plateau], top - band)])
        # out of standstill, out of another level, or to a speed that is not planned
        if (
            base is None
            or highs is None
            or abs(base - low_rpm) > 0.25 * (target - low_rpm)
            or abs(top / target - 1.0) > NEAR_TARGET
        ):
            missed += 1
            continue
        end_s = float(time[first]) + 0.3 * dwell_s
        edge, edge_u = _command_edge(time, throttle, begin, end_s, float(time[first]))
        try:
            rising = _read(time, speed, (base, highs[-1]), (begin, float(time[last])), edge, edge_u)
        except (NoTransition, ValueError):
            missed += 1
            continue
        if not rising.rising:
            missed += 1
            continue
        after = _rows(time, float(time[last]), end)
        lows = _levels(time, speed, after[: _end_of(-smooth[after], -(low_rpm + 0.25 * (target - low_rpm)))])
        falling = _falling(time, speed, lows, highs[-1], (low_rpm, float(time[last]) - 0.4 * dwell_s, end))
        peak_a, missed_a, noise_a = (math.nan, 0.0, 0.0) if current is None else _peak(time, current, rising)
        found.append(
            Step(
                target_rpm=target, rising=rising, falling=falling, high_levels=highs,
                low_levels=None if falling is None else lows, start_s=begin, stop_s=end,
                peak_a=peak_a, peak_missed_a=missed_a, peak_noise_a=noise_a,
            )
        )  # fmt: skip
    return found, missed


def _rows(time: Array, start_s: float, stop_s: float) -> NDArray[np.intp]:
    """Rows after start_s and before stop_s."""
    return np.arange(np.searchsorted(time, start_s, side="right"), np.searchsorted(time, stop_s))


def _end_of(values: Array, least: float) -> int:
    """Place after the last value at or above `least`; all of them if there is none."""
    held = np.flatnonzero(values >= least)
    return int(held[-1]) + 1 if held.size else values.size


def _level(values: Array) -> float | None:
    """Median of the finite values; None if fewer than three."""
    known = values[np.isfinite(values)]
    return float(np.median(known)) if known.size >= 3 else None


def _levels(time: Array, speed: Array, rows: NDArray[np.intp]) -> Levels | None:
    """Median speed in the third, fourth and last fifth of the rows' time; None if one holds too little."""
    if rows.size < 5:
        return None
    start, stop = float(time[rows[0]]), float(time[rows[-1]])
    edges = np.searchsorted(time[rows], start + (stop - start) * np.array([0.4, 0.6, 0.8]))
    parts = [rows[a:b] for a, b in zip(edges, (*edges[1:], rows.size), strict=True)]
    third, fourth, last = (_level(speed[part]) for part in parts)
    if last is None:  # a slow log: one level for all three
        last = _level(speed[rows[rows.size // 2 :]])
    if last is None:
        return None
    return (last if third is None else third, last if fourth is None else fourth, last)


def _read(
    time: Array, speed: Array, levels: tuple[float, float], where: tuple[float, float],
    edge: float | None, edge_u: float,
) -> Transition:  # fmt: skip
    """One step between two levels in a stretch of time.

    It is read twice: as sampled, then from a moving mean over a small share of the duration found. A level is
    passed several times in noise, and which passage counts would shift the instants; a mean much shorter than
    the step moves the 10 % and the 90 % instant of an exponential alike. The uncertainties stay those of the
    first reading; the noise is that of the mean.
    Raises NoTransition, ValueError
    """
    first = find_transition(
        time, speed, *levels, *where, command_edge_s=edge, command_edge_uncertainty_s=edge_u
    )
    inside = np.flatnonzero((time >= where[0]) & (time <= where[1]) & np.isfinite(speed))
    interval = float(np.median(np.diff(time[inside])))
    half = int(MEAN_SHARE * first.transition_duration_s / interval / 2.0)
    if half < 1 or first.noise == 0.0:
        return first
    width = 2 * half + 1
    padded = np.pad(speed[inside], half, mode="edge")
    mean = np.convolve(padded, np.full(width, 1.0 / width), mode="valid")
    second = find_transition(time[inside], mean, *levels, command_edge_s=edge)
    return replace(
        second,
        u_t10_s=first.u_t10_s, u_t50_s=first.u_t50_s, u_t90_s=first.u_t90_s,
        u_transition_duration_s=first.u_transition_duration_s,
        u_delay10_s=first.u_delay10_s, u_delay50_s=first.u_delay50_s,
        noise=first.noise / math.sqrt(width),
    )  # fmt: skip


def _falling(
    time: Array, speed: Array, lows: Levels | None, high: float, where: tuple[float, float, float]
) -> Transition | None:
    """The step back, if it goes back to the low speed and not to standstill; `where`: low speed, start, stop."""
    low_rpm, start_s, stop_s = where
    if lows is None or abs(lows[-1] - low_rpm) > 0.25 * (high - low_rpm):
        return None
    try:
        found = _read(time, speed, (lows[-1], high), (start_s, stop_s), None, 0.0)
    except (NoTransition, ValueError):
        return None
    return None if found.rising else found


def unsettled_share(levels: Sequence[Levels], amplitude: float) -> float:
    """How far a state still was from where it was going, at its end, as a share of the step.

    levels     three successive levels of each cycle, at even distances in time
    amplitude  of the step, unit of the levels
    Source     for an exponential approach the three levels give the rest exactly (Aitken's delta-squared,
               textbook); where they do not look like one, half of the last change. Two changes that are all but
               equal would give any rest, however small they are: their ratio is taken as SLOWEST_APPROACH at most
    """
    third, fourth, last = np.mean(np.asarray(levels, dtype=np.float64), axis=0)
    earlier, later = float(fourth - third), float(last - fourth)
    if earlier * later > 0.0 and abs(later) < abs(earlier):
        ratio = min(later / earlier, SLOWEST_APPROACH)
        return abs(later) * ratio / (1.0 - ratio) / amplitude
    return abs(later) / 2.0 / amplitude


def _command_edge(
    time: Array, throttle: Array | None, begin: float, end: float, answered: float
) -> tuple[float | None, float]:
    """Instant at which the throttle starts to rise in a stretch, and its standard uncertainty; (None, 0) if
    it does not.

    A throttle may be slewed over many samples, so what counts is where it leaves the level before: the edge
    lies between the last sample within a tenth of its step and the next one. It is taken as their middle,
    with interval/√12 (JCGM 100:2008, 4.3.7). Of several rises the last one before the speed has answered counts.
    """
    if throttle is None:
        return None, 0.0
    rows = np.flatnonzero((time >= begin) & (time <= end) & np.isfinite(throttle))
    if rows.size < 4:
        return None, 0.0
    values = throttle[rows]
    half = int(np.searchsorted(time[rows], (begin + end) / 2.0))
    base = float(np.median(values[: max(half // 2, 2)]))
    height = float(values.max()) - base
    if height < SMALLEST_COMMAND:
        return None, 0.0
    above = values - base >= 0.5 * height
    rises = np.flatnonzero(above & ~np.concatenate(([False], above[:-1])))
    before = rises[time[rows[rises]] <= answered]
    risen = int(before[-1] if before.size else rises[0])
    low = np.flatnonzero(values[:risen] - base <= 0.1 * height)
    if low.size == 0:
        return None, 0.0
    left, right = float(time[rows[low[-1]]]), float(time[rows[low[-1] + 1]])
    return (left + right) / 2.0, (right - left) / math.sqrt(12.0)


def _peak(time: Array, current: Array, rising: Transition) -> tuple[float, float, float]:
    """Largest current about a rise, half of how far its larger neighbour lies below it, noise of one sample.

    A pulse that leaps and dies away falls by as much before the first sample as after it; half of that is the
    middle of what may be missing.
    """
    reach = max(3.0 * rising.transition_duration_s, 0.05)
    inside = (time >= rising.t10_s - reach) & (time <= rising.t90_s + reach) & np.isfinite(current)
    part = current[inside]
    if part.size == 0:
        return math.nan, 0.0, 0.0
    top = int(np.argmax(part))
    neighbours = [float(part[row]) for row in (top - 1, top + 1) if 0 <= row < part.size]
    missed = (float(part[top]) - max(neighbours)) / 2.0 if neighbours else 0.0
    return float(part[top]), missed, sample_noise(time[inside], part)
