"""Standard error of the mean of correlated samples."""

import time
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.signal import lfilter
from scipy.stats import t as student

from generator.reduction.correlation import autocovariance, mean_with_standard_error, variance_of_mean

DATA = Path(__file__).parents[1] / "data"
AR1 = np.genfromtxt(DATA / "statistics_ar1_mean_se.csv", delimiter=",", skip_header=3)


def ar1(phi, n, series, seed):
    """Stationary first-order series with standard deviation 1, shape (series, n)."""
    rng = np.random.default_rng(seed)
    shocks = rng.standard_normal((series, n)) * np.sqrt(1 - phi**2)
    shocks[:, 0] /= np.sqrt(1 - phi**2)
    return lfilter([1.0], [1.0, -phi], shocks, axis=1)


def strd(name):
    """NIST StRD data. The NumAcc sets are defined by rule: one middle value, then low and high in turn."""
    if name == "NumAcc1":
        return np.array([10000001.0, 10000003.0, 10000002.0])
    if name.startswith("NumAcc"):
        base = {"NumAcc2": 1, "NumAcc3": 1000000, "NumAcc4": 10000000}[name]
        return np.array([float(f"{base}.2"), *([float(f"{base}.1"), float(f"{base}.3")] * 500)])
    return np.genfromtxt(DATA / f"statistics_strd_{name}.csv", skip_header=2)


# NIST StRD, univariate, certified values. float64 cannot hold x.1 at the size of NumAcc3 and NumAcc4, hence
# theirs.
CERTIFIED = [
    line.split(",") for line in (DATA / "statistics_strd_certified.csv").read_text().splitlines()[3:]
]
SD_TOLERANCE = {"NumAcc3": 1e-9, "NumAcc4": 1e-8}
LAG1_TOLERANCE = {"NumAcc3": 1e-11, "NumAcc4": 1e-10}


@pytest.mark.parametrize(("name", "n", "mean", "sd", "lag1"), CERTIFIED)
def test_mean_deviation_and_lag_one_match_nist(name, n, mean, sd, lag1):
    result = mean_with_standard_error(strd(name))
    assert result.count == int(n)
    assert result.mean == pytest.approx(float(mean), rel=1e-13)
    assert result.standard_deviation == pytest.approx(float(sd), rel=SD_TOLERANCE.get(name, 1e-12))
    assert result.lag1 == pytest.approx(float(lag1), rel=LAG1_TOLERANCE.get(name, 1e-12))


@pytest.mark.parametrize("row", AR1, ids=lambda row: f"phi{row[0]:g}-n{row[1]:g}")
def test_variance_of_mean_matches_the_closed_form(row):
    phi, n, inflation, n_eff, standard_error = row[:5]
    covariance = phi ** np.arange(int(n))
    assert variance_of_mean(covariance, int(n)) * n == pytest.approx(inflation, rel=1e-11)
    assert np.sqrt(variance_of_mean(covariance, int(n))) == pytest.approx(standard_error, rel=1e-11)
    assert 1 / variance_of_mean(covariance, int(n)) == pytest.approx(n_eff, rel=1e-11)


def test_variance_of_mean_refuses_more_lags_than_samples():
    with pytest.raises(ValueError, match="5 lags given for a mean of 4 samples"):
        variance_of_mean(np.ones(5), 4)


def test_autocovariance_equals_its_definition():
    x = np.random.default_rng(3).standard_normal(37)
    x -= x.mean()
    direct = [float(x[k:] @ x[: x.size - k]) / x.size for k in range(x.size)]
    np.testing.assert_allclose(autocovariance(x), direct, atol=1e-14)


# Where the record holds twenty effective samples or more the estimate has to be near the closed form; it may
# be too large (a few percent by design), hardly too small.
@pytest.mark.parametrize(
    "row", [r for r in AR1 if r[0] >= 0 and r[3] >= 20], ids=lambda r: f"phi{r[0]:g}-n{r[1]:g}"
)
def test_estimate_against_the_closed_form(row):
    phi, n, _, n_eff, truth = row[:5]
    results = [mean_with_standard_error(x) for x in ar1(phi, int(n), 150, seed=int(n) + int(100 * phi))]
    typical = np.sqrt(np.mean([r.standard_error**2 for r in results]))
    assert 0.95 <= typical / truth <= 1.3
    assert 0.55 <= np.median([r.effective_count for r in results]) / n_eff <= 1.25


# 600 seeded series each; a 95 % interval then covers within 0.95 ± 0.018 (two standard deviations) if it is
# exact.
@pytest.mark.parametrize(("phi", "n", "fewest"), [(0.0, 200, 0.94), (0.5, 400, 0.93), (0.9, 1000, 0.92)])
def test_intervals_cover_the_true_mean(phi, n, fewest):
    hits, naive = 0, 0
    for x in ar1(phi, n, 600, seed=7):
        r = mean_with_standard_error(x)
        hits += abs(r.mean) <= student.ppf(0.975, r.effective_count - 1) * r.standard_error
        naive += abs(r.mean) <= 1.96 * r.standard_deviation / np.sqrt(n)
    assert fewest <= hits / 600 <= 0.99
    if phi >= 0.5:
        assert naive / 600 < 0.80  # what counting every sample as independent would have done


# Few effective samples: 600 seeded series each, the closed form beside them. The ratio is the root mean square of
# the error stated over the true one; a two-sided 95 % interval with the normal factor must not miss much more
# often than it says, as it did before the standard error was mended and widened (0.67 to 0.89).
@pytest.mark.parametrize(
    ("phi", "n", "fewest"),
    [
        (0.8, 50, 0.89),
        (0.95, 200, 0.86),
        (0.97, 600, 0.91),
        (0.98, 200, 0.83),
        (0.99, 600, 0.84),
        (0.995, 600, 0.80),
    ],
)
def test_few_effective_samples_are_not_taken_for_many(phi, n, fewest):
    truth = np.sqrt(variance_of_mean(phi ** np.arange(n), n))
    assert 2.0 < 1 / truth**2 < 10
    results = [mean_with_standard_error(x) for x in ar1(phi, n, 600, seed=11)]
    stated = np.sqrt(np.mean([r.standard_error**2 for r in results]))
    assert 1.0 <= stated / truth <= 1.6
    hits = np.mean([abs(r.mean) <= 1.96 * r.standard_uncertainty for r in results])
    assert fewest <= hits <= 0.97


def test_many_effective_samples_are_hardly_widened():
    for r in (mean_with_standard_error(x) for x in ar1(0.0, 1000, 20, seed=12)):
        assert 1.0 < r.standard_uncertainty / r.standard_error < 1.01


@pytest.mark.parametrize("n", [4, 6, 10])
def test_few_uncorrelated_samples_follow_the_t_distribution(n):
    # JCGM 101:2008, 6.4.9.4: the mean of n readings has the standard uncertainty s/sqrt(n)·sqrt((n - 1)/(n - 3))
    x = np.tile([1.0, -1.0], n)[:n] + np.linspace(0.0, 1e-3, n)
    r = mean_with_standard_error(x)
    dof = max(n - 1, 2.5)
    expected = r.standard_deviation / np.sqrt(n) * np.sqrt(dof / (dof - 2))
    assert r.standard_uncertainty == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize("cycles", [3.4, 6.3])
def test_slow_hunting_is_not_taken_for_wandering(cycles):
    # The mean of a few whole cycles is known far better than one cycle's height: 0.7 is the scatter itself.
    rng = np.random.default_rng(8)
    place = cycles * np.arange(600) / 600
    stated = [
        mean_with_standard_error(np.sin(2 * np.pi * (place + p)) + 0.05 * rng.standard_normal(600))
        for p in rng.uniform(0, 1, 30)
    ]
    misses = [abs(r.mean) / r.standard_error for r in stated]
    assert max(misses) < 2.0
    assert np.sqrt(np.mean([r.standard_error**2 for r in stated])) < 0.3


def test_vibration_does_not_hide_slow_wandering():
    n, phi = 1000, 0.9
    truth = float(AR1[(AR1[:, 0] == phi) & (AR1[:, 1] == n)][0, 4])
    phase = np.random.default_rng(5).random((100, 1))
    vibration = 1.5 * np.sin(2 * np.pi * (np.arange(n) / 5.7 + phase))
    errors = [mean_with_standard_error(x).standard_error for x in ar1(phi, n, 100, seed=6) + vibration]
    assert 0.95 <= np.sqrt(np.mean(np.square(errors))) / truth <= 1.3


@given(st.integers(2, 60), st.integers(0, 10_000), st.sampled_from([-0.9, -0.4, 0.0, 0.6, 0.95]))
def test_never_better_than_independent_samples(n, seed, phi):
    r = mean_with_standard_error(ar1(phi, n, 1, seed)[0])
    assert r.standard_error >= r.standard_deviation / np.sqrt(n) * (1 - 1e-12)
    assert 1.0 <= r.effective_count <= n
    assert np.isfinite(r.standard_error)


def test_negative_correlation_claims_no_more_than_independence():
    x = np.tile([1.0, -1.0], 100) + 0.01 * np.random.default_rng(1).standard_normal(200)
    r = mean_with_standard_error(x)
    assert r.lag1 < -0.9
    assert r.standard_error == pytest.approx(r.standard_deviation / np.sqrt(200), rel=1e-12)
    assert r.effective_count == pytest.approx(200)


@given(st.integers(0, 1000), st.floats(-1e3, 1e3), st.floats(0.01, 100))
def test_shift_and_scale(seed, shift, scale):
    x = ar1(0.7, 80, 1, seed)[0]
    a, b = mean_with_standard_error(x), mean_with_standard_error(shift + scale * x)
    assert b.mean == pytest.approx(shift + scale * a.mean, abs=1e-9)
    assert b.standard_error == pytest.approx(scale * a.standard_error, rel=1e-6)
    assert b.effective_count == pytest.approx(a.effective_count, rel=1e-6)


@pytest.mark.parametrize("size", [1e-300, 1e-160, 1e150])
def test_very_small_and_very_large_units(size):
    x = ar1(0.5, 60, 1, 4)[0]
    a, b = mean_with_standard_error(x), mean_with_standard_error(size * x)
    assert b.standard_error / size == pytest.approx(a.standard_error)
    assert b.effective_count == pytest.approx(a.effective_count)


@pytest.mark.parametrize("n", [2, 3])
def test_two_or_three_samples_by_hand(n):
    r = mean_with_standard_error(np.array([1.0, 3.0, 2.0])[:n])
    # Sample deviation sqrt(2) and 1; nothing can be said about their correlation.
    assert r.mean == 2.0
    assert r.standard_error == pytest.approx({2: 1.0, 3: 1 / np.sqrt(3)}[n])
    assert r.effective_count == pytest.approx(n)


@pytest.mark.parametrize("trend", [False, True])
def test_constant_samples(trend):
    r = mean_with_standard_error(np.full(50, 0.1), remove_trend=trend)
    assert (r.mean, r.standard_error, r.effective_count, r.lag1) == (0.1, 0.0, 50.0, 0.0)


def test_trend_is_taken_out_of_the_scatter_but_not_of_the_mean():
    noise = np.random.default_rng(2).standard_normal(400)
    ramp = noise + 0.05 * np.arange(400)
    raw, level = mean_with_standard_error(ramp), mean_with_standard_error(ramp, remove_trend=True)
    assert level.mean == pytest.approx(raw.mean, rel=1e-14)
    assert level.standard_deviation == pytest.approx(1.0, abs=0.1)
    assert 0.045 < level.standard_error < 0.075  # 1/sqrt(400) = 0.05
    assert raw.standard_error > 10 * level.standard_error
    # A ramp without noise leaves no scatter.
    assert mean_with_standard_error(np.arange(100.0), remove_trend=True).standard_error == 0.0


@pytest.mark.parametrize(
    ("values", "trend", "message"),
    [
        ([1.0], False, "at least 2 samples, found 1"),
        ([1.0, 2.0], True, "at least 3 samples, found 2"),
        ([1.0, float("nan"), 2.0], False, "needs finite samples"),
    ],
)
def test_refusals(values, trend, message):
    with pytest.raises(ValueError, match=message):
        mean_with_standard_error(np.array(values), remove_trend=trend)


def test_a_long_record_is_quick():
    x = ar1(0.99, 100_000, 1, seed=9)[0]
    begin = time.perf_counter()
    mean_with_standard_error(x)
    assert time.perf_counter() - begin < 1.0  # takes about 20 ms
