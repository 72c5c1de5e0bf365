"""Relative contrasts against a published Fieller interval, the delta method, properties and simulation."""

import math

import numpy as np
import pytest
import uncertainties
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from generator.evidence.contrast_statistics import NoScatter, TooFewRuns, with_linear_drift
from generator.evidence.ratio import (
    Relative,
    Systematic,
    at_level,
    relative_from_standard_errors,
    relative_known_scatter,
    relative_paired_blocks,
    relative_welch,
    relative_with_drift,
)

# R, set.seed(12345): 1 + first five and 2 + next five standard normal numbers (seven digits, from memory;
# their means agree with the printed 1.2676164 and 1.4664953).
NUMERATOR = 1.0 + np.array([0.5855288, 0.7094660, -0.1093033, -0.4534972, 0.6058875])
DENOMINATOR = 2.0 + np.array([-1.8179560, 0.6300986, -0.2761841, -0.2841597, -0.9193220])


def test_matches_printed_fieller_interval() -> None:
    # R package mratios, t.test.ratio (unequal variances, degrees of freedom at the estimated ratio), output
    # printed on mikuhatsune.hatenadiary.com, 12 December 2012: ratio 0.8643849, 0.4056763 to 2.6170008.
    result = relative_welch(NUMERATOR, DENOMINATOR)
    assert np.mean(NUMERATOR) == pytest.approx(1.2676164, abs=5e-8)
    assert np.mean(DENOMINATOR) == pytest.approx(1.4664953, abs=1e-7)
    assert result.relative == pytest.approx(0.8643849 - 1.0, abs=1e-7)
    assert result.bounded
    assert result.interval == pytest.approx((0.4056763 - 1.0, 2.6170008 - 1.0), abs=1e-6)


# D. G. Bonett & R. M. Price, J. Educ. Behav. Statist. 45 (2020) 750-770, example of the R package statpsych,
# ci.ratio.mean.ps: paired log-ratio (delta method) interval 1.09417 to 1.175583 about 1.134146.
PAIR_1 = [3.3, 3.6, 3.0, 3.1, 3.9, 4.2, 3.5, 3.3]
PAIR_2 = [3.0, 3.1, 2.7, 2.6, 3.2, 3.8, 3.2, 3.0]


def test_paired_interval_lies_close_to_printed_log_ratio_interval() -> None:
    result = relative_paired_blocks(dict(enumerate(PAIR_1)), dict(enumerate(PAIR_2)))
    assert result.dof == pytest.approx(7)
    assert 1.0 + result.relative == pytest.approx(1.134146, abs=5e-7)
    # the delta standard error is the printed half-width of the log interval
    half = math.log(1.175583 / 1.09417) / 2.0
    t = stats.t.ppf(0.975, 7)
    assert result.standard_error / (1.0 + result.relative) * t == pytest.approx(half, abs=1e-6)
    # Fieller differs from it by second order only: both are within 0.001 here
    assert result.interval is not None
    assert result.interval == pytest.approx((0.09417, 0.175583), abs=1e-3)


def log_ratio_interval(t: np.ndarray, b: np.ndarray, dof: float) -> tuple[float, float]:
    """Delta method on the logarithm: close to Fieller where the scatter is a small part of the means."""
    u = math.sqrt(t.var(ddof=1) / t.size / t.mean() ** 2 + b.var(ddof=1) / b.size / b.mean() ** 2)
    k = stats.t.ppf(0.975, dof)
    middle = math.log(t.mean() / b.mean())
    return math.expm1(middle - k * u), math.expm1(middle + k * u)


def test_agrees_with_log_ratio_delta_method_where_scatter_is_small() -> None:
    rng = np.random.default_rng(5)
    t, b = rng.normal(102.0, 0.5, 5), rng.normal(100.0, 0.3, 4)
    result = relative_welch(t, b)
    assert result.interval == pytest.approx(log_ratio_interval(t, b, result.dof), abs=5e-5)


def test_limits_invert_the_t_test() -> None:
    # at either limit rho, (treatment - rho baseline) is just as far from zero as t allows
    t, b = np.array([9.0, 11.0, 10.5]), np.array([4.0, 6.0, 5.2, 4.4])
    result = relative_welch(t, b)
    assert result.interval is not None
    for limit in result.interval:
        rho = 1.0 + limit
        error = math.sqrt(t.var(ddof=1) / 3 + rho**2 * b.var(ddof=1) / 4)
        assert abs(t.mean() - rho * b.mean()) / error == pytest.approx(stats.t.ppf(0.975, result.dof))


def test_standard_error_agrees_with_uncertainties() -> None:
    t, b = uncertainties.ufloat(310.0, 2.0), uncertainties.ufloat(300.0, 1.5)
    offset = uncertainties.ufloat(0.0, 1.0)
    gain = uncertainties.ufloat(1.0, 0.02)
    expected = gain * (t + offset) / (gain * (b + offset)) - 1.0
    result = relative_from_standard_errors(
        310.0, 2.0, math.inf, 300.0, 1.5, math.inf, systematic=Systematic(common_offset=1.0)
    )
    assert result.relative == pytest.approx(expected.nominal_value, rel=1e-12)
    assert result.standard_error == pytest.approx(expected.std_dev, rel=1e-9)
    assert result.dof == math.inf


def test_a_common_offset_matters_only_through_the_difference() -> None:
    same = Systematic(common_offset=5.0)
    t = [100.0, 101.0, 102.0]
    level_pegging = relative_welch(t, [100.5, 101.5, 101.0], systematic=same)
    alone = relative_welch(t, [100.5, 101.5, 101.0])
    assert level_pegging.standard_error == pytest.approx(alone.standard_error, rel=1e-12)
    apart = relative_welch(t, [50.5, 51.5, 51.0], systematic=same)
    assert apart.standard_error > 2.0 * relative_welch(t, [50.5, 51.5, 51.0]).standard_error


def test_own_systematics_add_in_quadrature_and_raise_dof() -> None:
    t, b = [100.0, 101.0, 102.0], [100.5, 101.5, 101.0]
    alone = relative_welch(t, b)
    own = relative_welch(t, b, systematic=Systematic(treatment=3.0, baseline=4.0))
    # the ratio is 1, so the two parts weigh alike
    assert own.standard_error == pytest.approx(math.hypot(alone.standard_error, 5.0 / 101.0), rel=1e-9)
    assert own.dof > alone.dof


# --- the baseline not clear of zero -------------------------------------------------------------------------


def test_baseline_not_clear_of_zero_is_unbounded() -> None:
    result = relative_welch([1.0, 2.0, 3.0], [-1.0, 0.5, 1.5])
    assert result.bounded is False
    assert result.interval is None
    assert math.isfinite(result.relative)


def test_bounded_just_when_the_baseline_excludes_zero() -> None:
    # single-part case: its t is the one that judges the baseline, t(10) = 2.2281 at 95 %
    for baseline, bounded in ((2.22, False), (2.24, True)):
        assert relative_known_scatter(5.0, baseline, 1.0, 10).bounded is bounded


def test_baseline_of_exactly_zero_has_no_percentage() -> None:
    result = relative_known_scatter(5.0, 0.0, 1.0, 10)
    assert math.isnan(result.relative)
    assert (result.bounded, result.interval) == (False, None)


# --- drift and blocks ---------------------------------------------------------------------------------------


def test_with_drift_equals_pooled_when_the_design_is_balanced() -> None:
    flags = np.array([0, 1, 1, 0, 0, 1, 1, 0], dtype=bool)
    rng = np.random.default_rng(6)
    values = 100.0 + 3.0 * flags + rng.normal(0.0, 1.0, 8)
    fit = with_linear_drift(values, flags, np.arange(8))
    result = relative_with_drift(fit)
    t, b = values[flags].mean(), values[~flags].mean()
    expected = relative_known_scatter(values[flags], values[~flags], fit.residual_sd, 5)
    assert result.relative == pytest.approx(t / b - 1.0, rel=1e-9)
    assert result.interval == pytest.approx(expected.interval, rel=1e-9)


def test_gain_that_changes_from_block_to_block_cancels_in_pairs() -> None:
    gain = np.array([1.0, 1.1, 0.9, 1.05])
    noise = np.array([0.1, -0.1, 0.05, -0.05])
    t, b = gain * (103.0 + noise), gain * (100.0 - noise)
    paired = relative_paired_blocks(dict(enumerate(t)), dict(enumerate(b)))
    unpaired = relative_welch(t, b)
    assert paired.relative == pytest.approx(0.03, abs=5e-4)
    assert paired.standard_error < 0.05 * unpaired.standard_error


# --- properties ---------------------------------------------------------------------------------------------

groups = st.lists(st.floats(50.0, 150.0), min_size=2, max_size=6).filter(lambda v: np.std(v) > 0.01)


def same(a: Relative, b: Relative, rel: float = 1e-7) -> None:
    assert a.bounded == b.bounded
    assert a.relative == pytest.approx(b.relative, rel=rel, abs=1e-9)
    if a.interval is not None and b.interval is not None and max(map(abs, a.interval)) < 100.0:
        assert a.interval == pytest.approx(b.interval, rel=rel, abs=1e-9)


@given(groups, groups, st.floats(0.01, 100.0))
def test_a_gain_common_to_both_cancels(t: list[float], b: list[float], gain: float) -> None:
    same(relative_welch(np.array(t) * gain, np.array(b) * gain), relative_welch(t, b))


@given(groups, groups)
def test_changing_the_sign_of_both_changes_nothing(t: list[float], b: list[float]) -> None:
    same(relative_welch(-np.array(t), -np.array(b)), relative_welch(t, b))


@given(groups, groups)
def test_swapping_inverts_the_ratio(t: list[float], b: list[float]) -> None:
    # Fieller's set of ratios is the same whichever way round; the degrees of freedom too, at the same ratio
    forth, back = relative_welch(t, b), relative_welch(b, t)
    assert (1.0 + back.relative) * (1.0 + forth.relative) == pytest.approx(1.0, rel=1e-12)
    assert forth.dof == pytest.approx(back.dof, rel=1e-9)
    if forth.interval is not None and back.interval is not None:
        low, high = (1.0 + x for x in forth.interval)
        if low > 0.01 and high < 100.0:
            assert 1.0 / high - 1.0 == pytest.approx(back.interval[0], rel=1e-6, abs=1e-8)
            assert 1.0 / low - 1.0 == pytest.approx(back.interval[1], rel=1e-6, abs=1e-8)


@given(groups, groups)
def test_interval_holds_the_estimate(t: list[float], b: list[float]) -> None:
    result = relative_welch(t, b)
    if result.interval is not None:
        assert result.interval[0] <= result.relative <= result.interval[1]


# --- coverage -----------------------------------------------------------------------------------------------

TRIALS = 3000


def assert_covers_95(results: list[Relative], truth: float) -> None:
    hits = sum(r.interval is not None and r.interval[0] <= truth <= r.interval[1] for r in results)
    assert abs(hits - 0.95 * TRIALS) < 3.5 * math.sqrt(TRIALS * 0.95 * 0.05)


def test_fieller_covers() -> None:
    # a baseline only twelve standard errors from zero, where the delta method is already lopsided
    rng = np.random.default_rng(7)
    t, b = rng.normal(15.0, 2.0, (TRIALS, 6)), rng.normal(10.0, 2.0, (TRIALS, 6))
    assert_covers_95([relative_welch(x, y) for x, y in zip(t, b, strict=True)], 0.5)


def test_paired_fieller_covers() -> None:
    rng = np.random.default_rng(8)
    block = rng.normal(10.0, 1.0, (TRIALS, 5))
    t, b = 1.2 * block + rng.normal(0.0, 0.5, (TRIALS, 5)), block + rng.normal(0.0, 0.5, (TRIALS, 5))
    results = [
        relative_paired_blocks(dict(enumerate(x)), dict(enumerate(y))) for x, y in zip(t, b, strict=True)
    ]
    assert_covers_95(results, 0.2)


def test_fieller_with_drift_covers() -> None:
    rng = np.random.default_rng(9)
    flags = np.array([0, 1, 1, 0, 1, 0], dtype=bool)
    order = np.arange(6.0)
    values = 20.0 + 4.0 * flags + 1.5 * (order - order.mean()) + rng.normal(0.0, 1.0, (TRIALS, 6))
    assert_covers_95([relative_with_drift(with_linear_drift(v, flags, order)) for v in values], 0.2)


# --- faults -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("level", [0.5, 0.9, 0.999])
def test_interval_at_another_level_is_that_made_afresh(level: float) -> None:
    t, b = [10.2, 10.9, 10.4], [9.7, 9.9, 10.3]
    systematic = Systematic(treatment=0.1, common_offset=0.05)
    afresh = relative_welch(t, b, level=level, systematic=systematic)
    assert at_level(relative_welch(t, b, systematic=systematic), level) == afresh


def test_another_level_may_lose_or_gain_the_bounds() -> None:
    t, b = [3.0, 5.0, 4.0], [-1.0, 2.0, 3.0]
    wide, narrow = relative_welch(t, b, level=0.99), relative_welch(t, b, level=0.3)
    assert (wide.bounded, narrow.bounded) == (False, True)
    assert at_level(wide, 0.3) == narrow
    assert at_level(narrow, 0.99) == wide
    zero = relative_welch(t, [-1.0, 1.0, 0.0])
    assert not at_level(zero, 0.5).bounded
    with pytest.raises(ValueError, match="between 0 and 1"):
        at_level(wide, 1.0)


def test_faults() -> None:
    with pytest.raises(TooFewRuns, match="two runs a treatment"):
        relative_welch([1.0], [1.0, 2.0])
    with pytest.raises(NoScatter, match="resolution_sd"):
        relative_welch([2.0, 2.0], [1.0, 1.0])
    with pytest.raises(NoScatter, match="resolution_sd"):
        relative_paired_blocks({1: 2.0, 2: 4.0}, {1: 1.0, 2: 2.0})
    with pytest.raises(ValueError, match="leave them out"):
        relative_paired_blocks({1: 2.0, 2: 4.0}, {1: 1.0, 3: 2.0})


def test_resolution_is_a_floor() -> None:
    floored = relative_welch([2.0, 2.0], [1.0, 1.0], resolution_sd=0.01)
    assert floored.standard_error == pytest.approx(0.01 * math.hypot(1.0, 2.0))
    paired = relative_paired_blocks({1: 2.0, 2: 4.0}, {1: 1.0, 2: 2.0}, resolution_sd=0.01)
    assert paired.standard_error == pytest.approx(0.01 * math.hypot(1.0, 2.0) / 1.5)
