"""Staircases of invented runs: T = c·n², P = c·n³, read at equal thrust, speed and throttle."""

import math

import numpy as np
import pydantic
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.reduction.synthetic import (
    GF_PER_N,
    POWER_PER_N3,
    THRUST_PER_N2,
    Bench,
    find,
    make_plan,
    make_rig,
    make_setup,
    names,
    outcome,
    part,
    reduced,
    score,
    sentences,
    staircase_frame,
    with_seed,
)

STEPS = [0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0]
PLAN = {
    "throttle": [f"{100 * s:.0f} %" for s in STEPS],
    "step": "2 s",
    "average": "1 s",
    "compare_at": {"speed": ["15000 rpm"], "thrust": ["500 gf"], "throttle": ["50 %"]},
}
NOISE = {"speed_rpm": 40.0, "thrust_n": 0.05, "voltage_v": 0.03, "current_a": 0.2, "sound_level_db": 0.5}
CLEAN = Bench(rate_hz=25.0)
NOISY = Bench(rate_hz=25.0, noise=NOISE)


def truth(name, rpm):
    thrust, power = THRUST_PER_N2 * rpm**2 * GF_PER_N, POWER_PER_N3 * rpm**3
    return {
        "electrical_power": power,
        "thrust": thrust,
        "thrust_per_power": thrust / power,
        "speed": rpm,
        "sound_level": 60 + 50 * math.log10(rpm / 1000),
    }[name]


SPEED_AT_500_GF = math.sqrt(500 / GF_PER_N / THRUST_PER_N2)
CONDITIONS = (
    ({"speed_rpm": 15000.0}, 15000.0, ("electrical_power", "thrust", "thrust_per_power")),
    ({"thrust_gf": 500.0}, SPEED_AT_500_GF, ("electrical_power", "speed", "thrust_per_power")),
    ({"throttle_percent": 50.0}, 10000.0, ("electrical_power", "thrust", "speed", "thrust_per_power")),
)


@pytest.mark.parametrize("slew_s", [0.0, 0.4])
@pytest.mark.parametrize("rate_hz", [50.0, 1000.0])
def test_power_laws_are_read_exactly(slew_s, rate_hz):
    result = outcome(staircase_frame(Bench(rate_hz=rate_hz), slew_s=slew_s), "staircase", PLAN)
    for at, rpm, wanted in CONDITIONS:
        for name in wanted:
            assert find(result, name, **at).value == pytest.approx(truth(name, rpm), rel=1e-6)
    assert find(result, "top_speed").value == pytest.approx(20000.0)
    assert find(result, "top_thrust").value == pytest.approx(truth("thrust", 20000.0))
    # a level in dB is not a power law; between steps of 5 dB its curve errs by little
    assert find(result, "sound_level", speed_rpm=15000.0).value == pytest.approx(
        truth("sound_level", 15000.0), abs=0.1
    )
    assert len(result.steps) == 17
    assert [s.direction for s in result.steps] == ["up"] * 9 + ["down"] * 8
    # the bench of this file has no resistance, which the motor fit rightly finds odd
    assert {finding.kind for finding in result.findings} <= {"throttle is not the duty"}


def test_errors_are_no_larger_than_stated():
    scores = {}
    for seed in range(8):
        result = outcome(staircase_frame(with_seed(NOISY, seed)), "staircase", PLAN)
        for at, rpm, wanted in CONDITIONS:
            for name in wanted:
                key = name, *at
                scores.setdefault(key, []).append(score(find(result, name, **at), truth(name, rpm)))
        scores.setdefault(("top_speed",), []).append(score(find(result, "top_speed"), 20000.0))
    for key, z in scores.items():
        assert np.max(np.abs(z)) < 3.5, key
    # noise makes the two ways differ, which counts as hysteresis too: a little too careful
    rms = np.sqrt(np.mean(np.square(np.concatenate(list(scores.values())))))
    assert 0.5 < rms < 1.1


def test_warming_is_averaged_and_shows_as_hysteresis():
    # +4 % of power from the first second to the last: up and down differ, their mean sits in the middle
    power = find(
        outcome(staircase_frame(CLEAN, warming=0.04), "staircase", PLAN),
        "electrical_power",
        speed_rpm=15000.0,
    )
    up_only = PLAN | {"down": False}
    up = find(
        outcome(staircase_frame(CLEAN, warming=0.04), "staircase", up_only),
        "electrical_power",
        speed_rpm=15000.0,
    )
    half = power.value - up.value
    assert half > 0
    assert part(power, "hysteresis").contribution == pytest.approx(half / math.sqrt(3), rel=1e-3)
    assert not part(power, "hysteresis").shared
    assert not [c for c in up.components if c.source == "hysteresis"]
    assert power.value == pytest.approx(truth("electrical_power", 15000.0) * 1.02, rel=2e-3)


def test_gains_are_shared_and_cancel_where_they_should():
    rig = make_rig(
        {
            "thrust": {"gain_uncertainty": "0.4 %"},
            "voltage": {"gain_uncertainty": "0.3 %"},
            "speed": {"gain_uncertainty": "0.2 %"},
        }
    )
    result = outcome(staircase_frame(CLEAN), "staircase", PLAN, make_setup(rig))
    power = find(result, "electrical_power", thrust_gf=500.0)
    assert all(c.shared for c in power.components)
    # P goes with T^1.5: a thrust read 0.4 % high puts 500 gf at a power 0.6 % low
    assert part(power, "thrust gain").contribution == pytest.approx(-1.5 * 0.004 * power.value, rel=1e-4)
    assert part(power, "voltage gain").contribution == pytest.approx(0.003 * power.value, rel=1e-4)
    per_watt = find(result, "thrust_per_power", speed_rpm=15000.0)
    # speed tripled in power and doubled in thrust: +1 is left
    assert part(per_watt, "speed gain").contribution == pytest.approx(0.002 * per_watt.value, rel=1e-3)
    at_throttle = find(result, "thrust_per_power", throttle_percent=50.0)
    assert {c.source for c in at_throttle.components} == {"thrust gain", "voltage gain"}


def test_the_zero_of_a_run_is_one_error_in_all_its_steps():
    bench = Bench(rate_hz=50.0, drift_n=0.2)
    result = outcome(staircase_frame(bench), "staircase", PLAN)
    thrust = find(result, "thrust", throttle_percent=50.0)
    left = 0.2 / math.sqrt(12) * GF_PER_N  # not lessened by two ways
    assert part(thrust, "thrust zero drift").contribution == pytest.approx(left, rel=0.1)
    assert abs(thrust.value - truth("thrust", 10000.0)) < 1.0


@pytest.mark.parametrize(
    ("place", "words", "direction"), [(3, "up 50 %", "up"), (6, "up 80 %", "up"), (12, "down 60 %", "down")]
)
def test_a_missing_step_is_told_and_costs_no_other(place, words, direction):
    result = outcome(staircase_frame(CLEAN, skip=(place,)), "staircase", PLAN)
    assert f"Steps not found in the throttle: {words}." in sentences(result)
    assert len(result.steps) == 16
    assert len([s for s in result.steps if s.direction == direction]) == (8 if direction == "up" else 7)
    for at, rpm, wanted in CONDITIONS:
        for name in wanted:
            assert find(result, name, **at).value == pytest.approx(truth(name, rpm), rel=1e-6)


def test_an_aborted_run_keeps_its_way_up():
    frame = staircase_frame(CLEAN, steps=STEPS[:5], down=False)
    result = outcome(frame, "staircase", PLAN)
    assert [s.direction for s in result.steps] == ["up"] * 5
    assert "top_speed" not in names(result)  # 60 % is not the top
    assert "up 100 %" in sentences(result)
    assert find(result, "thrust", throttle_percent=50.0).value == pytest.approx(truth("thrust", 10000.0))


def test_top_step_made_twice():
    frame = staircase_frame(CLEAN, steps=STEPS)
    time = frame["time_s"]
    dip = (time > 19.0) & (time < 19.4)  # 100 % is left for a moment: two plateaus at the top
    for column in ("throttle", "speed_rpm", "thrust_n", "current_a"):
        frame.loc[dip, column] *= 0.5
    plan = PLAN | {"step": "1.2 s", "average": "0.5 s"}
    result = outcome(frame, "staircase", plan)
    for at, rpm, wanted in CONDITIONS:
        for name in wanted:
            assert find(result, name, **at).value == pytest.approx(truth(name, rpm), rel=1e-6)


def test_outside_the_curve_is_told_in_the_words_of_the_page():
    plan = PLAN | {"compare_at": {"thrust": ["5000 gf"], "speed": ["2000 rpm"], "throttle": ["10 %"]}}
    result = reduced(staircase_frame(CLEAN), "staircase", plan)
    assert names(result) == {"top_speed", "top_thrust"}
    said = sentences(result)
    assert (
        "Electrical power at 5000 gf: outside the steps, which reach from 50.99 to 1275 gf. Not used." in said
    )
    assert "2000 rpm: outside the steps, which reach from 4000 to 2e+04 rpm" in said.replace("20000", "2e+04")
    assert "10 % throttle: outside the steps, which reach from 20 to 100 % throttle" in said


def test_a_cap_makes_the_upper_steps_one_point():
    # above 80 % the speed stays: the steps differ by noise alone and must not bend the curve
    for seed in range(3):
        bench = with_seed(NOISY, seed)
        frame = staircase_frame(bench)
        capped = np.minimum(staircase_frame(CLEAN)["speed_rpm"].to_numpy(), 16000.0)
        frame = bench.record(frame["time_s"].to_numpy(), capped, throttle=frame["throttle"].to_numpy(),
                             sound_level_db=np.full(len(frame), 70.0))  # fmt: skip
        plan = PLAN | {"compare_at": {"speed": ["15500 rpm"], "thrust": ["760 gf"]}}
        result = outcome(frame, "staircase", plan)
        power = find(result, "electrical_power", speed_rpm=15500.0)
        assert power.value == pytest.approx(truth("electrical_power", 15500.0), rel=0.01)
        assert find(result, "top_speed").value == pytest.approx(16000.0, rel=2e-3)


def test_steps_at_which_the_motor_stands_are_left_out():
    plan = PLAN | {"throttle": ["0 %", "5 %", *PLAN["throttle"]]}
    frame = staircase_frame(NOISY, steps=[0.0, 0.05, *STEPS])
    still = frame["throttle"] < 0.1
    for column in ("speed_rpm", "current_a", "thrust_n"):
        frame.loc[still, column] -= staircase_frame(CLEAN, steps=[0.0, 0.05, *STEPS])[column][still]
    result = outcome(frame, "staircase", plan)
    for at, rpm, wanted in CONDITIONS:
        for name in wanted:
            assert abs(score(find(result, name, **at), truth(name, rpm))) < 4


def test_fewer_than_three_steps_are_refused():
    frame = staircase_frame(CLEAN, steps=STEPS[:2], down=False)
    result = reduced(frame, "staircase", PLAN)
    assert (
        result.refused == "Fewer than three steps of the way up were found, so there is no curve. Not used."
    )


def test_a_slow_ramp_is_no_staircase():
    time = CLEAN.time(60.0)
    throttle = np.interp(time, [0, 2, 56, 60], [0, 0, 1, 0])
    result = reduced(CLEAN.record(time, throttle * 20000.0, throttle=throttle), "staircase", PLAN)
    assert result.refused is not None


def test_throttle_a_little_off_the_plan_is_read_where_it_was():
    # every step reads 1 % of full scale low: at 50 % throttle the curve is read, not the 49 % step
    frame = staircase_frame(CLEAN, steps=[s - 0.01 for s in STEPS])
    result = outcome(frame, "staircase", PLAN)
    assert find(result, "speed", throttle_percent=50.0).value == pytest.approx(10000.0, rel=1e-3)


def test_a_channel_without_reading():
    frame = staircase_frame(NOISY)
    frame["thrust_n"] = np.nan
    result = reduced(frame, "staircase", PLAN)
    assert result.refused is None
    assert "thrust" not in names(result)
    assert find(result, "electrical_power", speed_rpm=15000.0)
    frame["throttle"] = np.nan
    assert "no reading of throttle" in reduced(frame, "staircase", PLAN).refused


def test_step_rows_hold_means_with_errors():
    result = outcome(staircase_frame(NOISY), "staircase", PLAN)
    step = result.steps[4]
    rows = {column: (mean, error) for column, mean, error in step.means}
    assert rows["speed_rpm"][0] == pytest.approx(12000.0, abs=5 * rows["speed_rpm"][1])
    assert {"speed_rpm", "thrust_n", "power_w", "sound_level_db"} <= set(rows)
    assert step.stop_s - step.start_s == pytest.approx(1.0, abs=0.05)


@pytest.mark.parametrize(
    ("levels", "words"),
    [(["20 %", "50 %", "40 %"], "above the one before"), (["20 %", "50 %", "110 %"], "0 % to 100 %")],
)
def test_plans_that_make_no_sense(levels, words):
    with pytest.raises(pydantic.ValidationError, match=words):
        make_plan("staircase", PLAN | {"throttle": levels})


@settings(max_examples=5, deadline=None)
@given(factor=st.floats(0.3, 5.0), shift=st.integers(-(2**16), 2**16))
def test_scale_and_time_origin(factor, shift):
    frame = staircase_frame(Bench(rate_hz=16.0, noise=NOISE))
    plan = PLAN | {"compare_at": {"speed": ["15000 rpm"]}}
    plain = outcome(frame, "staircase", plan)
    moved = frame.assign(time_s=frame["time_s"] + float(shift), thrust_n=frame["thrust_n"] * factor)
    result = outcome(moved, "staircase", plan)
    for response in plain.responses:
        scale = factor if "thrust" in response.response else 1.0
        again = find(result, response.response, **dict(response.at))
        assert again.value == pytest.approx(scale * response.value, rel=1e-9)
        expected = scale * response.within_run_uncertainty()
        assert again.within_run_uncertainty() == pytest.approx(expected, rel=1e-4)
