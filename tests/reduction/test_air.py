"""Air density against CIPM-2007 and independent equations of state; sound and tip Mach against ISO 9613-1."""

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from generator.reduction.air import (
    STANDARD_DENSITY_KG_M3,
    air_density_uncertainty,
    moist_air_density_kg_m3,
    speed_of_sound_m_s,
    tip_mach,
)

DATA = Path(__file__).parents[1] / "data"


MOIST = np.genfromtxt(
    DATA / "physics_moist_air_density.csv",
    delimiter=",",
    skip_header=5,
    usecols=range(12),
    filling_values=np.nan,
)
SOUND = np.genfromtxt(DATA / "physics_speed_of_sound.csv", delimiter=",", skip_header=3)


@pytest.mark.parametrize("row", MOIST, ids=lambda row: f"{row[0]:g}C")
def test_density_against_tables(row):
    t_c, pressure, humidity, cipm, coolprop, ideal = row[:6]
    density = moist_air_density_kg_m3(t_c + 273.15, pressure, humidity)
    # The table prints five decimals of a figure near 1: half a unit is 5e-6.
    assert density == pytest.approx(cipm, abs=5.5e-6)
    assert density == pytest.approx(coolprop, rel=5e-5)  # another equation of state, observed within 4e-5
    assert density == pytest.approx(ideal, rel=5e-4)  # moist ideal gas, observed within 4.4e-4
    if humidity >= 0.5:
        dry = pressure / (287.05287 * (t_c + 273.15))
        assert dry / density - 1 > 3e-3  # leaving the moisture out is not good enough


# Published figures, transcribed. First: mass-metrology handbook, appendix, p. 205, six digits. Others: NISTIR
# 6969, SOP 2, examples 1 and 3, by the Jones (1978) formula, which lies 5e-5 off CIPM-2007.
@pytest.mark.parametrize(
    ("t_c", "pressure", "humidity", "published", "relative"),
    [
        (10.0, 97325.34, 0.40, 1.19569, 5e-6),
        (22.3, 99738.48, 0.37, 1.17194, 8e-5),
        (23.4, 81633.30, 0.23, 0.95632, 8e-5),
    ],
)
def test_density_against_published_examples(t_c, pressure, humidity, published, relative):
    assert moist_air_density_kg_m3(t_c + 273.15, pressure, humidity) == pytest.approx(published, rel=relative)


def test_standard_density_is_dry_air_at_sea_level_within_the_formulas_difference():
    # ICAO's ideal gas and CIPM-2007's real gas differ by 4e-4 at 15 °C, 101 325 Pa.
    assert moist_air_density_kg_m3(288.15, 101325.0, 0.0) == pytest.approx(STANDARD_DENSITY_KG_M3, rel=5e-4)


def test_density_of_arrays_equals_density_of_their_elements():
    temperature = np.array([285.0, 295.0, 305.0])
    density = moist_air_density_kg_m3(temperature, 1.0e5, 0.4)
    assert density.shape == (3,)
    for t, d in zip(temperature, density, strict=True):
        assert moist_air_density_kg_m3(float(t), 1.0e5, 0.4) == pytest.approx(d, rel=1e-15)


@given(st.floats(263.15, 313.15), st.floats(6e4, 1.08e5), st.floats(0.0, 0.95))
def test_warmer_or_moister_air_is_lighter_and_more_pressure_makes_it_denser(t, p, h):
    density = moist_air_density_kg_m3(t, p, h)
    assert moist_air_density_kg_m3(t + 1, p, h) < density
    assert moist_air_density_kg_m3(t, p + 100, h) > density
    assert moist_air_density_kg_m3(t, p, h + 0.05) < density


def test_carbon_dioxide_adds_its_carbon():
    # One carbon atom on top of the oxygen it replaces: 12.011 g/mol of 28.96546 g/mol per mole fraction.
    plain = moist_air_density_kg_m3(293.15, 1e5, 0.0)
    rich = moist_air_density_kg_m3(293.15, 1e5, 0.0, co2=1400e-6)
    assert rich / plain - 1 == pytest.approx(1e-3 * 12.011 / 28.96546, rel=1e-6)


@pytest.mark.parametrize(
    ("bad", "value"),
    [
        ("temperature_k", 18.4),
        ("temperature_k", float("nan")),
        ("pressure_pa", 1004.0),
        ("pressure_pa", -1e5),
        ("humidity_fraction", 46.0),
        ("humidity_fraction", -0.1),
        ("co2", 420.0),
    ],
)
def test_input_in_the_wrong_unit_is_named(bad, value):
    good = {"temperature_k": 293.15, "pressure_pa": 1e5, "humidity_fraction": 0.4, "co2": 4e-4}
    with pytest.raises(ValueError, match=f"{bad}: .* is outside"):
        moist_air_density_kg_m3(**(good | {bad: value}))


def test_the_first_bad_element_of_an_array_is_shown():
    with pytest.raises(ValueError, match="temperature_k: 20 K is outside"):
        moist_air_density_kg_m3(np.array([293.0, 20.0, 21.0]), 1e5, 0.4)


def test_density_uncertainty_against_monte_carlo():
    # Propagation of distributions (JCGM 101) with the same input uncertainties.
    rng = np.random.default_rng(20)
    n = 40_000
    drawn = moist_air_density_kg_m3(
        295.0 + 0.5 * rng.standard_normal(n),
        98_000.0 + 150.0 * rng.standard_normal(n),
        0.5 + 0.05 * rng.standard_normal(n),
    )
    u = air_density_uncertainty(295.0, 98_000.0, 0.5, 0.5, 150.0, 0.05)
    assert u == pytest.approx(float(drawn.std()), rel=0.015)  # sampling error 0.35 %


def test_density_uncertainty_by_hand_for_dry_air():
    # Density goes as p/(Z·T). With p: relative uncertainty 1e-3 for 100 Pa of 1e5 Pa, times 1 + 3.5e-4 for
    # dZ/dp. With T, at 20 °C: 1 - Z is (p/T)(a0 + a1 t + a2 t²) = 3.5e-4 and dZ/dT 9.7e-6 per kelvin, so
    # T·dZ/dT is 2.84e-3. The formula's own 22e-6 comes on top.
    density = moist_air_density_kg_m3(293.15, 1e5, 0.0)
    of_p = air_density_uncertainty(293.15, 1e5, 0.0, 0.0, 100.0, 0.0) / density
    of_t = air_density_uncertainty(293.15, 1e5, 0.0, 0.29315, 0.0, 0.0) / density
    assert of_p == pytest.approx(np.hypot(1.00035e-3, 22e-6), rel=1e-5)
    assert of_t == pytest.approx(np.hypot(1.00284e-3, 22e-6), rel=1e-5)
    assert air_density_uncertainty(293.15, 1e5, 0.0, 0.0, 0.0, 0.0) / density == pytest.approx(22e-6)


def test_density_uncertainty_refuses_a_negative_one():
    with pytest.raises(ValueError, match="u_pressure_pa: a standard uncertainty is zero or more"):
        air_density_uncertainty(293.15, 1e5, 0.4, 0.5, -1.0, 0.02)
    with pytest.raises(ValueError, match="humidity_fraction"):
        air_density_uncertainty(293.15, 1e5, 40.0, 0.5, 1.0, 0.02)


def test_speed_of_sound():
    celsius, iso, icao, linear, coolprop = SOUND.T
    speed = speed_of_sound_m_s(celsius + 273.15)
    np.testing.assert_allclose(speed, iso, atol=5.1e-4)  # three decimals printed
    np.testing.assert_allclose(speed, icao, rtol=2e-4)
    np.testing.assert_allclose(speed, coolprop, rtol=5e-4)
    assert abs(speed[-1] / linear[-1] - 1) > 3e-3  # the linear rule is 0.35 % off at 50 °C
    assert speed_of_sound_m_s(293.15) == 343.2


def test_tip_mach():
    # Tip speed π·0.254 m·10 000/min = 132.994089 m/s over the ISO 9613-1 speeds at 15 and 20 °C, worked
    # apart.
    assert tip_mach(0.254, 10_000.0, 288.15) == pytest.approx(0.390860, abs=5e-6)
    assert tip_mach(0.254, 10_000.0, 293.15) == pytest.approx(0.387512, abs=5e-6)
    several = tip_mach(0.254, np.array([0.0, 5000.0]), 293.15)
    np.testing.assert_allclose(several, [0.0, 0.193756], atol=5e-7)


@pytest.mark.parametrize(
    ("diameter", "speed", "temperature", "bad"),
    [
        (0.0, 1000.0, 293.0, "diameter_m"),
        (0.2, -1.0, 293.0, "speed_rpm"),
        (0.2, float("nan"), 293.0, "speed_rpm"),
        (0.2, 1000.0, 20.0, "temperature_k"),
    ],
)
def test_tip_mach_names_the_bad_input(diameter, speed, temperature, bad):
    with pytest.raises(ValueError, match=bad):
        tip_mach(diameter, speed, temperature)
