"""How many repeats a question needs: power of the two-sample contrast and of the two one-sided tests."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy import special

Floats = NDArray[np.float64]
Route = Literal["a difference", "no difference that matters"]

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(512)
_TAIL = 1e-15  # probability left out at either end of the scatter's distribution


@dataclass(frozen=True, slots=True, kw_only=True)
class Repeats:
    """Repeats per treatment; capped means that even `count` (the cap) does not reach the power asked for."""

    count: int
    capped: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class RepeatsToSettle:
    """Repeats per treatment (blocks, if paired) that would settle the question, and by which verdict.

    count, capped       the fewest over the definite verdicts below; capped if none is reached by the cap
    route               the verdict that needs fewest; None if capped
    to_exclude_zero     interval clear of zero: a direction is shown
    to_pass_margin      interval wholly beyond the margin; None without a margin
    to_lie_within       both one-sided tests pass inside the margin; None without a margin
    """

    count: int
    capped: bool
    route: Route | None
    to_exclude_zero: Repeats
    to_pass_margin: Repeats | None
    to_lie_within: Repeats | None


def power_two_sample(
    n: float, delta: float, sd: float, alpha: float = 0.05, sides: Literal[1, 2] = 2
) -> float:
    """Probability that n runs a treatment show a true difference delta, both groups scattering alike.

    The noncentral t, by integration over the observed scatter: scipy's own gives nan in its far tail.

    n         runs a treatment, > 1; need not be whole, as published tables solve for it
    delta, sd true difference and scatter of one run, one unit
    sides     2 counts both tails, 1 only the tail towards delta
    Raises    ValueError for n <= 1, sd <= 0, alpha outside 0 to 1
    Source    J. Cohen, Statistical Power Analysis for the Behavioral Sciences (2nd ed. 1988), ch. 2
    """
    _check(n, sd, alpha)
    weights, half_widths, se = _scatter(n, sd, 1.0 - alpha / sides, 0.0, False)
    shown = special.ndtr((abs(delta) - half_widths) / se)
    if sides == 2:
        shown = shown + special.ndtr((-abs(delta) - half_widths) / se)
    return float(weights @ shown)


def repeats_for_power(
    delta: float,
    sd: float,
    power: float = 0.8,
    alpha: float = 0.05,
    sides: Literal[1, 2] = 2,
    cap: int = 200,
) -> Repeats:
    """Fewest runs a treatment (2 to cap) that show a true difference delta with the given power.

    Raises  as power_two_sample
    """
    return _fewest(lambda n: power_two_sample(n, delta, sd, alpha, sides), power, cap)


def power_equivalence(
    n: float,
    delta: float,
    sd: float,
    margin: float,
    alpha: float = 0.05,
    *,
    u_systematic: float = 0.0,
    paired: bool = False,
) -> float:
    """Probability that the two one-sided tests with n runs a treatment find the difference inside +-margin.

    Exact for a normal scatter: the probability given the observed scatter, integrated over its chi
    distribution. Arguments as power_two_sample; `paired` and `u_systematic` as repeats_to_settle.
    Raises  ValueError for n <= 1, sd <= 0, margin <= 0, alpha outside 0 to 1
    Source  K. F. Phillips, Journal of Pharmacokinetics and Biopharmaceutics 18 (1990) 137-144
    """
    _check(n, sd, alpha)
    if not margin > 0.0:
        raise ValueError(f"a margin is positive: {margin}")
    weights, half_widths, se = _scatter(n, sd, 1.0 - alpha, u_systematic, paired)
    reach = margin - half_widths
    inside = special.ndtr((reach - delta) / se) - special.ndtr((-reach - delta) / se)
    return float(weights @ np.maximum(inside, 0.0))


def power_beyond(
    n: float,
    delta: float,
    sd: float,
    threshold: float = 0.0,
    alpha: float = 0.05,
    *,
    u_systematic: float = 0.0,
    paired: bool = False,
) -> float:
    """Probability that the interval at level 1 - alpha lies wholly beyond the threshold, on delta's side.

    threshold  >= 0: 0 asks for a direction, the margin for a difference that matters
    With threshold 0 and no systematic part this is one tail of power_two_sample.
    Raises  ValueError for n <= 1, sd <= 0, alpha outside 0 to 1
    """
    _check(n, sd, alpha)
    weights, half_widths, se = _scatter(n, sd, 1.0 - alpha / 2.0, u_systematic, paired)
    return float(weights @ special.ndtr((abs(delta) - threshold - half_widths) / se))


def repeats_to_settle(
    difference: float,
    sd: float,
    margin: float | None = None,
    *,
    u_systematic: float = 0.0,
    paired: bool = False,
    power: float = 0.8,
    alpha: float = 0.05,
    cap: int = 200,
) -> RepeatsToSettle:
    """Repeats a treatment that would settle the question if the present difference and scatter held.

    difference    as estimated now
    sd            scatter of one run, or with `paired` that of one block's difference; same unit
    margin        smallest difference that would matter, or None
    u_systematic  standard uncertainty of the difference that repeats cannot lessen, same unit
    power         how sure one wants to be of getting there
    The present difference may itself be chance, so the figure is a guide for planning, not a promise.
    Raises  ValueError for sd <= 0, margin <= 0, alpha outside 0 to 1
    """

    def beyond(threshold: float) -> Repeats:
        return _fewest(
            lambda n: power_beyond(
                n, difference, sd, threshold, alpha, u_systematic=u_systematic, paired=paired
            ),
            power,
            cap,
        )

    to_exclude_zero = beyond(0.0)
    routes: list[tuple[Repeats, Route]] = [(to_exclude_zero, "a difference")]
    to_pass_margin = to_lie_within = None
    if margin is not None:
        limit = margin
        to_pass_margin = beyond(limit)
        to_lie_within = _fewest(
            lambda n: power_equivalence(
                n, difference, sd, limit, alpha, u_systematic=u_systematic, paired=paired
            ),
            power,
            cap,
        )
        routes.append((to_lie_within, "no difference that matters"))
    best, route = min(routes, key=lambda r: (r[0].capped, r[0].count))
    return RepeatsToSettle(
        count=best.count,
        capped=best.capped,
        route=None if best.capped else route,
        to_exclude_zero=to_exclude_zero,
        to_pass_margin=to_pass_margin,
        to_lie_within=to_lie_within,
    )


def _scatter(
    n: float, sd: float, quantile: float, u_systematic: float, paired: bool
) -> tuple[Floats, Floats, float]:
    """Weights over the observed scatter, half-width of the interval at each, and the true standard error."""
    dof, per_run = (n - 1.0, 1.0 / n) if paired else (2.0 * n - 2.0, 2.0 / n)
    # s / sd is distributed as sqrt(chi-square / dof); Gauss-Legendre over all but the far tails.
    low, high = (math.sqrt(special.chdtri(dof, p) / dof) for p in (1.0 - _TAIL, _TAIL))
    s = low + 0.5 * (high - low) * (_NODES + 1.0)
    log_density = (dof - 1.0) * np.log(s) - 0.5 * dof * s * s
    weights = _WEIGHTS * np.exp(log_density - log_density.max())
    variance = (s * sd) ** 2 * per_run
    combined = variance + u_systematic**2
    # The combined degrees of freedom follow the observed scatter (Welch-Satterthwaite, systematic infinite).
    factor = special.stdtrit(dof * (combined / variance) ** 2, quantile)
    half_widths: Floats = np.asarray(factor * np.sqrt(combined), dtype=np.float64)
    return weights / weights.sum(), half_widths, sd * math.sqrt(per_run)


def _fewest(power_at: Callable[[int], float], power: float, cap: int) -> Repeats:
    """Smallest whole number of repeats from 2 to cap that reaches the power, by halving."""
    if power_at(cap) < power:
        return Repeats(count=cap, capped=True)
    low, high = 1, cap
    while high - low > 1:
        middle = (low + high) // 2
        if power_at(middle) >= power:
            high = middle
        else:
            low = middle
    return Repeats(count=high, capped=False)


def _check(n: float, sd: float, alpha: float) -> None:
    if not n > 1.0:
        raise ValueError(f"power needs more than one run a treatment: {n}")
    if not 0.0 < sd < math.inf:
        raise ValueError(f"the scatter of one run must be positive and finite: {sd}")
    if not 0.0 < alpha < 1.0:
        raise ValueError(f"alpha lies between 0 and 1: {alpha}")
