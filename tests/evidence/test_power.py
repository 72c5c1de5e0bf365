"""Power and repeats against published tables, closed forms and simulation."""

import csv
import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy import stats
from scipy.optimize import brentq
from statsmodels.stats.power import TTestIndPower

from generator.evidence.contrast_statistics import interval, welch, with_systematic
from generator.evidence.equivalence import two_one_sided
from generator.evidence.power import (
    Repeats,
    power_beyond,
    power_equivalence,
    power_two_sample,
    repeats_for_power,
    repeats_to_settle,
)

with (Path(__file__).parents[1] / "data" / "statistics" / "power_examples.csv").open(newline="") as _file:
    EXAMPLES = list(csv.DictReader(_file))


@pytest.mark.parametrize("row", EXAMPLES, ids=[row["id"] for row in EXAMPLES])
def test_matches_published_example(row: dict[str, str]) -> None:
    # Cohen 1988 (rounded to nearest), R power.t.test documentation, Univ. of Aberdeen tutorial, R pwr.
    delta, alpha, sides = float(row["effect_d"]), float(row["alpha"]), int(row["sides"])
    assert sides in (1, 2)
    if row["solve_for"] == "power":
        power = power_two_sample(float(row["n_per_group"]), delta, 1.0, alpha, sides)  # type: ignore[arg-type]
        assert power == pytest.approx(float(row["power"]), abs=1e-6)
        return
    target = float(row["power"])
    n = brentq(lambda n: power_two_sample(n, delta, 1.0, alpha, sides) - target, 2, 1e4, xtol=1e-8)
    assert n == pytest.approx(float(row["n_per_group"]), abs=0.5 if row["rounding"] == "nearest" else 1e-4)
    # the whole number is the next one up, never the nearest
    whole = repeats_for_power(delta, 1.0, target, alpha, sides, cap=5000)  # type: ignore[arg-type]
    assert whole == Repeats(count=math.ceil(n), capped=False)


# Two one-sided tests, alpha 0.05, margin 0.5 sd. The R package TOSTER (exact power by Owen's Q) prints
# n = 69.20, 81.44 and 4946.72 for 80 % power, as quoted in a public collection of worked sample sizes; for
# 90 % power a public Spanish translation of D. Lakens' course text gives 88 a group, rounded up.
@pytest.mark.parametrize(("delta", "printed"), [(0.0, 69.20), (0.1, 81.44), (0.45, 4946.72)])
def test_equivalence_power_matches_printed_sample_sizes(delta: float, printed: float) -> None:
    n = brentq(lambda n: power_equivalence(n, delta, 1.0, 0.5, alike=True) - 0.8, 5, 1e4, xtol=1e-6)
    assert n == pytest.approx(printed, abs=5e-3)


def test_equivalence_power_matches_printed_88() -> None:
    assert power_equivalence(87, 0.0, 1.0, 0.5, alike=True) < 0.9
    assert power_equivalence(88, 0.0, 1.0, 0.5, alike=True) >= 0.9


@given(st.integers(2, 60), st.floats(0.0, 3.0), st.floats(0.001, 0.2))
@settings(max_examples=40)
def test_agrees_with_statsmodels(n: int, d: float, alpha: float) -> None:
    theirs = TTestIndPower().power(d, n, alpha)
    assume(math.isfinite(theirs))  # scipy's noncentral t, which statsmodels uses, gives nan in its far tail
    assert power_two_sample(n, d, 1.0, alpha) == pytest.approx(theirs, abs=1e-7)


@given(st.integers(2, 300), st.floats(0.0, 4.0), st.floats(0.1, 10.0))
def test_the_integral_reproduces_the_noncentral_t(n: int, d: float, sd: float) -> None:
    # one tail of the noncentral t, by another road
    dof, shift = 2 * n - 2, d * math.sqrt(n / 2)
    exact = stats.nct.sf(stats.t.ppf(0.975, dof), dof, shift) if shift > 0 else 0.025
    assert power_beyond(n, d * sd, sd, alike=True) == pytest.approx(exact, abs=1e-7)
    dof, shift = n - 1, d * math.sqrt(n)
    exact = stats.nct.sf(stats.t.ppf(0.975, dof), dof, shift) if shift > 0 else 0.025
    assert power_beyond(n, d * sd, sd, paired=True) == pytest.approx(exact, abs=1e-7)


def test_power_is_finite_where_the_noncentral_t_of_scipy_fails() -> None:
    # 14 runs three standard deviations apart: nan there, certain here
    assert power_two_sample(14, 3.0, 1.0, 0.03125) == pytest.approx(1.0, abs=1e-6)


def test_power_under_no_difference_is_alpha() -> None:
    assert power_two_sample(9, 0.0, 1.0, 0.05) == pytest.approx(0.05, abs=1e-12)


@given(st.integers(2, 100), st.floats(-2.0, 2.0), st.floats(0.1, 3.0), st.floats(0.0, 1.0))
def test_power_is_a_probability_and_blind_to_sign(n: int, d: float, margin: float, u: float) -> None:
    for power_at in (power_equivalence, power_beyond):
        power = power_at(n, d, 1.0, margin, u_systematic=u)
        assert 0.0 <= power <= 1.0 + 1e-12
        assert power == pytest.approx(power_at(n, -d, 1.0, margin, u_systematic=u), rel=1e-9, abs=1e-12)
        assert power == pytest.approx(
            power_at(n, 7.0 * d, 7.0, 7.0 * margin, u_systematic=7.0 * u), rel=1e-9, abs=1e-12
        )


@given(st.integers(2, 100), st.floats(0.0, 2.0), st.floats(0.1, 3.0))
def test_power_grows_with_repeats_towards_a_true_difference(n: int, d: float, margin: float) -> None:
    slack = 1e-9
    assert power_two_sample(n + 1, d, 1.0) >= power_two_sample(n, d, 1.0) - slack
    beyond = margin + d
    assert power_beyond(n + 1, beyond, 1.0, margin) >= power_beyond(n, beyond, 1.0, margin) - slack


@given(st.integers(20, 100), st.floats(-2.0, 2.0), st.floats(0.1, 3.0), st.floats(0.0, 0.5))
def test_a_systematic_part_costs_power(n: int, d: float, margin: float, u: float) -> None:
    # From 20 runs up, where the integral has the same nodes with and without it.
    assert power_equivalence(n, d, 1.0, margin, u_systematic=u) <= power_equivalence(n, d, 1.0, margin) + 1e-9
    threshold = 0.5 * abs(d)
    with_u = power_beyond(n, d, 1.0, threshold, u_systematic=u)
    assert with_u <= power_beyond(n, d, 1.0, threshold) + 1e-9


@pytest.mark.parametrize("n", [2, 3, 5])
@pytest.mark.parametrize("u", [0.0, 0.3])
def test_power_equals_how_often_simulated_sessions_settle(n: int, u: float) -> None:
    # true difference 6 standard errors, scatter 0.3, margin 16 of them; 3.5 binomial standard deviations. Welch at
    # two runs a side finds degrees of freedom anywhere between one and two: power tables do not hold there.
    trials, sd = 2000, 0.3
    error = sd * math.sqrt(2.0 / n)
    delta, margin = 6.0 * error, 16.0 * error
    rng = np.random.default_rng([11, n])
    t, b = rng.normal(delta, sd, (trials, n)), rng.normal(0.0, sd, (trials, n))
    sessions = [with_systematic(welch(x, y), u * error) for x, y in zip(t, b, strict=True)]
    shown = sum(interval(s)[0] > 0.0 for s in sessions)
    power = power_beyond(n, delta, sd, u_systematic=u * error)
    assert 0.4 < power <= 1.0
    assert abs(shown - trials * power) <= 3.5 * math.sqrt(trials * power * (1 - power)) + 2.0
    same = sum(two_one_sided(s, margin).equivalent for s in sessions)
    power = power_equivalence(n, delta, sd, margin, u_systematic=u * error)
    assert 0.5 < power <= 1.0
    # the interval's limit beside a systematic part is that of the 95 % interval, so 90 % is a little wider still
    slack = 0.03 if u > 0.0 and n == 2 else 0.0
    assert abs(same - trials * power) <= trials * slack + 3.5 * math.sqrt(trials * power * (1 - power)) + 2.0


def test_two_runs_a_side_promise_less_than_tables_do() -> None:
    assert power_beyond(2, 3.0, 1.0) == pytest.approx(0.1974, abs=0.003)  # 200 000 simulated sessions
    assert power_beyond(2, 3.0, 1.0, alike=True) == pytest.approx(0.387, abs=0.001)


# --- repeats to settle --------------------------------------------------------------------------------------


def test_without_margin_only_a_direction_settles() -> None:
    # d = 1: Cohen's and R's 17 runs a group for 80 % power (16.71 unrounded, R power.t.test)
    answer = repeats_to_settle(1.0, 1.0)
    assert (answer.count, answer.capped, answer.route) == (17, False, "a difference")
    assert answer.to_pass_margin is None
    assert answer.to_lie_within is None
    assert answer.to_exclude_zero == repeats_for_power(1.0, 1.0)


def test_small_difference_in_a_wide_margin_settles_as_none() -> None:
    answer = repeats_to_settle(0.1, 1.0, 0.5)
    assert answer.route == "no difference that matters"
    assert answer.count == 82  # 81.44 printed, see above
    assert answer.to_exclude_zero == Repeats(count=200, capped=True)


def test_large_difference_settles_as_one_and_more_repeats_pass_the_margin() -> None:
    answer = repeats_to_settle(-2.0, 1.0, 1.0)
    assert answer.route == "a difference"
    assert answer.to_pass_margin is not None
    assert answer.to_lie_within == Repeats(count=200, capped=True)
    assert answer.count == answer.to_exclude_zero.count < answer.to_pass_margin.count


def test_no_number_of_repeats_beats_a_systematic() -> None:
    # 1 unit apart, systematic 0.6: even without scatter the interval reaches +-1.96 x 0.6 = 1.18
    answer = repeats_to_settle(1.0, 0.1, u_systematic=0.6)
    assert (answer.count, answer.capped, answer.route) == (200, True, None)
    assert not repeats_to_settle(1.0, 0.1, u_systematic=0.4).capped


def test_pairing_counts_blocks() -> None:
    # one-sample noncentral t with n - 1 degrees of freedom, found by trying
    def by_trying(d: float) -> int:
        return next(
            n
            for n in range(2, 200)
            if stats.nct.sf(stats.t.ppf(0.975, n - 1), n - 1, d * math.sqrt(n)) >= 0.8
        )

    assert repeats_to_settle(1.3, 1.0, paired=True).count == by_trying(1.3)


@given(st.floats(-3.0, 3.0), st.floats(0.1, 2.0), st.floats(0.1, 3.0))
@settings(max_examples=30)
def test_answer_is_the_fewest(difference: float, sd: float, margin: float) -> None:
    answer = repeats_to_settle(difference, sd, margin, cap=60)

    def power_at(n: int) -> float:
        return max(power_beyond(n, difference, sd), power_equivalence(n, difference, sd, margin))

    if answer.capped:
        assert power_at(60) < 0.8
    else:
        assert power_at(answer.count) >= 0.8
        assert answer.count == 2 or power_at(answer.count - 1) < 0.8


def test_no_difference_at_all_is_capped_not_endless() -> None:
    assert repeats_for_power(0.0, 1.0) == Repeats(count=200, capped=True)
    assert repeats_to_settle(0.0, 1.0).route is None


def test_faults() -> None:
    with pytest.raises(ValueError, match="more than one run"):
        power_two_sample(1, 1.0, 1.0)
    with pytest.raises(ValueError, match="scatter of one run"):
        repeats_to_settle(1.0, 0.0)
    with pytest.raises(ValueError, match="margin"):
        power_equivalence(5, 0.0, 1.0, 0.0)
    with pytest.raises(ValueError, match="alpha"):
        power_beyond(5, 1.0, 1.0, alpha=5.0)
