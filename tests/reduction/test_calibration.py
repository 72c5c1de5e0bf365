"""The line of a calibration: the published thermometer of the GUM, closed forms, and what must not change it."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from generator.reduction.calibration import (
    CalibrationFit,
    LoadPoint,
    fit_calibration,
    hysteresis,
    return_to_zero,
    ways,
)
from tests.calibration_season import H3_CORRECTION_C, H3_READING_C


def points(readings: Sequence[float], loads: Sequence[float]) -> list[LoadPoint]:
    return [
        LoadPoint(load=load, reading=reading, scatter=0.0, way=way, start_s=0.0, stop_s=1.0)
        for reading, load, way in zip(readings, loads, ways(loads), strict=True)
    ]


def thermometer(at: float = 20.0) -> CalibrationFit:
    loads = [t + b for t, b in zip(H3_READING_C, H3_CORRECTION_C, strict=True)]
    return fit_calibration(points(H3_READING_C, loads), channel="air_temperature", at=at)


def test_the_thermometer_of_the_guide() -> None:
    """JCGM 100:2008, H.3.3 and H.3.4 (transcribed), each to half a unit of its last printed digit."""
    fit = thermometer()
    assert fit.offset == pytest.approx(-0.1712, abs=0.00005)
    assert fit.scatter.offset == pytest.approx(0.0029, abs=0.00005)
    assert fit.gain - 1.0 == pytest.approx(0.00218, abs=0.000005)
    assert fit.scatter.gain == pytest.approx(0.00067, abs=0.000005)
    assert fit.scatter.correlation == pytest.approx(-0.930, abs=0.0005)
    assert fit.residual_sd == pytest.approx(0.0035, abs=0.00005)
    assert fit.correction(30.0) == pytest.approx(-0.1494, abs=0.00005)
    assert fit.line_uncertainty(30.0) == pytest.approx(0.0041, abs=0.00005)
    assert fit.degrees_of_freedom == 9


def test_correlation_is_kept() -> None:
    """Without it the uncertainty at 30 °C would be three quarters larger (recomputed from the same table)."""
    fit = thermometer()
    without = math.hypot(fit.scatter.offset, 10.0 * fit.scatter.gain)
    assert without / fit.line_uncertainty(30.0) == pytest.approx(1.757, abs=0.005)


@given(at=st.floats(-50.0, 80.0), reading=st.floats(0.0, 40.0))
def test_nothing_depends_on_where_the_offset_is_stated(at: float, reading: float) -> None:
    one, other = thermometer(20.0), thermometer(at)
    assert other.gain == pytest.approx(one.gain, rel=1e-12)
    assert other.correction(reading) == pytest.approx(one.correction(reading), abs=1e-9)
    assert other.line_uncertainty(reading) == pytest.approx(one.line_uncertainty(reading), rel=1e-6)


@given(gain=st.floats(0.5, 2.0), offset=st.floats(-3.0, 3.0))
def test_an_exact_line_is_found_exactly(gain: float, offset: float) -> None:
    loads = [0.0, 1.0, 2.0, 4.0, 2.0, 1.0, 0.0]
    fit = fit_calibration(points([(load - offset) / gain for load in loads], loads), channel="thrust")
    assert fit.gain == pytest.approx(gain, rel=1e-9)
    assert fit.offset == pytest.approx(offset, abs=1e-9)
    assert fit.residual_sd == pytest.approx(0.0, abs=1e-9)


def test_a_doubt_of_all_loads_alike_is_a_doubt_of_the_gain() -> None:
    """One scale of all loads: the true value errs by its own share, and nowhere at zero (closed form)."""
    loads = [0.0, 1.0, 2.0, 3.0]
    fit = fit_calibration(points(loads, loads), channel="thrust", load_relative=0.002)
    for reading in (0.0, 1.5, 3.0):
        assert fit.line_uncertainty(reading) == pytest.approx(0.002 * reading, abs=1e-12)


def test_a_doubt_of_each_load_apart_goes_through_the_sums() -> None:
    """Four loads, each with the same doubt: textbook variances of slope and of the line at its middle."""
    loads = [0.0, 1.0, 2.0, 3.0]
    fit = fit_calibration(points(loads, loads), channel="thrust", at=1.5, load_absolute=0.01)
    assert fit.loads.gain == pytest.approx(0.01 / math.sqrt(5.0), rel=1e-12)
    assert fit.loads.offset == pytest.approx(0.01 / 2.0, rel=1e-12)
    assert fit.loads.correlation == pytest.approx(0.0, abs=1e-12)


def test_one_weight_put_on_twice_is_one_doubt() -> None:
    once = fit_calibration(points([0.0, 1.0, 2.0], [0.0, 1.0, 2.0]), channel="thrust", load_absolute=0.01)
    twice = fit_calibration(
        points([0.0, 1.0, 2.0, 2.0, 1.0, 0.0], [0.0, 1.0, 2.0, 2.0, 1.0, 0.0]),
        channel="thrust",
        load_absolute=0.01,
    )
    assert twice.loads.gain == pytest.approx(once.loads.gain, rel=1e-12)


def test_hysteresis_and_return_to_zero() -> None:
    found = points([0.0, 1.0, 2.0, 1.3, 0.1], [0.0, 1.0, 2.0, 1.0, 0.0])
    assert [point.way for point in found] == ["up", "up", "up", "down", "down"]
    assert hysteresis(found) == pytest.approx(0.3)
    assert return_to_zero(found) == pytest.approx(0.1)
    assert hysteresis(found[:3]) is None
    assert return_to_zero(found[:3]) is None


def test_a_pull_counts_as_up_like_a_push() -> None:
    assert ways([0.0, -1.0, -2.0, -1.0, 0.0]) == ("up", "up", "up", "down", "down")


def test_too_few_loads_are_refused() -> None:
    with pytest.raises(ValueError, match="at least 3"):
        fit_calibration(points([0.0, 1.0], [0.0, 1.0]), channel="thrust")
    with pytest.raises(ValueError, match="same reading"):
        fit_calibration(points([1.0, 1.0, 1.0], [0.0, 1.0, 2.0]), channel="thrust")


def test_intervals_of_the_line_hold_the_truth_as_often_as_they_say() -> None:
    """2000 invented calibrations of nine loads: u of the correction at a reading beside its scatter."""
    rng = np.random.default_rng(4)
    loads = [0.0, 1.0, 2.0, 4.0, 6.0, 4.0, 2.0, 1.0, 0.0]
    z = []
    for _ in range(2000):
        readings = [load / 1.02 + 0.1 + 0.02 * rng.standard_normal() for load in loads]
        fit = fit_calibration(points(readings, loads), channel="thrust")
        z.append((fit.true(5.0 / 1.02 + 0.1) - 5.0) / fit.line_uncertainty(5.0 / 1.02 + 0.1))
    # t distribution with 7 degrees of freedom has a standard deviation of sqrt(7/5)
    assert float(np.std(z)) == pytest.approx(math.sqrt(7.0 / 5.0), rel=0.06)
