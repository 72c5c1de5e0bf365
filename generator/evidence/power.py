"""How many repeats a question needs: power of the two-sample contrast and of the two one-sided tests."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy import special

Floats = NDArray[np.float64]
Route = Literal["a difference", "no difference that matters"]

# Over the observed scatter. Where every node costs a quantile of t for each share, 64 give the power to 0.001.
_MANY, _FEW = np.polynomial.legendre.leggauss(512), np.polynomial.legendre.leggauss(64)
_SHARES = 8  # nodes over the share of the scatter that falls on one side
# With more runs a side than this, each side's own scatter and one for both give the same power to 0.003.
_FEW_RUNS = 15
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
    weights, half_widths, se = _scatter(n, sd, 1.0 - alpha / sides, 0.0, False, True)
    shown = special.ndtr((abs(delta) - half_widths) / se)
    if sides == 2:
        shown = shown + special.ndtr((-abs(delta) - half_widths) / se)
    return float(np.sum(weights * shown))


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
    alike: bool = False,
) -> float:
    """Probability that the two one-sided tests with n runs a treatment find the difference inside +-margin.

    Exact for a normal scatter: the probability given the observed scatter, integrated over its chi
    distribution. Arguments as power_two_sample; `paired` and `u_systematic` as repeats_to_settle.
    alike  one scatter found from both sides, as published tables take it, instead of each side's own (Welch)
    Raises  ValueError for n <= 1, sd <= 0, margin <= 0, alpha outside 0 to 1
    Source  K. F. Phillips, Journal of Pharmacokinetics and Biopharmaceutics 18 (1990) 137-144
    """
    _check(n, sd, alpha)
    if not margin > 0.0:
        raise ValueError(f"a margin is positive: {margin}")
    weights, half_widths, se = _scatter(n, sd, 1.0 - alpha, u_systematic, paired, alike)
    reach = margin - half_widths
    inside = special.ndtr((reach - delta) / se) - special.ndtr((-reach - delta) / se)
    return float(np.sum(weights * np.maximum(inside, 0.0)))


def power_beyond(
    n: float,
    delta: float,
    sd: float,
    threshold: float = 0.0,
    alpha: float = 0.05,
    *,
    u_systematic: float = 0.0,
    paired: bool = False,
    alike: bool = False,
) -> float:
    """Probability that the interval at level 1 - alpha lies wholly beyond the threshold, on delta's side.

    threshold  >= 0: 0 asks for a direction, the margin for a difference that matters
    alike      as power_equivalence; then, with threshold 0 and no systematic part, one tail of power_two_sample
    Both sides scatter alike in truth; Welch does not know it, which costs power with few runs.
    Raises  ValueError for n <= 1, sd <= 0, alpha outside 0 to 1
    """
    _check(n, sd, alpha)
    weights, half_widths, se = _scatter(n, sd, 1.0 - alpha / 2.0, u_systematic, paired, alike)
    return float(np.sum(weights * special.ndtr((abs(delta) - threshold - half_widths) / se)))


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

    to_exclude_zero = repeats_beyond(
        difference, sd, u_systematic=u_systematic, paired=paired, power=power, alpha=alpha, cap=cap
    )
    routes: list[tuple[Repeats, Route]] = [(to_exclude_zero, "a difference")]
    to_pass_margin = to_lie_within = None
    if margin is not None:
        to_pass_margin = repeats_beyond(
            difference,
            sd,
            margin,
            u_systematic=u_systematic,
            paired=paired,
            power=power,
            alpha=alpha,
            cap=cap,
        )
        to_lie_within = repeats_within(
            difference,
            sd,
            margin,
            u_systematic=u_systematic,
            paired=paired,
            power=power,
            alpha=alpha,
            cap=cap,
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


def repeats_beyond(
    difference: float,
    sd: float,
    threshold: float = 0.0,
    *,
    u_systematic: float = 0.0,
    paired: bool = False,
    power: float = 0.8,
    alpha: float = 0.05,
    cap: int = 200,
) -> Repeats:
    """Fewest repeats whose interval lies beyond a threshold with the power asked for; as repeats_to_settle."""

    def power_at(n: int) -> float:
        return power_beyond(n, difference, sd, threshold, alpha, u_systematic=u_systematic, paired=paired)

    reach = special.ndtri(1.0 - alpha / 2.0) + special.ndtri(power)
    return _fewest(power_at, power, cap, _guess(reach, abs(difference) - threshold, sd, paired))


def repeats_within(
    difference: float,
    sd: float,
    margin: float,
    *,
    u_systematic: float = 0.0,
    paired: bool = False,
    power: float = 0.8,
    alpha: float = 0.05,
    cap: int = 200,
) -> Repeats:
    """Fewest repeats that show no difference that matters with the power asked for; as repeats_to_settle."""

    def power_at(n: int) -> float:
        return power_equivalence(n, difference, sd, margin, alpha, u_systematic=u_systematic, paired=paired)

    reach = special.ndtri(1.0 - alpha) + special.ndtri(power)
    return _fewest(power_at, power, cap, _guess(reach, margin - abs(difference), sd, paired))


def _guess(reach: float, way: float, sd: float, paired: bool) -> float:
    """About how many repeats bring `reach` standard errors within `way`; very many if none do."""
    return (1.0 if paired else 2.0) * min(float(reach) * sd / way, 1e3) ** 2 if way > 0.0 else math.inf


def _scatter(
    n: float, sd: float, quantile: float, u_systematic: float, paired: bool, alike: bool
) -> tuple[Floats, Floats, float]:
    """Weights over the observed scatter, half-width of the interval at each, and the true standard error.

    How the scatter falls on the two sides is independent of how large it is in all: its share on one side follows
    a beta distribution, and Welch's degrees of freedom follow that share.
    """
    dof, per_run = (n - 1.0, 1.0 / n) if paired else (2.0 * n - 2.0, 2.0 / n)
    # s / sd is distributed as sqrt(chi-square / dof); Gauss-Legendre over all but the far tails.
    low, high = (math.sqrt(special.chdtri(dof, p) / dof) for p in (1.0 - _TAIL, _TAIL))
    one_scatter = paired or alike or n > _FEW_RUNS
    nodes, node_weights = _FEW if u_systematic > 0.0 and not one_scatter else _MANY
    s = low + 0.5 * (high - low) * (nodes + 1.0)
    log_density = (dof - 1.0) * np.log(s) - 0.5 * dof * s * s
    weights = node_weights * np.exp(log_density - log_density.max())
    sides, used = (np.ones(1), np.array([dof])) if one_scatter else _welch_dof(n)
    variance = (s * sd) ** 2 * per_run
    by_scatter = np.outer(special.stdtrit(used, quantile), np.sqrt(variance))
    if u_systematic > 0.0:
        combined = variance + u_systematic**2
        both = special.stdtrit(np.outer(used, (combined / variance) ** 2), quantile) * np.sqrt(combined)
        # never narrower than the scatter alone, as contrast_statistics.dof_beside_systematic has it
        by_scatter = np.maximum(by_scatter, both)
    return np.outer(sides, weights / weights.sum()), by_scatter, sd * math.sqrt(per_run)


@lru_cache(maxsize=512)
def _welch_dof(n: float) -> tuple[Floats, Floats]:
    """Weights over the share of the scatter that falls on one side, and Welch's degrees of freedom at each."""
    half = 0.5 * (n - 1.0) - 1.0
    shares, weights = special.roots_jacobi(_SHARES, half, half)
    share = 0.5 * (shares[: _SHARES // 2] + 1.0)  # one half stands for the other
    weights = weights[: _SHARES // 2]
    return weights / weights.sum(), (n - 1.0) / (share**2 + (1.0 - share) ** 2)


def _fewest(power_at: Callable[[int], float], power: float, cap: int, guess: float = math.inf) -> Repeats:
    """Smallest whole number of repeats from 2 to cap that reaches the power: from a guess outwards, then by halving."""
    if power_at(cap) < power:
        return Repeats(count=cap, capped=True)
    low, high = 1, cap
    at, step = int(min(max(guess, 2.0), cap)), 1
    while low < at < high:
        if power_at(at) >= power:
            high, at = at, max(at - step, low)
        else:
            low, at = at, min(at + step, high)
        step *= 2
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
