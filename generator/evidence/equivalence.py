"""Whether a difference is small enough not to matter: two one-sided tests against a margin."""

from __future__ import annotations

import math
from dataclasses import dataclass

from scipy import special

from generator.evidence.contrast_statistics import Estimate, interval


@dataclass(frozen=True, slots=True, kw_only=True)
class EquivalenceResult:
    """p_lower tests the difference against -margin, p_upper against +margin; p is the larger of the two.

    interval is the one at level 1 - 2 alpha (90 % for 5 %); it lies inside the margin just when equivalent.
    """

    p_lower: float
    p_upper: float
    p: float
    equivalent: bool
    interval: tuple[float, float]
    margin: float
    alpha: float


def two_one_sided(estimate: Estimate, margin: float, alpha: float = 0.05) -> EquivalenceResult:
    """Two one-sided t-tests (TOST): is the true difference between -margin and +margin?

    margin  positive, unit of the difference
    Raises  ValueError for a margin that is not positive and finite, or alpha outside 0 to 0.5
    Source  D. J. Schuirmann, Journal of Pharmacokinetics and Biopharmaceutics 15 (1987) 657-680
    """
    if not 0.0 < margin < math.inf:
        raise ValueError(f"a margin is positive and finite: {margin}")
    if not 0.0 < alpha < 0.5:
        raise ValueError(f"alpha lies between 0 and 0.5: {alpha}")
    t_lower = (estimate.difference + margin) / estimate.standard_error
    t_upper = (estimate.difference - margin) / estimate.standard_error
    p_lower = float(special.stdtr(estimate.dof, -t_lower))
    p_upper = float(special.stdtr(estimate.dof, t_upper))
    p = max(p_lower, p_upper)
    return EquivalenceResult(
        p_lower=p_lower,
        p_upper=p_upper,
        p=p,
        equivalent=p < alpha,
        interval=interval(estimate, 1.0 - 2.0 * alpha),
        margin=margin,
        alpha=alpha,
    )
