"""Contrasts against NIST and Boost figures, closed forms, properties and simulated coverage."""

import csv
import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats
from statsmodels.regression.linear_model import OLS

from generator.evidence.contrast_statistics import (
    Estimate,
    NoScatter,
    TooFewRuns,
    coverage_factor,
    dof_beside_systematic,
    effective_dof,
    from_standard_errors,
    interval,
    known_scatter,
    p_value,
    paired_blocks,
    pooled,
    summarise,
    treatments_with_linear_drift,
    welch,
    with_linear_drift,
    with_systematic,
)

DATA = Path(__file__).parents[1] / "data" / "statistics"


def read(name: str) -> list[dict[str, str]]:
    with (DATA / name).open(newline="") as file:
        return list(csv.DictReader(file))


PUBLISHED = {(row["case"], row["quantity"]): float(row["value"]) for row in read("auto83b_published.csv")}
MPG = {
    group: [float(row["mpg"]) for row in read("auto83b.csv") if row["group"] == group]
    for group in ("us", "japan")
}
CERTIFIED = read("strd_univariate_certified.csv")


# --- published values ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("certified", CERTIFIED, ids=[row["dataset"] for row in CERTIFIED])
def test_mean_and_sd_match_nist(certified: dict[str, str]) -> None:
    # NIST StRD, Univariate Summary Statistics, certified to 15 digits. float64 cannot hold x.1 at the size
    # of NumAcc3 and NumAcc4, hence their wider limits; the one-pass formula fails even those.
    name = certified["dataset"]
    sd_limit = {"NumAcc3": 1e-9, "NumAcc4": 1e-8}.get(name, 1e-12)
    group = summarise([float(row["value"]) for row in read(f"strd_{name.lower()}.csv")])
    assert group.runs == int(certified["n"])
    assert group.mean == pytest.approx(float(certified["mean"]), rel=1e-13)
    assert group.sd == pytest.approx(float(certified["sd"]), rel=sd_limit)


def test_group_summaries_match_handbook() -> None:
    for group, values in MPG.items():
        summary = summarise(values)
        assert summary.runs == PUBLISHED["summary", f"n_{group}"]
        assert summary.mean == pytest.approx(PUBLISHED["summary", f"mean_{group}"], abs=5e-6)
        assert summary.sd == pytest.approx(PUBLISHED["summary", f"sd_{group}"], abs=5e-6)


def test_pooled_matches_handbook() -> None:
    # NIST/SEMATECH e-Handbook 1.3.5.3 (t, df, pooled sd, critical values); p from Boost.Math documentation.
    estimate = pooled(MPG["us"], MPG["japan"])
    assert estimate.dof == PUBLISHED["pooled", "df"]
    assert estimate.difference / estimate.standard_error == pytest.approx(PUBLISHED["pooled", "t"], abs=1e-5)
    sd = estimate.standard_error / math.sqrt(1 / len(MPG["us"]) + 1 / len(MPG["japan"]))
    assert sd == pytest.approx(PUBLISHED["pooled", "pooled_sd"], abs=5e-6)
    assert coverage_factor(0.95, estimate.dof) == pytest.approx(
        PUBLISHED["pooled", "t_crit_two_sided_0.05"], abs=5e-5
    )
    assert coverage_factor(0.90, estimate.dof) == pytest.approx(
        PUBLISHED["pooled", "t_crit_one_sided_0.05"], abs=5e-5
    )
    assert p_value(estimate) == pytest.approx(PUBLISHED["pooled", "p_two_sided"], rel=5e-4)


def test_welch_matches_boost() -> None:
    # Boost.Math documentation, "Comparing the means of two samples", same data. Boost worked from rounded
    # summaries, which moves the degrees of freedom by 1e-5.
    estimate = welch(MPG["us"], MPG["japan"])
    assert estimate.difference / estimate.standard_error == pytest.approx(PUBLISHED["welch", "t"], abs=1e-5)
    assert estimate.dof == pytest.approx(PUBLISHED["welch", "df"], abs=2e-5)
    assert p_value(estimate) == pytest.approx(PUBLISHED["welch", "p_two_sided"], rel=5e-4)


# GUM (JCGM 100:2008) Table G.2, columns 95 % and 99 %, printed to two decimals (values from memory).
@pytest.mark.parametrize(
    ("dof", "k95", "k99"), [(1, 12.71, 63.66), (5, 2.57, 4.03), (16, 2.12, 2.92), (math.inf, 1.960, 2.576)]
)
def test_coverage_factor_matches_gum_table(dof: float, k95: float, k99: float) -> None:
    assert coverage_factor(0.95, dof) == pytest.approx(k95, abs=5e-3)
    assert coverage_factor(0.99, dof) == pytest.approx(k99, abs=5e-3)


def test_effective_dof_matches_gum_h1() -> None:
    # GUM H.1.6: 5.8 nm (24), 3.9 nm (5), 6.7 nm (8); prints 25.6 from the rounded 9.7 nm, unrounded 25.447
    assert effective_dof([5.8, 3.9, 6.7], [24, 5, 8]) == pytest.approx(25.447, abs=5e-4)
    assert effective_dof([1.0, 2.0], [math.inf, math.inf]) == math.inf
    assert effective_dof([0.0], [3]) == math.inf


# --- second opinions ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("equal_var", [True, False])
def test_two_groups_agree_with_scipy(equal_var: bool) -> None:
    rng = np.random.default_rng(20)
    t, b = rng.normal(3.0, 2.0, 4), rng.normal(2.0, 0.7, 7)
    theirs = stats.ttest_ind(t, b, equal_var=equal_var)
    ours = pooled(t, b) if equal_var else welch(t, b)
    assert ours.dof == pytest.approx(theirs.df, rel=1e-12)
    assert p_value(ours) == pytest.approx(theirs.pvalue, rel=1e-10)
    limits = theirs.confidence_interval(0.95)
    assert interval(ours) == pytest.approx((limits.low, limits.high), rel=1e-10)


def test_paired_agrees_with_scipy_and_averages_within_blocks() -> None:
    rng = np.random.default_rng(21)
    t, b = rng.normal(5.0, 1.0, (6, 2)), rng.normal(4.0, 1.0, (6, 3))
    ours = paired_blocks(dict(enumerate(t)), dict(enumerate(b)))
    theirs = stats.ttest_rel(t.mean(axis=1), b.mean(axis=1))
    assert ours.dof == 5
    assert p_value(ours) == pytest.approx(theirs.pvalue, rel=1e-10)
    limits = theirs.confidence_interval(0.95)
    assert interval(ours) == pytest.approx((limits.low, limits.high), rel=1e-10)


def test_linear_drift_agrees_with_statsmodels() -> None:
    rng = np.random.default_rng(22)
    treatments = ["b", "t", "s", "t", "b", "s", "s", "b", "t"]
    order = np.array([1, 2, 3, 4, 6, 7, 8, 9, 11], dtype=float)
    values = 100.0 + rng.normal(0.0, 0.5, 9) + 0.2 * order + np.array([x == "t" for x in treatments]) * 2.0
    fits = treatments_with_linear_drift(values, treatments, "b", order)
    design = np.column_stack(
        [
            np.ones(9),
            np.array([x == "t" for x in treatments], dtype=float),
            np.array([x == "s" for x in treatments], dtype=float),
            order - order.mean(),
        ]
    )
    theirs = OLS(values, design).fit()
    assert set(fits) == {"t", "s"}
    for column, label in ((1, "t"), (2, "s")):
        fit = fits[label]
        assert fit.effect.dof == theirs.df_resid == 5
        assert fit.effect.difference == pytest.approx(theirs.params[column], rel=1e-10)
        assert fit.effect.standard_error == pytest.approx(theirs.bse[column], rel=1e-10)
        assert fit.drift.difference == pytest.approx(theirs.params[3], rel=1e-10)
        assert fit.drift.standard_error == pytest.approx(theirs.bse[3], rel=1e-10)
        assert fit.baseline_mean == pytest.approx(theirs.params[0], rel=1e-12)
        assert fit.baseline_variance == pytest.approx(theirs.cov_params()[0, 0], rel=1e-10)
        assert fit.covariance == pytest.approx(theirs.cov_params()[0, column], rel=1e-10)
        assert fit.residual_sd == pytest.approx(math.sqrt(theirs.mse_resid), rel=1e-10)
        assert p_value(fit.effect) == pytest.approx(theirs.pvalues[column], rel=1e-9)


# --- worked by hand -----------------------------------------------------------------------------------------


def test_known_scatter_by_hand() -> None:
    # one run against two, sd 3: standard error 3 sqrt(1 + 1/2); degrees of freedom those of the history
    estimate = known_scatter(12.0, [9.0, 11.0], 3.0, 24)
    assert estimate == Estimate(difference=2.0, standard_error=3.0 * math.sqrt(1.5), dof=24)


def test_systematic_by_hand() -> None:
    # 3 and 4 give 5; effective dof 5^4 / (3^4 / 8)
    combined = with_systematic(Estimate(difference=1.0, standard_error=3.0, dof=8), 4.0)
    assert combined.standard_error == pytest.approx(5.0)
    assert combined.dof == pytest.approx(625.0 / (81.0 / 8.0))
    untouched = with_systematic(Estimate(difference=1.0, standard_error=3.0, dof=8), 0.0)
    assert untouched == Estimate(difference=1.0, standard_error=3.0, dof=8)


def test_balanced_order_costs_the_effect_nothing() -> None:
    # b t t b b t t b: treatment and order are uncorrelated, so a pure drift leaves the effect alone
    order = np.arange(8.0)
    flags = np.array([0, 1, 1, 0, 0, 1, 1, 0], dtype=bool)
    noise = np.array([0.1, -0.1, 0.1, -0.1, -0.1, 0.1, -0.1, 0.1])
    values = 10.0 + 0.7 * order + 2.0 * flags + noise
    fit = with_linear_drift(values, flags, order)
    assert fit.variance_inflation == pytest.approx(1.0, abs=1e-12)
    assert fit.effect.difference == pytest.approx(2.0, abs=1e-12)
    assert fit.drift.difference == pytest.approx(0.7, abs=1e-12)
    # without the drift term the same runs leave the effect in doubt
    assert p_value(fit.effect) < 1e-4
    assert p_value(pooled(values[flags], values[~flags])) > 0.05


def test_treatments_one_after_the_other_cost_dear() -> None:
    # b b b b t t t t: correlation of flag and order is sqrt(16/21), so 1 / (1 - r^2) = 21/5
    flags = np.arange(8) >= 4
    values = np.array([1.0, 1.2, 0.9, 1.1, 1.0, 1.3, 1.1, 0.8])
    assert with_linear_drift(values, flags, np.arange(8.0)).variance_inflation == pytest.approx(21.0 / 5.0)


# --- runs that agree exactly --------------------------------------------------------------------------------


def test_runs_without_scatter_are_refused() -> None:
    same, other = [5.0, 5.0, 5.0], [5.1, 5.1, 5.1]
    for contrast in (welch, pooled):
        with pytest.raises(NoScatter, match="resolution_sd"):
            contrast(other, same)
    with pytest.raises(NoScatter, match="resolution_sd"):
        paired_blocks({1: 5.1, 2: 6.1}, {1: 5.0, 2: 6.0})
    with pytest.raises(NoScatter, match="resolution_sd"):
        with_linear_drift([1.0, 3.0, 4.0, 4.0], [False, True, True, False], [0, 1, 2, 3])
    with pytest.raises(NoScatter, match="resolution_sd"):
        known_scatter(1.0, 2.0, 0.0, 10)
    with pytest.raises(NoScatter, match="resolution_sd"):
        from_standard_errors(1.0, 0.0, 5, 2.0, 0.0, 5)
    with pytest.raises(NoScatter, match="resolution_sd"):
        Estimate(difference=1.0, standard_error=0.0, dof=3)


def test_scatter_of_the_arithmetic_alone_is_refused() -> None:
    # 0.1 + 0.2 and 0.3 differ in the last place
    with pytest.raises(NoScatter, match="do not scatter"):
        welch([0.1 + 0.2, 0.3], [0.4, 0.4])


def test_resolution_is_a_floor_and_no_more() -> None:
    # Readings on one step share its rounding error, so the floor is not divided by the number of runs.
    floored = welch([5.1] * 4, [5.0] * 4, resolution_sd=0.03)
    assert floored.standard_error == pytest.approx(0.03 * math.sqrt(2.0))
    assert paired_blocks({1: 5.1, 2: 6.1}, {1: 5.0, 2: 6.0}, resolution_sd=0.03).standard_error == (
        pytest.approx(0.03 * math.sqrt(2.0))
    )
    assert pooled([5.1] * 4, [5.0] * 4, resolution_sd=0.03) == Estimate(
        difference=5.1 - 5.0, standard_error=math.sqrt(2.0) * 0.03, dof=6
    )
    drifting = with_linear_drift(
        [1.0, 3.0, 4.0, 4.0], [False, True, True, False], [0, 1, 2, 3], resolution_sd=0.03
    )
    assert drifting.effect.standard_error == pytest.approx(0.03 * math.sqrt(2.0))
    t, b = [5.0, 5.4, 5.2], [4.0, 4.6, 4.1]
    assert welch(t, b, resolution_sd=0.03) == welch(t, b)


# --- properties ---------------------------------------------------------------------------------------------

numbers = st.floats(min_value=-100.0, max_value=100.0)
groups = st.lists(numbers, min_size=2, max_size=6).filter(lambda v: np.std(v) > 1e-3)


@given(groups, groups, st.floats(-1000.0, 1000.0))
def test_shifting_both_groups_changes_nothing(t: list[float], b: list[float], shift: float) -> None:
    before = welch(t, b)
    after = welch(np.array(t) + shift, np.array(b) + shift)
    assert after.difference == pytest.approx(before.difference, abs=1e-9)
    assert after.standard_error == pytest.approx(before.standard_error, rel=1e-6)
    assert after.dof == pytest.approx(before.dof, rel=1e-6)


@given(groups, groups, st.floats(0.01, 1e6))
def test_scaling_scales(t: list[float], b: list[float], factor: float) -> None:
    before, after = welch(t, b), welch(np.array(t) * factor, np.array(b) * factor)
    assert after.difference == pytest.approx(before.difference * factor, rel=1e-9, abs=1e-9 * factor)
    assert after.standard_error == pytest.approx(before.standard_error * factor, rel=1e-9)
    assert after.dof == pytest.approx(before.dof, rel=1e-9)
    assert p_value(after) == pytest.approx(p_value(before), rel=1e-6, abs=1e-12)


@given(groups, groups)
def test_swapping_flips_the_sign(t: list[float], b: list[float]) -> None:
    forth, back = welch(t, b), welch(b, t)
    assert back.difference == -forth.difference
    low, high = interval(forth)
    assert interval(back) == pytest.approx((-high, -low), rel=1e-12)
    assert p_value(back) == pytest.approx(p_value(forth), rel=1e-12)


@given(groups, groups)
def test_welch_dof_lies_between_its_bounds(t: list[float], b: list[float]) -> None:
    dof = welch(t, b).dof
    smaller = min(len(t), len(b)) - 1
    assert smaller * (1 - 1e-12) <= dof <= (len(t) + len(b) - 2) * (1 + 1e-12)


@given(groups, groups, st.floats(0.5, 0.99))
def test_interval_excludes_just_what_the_p_value_rejects(
    t: list[float], b: list[float], level: float
) -> None:
    estimate = welch(t, b)
    low, high = interval(estimate, level)
    assert p_value(estimate, low) == pytest.approx(1.0 - level, rel=1e-6)
    assert p_value(estimate, high) == pytest.approx(1.0 - level, rel=1e-6)


@given(groups, groups, st.floats(0.0, 50.0))
def test_a_systematic_part_never_helps(t: list[float], b: list[float], u: float) -> None:
    before = welch(t, b)
    after = with_systematic(before, u)
    assert after.standard_error >= before.standard_error
    assert after.dof >= before.dof * (1 - 1e-12)
    # Welch-Satterthwaite alone would narrow the interval with few runs
    narrow, wide = interval(before), interval(after)
    assert wide[1] - wide[0] >= (narrow[1] - narrow[0]) * (1 - 1e-6)


@given(
    st.floats(0.01, 10.0), st.floats(1.0, 30.0), st.floats(0.001, 10.0), st.sampled_from([0.9, 0.95, 0.99])
)
def test_dof_beside_a_systematic_lie_between_those_of_the_scatter_and_welch_satterthwaite(
    scatter: float, dof: float, u: float, level: float
) -> None:
    found = dof_beside_systematic(scatter, dof, u, level)
    assert dof * (1 - 1e-9) <= found <= effective_dof((scatter, u), (dof, math.inf)) * (1 + 1e-9)
    # exactly the wider of the two intervals, at the level asked for
    both = coverage_factor(level, effective_dof((scatter, u), (dof, math.inf))) * math.hypot(scatter, u)
    widest = max(both, coverage_factor(level, dof) * scatter)
    assert coverage_factor(level, found) * math.hypot(scatter, u) == pytest.approx(widest, rel=1e-6)


def test_two_blocks_and_a_small_systematic_keep_what_they_promise() -> None:
    # 20 000 simulated sessions of two blocks; Welch-Satterthwaite alone covers 87 % there
    rng = np.random.default_rng(5)
    pairs = rng.normal(0.0, 1.0, (20_000, 2))
    rig = rng.normal(0.0, 0.25, 20_000)
    held = 0
    for (x, y), error in zip(pairs, rig, strict=True):
        scatter = Estimate(difference=(x + y) / 2 + error, standard_error=abs(x - y) / 2, dof=1)
        low, high = interval(with_systematic(scatter, 0.25))
        held += low <= 0.0 <= high
    assert 0.945 < held / 20_000 < 0.97


@given(st.floats(-5.0, 5.0), st.floats(-3.0, 3.0))
def test_drift_in_the_data_does_not_reach_the_effect(slope: float, effect: float) -> None:
    flags = np.array([0, 1, 0, 1, 1, 0, 1], dtype=bool)
    order = np.arange(7.0)
    noise = np.array([0.3, -0.2, 0.1, 0.4, -0.3, -0.1, 0.2])
    plain = with_linear_drift(noise, flags, order)
    fit = with_linear_drift(noise + slope * order + effect * flags, flags, order)
    assert fit.effect.difference == pytest.approx(plain.effect.difference + effect, abs=1e-9)
    assert fit.effect.standard_error == pytest.approx(plain.effect.standard_error, rel=1e-9)
    assert fit.drift.difference == pytest.approx(plain.drift.difference + slope, abs=1e-9)


@given(st.lists(numbers, min_size=3, max_size=6), st.lists(st.floats(-1e3, 1e3), min_size=6, max_size=6))
def test_what_a_block_shares_drops_out(differences: list[float], shared: list[float]) -> None:
    if np.std(differences) < 1e-3:
        differences = [*differences[:-1], differences[-1] + 1.0]
    t = {i: d + shared[i] for i, d in enumerate(differences)}
    b = {i: shared[i] for i in range(len(differences))}
    ours = paired_blocks(t, b)
    assert ours.difference == pytest.approx(float(np.mean(differences)), abs=1e-9)
    assert ours.standard_error == pytest.approx(
        float(np.std(differences, ddof=1)) / math.sqrt(len(differences)), rel=1e-6
    )


# --- coverage by simulation ---------------------------------------------------------------------------------

TRIALS = 3000


def assert_covers_95(hits: int) -> None:
    """3.5 standard deviations of a binomial count either way; seeds are fixed, so this never flickers."""
    assert abs(hits - 0.95 * TRIALS) < 3.5 * math.sqrt(TRIALS * 0.95 * 0.05)


def holds(estimate: Estimate, truth: float) -> bool:
    low, high = interval(estimate, 0.95)
    return low <= truth <= high


def test_welch_interval_covers() -> None:
    rng = np.random.default_rng(1)
    t, b = rng.normal(7.0, 2.0, (TRIALS, 5)), rng.normal(5.0, 1.0, (TRIALS, 6))
    assert_covers_95(sum(holds(welch(x, y), 2.0) for x, y in zip(t, b, strict=True)))


def test_paired_interval_covers_where_blocks_differ() -> None:
    rng = np.random.default_rng(2)
    block = rng.normal(0.0, 10.0, (TRIALS, 4))
    t, b = block + rng.normal(1.5, 1.0, (TRIALS, 4)), block + rng.normal(0.0, 1.0, (TRIALS, 4))
    hits = sum(
        holds(paired_blocks(dict(enumerate(x)), dict(enumerate(y))), 1.5) for x, y in zip(t, b, strict=True)
    )
    assert_covers_95(hits)


def test_drift_interval_covers() -> None:
    rng = np.random.default_rng(3)
    flags = np.array([0, 1, 1, 0, 1, 0], dtype=bool)
    order = np.arange(6.0)
    values = 50.0 + 2.0 * flags + 3.0 * order + rng.normal(0.0, 1.0, (TRIALS, 6))
    fits = [with_linear_drift(row, flags, order) for row in values]
    assert_covers_95(sum(holds(fit.effect, 2.0) for fit in fits))
    assert_covers_95(sum(holds(fit.drift, 3.0) for fit in fits))


def test_known_scatter_interval_covers() -> None:
    rng = np.random.default_rng(4)
    history = np.sqrt(rng.chisquare(12, TRIALS) / 12)
    t, b = rng.normal(1.0, 1.0, TRIALS), rng.normal(0.0, 1.0, TRIALS)
    hits = sum(holds(known_scatter(x, y, s, 12), 1.0) for x, y, s in zip(t, b, history.tolist(), strict=True))
    assert_covers_95(hits)


# --- one case per fault -------------------------------------------------------------------------------------


def test_faults() -> None:
    with pytest.raises(TooFewRuns, match="two runs a treatment"):
        welch([1.0], [1.0, 2.0])
    with pytest.raises(TooFewRuns, match="two runs a treatment"):
        pooled([1.0, 2.0], [1.0])
    with pytest.raises(TooFewRuns, match="two blocks"):
        paired_blocks({1: 1.0}, {1: 2.0})
    with pytest.raises(ValueError, match="leave them out: 2, 3"):
        paired_blocks({1: 1.0, 2: 2.0}, {1: 2.0, 3: 1.0})
    with pytest.raises(ValueError, match="finite number"):
        summarise([1.0, math.nan])
    with pytest.raises(ValueError, match="shape"):
        summarise([])
    with pytest.raises(ValueError, match="level"):
        coverage_factor(95.0, 10)
    with pytest.raises(ValueError, match="difference must be finite"):
        Estimate(difference=math.nan, standard_error=1.0, dof=2)
    with pytest.raises(ValueError, match="positive and finite"):
        Estimate(difference=1.0, standard_error=-1.0, dof=2)
    with pytest.raises(ValueError, match="degrees of freedom"):
        Estimate(difference=1.0, standard_error=1.0, dof=0)
    with pytest.raises(ValueError, match="not negative"):
        with_systematic(Estimate(difference=1.0, standard_error=1.0, dof=2), -1.0)


def test_drift_faults() -> None:
    with pytest.raises(TooFewRuns, match="3 runs are too few for 2 treatments and a drift, which need 4"):
        with_linear_drift([1.0, 2.0, 3.0], [False, True, False], [0, 1, 2])
    with pytest.raises(ValueError, match="order cannot be told from treatment"):
        with_linear_drift([1.0, 2.0, 3.0, 5.0], [False, False, True, True], [1, 1, 2, 2])
    with pytest.raises(ValueError, match="order is the same"):
        with_linear_drift([1.0, 2.0, 3.0, 5.0], [False, True, False, True], [1, 1, 1, 1])
    with pytest.raises(ValueError, match="another treatment"):
        with_linear_drift([1.0, 2.0, 3.0, 5.0], [False] * 4, [1, 2, 3, 4])
    with pytest.raises(ValueError, match="baseline 'baseline'"):
        with_linear_drift([1.0, 2.0, 3.0, 5.0], [True] * 4, [1, 2, 3, 4])
    with pytest.raises(ValueError, match="one value, treatment and order a run: 4, 3, 4"):
        with_linear_drift([1.0, 2.0, 3.0, 5.0], [True, False, True], [1, 2, 3, 4])
