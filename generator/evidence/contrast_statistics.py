"""Differences between treatments with their standard errors; the run is the unit, one number a run."""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

Floats = NDArray[np.float64]
Block = TypeVar("Block", bound=Hashable)

# Scatter below a few units in the last place of the means is the arithmetic's, not the bench's.
_ROUNDING = 4.0 * float(np.finfo(np.float64).eps)


class TooFewRuns(ValueError):
    """The design leaves no degrees of freedom for the scatter."""


class NoScatter(ValueError):
    """The runs agree exactly, so they give no standard error; a resolution_sd supplies a floor."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """A difference with its standard error, both in one unit, and the degrees of freedom behind the error.

    dof may be infinite. A standard error of zero is refused with NoScatter: it would make an interval
    without width and a p-value of nought out of runs that merely agree to the last digit.
    """

    difference: float
    standard_error: float
    dof: float

    def __post_init__(self) -> None:
        if not math.isfinite(self.difference):
            raise ValueError(f"the difference must be finite: {self.difference}")
        if self.standard_error == 0.0:
            raise NoScatter(
                "the standard error is zero: give resolution_sd, the least scatter a run can have"
            )
        if not (self.standard_error > 0.0 and math.isfinite(self.standard_error)):
            raise ValueError(f"the standard error must be positive and finite: {self.standard_error}")
        if not self.dof > 0.0:
            raise ValueError(f"degrees of freedom must be positive: {self.dof}")


@dataclass(frozen=True, slots=True, kw_only=True)
class RunSummary:
    """Mean and standard deviation (denominator n - 1; nan for one run) of one number a run."""

    mean: float
    sd: float
    runs: int


@dataclass(frozen=True, slots=True, kw_only=True)
class DriftFit:
    """One treatment against the baseline when the bench drifts in a straight line over run order.

    effect              treatment minus baseline, drift removed
    drift               change per step of `order`; the same unit as the effect, per step
    baseline_mean       the baseline at the mean of `order`
    baseline_variance   square of its standard error
    covariance          of baseline_mean and effect (needed for a percentage of the baseline)
    residual_sd         scatter of one run about the model
    variance_inflation  variance of the effect over what it would be without the drift term; large values
                        mean that order and treatment are nearly the same thing in this design
    """

    effect: Estimate
    drift: Estimate
    baseline_mean: float
    baseline_variance: float
    covariance: float
    residual_sd: float
    variance_inflation: float


# --- the t distribution -------------------------------------------------------------------------------------


def coverage_factor(level: float, dof: float) -> float:
    """Two-sided factor k with probability `level` between -k and +k of Student's t.

    Fractional dof are used as they are, infinite dof give the normal distribution.
    Raises  ValueError unless 0 < level < 1
    Source  JCGM 100:2008 (GUM), G.3.2 and Table G.2
    """
    if not 0.0 < level < 1.0:
        raise ValueError(f"a level lies between 0 and 1: {level}")
    return float(special.stdtrit(dof, 0.5 + 0.5 * level))


def interval(estimate: Estimate, level: float = 0.95) -> tuple[float, float]:
    """Two-sided interval of the difference at the given level: (low, high), unit of the difference."""
    half_width = coverage_factor(level, estimate.dof) * estimate.standard_error
    return estimate.difference - half_width, estimate.difference + half_width


def p_value(estimate: Estimate, against: float = 0.0) -> float:
    """Two-sided p-value of the hypothesis that the true difference equals `against`."""
    t = abs(estimate.difference - against) / estimate.standard_error
    return float(2.0 * special.stdtr(estimate.dof, -t))


def effective_dof(standard_uncertainties: Sequence[float], dofs: Sequence[float]) -> float:
    """Degrees of freedom of a sum of independent parts; infinite if every part is, or if all are zero.

    Source  Welch-Satterthwaite formula, JCGM 100:2008 (GUM), G.4.1, eq. G.2b
    """
    variances = [u * u for u in standard_uncertainties]
    total = math.fsum(variances)
    if total == 0.0:
        return math.inf
    # Shares rather than fourth powers, which overflow and underflow early.
    inverse = math.fsum((v / total) ** 2 / dof for v, dof in zip(variances, dofs, strict=True))
    return math.inf if inverse == 0.0 else 1.0 / inverse


def dof_beside_systematic(
    scatter_error: float, scatter_dof: float, u_systematic: float, level: float = 0.95
) -> float:
    """Degrees of freedom of a mean or difference that has a scatter and a systematic part known without any.

    scatter_error, scatter_dof  standard error from scatter alone, and its degrees of freedom
    u_systematic                systematic standard uncertainty, same unit
    level                       of the interval that they are for

    Those of Welch and Satterthwaite, but never so many that the interval is narrower than the scatter alone would
    make it. With few runs the formula does that: a little more uncertainty then takes much off the factor t. Where
    two or three runs happen to agree, error and factor become small together, and of intervals at 95 % only 87 % hold
    (two blocks) or 92 % (three); with this limit it is 94 % to 98 %, see tests/benchmarks/coverage.py.
    Source  JCGM 100:2008 (GUM), G.4.1; that the formula can shrink an interval: M. Ballico, Metrologia 37 (2000)
            61-64, from memory. The limit is our own.
    """
    both = effective_dof((scatter_error, u_systematic), (scatter_dof, math.inf))
    if not math.isfinite(both) or u_systematic == 0.0:
        return both
    share = scatter_error / math.hypot(scatter_error, u_systematic)
    least = coverage_factor(level, scatter_dof) * share
    if least <= coverage_factor(level, both):
        return both
    return min(max(float(special.stdtridf(0.5 + 0.5 * level, least)), scatter_dof), both)


# --- contrasts ----------------------------------------------------------------------------------------------


def summarise(values: ArrayLike) -> RunSummary:
    """Mean and standard deviation of one number a run: shape (n,), n >= 1, finite, any one unit.

    Two passes about the mean, as the one-pass sum of squares loses its digits on data such as NIST's NumAcc4.
    """
    # In plain Python: for the few runs of a session it is many times as fast as an array.
    numbers: list[float] = _as_runs(values, "values").tolist()
    runs = len(numbers)
    mean = math.fsum(numbers) / runs
    squares = [(number - mean) ** 2 for number in numbers]
    sd = math.sqrt(math.fsum(squares) / (runs - 1)) if runs > 1 else math.nan
    return RunSummary(mean=mean, sd=sd, runs=runs)


def welch(treatment: ArrayLike, baseline: ArrayLike, *, resolution_sd: float = 0.0) -> Estimate:
    """Treatment minus baseline, each with its own scatter.

    treatment, baseline  shape (n,), n >= 2, one number a run, one unit
    resolution_sd        standard uncertainty of one value from its resolution, same unit; no mean is taken
                         to be known better, since runs that fall on one step share its rounding error
    Raises  TooFewRuns for a single run; NoScatter if neither group scatters and no resolution_sd is given
    Source  B. L. Welch, Biometrika 34 (1947) 28-35; F. E. Satterthwaite, Biometrics Bulletin 2 (1946)
            110-114; resolution: JCGM 100:2008, F.2.2.1
    """
    t, b = _two_groups(treatment, baseline)
    u_t, u_b = (max(g.sd / math.sqrt(g.runs), resolution_sd) for g in (t, b))
    return from_standard_errors(t.mean, u_t, t.runs - 1, b.mean, u_b, b.runs - 1)


def pooled(treatment: ArrayLike, baseline: ArrayLike, *, resolution_sd: float = 0.0) -> Estimate:
    """Treatment minus baseline when both are known to scatter alike; arguments and errors as `welch`.

    Source  NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.3
    """
    t, b = _two_groups(treatment, baseline)
    dof = t.runs + b.runs - 2
    sd = math.sqrt(((t.runs - 1) * t.sd**2 + (b.runs - 1) * b.sd**2) / dof)
    standard_error = sd * math.sqrt(1.0 / t.runs + 1.0 / b.runs)
    return _checked(
        t.mean - b.mean, max(standard_error, math.sqrt(2.0) * resolution_sd), dof, (t.mean, b.mean)
    )


def from_standard_errors(
    treatment_mean: float,
    treatment_standard_error: float,
    treatment_dof: float,
    baseline_mean: float,
    baseline_standard_error: float,
    baseline_dof: float,
) -> Estimate:
    """Difference of two independent means whose standard errors are known from elsewhere.

    Serves one run a treatment with the scatter within the run: such an Estimate says nothing of how runs
    differ among themselves, and whoever prints it has to say so.
    Raises  NoScatter if both standard errors are zero
    """
    parts = (treatment_standard_error, baseline_standard_error)
    dof = effective_dof(parts, (treatment_dof, baseline_dof))
    return _checked(treatment_mean - baseline_mean, math.hypot(*parts), dof, (treatment_mean, baseline_mean))


def known_scatter(treatment: ArrayLike, baseline: ArrayLike, sd: float, dof: float) -> Estimate:
    """Difference when the scatter of one run comes from the rig's own history, not from these runs.

    treatment, baseline  shape (n,), n >= 1 (a single number will do), one unit
    sd, dof              repeatability of one run in the same unit, and its degrees of freedom
    Raises  NoScatter if sd is zero
    Source  NIST/SEMATECH e-Handbook of Statistical Methods, 2.6.2 (check standard)
    """
    t, b = summarise(treatment), summarise(baseline)
    standard_error = sd * math.sqrt(1.0 / t.runs + 1.0 / b.runs)
    return _checked(t.mean - b.mean, standard_error, dof, (t.mean, b.mean))


def paired_blocks(
    treatment_by_block: Mapping[Block, ArrayLike],
    baseline_by_block: Mapping[Block, ArrayLike],
    *,
    resolution_sd: float = 0.0,
) -> Estimate:
    """Mean over blocks of (treatment minus baseline); what a block shares, such as warm air, drops out.

    Each mapping gives the runs of one block, shape (k,), k >= 1; several runs in a block are averaged first.
    Raises  ValueError naming the blocks that lack one side; TooFewRuns below two blocks;
            NoScatter if all block differences agree and no resolution_sd is given
    Source  NIST/SEMATECH e-Handbook of Statistical Methods, 7.3.1.1
    """
    return from_block_means(block_means(treatment_by_block, baseline_by_block), resolution_sd=resolution_sd)


def from_block_means(pairs: Floats, *, resolution_sd: float = 0.0) -> Estimate:
    """`paired_blocks` from block means, shape (blocks, 2): treatment, baseline. Raises NoScatter as there."""
    group = summarise(pairs[:, 0] - pairs[:, 1])
    standard_error = max(group.sd / math.sqrt(group.runs), math.sqrt(2.0) * resolution_sd)
    scale = tuple(summarise(side).mean for side in pairs.T)
    return _checked(group.mean, standard_error, group.runs - 1, scale)


def block_means(
    treatment_by_block: Mapping[Block, ArrayLike], baseline_by_block: Mapping[Block, ArrayLike]
) -> Floats:
    """Block means, shape (blocks, 2): treatment, baseline. Errors as `paired_blocks`."""
    unmatched = sorted(str(block) for block in set(treatment_by_block) ^ set(baseline_by_block))
    if unmatched:
        raise ValueError(f"blocks without both treatments, leave them out: {', '.join(unmatched)}")
    if len(treatment_by_block) < 2:
        raise TooFewRuns(f"pairing needs two blocks, there is {len(treatment_by_block)}")
    return np.array(
        [
            (summarise(treatment_by_block[k]).mean, summarise(baseline_by_block[k]).mean)
            for k in treatment_by_block
        ]
    )


def with_linear_drift(
    values: ArrayLike, is_treatment: ArrayLike, order: ArrayLike, *, resolution_sd: float = 0.0
) -> DriftFit:
    """Treatment effect with a straight-line drift over run order taken out, by least squares.

    values        shape (n,), one number a run
    is_treatment  shape (n,), true for treatment runs
    order         shape (n,), place in the running order, or a time; any unit
    Errors as `treatments_with_linear_drift`.
    """
    flags = np.asarray(is_treatment, dtype=bool)
    labels = ["treatment" if flag else "baseline" for flag in np.atleast_1d(flags)]
    fits = treatments_with_linear_drift(values, labels, "baseline", order, resolution_sd=resolution_sd)
    return fits["treatment"]


def treatments_with_linear_drift(
    values: ArrayLike,
    treatments: Sequence[str],
    baseline: str,
    order: ArrayLike,
    *,
    resolution_sd: float = 0.0,
) -> dict[str, DriftFit]:
    """Every treatment against the baseline with one drift and one residual scatter for all, by least squares.

    values, treatments, order  n runs; the treatment named `baseline` must be among them
    Raises  TooFewRuns if n leaves no degree of freedom; ValueError if a treatment is missing or if order
            cannot be told from treatment; NoScatter if the model fits exactly and no resolution_sd is given
    Source  ordinary least squares; NIST/SEMATECH e-Handbook of Statistical Methods, 4.4.3.1
    """
    y, x = _as_runs(values, "values"), _as_runs(order, "order")
    others = list(dict.fromkeys(label for label in treatments if label != baseline))
    if not y.size == x.size == len(treatments):
        raise ValueError(
            f"one value, treatment and order a run: {y.size}, {len(treatments)}, {x.size} were given"
        )
    if not others or len(others) == len(set(treatments)):
        raise ValueError(f"need runs of the baseline {baseline!r} and of another treatment")
    dof = y.size - len(others) - 2
    if dof < 1:
        raise TooFewRuns(
            f"{y.size} runs are too few for {len(others) + 1} treatments and a drift,"
            f" which need {len(others) + 3}"
        )

    labels = np.array(treatments, dtype=object)
    step = x - x.mean()
    step_scale = float(np.abs(step).max())
    if step_scale == 0.0:
        raise ValueError("order is the same for all runs: no drift can be found")
    design = np.column_stack([np.ones(y.size), *(labels == label for label in others), step / step_scale])
    design = design.astype(np.float64)
    if np.linalg.matrix_rank(design, tol=1e-8) < design.shape[1]:
        raise ValueError("order cannot be told from treatment: a drift would look just like the effect")

    q, r = np.linalg.qr(design)
    level = float(y.mean())  # taken out first, so large levels keep their digits
    coefficients = np.linalg.solve(r, q.T @ (y - level))
    residuals = y - level - design @ coefficients
    residual_sd = math.sqrt(float(residuals @ residuals) / dof)
    sd = max(residual_sd, resolution_sd)
    inverse = np.linalg.inv(r)
    unscaled = inverse @ inverse.T

    baseline_mean = level + float(coefficients[0])
    drift = _checked(
        float(coefficients[-1]) / step_scale,
        sd * math.sqrt(unscaled[-1, -1]) / step_scale,
        dof,
        (baseline_mean / step_scale,),
    )
    fits = {}
    for column, label in enumerate(others, start=1):
        effect = float(coefficients[column])
        standard_error = max(sd * math.sqrt(unscaled[column, column]), math.sqrt(2.0) * resolution_sd)
        without_drift = 1.0 / np.sum(labels == label) + 1.0 / np.sum(labels == baseline)
        fits[label] = DriftFit(
            effect=_checked(effect, standard_error, dof, (baseline_mean, baseline_mean + effect)),
            drift=drift,
            baseline_mean=baseline_mean,
            baseline_variance=sd**2 * float(unscaled[0, 0]),
            covariance=sd**2 * float(unscaled[0, column]),
            residual_sd=residual_sd,
            variance_inflation=float(unscaled[column, column] / without_drift),
        )
    return fits


def with_systematic(estimate: Estimate, u_systematic: float, level: float = 0.95) -> Estimate:
    """The same difference with a systematic standard uncertainty added in quadrature.

    u_systematic  standard uncertainty of the difference itself, same unit, >= 0, known without degrees of freedom:
                  what both treatments share must already have cancelled in it
    level         of the interval that will be made of it; see dof_beside_systematic
    Raises  ValueError for a negative or unbounded u_systematic
    Source  JCGM 100:2008 (GUM), 5.1.2 and G.4.1
    """
    if not 0.0 <= u_systematic < math.inf:
        raise ValueError(f"a systematic uncertainty is not negative, and finite: {u_systematic}")
    return Estimate(
        difference=estimate.difference,
        standard_error=math.hypot(estimate.standard_error, u_systematic),
        dof=dof_beside_systematic(estimate.standard_error, estimate.dof, u_systematic, level),
    )


# --- shared checks ------------------------------------------------------------------------------------------


def _as_runs(values: ArrayLike, name: str) -> Floats:
    array = np.asarray(values, dtype=np.float64)
    if array.ndim == 0:
        array = array.reshape(1)
    if array.ndim != 1 or array.size == 0:
        raise ValueError(f"{name}: one number a run is needed, got shape {array.shape}")
    if not all(map(math.isfinite, array.tolist())):
        raise ValueError(f"{name}: not every run has a finite number")
    return array


def _two_groups(treatment: ArrayLike, baseline: ArrayLike) -> tuple[RunSummary, RunSummary]:
    t, b = summarise(treatment), summarise(baseline)
    if min(t.runs, b.runs) < 2:
        raise TooFewRuns(f"two runs a treatment are needed, there are {t.runs} and {b.runs}")
    return t, b


def _checked(difference: float, standard_error: float, dof: float, means: Sequence[float]) -> Estimate:
    if standard_error <= _ROUNDING * max(abs(mean) for mean in means):
        raise NoScatter("the runs do not scatter: give resolution_sd, the least scatter a run can have")
    return Estimate(difference=difference, standard_error=standard_error, dof=dof)
