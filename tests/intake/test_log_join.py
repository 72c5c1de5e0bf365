"""Clocks of two loggers: offsets found again from invented records, and what cannot be found told."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import expit

from generator.intake.log_join import NoOffset, find_offset, on_clock


def shape(t: np.ndarray) -> np.ndarray:
    """Rest, a rise over 40 ms to a level, a lower level, rest: invented."""
    edges = ((3.0, 1.0), (8.0, -0.4), (12.0, 0.7), (17.5, -1.3))
    return sum(size * expit((t - at) / 0.02) for at, size in edges)


def records(
    offset: float, *, seed: int = 1, noise: float = 0.01, rate: float = 200.0, other_rate: float = 130.0
):
    rng = np.random.default_rng(seed)
    time = np.arange(0.0, 20.0, 1.0 / rate)
    own = np.arange(0.0, 22.0, 1.0 / other_rate)
    values = 10.0 * shape(time) + rng.normal(0.0, 10.0 * noise, len(time))
    other = 3.0 - 2.5 * shape(own + offset) * -1.0 + rng.normal(0.0, 2.5 * noise, len(own))
    return time, values, own, other


@pytest.mark.parametrize("offset", [-1.234, 0.0, 0.0037, 2.5])
def test_an_offset_is_found_again(offset: float) -> None:
    found = find_offset(*records(offset))
    assert found.seconds == pytest.approx(offset, abs=4.0 * found.u_s)
    assert found.u_s < 0.005


def test_the_uncertainty_holds_the_truth_as_often_as_it_should() -> None:
    """400 invented pairs; the interval of two standard uncertainties is to hold at least 93 %.

    It may hold more: the sampling intervals in it are a bound on what straight lines between samples can cost.
    """
    rng = np.random.default_rng(20310504)
    held = 0
    for seed in range(400):
        offset = rng.uniform(-1.5, 1.5)
        found = find_offset(*records(offset, seed=seed, noise=0.03, rate=100.0, other_rate=90.0))
        held += abs(found.seconds - offset) <= 2.0 * found.u_s
    assert held >= 0.93 * 400


def test_records_of_two_things_are_told() -> None:
    time, values, own, _ = records(0.5)
    rng = np.random.default_rng(4)
    with pytest.raises(NoOffset, match="alike"):
        find_offset(time, values, own, rng.normal(size=len(own)).cumsum() % 7.0)
    with pytest.raises(NoOffset, match="does not change"):
        find_offset(time, values, own, np.ones(len(own)))


def test_records_that_repeat_themselves_are_told() -> None:
    time = np.arange(0.0, 60.0, 0.01)
    values = np.sign(np.sin(2.0 * np.pi * time / 4.0))
    with pytest.raises(NoOffset, match="more than one place"):
        find_offset(time, values, time[:4000], np.roll(values, 37)[:4000])


def test_a_slower_record_is_read_along_straight_lines() -> None:
    time = np.linspace(0.0, 1.0, 101)
    other_time = np.arange(0.0, 1.0, 0.05)
    read = on_clock(time, other_time, 2.0 * other_time, 0.1)
    inside = (time >= 0.1) & (time <= 1.05)
    np.testing.assert_allclose(read[inside], 2.0 * (time[inside] - 0.1), atol=1e-12)
    assert np.isnan(read[~inside]).all()


def test_a_faster_record_is_averaged_and_gaps_stay_gaps() -> None:
    time = np.arange(0.0, 1.0, 0.1)
    fast = np.arange(-0.2, 1.2, 0.001)
    ripple = np.where(np.arange(len(fast)) % 2 == 0, 1.0, -1.0)
    read = on_clock(time, fast, 5.0 + ripple, 0.0)
    assert np.abs(read - 5.0).max() < 0.05, "one sample more on one side of a hundred"
    kept = (fast < 0.35) | (fast > 0.75)
    read = on_clock(time, fast[kept], np.full(int(kept.sum()), 5.0), 0.0)
    assert np.isnan(read[(time > 0.35) & (time < 0.75)]).all()
    assert (read[time < 0.35] == 5.0).all()


@given(
    st.lists(st.floats(-1e6, 1e6), min_size=2, max_size=40),
    st.floats(-5.0, 5.0),
    st.floats(0.01, 2.0),
)
def test_what_is_read_lies_between_what_was_logged(values: list[float], offset: float, step: float) -> None:
    other = np.array(values)
    time = np.linspace(-10.0, 60.0, 300)
    read = on_clock(time, step * np.arange(len(other)), other, offset)
    some = read[np.isfinite(read)]
    slack = 1e-9 * (1.0 + np.abs(other).max())
    assert ((some >= other.min() - slack) & (some <= other.max() + slack)).all()
