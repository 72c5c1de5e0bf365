"""Zero: known loads on a stand at rest, found as plateaus of the reading, and the line through them."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from generator.reduction.calibration import (
    FEWEST_POINTS,
    CalibrationFit,
    LoadPoint,
    fit_calibration,
    ways,
)
from generator.reduction.calibration_loads import ZeroPlan
from generator.reduction.levels import EDGE_S, Stretch, matched, plateaus, smoothed, step_back, stretches
from generator.reduction.measured import mean_and_error
from generator.reduction.prepare import CHANNEL_WORDS, SHOWN_UNITS
from generator.reduction.records import Finding, Outcome, PreparedRun, Procedure, Window, fits_of

Array = NDArray[np.float64]

# A level is told from its neighbours within this share of the smallest step between two loads. Our own choice.
TOLERANCE_SHARE = 0.25
# Share of the samples left out at either end of the reading when its reach is judged: a knock is no load.
REACH_PERCENT = 1.0
REACH_S = 0.25  # a movement is looked for between instants so far to either side; our own choice, no source
# A window counts as quiet whose scatter exceeds that of the quietest by no more than this factor; windows are tried in
# steps of this part of their length. Our own choice, no source.
QUIET_ENOUGH = 1.3
WINDOWS_TRIED = 10
# A gain this far from one is worth a sentence: the unit in the rig file is then only a rough one. Our own choice.
FAR_GAIN = 0.02


def reduce_zero(run: PreparedRun) -> Outcome:
    """Loads found in the reading, in the order planned, and the straight line through them.

    The reading is what the rig file's unit, sign and offset make of the log, without any calibration and without a
    zero taken off. Loads are matched by the order and the spacing of the levels, so a gain that is far off is found
    too, and a channel that counts the other way.
    """
    plan = run.plan
    assert isinstance(plan, ZeroPlan)
    column = "tap_voltage_v" if plan.channel == "voltage" else plan.column
    time, reading = run.columns["time_s"], run.columns[column]
    loads = plan.load_values()
    found = _matched(time, reading, loads, plan)
    windows: list[Window] = []
    points: list[LoadPoint] = []
    missing: list[str] = []
    for text, load, way, stretch in zip(plan.loads, loads, ways(loads), found, strict=True):
        if stretch is None:
            missing.append(f"{text} ({way})")
            continue
        start, stop = _quietest(time, reading, stretch, plan)
        mean, error = mean_and_error(reading[(time >= start) & (time <= stop)])
        if not math.isfinite(mean):
            missing.append(f"{text} ({way})")
            continue
        windows.append(Window(kind="averaged", label=f"{text} {way}", start_s=start, stop_s=stop))
        points.append(LoadPoint(load=load, reading=mean, scatter=error, way=way, start_s=start, stop_s=stop))
    findings = list(_missing(missing, plan, refused=False))
    if len(points) < FEWEST_POINTS or len({point.load for point in points}) < 2:
        refused = _missing(missing or ["the loads"], plan, refused=True)
        return Outcome(windows=tuple(windows), findings=tuple(refused))
    fit = fit_calibration(
        points,
        channel=plan.channel,
        at=plan.at_reading(),
        load_relative=plan.load_relative(),
        load_absolute=plan.load_absolute(),
    )
    if not fit.gain > 0.0:
        sentence = (
            f"The {CHANNEL_WORDS[plan.column]} falls as the loads grow: it counts the other way. Write the other "
            "`sign` for it in the rig file. Not used."
        )
        findings.append(Finding(kind="sign", channel=plan.column, grade="refused", sentence=sentence))
        return Outcome(windows=tuple(windows), findings=tuple(findings))
    findings += _told(fit, plan)
    return Outcome(
        calibration=fit,
        windows=tuple(windows),
        fits=fits_of({"gain": fit.gain, "offset": fit.offset, "residual_sd": fit.residual_sd}),
        findings=tuple(findings),
    )


def _matched(time: Array, reading: Array, loads: Sequence[float], plan: ZeroPlan) -> list[Stretch | None]:
    """For each load its plateau in the reading, or None: the assignment that finds the most of them."""
    none: list[Stretch | None] = [None] * len(loads)
    values = reading[np.isfinite(reading)]
    if values.size < 3:
        return none
    low, high = (float(edge) for edge in np.percentile(values, (REACH_PERCENT, 100.0 - REACH_PERCENT)))
    reach = max(loads) - min(loads)
    if not high > low:
        return none
    smallest = min(abs(b - a) for a, b in itertools.pairwise(loads))
    tolerance = TOLERANCE_SHARE * smallest * (high - low) / reach
    shortest = plan.settle_s + plan.window_s + EDGE_S
    steady = _levels(time, reading, tolerance, shortest)
    if len(steady) < 2:
        return none
    levels = [stretch.level for stretch in steady]
    bottom, top = min(levels), max(levels)
    best = none
    for sign in (1.0, -1.0):  # the straight way first: of equally good ones it is taken
        start = bottom if sign > 0.0 else top
        scale = sign * (top - bottom) / reach
        wanted = [start + scale * (load - min(loads)) for load in loads]
        hits = matched(steady, wanted, TOLERANCE_SHARE * 2.0 * smallest * abs(scale))
        if _count(hits) > _count(best):
            best = hits
    return best


def _levels(time: Array, reading: Array, tolerance: float, shortest_s: float) -> list[Stretch]:
    """Levels that stay within ± tolerance for long enough, looked for between the movements.

    Without the movements cut out first, a level would take in the end of the movement before it.
    """
    interval = float(np.median(np.diff(time)))
    reach = max(REACH_S, 2.0 * interval)
    smooth = smoothed(time, reading, REACH_S)
    moved = np.interp(time + reach, time, smooth) - np.interp(time - reach, time, smooth)
    found: list[Stretch] = []
    for first, last in stretches(~(np.abs(moved) > tolerance)):
        rows = slice(first, last + 1)
        found += plateaus(time[rows], reading[rows], tolerance=tolerance, min_duration_s=shortest_s)
    return found


def _quietest(time: Array, reading: Array, stretch: Stretch, plan: ZeroPlan) -> tuple[float, float]:
    """The last window of a level that is hardly less quiet than its quietest one, settling left out.

    The first movement towards the next load still lies within the level's tolerance; a window at its very end would
    take it in.
    """
    found: list[tuple[float, float]] = []  # scatter, start
    stop = stretch.stop_s - EDGE_S
    step = step_back(plan.window_s / WINDOWS_TRIED, stretch.start_s, stop)
    while stop - plan.window_s >= stretch.start_s + plan.settle_s - 1e-9:
        rows = (time >= stop - plan.window_s) & (time <= stop)
        values = reading[rows & np.isfinite(reading)]
        if values.size >= 2:
            found.append((float(values.std()), stop - plan.window_s))
        stop -= step
    if not found:
        return stretch.stop_s - EDGE_S - plan.window_s, stretch.stop_s - EDGE_S
    quietest = min(scatter for scatter, _ in found)
    start = max(start for scatter, start in found if scatter <= QUIET_ENOUGH * quietest)
    return start, start + plan.window_s


def _count(hits: Sequence[Stretch | None]) -> int:
    return sum(hit is not None for hit in hits)


def _missing(missing: Sequence[str], plan: ZeroPlan, *, refused: bool) -> Iterator[Finding]:
    if not missing:
        return
    listed = ", ".join(missing)
    name = CHANNEL_WORDS[plan.column]
    lasts = plan.settle_s + plan.window_s
    sentence = f"Loads not found as steady levels of {lasts:g} s in the {name}: {listed}."
    if refused:
        sentence += " Too few are left for a line. Not used."
    yield Finding(
        kind="load missing",
        channel=plan.column,
        grade="refused" if refused else "doubtful",
        count=len(missing),
        sentence=sentence,
    )


def _told(fit: CalibrationFit, plan: ZeroPlan) -> Iterator[Finding]:
    """What a reader should know of the line besides its numbers."""
    unit, factor = SHOWN_UNITS.get(plan.column, ("", 1.0))
    name = CHANNEL_WORDS[plan.column]
    if abs(fit.gain - 1.0) > FAR_GAIN:
        yield Finding(
            kind="gain far off",
            channel=plan.column,
            sentence=f"The gain of the {name} is {fit.gain:.4g}: the unit in the rig file is only a rough one.",
        )
    if fit.hysteresis is not None and fit.residual_sd > 0.0 and unit:
        yield Finding(
            kind="hysteresis",
            channel=plan.column,
            sentence=f"At one load the {name} reads {abs(fit.hysteresis) * factor:.3g} {unit} "
            f"{'more' if fit.hysteresis > 0.0 else 'less'} on the way down than on the way up, the largest "
            "such difference.",
        )


ZERO = Procedure(
    name="zero",
    plan=ZeroPlan,
    needs=(),
    responses=(),
    reduce=reduce_zero,
    about="Known loads are put on a stand at rest and taken off again; a line through them calibrates a channel.",
    of_rig=True,
)
