"""Two one-sided tests against published examples."""

import csv
import math
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from statsmodels.stats.weightstats import ttost_ind

from generator.evidence.contrast_statistics import (
    Estimate,
    from_standard_errors,
    paired_blocks,
    pooled,
    welch,
)
from generator.evidence.equivalence import two_one_sided

DATA = Path(__file__).parents[1] / "data" / "statistics"


def read(name: str) -> list[dict[str, str]]:
    with (DATA / name).open(newline="") as file:
        return list(csv.DictReader(file))


CLINIC = read("clinic_examples.csv")


def clinic_estimate(row: dict[str, str]) -> Estimate:
    first, second = (
        [float(r[row["variable"]]) for r in read("clinic.csv") if r["group"] == group] for group in "12"
    )
    if row["variances"] == "paired":
        return paired_blocks(dict(enumerate(first)), dict(enumerate(second)))
    return (welch if row["variances"] == "welch" else pooled)(first, second)


@pytest.mark.parametrize("row", CLINIC, ids=[row["id"] for row in CLINIC])
def test_matches_r_equivalence(row: dict[str, str]) -> None:
    # tost() of the R package equivalence, raw data; expected results as kept in statsmodels' tests, 14 digits
    estimate = clinic_estimate(row)
    result = two_one_sided(estimate, float(row["high"]))
    assert estimate.difference == pytest.approx(float(row["mean_diff"]), rel=1e-9)
    assert estimate.standard_error == pytest.approx(float(row["se_diff"]), rel=1e-9)
    assert estimate.dof == pytest.approx(float(row["df"]), rel=1e-9)
    assert result.interval == pytest.approx((float(row["ci90_low"]), float(row["ci90_high"])), rel=1e-9)
    assert result.p == pytest.approx(float(row["p_tost"]), rel=1e-9)
    assert result.equivalent == (row["equivalent"] == "yes")


# D. Lakens, vignette "Introduction to Equivalence Testing with TOSTER", and that package's known-results test
# (figures only); inputs from Moery & Calin-Jageman 2016 and Deary et al. 2003. Printed to 7 digits.
# m1, sd1, n1, m2, sd2, n2, margin, dof, p_lower, p_upper, low, high
MOERY = (5.25, 0.95, 95, 5.22, 0.83, 89, 0.384, 181.1344, 0.0009458745, 0.003838994, -0.1870843, 0.2470843)
DEARY = (
    *(100.64, 14.1, 39343, 100.48, 14.9, 40033, 0.7252758),
    *(79260.94, 4.092652e-18, 2.007585e-08, -0.009341433, 0.3293414),
)


@pytest.mark.parametrize("case", [MOERY, DEARY], ids=["moery", "deary"])
def test_matches_printed_examples(case: tuple[float, ...]) -> None:
    m1, sd1, n1, m2, sd2, n2, margin, dof, p_lower, p_upper, low, high = case
    estimate = from_standard_errors(m1, sd1 / math.sqrt(n1), n1 - 1, m2, sd2 / math.sqrt(n2), n2 - 1)
    result = two_one_sided(estimate, margin)
    assert estimate.dof == pytest.approx(dof, rel=1e-5)
    assert (result.p_lower, result.p_upper) == pytest.approx((p_lower, p_upper), rel=1e-5)
    assert result.interval == pytest.approx((low, high), rel=1e-5)
    assert result.equivalent


def test_agrees_with_statsmodels() -> None:
    t, b = [3.1, 3.4, 2.9, 3.3], [3.0, 3.2, 3.1]
    p, lower, upper = ttost_ind(t, b, -0.5, 0.5, usevar="unequal")
    result = two_one_sided(welch(t, b), 0.5)
    assert (result.p, result.p_lower, result.p_upper) == pytest.approx((p, lower[1], upper[1]), rel=1e-10)


estimates = st.builds(
    Estimate,
    difference=st.floats(-10.0, 10.0),
    standard_error=st.floats(0.01, 5.0),
    dof=st.floats(1.0, 100.0) | st.just(math.inf),
)


@given(estimates, st.floats(0.01, 20.0))
def test_equivalent_just_when_interval_lies_inside(estimate: Estimate, margin: float) -> None:
    result = two_one_sided(estimate, margin)
    low, high = result.interval
    gap = min(low + margin, margin - high)
    if abs(gap) > 1e-9:
        assert result.equivalent == (gap > 0.0)


@given(estimates, st.floats(0.01, 20.0))
def test_swapping_treatments_swaps_the_two_tests(estimate: Estimate, margin: float) -> None:
    mirrored = Estimate(
        difference=-estimate.difference, standard_error=estimate.standard_error, dof=estimate.dof
    )
    a, b = two_one_sided(estimate, margin), two_one_sided(mirrored, margin)
    assert (a.p_lower, a.p_upper, a.p) == pytest.approx((b.p_upper, b.p_lower, b.p), rel=1e-12)


@given(estimates, st.floats(0.01, 20.0), st.floats(1.0, 3.0))
def test_wider_margin_is_easier(estimate: Estimate, margin: float, factor: float) -> None:
    assert two_one_sided(estimate, margin * factor).p <= two_one_sided(estimate, margin).p * (1 + 1e-12)


def test_faults() -> None:
    estimate = Estimate(difference=0.0, standard_error=1.0, dof=4)
    with pytest.raises(ValueError, match="margin"):
        two_one_sided(estimate, 0.0)
    with pytest.raises(ValueError, match="margin"):
        two_one_sided(estimate, math.nan)
    with pytest.raises(ValueError, match="alpha"):
        two_one_sided(estimate, 1.0, alpha=0.5)
