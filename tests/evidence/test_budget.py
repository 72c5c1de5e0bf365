"""Uncertainty budgets against the worked examples of the GUM, Annex H, and NIST's Norris data."""

import csv
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import uncertainties
from hypothesis import given
from hypothesis import strategies as st
from uncertainties import umath

from generator.evidence.budget import (
    Contribution,
    combine,
    expanded_uncertainty,
    fit_line,
    propagate,
    propagate_several,
)
from generator.evidence.contrast_statistics import TooFewRuns, coverage_factor

DATA = Path(__file__).parents[1] / "data" / "statistics"

# --- GUM H.1, end-gauge calibration (JCGM 100:2008, Table H.1), nm and degC ---------------------------------

H1_VALUES = {
    "ls": 50000623.0,
    "d0": 215.0,
    "d1": 0.0,
    "d2": 0.0,
    "alpha_s": 11.5e-6,
    "theta": -0.1,
    "dalpha": 0.0,
    "dtheta": 0.0,
}
# rectangular distributions by their half-widths, as the text of H.1.3 has them; the table rounds them
H1_U = {
    "ls": 25.0,
    "d0": 5.8,
    "d1": 3.9,
    "d2": 6.7,
    "alpha_s": 2.0e-6 / math.sqrt(3.0),
    "theta": 0.41,
    "dalpha": 1.0e-6 / math.sqrt(3.0),
    "dtheta": 0.05 / math.sqrt(3.0),
}
H1_DOF = {"ls": 18, "d0": 24, "d1": 5, "d2": 8, "dalpha": 50, "dtheta": 2}


def end_gauge(**q: Any) -> Any:
    """GUM eq. H.3."""
    return (
        q["ls"]
        + q["d0"]
        + q["d1"]
        + q["d2"]
        - q["ls"] * (q["dalpha"] * q["theta"] + q["alpha_s"] * q["dtheta"])
    )


def test_end_gauge_from_printed_contributions() -> None:
    # the printed column of contributions: 25, d (9.7 from three parts), 2.9, 16.6 nm
    budget = combine(
        [
            Contribution(name="ls", standard_uncertainty=25.0, dof=18),
            Contribution(name="d0", standard_uncertainty=5.8, dof=24, kind="A"),
            Contribution(name="d1", standard_uncertainty=3.9, dof=5),
            Contribution(name="d2", standard_uncertainty=6.7, dof=8),
            Contribution(name="dalpha", standard_uncertainty=2.9, dof=50),
            Contribution(name="dtheta", standard_uncertainty=-16.6, dof=2),
        ]
    )
    assert budget.standard_uncertainty == pytest.approx(32.0, abs=0.5)
    assert budget.dof == pytest.approx(16.7, abs=0.1)
    assert coverage_factor(0.99, math.floor(budget.dof)) == pytest.approx(2.92, abs=5e-3)
    # The GUM multiplies its rounded figures, 2.92 x 32 = 93; unrounded it is 92.5.
    truncated = coverage_factor(0.99, math.floor(budget.dof)) * budget.standard_uncertainty
    assert truncated == pytest.approx(93.0, abs=1.0)
    assert expanded_uncertainty(budget, 0.99) == pytest.approx(93.0, abs=1.5)
    assert budget.dominant == "ls"
    assert sum(row.share for row in budget.rows) == pytest.approx(1.0)


def test_end_gauge_by_propagation() -> None:
    result = propagate(end_gauge, H1_VALUES, H1_U, dof=H1_DOF, kinds={"d0": "A"})
    assert result.value == pytest.approx(50000838.0, abs=0.5)
    assert result.budget.standard_uncertainty == pytest.approx(32.0, abs=0.5)
    assert result.budget.standard_uncertainty**2 == pytest.approx(1002.0, abs=1.0)
    assert result.budget.dof == pytest.approx(16.7, abs=0.1)
    rows = {row.name: row for row in result.budget.rows}
    printed = {"ls": 25.0, "alpha_s": 0.0, "theta": 0.0, "dalpha": 2.9, "dtheta": 16.6}
    for name, contribution in printed.items():
        assert abs(rows[name].contribution) == pytest.approx(contribution, abs=0.05)
    assert rows["dtheta"].contribution < 0.0
    assert rows["d0"].kind == "A"
    assert result.budget.dominant == "ls"


# --- GUM H.2, resistance and reactance (Tables H.2 to H.4) --------------------------------------------------

V = np.array([5.007, 4.994, 5.005, 4.990, 4.999])
CURRENT = np.array([19.663, 19.639, 19.640, 19.685, 19.678]) * 1e-3
PHI = np.array([1.0456, 1.0438, 1.0468, 1.0428, 1.0433])


def impedance() -> tuple[dict[str, Any], np.ndarray]:
    sets = np.array([V, CURRENT, PHI])
    names = ("V", "I", "phi")
    return propagate_several(
        {
            "R": lambda V, I, phi: V / I * umath.cos(phi),  # noqa: E741
            "X": lambda V, I, phi: V / I * umath.sin(phi),  # noqa: E741
            "Z": lambda V, I, phi: V / I,  # noqa: E741
        },
        dict(zip(names, sets.mean(axis=1).tolist(), strict=True)),
        dict(zip(names, (sets.std(axis=1, ddof=1) / math.sqrt(5)).tolist(), strict=True)),
        np.corrcoef(sets),
        dof=dict.fromkeys(names, 4),
        kinds=dict.fromkeys(names, "A"),
    )


def test_impedance_matches_gum() -> None:
    # u(X): propagation gives 0.2956, averaging 0.2955, the GUM prints 0.295; hence 0.001 on all three
    results, correlation = impedance()
    for name, value, u in (("R", 127.732, 0.071), ("X", 219.847, 0.295), ("Z", 254.260, 0.236)):
        assert results[name].value == pytest.approx(value, abs=6e-4)
        assert results[name].budget.standard_uncertainty == pytest.approx(u, abs=1e-3)
    assert correlation[0, 1] == pytest.approx(-0.588, abs=5e-4)
    assert correlation[0, 2] == pytest.approx(-0.485, abs=5e-4)
    assert correlation[1, 2] == pytest.approx(0.993, abs=5e-4)


def test_impedance_budget_carries_the_cross_terms() -> None:
    results, _ = impedance()
    budget = results["R"].budget
    assert sum(row.share for row in budget.rows) == pytest.approx(1.0, rel=1e-9)
    assert budget.dof == 4  # five sets of readings taken together
    # without the correlations u(R) would be 0.1945 (recomputed, not printed in the GUM)
    assert math.sqrt(sum(row.contribution**2 for row in budget.rows)) == pytest.approx(0.19454, abs=5e-5)
    assert budget.standard_uncertainty < 0.5 * 0.19454


# --- GUM H.3, thermometer (Table H.6) -----------------------------------------------------------------------

T_DEGC = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
B_DEGC = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]


def test_thermometer_line_matches_gum() -> None:
    # half a unit of the last printed digit
    line = fit_line(np.array(T_DEGC) - 20.0, B_DEGC)
    assert line.intercept == pytest.approx(-0.1712, abs=5e-5)
    assert line.u_intercept == pytest.approx(0.0029, abs=5e-5)
    assert line.slope == pytest.approx(0.00218, abs=5e-6)
    assert line.u_slope == pytest.approx(0.00067, abs=5e-6)
    assert line.correlation == pytest.approx(-0.930, abs=5e-4)
    assert line.residual_sd == pytest.approx(0.0035, abs=5e-5)
    assert line.dof == 9
    b30, u_b30 = line.predict(10.0)
    assert b30 == pytest.approx(-0.1494, abs=5e-5)
    assert u_b30 == pytest.approx(0.0041, abs=5e-5)


def test_prediction_agrees_with_propagation() -> None:
    # the covariance of intercept and slope carried by `uncertainties` instead of by centring
    line = fit_line(np.array(T_DEGC) - 20.0, B_DEGC)
    result = propagate(
        lambda a, b: a + 10.0 * b,
        {"a": line.intercept, "b": line.slope},
        {"a": line.u_intercept, "b": line.u_slope},
        [[1.0, line.correlation], [line.correlation, 1.0]],
    )
    assert (result.value, result.budget.standard_uncertainty) == pytest.approx(line.predict(10.0), rel=1e-9)


def test_norris_matches_nist() -> None:
    # NIST StRD, Linear Regression, Norris, certified to 15 digits
    with (DATA / "norris.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    with (DATA / "norris_certified.csv").open(newline="") as file:
        certified = {row["quantity"]: float(row["value"]) for row in csv.DictReader(file)}
    line = fit_line([float(r["x"]) for r in rows], [float(r["y"]) for r in rows])
    assert (line.points, line.dof) == (certified["n"], certified["df_residual"])
    for ours, theirs in (
        (line.intercept, "intercept"),
        (line.slope, "slope"),
        (line.u_intercept, "sd_intercept"),
        (line.u_slope, "sd_slope"),
        (line.residual_sd, "residual_sd"),
    ):
        assert ours == pytest.approx(certified[theirs], rel=1e-10)


# --- shared variables ---------------------------------------------------------------------------------------

signed = st.floats(-10.0, 10.0).filter(lambda u: abs(u) > 1e-3)


@given(st.lists(signed, min_size=1, max_size=5), signed)
def test_shared_systematic_of_the_same_size_cancels(own: list[float], gain: float) -> None:
    parts = [Contribution(name=f"own {i}", standard_uncertainty=u, dof=4) for i, u in enumerate(own)]
    shared = [
        Contribution(name="treatment gain", standard_uncertainty=gain, shared="gain"),
        Contribution(name="baseline gain", standard_uncertainty=-gain, shared="gain"),
    ]
    with_gain, without = combine([*parts, *shared]), combine(parts)
    assert with_gain.standard_uncertainty == pytest.approx(without.standard_uncertainty, rel=1e-12)
    assert with_gain.dof == pytest.approx(without.dof, rel=1e-12)
    row = with_gain.rows[-1]
    assert (row.name, row.share, row.shared) == ("gain", 0.0, True)
    assert row.members == ("treatment gain", "baseline gain")


@given(signed, signed)
def test_shared_adds_linearly_and_own_in_quadrature(a: float, b: float) -> None:
    def total(shared: str | None) -> float:
        return combine(
            [
                Contribution(name="a", standard_uncertainty=a, shared=shared),
                Contribution(name="b", standard_uncertainty=b, shared=shared),
            ]
        ).standard_uncertainty

    assert total("v") == pytest.approx(abs(a + b), abs=1e-12)
    assert total(None) == pytest.approx(math.hypot(a, b))
    # the same with the package: one variable against two
    x, y = uncertainties.ufloat(0.0, 1.0), uncertainties.ufloat(0.0, 1.0)
    assert total("v") == pytest.approx((a * x + b * x).std_dev, abs=1e-12)
    assert total(None) == pytest.approx((a * x + b * y).std_dev)


@given(st.lists(signed, min_size=1, max_size=6), st.floats(0.1, 1000.0))
def test_scaling_scales_and_shares_stay(us: list[float], factor: float) -> None:
    parts = [Contribution(name=str(i), standard_uncertainty=u, dof=i + 1) for i, u in enumerate(us)]
    larger = [
        Contribution(name=p.name, standard_uncertainty=p.standard_uncertainty * factor, dof=p.dof)
        for p in parts
    ]
    a, b = combine(parts), combine(larger)
    assert b.standard_uncertainty == pytest.approx(a.standard_uncertainty * factor, rel=1e-12)
    assert b.dof == pytest.approx(a.dof, rel=1e-9)
    assert [r.share for r in b.rows] == pytest.approx([r.share for r in a.rows], rel=1e-9)
    assert sum(r.share for r in a.rows) == pytest.approx(1.0)


def test_contrast_of_two_readings_on_one_gain() -> None:
    # 310 W and 300 W on a 1 % gain: what is left of the gain is 1 % of the difference
    budget = combine(
        [
            Contribution(name="treatment gain", standard_uncertainty=3.10, shared="current gain"),
            Contribution(name="baseline gain", standard_uncertainty=-3.00, shared="current gain"),
            Contribution(name="repeats", standard_uncertainty=1.0, dof=4, kind="A"),
        ]
    )
    assert budget.standard_uncertainty == pytest.approx(math.hypot(0.10, 1.0))
    assert [row.name for row in budget.rows] == ["current gain", "repeats"]
    assert budget.dominant == "repeats"
    assert budget.rows[0].share == pytest.approx(0.01 / 1.01)


def test_nothing_uncertain_has_no_dominant_row() -> None:
    assert combine([]).dominant is None
    cancelled = combine(
        [
            Contribution(name="a", standard_uncertainty=1.0, shared="v"),
            Contribution(name="b", standard_uncertainty=-1.0, shared="v"),
        ]
    )
    assert (cancelled.standard_uncertainty, cancelled.dominant, cancelled.dof) == (0.0, None, math.inf)
    assert expanded_uncertainty(cancelled) == 0.0


# --- propagation details ------------------------------------------------------------------------------------


def test_exact_quantities_and_results_are_allowed() -> None:
    results, correlation = propagate_several(
        {
            "power": lambda volt, amp: volt * amp,
            "half": lambda volt, amp: amp / 2,
            "volt": lambda volt, amp: volt,
        },
        {"volt": 12.0, "amp": 5.0},
        {"amp": 0.1},
        dof={"amp": 7},
    )
    assert results["power"].value == 60.0
    assert results["power"].budget.standard_uncertainty == pytest.approx(1.2)
    assert results["power"].budget.dof == pytest.approx(7)
    assert results["volt"].budget.standard_uncertainty == 0.0
    assert results["volt"].budget.dominant is None
    assert correlation == pytest.approx(np.array([[1.0, 1.0, 0.0], [1.0, 1.0, 0.0], [0.0, 0.0, 1.0]]))


def test_full_correlation_is_a_shared_variable() -> None:
    result = propagate(
        lambda a, b: a - b, {"a": 310.0, "b": 300.0}, {"a": 3.1, "b": 3.0}, [[1.0, 1.0], [1.0, 1.0]]
    )
    assert result.budget.standard_uncertainty == pytest.approx(0.1, rel=1e-6)


def test_shares_of_correlated_inputs_by_hand() -> None:
    # a - b with u 3 and 4, r = 0.5: variance 9 + 16 - 12 = 13, the cross term -12 split in halves
    result = propagate(
        lambda a, b: a - b, {"a": 9.0, "b": 7.0}, {"a": 3.0, "b": 4.0}, [[1.0, 0.5], [0.5, 1.0]], dof={"a": 6}
    )
    assert result.budget.standard_uncertainty == pytest.approx(math.sqrt(13.0))
    assert [row.share for row in result.budget.rows] == pytest.approx([3.0 / 13.0, 10.0 / 13.0])
    assert (result.budget.dominant, result.budget.dof) == ("b", 6)


def test_functions_on_floats_can_be_wrapped() -> None:
    result = propagate(
        lambda speed: uncertainties.wrap(math.pow)(speed, 3.0), {"speed": 100.0}, {"speed": 1.0}
    )
    # 1 % of speed is 3 % of its cube
    assert result.budget.standard_uncertainty / result.value == pytest.approx(0.03, rel=1e-5)


def test_faults() -> None:
    with pytest.raises(ValueError, match="gain: the standard uncertainty must be finite"):
        Contribution(name="gain", standard_uncertainty=math.nan)
    with pytest.raises(ValueError, match="gain: degrees of freedom"):
        Contribution(name="gain", standard_uncertainty=1.0, dof=0)
    with pytest.raises(ValueError, match="'v': its contributions differ"):
        combine(
            [
                Contribution(name="a", standard_uncertainty=1.0, shared="v", dof=3),
                Contribution(name="b", standard_uncertainty=1.0, shared="v"),
            ]
        )


def test_propagation_faults() -> None:
    def add(a: Any, b: Any) -> Any:
        return a + b

    values = {"a": 1.0, "b": 2.0}
    with pytest.raises(ValueError, match="unknown quantities: c"):
        propagate(add, values, {"c": 1.0})
    with pytest.raises(ValueError, match="not negative"):
        propagate(add, values, {"a": -1.0})
    with pytest.raises(ValueError, match="2 by 2"):
        propagate(add, values, {"a": 1.0}, [[1.0]])
    with pytest.raises(ValueError, match="symmetric"):
        propagate(add, values, {"a": 1.0}, [[1.0, 0.5], [0.2, 1.0]])
    with pytest.raises(ValueError, match="contradict"):
        propagate(add, values, {"a": 1.0}, [[1.0, 1.5], [1.5, 1.0]])


def test_line_faults() -> None:
    with pytest.raises(TooFewRuns, match="three points"):
        fit_line([1.0, 2.0], [1.0, 2.0])
    with pytest.raises(ValueError, match="does not vary"):
        fit_line([1.0, 1.0, 1.0], [1.0, 2.0, 3.0])
    with pytest.raises(ValueError, match="one length"):
        fit_line([1.0, 2.0, 3.0], [1.0, 2.0])
    with pytest.raises(ValueError, match="finite"):
        fit_line([1.0, 2.0, math.inf], [1.0, 2.0, 3.0])
