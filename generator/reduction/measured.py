"""Means that carry their uncertainty: `uncertainties` variables, shared where the error is shared.

The gain error of a channel is one unknown number for the whole session. As one variable it cancels in a
difference between treatments and stays where it should; scatter and the noise of the zero are new in each run.
"""

from __future__ import annotations

import datetime
import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray
from uncertainties import ufloat
from uncertainties.core import AffineScalarFunc, LinearCombination

from generator.intake.calibrations import CalibratedChannel
from generator.intake.rig import CHANNEL_KINDS, Channel, Rig
from generator.reduction.correlation import mean_with_standard_error
from generator.reduction.prepare import CHANNEL_WORDS, ZEROED
from generator.reduction.records import Component, PreparedRun

Array = NDArray[np.float64]
# A ufloat or a float. `uncertainties` types its results at run time only, so the checker sees Any.
Number = Any

INDEPENDENT = "independent"
GRAVITY_M_S2 = 9.80665  # standard gravity, 3rd CGPM (1901)
ICE_POINT_K = 273.15
DAYS_A_YEAR = 365.25  # Julian year
CHANNEL_KINDS_BY_COLUMN = {column: kind for kind, column in CHANNEL_KINDS.values()}
ROUNDING = 1e-12  # share of a reading that is the arithmetic's
GF_PER_N = 1000.0 / GRAVITY_M_S2


def variable(value: float, standard_uncertainty: float, source: str, *, shared: bool = False) -> Number:
    """One input with its standard uncertainty; a plain float where that is zero or unknown.

    source  what the uncertainty comes from, as printed in the budget
    shared  True where the same error sits in every run of the session
    """
    if not (math.isfinite(standard_uncertainty) and standard_uncertainty > 0.0):
        return float(value)
    return ufloat(value, standard_uncertainty, tag=source if shared else f"{INDEPENDENT}:{source}")


def components(measured: Number) -> tuple[float, tuple[Component, ...]]:
    """Nominal value and its components, one a source, in the order of size.

    Shared sources keep their sign; independent ones are added in quadrature within a source.
    """
    if isinstance(measured, (int, float)):
        return float(measured), ()
    shared: dict[str, float] = {}
    independent: dict[str, float] = {}
    derivatives: Mapping[Any, float] = measured.derivatives
    for input_, slope in derivatives.items():
        contribution = float(slope) * float(input_.std_dev)
        tag = str(input_.tag)
        if tag.startswith(f"{INDEPENDENT}:"):
            source = tag.removeprefix(f"{INDEPENDENT}:")
            independent[source] = math.hypot(independent.get(source, 0.0), contribution)
        else:
            shared[tag] = shared.get(tag, 0.0) + contribution
    found = [Component(source=name, contribution=size, shared=True) for name, size in shared.items()]
    found += [Component(source=name, contribution=size, shared=False) for name, size in independent.items()]
    found = [c for c in found if c.contribution != 0.0 and math.isfinite(c.contribution)]
    found.sort(key=lambda c: (-abs(c.contribution), c.source))
    return float(measured.nominal_value), tuple(found)


def worked_out(number: Number) -> Number:
    """The same number, its derivatives worked out: else each number made of it goes through its making again."""
    getattr(number, "derivatives", None)
    return number


def by_error(numbers: Sequence[Number]) -> tuple[Array, Array, tuple[Any, ...]]:
    """Numbers as arrays, for sums over many of them.

    Returns  values, shape (n,); parts, shape (n, v): derivative times standard uncertainty, signed; and the v unknown
             errors that these belong to, as `uncertainties` variables in the order in which they come
    """
    values = np.empty(len(numbers))
    places: dict[Any, int] = {}
    rows: list[list[tuple[int, float]]] = []
    for row, number in enumerate(numbers):
        derivatives: Mapping[Any, float] = getattr(number, "derivatives", {})
        values[row] = nominal(number)
        rows.append(
            [
                (places.setdefault(error, len(places)), float(slope) * float(error.std_dev))
                for error, slope in derivatives.items()
            ]
        )
    parts = np.zeros((len(numbers), len(places)))
    for row, slopes in enumerate(rows):
        for place, size in slopes:
            parts[row, place] = size
    return values, parts, tuple(places)


def from_errors(value: float, parts: Array, errors: Sequence[Any]) -> Number:
    """A number with these parts, shape (v,), of the v errors that `by_error` gave: its way back."""
    slopes = {error: size / float(error.std_dev) for error, size in zip(errors, parts.tolist(), strict=True)}
    return AffineScalarFunc(value, LinearCombination(slopes))


def nominal(measured: Number) -> float:
    """The number without its uncertainty."""
    value: Any = getattr(measured, "nominal_value", measured)
    return float(value)


def calibration_age_uncertainty(channel: Channel, date: datetime.date | None) -> float:
    """Relative standard uncertainty of a gain from what it may have drifted since its calibration.

    channel  states the largest drift a year and the day of its calibration
    date     of the session; the distance in time counts either way, since a gain drifts before a calibration too
    Returns  0 where no drift, no calibration or no date is stated
    Source   rectangular distribution of half-width drift × years, JCGM 100:2008, 4.3.7
    """
    if channel.calibrated is None or date is None:
        return 0.0
    years = abs((date - channel.calibrated).days) / DAYS_A_YEAR
    return channel.gain_drift * years / math.sqrt(3.0)


class RigErrors:
    """The unknown errors of a rig's channels, one variable each, for one run's computation.

    A calibrated channel errs about the value where the errors of its line's gain and offset do not hang together, and
    by what the line left over.

    Most are one unknown number of the rig for the whole session: gain and offset of a channel, how its gain has
    drifted since its calibration, how long its lag really is, and the shape of its zero's drift between two
    rests. Of the last two only the lever is new in each run (how fast the reading moves, how far the zero went),
    and it is measured, so what two runs do alike cancels between them and what always goes one way does not
    average out. The noise of the zero and the resolution are new in each run.
    """

    def __init__(
        self,
        rig: Rig,
        zero_u: Mapping[str, float] | None = None,
        *,
        date: datetime.date | None = None,
        zero_drift: Mapping[str, float] | None = None,
        clock_u_s: Mapping[str, float] | None = None,
    ) -> None:
        """Errors of a rig.

        zero_u      house column -> standard uncertainty that the removed zero leaves
        date        of the session, for the age of the calibrations; no age without it
        zero_drift  house column -> how far its zero moved over the run; without it all of zero_u is new in
                    each run
        clock_u_s   house column -> standard uncertainty of its logger's clock against that of the run's own log
        """
        self._gain: dict[str, Number] = {}
        self._offset: dict[str, Number] = {}
        self._pivot: dict[str, float] = {}  # value that an error of gain counts from, where it is not zero
        self._misfit: dict[str, Number] = {}  # what the straight line of a calibration left over
        self._resolution: dict[str, float] = {}
        self._lag: dict[str, Number] = {}
        self._zero = {
            column: _zero_error(column, u, None if zero_drift is None else zero_drift.get(column, 0.0))
            for column, u in (zero_u or {}).items()
        }
        for name, channel in rig.channels.present().items():
            column = CHANNEL_KINDS[name][1]
            words = name.replace("_", " ")
            age = calibration_age_uncertainty(channel, date)
            self._gain[column] = variable(
                1.0, channel.gain_uncertainty, f"{words} gain", shared=True
            ) + variable(0.0, age, f"{words} calibration age", shared=True)
            offset_u = float(channel.offset_uncertainty or 0.0)
            if CHANNEL_KINDS_BY_COLUMN.get(column) == "temperature":
                # a gain error of a thermometer counts from the ice point, where it is adjusted, not from 0 K
                self._pivot[column] = ICE_POINT_K
            if isinstance(channel, CalibratedChannel):
                if column not in ZEROED:  # else the zero at rest takes the calibration's offset out again
                    self._pivot[column], offset_u = channel.used.pivot()
                self._misfit[column] = variable(
                    0.0,
                    channel.used.residual_standard_deviation,
                    f"{words} calibration residual",
                    shared=True,
                )
            self._offset[column] = variable(0.0, offset_u, f"{words} offset", shared=True)
            self._resolution[column] = float(channel.resolution or 0.0)
            self._lag[column] = variable(0.0, channel.lag_s, f"{words} lag", shared=True) + variable(
                0.0, (clock_u_s or {}).get(column, 0.0), f"{words} logger clock"
            )
        self.wiring_ohm = variable(
            rig.wiring.resistance_ohm, rig.wiring.resistance_uncertainty_ohm, "wiring resistance", shared=True
        )

    @classmethod
    def of(cls, run: PreparedRun) -> RigErrors:
        """Errors of the rig in a prepared run, with the age of its calibrations and the drift of its zeros."""
        setup = run.setup
        return cls(
            setup.rig,
            run.zero_u,
            date=setup.date,
            zero_drift=run.zero_drift,
            clock_u_s=dict(setup.clock_u_s),
        )

    def gain(self, column: str) -> Number:
        """Factor of one with the gain error of a channel and the age of its calibration on it."""
        return self._gain.get(column, 1.0)

    def apply(self, column: str, value: Number, *, trend: float = 0.0) -> Number:
        """A reading with its channel's gain, offset, lag and zero errors on it, and its resolution as a new error.

        column  `tap_voltage_v` is the voltage channel itself
        trend   how fast the reading moves, its unit a second: it then shows what was lag × trend ago. Nothing
                is corrected, since how a sensor lags depends on how it is fixed; the whole of it counts
        """
        channel = "voltage_v" if column == "tap_voltage_v" else column
        gain, offset = self.gain(channel), self._offset.get(channel, 0.0)
        zero, late = self._zero.get(channel, 0.0), trend * self._lag.get(channel, 0.0)
        # Rectangular width of one step of the reading, JCGM 100:2008, F.2.2.1
        resolution = variable(0.0, self._resolution.get(channel, 0.0) / math.sqrt(12.0), "resolution")
        pivot, misfit = self._pivot.get(channel, 0.0), self._misfit.get(channel, 0.0)
        if CHANNEL_KINDS_BY_COLUMN.get(channel) == "temperature":
            return (value - pivot) * gain + pivot + offset + late + resolution + misfit
        return (value + zero + late - pivot) * gain + pivot + offset + resolution + misfit


def _zero_error(column: str, standard_uncertainty: float, drift: float | None) -> Number:
    """Error of a removed zero: the shape of its drift, signed with the drift, and the noise that is left.

    The straight line that was taken off may err by half the drift either way, |drift|/√12 (see `zero`).
    """
    if drift is None:
        return variable(0.0, standard_uncertainty, "zero drift")
    shape = drift / math.sqrt(12.0)
    noise = math.sqrt(max(standard_uncertainty**2 - shape**2, 0.0))
    unknown = variable(0.0, 1.0, f"{CHANNEL_WORDS[column]} zero drift", shared=True)
    return variable(0.0, noise, "zero noise") + shape * unknown


def finite(values: Array) -> Array:
    """The finite samples of an array."""
    return values[np.isfinite(values)]


def mean_and_error(values: Array, *, remove_trend: bool = False) -> tuple[float, float]:
    """Mean and standard uncertainty of the finite samples; (NaN, NaN) for fewer than two.

    The uncertainty allows for autocorrelation and for few effective samples, since no degrees of freedom go
    along with it (`CorrelatedMean.standard_uncertainty`).
    remove_trend  take a straight line out of the scatter: a temperature that climbs on purpose does not wander
    """
    samples = finite(values)
    if samples.size < 2:
        return math.nan, math.nan
    found = mean_with_standard_error(samples, remove_trend=remove_trend and samples.size > 2)
    return found.mean, found.standard_uncertainty


def trend_per_s(time_s: Array, values: Array) -> float:
    """Slope of a straight line through the finite samples, unit of the values a second; 0 for fewer than three
    and for samples that are all the same to the last digits.

    time_s, values  shape (n,), time strictly increasing
    Source  ordinary least squares
    """
    good = np.isfinite(values)
    if int(good.sum()) < 3 or float(np.ptp(values[good])) <= ROUNDING * float(np.abs(values[good]).max()):
        return 0.0
    time = time_s[good] - time_s[good].mean()
    return float(time @ (values[good] - values[good].mean()) / (time @ time))


class StretchMeans:
    """Means of one stretch of a prepared run, with the rig's errors on them but without scatter.

    Scatter is added by the procedure, since what counts is the scatter of the response, not of each channel.
    A mean asked for twice is the same variable, so that its errors count once in a response.
    """

    def __init__(self, run: PreparedRun, errors: RigErrors, rows: NDArray[np.bool_]) -> None:
        self._columns = run.columns
        self._errors = errors
        places = np.flatnonzero(rows)
        together = places.size > 0 and int(places[-1] - places[0]) + 1 == places.size
        self._rows = slice(int(places[0]), int(places[-1]) + 1) if together else places
        self._has: dict[str, bool] = {}
        self._samples: dict[str, Array] = {}
        self._estimates: dict[str, tuple[float, float]] = {}
        self._scatters: dict[tuple[tuple[str, float], ...], float] = {}
        self._means: dict[str, Number] = {}  # by column
        self._made: dict[str, Number] = {}  # of several columns, by what they make

    def has(self, column: str) -> bool:
        """Whether the stretch has at least two finite samples of a column."""
        if column not in self._has:
            self._has[column] = column in self._columns and finite(self.samples(column)).size >= 2
        return self._has[column]

    def samples(self, column: str) -> Array:
        """Samples of the stretch, NaN where missing; not to be written to."""
        if column not in self._samples:
            self._samples[column] = self._columns[column][self._rows]
        return self._samples[column]

    def estimate(self, column: str) -> tuple[float, float]:
        """Mean and standard uncertainty of a column's samples without the rig's errors, as `mean_and_error`."""
        if column not in self._estimates:
            self._estimates[column] = mean_and_error(self.samples(column))
        return self._estimates[column]

    def mean(self, column: str) -> Number:
        """Mean of a measured channel with gain, offset, lag, resolution and zero; the voltage is at the tap.

        A sound level is averaged as energy: the level that would sound all the time with the same energy.
        """
        if column not in self._means:
            samples = self.samples(column)
            value = _mean_level(samples) if column == "sound_level_db" else self.estimate(column)[0]
            trend = trend_per_s(self.samples("time_s"), samples)
            self._means[column] = worked_out(self._errors.apply(column, value, trend=trend))
        return self._means[column]

    def electrical(self) -> bool:
        """Whether there is a mean voltage and a mean current."""
        return self.has("tap_voltage_v") and self.has("current_a")

    def voltage(self) -> Number:
        """Mean voltage at the controller: tap voltage minus the drop in the wiring."""
        if "voltage" not in self._made:
            drop = self.mean("current_a") * self._errors.wiring_ohm
            self._made["voltage"] = worked_out(self.mean("tap_voltage_v") - drop)
        return self._made["voltage"]

    def power(self) -> Number:
        """Mean electrical power at the controller.

        The mean of the product is the nominal value; its sensitivity to the rig's errors is that of the
        product of the means, which differs only by the ripple's share. Where voltage and current were not
        sampled together it is the product of the means.
        """
        if "power" not in self._made:
            self._made["power"] = worked_out(self._power())
        return self._made["power"]

    def _power(self) -> Number:
        product = self.voltage() * self.mean("current_a")
        centre = nominal(product)
        measured, _ = self.estimate("power_w")
        return product * (measured / centre) if centre and math.isfinite(measured) else product

    def shaft_power(self) -> Number:
        """Mean torque times mean angular speed."""
        return self.mean("torque_nm") * self.mean("speed_rpm") * (2.0 * math.pi / 60.0)

    def relative_scatter(self, exponents: Mapping[str, float]) -> float:
        """Relative standard error of a product of powers of the stretch's channels.

        exponents  column -> exponent
        Returns    standard error of the mean of the sum of exponent × relative deviation: what the channels
                   do together (a dip in speed is a dip in power) cancels as it does in the response. Channels
                   that are hardly ever sampled together are taken as independent. NaN if unknown
        Source     JCGM 100:2008, 5.1.6, applied to the samples so that their correlation is kept
        """
        key = tuple(sorted(exponents.items()))
        if key not in self._scatters:
            self._scatters[key] = self._relative_scatter(exponents)
        return self._scatters[key]

    def _relative_scatter(self, exponents: Mapping[str, float]) -> float:
        parts = []
        for column, exponent in exponents.items():
            values = self.samples(column)
            mean = self.estimate(column)[0]
            if not math.isfinite(mean) or mean == 0.0:
                return math.nan
            if exponent != 0.0:
                parts.append(exponent * (values / mean - 1.0))
        if not parts:
            return math.nan
        together = np.sum(parts, axis=0)
        fewest = min(int(np.isfinite(part).sum()) for part in parts)
        if finite(together).size > max(fewest // 2, 1):
            return mean_and_error(together)[1]
        return math.hypot(*(mean_and_error(part)[1] for part in parts))


def _mean_level(levels_db: Array) -> float:
    """Level of the mean energy of the finite samples [dB]; NaN for fewer than two. Source: definition of Leq."""
    levels = finite(levels_db)
    if levels.size < 2:
        return math.nan
    loudest = float(levels.max())  # taken out first, so that no reading is too large for a power of ten
    return loudest + 10.0 * math.log10(float(np.mean(10.0 ** ((levels - loudest) / 10.0))))
