"""Curves read at preferred numbers and at hover thrusts, against closed forms and against a reader point by point."""

import dataclasses
import math
from itertools import pairwise

import numpy as np
import pytest
import uncertainties
from hypothesis import given
from hypothesis import strategies as st
from scipy.interpolate import PchipInterpolator

from generator.reduction.curves import interpolate_power_law, make_curve, shape_preserving
from generator.reduction.measured import RigErrors, components, nominal, variable
from generator.reduction.prepare import prepare
from generator.reduction.readings import AXES, axis_numbers, is_preferred, preferred_numbers
from generator.reduction.records import Window
from generator.reduction.run_curves import read, tabulate, ways
from generator.reduction.steady import SteadyPoint
from tests.reduction.synthetic import (
    GF_PER_N,
    POWER_PER_N3,
    THRUST_PER_N2,
    Bench,
    hold_frame,
    make_plan,
    make_rig,
    make_setup,
    outcome,
    part,
    staircase_frame,
    with_seed,
)

STEPS = (0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0)
PLAN = {"throttle": [f"{100 * s:.0f} %" for s in STEPS], "step": "2 s", "average": "1 s"}
NOISE = {"speed_rpm": 40.0, "thrust_n": 0.02, "voltage_v": 0.03, "current_a": 0.1}
CLEAN, NOISY = Bench(rate_hz=25.0), Bench(rate_hz=25.0, noise=NOISE)
RIG = make_rig(
    {
        "thrust": {"gain_uncertainty": "0.4 %", "offset_uncertainty": 0.01, "resolution": 0.005},
        "voltage": {"gain_uncertainty": "0.3 %"},
        "current": {"gain_uncertainty": "1 %", "offset_uncertainty": 0.02},
        "speed": {"gain_uncertainty": "0.1 %"},
    },
    wiring_ohm=0.0,
    wiring_u_ohm=0.002,
)


def speed_at(thrust_gf):
    return math.sqrt(thrust_gf / GF_PER_N / THRUST_PER_N2)


def reading(result, response, **at):
    hits = [r for r in result.readings if r.response == response and dict(r.at) == at]
    assert len(hits) == 1, f"{response} {at}"
    return hits[0]


def hovering(*thrusts_gf, rig=None):
    return dataclasses.replace(
        make_setup(rig), hover_thrusts_n=tuple(thrust / GF_PER_N for thrust in thrusts_gf)
    )


# --- numbers ------------------------------------------------------------------------------------------------


def test_preferred_numbers_are_those_of_the_series():
    # ISO 3, series R20, from 100 to 1000 (from memory); each about 10^(1/20) above the one before
    decade = preferred_numbers(100.0, 1000.0)
    assert len(decade) == 21
    assert decade[:6] == (100.0, 112.0, 125.0, 140.0, 160.0, 180.0)
    assert (decade[-1], decade[10]) == (1000.0, 315.0)
    for place, number in enumerate(decade):
        assert number == pytest.approx(100.0 * 10.0 ** (place / 20.0), rel=0.013)
    assert preferred_numbers(5.1, 5.5) == ()
    assert preferred_numbers(0.0, 5.0) == ()


@given(st.floats(0.02, 5e4), st.floats(1.0, 30.0))
def test_preferred_numbers_fill_their_range(low, ratio):
    numbers = preferred_numbers(low, low * ratio)
    assert all(low <= number <= low * ratio and is_preferred("thrust_gf", number) for number in numbers)
    assert all(1.1 < after / before < 1.15 for before, after in pairwise(numbers))
    assert not numbers or numbers[0] < 1.15 * low


def test_throttle_is_read_every_five_per_cent():
    throttle = AXES[2]
    assert axis_numbers(throttle, 20.0, 40.0) == (20.0, 25.0, 30.0, 35.0, 40.0)
    assert is_preferred("throttle_percent", 35.0)
    assert not is_preferred("throttle_percent", 36.0)
    assert not is_preferred("thrust_gf", 305.9148639)


# --- the curve itself ---------------------------------------------------------------------------------------


@given(
    st.lists(st.floats(0.05, 3.0), min_size=2, max_size=9),
    st.lists(st.floats(-5.0, 5.0).map(lambda y: round(y, 3)), min_size=10, max_size=10),
    st.lists(st.floats(0.0, 1.0), min_size=1, max_size=8),
)
def test_all_curves_at_once_are_those_of_scipy(widths, heights, places):
    knots = np.concatenate(([1.0], 1.0 + np.cumsum(widths)))
    y = np.array([heights[: knots.size], heights[-knots.size :]])
    x = knots[0] + np.array(places) * np.ptp(knots)
    both = shape_preserving(np.array([knots, knots]), y, x)
    for row, own in zip(both, y, strict=True):
        assert row == pytest.approx(PchipInterpolator(knots, own)(x), rel=1e-11, abs=1e-11)


def point_by_point(steps, x_column, y_column, x):
    """A curve at one x as `uncertainties` alone would have it: derivatives by wrapping the whole reader."""
    read_ways = []
    for way in ("up", "down"):
        own = [s for s in steps if s.way == way or (way == "down" and s.planned == 1.0)]
        own.sort(key=lambda step: step.planned)
        count = len(own)

        def plain(*numbers, count=count):
            curve = make_curve(np.array(numbers[:count]), np.array(numbers[count:]), np.zeros(count))
            return float(interpolate_power_law(curve, x)[0])

        numbers = [*(s.measured(x_column) for s in own), *(s.measured(y_column) for s in own)]
        read_ways.append(uncertainties.wrap(plain)(*numbers))
    half = abs(nominal(read_ways[0]) - nominal(read_ways[1])) / 2.0
    return sum(read_ways) / 2.0 + variable(0.0, half / math.sqrt(3.0), "hysteresis")


def stairs(seed=3, rig=RIG, **frame):
    run = prepare(
        staircase_frame(with_seed(NOISY, seed), steps=STEPS, **frame),
        make_setup(rig),
        make_plan("staircase", PLAN),
    )
    errors = RigErrors(run.setup.rig, run.zero_u)
    levels = [*(("up", s) for s in STEPS), *(("down", s) for s in STEPS[-2::-1])]
    steps = []
    for place, (way, level) in enumerate(levels):
        window = Window(kind="averaged", label="", start_s=3.0 + 2.0 * place, stop_s=3.9 + 2.0 * place)
        steps.append(SteadyPoint(run, errors, window, way=way, throttle=level))
    return steps


@pytest.mark.parametrize(
    ("x_column", "y_column", "places"),
    [("thrust_n", "power_w", (0.6, 2.0, 5.0, 11.9)), ("speed_rpm", "thrust_n", (4500.0, 9000.0, 19500.0)),
     ("throttle", "speed_rpm", (0.2, 0.45, 0.5, 1.0))],
)  # fmt: skip
def test_the_whole_grid_at_once_is_the_old_reader_point_by_point(x_column, y_column, places):
    steps = stairs()
    means = tabulate(steps)
    found = [read(way, np.array(places)) for way in ways(means, x_column, y_column)]
    assert len(found) == 2
    for place, x in enumerate(places):
        value, parts = components(point_by_point(steps, x_column, y_column, x))
        up, down = (one.values[place] for one in found)
        assert (up + down) / 2.0 == pytest.approx(value, rel=1e-9)
        ours = (found[0].parts[place] + found[1].parts[place]) / 2.0
        for component in parts:
            if component.source == "hysteresis":
                assert component.contribution == pytest.approx(
                    abs(up - down) / 2.0 / math.sqrt(3.0), rel=1e-9
                )
                continue
            tag = component.source if component.shared else f"independent:{component.source}"
            own = ours[[source == tag for source in means.sources]]
            size = own.sum() if component.shared else math.hypot(*own)
            # the reader it is held against differentiates with a step of its own, good to some 1e-7
            assert size == pytest.approx(component.contribution, rel=1e-5, abs=1e-7 * abs(value))


# --- readings of a run --------------------------------------------------------------------------------------


def test_power_laws_are_read_exactly_at_every_preferred_number():
    result = outcome(staircase_frame(CLEAN), "staircase", PLAN)
    thrusts = preferred_numbers(51.1, 1274.0)
    for thrust in thrusts:
        rpm = speed_at(thrust)
        assert reading(result, "speed", thrust_gf=thrust).value == pytest.approx(rpm, rel=1e-6)
        power = reading(result, "electrical_power", thrust_gf=thrust).value
        assert power == pytest.approx(POWER_PER_N3 * rpm**3, rel=1e-6)
        per_watt = reading(result, "thrust_per_power", thrust_gf=thrust).value
        assert per_watt == pytest.approx(thrust / power, rel=1e-9)
    assert {dict(r.at).get("thrust_gf") for r in result.readings} - {None} == set(thrusts)
    assert reading(result, "thrust", speed_rpm=8000.0).value == pytest.approx(
        THRUST_PER_N2 * 8000.0**2 * GF_PER_N, rel=1e-6
    )
    assert reading(result, "speed", throttle_percent=45.0).value == pytest.approx(9000.0, rel=1e-6)
    assert not [r for r in result.readings if r.response == "sound_level"]


def test_readings_agree_with_what_is_compared_at_the_same_condition():
    plan = PLAN | {"compare_at": {"thrust": ["500 gf"], "speed": ["9000 rpm"], "throttle": ["50 %"]}}
    result = outcome(staircase_frame(NOISY), "staircase", plan, make_setup(RIG))
    compared = [r for r in result.responses if r.at and r.response != "sound_level"]
    assert len(compared) == 10
    for response in compared:
        same = reading(result, response.response, **dict(response.at))
        assert same.value == pytest.approx(response.value, rel=1e-12)
        sizes = {(c.source, c.shared): c.contribution for c in same.components}
        for component in response.components:
            size = sizes[component.source, component.shared]
            assert size == pytest.approx(component.contribution, rel=1e-9, abs=1e-9 * response.value)


def test_gains_are_shared_and_keep_their_sign():
    result = outcome(staircase_frame(CLEAN), "staircase", PLAN, make_setup(RIG))
    power = reading(result, "electrical_power", thrust_gf=500.0)
    # P goes with T^1.5: a thrust read 0.4 % high puts 500 gf at a power 0.6 % low
    assert part(power, "thrust gain").contribution == pytest.approx(-1.5 * 0.004 * power.value, rel=1e-3)
    assert part(power, "voltage gain").shared
    per_watt = reading(result, "thrust_per_power", thrust_gf=500.0)
    assert part(per_watt, "thrust gain").contribution == pytest.approx(1.5 * 0.004 * per_watt.value, rel=1e-3)


def test_a_run_without_thrust_has_no_readings_over_thrust():
    frame = staircase_frame(CLEAN)
    frame["thrust_n"] = np.nan
    result = outcome(frame, "staircase", PLAN, hovering(400.0))
    axes = {name for r in result.readings for name, _ in r.at}
    assert axes == {"speed_rpm", "throttle_percent"}
    assert {r.response for r in result.readings} == {"electrical_power", "speed"}


def test_too_few_points_make_no_curve():
    steps = stairs()[:2]
    assert ways(tabulate(steps), "speed_rpm", "power_w") == ()


# --- hover --------------------------------------------------------------------------------------------------


def test_hover_thrusts_are_read_exactly_where_they_are():
    thrust = 305.9148639127
    result = outcome(staircase_frame(CLEAN), "staircase", PLAN, hovering(thrust, 2000.0, 250.0))
    at = float(f"{thrust:.10g}")
    power = reading(result, "electrical_power", thrust_gf=at)
    assert power.value == pytest.approx(POWER_PER_N3 * speed_at(thrust) ** 3, rel=1e-6)
    assert reading(result, "speed", thrust_gf=at).value == pytest.approx(speed_at(thrust), rel=1e-6)
    # beyond the curve nothing is said; at a preferred number it has been read once, not twice
    assert not [r for r in result.readings if dict(r.at).get("thrust_gf") == 2000.0]
    assert reading(result, "electrical_power", thrust_gf=250.0)


HOLDS = {"speed": ["8000 rpm", "12000 rpm", "17000 rpm"], "window": "2 s"}
HELD = [(8000.0, 4.0), (12000.0, 4.0), (17000.0, 4.0)]


def test_holds_at_three_speeds_carry_a_power_law_to_the_hover():
    result = outcome(hold_frame(CLEAN, HELD), "hold", HOLDS, hovering(500.0, 150.0, 1000.0, rig=RIG))
    power = reading(result, "electrical_power", thrust_gf=500.0)
    assert power.value == pytest.approx(POWER_PER_N3 * speed_at(500.0) ** 3, rel=1e-6)
    assert part(power, "thrust gain").contribution == pytest.approx(-1.5 * 0.004 * power.value, rel=1e-3)
    assert reading(result, "speed", thrust_gf=500.0).value == pytest.approx(speed_at(500.0), rel=1e-6)
    # 8000 rpm give 204 gf and 17 000 rpm 921 gf: neither 150 gf nor 1000 gf is reached
    assert {dict(r.at)["thrust_gf"] for r in result.readings} == {500.0}


def test_holds_at_two_speeds_or_without_thrust_say_nothing_of_the_hover():
    two = outcome(hold_frame(CLEAN, HELD[:2]), "hold", HOLDS | {"speed": HOLDS["speed"][:2]}, hovering(300.0))
    assert two.readings == ()
    frame = hold_frame(CLEAN, HELD)
    frame["thrust_n"] = np.nan
    assert outcome(frame, "hold", HOLDS, hovering(500.0)).readings == ()
    assert outcome(hold_frame(CLEAN, HELD), "hold", HOLDS).readings == ()
