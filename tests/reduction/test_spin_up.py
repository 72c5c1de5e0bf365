"""Spin-up of invented runs: first- and second-order steps with known durations, delays and overshoot."""

import math
from dataclasses import replace

import numpy as np
import pydantic
import pytest

from generator.reduction.spin_steps import unsettled_share
from tests.reduction.synthetic import (
    Bench,
    find,
    make_plan,
    make_rig,
    make_setup,
    names,
    outcome,
    part,
    reduced,
    sentences,
    spin_up_frame,
    with_seed,
)

LN9 = math.log(9.0)
PLAN = {"from": "4000 rpm", "to": ["16000 rpm"], "cycles": 8, "dwell": "1 s"}
NOISE = {"speed_rpm": 60.0, "current_a": 0.3}


def total(response):
    """All components in quadrature: what is the same in every run counts against the truth as well."""
    return math.hypot(*(c.contribution for c in response.components))


def score(response, truth):
    """Error over the whole stated uncertainty."""
    return (response.value - truth) / total(response)


def spin_up(bench, setup=None, plan=None, **more):
    return outcome(spin_up_frame(bench, **{"cycles": 8, **more}), "spin-up", plan or PLAN, setup)


@pytest.mark.parametrize(("rate_hz", "tau_s"), [(100.0, 0.05), (1000.0, 0.05), (1000.0, 0.12)])
@pytest.mark.parametrize("noise", [{}, NOISE], ids=["clean", "noisy"])
def test_first_order_steps_give_the_closed_forms(rate_hz, tau_s, noise):
    # 10-90 % of 1 - exp(-t/tau) lasts ln 9 · tau, half of it is reached after ln 2 · tau
    scores = {"rise_time": [], "fall_time": [], "delay_time": []}
    for seed in range(4):
        bench = Bench(rate_hz=rate_hz, seed=seed, noise=noise)
        result = spin_up(bench, tau_up_s=tau_s, tau_down_s=0.08, dead_s=0.02, jitter_s=0.05)
        scores["rise_time"].append(score(find(result, "rise_time"), 1000 * LN9 * tau_s))
        scores["fall_time"].append(score(find(result, "fall_time"), 1000 * LN9 * 0.08))
        delay = 1000 * (0.02 + tau_s * math.log(2))
        scores["delay_time"].append(score(find(result, "delay_time"), delay))
        assert total(find(result, "rise_time")) < 0.015 * 1000 * LN9 * tau_s
    for name, z in scores.items():
        assert np.max(np.abs(z)) < 3.0, name


def test_errors_over_many_runs_are_as_large_as_stated():
    rise, fall = [], []
    for seed in range(25):
        result = spin_up(Bench(rate_hz=200.0, seed=seed, noise=NOISE), tau_up_s=0.06, jitter_s=0.05)
        rise.append(score(find(result, "rise_time"), 1000 * LN9 * 0.06))
        fall.append(score(find(result, "fall_time"), 1000 * LN9 * 0.08))
    for z in (rise, fall):
        assert np.max(np.abs(z)) < 4.0  # 8 cycles: Student's t with 7 degrees of freedom
        assert 0.6 < np.sqrt(np.mean(np.square(z))) < 1.5


@pytest.mark.parametrize("tau_s", [0.02, 0.03, 0.05, 0.08])
def test_interpolation_between_samples_stays_within_its_share(tau_s):
    # No noise: what is left is straight lines between samples of 10 ms, the same however many cycles.
    result = spin_up(Bench(rate_hz=100.0), tau_up_s=tau_s, jitter_s=0.03, cycles=30)
    rise = find(result, "rise_time")
    error = rise.value - 1000 * LN9 * tau_s
    assert part(rise, "interpolation").shared  # corners are cut alike in every run
    share = part(rise, "interpolation").contribution
    assert abs(error) < 2.0 * share
    assert share < 0.12 * rise.value


def test_cycles_in_step_with_the_samples_do_not_pretend_to_average_sampling_out():
    # every edge falls at the same place between two samples: no scatter at all
    result = spin_up(Bench(rate_hz=100.0), dead_s=0.0, cycles=8)
    delay = find(result, "delay_time")
    assert abs(score(delay, 1000 * 0.05 * math.log(2))) < 2.5
    assert delay.within_run_uncertainty() > 10.0 / math.sqrt(12) * 0.99


def test_every_cycle_has_its_own_value():
    frame = spin_up_frame(Bench(rate_hz=500.0), cycles=8)
    rise = find(outcome(frame, "spin-up", PLAN), "rise_time")
    assert len(rise.per_cycle) == 8
    assert rise.value == pytest.approx(float(np.mean(rise.per_cycle)))
    assert rise.per_cycle == pytest.approx([1000 * LN9 * 0.05] * 8, rel=0.01)


@pytest.mark.parametrize("damping", [0.4, 0.6])
def test_overshoot_of_a_second_order_step(damping):
    # closed form: exp(-pi·d / sqrt(1 - d²)); largest of the noise stays on top of it, and is stated
    truth = 100 * math.exp(-math.pi * damping / math.sqrt(1 - damping**2))
    clean = find(spin_up(Bench(rate_hz=1000.0), tau_up_s=0.02, damping=damping, cycles=4), "overshoot")
    assert clean.value == pytest.approx(truth, abs=0.15)
    noisy = find(
        spin_up(Bench(rate_hz=1000.0, noise={"speed_rpm": 60.0}), tau_up_s=0.02, damping=damping, cycles=4),
        "overshoot",
    )
    stated = math.hypot(noisy.within_run_uncertainty(), part(noisy, "speed noise").contribution)
    assert abs(noisy.value - truth) < 2 * stated
    assert part(noisy, "speed noise").shared


def test_noise_alone_is_no_overshoot_beyond_what_is_stated():
    overshoot = find(spin_up(Bench(rate_hz=1000.0, noise={"speed_rpm": 60.0})), "overshoot")
    assert overshoot.value < 1.0
    assert overshoot.value < 2 * part(overshoot, "speed noise").contribution


@pytest.mark.parametrize("lag_ms", [3, 6, 15, 22])
def test_sensor_lag_is_taken_out(lag_ms):
    # A first-order sensor behind a first-order step of 50 ms: the measured step is two lags in line.
    bench = Bench(rate_hz=1000.0)
    frame = spin_up_frame(bench, cycles=8, tau_up_s=0.05, dead_s=0.02)
    true_speed = frame["speed_rpm"].to_numpy()
    keep, lagged, seen = math.exp(-1.0 / lag_ms), np.empty_like(true_speed), 0.0
    for row, value in enumerate(true_speed):
        seen = seen * keep + value * (1 - keep)
        lagged[row] = seen
    frame["speed_rpm"] = lagged
    blind = outcome(frame, "spin-up", PLAN)
    aware = outcome(frame, "spin-up", PLAN, make_setup(make_rig({"speed": {"lag": f"{lag_ms} ms"}})))
    for name, truth in (("rise_time", 1000 * LN9 * 0.05), ("delay_time", 1000 * (0.02 + 0.05 * math.log(2)))):
        response = find(aware, name)
        lag = part(response, "speed lag")
        assert lag.shared
        assert abs(response.value - truth) < 2 * math.hypot(
            lag.contribution, part(response, "interpolation").contribution
        )
        if lag_ms > 3:
            assert abs(response.value - truth) < abs(find(blind, name).value - truth)


def test_a_lag_that_hides_the_step_is_told_and_doubted():
    setup = make_setup(make_rig({"speed": {"lag": "60 ms"}}))
    result = spin_up(Bench(rate_hz=1000.0), setup)
    rise = find(result, "rise_time")
    assert "Spin-up time at 16000 rpm: not clear of the sensor's lag" in sentences(result)
    assert part(rise, "speed lag").contribution > 0.5 * rise.value


def test_unsettled_steps_are_told_and_enter():
    result = spin_up(Bench(rate_hz=500.0), tau_up_s=0.2)
    rise = find(result, "rise_time")
    truth = 1000 * LN9 * 0.2
    assert "the speed had still about" in sentences(result)
    assert rise.value < truth  # the state aimed at is not reached
    assert truth - rise.value < 2.5 * part(rise, "state levels").contribution


def test_rest_of_an_exponential_approach_is_exact():
    levels = tuple(1.0 - math.exp(-t) for t in (1.0, 2.0, 3.0))
    assert unsettled_share([levels], 1.0) == pytest.approx(math.exp(-3.0))
    assert unsettled_share([(1.0, 1.0, 1.0)], 1.0) == 0.0
    assert unsettled_share([(1.0, 1.02, 0.98)], 2.0) == pytest.approx(0.01)  # wanders: half the last change
    # two changes all but equal, as readings on a grid give: not any rest however small the changes are
    assert unsettled_share([(1.0, 1.0002, 1.0004 - 1e-15)], 1.0) == pytest.approx(0.0018, rel=1e-6)


def test_unequal_counts_are_told():
    result = spin_up(Bench(rate_hz=200.0), cycles=6)
    assert "Steps to 16000 rpm found: 6; planned: 8." in sentences(result)
    assert len(find(result, "rise_time").per_cycle) == 6
    assert "found" not in sentences(spin_up(Bench(rate_hz=200.0)))


def test_targets_are_told_apart():
    plan = PLAN | {"to": ["9000 rpm", "16000 rpm"], "cycles": 4}
    result = spin_up(Bench(rate_hz=500.0), plan=plan, targets=(9000.0, 16000.0), cycles=4)
    for target in (9000.0, 16000.0):
        rise = find(result, "rise_time", speed_rpm=target)
        assert rise.value == pytest.approx(1000 * LN9 * 0.05, rel=0.01)
        assert len(rise.per_cycle) == 4
    assert not result.findings


def test_a_speed_never_stepped_to_is_refused_and_the_other_kept():
    plan = PLAN | {"to": ["9000 rpm", "16000 rpm"]}
    result = reduced(spin_up_frame(Bench(rate_hz=200.0), cycles=8), "spin-up", plan)
    assert result.refused is None
    assert "No step from 4000 to 9000 rpm was found. Not used." in sentences(result)
    lone = reduced(spin_up_frame(Bench(rate_hz=200.0), targets=(12000.0,), cycles=4), "spin-up", PLAN)
    assert lone.refused == "No step from 4000 to 16000 rpm was found. Not used."
    assert "could not be read and are left out: 4" in sentences(lone)


def test_a_slewed_throttle_still_has_an_edge():
    result = spin_up(Bench(rate_hz=1000.0), slew_s=0.05, dead_s=0.03, jitter_s=0.01)
    # a tenth of 50 ms may pass before the edge is seen
    truth = 1000 * (0.03 + 0.05 * math.log(2))
    assert find(result, "delay_time").value == pytest.approx(truth, abs=6.0)


def test_no_throttle_no_delay_no_current_no_peak():
    frame = spin_up_frame(Bench(rate_hz=200.0), cycles=8)
    result = reduced(frame.drop(columns=["throttle", "current_a"]), "spin-up", PLAN)
    assert names(result) == {"rise_time", "fall_time", "overshoot"}
    for column in ("throttle", "current_a"):
        frame[column] = np.nan
    assert names(reduced(frame, "spin-up", PLAN)) == {"rise_time", "fall_time", "overshoot"}


def test_peak_current_carries_the_errors_of_its_channel():
    setup = make_setup(make_rig({"current": {"gain_uncertainty": "0.5 %", "resolution": 0.1}}))
    peak = find(spin_up(Bench(rate_hz=500.0, noise={"current_a": 0.05}), setup), "peak_current")
    assert peak.value == pytest.approx(250.0 / 16.0, rel=0.02)
    gain = part(peak, "current gain")
    assert gain.shared
    assert gain.contribution == pytest.approx(0.005 * peak.value, rel=1e-6)
    assert part(peak, "resolution").contribution == pytest.approx(0.1 / math.sqrt(12))
    assert not part(peak, "scatter").shared


def test_coasting_to_a_stop_between_steps_gives_no_step():
    frame = spin_up_frame(Bench(rate_hz=200.0), low=400.0, cycles=4)  # far below the planned low speed
    result = reduced(frame, "spin-up", PLAN)
    assert result.refused is not None
    assert "could not be read" in sentences(result)


def test_spikes_and_dropouts_cost_no_cycle():
    frame = spin_up_frame(Bench(rate_hz=500.0, noise=NOISE), cycles=8)
    plain = find(outcome(frame, "spin-up", PLAN), "rise_time")
    for start in (5.0, 7.7, 9.9):
        row = int(np.searchsorted(frame["time_s"], start))
        frame.loc[row, "speed_rpm"] = 60000.0
        frame.loc[row + 20 : row + 29, "speed_rpm"] = np.nan
    again = find(outcome(frame, "spin-up", PLAN), "rise_time")
    assert len(again.per_cycle) == 8
    assert abs(again.value - plain.value) < plain.within_run_uncertainty()


@pytest.mark.parametrize(
    ("block", "words"),
    [
        ({"to": ["3000 rpm"]}, "must lie above `from`"),
        ({"to": ["9000 rpm", "9000 rpm"]}, "is given twice"),
    ],
)
def test_plans_that_make_no_sense(block, words):
    with pytest.raises(pydantic.ValidationError, match=words):
        make_plan("spin-up", PLAN | block)


def test_time_origin_changes_nothing():
    frame = spin_up_frame(replace(with_seed(Bench(noise=NOISE), 3), rate_hz=256.0), cycles=8)
    plain = outcome(frame, "spin-up", PLAN)
    moved = outcome(frame.assign(time_s=frame["time_s"] + 4096.0), "spin-up", PLAN)
    for one, other in zip(plain.responses, moved.responses, strict=True):
        assert other.value == pytest.approx(one.value, rel=1e-6)
        assert other.within_run_uncertainty() == pytest.approx(one.within_run_uncertainty(), rel=1e-4)
