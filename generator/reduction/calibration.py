"""The straight line of a calibration: correction against reading, as in JCGM 100:2008, H.3."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Way = Literal["up", "down"]

FEWEST_POINTS = 3  # two for the line, one more to see how well it fits


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadPoint:
    """One load put on the stand and what the channel showed, both in the channel's house unit.

    reading   mean of the window; `scatter` is the standard uncertainty of that mean
    way       "up" where the load before it was smaller in size, or there was none
    """

    load: float
    reading: float
    scatter: float
    way: Way
    start_s: float
    stop_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class LineUncertainty:
    """Standard uncertainties of offset (channel's unit) and gain (1), and their correlation."""

    offset: float
    gain: float
    correlation: float

    @property
    def covariance(self) -> float:
        """Covariance of offset and gain."""
        return self.correlation * self.offset * self.gain


@dataclass(frozen=True, slots=True, kw_only=True)
class CalibrationFit:
    """What turns a reading into the true value: at + offset + gain × (reading - at).

    channel        of the rig
    at             reading that the offset is stated for, house unit
    offset         correction at that reading (y₁ of H.3)
    gain           1 + slope of the correction (1 + y₂ of H.3)
    scatter        uncertainty from the scatter about the line, `degrees_of_freedom` = points - 2
    loads          uncertainty from the loads themselves, which repeats do not lessen
    residual_sd    scatter of the points about the line (s of H.3); NaN for no degree of freedom
    hysteresis     largest reading on the way down less that on the way up at one load, signed; None without such a load
    return_to_zero last reading less first, where both are of the same load, else None
    """

    channel: str
    at: float
    offset: float
    gain: float
    scatter: LineUncertainty
    loads: LineUncertainty
    residual_sd: float
    degrees_of_freedom: int
    hysteresis: float | None
    return_to_zero: float | None
    points: tuple[LoadPoint, ...]

    def true(self, reading: float) -> float:
        """True value of a reading."""
        return self.at + self.offset + self.gain * (reading - self.at)

    def correction(self, reading: float) -> float:
        """What must be added to a reading."""
        return self.true(reading) - reading

    def line_uncertainty(self, reading: float) -> float:
        """Standard uncertainty of the correction at a reading, from scatter and loads, correlation kept.

        Source  JCGM 100:2008, H.3.4, equation (H.15)
        """
        away = reading - self.at
        variance = sum(
            part.offset**2 + (away * part.gain) ** 2 + 2.0 * away * part.covariance
            for part in (self.scatter, self.loads)
        )
        return math.sqrt(max(variance, 0.0))

    def new_reading_uncertainty(self, reading: float) -> float:
        """Standard uncertainty of what a single new reading is corrected to: the line's, and one point's scatter."""
        return math.hypot(self.line_uncertainty(reading), self.residual_sd)

    def residual(self, point: LoadPoint) -> float:
        """Load less what the line makes of the reading."""
        return point.load - self.true(point.reading)


def ways(loads: Sequence[float]) -> tuple[Way, ...]:
    """Whether each load was reached from a smaller one ("up") or from a larger one; the first counts as "up"."""
    found: list[Way] = ["up"]
    for before, now in itertools.pairwise(loads):
        found.append("up" if abs(now) > abs(before) else "down")
    return tuple(found[: len(loads)])


def fit_calibration(
    points: Sequence[LoadPoint],
    *,
    channel: str,
    at: float = 0.0,
    load_relative: float = 0.0,
    load_absolute: float = 0.0,
) -> CalibrationFit:
    """Straight line through the corrections (load - reading) over the readings.

    points         at least FEWEST_POINTS, at two readings or more, in the order made; of several runs one after the
                   other, each beginning with a way "up" from its first load
    at             reading that the offset is stated for
    load_relative  standard uncertainty of all loads alike, as a share: one scale for all of them
    load_absolute  standard uncertainty of each load apart; a load put on twice has the same error twice
    Raises         ValueError for too few points or only one reading
    Source         JCGM 100:2008, H.3, equations (H.13a) to (H.13f), with readings as t, corrections as b and `at` as
                   t₀; loads propagated through the same sums, 5.2
    """
    reading = np.array([point.reading for point in points], dtype=np.float64)
    load = np.array([point.load for point in points], dtype=np.float64)
    n = reading.size
    if n < FEWEST_POINTS:
        raise ValueError(f"a line with its scatter needs at least {FEWEST_POINTS} loads, found {n}")
    centre = float(reading.mean())
    apart = reading - centre
    spread = float(apart @ apart)
    if not spread > 0.0:
        raise ValueError("all loads gave the same reading")
    # each correction's share in slope and in the value of the line at `at`: both are sums over the corrections
    to_slope = apart / spread
    to_offset = 1.0 / n + (at - centre) * to_slope
    correction = load - reading
    slope, offset = float(to_slope @ correction), float(to_offset @ correction)
    residual = correction - offset - slope * (reading - at)
    dof = n - 2
    s = math.sqrt(float(residual @ residual) / dof)
    squares = float((reading - at) @ (reading - at))
    return CalibrationFit(
        channel=channel,
        at=at,
        offset=offset,
        gain=1.0 + slope,
        scatter=LineUncertainty(
            offset=s * math.sqrt(squares / (n * spread)),
            gain=s / math.sqrt(spread),
            correlation=-float((reading - at).sum()) / math.sqrt(n * squares) if squares > 0.0 else 0.0,
        ),
        loads=_of_loads(load, to_slope, to_offset, at + offset, 1.0 + slope, load_relative, load_absolute),
        residual_sd=s,
        degrees_of_freedom=dof,
        hysteresis=hysteresis(points),
        return_to_zero=return_to_zero(points),
        points=tuple(points),
    )


def _of_loads(
    load: Array,
    to_slope: Array,
    to_offset: Array,
    value_at: float,
    gain: float,
    relative: float,
    absolute: float,
) -> LineUncertainty:
    """What the loads leave unknown: one scale of all of them, and an error of each distinct load."""
    offset2, gain2, both = (relative * value_at) ** 2, (relative * gain) ** 2, relative**2 * value_at * gain
    for value in np.unique(load):
        same = load == value
        o, g = absolute * float(to_offset[same].sum()), absolute * float(to_slope[same].sum())
        offset2, gain2, both = offset2 + o * o, gain2 + g * g, both + o * g
    size = math.sqrt(offset2 * gain2)
    return LineUncertainty(
        offset=math.sqrt(offset2), gain=math.sqrt(gain2), correlation=both / size if size > 0.0 else 0.0
    )


def hysteresis(points: Sequence[LoadPoint]) -> float | None:
    """Largest difference of reading between the way down and the way up at one load, signed; None without one."""
    both: list[float] = []
    for load in dict.fromkeys(point.load for point in points):
        up = [p.reading for p in points if p.load == load and p.way == "up"]
        down = [p.reading for p in points if p.load == load and p.way == "down"]
        if up and down:
            both.append(math.fsum(down) / len(down) - math.fsum(up) / len(up))
    return max(both, key=abs, default=None)


def return_to_zero(points: Sequence[LoadPoint]) -> float | None:
    """Last reading less first, where both are of one load."""
    if len(points) < 2 or points[0].load != points[-1].load:
        return None
    return points[-1].reading - points[0].reading
