"""Weighted least squares with uncertainties, and which stretches the motor's model is fitted to."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats
from uncertainties import ufloat

from generator.reduction.measured import nominal, variable
from generator.reduction.motor_fit import fit_motor, least_squares, motor_points
from tests.reduction.motor_runs import STEPS, Truth, setup_of, staircase, steps_of

# --- least squares ------------------------------------------------------------------------------------------


def test_least_squares_propagates_errors_of_y_and_of_columns() -> None:
    """Against derivatives by finite differences of the plain solution, equal weights."""
    x = [1.0, 2.0, 3.5, 5.0]
    y = [2.2, 3.1, 5.4, 7.0]
    numbers_x = [variable(v, 0.1, f"x{i}", shared=True) for i, v in enumerate(x)]
    numbers_y = [variable(v, 0.1, f"y{i}", shared=True) for i, v in enumerate(y)]
    solved = least_squares([[1.0] * 4, numbers_x], numbers_y)
    assert solved is not None

    def plain(xs: list[float], ys: list[float]) -> np.ndarray:
        return np.linalg.lstsq(np.column_stack((np.ones(4), xs)), np.array(ys), rcond=None)[0]

    for place in range(4):
        for values, source in ((x, f"x{place}"), (y, f"y{place}")):
            step = [v + 1e-6 * (i == place) for i, v in enumerate(values)]
            back = [v - 1e-6 * (i == place) for i, v in enumerate(values)]
            ends = [plain(s, y) if values is x else plain(x, s) for s in (step, back)]
            slopes = (ends[0] - ends[1]) / 2e-6
            for index in range(2):
                derivatives = solved.parameters[index].derivatives
                (found,) = [d for v, d in derivatives.items() if v.tag == source]
                assert found == pytest.approx(slopes[index], rel=1e-5)


def test_a_misfit_is_added_once_and_shared() -> None:
    """y is no straight line and does not scatter: the residuals alone make the uncertainty, widened by t."""
    x = [1.0, 2.0, 3.0, 4.0, 5.0]
    solved = least_squares([[1.0] * 5, x], [1.0, 2.2, 2.9, 4.3, 4.8])
    assert solved is not None
    reference = stats.linregress(x, [1.0, 2.2, 2.9, 4.3, 4.8])
    widened = stats.t.ppf(0.975, 3) / stats.norm.ppf(0.975)
    slope = solved.parameters[1]
    assert nominal(slope) == pytest.approx(reference.slope, rel=1e-12)
    assert slope.std_dev == pytest.approx(reference.stderr * widened, rel=1e-9)
    assert [v.tag for v in slope.derivatives] == ["model misfit"]


def test_columns_that_depend_on_each_other_give_nothing() -> None:
    assert least_squares([[1.0, 1.0, 1.0], [2.0, 2.0, 2.0]], [1.0, 2.0, 3.0]) is None
    assert least_squares([[1.0, 1.0], [1.0, 2.0]], [1.0, 2.0]) is None


def test_uncertain_numbers_weigh_less() -> None:
    """One wild point with a large scatter of its own hardly moves the mean of the others."""
    values = [ufloat(v, 0.01, tag="independent:scatter") for v in (1.0, 1.01, 0.99, 1.0)]
    values.append(ufloat(2.0, 5.0, tag="independent:scatter"))
    solved = least_squares([[1.0] * 5], values)
    assert solved is not None
    assert nominal(solved.parameters[0]) == pytest.approx(1.0, abs=0.02)


# --- which stretches ----------------------------------------------------------------------------------------


def test_steps_above_a_cap_and_below_the_threshold_are_left_out() -> None:
    """Above the cap of 70 % the duty stays there; below 10 % the reading is anything."""
    truth = Truth()
    duties = (0.05, *STEPS)
    readings = [truth.steady(min(duty, 0.7)) for duty in duties]
    readings[0]["current_a"] *= 3.0
    made = steps_of(readings, duties, setup_of(cap=0.7))
    fit = fit_motor(motor_points(*made))
    assert fit is not None
    assert nominal(fit.kv_rpm_v) == pytest.approx(1800.0, rel=1e-9)
    taken = [round(nominal(p.duty), 6) for p in motor_points(*made)]
    assert taken == [0.2, 0.3, 0.4, 0.5, 0.6, 0.7]


def test_equal_loads_tell_nothing() -> None:
    run, points = staircase(Truth(), setup_of(), duties=(0.50, 0.52, 0.54, 0.56, 0.58))
    assert fit_motor(motor_points(run, points)) is None
