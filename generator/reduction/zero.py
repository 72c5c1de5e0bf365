"""Zero of a channel from the rest before and after a run, and its drift in between."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from generator.reduction.correlation import mean_with_standard_error
from generator.reduction.transitions import sample_noise

Array = NDArray[np.float64]
Stretch = tuple[float, float]

FEWEST_SAMPLES = 3
# A propeller below this share of its top speed in the run counts as standing, and a throttle below this is
# idle. Thrust goes with n², so 2 % of top speed is 0.04 % of top thrust. Our own choice, no source.
STANDING_SHARE = 0.02
IDLE_THROTTLE = 0.005
# A speed sensor shows noise at standstill too. Below one turn a second nothing is driven, and what stays within so
# many standard deviations of the sensor's noise is no motion; a tenth of the top speed (1 % of the top thrust) is
# the most that noise may claim in a run that did move. Our own choice, no source.
STANDING_RPM = 60.0
NOISE_SIGMA = 6.0
STANDING_NOISE_SHARE = 0.10
# Left out before the start, after the propeller stands, and after the throttle closes where no speed is
# known. Our own choice, no source.
START_MARGIN_S = 0.1
STANDING_MARGIN_S = 0.3
SPIN_DOWN_S = 2.0


class NoRest(ValueError):
    """The run has no rest from which a zero could be taken."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rest:
    """Stretches of rest before and after a run, (start_s, stop_s) or None."""

    before: Stretch | None
    after: Stretch | None


@dataclass(frozen=True, slots=True, kw_only=True)
class RestZero:
    """Zero of one channel before and after a run; a side without rest is None throughout.

    before, after                means at rest, unit of the channel
    u_before, u_after            their standard uncertainties, allowing for correlated samples
    t_before_s, t_after_s        middle of each rest [s]
    """

    before: float | None
    after: float | None
    u_before: float | None
    u_after: float | None
    t_before_s: float | None
    t_after_s: float | None

    @property
    def drift(self) -> float | None:
        """Zero after minus zero before, unit of the channel; None if one side is missing."""
        return None if self.before is None or self.after is None else self.after - self.before

    @property
    def u_drift(self) -> float | None:
        """Standard uncertainty of the drift from the noise at rest; None if one side is missing."""
        if self.u_before is None or self.u_after is None:
            return None
        return float(np.hypot(self.u_before, self.u_after))

    @property
    def statement(self) -> str:
        """What the zero rests on, for the run page."""
        if self.drift is not None:
            return "zero from the rest before and after the run, linear drift between them removed"
        side = "before" if self.before is not None else "after"
        return f"zero from the rest {side} the run only; drift is not known and not in the uncertainty"


def find_rest(
    time_s: Array,
    speed_rpm: Array | None = None,
    throttle: Array | None = None,
    min_duration_s: float = 0.3,
    standing_rpm: float | None = None,
    spin_down_s: float = SPIN_DOWN_S,
) -> Rest:
    """Rest at the start and at the end of a run.

    time_s          shape (n,), strictly increasing [s]
    speed_rpm       shape (n,) or None, mechanical speed; where missing (NaN) the throttle decides alone
    throttle        shape (n,) or None, 0 idle to 1 full
    min_duration_s  shorter rests are not used
    standing_rpm    below this the propeller stands; where not given 2 % of the top speed in the run, or what
                    the sensor's noise asks for (`standing_limit_rpm`)
    spin_down_s     left out after the throttle closes if no speed is known
    Returns         Rest; margins before the start and after the stop are left out. A run without any motion
                    is all rest: it is returned as `before`.
    Raises          ValueError if neither speed nor throttle is given, or arrays differ in length
    """
    if speed_rpm is None and throttle is None:
        raise ValueError("rest is found from the speed or the throttle; neither is given")
    still = np.ones(time_s.size, dtype=bool)
    for name, channel in (("speed", speed_rpm), ("throttle", throttle)):
        if channel is not None and channel.shape != time_s.shape:
            raise ValueError(f"time and {name} differ in length: {time_s.size} and {channel.size}")
    speed_known = False
    if speed_rpm is not None:
        known = np.isfinite(speed_rpm)
        speed_known = bool(known.any())
        limit = standing_limit_rpm(time_s, speed_rpm) if standing_rpm is None else standing_rpm
        standing = np.abs(speed_rpm) <= limit  # False where missing
        still &= standing | ~known if throttle is not None else standing
    if throttle is not None:
        still &= throttle <= IDLE_THROTTLE
    moving = np.flatnonzero(~still)
    if time_s.size == 0:
        return Rest(before=None, after=None)
    if moving.size == 0:
        whole = (float(time_s[0]), float(time_s[-1]))
        return Rest(before=whole if whole[1] - whole[0] >= min_duration_s else None, after=None)
    stop_margin = STANDING_MARGIN_S if speed_known else spin_down_s
    before = (float(time_s[0]), float(time_s[moving[0]]) - START_MARGIN_S)
    after = (float(time_s[moving[-1]]) + stop_margin, float(time_s[-1]))
    return Rest(
        before=before if before[1] - before[0] >= min_duration_s else None,
        after=after if after[1] - after[0] >= min_duration_s else None,
    )


def standing_limit_rpm(time_s: Array, speed_rpm: Array) -> float:
    """Speed below which the propeller counts as standing in this run [rpm]; infinite where it never moved.

    time_s, speed_rpm  shape (n,), time strictly increasing; missing speeds left out
    """
    known = np.isfinite(speed_rpm)
    if not bool(known.any()):
        return STANDING_RPM
    top = float(np.abs(speed_rpm[known]).max())
    noise = NOISE_SIGMA * sample_noise(time_s[known], speed_rpm[known])
    if top <= max(noise, STANDING_RPM):
        return np.inf
    return max(STANDING_SHARE * top, min(max(noise, STANDING_RPM), STANDING_NOISE_SHARE * top))


def measure_zero(time_s: Array, values: Array, rest: Rest) -> RestZero:
    """Zero of one channel over the stretches of rest.

    time_s, values  shape (n,); values that are not finite are left out
    Raises          NoRest if neither stretch holds three samples; ValueError for arrays of different length
    """
    if time_s.shape != values.shape:
        raise ValueError(f"time and values differ in length: {time_s.size} and {values.size}")
    sides: list[tuple[float | None, float | None, float | None]] = []
    for stretch in (rest.before, rest.after):
        if stretch is None:
            sides.append((None, None, None))
            continue
        inside = (time_s >= stretch[0]) & (time_s <= stretch[1]) & np.isfinite(values)
        if int(inside.sum()) < FEWEST_SAMPLES:
            sides.append((None, None, None))
            continue
        # a straight drift goes on through the rest: it belongs to the line, not to the noise
        level = mean_with_standard_error(values[inside], remove_trend=True)
        sides.append((level.mean, level.standard_uncertainty, float(time_s[inside].mean())))
    (before, u_before, t_before_s), (after, u_after, t_after_s) = sides
    if before is None and after is None:
        raise NoRest(f"no rest of at least {FEWEST_SAMPLES} samples before or after the run")
    return RestZero(
        before=before,
        after=after,
        u_before=u_before,
        u_after=u_after,
        t_before_s=t_before_s,
        t_after_s=t_after_s,
    )


def zero_at(zero: RestZero, time_s: float | Array) -> Array:
    """Zero at given instants: linear between the middles of the two rests, constant beyond them or with one
    rest.

    time_s   scalar or shape (n,) [s]
    Returns  shape of time_s, unit of the channel
    """
    time = np.asarray(time_s, dtype=float)
    levels = [
        (t, z) for t, z in ((zero.t_before_s, zero.before), (zero.t_after_s, zero.after)) if t is not None
    ]
    times = [t for t, _ in levels]
    zeros = [float(z) for _, z in levels if z is not None]
    level: Array = np.asarray(np.interp(time, times, zeros), dtype=float)
    return level


def remove_zero(time_s: Array, values: Array, zero: RestZero) -> Array:
    """Values with the zero at each instant taken off, shape (n,), unit of the channel."""
    corrected: Array = values - zero_at(zero, time_s)
    return corrected


def zero_standard_uncertainty(zero: RestZero) -> float:
    """Standard uncertainty that the removed zero leaves in every value of the run, unit of the channel.

    With both rests: how the zero moved between them is not known, only that it went from one to the other;
    the straight line is taken as good within half the drift either way, a rectangular width:
    |drift|/sqrt(12). The noise at rest is added, root mean square of both ends. With one rest only its noise
    is known.
    Source  JCGM 100:2008, 4.3.7 (rectangular distribution)
    """
    noises = [u for u in (zero.u_before, zero.u_after) if u is not None]
    noise = float(np.sqrt(np.mean(np.square(noises))))
    return float(np.hypot(abs(zero.drift or 0.0) / np.sqrt(12.0), noise))
