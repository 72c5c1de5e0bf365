"""Where a run stands still in speed or throttle: holds, plateaus and steps found from the data."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

SMOOTHING_S = 0.1  # shorter excursions than this do not end a hold; our own choice, no source
EDGE_S = 0.05  # the ends of a hold may already belong to the next transition; our own choice, no source
# Largest change of speed over a window that still counts as no trend. A window is corrected for its mean
# speed; half a percent of change then leaves less than 0.01 % in a mean that goes with n³. Our own choice.
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
    """Running median over `span_s`; missing samples bridged by straight lines. Shape (n,)."""
    good = np.isfinite(values)
    if not bool(good.any()):
        return np.full(values.shape, np.nan)
    bridged = np.interp(time_s, time_s[good], values[good])
    interval = float(np.median(np.diff(time_s))) if time_s.size > 1 else span_s
    width = max(1, round(span_s / interval)) | 1
    return np.asarray(median_filter(bridged, size=width, mode="nearest"), dtype=np.float64)


def stretches(mask: Mask) -> list[tuple[int, int]]:
    """First and last row of each run of True."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], mask, [False])).astype(np.int8)))
    return [(int(first), int(stop) - 1) for first, stop in edges.reshape(-1, 2)]


def within(time_s: Array, values: Array, target: float, tolerance: float) -> list[Stretch]:
    """Stretches in which smoothed values stay within target × (1 ± tolerance), in order of time."""
    smooth = smoothed(time_s, values)
    mask = np.abs(smooth - target) <= tolerance * abs(target)
    return [
        Stretch(start_s=float(time_s[a]), stop_s=float(time_s[b]), level=float(np.median(smooth[a : b + 1])))
        for a, b in stretches(mask)
    ]


def trend_share(time_s: Array, values: Array) -> float:
    """Change over the samples along a fitted line, as a share of their mean; infinite if it cannot be told."""
    good = np.isfinite(values)
    if int(good.sum()) < 3:
        return float("inf")
    time, samples = time_s[good], values[good]
    mean = float(samples.mean())
    slope = float(np.polynomial.polynomial.polyfit(time - time.mean(), samples, 1)[1])
    return abs(slope * float(time[-1] - time[0]) / mean) if mean else float("inf")


def last_steady(
    time_s: Array, values: Array, target: float, *, tolerance: float, settle_s: float, window_s: float
) -> Stretch | None:
    """The last `window_s` in which values stay within tolerance of target and have no trend.

    settle_s  time left out after the level is reached [s]
    Returns   None if there is no such window
    """
    for stretch in reversed(within(time_s, values, target, tolerance)):
        stop = stretch.stop_s - EDGE_S
        while stop - window_s >= stretch.start_s + settle_s:
            rows = (time_s >= stop - window_s) & (time_s <= stop)
            if trend_share(time_s[rows], values[rows]) <= LARGEST_TREND:
                level = float(np.nanmedian(values[rows]))
                return Stretch(start_s=stop - window_s, stop_s=stop, level=level)
            stop -= window_s / 10.0
    return None


def nearest_plateau(time_s: Array, values: Array, target: float, window_s: float) -> Stretch | None:
    """The stretch of at least `window_s` nearest to a target that was not reached, or None."""
    best: Stretch | None = None
    for width in (0.05, 0.1, 0.2, 0.4):
        for stretch in within(time_s, values, target, width):
            if stretch.lasts_s >= window_s and (
                best is None or abs(stretch.level - target) < abs(best.level - target)
            ):
                best = stretch
        if best is not None:
            return best
    return None


def plateaus(time_s: Array, values: Array, *, tolerance: float, min_duration_s: float) -> list[Stretch]:
    """Stretches of at least `min_duration_s` in which values stay within ± tolerance (absolute) of their start.

    For commands that move in steps. A slow ramp breaks into many short stretches and gives none.
    """
    smooth = smoothed(time_s, values, min(SMOOTHING_S, min_duration_s / 5.0))
    found: list[Stretch] = []
    jumps = np.flatnonzero(np.abs(np.diff(smooth)) > tolerance) + 1
    edges = np.concatenate(([0], jumps, [smooth.size]))
    for first, stop in itertools.pairwise(edges):
        part = smooth[first:stop]
        lasts = float(time_s[stop - 1] - time_s[first])
        if lasts >= min_duration_s and float(part.max() - part.min()) <= 2.0 * tolerance:
            found.append(
                Stretch(
                    start_s=float(time_s[first]), stop_s=float(time_s[stop - 1]), level=float(np.median(part))
                )
            )
    return found


def matched(found: Sequence[Stretch], wanted: Sequence[float], tolerance: float) -> list[Stretch | None]:
    """For each wanted level in order, the next found stretch within ± tolerance (absolute), or None."""
    result: list[Stretch | None] = []
    place = 0
    for level in wanted:
        hit = next((i for i in range(place, len(found)) if abs(found[i].level - level) <= tolerance), None)
        result.append(None if hit is None else found[hit])
        place = place if hit is None else hit + 1
    return result
