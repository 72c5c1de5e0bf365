"""Treatment as a percentage of the baseline: relative contrasts with Fieller's interval.

All of them give (treatment - baseline) / baseline. A gain that both treatments share multiplies treatment
and baseline alike, so it cancels here and has no argument; a shared offset does not cancel and has one.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from generator.evidence.contrast_statistics import (
    Block,
    DriftFit,
    Floats,
    NoScatter,
    TooFewRuns,
    block_means,
    coverage_factor,
    dof_beside_systematic,
    effective_dof,
    summarise,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Means:
    """Means of both sides with the variances and the covariance of their errors, all parts together."""

    treatment: float
    baseline: float
    treatment_variance: float
    baseline_variance: float
    covariance: float
    scatter_error: float
    scatter_dof: float
    systematic_error: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Relative:
    """A relative contrast, as a fraction of the baseline (0.02 is 2 %).

    relative        nan if the baseline's mean is zero
    standard_error  first-order (delta method); the interval does not come from it
    interval        (low, high), or None when unbounded
    bounded         False when the baseline is not clear of zero at this level: no percentage can be given
    means           what it was made of, for `at_level`
    """

    relative: float
    standard_error: float
    dof: float
    level: float
    interval: tuple[float, float] | None
    bounded: bool
    means: Means


@dataclass(frozen=True, slots=True, kw_only=True)
class Systematic:
    """Systematic standard uncertainties, in the unit of the response, with infinite degrees of freedom.

    treatment, baseline  what each has to itself
    common_offset        of an offset that both share
    """

    treatment: float = 0.0
    baseline: float = 0.0
    common_offset: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class _Part:
    """An independent part of the error of the two means."""

    treatment: float
    baseline: float
    covariance: float
    dof: float

    def of_difference(self, ratio: float) -> float:
        """Variance of (treatment - ratio x baseline); rounding may leave it just below zero."""
        variance = self.treatment - 2.0 * ratio * self.covariance + ratio**2 * self.baseline
        return max(variance, 0.0)


_NO_SYSTEMATIC = Systematic()
# A few units in the last place: scatter below them is the arithmetic's.
_ROUNDING = 4.0 * float(np.finfo(np.float64).eps)


def relative_welch(
    treatment: ArrayLike,
    baseline: ArrayLike,
    *,
    level: float = 0.95,
    resolution_sd: float = 0.0,
    systematic: Systematic = _NO_SYSTEMATIC,
) -> Relative:
    """Relative contrast of two independent groups of runs, each with its own scatter.

    treatment, baseline  shape (n,), n >= 2, one number a run; resolution_sd as in contrast_statistics.welch
    Raises  TooFewRuns, NoScatter
    Source  E. C. Fieller, J. R. Statist. Soc. B 16 (1954) 175-185; degrees of freedom at the estimated ratio:
            A. C. Tamhane & B. R. Logan, J. Biopharm. Statist. 14 (2004) 843-856
    """
    t, b = summarise(treatment), summarise(baseline)
    if min(t.runs, b.runs) < 2:
        raise TooFewRuns(f"two runs a treatment are needed, there are {t.runs} and {b.runs}")
    v_t, v_b = (max(g.sd**2 / g.runs, resolution_sd**2) for g in (t, b))
    parts = [
        _Part(treatment=v_t, baseline=0.0, covariance=0.0, dof=t.runs - 1),
        _Part(treatment=0.0, baseline=v_b, covariance=0.0, dof=b.runs - 1),
    ]
    return _relative(t.mean, b.mean, parts, systematic, level)


def relative_from_standard_errors(
    treatment_mean: float,
    treatment_standard_error: float,
    treatment_dof: float,
    baseline_mean: float,
    baseline_standard_error: float,
    baseline_dof: float,
    *,
    level: float = 0.95,
    systematic: Systematic = _NO_SYSTEMATIC,
) -> Relative:
    """Relative contrast of two independent means with standard errors from elsewhere. Raises NoScatter."""
    v_t, v_b = treatment_standard_error**2, baseline_standard_error**2
    parts = [
        _Part(treatment=v_t, baseline=0.0, covariance=0.0, dof=treatment_dof),
        _Part(treatment=0.0, baseline=v_b, covariance=0.0, dof=baseline_dof),
    ]
    return _relative(treatment_mean, baseline_mean, parts, systematic, level)


def relative_known_scatter(
    treatment: ArrayLike,
    baseline: ArrayLike,
    sd: float,
    dof: float,
    *,
    level: float = 0.95,
    systematic: Systematic = _NO_SYSTEMATIC,
) -> Relative:
    """Relative contrast when the scatter of one run is the rig's history; n >= 1. Raises NoScatter."""
    t, b = summarise(treatment), summarise(baseline)
    parts = [_Part(treatment=sd**2 / t.runs, baseline=sd**2 / b.runs, covariance=0.0, dof=dof)]
    return _relative(t.mean, b.mean, parts, systematic, level)


def relative_paired_blocks(
    treatment_by_block: Mapping[Block, ArrayLike],
    baseline_by_block: Mapping[Block, ArrayLike],
    *,
    level: float = 0.95,
    resolution_sd: float = 0.0,
    systematic: Systematic = _NO_SYSTEMATIC,
) -> Relative:
    """Relative contrast of means over blocks; what varies alike within a block cancels by its covariance.

    Arguments and errors as contrast_statistics.paired_blocks
    Source  Fieller (1954), correlated numerator and denominator
    """
    return relative_from_block_means(
        block_means(treatment_by_block, baseline_by_block),
        level=level,
        resolution_sd=resolution_sd,
        systematic=systematic,
    )


def relative_from_block_means(
    pairs: Floats,
    *,
    level: float = 0.95,
    resolution_sd: float = 0.0,
    systematic: Systematic = _NO_SYSTEMATIC,
) -> Relative:
    """`relative_paired_blocks` from block means, shape (blocks, 2): treatment, baseline. Raises NoScatter."""
    blocks = pairs.shape[0]
    t, b = (summarise(side).mean for side in pairs.T)
    deviations = pairs - (t, b)
    covariance = deviations.T @ deviations / ((blocks - 1) * blocks)
    part = _Part(
        treatment=float(covariance[0, 0]),
        baseline=float(covariance[1, 1]),
        covariance=float(covariance[0, 1]),
        dof=blocks - 1,
    )
    floor = _Part(treatment=resolution_sd**2, baseline=resolution_sd**2, covariance=0.0, dof=blocks - 1)
    if b != 0.0 and part.of_difference(t / b) < floor.of_difference(t / b):
        part = floor
    return _relative(t, b, [part], systematic, level)


def relative_with_drift(
    fit: DriftFit, *, level: float = 0.95, systematic: Systematic = _NO_SYSTEMATIC
) -> Relative:
    """Relative contrast from a fit with linear drift: effect over the baseline at the middle of the order."""
    v_b, v_effect, shared = fit.baseline_variance, fit.effect.standard_error**2, fit.covariance
    part = _Part(
        treatment=v_b + v_effect + 2.0 * shared, baseline=v_b, covariance=v_b + shared, dof=fit.effect.dof
    )
    return _relative(fit.baseline_mean + fit.effect.difference, fit.baseline_mean, [part], systematic, level)


def at_level(found: Relative, level: float) -> Relative:
    """The same relative contrast with its interval at another level. Raises ValueError unless 0 < level < 1"""
    if found.means.baseline == 0.0:
        return replace(found, level=level)
    dof = _dof(found.means, level)
    interval = _fieller(found.means, coverage_factor(level, dof))
    return replace(found, level=level, dof=dof, interval=interval, bounded=interval is not None)


def _relative(
    treatment: float, baseline: float, parts: list[_Part], systematic: Systematic, level: float
) -> Relative:
    """Fieller's interval for treatment / baseline, less one."""
    offset = systematic.common_offset**2
    parts = [
        *parts,
        _Part(treatment=systematic.treatment**2, baseline=0.0, covariance=0.0, dof=math.inf),
        _Part(treatment=0.0, baseline=systematic.baseline**2, covariance=0.0, dof=math.inf),
        _Part(treatment=offset, baseline=offset, covariance=offset, dof=math.inf),
    ]
    # Welch-type: the degrees of freedom belong to (treatment - ratio x baseline) at the estimated ratio.
    ratio = treatment / baseline if baseline != 0.0 else math.nan
    variances = [part.of_difference(ratio) for part in parts] if baseline != 0.0 else [0.0 for _ in parts]
    # The rig's part has infinite degrees of freedom; what has fewer is scatter.
    scatter = [(v, part.dof) for v, part in zip(variances, parts, strict=True) if math.isfinite(part.dof)]
    scatter_error = math.sqrt(math.fsum(v for v, _ in scatter))
    means = Means(
        treatment=treatment,
        baseline=baseline,
        treatment_variance=math.fsum(part.treatment for part in parts),
        baseline_variance=math.fsum(part.baseline for part in parts),
        covariance=math.fsum(part.covariance for part in parts),
        scatter_error=scatter_error,
        scatter_dof=effective_dof([math.sqrt(v) for v, _ in scatter], [found for _, found in scatter]),
        systematic_error=math.sqrt(max(math.fsum(variances) - scatter_error**2, 0.0)),
    )
    if baseline == 0.0:
        return Relative(
            relative=math.nan,
            standard_error=math.nan,
            dof=min(part.dof for part in parts),
            level=level,
            interval=None,
            bounded=False,
            means=means,
        )
    standard_error = math.sqrt(math.fsum(variances)) / abs(baseline)
    if standard_error <= _ROUNDING * max(abs(ratio), 1.0):
        raise NoScatter("the runs do not scatter: give resolution_sd, the least scatter a run can have")
    dof = _dof(means, level)
    interval = _fieller(means, coverage_factor(level, dof))
    return Relative(
        relative=(treatment - baseline) / baseline,
        standard_error=standard_error,
        dof=dof,
        level=level,
        interval=interval,
        bounded=interval is not None,
        means=means,
    )


def _dof(means: Means, level: float) -> float:
    return dof_beside_systematic(means.scatter_error, means.scatter_dof, means.systematic_error, level)


def _fieller(means: Means, factor: float) -> tuple[float, float] | None:
    """Fieller's limits for treatment / baseline, less one, at a coverage factor; None when unbounded.

    Variances and covariance as fractions of the baseline, times t squared; the limits are the roots of
    (ratio - rho)^2 = v_t - 2 rho c + rho^2 v_b, written so that nothing nearly equal is subtracted.
    """
    ratio = means.treatment / means.baseline
    scale = (factor / means.baseline) ** 2
    v_t, v_b = scale * means.treatment_variance, scale * means.baseline_variance
    c = scale * means.covariance
    if not v_b < 1.0:
        return None
    inner = v_t - 2.0 * ratio * c + ratio**2 * v_b - (v_t * v_b - c * c)
    half_width = math.sqrt(max(inner, 0.0)) / (1.0 - v_b)
    # (ratio - c) / (1 - v_b) - 1, the middle of the interval of the relative contrast
    middle = ((means.treatment - means.baseline) / means.baseline - c + v_b) / (1.0 - v_b)
    return middle - half_width, middle + half_width
