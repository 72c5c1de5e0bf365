"""The width of a band that holds everywhere: closed forms, limits, and invented runs with known truth."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from generator.evidence.curve_band import UNKNOWN, crossings, simultaneous_factor, turning
from generator.evidence.estimates import estimate
from generator.evidence.summaries import gather
from tests.evidence.invented_bench import BASE, OTHER, at_speed, make_run, response

POINTS = 16
X = np.linspace(0.0, 1.0, POINTS)
# How the errors of a run hang together along the curve: rows are independent unit errors, columns points.
SHIFT = np.ones((1, POINTS))
SHIFT_AND_BEND = np.array([np.cos(0.6 * (X - 0.5)), np.sin(0.6 * (X - 0.5))])
HALF_TURN = np.array([np.cos(math.pi * X), np.sin(math.pi * X)])
APART = np.eye(POINTS)
_STEPS = np.array([np.interp(X, np.linspace(0.0, 1.0, 7), row) for row in np.eye(7)])
BETWEEN_STEPS = _STEPS / np.linalg.norm(_STEPS, axis=0)  # each of seven steps errs for itself


# --- closed forms -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("dof", [1.0, 3.0, 7.5, math.inf])
def test_what_moves_as_one_needs_no_more_than_a_single_point(dof):
    if dof >= 3.0:
        assert simultaneous_factor([0.0] * 9, dof, 0.05) == pytest.approx(stats.t.ppf(0.975, dof), rel=1e-9)
    assert simultaneous_factor([], dof, 0.05) == pytest.approx(stats.t.ppf(0.975, dof), rel=1e-9)


@pytest.mark.parametrize("dof", [1.0, 2.0, 3.0, 7.5, math.inf])
@pytest.mark.parametrize("alpha", [0.05, 0.1, 0.025])
def test_what_is_not_known_to_move_together_is_bonferroni(dof, alpha):
    bonferroni = stats.t.ppf(1.0 - alpha / 20.0, dof)  # ten points, two sides
    assert simultaneous_factor([UNKNOWN] * 9, dof, alpha) == pytest.approx(bonferroni, rel=1e-6)
    assert simultaneous_factor([math.pi / 2.0] * 9, dof, alpha) <= bonferroni * (1.0 + 1e-9)
    if dof < 3.0:
        assert simultaneous_factor([0.0] * 9, dof, alpha) == pytest.approx(bonferroni, rel=1e-6)


def test_a_slow_turning_of_known_errors_has_a_closed_form():
    # infinite dof: alpha = p + (length of the path / pi) exp(-t²/2), the tube about a curve on a sphere
    for length in (0.3, 1.0, 3.0):
        t = simultaneous_factor([length / 200.0] * 200, math.inf, 0.05)
        assert 2.0 * stats.norm.sf(t) + length / math.pi * math.exp(-(t**2) / 2.0) == pytest.approx(
            0.05, rel=1e-6
        )


@given(st.lists(st.floats(0.0, math.pi / 2.0), min_size=1, max_size=25), st.floats(1.0, 40.0))
def test_between_a_single_point_and_bonferroni(angles, dof):
    t = simultaneous_factor(angles, dof, 0.05)
    assert stats.t.ppf(0.975, dof) * (1.0 - 1e-9) <= t
    assert t <= stats.t.ppf(1.0 - 0.025 / (len(angles) + 1), dof) * (1.0 + 1e-6)
    assert simultaneous_factor([*angles, 0.1], dof, 0.05) >= t * (1.0 - 1e-9)


@pytest.mark.parametrize(("dof", "alpha"), [(0.0, 0.05), (math.nan, 0.05), (3.0, 0.0), (3.0, 1.0)])
def test_what_makes_no_band(dof, alpha):
    with pytest.raises(ValueError, match=r"must be positive|between 0 and 1"):
        simultaneous_factor([0.1], dof, alpha)


def test_crossings_lie_between_points_settled_either_way():
    x = [1.0, 2.0, 3.0, 4.0, 5.0, 6.0]
    assert crossings(x, [-1, -1, 0, 0, 1, 1]) == ((2.0, 5.0),)
    assert crossings(x, [1, -1, 0, 1, 0, 0]) == ((1.0, 2.0), (2.0, 4.0))
    assert crossings(x, [0, 1, 0, 1, 1, 0]) == ()


# --- the turning, from runs ---------------------------------------------------------------------------------


def observed(first, second, *, shared=None, blocks=False):
    """Observations at two conditions; each argument treatment -> values, shared: (at first, at second)."""
    gathered = []
    for place, values in enumerate((first, second)):
        runs = []
        for name, own in values.items():
            for repeat, value in enumerate(own):
                size = {"gain": shared[place][name]} if shared else {}
                one = response("electrical_power", value, at_speed(1000.0), scatter=0.1, shared=size)
                runs.append(make_run(name, 2 * repeat + (name == OTHER) + 1, one, block=repeat * blocks))
        ((_, by_treatment),) = gather(runs).items()
        gathered.append(by_treatment)
    return gathered


def angle(first, second, design, **more):
    here, there = observed(first, second, blocks=design == "blocks", **more)
    errors = [
        estimate(side, OTHER, BASE, design, relative=False).difference.standard_error
        for side in (here, there)
    ]
    return turning(here, there, (errors[0], errors[1]), OTHER, BASE, design)


RNG = np.random.default_rng(8)
FIRST = {BASE: RNG.normal(100.0, 1.0, 4), OTHER: RNG.normal(103.0, 1.0, 4)}
SECOND = {BASE: RNG.normal(300.0, 2.0, 4), OTHER: RNG.normal(303.0, 2.0, 4)}


def test_the_same_scatter_in_another_scale_does_not_turn():
    scaled = {name: 7.0 * values + 5.0 for name, values in FIRST.items()}
    for design in ("unpaired", "blocks"):
        assert angle(FIRST, scaled, design) == pytest.approx(0.0, abs=1e-5)
        assert angle(FIRST, {name: -values for name, values in scaled.items()}, design) == pytest.approx(
            0.0, abs=1e-5
        )


def test_paired_runs_turn_by_the_correlation_of_their_differences():
    differences = [side[OTHER] - side[BASE] for side in (FIRST, SECOND)]
    correlation = np.corrcoef(*differences)[0, 1]
    assert angle(FIRST, SECOND, "blocks") == pytest.approx(math.acos(abs(correlation)), rel=1e-9)


def test_unpaired_runs_turn_by_the_covariances_of_both_sides():
    covariance = sum(np.cov(FIRST[name], SECOND[name]) / 4.0 for name in (BASE, OTHER))
    correlation = covariance[0, 1] / math.sqrt(covariance[0, 0] * covariance[1, 1])
    assert angle(FIRST, SECOND, "unpaired") == pytest.approx(math.acos(abs(correlation)), rel=1e-9)


def test_what_runs_share_moves_together():
    gain = ({BASE: 0.0, OTHER: 50.0}, {BASE: 0.0, OTHER: 90.0})
    assert angle(FIRST, SECOND, "unpaired", shared=gain) < 0.05


def test_other_runs_at_the_other_point_say_nothing():
    fewer = {BASE: SECOND[BASE][:3], OTHER: SECOND[OTHER]}
    assert angle(FIRST, fewer, "unpaired") == UNKNOWN


# --- the band holds -----------------------------------------------------------------------------------------


def held(together, runs, *, cases, paired, spread=1.0, seed=0):
    """Share of invented sessions whose band holds the truth, 0, at all points at once; and the usual factor."""
    rng = np.random.default_rng(seed)
    scale = 1.0 + 2.0 * X  # errors grow along the curve
    counted, factors = 0, []
    for _ in range(cases):
        t, b = (rng.normal(size=(runs, len(together))) @ together * scale for _ in range(2))
        t = spread * t
        groups = [t - b] if paired else [t, b]
        variances = np.array([group.var(axis=0, ddof=1) / runs for group in groups])
        error = np.sqrt(variances.sum(axis=0))
        dofs = variances.sum(axis=0) ** 2 / (variances**2 / (runs - 1)).sum(axis=0)
        scaled = [group / error for group in groups]
        apart = sum(np.diff(group, axis=1).var(axis=0, ddof=1) / runs for group in scaled)
        angles = np.arccos(np.clip(np.abs(1.0 - apart / 2.0), 0.0, 1.0))
        residual = sum(len(group) - 1 for group in groups)
        factor = simultaneous_factor(angles if residual >= 3 else [UNKNOWN] * (POINTS - 1), dofs.min(), 0.05)
        means = t.mean(axis=0) - b.mean(axis=0)
        counted += bool((np.abs(means) <= factor * error).all())
        factors.append(factor)
    return counted / cases, float(np.median(factors))


CASES = 800
# Three standard deviations of a share of 95 % in so many cases: a true 95 % falls below once in 700 times.
ENOUGH = 0.95 - 3.0 * math.sqrt(0.95 * 0.05 / CASES)


@pytest.mark.parametrize(
    ("together", "runs"),
    [(HALF_TURN, 2), (HALF_TURN, 3), (HALF_TURN, 4), (HALF_TURN, 8), (SHIFT, 4), (SHIFT_AND_BEND, 4),
     (SHIFT_AND_BEND, 6), (BETWEEN_STEPS, 3), (BETWEEN_STEPS, 4), (APART, 4), (APART, 8)],
)  # fmt: skip
def test_the_band_of_paired_runs_holds_everywhere_at_once(together, runs):
    share, _ = held(together, runs, cases=CASES, paired=True)
    assert share >= ENOUGH


@pytest.mark.parametrize(("runs", "spread"), [(3, 1.0), (5, 1.0), (4, 2.0)])
@pytest.mark.parametrize("together", [SHIFT_AND_BEND, HALF_TURN, APART], ids=["bend", "half turn", "apart"])
def test_the_band_of_unpaired_runs_holds_everywhere_at_once(together, runs, spread):
    share, _ = held(together, runs, cases=CASES, paired=False, spread=spread)
    assert share >= ENOUGH


def test_single_intervals_would_not_hold():
    rng = np.random.default_rng(3)
    t = rng.normal(size=(2000, 5, POINTS))
    missed = np.abs(t.mean(axis=1)) > stats.t.ppf(0.975, 4) * t.std(axis=1, ddof=1) / math.sqrt(5.0)
    assert missed.any(axis=1).mean() > 0.4


def test_runs_that_mostly_shift_pay_much_less_than_bonferroni():
    _, factor = held(SHIFT_AND_BEND, 4, cases=200, paired=True)
    assert factor < 0.65 * stats.t.ppf(1.0 - 0.025 / POINTS, 3)
    _, factor = held(APART, 4, cases=200, paired=True)
    assert factor > 0.9 * stats.t.ppf(1.0 - 0.025 / POINTS, 3)
