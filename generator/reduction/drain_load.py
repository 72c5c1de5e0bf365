"""When a pack was under load, when it reached its cut-off, and what it gave until then."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from generator.reduction.drain_steps import load_level_a
from generator.reduction.levels import smoothed
from generator.reduction.measured import trend_per_s

Array = NDArray[np.float64]

ON_SHARE = 0.05  # above this share of the usual current the pack is under load; our own choice, no source
CUT_OFF_SMOOTHING_S = 0.5  # a shorter dip of the voltage does not end a drain; our own choice, no source
# A drain that ended this little above the cut-off is carried on to it along its last slope: nobody should have to go
# below to be sure of having been there. Our own choice, no source.
NEAR_CUT_OFF = 0.01
LAST_SHARE = 0.1  # of the time under load, over which the last slope is taken; at least LAST_S
LAST_S = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Load:
    """When the load came on, when it went off, and the instant of the cut-off.

    cut_off_s  None where the voltage never came near it
    carried    True where the run ended above the cut-off and is carried on to it
    slope_v_s  how fast the voltage fell at the end, changes of the current taken out
    last_a     mean current over the same time
    """

    start_s: float
    stop_s: float
    cut_off_s: float | None
    carried: bool
    slope_v_s: float
    last_a: float


def find_load(time: Array, voltage: Array, current: Array, limit_v: float) -> Load | None:
    """The time under load and the cut-off in it; None where there was no load.

    time, voltage, current  shape (n,) [s, V, A]
    limit_v                 cut-off of the whole pack
    """
    usual = load_level_a(current)
    if not usual > 0.0:
        return None
    on = np.flatnonzero(smoothed(time, current) > ON_SHARE * usual)
    if on.size < 2:
        return None
    start, stop = float(time[on[0]]), float(time[on[-1]])
    held = (time >= start) & (time <= stop)
    steady = smoothed(time[held], voltage[held], CUT_OFF_SMOOTHING_S)
    inside, amperes = time[held], current[held]
    below = np.flatnonzero(steady <= limit_v)
    last_s = max(LAST_S, LAST_SHARE * (stop - start))
    end = float(inside[below[0]]) if below.size else stop
    last = (inside >= end - last_s) & (inside <= end)
    slope = trend_per_s(inside[last], _compensated(voltage[held][last], amperes[last]))
    drawn = amperes[last][np.isfinite(amperes[last])]
    common = {
        "start_s": start,
        "stop_s": stop,
        "slope_v_s": slope,
        "last_a": float(drawn.mean()) if drawn.size else 0.0,
    }
    if below.size:
        return Load(cut_off_s=_crossing(inside, steady, limit_v, int(below[0])), carried=False, **common)
    left = float(np.nanmin(steady)) - limit_v
    if left <= NEAR_CUT_OFF * limit_v and slope < 0.0:
        return Load(cut_off_s=stop + left / -slope, carried=True, **common)
    return Load(cut_off_s=None, carried=False, **common)


def _compensated(voltage: Array, current: Array) -> Array:
    """Voltage without what the current does to it, by regression on current and time: only its slow fall is left."""
    good = np.isfinite(voltage) & np.isfinite(current)
    if int(good.sum()) < 4 or not float(np.ptp(current[good])) > ON_SHARE * float(
        np.abs(current[good]).max()
    ):
        return voltage
    table = np.column_stack((np.ones(int(good.sum())), np.flatnonzero(good), current[good]))
    solved, *_ = np.linalg.lstsq(table, voltage[good], rcond=None)
    made: Array = voltage - solved[2] * (current - float(current[good].mean()))
    return made


def _crossing(time: Array, values: Array, level: float, row: int) -> float:
    """Instant at which values first fall to a level, between samples by a straight line [s]."""
    if row == 0 or not values[row - 1] > values[row]:
        return float(time[row])
    share = (values[row - 1] - level) / (values[row - 1] - values[row])
    return float(time[row - 1] + min(max(share, 0.0), 1.0) * (time[row] - time[row - 1]))


def integral(time: Array, values: Array, start_s: float, stop_s: float) -> tuple[float, float]:
    """Integral of samples over time, ends read off between samples, and what the sampling leaves unknown of it.

    Missing samples are bridged by straight lines.
    Source  trapezoids; between two samples the value may have been either of them, a rectangular width,
            JCGM 100:2008, 4.3.7
    """
    good = np.isfinite(values)
    if int(good.sum()) < 2 or not stop_s > start_s:
        return math.nan, math.nan
    inside = good & (time > start_s) & (time < stop_s)
    ends = np.interp((start_s, stop_s), time[good], values[good])
    t = np.concatenate(([start_s], time[inside], [stop_s]))
    v = np.concatenate((ends[:1], values[inside], ends[1:]))
    widths = np.abs(np.diff(v)) * np.diff(t) / 2.0
    total = float(np.sum(0.5 * (v[1:] + v[:-1]) * np.diff(t)))
    return total, float(np.sqrt(np.sum(widths**2) / 3.0))
