"""Corrections before any procedure: rest and zero, wiring, power, and what is found in the channels."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from generator.reduction.prepare import prepare
from tests.reduction.synthetic import (
    CONTROLLER_V,
    POWER_PER_N3,
    THRUST_PER_N2,
    TORQUE_PER_N2,
    Bench,
    hold_frame,
    make_plan,
    make_rig,
    make_setup,
    soak_frame,
    staircase_frame,
)

PLAN = make_plan("hold", {"speed": ["16000 rpm"]})
NOISE = {"speed_rpm": 30.0, "thrust_n": 0.05, "current_a": 0.1, "voltage_v": 0.02, "torque_nm": 0.001}
BENCH = Bench(rate_hz=100.0, noise=NOISE)


def ready(frame, setup=None):
    return prepare(frame, setup or make_setup(), PLAN)


def kinds(run, *grades):
    return {(f.kind, f.channel) for f in run.findings if not grades or f.grade in grades}


def test_zero_is_taken_off_where_zero_is_meant_and_nowhere_else():
    frame = hold_frame(Bench(tare_n=-0.7), [(16000, 3.0)])
    frame["current_a"] += 0.3
    frame["torque_nm"] -= 0.01
    run = ready(frame)
    speed = frame["speed_rpm"].to_numpy()
    assert run.frame["thrust_n"].to_numpy() == pytest.approx(THRUST_PER_N2 * speed**2, abs=1e-9)
    assert run.frame["current_a"].to_numpy() == pytest.approx(
        POWER_PER_N3 * speed**3 / CONTROLLER_V, abs=1e-9
    )
    assert run.frame["torque_nm"].to_numpy() == pytest.approx(TORQUE_PER_N2 * speed**2, abs=1e-9)
    assert run.frame["tap_voltage_v"].equals(frame["voltage_v"])  # a voltage at rest is a voltage
    assert frame["thrust_n"].iloc[0] == pytest.approx(-0.7)  # what was read stays as it was


def test_power_at_the_controller_and_shaft_power():
    setup = make_setup(make_rig(wiring_ohm=0.03))
    run = ready(hold_frame(Bench(wiring_ohm=0.03), [(16000, 3.0)]), setup)
    speed = run.frame["speed_rpm"].to_numpy()
    assert run.frame["voltage_v"].to_numpy() == pytest.approx(CONTROLLER_V, rel=1e-12)
    assert run.frame["power_w"].to_numpy() == pytest.approx(POWER_PER_N3 * speed**3, abs=1e-9)
    shaft = TORQUE_PER_N2 * speed**3 * 2 * math.pi / 60
    assert run.frame["shaft_power_w"].to_numpy() == pytest.approx(shaft, abs=1e-9)


def test_zero_drift_follows_a_straight_line():
    run = ready(hold_frame(Bench(drift_n=0.3), [(16000, 3.0)]))
    speed = run.frame["speed_rpm"].to_numpy()
    held = speed == 16000.0
    assert run.frame["thrust_n"].to_numpy()[held] == pytest.approx(THRUST_PER_N2 * 16000**2, abs=1e-6)
    drifts = run.zero_drift
    between = run.rests[1].start_s + run.rests[1].stop_s - run.rests[0].start_s - run.rests[0].stop_s
    total = run.frame["time_s"].iloc[-1]
    assert drifts["thrust_n"] == pytest.approx(0.3 * between / 2 / total, rel=0.01)
    assert drifts["current_a"] == 0.0
    assert run.zero_u["thrust_n"] == pytest.approx(drifts["thrust_n"] / math.sqrt(12), rel=0.05)


def test_spikes_at_rest_do_not_move_the_zero():
    frame = hold_frame(BENCH, [(16000, 3.0)])
    plain = ready(frame.copy())
    frame.loc[60, "thrust_n"] = 50.0
    frame.loc[70, "speed_rpm"] = 30000.0
    marred = ready(frame)
    assert [w.stop_s for w in marred.rests] == [w.stop_s for w in plain.rests]
    assert marred.zero_drift["thrust_n"] == pytest.approx(plain.zero_drift["thrust_n"], abs=0.01)
    assert ("spike", "thrust_n") in kinds(marred)


@pytest.mark.parametrize("rest_s", [0.0, 0.2])
def test_no_rest_is_told_and_readings_stay(rest_s):
    frame = hold_frame(BENCH, [(16000, 3.0)], rest_s=rest_s)
    frame = frame[frame["speed_rpm"] > 5000].reset_index(drop=True)
    run = ready(frame)
    assert ("no rest", "thrust_n") in kinds(run, "doubtful")
    assert run.frame["thrust_n"].equals(frame["thrust_n"])
    assert run.zero_u["thrust_n"] == 0.0
    assert run.zero_drift == {}


def test_one_rest_is_told():
    frame = hold_frame(BENCH, [(16000, 3.0)])
    run = ready(frame[frame["time_s"] < 5.0].reset_index(drop=True))
    assert ("one rest", "thrust_n") in kinds(run, "noted")
    assert len(run.rests) == 1
    assert run.zero_u["thrust_n"] > 0.0
    assert run.zero_drift == {}


def test_rest_from_speed_alone_from_throttle_alone_and_from_neither():
    frame = hold_frame(BENCH, [(16000, 3.0)], rest_s=3.0)
    assert len(ready(frame.drop(columns="throttle")).rests) == 2
    assert len(ready(frame.drop(columns="speed_rpm")).rests) == 2
    assert ready(frame.drop(columns=["speed_rpm", "throttle"])).rests == ()
    for column in ("throttle", "speed_rpm"):
        assert len(ready(frame.assign(**{column: np.nan})).rests) == 2
    assert ready(frame.assign(throttle=np.nan, speed_rpm=np.nan)).rests == ()


def test_a_speed_sensor_that_reads_nothing_at_standstill_leaves_it_to_the_throttle():
    frame = hold_frame(Bench(rate_hz=100.0, tare_n=0.4), [(16000, 3.0)])
    frame.loc[frame["speed_rpm"] == 0.0, "speed_rpm"] = np.nan
    run = ready(frame)
    assert len(run.rests) == 2
    assert run.frame["thrust_n"].iloc[50] == pytest.approx(0.0, abs=1e-9)


def test_a_run_that_never_moves():
    time = BENCH.time(5.0)
    run = ready(Bench(rate_hz=100.0).record(time, np.zeros(time.size)))
    assert [w.label for w in run.rests] == ["rest before"]


def test_more_than_a_few_findings_of_a_kind_become_one():
    frame = hold_frame(BENCH, [(16000, 5.0)])
    frame.loc[np.arange(len(frame)) % 3 == 1, "thrust_n"] = np.nan
    found = [f for f in ready(frame).findings if (f.kind, f.channel) == ("dropout", "thrust_n")]
    assert len(found) == 1
    assert found[0].count == int(frame["thrust_n"].isna().sum())
    assert f"no reading in {found[0].count} samples" in found[0].sentence
    few = hold_frame(BENCH, [(16000, 5.0)])
    few.loc[[300, 400, 500], "thrust_n"] = np.nan
    assert len([f for f in ready(few).findings if f.kind == "dropout"]) == 3


def test_stuck_and_clipped_channels_are_doubtful():
    frame = hold_frame(BENCH, [(9000, 3.0), (16000, 3.0)])
    held = (frame["time_s"] > 4.0) & (frame["time_s"] < 5.0)
    frame.loc[held, "torque_nm"] = frame.loc[held, "torque_nm"].iloc[0]
    frame["thrust_n"] = np.minimum(frame["thrust_n"], 7.5)
    run = ready(frame)
    assert ("stuck", "torque_nm") in kinds(run, "doubtful")
    assert ("clipped", "thrust_n") in kinds(run, "doubtful")
    setup = make_setup(make_rig({"thrust": {"range": [0.0, 7.0]}}))
    clean = hold_frame(BENCH, [(9000, 3.0), (16000, 3.0)])
    assert ("clipped", "thrust_n") in kinds(ready(clean, setup), "doubtful")
    assert ("clipped", "thrust_n") not in kinds(ready(clean))


def test_quantised_channels_at_rest_are_neither_stuck_nor_clipped():
    frame = soak_frame(Bench(rate_hz=100.0, noise=NOISE, tare_n=-0.3), cycles=6)
    still = frame["throttle"] == 0.0
    for column, step in (("thrust_n", 0.2), ("current_a", 0.5), ("torque_nm", 0.005), ("speed_rpm", 50.0)):
        frame.loc[still, column] = np.round(frame.loc[still, column].median() / step) * step
    assert not kinds(ready(frame), "doubtful")


def test_a_gap_is_told():
    frame = hold_frame(BENCH, [(16000, 3.0)])
    run = ready(frame[(frame["time_s"] < 3.0) | (frame["time_s"] > 3.5)].reset_index(drop=True))
    (gap,) = (f for f in run.findings if f.kind == "gap")
    assert gap.start_s == pytest.approx(3.0, abs=0.02)
    assert "No samples for 0.5" in gap.sentence


def test_sentences_have_no_exponents_and_no_missing_values():
    frame = hold_frame(Bench(rate_hz=100.0, drift_n=-400.0), [(16000, 3.0)])
    for finding in ready(frame).findings:
        assert "e+" not in finding.sentence
        assert "nan" not in finding.sentence


@settings(max_examples=8, deadline=None)
@given(shift=st.integers(-(2**20), 2**20))
def test_time_origin_changes_nothing(shift):
    frame = hold_frame(Bench(rate_hz=64.0, noise=NOISE, drift_n=0.1), [(16000, 2.0)])
    plain, moved = ready(frame), ready(frame.assign(time_s=frame["time_s"] + float(shift)))
    assert moved.frame["thrust_n"].to_numpy() == pytest.approx(plain.frame["thrust_n"].to_numpy(), abs=1e-9)
    assert [f.kind for f in moved.findings] == [f.kind for f in plain.findings]


STEPS = {"thrust_n": 0.05, "current_a": 0.1, "speed_rpm": 20.0, "torque_nm": 0.002, "voltage_v": 0.05}


def rounded(frame):
    return frame.assign(**{column: np.round(frame[column] / step) * step for column, step in STEPS.items()})


@pytest.mark.parametrize("noise", [0.0, 0.1, 0.3])  # in steps of each channel
@pytest.mark.parametrize("holds", [[(16000, 3.2)], [(9000, 3.2), (16009, 3.2)], [(16000, 3.2), (9000, 3.2)]])
def test_quiet_coarse_channels_are_not_doubtful(noise, holds):
    bench = Bench(tare_n=0.513, noise={column: noise * step for column, step in STEPS.items() if noise})
    assert not kinds(ready(rounded(hold_frame(bench, holds))), "doubtful")


def test_a_coarse_load_cell_that_stays_behind_the_speed_is_doubtful():
    frame = rounded(staircase_frame(Bench(), step_s=2.0, slew_s=0.3).drop(columns="sound_level_db"))
    assert not kinds(ready(frame), "doubtful")
    frame["thrust_n"] = np.minimum(frame["thrust_n"], 8.0)  # from 80 % of the throttle on
    assert ("clipped", "thrust_n") in kinds(ready(frame), "doubtful")
    frozen = rounded(staircase_frame(Bench(), step_s=2.0, slew_s=0.3).drop(columns="sound_level_db"))
    stay = (frozen["time_s"] > 5.0) & (frozen["time_s"] < 11.0)
    frozen.loc[stay, "speed_rpm"] = frozen.loc[stay, "speed_rpm"].iloc[0]
    assert ("stuck", "speed_rpm") in kinds(ready(frozen), "doubtful")
