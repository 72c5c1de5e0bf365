"""Rest, zero, drift and what the zero leaves in the uncertainty."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from generator.reduction.zero import (
    NoRest,
    Rest,
    RestZero,
    find_rest,
    measure_zero,
    remove_zero,
    standing_limit_rpm,
    zero_at,
    zero_standard_uncertainty,
)

T = np.arange(0.0, 10.0, 0.01)
# Standing for 2 s, running, spun down by 8 s.
SPEED = np.where((T >= 2.0) & (T < 8.0), 9000.0, 0.0)
THROTTLE = np.where((T >= 2.0) & (T < 7.5), 0.4, 0.0)
BOTH = Rest(before=(0.0, 1.9), after=(8.3, 9.99))


def test_rest_from_speed_leaves_margins():
    rest = find_rest(T, SPEED)
    assert rest.before == pytest.approx((0.0, 1.9))
    assert rest.after == pytest.approx((8.29, 9.99), abs=0.02)


def test_rest_from_throttle_alone_waits_for_the_spin_down():
    rest = find_rest(T, throttle=THROTTLE)
    assert rest.before == pytest.approx((0.0, 1.9))
    assert rest.after == pytest.approx((9.49, 9.99), abs=0.02)
    assert find_rest(T, throttle=THROTTLE, spin_down_s=2.3).after is None  # less than 0.3 s is left


def test_speed_and_throttle_must_both_rest():
    early = np.where((T >= 1.5) & (T < 7.5), 0.4, 0.0)  # throttle opens before the sensor sees motion
    rest = find_rest(T, SPEED, early)
    assert rest.before == pytest.approx((0.0, 1.4))
    assert rest.after == pytest.approx((8.29, 9.99), abs=0.02)


def test_missing_speed_leaves_it_to_the_throttle():
    speed = SPEED.copy()
    speed[T < 1.0] = np.nan
    assert find_rest(T, speed, THROTTLE).before == pytest.approx((0.0, 1.9))
    assert find_rest(T, speed).before is None


def test_windmilling_below_the_limit_counts_as_standing():
    drifting = SPEED + np.where(SPEED == 0, 100.0, 0.0)  # about 1 % of the top speed
    assert find_rest(T, drifting).before == pytest.approx((0.0, 1.9))
    assert find_rest(T, drifting, standing_rpm=50.0) == Rest(before=None, after=None)


def test_a_run_without_motion_or_without_rest():
    assert find_rest(T, np.zeros(T.size)) == Rest(before=(0.0, pytest.approx(9.99)), after=None)
    assert find_rest(T, np.full(T.size, 5000.0)) == Rest(before=None, after=None)
    assert find_rest(np.empty(0), np.empty(0)) == Rest(before=None, after=None)


@pytest.mark.parametrize(("size", "wander"), [(5.0, 0.0), (40.0, 0.0), (300.0, 0.0), (12.0, 0.9)])
def test_a_speed_sensor_that_shows_only_noise_is_all_rest(size, wander):
    noise = np.random.default_rng(3).standard_normal(T.size)
    for row in range(1, T.size):
        noise[row] = wander * noise[row - 1] + math.sqrt(1 - wander**2) * noise[row]
    # (slow wandering of more than 60 rpm could not be told from turning)
    assert find_rest(T, size * noise) == Rest(before=(0.0, pytest.approx(9.99)), after=None)


def test_noise_at_standstill_does_not_end_the_rest():
    # 2 % of the top speed, 60 rpm, would be passed by every fifth sample at rest
    speed = np.where(SPEED > 0, 3000.0, 0.0) + 45.0 * np.random.default_rng(4).standard_normal(T.size)
    rest = find_rest(T, speed)
    assert rest.before == pytest.approx((0.0, 1.9))
    assert rest.after == pytest.approx((8.29, 9.99), abs=0.02)


def test_noise_may_claim_a_tenth_of_the_top_speed_and_no_more():
    loud = SPEED + 900.0 * np.random.default_rng(5).standard_normal(T.size)
    assert standing_limit_rpm(T, loud) == pytest.approx(0.1 * np.abs(loud).max())
    assert standing_limit_rpm(T, SPEED) == pytest.approx(180.0)
    assert standing_limit_rpm(T, SPEED / 9.0) == 60.0  # one turn a second at least
    assert standing_limit_rpm(T, np.full(T.size, np.nan)) == 60.0


def test_zero_on_both_sides_and_its_drift():
    rng = np.random.default_rng(1)
    values = 0.3 + 0.02 * T + 0.05 * rng.standard_normal(T.size) + SPEED / 1000
    zero = measure_zero(T, values, BOTH)
    assert zero.before == pytest.approx(0.3 + 0.02 * 0.95, abs=0.012)
    assert zero.after == pytest.approx(0.3 + 0.02 * 9.145, abs=0.012)
    assert (zero.t_before_s, zero.t_after_s) == pytest.approx((0.95, 9.145), abs=0.01)
    # 191 independent samples of 0.05 give 0.0036; the slope within the rest adds a little.
    assert 0.0030 < zero.u_before < 0.008
    assert zero.drift == pytest.approx(0.02 * 8.195, abs=0.02)
    assert zero.u_drift == pytest.approx(np.hypot(zero.u_before, zero.u_after))
    corrected = remove_zero(T, values, zero)
    assert corrected[T < 2].mean() == pytest.approx(0.0, abs=0.01)
    assert corrected[(T > 3) & (T < 7)].mean() == pytest.approx(9.0, abs=0.02)
    assert "linear drift" in zero.statement


@given(st.floats(-100, 100), st.floats(-10, 10), st.floats(-1, 1))
def test_a_linear_drift_is_removed_exactly(offset, rate, scale):
    values = offset + rate * T + scale * SPEED
    corrected = remove_zero(T, values, measure_zero(T, values, BOTH))
    between = (T > 1.0) & (T < 9.0)
    np.testing.assert_allclose(corrected[between], scale * SPEED[between], atol=1e-8 * (1 + abs(offset)))


def two_sided(before=1.0, after=3.0, u_before=0.1, u_after=0.2):
    return RestZero(
        before=before, after=after, u_before=u_before, u_after=u_after, t_before_s=1.0, t_after_s=9.0
    )


def test_zero_is_linear_between_and_constant_beyond_the_rests():
    np.testing.assert_allclose(zero_at(two_sided(), np.array([0.0, 1.0, 5.0, 9.0, 12.0])), [1, 1, 2, 3, 3])
    assert zero_at(two_sided(), 3.0) == pytest.approx(1.5)


def test_uncertainty_by_hand():
    # |drift|/sqrt(12) = 2/sqrt(12) = 0.57735; noise sqrt((0.01 + 0.04)/2) = 0.158114; together 0.598609.
    assert zero_standard_uncertainty(two_sided()) == pytest.approx(0.598609, abs=1e-6)
    assert zero_standard_uncertainty(two_sided(after=-1.0)) == zero_standard_uncertainty(two_sided())
    assert zero_standard_uncertainty(two_sided(after=1.0)) == pytest.approx(0.158114, abs=1e-6)


@pytest.mark.parametrize("side", ["before", "after"])
def test_one_rest_only_says_that_drift_is_not_known(side):
    values = 0.5 + 0.1 * np.random.default_rng(2).standard_normal(T.size) + SPEED
    rest = Rest(before=BOTH.before, after=None) if side == "before" else Rest(before=None, after=BOTH.after)
    zero = measure_zero(T, values, rest)
    assert zero.drift is None
    assert zero.u_drift is None
    assert (
        zero.statement
        == f"zero from the rest {side} the run only; drift is not known and not in the uncertainty"
    )
    assert zero_at(zero, np.array([0.0, 20.0])) == pytest.approx([0.5, 0.5], abs=0.05)
    assert zero_standard_uncertainty(zero) == (zero.u_before if side == "before" else zero.u_after)


def test_missing_samples_and_short_rests():
    values = np.where(T < 2, np.nan, 1.0)
    zero = measure_zero(T, values, BOTH)
    assert zero.before is None
    assert zero.after == 1.0
    with pytest.raises(NoRest, match="no rest of at least 3 samples"):
        measure_zero(T, np.full(T.size, np.nan), BOTH)
    with pytest.raises(NoRest, match="no rest"):
        measure_zero(T, values, Rest(before=None, after=None))


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: find_rest(T), "rest is found from the speed or the throttle; neither is given"),
        (lambda: find_rest(T, SPEED[:5]), "time and speed differ in length: 1000 and 5"),
        (lambda: find_rest(T, throttle=SPEED[:5]), "time and throttle differ in length: 1000 and 5"),
        (lambda: measure_zero(T, SPEED[:5], BOTH), "time and values differ in length: 1000 and 5"),
    ],
)
def test_refusals(call, message):
    with pytest.raises(ValueError, match=message):
        call()
