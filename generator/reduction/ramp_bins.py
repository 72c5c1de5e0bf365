"""Points of a ramp: what lags brought into step, and the value in the middle of a bin in which everything moves."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from generator.intake.rig import CHANNEL_KINDS
from generator.reduction.correlation import mean_with_standard_error
from generator.reduction.measured import RigErrors, StretchMeans, trend_per_s
from generator.reduction.records import PreparedRun, Window
from generator.reduction.steady import SteadyPoint, Way

Array = NDArray[np.float64]

FEWEST_SAMPLES = 12  # of a bin; fewer tell neither a curve nor a scatter; our own choice, no source
# What is left of a lag once it is taken out: half of it either way, rectangular (JCGM 100:2008, 4.3.7). A sensor does
# not lag by one pure time. Our own choice, no source.
LAG_DOUBT = 0.5 / math.sqrt(3.0)
# Standard error of the middle of a parabola through evenly spaced samples over that of their mean.
# Source: least squares with Legendre polynomials, 1 + 5 P2(0)² = 9/4 (closed form)
OF_THE_MIDDLE = 1.5


def aligned(run: PreparedRun) -> PreparedRun:
    """The run with every channel moved ahead by the lag its rig file states; of the lags LAG_DOUBT is left as doubt.

    A reading that follows a steady trend late by a lag shows what was there that long ago, whatever the order of the
    sensor (first-order response to a ramp, closed form).
    """
    present = run.setup.rig.channels.present()
    lags = {CHANNEL_KINDS[name][1]: channel.lag_s for name, channel in present.items() if channel.lag_s}
    lags.pop("time_s", None)
    if not lags:
        return run
    time = run.columns["time_s"]
    columns = dict(run.columns)
    for column, lag in lags.items():
        name = "tap_voltage_v" if column == "voltage_v" and "tap_voltage_v" in columns else column
        if name not in columns:
            continue
        columns[name] = np.interp(time + lag, time, columns[name])
    if "tap_voltage_v" in columns:
        columns["voltage_v"] = columns["tap_voltage_v"]
        if "current_a" in columns:
            drop = columns["current_a"] * run.setup.rig.wiring.resistance_ohm
            columns["voltage_v"] = columns["tap_voltage_v"] - drop
            columns["power_w"] = columns["voltage_v"] * columns["current_a"]
    if "torque_nm" in columns:
        columns["shaft_power_w"] = columns["torque_nm"] * columns["speed_rpm"] * (2.0 * math.pi / 60.0)
    left = {
        name: channel.model_copy(update={"lag_s": LAG_DOUBT * channel.lag_s})
        for name, channel in present.items()
        if name != "time"
    }
    rig = run.setup.rig
    rig = rig.model_copy(update={"channels": rig.channels.model_copy(update=left)})
    return replace(run, columns=columns, setup=replace(run.setup, rig=rig))


class BinMeans(StretchMeans):
    """Values in the middle of a bin: of a parabola through its samples, with the scatter about it.

    A mean over a bin of a power that goes with the cube of the speed lies above the power in its middle. The middle is
    where the throttle passes `throttle`, by a straight line through its samples; half a sample is soon a rpm or two.
    """

    def __init__(self, run: PreparedRun, errors: RigErrors, rows: NDArray[np.bool_], throttle: float) -> None:
        super().__init__(run, errors, rows)
        time, read = self.samples("time_s"), self.samples("throttle")
        rate = trend_per_s(time, read)
        late = (throttle - float(np.nanmean(read))) / rate if rate else 0.0
        self._middle_s = float(time.mean()) + (late if abs(late) < 0.1 * float(np.ptp(time)) else 0.0)

    def estimate(self, column: str) -> tuple[float, float]:
        """Value in the middle and its standard uncertainty, correlation of the samples allowed for; NaN if unknown."""
        if column not in self._estimates:
            self._estimates[column] = _middle(self.samples("time_s"), self.samples(column), self._middle_s)
        return self._estimates[column]

    def _relative_scatter(self, exponents: Mapping[str, float]) -> float:
        """Of the middle of the bin; channels taken as independent, since what they do together is the ramp itself."""
        found = [(exponent, *self.estimate(column)) for column, exponent in exponents.items()]
        if any(not math.isfinite(mean) or mean == 0.0 for _, mean, _ in found):
            return math.nan
        return math.hypot(*(exponent * doubt / mean for exponent, mean, doubt in found))

    def trend(self, column: str) -> float:
        """How fast a column moves, its unit a second."""
        return trend_per_s(self.samples("time_s"), self.samples(column))


def _middle(time: Array, values: Array, at_s: float) -> tuple[float, float]:
    good = np.isfinite(values)
    if int(good.sum()) < FEWEST_SAMPLES:
        return math.nan, math.nan
    place = 2.0 * (time[good] - at_s) / (time[-1] - time[0])
    samples = values[good]
    columns = np.vander(place, 3, increasing=True)
    found = np.linalg.lstsq(columns, samples, rcond=None)[0]
    rest = samples - columns @ found
    # three constants are taken out where the mean takes one
    freed = math.sqrt((samples.size - 1) / (samples.size - 3))
    return float(found[0]), OF_THE_MIDDLE * freed * mean_with_standard_error(rest).standard_uncertainty


class RampPoint(SteadyPoint):
    """One bin of one way of a ramp, as a step of a staircase."""

    means: BinMeans

    def __init__(
        self, run: PreparedRun, errors: RigErrors, window: Window, *, way: Way, throttle: float
    ) -> None:
        super().__init__(run, errors, window, way=way, throttle=throttle)
        time = run.columns["time_s"]
        self.means = BinMeans(run, errors, (time >= window.start_s) & (time <= window.stop_s), throttle)

    @property
    def throttle(self) -> float:
        """Throttle in the middle of the bin, 0 to 1."""
        return math.nan if self.planned is None else self.planned
