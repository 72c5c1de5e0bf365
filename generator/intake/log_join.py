"""Logs of one run from several loggers, brought onto one clock.

A second logger starts when somebody presses its button: its clock is off by an offset that is stated, or found from a
quantity that both have logged. One offset a run; that two clocks may also run at different speeds is not corrected.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

LEAST_ALIKE = 0.9  # correlation below which two records are not of the same quantity; our own choice
LEAST_APART = 0.02  # correlation by which the best offset must beat any other place; our own choice
LEAST_OVERLAP = 0.5  # share of the shorter record that both must have; our own choice
MOST_POINTS = 1 << 19  # of the common grid
LONGEST_GAP = 3.0  # sampling intervals; across more, nothing is read between samples
STEPS = 12  # of the refinement; three or four settle it


class NoOffset(ValueError):
    """Two records do not tell how far their clocks are apart; carries what is wrong and the remedy."""

    def __init__(self, what: str, remedy: str) -> None:
        super().__init__(what)
        self.what = what
        self.remedy = remedy


@dataclass(frozen=True, slots=True, kw_only=True)
class Offset:
    """What to add to the second logger's time to have the first's. u_s: standard uncertainty; found: not stated."""

    seconds: float
    u_s: float
    found: bool


def find_offset(time_s: Array, values: Array, other_time_s: Array, other: Array) -> Offset:
    """The offset of the second clock, from one quantity that both loggers recorded.

    time_s, values          shape (n,), of the first logger; NaN in values where it has none
    other_time_s, other     shape (m,), of the second; units may differ, since only the shape counts
    Returns  the offset with its standard uncertainty: that of the fit, its residuals taken as correlated from sample
             to sample, and both sampling intervals as rectangular distributions
    Raises   NoOffset where the records differ too much, or fit at two places

    Method   the place of highest correlation, then least squares of value = a + b × other(t − offset).
    Source   Gauss-Newton and its covariance: any text on non-linear least squares; rectangular distribution of a
             sampling interval: JCGM 100:2008, 4.3.7
    """
    time_s, values = _present(time_s, values)
    other_time_s, other = _present(other_time_s, other)
    if min(len(values), len(other)) < 10 or not (np.ptp(values) > 0.0 and np.ptp(other) > 0.0):
        raise NoOffset("one of the two records does not change.", "State the offset.")
    own, others = float(np.median(np.diff(time_s))), float(np.median(np.diff(other_time_s)))
    rough = _best_place(time_s, values, other_time_s, other, step_s=max(own, others) / 2.0)
    seconds, u_fit = _refined(time_s, values, other_time_s, other, rough)
    return Offset(seconds=seconds, u_s=math.sqrt(u_fit**2 + (own**2 + others**2) / 12.0), found=True)


def on_clock(time_s: Array, other_time_s: Array, other: Array, offset_s: float) -> Array:
    """Values of the second logger at the first one's instants.

    time_s                shape (n,), increasing
    other_time_s, other   shape (m,), the second logger's own clock
    offset_s              to be added to that clock
    Returns  shape (n,): between samples along straight lines; where the second logger is at least twice as fast, the
             mean of its samples within half an interval either side. NaN outside its record and across its gaps
    """
    clock, known = _present(other_time_s + offset_s, other)
    if len(known) < 2:
        return np.full(len(time_s), np.nan)
    interval = float(np.median(np.diff(clock)))
    own = float(np.median(np.diff(time_s))) if len(time_s) > 1 else interval
    made = np.interp(time_s, clock, known, left=np.nan, right=np.nan)
    if own >= 2.0 * interval:
        sums = np.concatenate(([0.0], np.cumsum(known)))
        first = np.searchsorted(clock, time_s - own / 2.0, side="left")
        last = np.searchsorted(clock, time_s + own / 2.0, side="right")
        some = last > first
        means = (sums[last] - sums[first]) / np.maximum(last - first, 1)
        made = np.where(some & ~np.isnan(made), means, made)
    after = np.clip(np.searchsorted(clock, time_s, side="left"), 1, len(clock) - 1)
    gap = clock[after] - clock[after - 1]
    return np.where((gap > LONGEST_GAP * max(interval, own)), np.nan, made)


def _present(time_s: Array, values: Array) -> tuple[Array, Array]:
    kept = np.isfinite(values) & np.isfinite(time_s)
    return time_s[kept], values[kept]


def _best_place(time_s: Array, values: Array, other_time_s: Array, other: Array, *, step_s: float) -> float:
    """Offset of highest correlation on a common grid. Raises NoOffset."""
    longest = max(np.ptp(time_s), np.ptp(other_time_s))
    step_s = max(step_s, float(longest) / MOST_POINTS)
    a = _on_grid(time_s, values, step_s)
    b = _on_grid(other_time_s, other, step_s)
    ones_a, ones_b = np.ones(len(a)), np.ones(len(b))

    from scipy.signal import fftconvolve  # half a second to import, for the few runs of several logs

    def slid(x: Array, y: Array) -> Array:
        return np.asarray(fftconvolve(x, y[::-1]), dtype=np.float64)

    overlap = np.maximum(np.round(slid(ones_a, ones_b)), 1.0)
    sum_a, sum_b = slid(a, ones_b), slid(ones_a, b)
    spread_a = slid(a * a, ones_b) - sum_a**2 / overlap
    spread_b = slid(ones_a, b * b) - sum_b**2 / overlap
    # a stretch in which one of them stands still correlates with anything
    moves = (spread_a > 1e-3 * len(a) * np.var(a)) & (spread_b > 1e-3 * len(b) * np.var(b))
    usable = moves & (overlap >= LEAST_OVERLAP * min(len(a), len(b)))
    with np.errstate(all="ignore"):
        alike = (slid(a, b) - sum_a * sum_b / overlap) / np.sqrt(spread_a * spread_b)
    alike = np.where(usable, alike, -1.0)
    best = int(np.argmax(alike))
    if not alike[best] >= LEAST_ALIKE:
        raise NoOffset(
            f"the two records are alike to {max(alike[best], 0.0):.2f} at best (1 would be the same).",
            "Check that both columns hold the same quantity, or state the offset.",
        )
    lobe = _lobe(alike, best)
    elsewhere = np.concatenate((alike[: lobe[0]], alike[lobe[1] :]))
    if elsewhere.size and elsewhere.max() > alike[best] - LEAST_APART:
        raise NoOffset(
            "the two records fit at more than one place, since they repeat themselves.", "State the offset."
        )
    return float(time_s[0] - other_time_s[0] + (best - (len(b) - 1)) * step_s)


def _lobe(alike: Array, best: int) -> tuple[int, int]:
    """Stretch around the best place in which the correlation only falls away from it, noise aside."""
    low, high = best, best
    for way in (-1, 1):
        place, lowest = best, float(alike[best])
        while 0 < place < len(alike) - 1 and alike[place + way] <= lowest + 1e-3:
            place += way
            lowest = min(lowest, float(alike[place]))
        low, high = (place, high) if way < 0 else (low, place)
    return low, high + 1


def _on_grid(time_s: Array, values: Array, step_s: float) -> Array:
    grid = time_s[0] + step_s * np.arange(int(np.ptp(time_s) / step_s) + 1)
    made: Array = np.interp(grid, time_s, values)
    return made - float(made.mean())


def _refined(
    time_s: Array, values: Array, other_time_s: Array, other: Array, offset_s: float
) -> tuple[float, float]:
    """Offset and its standard uncertainty by least squares from a start near it."""
    u_s = math.inf
    for _ in range(STEPS):
        clock = other_time_s + offset_s
        inside = (time_s >= clock[0]) & (time_s <= clock[-1])
        there = time_s[inside]
        if len(there) < 10:
            break
        read = np.interp(there, clock, other)
        width = max(float(np.median(np.diff(clock))), float(np.median(np.diff(there))))
        slope = (
            np.interp(there + width / 2.0, clock, other) - np.interp(there - width / 2.0, clock, other)
        ) / width
        first = np.column_stack((np.ones(len(there)), read))
        (base, gain), *_ = np.linalg.lstsq(first, values[inside], rcond=None)
        design = np.column_stack((np.ones(len(there)), read, -gain * slope))
        solution, *_ = np.linalg.lstsq(design, values[inside] - base - gain * read, rcond=None)
        left = values[inside] - base - gain * read - design @ solution
        freedom = max(len(there) - 3, 1)
        inverse = np.linalg.pinv(design.T @ design)
        weighted = left * design[:, 2]
        alike = _lag_one(weighted)
        inflation = (1.0 + alike) / (1.0 - alike)
        u_s = math.sqrt(max(float(inverse[2, 2]) * float(left @ left) / freedom * inflation, 0.0))
        offset_s += float(np.clip(solution[2], -2.0 * width, 2.0 * width))
        if abs(solution[2]) < 1e-6:
            break
    return offset_s, u_s


def _lag_one(values: Array) -> float:
    """Correlation from one sample to the next, between 0 and 0.99."""
    apart = values - values.mean()
    total = float(apart @ apart)
    return min(max(float(apart[1:] @ apart[:-1]) / total, 0.0), 0.99) if total > 0.0 else 0.0
