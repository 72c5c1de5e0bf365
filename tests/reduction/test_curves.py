"""Interpolated curves: exactness, shape, uncertainty, refusal to go beyond the ends."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from generator.reduction.curves import (
    OutsideCurve,
    common_range,
    hysteresis,
    interpolate,
    interpolate_power_law,
    make_curve,
    swap_axes,
)


def exact(x, y):
    return make_curve(np.asarray(x, dtype=float), np.asarray(y, dtype=float), np.zeros(len(x)))


def worst(steps, law, way):
    """Largest relative error between even steps from 20 to 100 % speed."""
    knots, grid = np.linspace(0.2, 1.0, steps), np.linspace(0.2, 1.0, 2001)
    return float(np.abs(way(exact(knots, law(knots)), grid)[0] / law(grid) - 1).max())


# The figures that the module gives as reason for its advice. They are computed, not published.
@pytest.mark.parametrize(
    ("steps", "thrust", "power", "with_idle"), [(5, 0.014, 0.120, 0.047), (8, 0.0047, 0.027, 0.0094)]
)
def test_plain_interpolation_errs_on_power_laws_and_logarithms_do_not(steps, thrust, power, with_idle):
    assert worst(steps, lambda n: n**2, interpolate) == pytest.approx(thrust, rel=0.05)
    assert worst(steps, lambda n: n**3, interpolate) == pytest.approx(power, rel=0.05)
    assert worst(steps, lambda n: n**3 + 0.02, interpolate) == pytest.approx(with_idle, rel=0.05)
    assert worst(steps, lambda n: n**2, interpolate_power_law) < 1e-12
    assert worst(steps, lambda n: n**3, interpolate_power_law) < 1e-12
    assert worst(steps, lambda n: n**3 + 0.02, interpolate_power_law) < 1.3 * with_idle


@given(st.floats(0.5, 3.5), st.floats(1e-3, 1e3), st.integers(3, 9))
def test_power_law_is_exact_for_any_power(exponent, factor, steps):
    x = np.linspace(3000.0, 18000.0, steps)
    grid = np.linspace(3000.0, 18000.0, 57)
    value, u = interpolate_power_law(exact(x, factor * x**exponent), grid)
    np.testing.assert_allclose(value, factor * grid**exponent, rtol=1e-9)
    assert (u == 0).all()


# Flat or rising; rises below 1e-300 would take the slopes inside PCHIP out of floating-point range.
RISES = st.one_of(st.just(0.0), st.floats(1e-12, 100.0))


@given(st.lists(st.floats(0.01, 100.0), min_size=3, max_size=12), st.lists(RISES, min_size=3, max_size=12))
def test_monotone_points_give_a_monotone_curve_through_them(dx, dy):
    n = min(len(dx), len(dy))
    x, y = np.cumsum(dx[:n]), np.cumsum(dy[:n])
    curve = exact(x, y)
    grid = np.linspace(x[0], x[-1], 300)
    value, _ = interpolate(curve, grid)
    assert (np.diff(value) >= -1e-9 * max(1.0, y[-1])).all()
    np.testing.assert_allclose(interpolate(curve, x)[0], y, rtol=1e-12, atol=1e-12)


def test_uncertainty_at_a_point_and_between():
    curve = make_curve(np.arange(5.0), 2.0 * np.arange(5.0), np.array([0.1, 0.2, 0.1, 0.1, 0.4]))
    np.testing.assert_allclose(interpolate(curve, np.arange(5.0))[1], [0.1, 0.2, 0.1, 0.1, 0.4], rtol=1e-9)
    value, u = interpolate(curve, 2.5)
    assert value == pytest.approx(5.0)
    # Between two points it is mostly their mean: about 0.1/sqrt(2), with a little of the neighbours.
    assert 0.06 < float(u) < 0.1


@pytest.mark.parametrize("way", [interpolate, interpolate_power_law])
def test_uncertainty_against_monte_carlo(way):
    rng = np.random.default_rng(6)
    x = np.linspace(4.0, 16.0, 6)
    y, u_y = 0.1 * x**3, 0.004 * x**3
    grid = np.array([4.0, 5.1, 9.0, 12.7, 15.5])
    drawn = [way(make_curve(x, y + u_y * rng.standard_normal(6), u_y), grid)[0] for _ in range(1500)]
    np.testing.assert_allclose(way(make_curve(x, y, u_y), grid)[1], np.std(drawn, axis=0), rtol=0.1)


def test_points_are_sorted_and_repeats_averaged_by_weight():
    curve = make_curve(
        np.array([3.0, 1.0, 2.0, 2.0]), np.array([9.0, 1.0, 4.0, 4.3]), np.array([0.1, 0.1, 0.1, 0.2])
    )
    assert curve.x == (1.0, 2.0, 3.0)
    # Weights 1/0.01 and 1/0.04, 4 to 1: mean 4.06. Internal 1/sqrt(125) = 0.0894; external
    # sqrt((0.8·0.06² + 0.2·0.24²)/1) = 0.12, the larger.
    assert curve.y == pytest.approx((1.0, 4.06, 9.0))
    assert curve.u_y == pytest.approx((0.1, 0.12, 0.1))


def test_near_points_are_averaged_within_the_width_given():
    x = np.array([1000.0, 1003.0, 2000.0, 3000.0])
    curve = make_curve(x, np.array([1.0, 1.2, 4.0, 9.0]), np.zeros(4), same_within=5.0)
    assert curve.x == (1001.5, 2000.0, 3000.0)
    assert curve.y[0] == pytest.approx(1.1)
    assert curve.u_y[0] == pytest.approx(0.1)  # half the difference of two: their standard error
    assert len(exact(x, x).x) == 4


@pytest.mark.parametrize("way", [interpolate, interpolate_power_law])
@pytest.mark.parametrize("x", [0.99, 4.01, float("nan")])
def test_nothing_beyond_the_ends(way, x):
    with pytest.raises(OutsideCurve, match="lies outside the measured range 1 to 4"):
        way(exact([1, 2, 4], [1, 4, 16]), np.array([2.0, x]))


def test_rounding_at_the_ends_is_forgiven():
    curve = exact([0.1, 0.2, 0.3], [1.0, 2.0, 3.0])
    assert interpolate(curve, 0.1 + 0.2)[0] == 3.0


def test_common_range():
    a, b = exact([1, 2, 5], [1, 2, 3]), exact([2, 4, 9], [1, 2, 3])
    assert common_range(a, b) == common_range(b, a) == (2.0, 5.0)
    with pytest.raises(OutsideCurve, match="no common range: 1 to 5 and 6 to 8"):
        common_range(a, exact([6, 7, 8], [1, 2, 3]))


@given(st.floats(2.0, 9.5))
def test_swapped_axes_find_the_way_back(x):
    knots = np.linspace(1.0, 10.0, 10)
    curve = exact(knots, knots**2)
    back, _ = interpolate_power_law(swap_axes(curve), interpolate_power_law(curve, x)[0])
    assert back == pytest.approx(x, rel=1e-9)


def test_swapped_axes_turn_the_uncertainty_by_the_slope():
    knots = np.linspace(1.0, 10.0, 10)
    swapped = swap_axes(make_curve(knots, -4.0 * knots, np.full(10, 0.2)))
    assert swapped.x[0] == -40.0
    np.testing.assert_allclose(swapped.u_y, 0.05, rtol=1e-9)
    flat_end = swap_axes(make_curve(np.array([0.0, 1.0, 2.0]), np.array([0.0, 0.1, 4.0]), np.full(3, 0.1)))
    assert np.isfinite(flat_end.u_y).all()
    with pytest.raises(ValueError, match="only if it rises or falls all the way"):
        swap_axes(exact([1, 2, 3], [1, 3, 2]))


def test_hysteresis_of_shifted_and_bent_curves():
    x = np.linspace(0.0, 10.0, 11)
    shifted = hysteresis(
        make_curve(x, 3 * x + 0.5, np.full(11, 0.03)), make_curve(x + 2, 3 * (x + 2), np.full(11, 0.04))
    )
    assert (shifted.lowest, shifted.highest) == (2.0, 10.0)
    assert shifted.mean_difference == pytest.approx(0.5)
    assert shifted.max_difference == pytest.approx(0.5)
    assert shifted.u_max_difference <= 0.05 + 1e-9
    bent = hysteresis(exact(x, 0 * x), exact(x, np.where(x == 7, 1.0, 0.0)))
    assert bent.max_difference == pytest.approx(-1.0)
    assert bent.at_x == 7.0
    assert -0.2 < bent.mean_difference < 0


@pytest.mark.parametrize(
    ("x", "y", "u", "message"),
    [
        ([1, 2], [1, 2], [0, 0], "at least 3 different points, found 2"),
        ([1, 1, 1, 2], [1, 2, 3, 4], [0, 0, 0, 0], "at least 3 different points, found 2"),
        ([], [], [], "at least 3 different points, found 0"),
        ([1, 2, 3], [1, 2], [0, 0], "differ in length: 3, 2, 2"),
        ([1, 2, float("nan")], [1, 2, 3], [0, 0, 0], "finite points"),
        ([1, 2, 3], [1, 2, 3], [0, -1, 0], "u_y: a standard uncertainty is zero or more"),
    ],
)
def test_refusals(x, y, u, message):
    with pytest.raises(ValueError, match=message):
        make_curve(np.array(x, dtype=float), np.array(y, dtype=float), np.array(u, dtype=float))


def test_power_law_needs_values_above_zero():
    with pytest.raises(ValueError, match="above zero everywhere"):
        interpolate_power_law(exact([0, 1, 2], [1, 2, 3]), 1.5)
