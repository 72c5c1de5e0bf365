"""Means that carry their uncertainty: `uncertainties` variables, shared where the error is shared.

The gain error of a channel is one unknown number for the whole session. As one variable it cancels in a
difference between treatments and stays where it should; scatter and the rest of the zero are new in each run.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray
from uncertainties import ufloat

from generator.intake.rig import CHANNEL_KINDS, Rig
from generator.reduction.correlation import mean_with_standard_error
from generator.reduction.records import Component, PreparedRun

Array = NDArray[np.float64]
# A ufloat or a float. `uncertainties` types its results at run time only, so the checker sees Any.
Number = Any

INDEPENDENT = "independent"
GRAVITY_M_S2 = 9.80665  # standard gravity, 3rd CGPM (1901)
ICE_POINT_K = 273.15
CHANNEL_KINDS_BY_COLUMN = {column: kind for kind, column in CHANNEL_KINDS.values()}
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


def nominal(measured: Number) -> float:
    """The number without its uncertainty."""
    value: Any = getattr(measured, "nominal_value", measured)
    return float(value)


class RigErrors:
    """The unknown errors of a rig's channels, one variable each, for one run's computation.

    What the removed zero leaves is one unknown number for a channel and run as well: the same in every
    stretch of the run, new in the next run.
    """

    def __init__(self, rig: Rig, zero_u: Mapping[str, float] | None = None) -> None:
        self._gain: dict[str, Number] = {}
        self._offset: dict[str, Number] = {}
        self._resolution: dict[str, float] = {}
        self._zero = {column: variable(0.0, u, "zero drift") for column, u in (zero_u or {}).items()}
        for name, channel in rig.channels.present().items():
            column = CHANNEL_KINDS[name][1]
            words = name.replace("_", " ")
            self._gain[column] = variable(1.0, channel.gain_uncertainty, f"{words} gain", shared=True)
            self._offset[column] = variable(
                0.0, channel.offset_uncertainty or 0.0, f"{words} offset", shared=True
            )
            self._resolution[column] = float(channel.resolution or 0.0)
        self.wiring_ohm = variable(
            rig.wiring.resistance_ohm, rig.wiring.resistance_uncertainty_ohm, "wiring resistance", shared=True
        )

    def apply(self, column: str, value: Number) -> Number:
        """A reading with its channel's gain, offset and zero errors on it, and its resolution as a new error.

        column  `tap_voltage_v` is the voltage channel itself
        """
        channel = "voltage_v" if column == "tap_voltage_v" else column
        gain, offset = self._gain.get(channel, 1.0), self._offset.get(channel, 0.0)
        zero = self._zero.get(channel, 0.0)
        # Rectangular width of one step of the reading, JCGM 100:2008, F.2.2.1
        resolution = variable(0.0, self._resolution.get(channel, 0.0) / math.sqrt(12.0), "resolution")
        if CHANNEL_KINDS_BY_COLUMN.get(channel) == "temperature":
            # a gain error of a thermometer counts from the ice point, where it is adjusted, not from 0 K
            return (value - ICE_POINT_K) * gain + ICE_POINT_K + offset + zero + resolution
        return (value + zero) * gain + offset + resolution


def finite(values: Array) -> Array:
    """The finite samples of an array."""
    return values[np.isfinite(values)]


def mean_and_error(values: Array) -> tuple[float, float]:
    """Mean and autocorrelation-aware standard error of the finite samples; (NaN, NaN) for fewer than two."""
    samples = finite(values)
    if samples.size < 2:
        return math.nan, math.nan
    found = mean_with_standard_error(samples)
    return found.mean, found.standard_error


class StretchMeans:
    """Means of one stretch of a prepared run, with the rig's errors on them but without scatter.

    Scatter is added by the procedure, since what counts is the scatter of the response, not of each channel.
    A mean asked for twice is the same variable, so that its errors count once in a response.
    """

    def __init__(self, run: PreparedRun, errors: RigErrors, rows: NDArray[np.bool_]) -> None:
        self._run = run
        self._errors = errors
        self._rows = rows
        self._means: dict[str, Number] = {}

    def has(self, column: str) -> bool:
        """Whether the stretch has at least two finite samples of a column."""
        frame = self._run.frame
        return column in frame and int(np.isfinite(frame[column].to_numpy()[self._rows]).sum()) >= 2

    def samples(self, column: str) -> Array:
        """Samples of the stretch, NaN where missing."""
        return np.asarray(self._run.frame[column].to_numpy()[self._rows], dtype=np.float64)

    def mean(self, column: str) -> Number:
        """Mean of a measured channel with gain, offset, resolution and zero; the voltage is at the tap.

        A sound level is averaged as energy: the level that would sound all the time with the same energy.
        """
        if column not in self._means:
            samples = self.samples(column)
            value = _mean_level(samples) if column == "sound_level_db" else mean_and_error(samples)[0]
            self._means[column] = self._errors.apply(column, value)
        return self._means[column]

    def electrical(self) -> bool:
        """Whether there is a mean voltage and a mean current."""
        return self.has("tap_voltage_v") and self.has("current_a")

    def voltage(self) -> Number:
        """Mean voltage at the controller: tap voltage minus the drop in the wiring."""
        return self.mean("tap_voltage_v") - self.mean("current_a") * self._errors.wiring_ohm

    def power(self) -> Number:
        """Mean electrical power at the controller.

        The mean of the product is the nominal value; its sensitivity to the rig's errors is that of the
        product of the means, which differs only by the ripple's share. Where voltage and current were not
        sampled together it is the product of the means.
        """
        product = self.voltage() * self.mean("current_a")
        centre = nominal(product)
        measured, _ = mean_and_error(self.samples("power_w"))
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
        parts = []
        for column, exponent in exponents.items():
            values = self.samples(column)
            mean = mean_and_error(values)[0]
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
