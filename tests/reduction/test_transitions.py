"""Step instants, durations, overshoot and settling against closed forms in the terms of IEEE Std 181."""

from pathlib import Path

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from generator.reduction.transitions import (
    NoTransition,
    find_transition,
    reference_crossing,
    sample_noise,
    state_levels,
)

DATA = Path(__file__).parents[1] / "data"
SECOND_ORDER = np.genfromtxt(DATA / "physics_second_order_step.csv", delimiter=",", skip_header=4)


def first_order(t, tau=1.0):
    return np.where(t > 0, 1 - np.exp(-np.maximum(t, 0) / tau), 0.0)


def second_order(t, zeta):
    wd = np.sqrt(1 - zeta**2)
    t = np.maximum(t, 0)
    return 1 - np.exp(-zeta * t) * (np.cos(wd * t) + zeta / wd * np.sin(wd * t))


# Closed form of 1 - exp(-t/tau): ln(10/9), ln 2, ln 10, ln 9; 2 % settling at ln 50, here from the 50 %
# instant.
def test_first_order_step_against_closed_form():
    t = np.arange(-2.0, 12.0, 0.002)
    step = find_transition(t, first_order(t), 0.0, 1.0, command_edge_s=0.0)
    assert step.rising
    assert step.delay10_s == pytest.approx(0.105360516, abs=1e-5)
    assert step.delay50_s == pytest.approx(0.693147181, abs=1e-5)
    assert step.t90_s == pytest.approx(2.302585093, abs=1e-5)
    assert step.transition_duration_s == pytest.approx(2.197224577, abs=1e-5)
    assert step.settling_time_s == pytest.approx(3.912023005 - 0.693147181, abs=1e-4)
    assert step.overshoot_percent == 0.0
    five = find_transition(t, first_order(t), 0.0, 1.0, settling_tolerance_percent=5.0)
    assert five.settling_time_s == pytest.approx(2.995732274 - 0.693147181, abs=1e-4)


@pytest.mark.parametrize("row", SECOND_ORDER, ids=lambda row: f"zeta{row[0]:g}")
def test_second_order_step_against_table(row):
    zeta, t50, t10_90, _, _, overshoot, ts5, ts2 = row[:8]
    t = np.arange(-1.0, 150.0, 0.002)
    y = second_order(t, zeta)
    step = find_transition(t, y, 0.0, 1.0, command_edge_s=0.0)
    assert step.delay50_s == pytest.approx(t50, abs=2e-5)  # five decimals printed
    assert step.transition_duration_s == pytest.approx(t10_90, abs=2e-5)
    assert step.overshoot_percent == pytest.approx(100 * overshoot, abs=2e-3)
    assert step.settling_time_s == pytest.approx(ts2 - t50, abs=1e-3)  # three decimals printed
    five = find_transition(t, y, 0.0, 1.0, settling_tolerance_percent=5.0)
    assert five.settling_time_s == pytest.approx(ts5 - t50, abs=1e-3)


def test_undershoot_is_the_first_dip_after_the_overshoot():
    # Second extreme of the underdamped response, at 2 pi/wd: 1 - exp(-2 pi z/sqrt(1 - z²)).
    t = np.arange(-1.0, 100.0, 0.002)
    step = find_transition(t, second_order(t, 0.3), 0.0, 1.0)
    assert step.undershoot_percent == pytest.approx(100 * np.exp(-2 * np.pi * 0.3 / np.sqrt(0.91)), abs=0.01)


# Ogata, Modern Control Engineering, example 5-1 (system read, answers from memory): zeta 0.6, wn 5/s give an
# overshoot of 9.5 %.
def test_overshoot_of_a_textbook_system():
    t = np.arange(-0.2, 10.0, 0.0005)
    assert find_transition(t, second_order(5.0 * t, 0.6), 0.0, 1.0).overshoot_percent == pytest.approx(
        9.5, abs=0.05
    )


def test_reference_levels_of_a_published_example():
    # Published documentation of a signal-processing package that follows IEEE 181: states 0.0138 and 5.1848
    # have their 10 and 90 % reference levels at 0.5309 and 4.6677 (four decimals).
    t = np.linspace(-1.0, 1.0, 2001)
    y = np.clip(3.0 + 10.0 * t, 0.0138, 5.1848)
    step = find_transition(t, y, 0.0138, 5.1848)
    assert 3.0 + 10.0 * step.t10_s == pytest.approx(0.5309, abs=5e-5)
    assert 3.0 + 10.0 * step.t90_s == pytest.approx(4.6677, abs=5e-5)


def test_state_levels_are_exact_for_flat_states_and_ignore_overshoot_and_spikes():
    t = np.arange(-20.0, 60.0, 0.01)
    y = 3.0 + 4.0 * second_order(t, 0.3)  # 37 % overshoot
    low, high = state_levels(y)
    assert low == 3.0
    assert high == pytest.approx(7.0, abs=0.01)
    y[500] = 400.0  # one wild sample
    y[700] = np.nan
    assert state_levels(y) == pytest.approx((low, high), abs=0.01)


def test_state_levels_in_noise():
    rng = np.random.default_rng(4)
    y = np.repeat([100.0, 500.0], 400) + 4.0 * rng.standard_normal(800)
    assert state_levels(y) == pytest.approx((100.0, 500.0), abs=2.0)


@given(st.integers(8, 200), st.integers(8, 200), st.floats(-1e4, 1e4), st.floats(1.0, 1e4), st.booleans())
def test_state_levels_of_a_clean_step(before, after, low, height, falling):
    high = low + height
    y = np.repeat([high, low] if falling else [low, high], [before, after])
    assert state_levels(y) == pytest.approx((low, high))


def test_crossing_is_interpolated():
    t = np.array([0.0, 1.0, 3.0, 4.0, 5.0])
    y = np.array([0.0, 0.0, 10.0, 2.0, 8.0])
    assert reference_crossing(t, y, 4.0, rising=True) == pytest.approx(1.8)
    assert reference_crossing(t, y, 4.0, rising=False) == pytest.approx(3.75)
    assert reference_crossing(t, y, 4.0, rising=True, start=2) == pytest.approx(4 + 2 / 6)
    with pytest.raises(NoTransition, match="the level 20 is not passed upwards"):
        reference_crossing(t, y, 20.0, rising=True)
    with pytest.raises(NoTransition, match="the level 4 is not passed downwards"):
        reference_crossing(t, y, 4.0, rising=False, start=3)


@given(st.floats(-1e3, 1e3), st.floats(0.01, 100), st.floats(-1e4, 1e4), st.floats(0.1, 1e3))
def test_moving_and_stretching_time_and_values(origin, stretch, offset, scale):
    t = np.arange(-1.0, 16.0, 0.02)
    y = second_order(t, 0.5)
    a = find_transition(t, y, 0.0, 1.0)
    b = find_transition(origin + stretch * t, offset + scale * y, offset, offset + scale)
    assert b.t50_s == pytest.approx(origin + stretch * a.t50_s, abs=1e-6)
    assert b.transition_duration_s == pytest.approx(stretch * a.transition_duration_s, rel=1e-5)
    assert b.overshoot_percent == pytest.approx(a.overshoot_percent, abs=1e-5)
    assert b.settling_time_s == pytest.approx(stretch * a.settling_time_s, rel=1e-4)


@given(st.floats(0.2, 0.9))
def test_a_falling_step_is_a_rising_one_upside_down(zeta):
    t = np.arange(-1.0, 40.0, 0.01)
    y = second_order(t, zeta)
    up, down = find_transition(t, y, 0.0, 1.0), find_transition(t, 5.0 - y, 4.0, 5.0)
    assert up.rising
    assert not down.rising
    for name in ("t10_s", "t50_s", "t90_s", "overshoot_percent", "undershoot_percent", "u_t50_s"):
        assert getattr(down, name) == pytest.approx(getattr(up, name), abs=1e-9)


# The spread of the error over many steps with random phase against the uncertainty given; interval in time
# constants.
@pytest.mark.parametrize("interval", [0.02, 0.1, 0.4, 1.0])
@pytest.mark.parametrize("noise", [0.0, 0.01])
def test_uncertainties_match_the_errors_made(interval, noise):
    rng = np.random.default_rng(11)
    errors, stated = [], []
    for _ in range(150):
        start = interval * rng.random()
        t = np.arange(-5.0, 20.0, interval)
        t += 0.3 * interval * (rng.random(t.size) - 0.5)
        y = first_order(t - start) + noise * rng.standard_normal(t.size)
        step = find_transition(t, y, 0.0, 1.0)
        errors.append(
            [
                step.t10_s - start - 0.105360516,
                step.t50_s - start - 0.693147181,
                step.t90_s - start - 2.302585093,
                step.transition_duration_s - 2.197224577,
            ]
        )
        stated.append([step.u_t10_s, step.u_t50_s, step.u_t90_s, step.u_transition_duration_s])
    made = np.sqrt(np.mean(np.square(errors), axis=0))
    given_u = np.sqrt(np.mean(np.square(stated), axis=0))
    assert (made <= 1.25 * given_u).all()  # not claimed surer than it is
    assert (given_u <= interval).all() or noise > 0  # nor beyond what the sampling can do


def test_an_edge_within_one_interval_is_known_within_that_interval():
    t = np.arange(0.0, 2.0, 0.1)
    step = find_transition(
        t, np.where(t > 1.05, 1.0, 0.0), command_edge_s=1.0, command_edge_uncertainty_s=0.03
    )
    assert step.t50_s == pytest.approx(1.05)
    assert step.u_t50_s == pytest.approx(0.1 / np.sqrt(12))  # rectangular over the interval
    assert step.u_t10_s == pytest.approx(0.1 * np.sqrt(1 / 12 + 0.4**2))
    assert step.delay50_s == pytest.approx(0.05)
    assert step.u_delay50_s == pytest.approx(np.hypot(0.03, step.u_t50_s))
    assert step.u_delay10_s == pytest.approx(np.hypot(0.03, step.u_t10_s))


def test_noise_is_measured_across_ramps_and_uneven_steps():
    rng = np.random.default_rng(8)
    t = np.cumsum(rng.uniform(0.5, 1.5, 4000))
    assert sample_noise(t, 3.0 * t) == pytest.approx(0.0, abs=1e-9)
    assert sample_noise(t, 3.0 * t + 0.7 * rng.standard_normal(4000)) == pytest.approx(0.7, rel=0.06)
    assert sample_noise(t[:2], t[:2]) == 0.0


def test_noise_does_not_shorten_or_split_the_step():
    rng = np.random.default_rng(5)
    t = np.arange(-3.0, 10.0, 0.005)
    durations = [
        find_transition(
            t, first_order(t) + 0.03 * rng.standard_normal(t.size), 0.0, 1.0
        ).transition_duration_s
        for _ in range(60)
    ]
    assert np.mean(durations) == pytest.approx(2.197224577, rel=0.06)


def test_a_spike_before_the_step_is_passed_over():
    t = np.arange(-2.0, 8.0, 0.01)
    y = first_order(t)
    clean = find_transition(t, y, 0.0, 1.0)
    y[50] = 1.4
    spiked = find_transition(t, y, 0.0, 1.0)
    assert (spiked.t10_s, spiked.t50_s, spiked.t90_s) == (clean.t10_s, clean.t50_s, clean.t90_s)


def test_the_next_step_back_ends_the_state():
    t = np.arange(-2.0, 20.0, 0.01)
    y = first_order(t) - first_order(t - 10.0)
    pulse, alone = find_transition(t, y, 0.0, 1.0), find_transition(t, first_order(t), 0.0, 1.0)
    assert pulse.settling_time_s == pytest.approx(alone.settling_time_s)
    fall = find_transition(t, y, 0.0, 1.0, start_s=8.0, command_edge_s=10.0)
    assert not fall.rising
    assert fall.delay10_s == pytest.approx(0.105360516, abs=1e-4)
    short = first_order(t) - first_order(t - 3.0)  # falls before it has come within 2 %
    assert find_transition(t, short, 0.0, 1.0).settling_time_s is None


def test_steady_vibration_is_not_an_unsettled_state():
    t = np.arange(-2.0, 20.0, 0.01)
    y = first_order(t) + np.where(t > 1, 0.025 * np.sin(40 * t), 0.0)
    step = find_transition(t, y, 0.0, 1.0)
    assert step.settling_band_percent > 5.0
    assert 0.5 < step.settling_time_s < 3.0
    shaken = find_transition(t, first_order(t) + np.where(t > 1, 0.2 * np.sin(40 * t), 0.0), 0.0, 1.0)
    assert shaken.settling_band_percent > 10.0
    assert shaken.settling_time_s is None


def test_missing_samples_are_left_out():
    t = np.arange(-2.0, 8.0, 0.01)
    y = first_order(t)
    y[::7] = np.nan
    assert find_transition(t, y, 0.0, 1.0).transition_duration_s == pytest.approx(2.197224577, abs=1e-3)


@given(st.integers(0, 100))
def test_levels_found_agree_with_levels_given(seed):
    rng = np.random.default_rng(seed)
    t = np.arange(-10.0, 20.0, 0.02)
    y = 200.0 + 900.0 * first_order(t) + 5.0 * rng.standard_normal(t.size)
    found, given_levels = find_transition(t, y), find_transition(t, y, 200.0, 1100.0)
    assume(found.rising)
    assert found.amplitude == pytest.approx(900.0, rel=0.02)
    assert found.t50_s == pytest.approx(given_levels.t50_s, abs=0.03)


T = np.arange(0.0, 4.0, 0.01)


@pytest.mark.parametrize(
    ("values", "keys", "message"),
    [
        (np.full(400, 3.0), {}, "all samples lie at one level, 3"),
        (np.full(400, 0.0), {"low": 0.0, "high": 1.0}, "the 90 % level is never reached"),
        (np.where(T > 2, 0.8, 0.0), {"low": 0.0, "high": 1.0}, "the 90 % level is never reached"),
        (np.where(T > 2, 1.0, 0.3), {"low": 0.0, "high": 1.0}, "starts after the step has begun"),
        (np.random.default_rng(0).standard_normal(400), {}, "does not stand out of noise"),
        (np.where(T > 2, 1.0, 0.0), {"start_s": 1.0, "stop_s": 1.02}, "at least 4 samples, found 3"),
        (np.full(400, np.nan), {}, "at least 4 samples, found 0"),
    ],
)
def test_no_transition(values, keys, message):
    with pytest.raises(NoTransition, match=message):
        find_transition(T, values, **keys)


def test_bad_arguments():
    with pytest.raises(ValueError, match="the high level must lie above the low level"):
        find_transition(T, T, 2.0, 1.0)
    with pytest.raises(ValueError, match="differ in length"):
        find_transition(T, T[:-1])
    with pytest.raises(NoTransition, match="at least 4 samples, found 2"):
        state_levels(np.array([1.0, 2.0]))
