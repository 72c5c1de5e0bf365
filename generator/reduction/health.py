"""What is wrong with single channels of a log: time, gaps, missing and spiking samples.

Stuck and clipped stretches are in `repeats`. Every `find_...` only reports; nothing is changed but by `mask_spikes`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from generator.reduction.levels import stretches

Array = NDArray[np.float64]
Rows = NDArray[np.intp]
Kind = Literal[
    "time missing", "time reversed", "time repeated", "gap", "dropout", "stuck", "clipped", "spike"
]

# All thresholds below are our own choices, no source; tests show what they do and do not report.
GAP_FACTOR = 5.0
# A logger on a steady clock shows a single missed sample as an interval of twice the usual one. Steady is a clock whose
# intervals differ from the usual one by no more than this share, nineteen times in twenty.
STEADY_CLOCK = 0.1
STEADY_GAP_FACTOR = 1.5
LONGEST_SPIKE = 3
SPIKE_SIGMA = 7.0
SPIKE_JUMPS = 4.0
SPIKE_NEXT_JUMPS = 1.5
SPIKE_SHARE_OF_RANGE = 0.02
SPIKE_GRID_STEPS = 4.5  # rounded noise of half a step reaches three steps now and then; a spike goes further
FEWEST_GRID_JUMPS = 4
NOISE_WINDOW = 51
# Median distance of normal samples from their running median of seven, by simulation (test_health.py).
OFF_MEDIAN = 0.551
JUMP_WINDOW = 15


@dataclass(frozen=True, slots=True, kw_only=True)
class HealthFinding:
    """One thing found in one channel.

    kind       see `Kind`
    channel    name as given, "time_s" for findings about time
    start_s, stop_s  instants of its first and last row; NaN where time itself is missing [s]
    first_row  row index from 0
    count      rows concerned; for a gap the samples that would have fitted in it
    detail     what was found, in words, with the size
    """

    kind: Kind
    channel: str
    start_s: float
    stop_s: float
    first_row: int
    count: int
    detail: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SamplingSummary:
    """How a log was sampled.

    median_interval_s   [s]
    rate_hz             1 / median interval [1/s]
    jitter_s            standard deviation of the intervals, from their median absolute deviation, so gaps do
                        not count [s]
    largest_interval_s  [s]
    """

    count: int
    median_interval_s: float
    rate_hz: float
    jitter_s: float
    largest_interval_s: float


def require_same_length(time_s: Array, values: Array) -> None:
    """Raises ValueError for arrays of different length."""
    if time_s.shape != values.shape:
        raise ValueError(f"time and values differ in length: {time_s.size} and {values.size}")


def check_time(time_s: Array) -> tuple[HealthFinding, ...]:
    """Faults of the time column: missing, going back, repeated; one finding a kind, at its first row.

    time_s   shape (n,) [s]
    Returns  empty if time is finite and strictly increasing. `count` is the number of offending rows; a row
             is reversed or repeated against the row before it.
    """
    findings = []
    missing = np.flatnonzero(~np.isfinite(time_s))
    steps = np.diff(time_s)
    kinds: tuple[tuple[Kind, Rows], ...] = (
        ("time missing", missing),
        ("time reversed", np.flatnonzero(steps < 0) + 1),
        ("time repeated", np.flatnonzero(steps == 0) + 1),
    )
    for kind, rows in kinds:
        if rows.size == 0:
            continue
        row = int(rows[0])
        if kind == "time missing":
            detail = "no time given"
        elif kind == "time reversed":
            detail = f"time goes back from {time_s[row - 1]:.6g} s to {time_s[row]:.6g} s"
        else:
            detail = f"{time_s[row]:.6g} s comes twice"
        findings.append(
            HealthFinding(
                kind=kind,
                channel="time_s",
                start_s=float(time_s[row]),
                stop_s=float(time_s[rows[-1]]),
                first_row=row,
                count=int(rows.size),
                detail=detail,
            )
        )
    return tuple(findings)


def summarise_sampling(time_s: Array) -> SamplingSummary:
    """Interval, rate and jitter of a log.

    time_s  shape (n,), n at least 2, strictly increasing [s]
    Raises  ValueError for fewer than two samples or time that does not increase
    """
    if time_s.size < 2:
        raise ValueError(f"sampling needs at least two rows, found {time_s.size}")
    intervals = np.diff(time_s)
    if not bool((intervals > 0).all()):
        raise ValueError("time_s: must be finite and strictly increasing")
    median = float(np.median(intervals))
    return SamplingSummary(
        count=int(time_s.size),
        median_interval_s=median,
        rate_hz=1.0 / median,
        jitter_s=1.4826 * float(np.median(np.abs(intervals - median))),  # normal distribution
        largest_interval_s=float(intervals.max()),
    )


def find_gaps(time_s: Array, factor: float | None = None) -> tuple[HealthFinding, ...]:
    """Places where the next sample comes later than `factor` times the median interval.

    time_s   shape (n,), strictly increasing [s]
    factor   GAP_FACTOR where not given; STEADY_GAP_FACTOR for a log on a steady clock
    Returns  one finding a gap, from the row before it to the row after it
    """
    if time_s.size < 3:
        return ()
    intervals = np.diff(time_s)
    usual = float(np.median(intervals))
    if factor is None:
        steady = float(np.percentile(np.abs(intervals / usual - 1.0), 95)) <= STEADY_CLOCK
        factor = STEADY_GAP_FACTOR if steady else GAP_FACTOR
    return tuple(
        HealthFinding(
            kind="gap",
            channel="time_s",
            start_s=float(time_s[row]),
            stop_s=float(time_s[row + 1]),
            first_row=int(row),
            count=round(float(intervals[row]) / usual) - 1,
            detail=f"no sample for {intervals[row]:.3g} s, usual interval {usual:.3g} s",
        )
        for row in np.flatnonzero(intervals > factor * usual)
    )


def find_dropouts(time_s: Array, values: Array, channel: str = "") -> tuple[HealthFinding, ...]:
    """Stretches in which a channel has no finite value; shape (n,) each."""
    require_same_length(time_s, values)
    return tuple(
        stretch_finding("dropout", channel, time_s, first, last, "no value")
        for first, last in stretches(~np.isfinite(values))
    )


def stretch_finding(
    kind: Kind, channel: str, time_s: Array, first: int, last: int, detail: str
) -> HealthFinding:
    """A finding over rows `first` to `last` of a channel."""
    return HealthFinding(
        kind=kind,
        channel=channel,
        start_s=float(time_s[first]),
        stop_s=float(time_s[last]),
        first_row=first,
        count=last - first + 1,
        detail=detail,
    )


def _grid_step(values: Array) -> float:
    """Step of a channel with coarse resolution; 0 if its values lie on no grid or do not flicker by one step."""
    levels = np.diff(np.unique(values))
    step = float(levels.min()) if levels.size else 0.0
    if step <= 1e-9 * float(levels.sum()):  # one level only, or rounding of computed values
        return 0.0
    multiples = levels / step
    on_grid = bool((np.abs(multiples - np.round(multiples)) < 1e-3).all())
    flickers = int((np.abs(np.abs(np.diff(values)) / step - 1.0) < 1e-3).sum())
    return step if on_grid and flickers >= FEWEST_GRID_JUMPS else 0.0


def _local_noise(off: Array) -> Array:
    """Noise round about each sample: the larger of what the fifty samples before and after it show.

    The larger, because where a quiet stretch borders on a noisy one, its noise is no spike.
    """
    half = NOISE_WINDOW // 2
    if off.size <= NOISE_WINDOW:
        return np.full(off.size, float(np.median(off)) / OFF_MEDIAN)
    middle: Array = median_filter(off, size=NOISE_WINDOW, mode="nearest") / OFF_MEDIAN
    rows = np.arange(off.size)
    before = middle[np.clip(rows - half, half, off.size - 1 - half)]
    after = middle[np.clip(rows + half, half, off.size - 1 - half)]
    return np.maximum(before, after)


def find_spikes(
    time_s: Array, values: Array, channel: str = "", resolution: float = 0.0
) -> tuple[HealthFinding, ...]:
    """Isolated excursions of one to three samples.

    time_s, values  shape (n,); missing values are bridged and never reported
    resolution      step of the reading where it is known, unit of the values; else it is looked for in them
    Returns         one finding an excursion. It must lie off the running median of seven samples by seven
                    standard deviations of the noise round about, two percent of the channel's range and two
                    and a half steps of a coarse resolution; it must be entered and left by jumps four times
                    the usual ones nearby and half as large again as the next on either side; and the channel
                    must go on where it left off. The running median follows a step exactly, so the edge of a
                    step is no spike; a state of four samples or more is a state.
    Source          running median with a local scale after F. R. Hampel, J. Am. Stat. Assoc. 69 (1974)
                    383-393 (from memory); the other conditions are our own, no source
    """
    require_same_length(time_s, values)
    known = np.isfinite(values)
    if int(known.sum()) < 2 * LONGEST_SPIKE + 1:
        return ()
    rows = np.arange(values.size)
    x = np.interp(rows, rows[known], values[known])
    middle = median_filter(x, size=2 * LONGEST_SPIKE + 1, mode="nearest")
    off = np.abs(x - middle)
    low, high = (float(v) for v in np.percentile(x, (0.5, 99.5)))
    floor = max(SPIKE_SHARE_OF_RANGE * (high - low), SPIKE_GRID_STEPS * resolution)
    # Rounding of a computed channel must not count where everything else is constant.
    floor = max(floor, 1e-9 * float(np.abs(x).max()))
    # Most channels never leave their running median so far, and the dearer conditions need not be looked at.
    if not bool((off > floor).any()):
        return ()
    floor = max(floor, SPIKE_GRID_STEPS * _grid_step(values[known]))
    if not bool((off > floor).any()):
        return ()
    noise = _local_noise(off)
    jumps = np.abs(np.diff(x))
    findings = []
    for first, last in stretches((off > np.maximum(SPIKE_SIGMA * noise, floor)) & known):
        if last - first + 1 > LONGEST_SPIKE or first == 0 or last == x.size - 1:
            continue
        height = float(off[first : last + 1].max())
        if abs(x[last + 1] - x[first - 1]) > 0.5 * height:
            continue
        near = np.concatenate(
            (jumps[max(first - 1 - JUMP_WINDOW, 0) : first - 1], jumps[last + 1 : last + 1 + JUMP_WINDOW])
        )
        usual = float(np.median(near)) if near.size else 0.0
        left = jumps[first - 2] if first >= 2 else 0.0
        right = jumps[last + 1] if last + 1 < jumps.size else 0.0
        least = max(SPIKE_JUMPS * usual, SPIKE_NEXT_JUMPS * left, SPIKE_NEXT_JUMPS * right)
        if min(jumps[first - 1], jumps[last]) <= least:
            continue
        detail = f"off its surroundings by {height:.4g}, noise there {noise[first]:.3g}"
        findings.append(stretch_finding("spike", channel, time_s, first, last, detail))
    return tuple(findings)


def mask_spikes(values: Array, findings: tuple[HealthFinding, ...]) -> Array:
    """Copy of a channel with NaN in the rows of its spikes; other findings change nothing.

    values    shape (n,)
    findings  of this one channel
    """
    masked = values.copy()
    for finding in findings:
        if finding.kind == "spike":
            masked[finding.first_row : finding.first_row + finding.count] = np.nan
    return masked
