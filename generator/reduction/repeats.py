"""Stretches in which a channel repeats one value: stuck, or piled up at the end of its range.

A coarse channel repeats values by nature. Where its noise is less than its step, standing still says nothing of
the channel by itself: it is then held against a quantity that it has to follow.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from generator.reduction.health import HealthFinding, require_same_length, stretch_finding
from generator.reduction.levels import stretches

Array = NDArray[np.float64]
Rows = NDArray[np.intp]
Mask = NDArray[np.bool_]

# All thresholds below are our own choices, no source; tests show what they do and do not report.
# A repeat run is stuck or clipped if so many times longer than nine in ten of the other runs.
STUCK_FACTOR = 10.0
# In a channel that hardly ever repeats a value a shorter pile-up already means something.
CLIPPED_FACTOR_FINE = 3.0
# Expected number of such stretches in a record if its samples at the extreme fell anywhere. Our own choice, no source.
BY_CHANCE = 1e-4
# With fewer changes than this a channel does not show how long its repeat runs usually are.
FEWEST_RUNS = 20
# A channel is noisy if it leaves and regains its level by two steps or more at least so often.
FEWEST_WIDE_FLICKERS = 4
# Share by which what a coarse channel follows must move, and the steps the channel should then have shown.
LEADER_MOVES = 0.02
STEPS_MISSED = 4.0
# A grid finer than this share of the usual distance between levels, or of the readings, is chance or rounding.
FINEST_GRID = 0.01
ROUNDING = 1e-8


def _repeat_runs(values: Array) -> tuple[Rows, Rows]:
    """First row and length of each run of identical values; a missing value is a run of its own."""
    changes = np.flatnonzero(values[1:] != values[:-1]) + 1
    starts = np.concatenate(([0], changes))
    return starts, np.diff(np.concatenate((starts, [values.size])))


def _usual_run(lengths: Rows, factor: float) -> float | None:
    """Length that nine in ten repeat runs do not exceed, the longest left out.

    None with too few runs, and where no run can be longer than `factor` times the usual one, which has one sample at
    the least.
    """
    if lengths.size <= FEWEST_RUNS or float(lengths.max()) <= factor:
        return None
    return float(np.percentile(np.delete(lengths, np.argmax(lengths)), 90))


def find_stuck(
    time_s: Array,
    values: Array,
    channel: str = "",
    min_duration_s: float = 0.25,
    rest_value: float | None = 0.0,
    ignore: Mask | None = None,
    leader: Array | None = None,
) -> tuple[HealthFinding, ...]:
    """Stretches in which a channel that otherwise changes repeats one value for unusually long.

    time_s, values  shape (n,)
    min_duration_s  shorter repeats are never reported
    rest_value      a stretch at this very value is not reported where it opens or closes the record: a
                    stopped speed sensor reads zero. None judges those too.
    ignore          shape (n,), True in rows not to judge: rest before and after the run, off times of a soak.
                    A coarse channel at rest may well repeat one value, so give its rest here.
    leader          shape (n,) or None: a quantity to which this one is at least proportional
    Returns         findings. Coarse resolution, or a slow sensor in a fast log, repeats values by nature: a
                    repeat must be ten times longer than nine in ten of the channel's other repeats, and a
                    channel with twenty changes or fewer is not judged at all. In a coarse quiet channel a
                    repeat is reported only where the leader moved on. Commanded channels hold their value by
                    intent: do not pass the throttle.
    """
    require_same_length(time_s, values)
    if values.size == 0:
        return ()
    starts, lengths = _repeat_runs(values)
    usual = _usual_run(lengths, STUCK_FACTOR)
    if usual is None:
        return ()
    findings = []
    places = np.flatnonzero(lengths > STUCK_FACTOR * usual)
    step = quiet_step(values) if places.size else 0.0
    for place in places:
        first, last = int(starts[place]), int(starts[place] + lengths[place]) - 1
        value = float(values[first])
        at_end = first == 0 or last == values.size - 1
        if at_end and value == rest_value:
            continue
        if ignore is not None:
            judged = np.flatnonzero(~ignore[first : last + 1]) + first
            if judged.size <= STUCK_FACTOR * usual:
                continue
            first, last = int(judged[0]), int(judged[-1])
        if time_s[last] - time_s[first] < min_duration_s:
            continue
        if step and not _left_behind(value, step, leader, first, last):
            continue
        detail = f"reads {value:.6g} for {time_s[last] - time_s[first]:.3g} s"
        findings.append(stretch_finding("stuck", channel, time_s, first, last, detail))
    return tuple(findings)


def find_clipped(
    time_s: Array,
    values: Array,
    channel: str = "",
    limits: tuple[float | None, float | None] | None = None,
    min_count: int = 3,
    leader: Array | None = None,
) -> tuple[HealthFinding, ...]:
    """Stretches at the end of a channel's range.

    time_s, values  shape (n,)
    limits          stated range (lowest, highest), unit of the values, None for an open end: at least
                    min_count samples in a row at or beyond it are reported. A lower limit of zero is not
                    judged: a channel at rest is there.
    min_count       samples in a row
    leader          shape (n,) or None: a quantity to which this one is at least proportional
    Returns         findings. Whatever the stated range, a pile-up at the channel's own largest or smallest
                    value is reported if it is three times longer than nine in ten of its other repeats (ten
                    times in a channel that repeats values by nature); a channel with twenty changes or fewer
                    is not judged so. A smallest value of zero is not judged. A coarse quiet channel held at
                    one value is at its own largest value by nature: it is reported only where the leader
                    moved on.
    """
    require_same_length(time_s, values)
    clipped: dict[tuple[int, int], str] = {}
    if limits is not None:
        low, high = limits
        if high is not None:
            with np.errstate(invalid="ignore"):
                for stretch in stretches(values >= high):
                    clipped[stretch] = f"at or above the stated range's upper end, {high:.6g}"
        if low is not None and low != 0.0:
            with np.errstate(invalid="ignore"):
                for stretch in stretches(values <= low):
                    clipped[stretch] = f"at or below the stated range's lower end, {low:.6g}"
    finite = values[np.isfinite(values)]
    if finite.size:
        starts, lengths = _repeat_runs(values)
        usual = _usual_run(lengths, CLIPPED_FACTOR_FINE)
        for extreme, word in ((float(finite.max()), "largest"), (float(finite.min()), "smallest")):
            if usual is None or (word == "smallest" and extreme == 0.0):
                continue
            factor = CLIPPED_FACTOR_FINE if usual < 2 else STUCK_FACTOR
            share = float(np.mean(finite == extreme))
            places = np.flatnonzero((values[starts] == extreme) & (lengths > factor * usual))
            step = quiet_step(values) if places.size else 0.0
            for place in places:
                stretch = (int(starts[place]), int(starts[place] + lengths[place]) - 1)
                if step and not _left_behind(extreme, step, leader, *stretch):
                    continue
                # so many samples at the end, scattered as they please, would make such a stretch by themselves
                if finite.size * share ** int(lengths[place]) > BY_CHANCE:
                    continue
                clipped.setdefault(stretch, f"piled up at the channel's {word} value, {extreme:.6g}")
    return tuple(
        stretch_finding("clipped", channel, time_s, first, last, detail)
        for (first, last), detail in sorted(clipped.items())
        if last - first + 1 >= min_count
    )


def quiet_step(values: Array) -> float:
    """Step of a channel that is coarser than its own noise, unit of the channel; 0 for every other channel.

    values  shape (n,), missing values left out
    A channel is noisy if it often leaves its level by two steps or more and comes back at once; noise of less
    than about a third of a step hardly ever does, and no ramp does.
    """
    known = values[np.isfinite(values)]
    step = _grid_step(known)
    if step == 0.0 or known.size < 3:
        return 0.0
    moved = np.abs(known[2:] - known[:-2])
    off = np.abs(known[2:] + known[:-2] - 2.0 * known[1:-1])
    wide = int(((moved < 1.5 * step) & (off > 2.5 * step)).sum())
    return 0.0 if wide >= FEWEST_WIDE_FLICKERS else step


def _grid_step(values: Array) -> float:
    """Largest step of which all levels of a channel are multiples; 0 for levels that lie on no grid.

    Source  Euclid's algorithm on the distances between neighbouring levels (textbook)
    """
    distances = np.diff(np.unique(values))
    if distances.size == 0:
        return 0.0
    finest = max(FINEST_GRID * float(np.median(distances)), ROUNDING * float(np.abs(values).max()))
    nothing = finest / 10.0  # remainders so small end a division; levels on no grid get down there at once
    step = 0.0
    for distance in distances.tolist():
        larger, smaller = max(step, distance), min(step, distance)
        while smaller > nothing:
            larger, smaller = smaller, abs(larger - round(larger / smaller) * smaller)
        step = larger
        if step < finest:
            return 0.0
    return step


def _left_behind(value: float, step: float, leader: Array | None, first: int, last: int) -> bool:
    """Whether the leader moved on over these rows so far that the channel should have shown it."""
    if leader is None:
        return False
    part = leader[first : last + 1]
    part = part[np.isfinite(part)]
    if part.size < 3:
        return False
    low, middle, high = (float(v) for v in np.percentile(part, (5.0, 50.0, 95.0)))
    moved = (high - low) / abs(middle) if middle else math.inf
    return moved > LEADER_MOVES and moved * abs(value) > STEPS_MISSED * step
