"""One-node thermal model against closed forms, an ODE solver and simulated recoveries."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from generator.reduction.thermal import (
    fit_first_order,
    pulsed_steady_state,
    seconds_to_limit,
    simulate_rise_k,
)

# Closed forms of C dT/dt = P - dT/R, worked apart and checked against ODE integration to 1e-6; no published
# worked example of the pulsed case is known to us. P in W, R in K/W, C in J/K, times in s, rises in K.
PULSED = [
    # P, R, C, on, off, continuous, first peak, max, min, mean
    (10, 5, 20, 30, 60, 50, 12.959089, 21.837591, 11.984724, 16.666667),
    (100, 0.5, 120, 10, 50, 50, 7.675914, 12.143117, 5.277377, 8.333333),
    (50, 1.2, 250, 300, 300, 60, 37.927234, 43.863515, 16.136485, 30.0),
]
# Short-time overload: allowed loss ratio 1/(1 - exp(-t/tau)), four decimals.
OVERLOAD = [(0.1, 10.5083), (0.25, 4.5208), (0.5, 2.5415), (1.0, 1.5820), (2.0, 1.1565)]


def cycles(on, off, count, step):
    """Times and power of `count` on/off cycles; the steps hit every switching instant."""
    t = np.arange(0.0, count * (on + off) + step / 2, step)
    return t, (np.mod(t + step / 4, on + off) < on).astype(float)


@pytest.mark.parametrize(("p", "r", "c", "on", "off", "continuous", "first", "high", "low", "mean"), PULSED)
def test_pulses_against_closed_forms(p, r, c, on, off, continuous, first, high, low, mean):
    assert p * r == continuous
    state = pulsed_steady_state(p * r, r * c, on, off)
    assert state.max_rise_k == pytest.approx(high, rel=1e-6)
    assert state.min_rise_k == pytest.approx(low, rel=1e-6)
    assert state.mean_rise_k == pytest.approx(mean, rel=1e-6)
    t, power = cycles(on, off, 60, 10.0)
    rise = simulate_rise_k(t, power, p * r, r * c)
    assert rise[t == on][0] == pytest.approx(first, rel=1e-6)
    assert rise[-round((on + off) / 10) :].max() == pytest.approx(high, rel=1e-6)
    assert rise[-1] == pytest.approx(low, rel=1e-6)


@pytest.mark.parametrize(("share", "ratio"), OVERLOAD)
def test_short_time_overload(share, ratio):
    rise = simulate_rise_k(np.array([0.0, 80.0 * share]), np.ones(2), ratio, 80.0)
    assert rise[-1] == pytest.approx(1.0, abs=1e-4)


def test_simulation_over_uneven_steps_matches_an_ode_solver():
    rng = np.random.default_rng(1)
    t = np.cumsum(rng.uniform(0.2, 6.0, 60))
    power = rng.uniform(0.0, 1.0, 60)

    def slope(time, rise):
        return (40.0 * power[np.searchsorted(t, time, side="right") - 1] - rise) / 25.0

    rise = [7.0]
    for k in range(59):
        # Just short of the next sample, so that the solver sees one power only.
        leg = solve_ivp(slope, (t[k], t[k + 1] * (1 - 1e-12)), [rise[-1]], rtol=1e-10, atol=1e-10)
        rise.append(leg.y[0, -1])
    np.testing.assert_allclose(simulate_rise_k(t, power, 40.0, 25.0, 7.0), rise, rtol=1e-7)


@given(st.integers(0, 50), st.floats(1.0, 500.0), st.integers(2, 20))
def test_extra_samples_change_nothing(seed, tau, count):
    rng = np.random.default_rng(seed)
    t = np.cumsum(rng.uniform(0.1, 10.0, count))
    power = rng.integers(0, 2, count).astype(float)
    between = (t[:-1] + t[1:]) / 2
    finer = np.sort(np.concatenate((t, between)))
    held = power[np.searchsorted(t, finer, side="right") - 1]
    coarse = simulate_rise_k(t, power, 30.0, tau, 5.0)
    np.testing.assert_allclose(simulate_rise_k(finer, held, 30.0, tau, 5.0)[::2], coarse, rtol=1e-12)


def test_simulation_of_nothing():
    assert simulate_rise_k(np.empty(0), np.empty(0), 1.0, 1.0).size == 0


@pytest.mark.parametrize(
    ("on", "off", "count", "tau"), [(30, 60, 5, 100.0), (20, 20, 8, 60.0), (300, 1, 1, 90.0)]
)
@pytest.mark.parametrize("initial", [None, 3.0])
def test_fit_recovers_a_clean_pattern_exactly(on, off, count, tau, initial):
    t, power = cycles(on, off, count, 1.0)
    if count == 1:  # the last row already switches on again
        t, power = t[:-1], power[:-1]
    rise = simulate_rise_k(t, power, 45.0, tau, 3.0)
    fit = fit_first_order(t, rise, power, initial_rise_k=initial)
    assert fit.time_constant_s == pytest.approx(tau, rel=1e-5)
    assert fit.continuous_rise_k == pytest.approx(45.0, rel=1e-5)
    assert fit.initial_rise_k == pytest.approx(3.0, abs=1e-4)
    assert fit.identifiable
    assert fit.reason == ""
    assert fit.samples == t.size
    if count > 1:
        expected = pulsed_steady_state(45.0, tau, on, off).max_rise_k
        assert fit.duty_settled_peak_rise_k == pytest.approx(expected, rel=1e-5)
    else:
        assert fit.duty_settled_peak_rise_k is None


def test_a_rough_first_search_finds_what_a_search_with_all_rows_finds(monkeypatch):
    # Of 4000 rows one in ten is looked at first. Switching twice in ten rows hides the pattern from them.
    rng = np.random.default_rng(7)
    for on, off in ((40.0, 20.0), (2.0, 3.0)):
        t = np.arange(0.0, 2000.0, 0.5)
        power = (np.mod(t + 0.1, on + off) < on).astype(float)
        rise = simulate_rise_k(t, power, 45.0, 60.0, 3.0) + 0.5 * rng.standard_normal(t.size)
        rough = fit_first_order(t, rise, power)
        with monkeypatch.context() as patch:
            patch.setattr("generator.reduction.thermal.SEARCH_ROWS", t.size)
            whole = fit_first_order(t, rise, power)
        assert rough.time_constant_s == pytest.approx(whole.time_constant_s, rel=1e-6)
        assert rough.u_time_constant_s == pytest.approx(whole.u_time_constant_s, rel=1e-6)


def test_power_left_on_settles_at_the_continuous_rise():
    t = np.arange(0.0, 200.0)
    power = (t >= 20).astype(float)
    fit = fit_first_order(t, simulate_rise_k(t, power, 30.0, 50.0), power)
    assert fit.duty_settled_peak_rise_k == pytest.approx(30.0, rel=1e-5)


# 200 seeded noisy soaks: the errors made, over the standard uncertainties stated, spread by about one.
@pytest.mark.parametrize("phi", [0.0, 0.8])
def test_uncertainties_of_the_fit_are_honest(phi):
    rng = np.random.default_rng(12)
    t, power = cycles(20, 20, 6, 1.0)
    clean = simulate_rise_k(t, power, 50.0, 70.0, 2.0)
    peak = pulsed_steady_state(50.0, 70.0, 20, 20).max_rise_k
    scores = []
    for _ in range(200):
        shocks = rng.standard_normal(t.size)
        noise = np.empty(t.size)
        noise[0] = shocks[0]
        for k in range(1, t.size):
            noise[k] = phi * noise[k - 1] + np.sqrt(1 - phi**2) * shocks[k]
        fit = fit_first_order(t, clean + 0.3 * noise, power)
        scores.append(
            [
                (fit.time_constant_s - 70.0) / fit.u_time_constant_s,
                (fit.continuous_rise_k - 50.0) / fit.u_continuous_rise_k,
                (fit.initial_rise_k - 2.0) / fit.u_initial_rise_k,
                (fit.duty_settled_peak_rise_k - peak) / fit.u_duty_settled_peak_rise_k,
            ]
        )
        assert fit.covariance[0][0] == pytest.approx(fit.u_time_constant_s**2)
        assert fit.covariance[0][1] == pytest.approx(fit.covariance[1][0])
    spread = np.sqrt(np.mean(np.square(scores), axis=0))
    assert (spread < 1.25).all()
    assert (spread > 0.5).all()


def test_missing_rises_are_not_fitted():
    t, power = cycles(30, 60, 4, 1.0)
    rise = simulate_rise_k(t, power, 45.0, 100.0)
    rise[40:80] = np.nan
    fit = fit_first_order(t, rise, power)
    assert fit.time_constant_s == pytest.approx(100.0, rel=1e-5)
    assert fit.samples == t.size - 40


def test_what_cannot_be_known_is_said():
    rng = np.random.default_rng(3)
    t = np.arange(0.0, 30.0, 0.5)
    power = np.ones(t.size)
    short = fit_first_order(t, simulate_rise_k(t, power, 60.0, 900.0), power)
    assert not short.identifiable
    assert "too short" in short.reason
    vague = fit_first_order(
        t, simulate_rise_k(t, power, 60.0, 55.0) + 8.0 * rng.standard_normal(t.size), power
    )
    assert not vague.identifiable
    assert "known only within" in vague.reason
    flat = fit_first_order(t, 0.2 * rng.standard_normal(t.size), power)
    assert not flat.identifiable
    with pytest.raises(ValueError, match="the fit cannot be projected: the record of"):
        seconds_to_limit(short, 40.0, 2.0, 2.0)


def known_fit(tau=100.0, settled=50.0):
    t, power = cycles(30, 60, 6, 1.0)
    exact = fit_first_order(t, simulate_rise_k(t, power, settled, tau), power)
    return replace(exact, time_constant_s=tau, continuous_rise_k=settled)


@given(st.floats(0.5, 49.0), st.integers(5, 40), st.integers(0, 60), st.sampled_from([0.0, 4.0]))
def test_time_to_a_limit_agrees_with_simulation(limit, on, off, initial):
    fit = FIT
    seconds = seconds_to_limit(fit, limit, on, off, initial)
    count = int(min(np.ceil(4000 / (on + off)), 400))
    t, power = cycles(on, off, count, 0.25) if off else (np.arange(0.0, 4000.0, 0.25), np.ones(16000))
    rise = simulate_rise_k(t, power, 50.0, 100.0, initial)
    over = np.flatnonzero(rise >= limit)
    if limit <= initial:
        assert seconds == 0.0
    elif np.isinf(seconds):
        assert over.size == 0
    elif seconds <= t[-1] - 0.25:
        assert t[over[0]] - 0.25 - 1e-6 <= seconds <= t[over[0]] + 1e-6


FIT = known_fit()


def test_time_to_a_limit_by_hand():
    # Continuous power: t = tau ln(S/(S - L)); half way takes tau ln 2.
    assert seconds_to_limit(FIT, 25.0, 10.0, 0.0) == pytest.approx(100.0 * np.log(2))
    # First of the pulsed cases: the first peak is 12.959 K, the settled one 21.838 K.
    assert seconds_to_limit(FIT, 12.959, 30, 60) == pytest.approx(30.0, abs=1e-3)
    assert 90 < seconds_to_limit(FIT, 12.96, 30, 60) < 120
    assert seconds_to_limit(FIT, 21.9, 30, 60) == float("inf")
    assert seconds_to_limit(FIT, 50.0, 30, 0) == float("inf")
    assert seconds_to_limit(FIT, pulsed_steady_state(50.0, 100.0, 30, 60).max_rise_k, 30, 60) == float("inf")
    # A part warmer than the settled pattern cools from pulse to pulse: it exceeds the limit in the first or
    # never.
    assert seconds_to_limit(FIT, 35.0, 10.0, 80.0, initial_rise_k=34.0) == pytest.approx(
        100 * np.log(16 / 15)
    )
    assert seconds_to_limit(FIT, 36.0, 5.0, 80.0, initial_rise_k=34.0) == float("inf")


T = np.arange(10.0)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: simulate_rise_k(T, np.ones(9), 1.0, 1.0), "time and power differ in length: 10 and 9"),
        (lambda: simulate_rise_k(T, np.ones(10), 1.0, 0.0), "time_constant_s: must be more than zero"),
        (
            lambda: simulate_rise_k(T[::-1], np.ones(10), 1.0, 1.0),
            "time_s: must be finite and strictly increasing",
        ),
        (lambda: pulsed_steady_state(1.0, -1.0, 1.0, 1.0), "time_constant_s: must be more than zero"),
        (lambda: pulsed_steady_state(1.0, 1.0, 0.0, 1.0), "on_s: must be more than zero"),
        (lambda: pulsed_steady_state(1.0, 1.0, 1.0, -1.0), "off_s: must be zero or more"),
        (lambda: fit_first_order(T, T[:5], np.ones(10)), "differ in length: 10, 5, 10"),
        (lambda: fit_first_order(T, np.full(10, np.nan), np.ones(10)), "at least 5 rises, found 0"),
        (lambda: fit_first_order(T, T, np.zeros(10)), "the power is never on"),
        (lambda: fit_first_order(T, T, np.full(10, np.nan)), "power_fraction: must be finite"),
    ],
)
def test_refusals(call, message):
    with pytest.raises(ValueError, match=message):
        call()
