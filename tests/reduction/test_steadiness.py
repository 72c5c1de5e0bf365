"""Steps that still moved, stands that swing, ways up and down that differ: told where they are, and only there."""

import math

import numpy as np
import pytest

from generator.reduction.steadiness import (
    CLEAR,
    HYSTERESIS_DOUBTFUL,
    HYSTERESIS_TOLD,
    TOLD,
    change_error,
    tapered_change,
)
from tests.reduction.synthetic import Bench, outcome, staircase_frame, with_seed

STEPS = (0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0)
PLAN = {"throttle": [f"{100 * s:.0f} %" for s in STEPS], "step": "2 s", "average": "1 s"}
NOISE = {"speed_rpm": 40.0, "thrust_n": 0.02, "voltage_v": 0.03, "current_a": 0.1}
NOISY = Bench(rate_hz=100.0, noise=NOISE)
COLUMNS = ("speed_rpm", "thrust_n", "current_a")


def found(frame, *kinds):
    return [f for f in outcome(frame, "staircase", PLAN).findings if f.kind in kinds]


def step_times(place):
    """Start and end of a step, first one at 2 s."""
    return 2.0 + 2.0 * place, 4.0 + 2.0 * place


# --- the trend ----------------------------------------------------------------------------------------------


def test_a_straight_line_is_found_whole():
    time = np.linspace(3.0, 4.0, 101)
    assert tapered_change(time, 7.0 + 2.5 * (time - 3.0)) == pytest.approx(2.5)
    values = np.where(np.arange(101) % 3 == 0, np.nan, 7.0 + 2.5 * time)
    assert tapered_change(time, values) == pytest.approx(2.5 * 0.98, rel=0.02)  # first and last are missing
    assert math.isnan(tapered_change(time[:11], values[:11]))
    assert math.isnan(change_error(time[:11], values[:11]))


@pytest.mark.parametrize(
    ("cycles", "left"), [(3.0, 0.03), (4.0, 0.03), (5.3, 0.03), (8.0, 0.005), (50.3, 0.005)]
)
def test_vibration_leaves_next_to_nothing_of_its_amplitude(cycles, left):
    time = np.arange(1000) / 1000.0
    for phase in np.linspace(0.0, math.pi, 9):
        wave = np.sin(2.0 * math.pi * cycles * time + phase)
        assert abs(tapered_change(time, wave)) < left
    # a plain line through some cycles has a slope of up to 1.9 / cycles
    plain = max(
        abs(np.polyfit(time, np.sin(2.0 * math.pi * cycles * time + phase), 1)[0])
        for phase in np.linspace(0.0, math.pi, 33)
    )
    assert plain > 3.0 * left or cycles > 20.0


def test_the_error_of_the_change_is_that_of_repeats():
    rng = np.random.default_rng(5)
    time = np.arange(200) / 200.0
    draws = rng.normal(size=(400, 200))
    changes = [tapered_change(time, values) for values in draws]
    stated = np.mean([change_error(time, values) for values in draws])
    assert stated == pytest.approx(np.std(changes), rel=0.15)


@pytest.mark.parametrize("tau", [0.2, 0.5, 1.0, 2.0])
def test_a_settling_is_no_noise(tau):
    rng = np.random.default_rng(6)
    time = np.arange(200) / 200.0
    values = 1.0 - 0.1 * np.exp(-time / tau) + rng.normal(0.0, 0.002, time.size)
    assert tapered_change(time, values) > CLEAR * change_error(time, values)


# --- settling -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(3))
def test_steady_steps_are_left_in_peace(seed):
    frame = staircase_frame(with_seed(NOISY, seed))
    assert not found(frame, "unsettled step", "swaying stand", "hysteresis")


@pytest.mark.parametrize("frequency_hz", [4.3, 11.0, 37.7, 93.1])
def test_structural_vibration_is_not_read_as_unsettled(frequency_hz):
    # a stand that rings with a third of the thrust, at all steps, at frequencies above and below half the sampling
    frame = staircase_frame(NOISY)
    time = frame["time_s"].to_numpy()
    frame["thrust_n"] *= 1.0 + 0.3 * np.sin(2.0 * math.pi * frequency_hz * time)
    frame["current_a"] *= 1.0 + 0.02 * np.sin(2.0 * math.pi * frequency_hz * time + 1.0)
    assert not found(frame, "unsettled step", "swaying stand")


@pytest.mark.parametrize(("late", "grade"), [(0.04, "noted"), (0.15, "doubtful")])
def test_a_step_that_still_moves_is_told_with_its_numbers(late, grade):
    frame = staircase_frame(NOISY)
    time = frame["time_s"].to_numpy()
    start, stop = step_times(5)  # 70 % on the way up
    inside = (time >= start) & (time < stop)
    factor = 1.0 - late * np.exp(-(time[inside] - start) / 1.5)
    frame.loc[inside, "speed_rpm"] *= factor
    frame.loc[inside, "thrust_n"] *= factor**2
    frame.loc[inside, "current_a"] *= factor**3
    (finding,) = found(frame, "unsettled step")
    assert finding.grade == grade
    assert finding.count == 1
    assert "there up 70 %" in finding.sentence
    assert "rose by" in finding.sentence
    assert start < finding.start_s < finding.stop_s < stop


def test_thrust_alone_that_wanders_is_the_stand_and_never_doubtful():
    frame = staircase_frame(NOISY)
    time = frame["time_s"].to_numpy()
    start, stop = step_times(6)
    inside = (time >= start) & (time < stop)
    frame.loc[inside, "thrust_n"] *= 1.0 + 0.1 * (time[inside] - start)
    (finding,) = found(frame, "unsettled step", "swaying stand")
    assert finding.kind == "swaying stand"
    assert finding.grade == "noted"
    assert finding.channel == "thrust_n"
    assert "thrust alone" in finding.sentence


def test_the_slow_noise_of_a_load_cell_is_noise():
    # 50 samples a second, neighbours correlated by 0.75, two per cent of the thrust at the lowest step
    slow = Bench(rate_hz=50.0, noise={"thrust_n": 0.02}, correlation=0.75)
    told = [found(staircase_frame(with_seed(slow, seed)), "swaying stand") for seed in range(4)]
    assert told == [[]] * 4


def test_told_changes_follow_the_speed():
    assert TOLD["thrust_n"] == 2 * TOLD["speed_rpm"]
    assert TOLD["power_w"] == 3 * TOLD["speed_rpm"]


# --- hysteresis ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("warming", "grade"), [(0.01, None), (0.06, "noted"), (0.12, "doubtful")])
def test_ways_that_differ_are_told_beyond_the_stated_share(warming, grade):
    told = found(staircase_frame(NOISY, warming=warming), "hysteresis")
    if grade is None:
        assert not told
        return
    (finding,) = told
    assert finding.grade == grade
    assert finding.channel == "current_a"
    assert "more electrical power than the way up" in finding.sentence
    limit = HYSTERESIS_TOLD if grade == "noted" else HYSTERESIS_DOUBTFUL
    assert f"more than {100 * limit:.2g} %" in finding.sentence


def test_noise_is_no_hysteresis():
    loud = Bench(rate_hz=25.0, noise={"thrust_n": 1.0, "current_a": 2.0})
    for seed in range(4):
        assert not found(staircase_frame(with_seed(loud, seed)), "hysteresis")


def test_a_staircase_up_only_has_none():
    plan = PLAN | {"down": False}
    result = outcome(staircase_frame(NOISY, warming=0.12), "staircase", plan)
    assert not [f for f in result.findings if f.kind == "hysteresis"]


def test_a_source_that_sags_shows_as_speed_at_equal_throttle():
    frame = staircase_frame(NOISY)
    time = frame["time_s"].to_numpy()
    sag = 1.0 - 0.06 * time / time[-1]
    for column, power in zip(COLUMNS, (1, 2, 3), strict=True):
        frame[column] *= sag**power
    told = found(frame, "hysteresis")
    assert [f.channel for f in told] == ["throttle"]
    assert "less speed than the way up" in told[0].sentence
