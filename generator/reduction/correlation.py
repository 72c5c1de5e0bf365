"""Mean of correlated samples with an honest standard error."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

# Block means are judged as well once there are this many blocks; fewer say nothing about correlation.
FEWEST_BLOCKS = 12
# Below this many effective samples the sum of autocovariances misses wandering as slow as the record; our own
# choice, no source, with a margin over the ten where trials show it (tests/reduction/test_correlation.py).
FEW_EFFECTIVE = 20.0
# A t distribution of two degrees of freedom or fewer has no standard deviation; this is the least that counts,
# a factor of 2.2. Our own choice, no source.
LEAST_DOF = 2.5
SUMMED_UP_TO = 400  # samples of which the autocovariance is quicker summed than transformed


@dataclass(frozen=True, slots=True, kw_only=True)
class CorrelatedMean:
    """Mean of one stretch of samples and how well it is known.

    mean                unit of the samples
    standard_error      standard error of the mean, same unit, to be used with its degrees of freedom,
                        effective_count - 1; never below standard_deviation / sqrt(count)
    effective_count     number of independent samples that would know the mean as well, from 1 to count
    count               samples used
    lag1                autocorrelation of neighbouring samples; 0 for samples that are all the same
    standard_deviation  scatter of single samples (denominator count - 1, or count - 2 if a trend was removed)
    """

    mean: float
    standard_error: float
    effective_count: float
    count: int
    lag1: float
    standard_deviation: float

    @property
    def standard_uncertainty(self) -> float:
        """Standard error widened for having been found from few effective samples, unit of the samples.

        For whoever carries no degrees of freedom along. It is the standard deviation of the t distribution that
        the mean follows, sqrt(dof / (dof - 2)) times the standard error, with effective_count - 1 degrees of
        freedom and at least LEAST_DOF.
        Source  JCGM 101:2008, 6.4.9.4, with effective samples in place of samples
        """
        dof = max(self.effective_count - 1.0, LEAST_DOF)
        return self.standard_error * math.sqrt(dof / (dof - 2.0))


def autocovariance(deviations: Array) -> Array:
    """Autocovariance at every lag, with denominator n at each lag.

    deviations  shape (n,), mean (and trend) already removed
    Returns     shape (n,), lags 0 to n - 1, unit squared
    Source      definition; computed by fast Fourier transform with zero padding where that is quicker
    """
    n = deviations.size
    if n <= SUMMED_UP_TO:
        summed: Array = np.correlate(deviations, deviations, "full")[n - 1 :] / n
        return summed
    length = 1 << (2 * n - 1).bit_length()
    spectrum = np.fft.rfft(deviations, length)
    result: Array = np.fft.irfft(spectrum * spectrum.conj(), length)[:n] / n
    return result


def variance_of_mean(covariance: Array, count: int) -> float:
    """Variance of the mean of `count` samples of a stationary series with known autocovariance.

    covariance  shape (m,), lags 0 to m - 1, m at most count; later lags count as zero
    Raises      ValueError if more lags are given than there are samples
    Source      Var(mean) = [γ0 + 2 Σ (1 - k/n) γk] / n; N. F. Zhang, Metrologia 43 (2006) S276-S281
    """
    if covariance.size > count:
        raise ValueError(f"{covariance.size} lags given for a mean of {count} samples")
    weights = 1.0 - np.arange(covariance.size) / count
    weighted = covariance * weights
    return float(2.0 * weighted.sum() - weighted[0]) / count


def _windowed_variance(covariance: Array, removed: int) -> float:
    """Variance of the mean of one series by the initial monotone sequence, not below the uncorrelated one.

    covariance  shape (n,), autocovariance at every lag; removed  constants taken out before
    The sample autocovariance is low at every lag by about the variance of the mean V (times `removed`, the
    number of constants taken out). With W lags the sum C = γ0 + 2 Σ γk is therefore low by removed·(2W+1)·V,
    and V = C / (n - removed·(2W+1)). For W = 0 this is exactly s²/n.
    """
    n = covariance.size
    white = float(covariance[0]) / (n - removed)
    pairs = covariance[0 : 2 * (n // 2) : 2] + covariance[1 : 2 * (n // 2) : 2]
    below = pairs <= 0
    first = int(below.argmax())  # 0 too where none is
    kept = first if below[first] else pairs.size
    # At most a quarter of the record is looked at: longer lags are mostly noise, and the denominator
    # n - removed·(2W+1) has to stay well above zero.
    kept = min(kept, max(n // (8 * removed), 1))
    if kept == 0 or n - removed * (4 * kept - 1) <= 0:
        return white
    window = 2 * kept - 1
    total = 2.0 * float(np.minimum.accumulate(pairs[:kept]).sum()) - float(covariance[0])
    return max(total / (n - removed * (2 * window + 1)), white)


def _slow_variance(covariance: Array, removed: int) -> float:
    """Variance of the mean if the series is a first-order process whose correlation a short record hides.

    covariance, removed  as in `_windowed_variance`
    The coefficient is the smaller of two: the autocorrelation at lag one, and what the lag at which it falls
    below 1/e stands for. In a first-order process they agree; noise on slow wandering lowers the first, an
    oscillation, whose mean is known far better than the first would have it, lowers the second. What taking
    out the mean (and a trend) and the denominator n take from the coefficient is put back; what they take from
    the scatter is put back with the variance itself, V = γ0·v/(1 - v) with v the closed form for γ0 = 1.
    Sources  bias of the coefficient: F. H. C. Marriott and J. A. Pope, Biometrika 41 (1954) 390-402, and
             M. G. Kendall, same volume, 403-404 (both from memory); closed form: see `variance_of_mean`
    """
    n = covariance.size
    ratio = covariance / covariance[0]
    low = int(np.flatnonzero(ratio < math.exp(-1.0))[0])  # autocovariances of deviations add up to below zero
    crossing = low - 1 + float((ratio[low - 1] - math.exp(-1.0)) / (ratio[low - 1] - ratio[low]))
    found = min(float(ratio[1]), math.exp(-1.0 / crossing))
    phi = min(found + (removed + (3 + removed) * max(found, 0.0)) / n, 1.0 - 1.0 / n)
    if phi <= 0.0:
        return 0.0
    share = variance_of_mean(np.power(phi, np.arange(n, dtype=np.float64)), n)
    return float(covariance[0]) * share / (1.0 - share)


def _all_the_same(mean: float, count: int) -> CorrelatedMean:
    return CorrelatedMean(
        mean=mean,
        standard_error=0.0,
        effective_count=float(count),
        count=count,
        lag1=0.0,
        standard_deviation=0.0,
    )


def mean_with_standard_error(values: Array, remove_trend: bool = False) -> CorrelatedMean:
    """Mean of samples taken one after the other, allowing for their correlation.

    values        shape (n,), n at least 2 (3 with remove_trend), in order of time, nearly evenly sampled,
                  any single unit
    remove_trend  take a straight line over the sample number out of the scatter first; the mean stays the
                  same
    Raises        ValueError for too few samples or for one that is not finite

    Autocovariances are summed in neighbouring pairs while the pairs stay positive, never letting a pair
    exceed the one before (initial monotone sequence). Vibration alternates in sign and would end that sum
    early, hiding slower wandering below it; so the same is done on means of blocks of about n^(1/3) samples,
    and the larger result is used. That makes the standard error of uncorrelated samples a few percent too
    large on average, which is the safe side. Negative correlation is never allowed to claim less than
    s/sqrt(n).

    A record of few effective samples cannot tell its own correlation: it is then judged as a first-order
    process too, with the coefficient freed of its bias, and the larger result is used. On a first-order
    process the standard error is then right on average down to two effective samples; below that no record
    tells, and it is too small.

    effective_count is 1 + γ0/V: the scatter about a record's own mean is low by V, which this puts back.
    Sources  C. J. Geyer, Statistical Science 7 (1992) 473-483, section 3.3 (initial sequences);
             bias of the windowed sum: U. Wolff, Comput. Phys. Commun. 156 (2004) 143-153 (both from memory);
             checked against the closed form of Var(mean) for first-order correlation.
    """
    samples = np.asarray(values, dtype=float)
    n = samples.size
    fewest = 3 if remove_trend else 2
    if samples.ndim != 1 or n < fewest:
        raise ValueError(f"a mean with its standard error needs at least {fewest} samples, found {n}")
    if not bool(np.isfinite(samples).all()):
        raise ValueError("a mean needs finite samples; leave missing ones out first")
    largest, smallest = float(samples.max()), float(samples.min())
    if largest == smallest:
        return _all_the_same(float(samples[0]), n)
    mean = float(samples.sum()) / n
    mean += float((samples - mean).sum()) / n  # second pass: large means with small scatter
    deviations = samples - mean
    removed = 1
    if remove_trend:
        place = np.arange(n) - (n - 1) / 2
        deviations = deviations - place * float(place @ deviations) / float(place @ place)
        removed = 2
    scale = float(np.abs(deviations).max())
    if scale <= 1e-14 * max(largest, -smallest):  # nothing left but rounding
        return _all_the_same(mean, n)
    deviations = deviations / scale  # so that no square runs out of floating-point range
    squares = float(deviations @ deviations)
    covariance = autocovariance(deviations)
    variance = _windowed_variance(covariance, removed)
    block = round(n ** (1 / 3))
    blocks = n // block
    if block > 1 and blocks >= FEWEST_BLOCKS:
        # Samples that fill no block are left out at the start; the variance is scaled to the full count.
        means = deviations[n - blocks * block :].reshape(blocks, block).sum(axis=1) / block
        means = means - float(means.sum()) / blocks
        variance = max(variance, _windowed_variance(autocovariance(means), removed) * blocks * block / n)
    if n > removed + 2 and squares / n / variance < FEW_EFFECTIVE:
        variance = max(variance, _slow_variance(covariance, removed))
    effective = squares / (n - 2) / variance if remove_trend else 1.0 + squares / n / variance
    return CorrelatedMean(
        mean=mean,
        standard_error=scale * float(np.sqrt(variance)),
        effective_count=min(max(effective, 1.0), float(n)),
        count=n,
        lag1=float(deviations[1:] @ deviations[:-1]) / squares,
        standard_deviation=scale * float(np.sqrt(squares / (n - removed))),
    )
