"""Density of moist air, speed of sound and tip Mach number."""

from __future__ import annotations

from math import hypot, pi
from typing import overload

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

# kg/m³; sea level of the ICAO standard atmosphere (ICAO Doc 7488/3, 1993; ISO 2533).
STANDARD_DENSITY_KG_M3 = 1.225
ZERO_CELSIUS_K = 273.15

# CIPM-2007: Picard, Davis, Gläser, Fujii, Metrologia 45 (2008) 149-155.
# Saturation pressure of water vapour, exp(A T² + B T + C + D/T) in Pa with T in K.
SATURATION_A = 1.2378847e-5
SATURATION_B = -1.9121316e-2
SATURATION_C = 33.93711047
SATURATION_D = -6.3431645e3
# Enhancement factor, alpha + beta p + gamma t² with p in Pa and t in °C.
ENHANCEMENT_ALPHA = 1.00062
ENHANCEMENT_BETA = 3.14e-8
ENHANCEMENT_GAMMA = 5.6e-7
# Compressibility factor.
COMPRESSIBILITY_A = (1.58123e-6, -2.9331e-8, 1.1043e-10)
COMPRESSIBILITY_B = (5.707e-6, -2.051e-8)
COMPRESSIBILITY_C = (1.9898e-4, -2.376e-6)
COMPRESSIBILITY_D = 1.83e-11
COMPRESSIBILITY_E = -0.765e-8
# J/(mol K); frozen in the formula, so not the value of the 2019 SI.
CIPM_GAS_CONSTANT = 8.314472
DRY_AIR_MOLAR_MASS_KG_MOL = 28.96546e-3  # at a carbon dioxide mole fraction of 400e-6
WATER_MOLAR_MASS_KG_MOL = 18.01528e-3
CARBON_MOLAR_MASS_KG_MOL = 12.011e-3  # each extra CO2 takes the place of one O2
CIPM_REFERENCE_CO2 = 400e-6
CIPM_RELATIVE_UNCERTAINTY = 22e-6  # of the formula alone

# ISO 9613-1:1993: 343.2 m/s at 293.15 K, growing with the root of the temperature.
SOUND_REFERENCE_M_S = 343.2
SOUND_REFERENCE_K = 293.15

# Bounds that catch a wrong unit (degC for K, hPa for Pa, % for a fraction), wider than any place where a
# bench stands. Our own choice, no source. The formula is recommended for 15 to 27 °C and 600 to 1100 hPa
# (limits from memory); outside that it still follows the humid-air tables to 1e-4.
TEMPERATURE_BOUNDS_K = (223.15, 343.15)
PRESSURE_BOUNDS_PA = (30_000.0, 120_000.0)
CO2_BOUNDS = (0.0, 0.01)


def _require_between(name: str, value: float | Array, bounds: tuple[float, float], unit: str) -> None:
    values = np.asarray(value, dtype=float)
    bad = ~((values >= bounds[0]) & (values <= bounds[1]))  # also true for NaN
    if bad.any():
        first = float(values[bad].flat[0]) if values.ndim else float(values)
        raise ValueError(
            f"{name}: {first:g} {unit} is outside {bounds[0]:g} to {bounds[1]:g} {unit}; is the unit right?"
        )


def _require_air(
    temperature_k: float | Array, pressure_pa: float | Array, humidity_fraction: float | Array, co2: float
) -> None:
    _require_between("temperature_k", temperature_k, TEMPERATURE_BOUNDS_K, "K")
    _require_between("pressure_pa", pressure_pa, PRESSURE_BOUNDS_PA, "Pa")
    _require_between("humidity_fraction", humidity_fraction, (0.0, 1.0), "(as a fraction)")
    _require_between("co2", co2, CO2_BOUNDS, "(as a fraction)")


def _cipm_density(temperature_k: Array, pressure_pa: Array, humidity: Array, co2: float) -> Array:
    t_c = temperature_k - ZERO_CELSIUS_K
    saturation_pa = np.exp(
        SATURATION_A * temperature_k**2
        + SATURATION_B * temperature_k
        + SATURATION_C
        + SATURATION_D / temperature_k
    )
    enhancement = ENHANCEMENT_ALPHA + ENHANCEMENT_BETA * pressure_pa + ENHANCEMENT_GAMMA * t_c**2
    vapour = humidity * enhancement * saturation_pa / pressure_pa  # mole fraction
    a0, a1, a2 = COMPRESSIBILITY_A
    b0, b1 = COMPRESSIBILITY_B
    c0, c1 = COMPRESSIBILITY_C
    ratio = pressure_pa / temperature_k
    first_order = a0 + a1 * t_c + a2 * t_c**2 + (b0 + b1 * t_c) * vapour + (c0 + c1 * t_c) * vapour**2
    compressibility = 1 - ratio * first_order + ratio**2 * (COMPRESSIBILITY_D + COMPRESSIBILITY_E * vapour**2)
    dry = DRY_AIR_MOLAR_MASS_KG_MOL + CARBON_MOLAR_MASS_KG_MOL * (co2 - CIPM_REFERENCE_CO2)
    lighter = 1 - vapour * (1 - WATER_MOLAR_MASS_KG_MOL / dry)
    density: Array = ratio * dry / (compressibility * CIPM_GAS_CONSTANT) * lighter
    return density


@overload
def moist_air_density_kg_m3(
    temperature_k: float, pressure_pa: float, humidity_fraction: float, co2: float = ...
) -> float: ...
@overload
def moist_air_density_kg_m3(
    temperature_k: Array, pressure_pa: float | Array, humidity_fraction: float | Array, co2: float = ...
) -> Array: ...
def moist_air_density_kg_m3(
    temperature_k: float | Array,
    pressure_pa: float | Array,
    humidity_fraction: float | Array,
    co2: float = CIPM_REFERENCE_CO2,
) -> float | Array:
    """Density of moist air with compressibility and enhancement factor [kg/m³].

    temperature_k      scalar or shape (n,) [K]
    pressure_pa        scalar or shape (n,) [Pa], at the bench, not reduced to sea level
    humidity_fraction  scalar or shape (n,), relative humidity from 0 to 1
    co2                mole fraction of carbon dioxide
    Raises  ValueError naming the input that is not physical or has the wrong unit
    Source  CIPM-2007, Metrologia 45 (2008) 149-155
    """
    _require_air(temperature_k, pressure_pa, humidity_fraction, co2)
    density = _cipm_density(
        np.asarray(temperature_k, dtype=float),
        np.asarray(pressure_pa, dtype=float),
        np.asarray(humidity_fraction, dtype=float),
        co2,
    )
    return float(density) if density.ndim == 0 else density


def air_density_uncertainty(
    temperature_k: float,
    pressure_pa: float,
    humidity_fraction: float,
    u_temperature_k: float,
    u_pressure_pa: float,
    u_humidity_fraction: float,
    co2: float = CIPM_REFERENCE_CO2,
) -> float:
    """Standard uncertainty of the density of moist air [kg/m³].

    The three inputs are taken as independent; the formula's own 22e-6 (relative) is added.
    Raises  ValueError naming the input that is not physical, or an uncertainty that is negative or not finite
    Source  JCGM 100:2008, 5.1.2 and note 2 to 5.1.3 (sensitivities by finite differences)
    """
    _require_air(temperature_k, pressure_pa, humidity_fraction, co2)
    for name, u in (
        ("u_temperature_k", u_temperature_k),
        ("u_pressure_pa", u_pressure_pa),
        ("u_humidity_fraction", u_humidity_fraction),
    ):
        if not 0 <= u < float("inf"):
            raise ValueError(f"{name}: a standard uncertainty is zero or more and finite, found {u}")
    state = np.array([temperature_k, pressure_pa, humidity_fraction])
    # Steps small enough to be first order, large enough for 1e-9 accuracy. Humidity may step past 0 or 1:
    # the formula is smooth there, and a one-sided difference would be less accurate.
    parts = [CIPM_RELATIVE_UNCERTAINTY * float(_cipm_density(state[0], state[1], state[2], co2))]
    for index, (step, u) in enumerate(
        ((0.01, u_temperature_k), (10.0, u_pressure_pa), (1e-3, u_humidity_fraction))
    ):
        shift = np.zeros(3)
        shift[index] = step
        above, below = state + shift, state - shift
        rise = _cipm_density(above[0], above[1], above[2], co2) - _cipm_density(
            below[0], below[1], below[2], co2
        )
        parts.append(float(rise) / (2 * step) * u)
    return hypot(*parts)


@overload
def speed_of_sound_m_s(temperature_k: float) -> float: ...
@overload
def speed_of_sound_m_s(temperature_k: Array) -> Array: ...
def speed_of_sound_m_s(temperature_k: float | Array) -> float | Array:
    """Speed of sound in air [m/s].

    temperature_k  scalar or shape (n,) [K]
    Raises  ValueError for a temperature that is not physical or not in kelvin
    Source  ISO 9613-1:1993, 343.2 m/s × sqrt(T / 293.15 K)
    """
    _require_between("temperature_k", temperature_k, TEMPERATURE_BOUNDS_K, "K")
    speed = SOUND_REFERENCE_M_S * np.sqrt(np.asarray(temperature_k, dtype=float) / SOUND_REFERENCE_K)
    return float(speed) if speed.ndim == 0 else speed


@overload
def tip_mach(diameter_m: float, speed_rpm: float, temperature_k: float) -> float: ...
@overload
def tip_mach(diameter_m: float, speed_rpm: Array, temperature_k: float) -> Array: ...
def tip_mach(diameter_m: float, speed_rpm: float | Array, temperature_k: float) -> float | Array:
    """Mach number of the blade tips of a propeller that stands still in the air (no advance).

    diameter_m     propeller diameter [m]
    speed_rpm      scalar or shape (n,), mechanical speed [1/min]
    temperature_k  air temperature [K]
    Raises  ValueError for a diameter of zero or less, a negative speed, a temperature not in kelvin
    Source  tip speed π·D·n over the speed of sound of ISO 9613-1:1993
    """
    if not 0 < diameter_m < float("inf"):
        raise ValueError(f"diameter_m: a propeller's diameter is more than zero, found {diameter_m} m")
    speed = np.asarray(speed_rpm, dtype=float)
    if not bool(np.all((speed >= 0) & np.isfinite(speed))):
        raise ValueError("speed_rpm: a mechanical speed is zero or more and finite")
    mach = pi * diameter_m * speed / 60.0 / speed_of_sound_m_s(temperature_k)
    return float(mach) if mach.ndim == 0 else mach
