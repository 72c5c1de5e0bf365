"""Uncertainty budgets after the GUM (JCGM 100:2008): combination, propagation, straight-line fit."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import uncertainties
from numpy.typing import ArrayLike, NDArray

from generator.evidence.contrast_statistics import TooFewRuns, coverage_factor, effective_dof

Floats = NDArray[np.float64]
Kind = Literal["A", "B"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Contribution:
    """One source's part in the uncertainty of a result, in the result's unit.

    standard_uncertainty  sensitivity times standard uncertainty; its sign counts where a variable is shared
    kind                  "A" from repeated observations, "B" from anything else (GUM 2.3.2, 2.3.3)
    shared                key of the variable behind it; contributions with one key add with their signs
    """

    name: str
    standard_uncertainty: float
    dof: float = math.inf
    kind: Kind = "B"
    shared: str | None = None

    def __post_init__(self) -> None:
        if not math.isfinite(self.standard_uncertainty):
            raise ValueError(f"{self.name}: the standard uncertainty must be finite")
        if not self.dof > 0.0:
            raise ValueError(f"{self.name}: degrees of freedom must be positive: {self.dof}")


@dataclass(frozen=True, slots=True, kw_only=True)
class BudgetLine:
    """One line of a budget: an independent source, or all contributions of one shared variable.

    contribution  signed, unit of the result
    share         part of the variance, 0 to 1; with correlated inputs a share may be negative or exceed 1
    shared        whether it stands for a shared variable
    members       names of the contributions in it
    """

    name: str
    contribution: float
    dof: float
    kind: Kind
    share: float
    shared: bool
    members: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Budget:
    """Rows in the order given, the combined standard uncertainty and its effective degrees of freedom.

    dominant  name of the row with the largest share; None if the combined uncertainty is zero
    """

    rows: tuple[BudgetLine, ...]
    standard_uncertainty: float
    dof: float
    dominant: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Propagated:
    """Value of a function of uncertain quantities, and the budget of its uncertainty."""

    value: float
    budget: Budget


@dataclass(frozen=True, slots=True, kw_only=True)
class LineFit:
    """Least-squares line y = intercept + slope x with exact x.

    correlation        of intercept and slope
    residual_sd        scatter of one y about the line, denominator n - 2
    x_mean, x_squares  mean of x and sum of squared deviations from it
    """

    intercept: float
    slope: float
    u_intercept: float
    u_slope: float
    correlation: float
    residual_sd: float
    dof: int
    x_mean: float
    x_squares: float
    points: int

    def predict(self, x: float) -> tuple[float, float]:
        """Height of the line at x and its standard uncertainty (of the line, not of one new reading).

        Source  GUM H.3.4, with the covariance of intercept and slope carried by centring on the mean of x
        """
        spread = math.sqrt(1.0 / self.points + (x - self.x_mean) ** 2 / self.x_squares)
        return self.intercept + self.slope * x, self.residual_sd * spread


def combine(contributions: Sequence[Contribution]) -> Budget:
    """Budget of contributions: those of one shared variable add with their signs, the rest in quadrature.

    Raises  ValueError if contributions of one variable disagree about its kind or degrees of freedom
    Source  GUM 5.1.2 (independent), 5.2.2 eq. 16 with correlation 1 (shared), G.4.1 (degrees of freedom)
    """
    groups: dict[tuple[str | None, int], list[Contribution]] = {}
    for place, part in enumerate(contributions):
        key = (None, place) if part.shared is None else (part.shared, 0)
        groups.setdefault(key, []).append(part)

    sums = []
    for (variable, _), members in groups.items():
        if len({(m.kind, m.dof) for m in members}) > 1:
            raise ValueError(
                f"shared variable {variable!r}: its contributions differ in kind or degrees of freedom"
            )
        sums.append(math.fsum(m.standard_uncertainty for m in members))
    variance = math.fsum(u * u for u in sums)
    rows = tuple(
        BudgetLine(
            name=members[0].shared or members[0].name,
            contribution=u,
            dof=members[0].dof,
            kind=members[0].kind,
            share=u * u / variance if variance > 0.0 else 0.0,
            shared=members[0].shared is not None,
            members=tuple(m.name for m in members),
        )
        for u, members in zip(sums, groups.values(), strict=True)
    )
    return _budget(rows, math.sqrt(variance), effective_dof(sums, [row.dof for row in rows]))


def expanded_uncertainty(budget: Budget, level: float = 0.95) -> float:
    """Half-width of the interval at the given level: coverage factor from t times the standard uncertainty.

    The effective degrees of freedom are used unrounded; the GUM's own tables truncate them to whole numbers.
    Source  GUM 6.2, G.3.2, G.4.1
    """
    return coverage_factor(level, budget.dof) * budget.standard_uncertainty


def propagate(
    function: Callable[..., Any],
    values: Mapping[str, float],
    standard_uncertainties: Mapping[str, float],
    correlation: ArrayLike | None = None,
    *,
    dof: Mapping[str, float] | None = None,
    kinds: Mapping[str, Kind] | None = None,
) -> Propagated:
    """First-order propagation through a function of named quantities; see `propagate_several`."""
    results, _ = propagate_several(
        {"result": function}, values, standard_uncertainties, correlation, dof=dof, kinds=kinds
    )
    return results["result"]


def propagate_several(
    functions: Mapping[str, Callable[..., Any]],
    values: Mapping[str, float],
    standard_uncertainties: Mapping[str, float],
    correlation: ArrayLike | None = None,
    *,
    dof: Mapping[str, float] | None = None,
    kinds: Mapping[str, Kind] | None = None,
) -> tuple[dict[str, Propagated], Floats]:
    """Several functions of the same uncertain quantities, and the correlation matrix of their results.

    functions    each takes the quantities as keyword arguments and must work on numbers of the package
                 `uncertainties`: plain arithmetic, its `umath`, or `uncertainties.wrap` around anything else
    values, standard_uncertainties  by name; names not in the second are exact
    correlation  shape (n, n) over the names of `values` in their order; None if independent
    dof, kinds   by name; default infinite and "B"
    Row names are those of the quantities. The correlation matrix follows the order of `functions`; a result
    without uncertainty has correlation 0 with the others. Where inputs are correlated the Welch-Satterthwaite
    formula does not hold (GUM G.4.1, note), and the smallest dof of a contributing input is taken.
    Raises  ValueError for unknown names, negative uncertainties, or a matrix that is no correlation matrix
    Source  GUM 5.1.2 and 5.2.2; derivatives and correlations by the package `uncertainties`
    """
    names = list(values)
    unknown = sorted(set(standard_uncertainties) - set(names))
    if unknown:
        raise ValueError(f"uncertainty given for unknown quantities: {', '.join(unknown)}")
    u = np.array([float(standard_uncertainties.get(name, 0.0)) for name in names])
    if not (np.isfinite(u) & (u >= 0.0)).all():
        raise ValueError("standard uncertainties must be finite and not negative")
    matrix = _correlation_matrix(correlation, len(names))
    uncertain = [i for i in range(len(names)) if u[i] > 0.0]  # the package warns about a zero uncertainty
    independent = not np.any(matrix - np.eye(len(names)))

    separate = {names[i]: uncertainties.ufloat(values[names[i]], u[i]) for i in uncertain}
    if independent or not uncertain:
        together = separate
    else:
        block = np.ix_(uncertain, uncertain)
        covariance = matrix[block] * np.outer(u[uncertain], u[uncertain])
        linked = uncertainties.correlated_values([values[names[i]] for i in uncertain], covariance)
        together = dict(zip(separate, linked, strict=True))

    outputs, results = [], {}
    for label, function in functions.items():
        output = function(**{**values, **together})
        alone = output if together is separate else function(**{**values, **separate})
        slopes = getattr(alone, "derivatives", {})
        parts = np.zeros(len(names))
        for i in uncertain:
            parts[i] = slopes.get(separate[names[i]], 0.0) * u[i]
        outputs.append(output)
        results[label] = Propagated(
            value=float(uncertainties.nominal_value(output)),
            budget=_propagated_budget(
                names,
                parts,
                matrix,
                independent,
                float(uncertainties.std_dev(output)),
                dof or {},
                kinds or {},
            ),
        )
    return results, _output_correlation(outputs)


def fit_line(x: ArrayLike, y: ArrayLike) -> LineFit:
    """Ordinary least squares of y on x, shapes (n,), n >= 3, x in any unit and exact.

    Raises  ValueError for unequal lengths, values that are not finite or x all equal;
            TooFewRuns below 3 points
    Source  GUM H.3; sums about the means
    """
    xs, ys = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    if xs.ndim != 1 or xs.shape != ys.shape:
        raise ValueError(f"x and y must be lists of one length: {xs.shape}, {ys.shape}")
    if not (np.isfinite(xs).all() and np.isfinite(ys).all()):
        raise ValueError("x and y must be finite")
    points = xs.size
    if points < 3:
        raise TooFewRuns(f"a line with its scatter needs three points, there are {points}")
    x_mean, y_mean = float(xs.mean()), float(ys.mean())
    dx, dy = xs - x_mean, ys - y_mean
    x_squares = float(dx @ dx)
    if x_squares == 0.0:
        raise ValueError("x does not vary: no slope can be found")
    slope = float(dx @ dy) / x_squares
    residuals = dy - slope * dx
    dof = points - 2
    residual_sd = math.sqrt(float(residuals @ residuals) / dof)
    root_mean_square = math.sqrt(float(np.mean(xs**2)))
    return LineFit(
        intercept=y_mean - slope * x_mean,
        slope=slope,
        u_intercept=residual_sd * math.sqrt(1.0 / points + x_mean**2 / x_squares),
        u_slope=residual_sd / math.sqrt(x_squares),
        correlation=-x_mean / root_mean_square,
        residual_sd=residual_sd,
        dof=dof,
        x_mean=x_mean,
        x_squares=x_squares,
        points=points,
    )


def _budget(rows: tuple[BudgetLine, ...], standard_uncertainty: float, dof: float) -> Budget:
    dominant = max(rows, key=lambda row: abs(row.share)).name if standard_uncertainty > 0.0 else None
    return Budget(rows=rows, standard_uncertainty=standard_uncertainty, dof=dof, dominant=dominant)


def _propagated_budget(
    names: list[str],
    parts: Floats,
    matrix: Floats,
    independent: bool,
    total: float,
    dof: Mapping[str, float],
    kinds: Mapping[str, Kind],
) -> Budget:
    # A correlated input takes its own part of the variance and half of every cross term; shares add up to 1.
    shares = parts * (matrix @ parts)
    variance = float(shares.sum())
    dofs = [float(dof.get(name, math.inf)) for name in names]
    rows = tuple(
        BudgetLine(
            name=name,
            contribution=float(parts[i]),
            dof=dofs[i],
            kind=kinds.get(name, "B"),
            share=float(shares[i]) / variance if variance > 0.0 else 0.0,
            shared=False,
            members=(name,),
        )
        for i, name in enumerate(names)
    )
    if independent:
        combined = effective_dof([float(p) for p in parts], dofs)
    else:
        combined = min((d for d, p in zip(dofs, parts, strict=True) if p != 0.0), default=math.inf)
    return _budget(rows, total, combined)


def _correlation_matrix(correlation: ArrayLike | None, size: int) -> Floats:
    if correlation is None:
        return np.eye(size)
    matrix = np.asarray(correlation, dtype=np.float64)
    if matrix.shape != (size, size):
        raise ValueError(f"the correlation matrix must be {size} by {size}, got shape {matrix.shape}")
    if not (np.allclose(matrix, matrix.T) and np.allclose(np.diag(matrix), 1.0)):
        raise ValueError("a correlation matrix is symmetric with ones on its diagonal")
    if float(np.linalg.eigvalsh(matrix)[0]) < -1e-9:
        raise ValueError("these correlations contradict each other: the matrix has a negative eigenvalue")
    return matrix


def _output_correlation(outputs: Sequence[Any]) -> Floats:
    correlation = np.eye(len(outputs))
    uncertain = [i for i, output in enumerate(outputs) if uncertainties.std_dev(output) > 0.0]
    covariance = np.asarray(
        uncertainties.covariance_matrix([outputs[i] for i in uncertain]), dtype=np.float64
    )
    if uncertain:
        u = np.sqrt(np.diag(covariance))
        correlation[np.ix_(uncertain, uncertain)] = covariance / np.outer(u, u)
    return correlation
