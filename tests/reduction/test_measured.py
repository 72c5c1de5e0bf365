"""Means with shared and independent errors: components against hand-worked propagation."""

import math

import numpy as np
import pytest

from generator.reduction.measured import (
    RigErrors,
    StretchMeans,
    by_error,
    components,
    from_errors,
    mean_and_error,
    nominal,
    variable,
)
from generator.reduction.prepare import prepare
from tests.reduction.synthetic import Bench, hold_frame, make_plan, make_rig, make_setup

PLAN = make_plan("hold", {"speed": ["16000 rpm"]})


def stretch(frame, rig=None):
    run = prepare(frame, make_setup(rig), PLAN)
    time = run.frame["time_s"].to_numpy()
    return StretchMeans(run, RigErrors(run.setup.rig, run.zero_u), (time > 3.0) & (time < 5.0))


def test_variable_without_uncertainty_is_a_number():
    assert variable(3.0, 0.0, "scatter") == 3.0
    assert variable(3.0, math.nan, "scatter") == 3.0
    assert components(3.0) == (3.0, ())


def test_components_keep_signs_of_the_shared_and_add_the_independent_in_quadrature():
    gain = variable(1.0, 0.01, "thrust gain", shared=True)
    value = 5.0 * gain - 2.0 * gain + variable(0.0, 3.0, "scatter") - variable(0.0, 4.0, "scatter")
    centre, parts = components(value)
    assert centre == pytest.approx(3.0)
    assert [(c.source, c.shared) for c in parts] == [("scatter", False), ("thrust gain", True)]
    assert [c.contribution for c in parts] == pytest.approx([5.0, 0.03])
    negative = components(-2.0 * gain)[1]
    assert negative[0].contribution == pytest.approx(-0.02)
    assert components(gain - gain)[1] == ()  # what is shared cancels


def test_numbers_as_arrays_and_back_keep_every_error():
    gain = variable(1.0, 0.01, "thrust gain", shared=True)
    numbers = [5.0 * gain + variable(0.0, 0.3, "scatter"), 2.0 * gain**2 - 1.0, 7.0]
    values, parts, errors = by_error(numbers)
    assert values == pytest.approx([5.0, 1.0, 7.0])
    found = {str(error.tag): parts[:, place] for place, error in enumerate(errors)}
    assert found.keys() == {"thrust gain", "independent:scatter"}
    assert found["thrust gain"] == pytest.approx([0.05, 0.04, 0.0])
    assert found["independent:scatter"] == pytest.approx([0.3, 0.0, 0.0])
    for number, value, own in zip(numbers, values, parts, strict=True):
        back = from_errors(value, own, errors)
        sizes = {c.source: c.contribution for c in components(number)[1]}
        assert {c.source: c.contribution for c in components(back)[1]} == pytest.approx(sizes)
        left = components(back - number)[1]  # the very same errors, not new ones of the same size
        assert [c.contribution for c in left] == pytest.approx([0.0] * len(left), abs=1e-15)


def test_a_mean_asked_for_twice_is_one_error():
    rig = make_rig({"current": {"resolution": 0.1}, "voltage": {"resolution": 0.1}})
    means = stretch(hold_frame(Bench(), [(16000, 4.0)]), rig)
    assert nominal(means.mean("current_a") - means.mean("current_a")) == 0.0
    assert components(means.mean("current_a") - means.mean("current_a"))[1] == ()
    step, volts, current = 0.1 / math.sqrt(12), 16.0, 250.0 / 16.0
    _, (resolution,) = components(means.power())
    assert resolution.contribution == pytest.approx(step * math.hypot(volts, current), rel=1e-9)


def test_the_tap_voltage_has_the_errors_of_the_voltage_channel():
    rig = make_rig({"voltage": {"gain_uncertainty": "1 %", "offset_uncertainty": 0.05}})
    means = stretch(hold_frame(Bench(), [(16000, 4.0)]), rig)
    _, parts = components(means.voltage())
    assert {c.source: c.contribution for c in parts} == pytest.approx(
        {"voltage gain": 0.16, "voltage offset": 0.05}
    )


def test_power_is_the_mean_of_the_product():
    # Voltage and current ripple against each other: the product of the means is not the mean power.
    frame = hold_frame(Bench(), [(16000, 4.0)])
    ripple = np.where(np.arange(len(frame)) % 2, 1.0, -1.0)
    moving = frame["speed_rpm"] > 15000
    frame.loc[moving, "voltage_v"] += 0.5 * ripple[moving]
    frame.loc[moving, "current_a"] -= 2.0 * ripple[moving]
    means = stretch(frame)
    assert nominal(means.power()) == pytest.approx(250.0 - 1.0, rel=1e-3)


def test_scatter_of_what_moves_together_cancels():
    rng = np.random.default_rng(5)
    bench = Bench()
    frame = hold_frame(bench, [(16000, 4.0)])
    speed = frame["speed_rpm"].to_numpy() * (1 + 0.003 * rng.standard_normal(len(frame)))
    means = stretch(bench.record(frame["time_s"].to_numpy(), speed))
    # power follows n³ sample by sample: at a given speed nothing of the scatter is left
    apart = means.relative_scatter({"power_w": 1.0})
    together = means.relative_scatter({"power_w": 1.0, "speed_rpm": -3.0})
    assert together < 0.03 * apart
    assert means.relative_scatter({"speed_rpm": 0.0}) != means.relative_scatter(
        {"speed_rpm": 0.0}
    )  # NaN: unknown


def test_channels_never_sampled_together_are_taken_as_independent():
    frame = hold_frame(Bench(noise={"thrust_n": 0.1, "speed_rpm": 50.0}), [(16000, 4.0)])
    odd = np.arange(len(frame)) % 2 == 1
    frame.loc[odd, "thrust_n"] = np.nan
    frame.loc[~odd, "speed_rpm"] = np.nan
    means = stretch(frame)
    alone = [means.relative_scatter({"thrust_n": 1.0}), means.relative_scatter({"speed_rpm": -2.0})]
    both = means.relative_scatter({"thrust_n": 1.0, "speed_rpm": -2.0})
    assert both == pytest.approx(math.hypot(*alone))


def test_levels_are_averaged_as_energy_whatever_their_size():
    frame = hold_frame(Bench(), [(16000, 4.0)])
    for high in (80.0, 5000.0):  # a faulty reading must not overflow
        frame["sound_level_db"] = np.where(np.arange(len(frame)) % 2, high, high - 10.0)
        expected = high + 10 * math.log10(0.55)
        assert nominal(stretch(frame).mean("sound_level_db")) == pytest.approx(expected, abs=0.05)


@pytest.mark.parametrize("values", [[], [1.0], [math.nan, 1.0], [math.nan] * 4])
def test_a_mean_of_fewer_than_two_readings_is_unknown(values):
    assert all(math.isnan(x) for x in mean_and_error(np.array(values)))


def test_temperature_gain_counts_from_the_ice_point():
    rig = make_rig({"motor_temperature": {"gain_uncertainty": "2 %"}})
    value = RigErrors(rig).apply("motor_temperature_k", 273.15)
    assert components(value)[0] == pytest.approx(273.15)
    assert sum(abs(c.contribution) for c in components(value)[1]) == pytest.approx(0.0, abs=1e-12)
