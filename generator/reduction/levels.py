"""Where a run stands still in speed or throttle: holds, plateaus and steps found from the data."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from generator.reduction.correlation import mean_with_standard_error
from generator.reduction.transitions import sample_noise

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

LONGEST_BRIDGE_S = 0.5  # longer stretches without a reading stay without one; our own choice, no source
# A window needs this share of the samples that would fit in it; our own choice, no source.
FEWEST_SHARE = 0.5
SMOOTHING_S = 0.1  # shorter excursions than this do not end a hold; our own choice, no source
# A sensor whose single samples scatter by much of the tolerance is smoothed over as many as bring its noise down to
# this share of it, but over no longer time than that: else its noise alone would end every hold. Our own choice.
NOISE_SHARE = 0.25
LONGEST_SMOOTHING_S = 1.0
MEDIAN_EFFICIENCY = 0.64  # variance of a mean over that of a median, normal distribution (2/π)
MOST_WINDOWS = (
    50_000  # tried along one level: 50 minutes of it for a window of 0.6 s. Our own choice, no source.
)
EDGE_S = 0.05  # the ends of a hold may already belong to the next transition; our own choice, no source
# Largest change of speed over a window that still counts as no trend. A window is corrected for its mean
# speed; half a percent of change then leaves less than 0.01 % in a mean that goes with n³. Our own choice.
# A noisy sensor shows a change by chance: twice its standard error is allowed on top.
LARGEST_TREND = 0.005


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """A stretch of time at one level; `level` is its median."""

    start_s: float
    stop_s: float
    level: float

    @property
    def lasts_s(self) -> float:
        """Duration [s]."""
        return self.stop_s - self.start_s


def smoothed(time_s: Array, values: Array, span_s: float = SMOOTHING_S) -> Array:
    """Running median over `span_s`; shape (n,).

    Missing samples are bridged by straight lines, but for no longer than LONGEST_BRIDGE_S (or three sampling
    intervals of a slow log): a speed sensor that reads nothing at standstill must not seem to run on.
    """
    good = np.isfinite(values)
    whole = bool(good.all())
    if not bool(good.any()):
        return np.full(values.shape, np.nan)
    bridged = values if whole else np.interp(time_s, time_s[good], values[good])
    interval = float(np.median(np.diff(time_s))) if time_s.size > 1 else math.inf
    width = (
        max(1, min(round(span_s / interval), 2 * values.size)) | 1
    )  # more reaches beyond both ends everywhere
    smooth = np.array(bridged, dtype=np.float64)
    if width > 1:
        smooth = np.asarray(median_filter(smooth, size=width, mode="nearest"), dtype=np.float64)
    if whole:
        return smooth
    longest = max(LONGEST_BRIDGE_S, 3.0 * interval)
    for first, last in stretches(~good):
        start, stop = time_s[max(first - 1, 0)], time_s[min(last + 1, time_s.size - 1)]
        if stop - start > longest:
            smooth[first : last + 1] = np.nan
    return smooth


def stretches(mask: Mask) -> list[tuple[int, int]]:
    """First and last row of each run of True."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], mask, [False])).astype(np.int8)))
    return [(int(first), int(stop) - 1) for first, stop in edges.reshape(-1, 2)]


def within(time_s: Array, values: Array, target: float, tolerance: float) -> list[Stretch]:
    """Stretches in which smoothed values stay within target × (1 ± tolerance), in order of time."""
    smooth = smoothed(time_s, values, _span_s(time_s, values, tolerance * abs(target)))
    mask = np.abs(smooth - target) <= tolerance * abs(target)
    return [
        Stretch(start_s=float(time_s[a]), stop_s=float(time_s[b]), level=float(np.median(smooth[a : b + 1])))
        for a, b in stretches(mask)
    ]


def _span_s(time_s: Array, values: Array, tolerance: float) -> float:
    """Over what time values are smoothed before they are held against ± tolerance, unit of the values."""
    good = np.isfinite(values)
    if int(good.sum()) < 3 or tolerance <= 0.0:
        return SMOOTHING_S
    noise = sample_noise(time_s[good], values[good])
    samples = (noise / (NOISE_SHARE * tolerance)) ** 2 / MEDIAN_EFFICIENCY
    interval = float(np.median(np.diff(time_s[good])))
    return min(max(SMOOTHING_S, samples * interval), LONGEST_SMOOTHING_S)


def trend_share(time_s: Array, values: Array) -> tuple[float, float]:
    """Change over the samples along a fitted line and its standard error, as shares of their mean.

    Both are infinite if there are fewer than three samples or their mean is zero.
    Source  of the error: for a mean of n samples it is s/√n, for the change along a line √12·s/√n (textbook,
            n large); correlated samples widen both alike, see `correlation`
    """
    good = np.isfinite(values)
    if int(good.sum()) < 3:
        return math.inf, math.inf
    time, samples = time_s[good], values[good]
    mean = float(samples.mean())
    if mean == 0.0:
        return math.inf, math.inf
    slope = float(np.polynomial.polynomial.polyfit(time - time.mean(), samples, 1)[1])
    error = mean_with_standard_error(samples, remove_trend=True).standard_error
    return abs(slope * float(time[-1] - time[0]) / mean), math.sqrt(12.0) * error / abs(mean)


def _steady_level(
    time_s: Array, values: Array, start_s: float, stop_s: float, interval_s: float
) -> float | None:
    """Median of a window that holds enough samples and has no trend, else None."""
    first, last = np.searchsorted(time_s, (start_s, stop_s + 1e-9 * interval_s), side="left")
    part = values[first:last]
    expected = (stop_s - start_s) / interval_s
    if int(np.isfinite(part).sum()) < FEWEST_SHARE * expected:
        return None
    change, error = trend_share(time_s[first:last], part)
    if not change <= LARGEST_TREND + 2.0 * error or not math.isfinite(change):
        return None
    return float(np.nanmedian(part))


def step_back(share_s: float, start_s: float, stop_s: float) -> float:
    """How far a window is moved back at a time: a share of it, or more where that would take MOST_WINDOWS trials."""
    return max(share_s, (stop_s - start_s) / MOST_WINDOWS, math.ulp(stop_s))


def last_steady(
    time_s: Array, values: Array, target: float, *, tolerance: float, settle_s: float, window_s: float
) -> Stretch | None:
    """The last `window_s` in which values stay within tolerance of target and have no trend.

    settle_s  time left out after the level is reached [s]
    Returns   None if there is no such window, or only windows of which less than half was recorded
    """
    if time_s.size < 3:
        return None
    interval = float(np.median(np.diff(time_s)))
    for stretch in reversed(within(time_s, values, target, tolerance)):
        stop = stretch.stop_s - EDGE_S
        step = step_back(window_s / 10.0, stretch.start_s, stop)
        while stop - window_s >= stretch.start_s + settle_s - 1e-9 * window_s:
            level = _steady_level(time_s, values, stop - window_s, stop, interval)
            if level is not None:
                return Stretch(start_s=stop - window_s, stop_s=stop, level=level)
            stop -= step
    return None


def nearest_plateau(time_s: Array, values: Array, target: float, window_s: float) -> Stretch | None:
    """The steady window nearest in level to a target that was not held, within 40 % of it; None without one.

    Steady is what `last_steady` means by it: no trend, and smoothed values within 2 % of the window's level.
    """
    if time_s.size < 3:
        return None
    interval = float(np.median(np.diff(time_s)))
    smooth = smoothed(time_s, values)
    best: Stretch | None = None
    for stretch in within(time_s, values, target, 0.4):
        stop = stretch.stop_s
        step = step_back(window_s / 10.0, stretch.start_s, stop)
        while stop - window_s >= stretch.start_s:
            level = _steady_level(time_s, values, stop - window_s, stop, interval)
            if level is not None and (best is None or abs(level - target) < abs(best.level - target)):
                first, last = np.searchsorted(time_s, (stop - window_s, stop))
                if float(np.abs(smooth[first:last] - level).max()) <= 0.02 * abs(level):
                    best = Stretch(start_s=stop - window_s, stop_s=stop, level=level)
            stop -= step
    return best


def plateaus(time_s: Array, values: Array, *, tolerance: float, min_duration_s: float) -> list[Stretch]:
    """Stretches of at least `min_duration_s` in which values stay within ± tolerance (absolute) of their median.

    For commands that move in steps, whether at once or along a slope. A slow ramp breaks into short
    stretches; one that takes `min_duration_s` for twice the tolerance cannot be told from a level.
    """
    if time_s.size == 0:
        return []
    smooth = smoothed(time_s, values, min(SMOOTHING_S, min_duration_s / 5.0))
    found: list[Stretch] = []
    for first, last in _level_runs(smooth, 2.0 * tolerance):
        level = float(np.median(smooth[first : last + 1]))
        near = np.flatnonzero(np.abs(smooth[first : last + 1] - level) <= tolerance)
        start, stop = float(time_s[first + near[0]]), float(time_s[first + near[-1]])
        if stop - start >= min_duration_s:
            found.append(Stretch(start_s=start, stop_s=stop, level=level))
    return found


def _level_runs(values: Array, width: float) -> list[tuple[int, int]]:
    """First and last row of consecutive runs, each as long as its values span no more than `width`."""
    runs: list[tuple[int, int]] = []
    first, low, high = -1, 0.0, 0.0
    for row, value in enumerate(values.tolist()):
        if math.isnan(value):
            if first >= 0:
                runs.append((first, row - 1))
            first = -1
        elif first < 0:
            first, low, high = row, value, value
        else:
            low, high = min(low, value), max(high, value)
            if high - low > width:
                runs.append((first, row - 1))
                first, low, high = row, value, value
    if first >= 0:
        runs.append((first, values.size - 1))
    return runs


def matched(found: Sequence[Stretch], wanted: Sequence[float], tolerance: float) -> list[Stretch | None]:
    """For each wanted level, in order, the found stretch within ± tolerance (absolute) that is it, or None.

    As many as possible are matched with both orders kept, so that one missing step does not take a later one
    of the same level. Of equally good ways the one is taken that leaves out the last wanted levels (an
    aborted run) and uses the later stretches (a repeated step replaces the first).
    Source  longest common subsequence by dynamic programming (textbook)
    """
    rows, columns = len(wanted), len(found)
    fits = [[abs(stretch.level - level) <= tolerance for stretch in found] for level in wanted]
    most = [[0] * (columns + 1) for _ in range(rows + 1)]
    for i, j in itertools.product(range(rows), range(columns)):
        taken = most[i][j] + 1 if fits[i][j] else 0
        most[i + 1][j + 1] = max(most[i][j + 1], most[i + 1][j], taken)
    result: list[Stretch | None] = [None] * rows
    i, j = rows, columns
    while i and j:
        if most[i][j] == most[i - 1][j]:
            i -= 1
        elif fits[i - 1][j - 1] and most[i][j] == most[i - 1][j - 1] + 1:
            result[i - 1] = found[j - 1]
            i, j = i - 1, j - 1
        else:
            j -= 1
    return result
