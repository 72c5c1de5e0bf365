"""Curves through one run's steady points, read at many places at once with every error's part.

The way up and the way down are read apart and averaged; half of their difference, as a rectangular width, is the
uncertainty that the settling leaves.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from generator.reduction.curves import FEWEST_POINTS, shape_preserving
from generator.reduction.measured import by_error
from generator.reduction.steady import SteadyPoint

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

LOGARITHMIC = ("sound_level_db",)
CLEAR_OF_ZERO = 3.0  # times its standard uncertainty a value must be to stand on a power law; our own choice
SAME_X = 0.003  # points whose speed or thrust differs by less are one point; our own choice, no source
COLUMNS = ("throttle", "speed_rpm", "thrust_n", "power_w", "sound_level_db")
# A knot is moved by this share of the mean distance of knots to find how a curve follows it.
NUDGE = 1e-5


# --- steady points as arrays --------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Means:
    """Means of n steady points with the part that each of v unknown errors has in them.

    points   the steady points
    values   house column -> shape (n,), NaN where it was not measured
    parts    house column -> shape (n, v): derivative times standard uncertainty of each error, signed
    sources  v tags of the errors, as `measured.variable` gives them
    """

    points: tuple[SteadyPoint, ...]
    values: Mapping[str, Array]
    parts: Mapping[str, Array]
    sources: tuple[str, ...]


def tabulate(points: Sequence[SteadyPoint]) -> Means:
    """Means of the steady points as arrays. An error that sits in several means is one column in all of them."""
    count = len(points)
    values, parts, errors = by_error([point.measured(column) for column in COLUMNS for point in points])
    rows = {column: slice(place * count, (place + 1) * count) for place, column in enumerate(COLUMNS)}
    return Means(
        points=tuple(points),
        values={column: values[own] for column, own in rows.items()},
        parts={column: parts[own] for column, own in rows.items()},
        sources=tuple(str(error.tag) for error in errors),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Way:
    """One curve: m points, x rising; x and y shape (m,), their parts shape (m, v); power_law as in `read`."""

    x: Array
    y: Array
    x_parts: Array
    y_parts: Array
    power_law: bool

    def covers(self, x: Array) -> Mask:
        """Whether each x lies on the curve, a rounding error at its ends allowed; shape of x."""
        inside: Mask = (x >= self.x[0] * (1.0 - 1e-9)) & (x <= self.x[-1] * (1.0 + 1e-9))
        return inside


@lru_cache(maxsize=16)  # the same few curves of a run are read along every axis
def ways(means: Means, x_column: str, y_column: str) -> tuple[Way, ...]:
    """Curves of the way up and of the way down, each with three points at least; empty if not measured.

    Power laws need values above zero: points at which the motor stands, or a channel does not stand out of its
    own uncertainty, are left out. Holds are one way.
    """
    planned = np.array([point.planned or 0.0 for point in means.points])
    up = np.array([point.way == "up" for point in means.points], dtype=np.bool_)
    clear = _clear(means, x_column) & _clear(means, y_column)
    tops = [float(planned[mask].max(initial=0.0)) for mask in (up, ~up)]
    # a top step held once belongs to both ways, so that the way down reaches as far as the way up
    once = (planned == tops[0]) & (0.0 < tops[1] < tops[0])
    found = (
        _curve(means, np.flatnonzero(mask & clear), planned, x_column, y_column) for mask in (up, ~up | once)
    )
    return tuple(way for way in found if way is not None)


def _clear(means: Means, column: str) -> Mask:
    """Whether each mean can stand on a curve: known, and for a power law clearly above zero."""
    values = means.values[column]
    known = np.isfinite(values)
    if column in LOGARITHMIC:
        return known
    doubt = np.sqrt((means.parts[column] ** 2).sum(axis=1))
    clear: Mask = known & (np.where(known, values, 0.0) > CLEAR_OF_ZERO * doubt)
    return clear


def _curve(means: Means, rows: NDArray[np.intp], planned: Array, x_column: str, y_column: str) -> Way | None:
    """Points in the order of throttle, neighbours of nearly the same x averaged; None below three.

    Above a cap the throttle changes and the speed does not: such points differ by noise alone, and a curve
    through them would follow the noise.
    """
    x, y = np.nan_to_num(means.values[x_column]), np.nan_to_num(means.values[y_column])
    rows = rows[np.lexsort((x[rows], planned[rows]))]
    groups: list[list[int]] = []
    for row in rows.tolist():
        if groups and x[row] <= x[groups[-1][0]] * (1.0 + SAME_X):
            groups[-1].append(row)
        else:
            groups.append([row])
    weights = np.zeros((len(groups), len(means.points)))
    for place, group in enumerate(groups):
        weights[place, group] = 1.0 / len(group)
    weights = weights[np.argsort(weights @ x, kind="stable")]
    knots = weights @ x
    weights = weights[np.diff(knots, prepend=-math.inf) > 0.0]
    if len(weights) < FEWEST_POINTS:
        return None
    return Way(
        x=weights @ x,
        y=weights @ y,
        x_parts=weights @ means.parts[x_column],
        y_parts=weights @ means.parts[y_column],
        power_law=y_column not in LOGARITHMIC,
    )


# --- reading ------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Reading:
    """One curve, or the mean of both ways, at k values of x.

    values      shape (k,), NaN where no way reaches
    parts       shape (k, v), signed part of each error
    hysteresis  shape (k,), standard uncertainty from the difference of the two ways
    """

    values: Array
    parts: Array
    hysteresis: Array

    def times(self, factor: float) -> Reading:
        """The same in another unit."""
        return Reading(
            values=factor * self.values, parts=factor * self.parts, hysteresis=abs(factor) * self.hysteresis
        )


def read(way: Way, x: Array) -> Reading:
    """One way's curve at every x, carrying the errors of its points.

    x        shape (k,)
    A level in dB is a logarithm already and is interpolated as it is; everything else as a power law.
    Source   interpolation as in `curves`. Every coordinate of every point is moved once by a little to either
             side, and all curves are evaluated together: the derivatives by all points (JCGM 100:2008, note 2
             to 5.1.3), which carry the parts of the errors, shared errors shared.
    """
    inside = way.covers(x)
    knots, heights, place = way.x, way.y, np.clip(x, way.x[0], way.x[-1])
    slope_x, slope_y = np.ones_like(knots), np.ones_like(knots)  # of what is interpolated, by x and by y
    if way.power_law:
        slope_x, slope_y = 1.0 / knots, 1.0 / heights
        knots, heights, place = np.log(knots), np.log(heights), np.log(place)
    count = knots.size
    step_x = NUDGE * float(np.ptp(knots)) / (count - 1)
    step_y = NUDGE * max(float(np.ptp(heights)), 1e-3) / (count - 1)
    moves_x, moves_y = step_x * np.eye(count), step_y * np.eye(count)
    still = np.zeros((1 + 4 * count, count))
    still[1 : 1 + count], still[1 + count : 1 + 2 * count] = moves_x, -moves_x
    moved = np.zeros_like(still)
    moved[1 + 2 * count : 1 + 3 * count], moved[1 + 3 * count :] = moves_y, -moves_y
    curves = shape_preserving(knots + still, heights + moved, place)
    by_x = (curves[1 : 1 + count] - curves[1 + count : 1 + 2 * count]) / (2.0 * step_x)
    by_y = (curves[1 + 2 * count : 1 + 3 * count] - curves[1 + 3 * count :]) / (2.0 * step_y)
    values = np.exp(curves[0]) if way.power_law else curves[0]
    outer = values[:, None] if way.power_law else 1.0
    parts = outer * ((by_x.T * slope_x) @ way.x_parts + (by_y.T * slope_y) @ way.y_parts)
    return Reading(
        values=np.where(inside, values, np.nan),
        parts=parts * inside[:, None],
        hysteresis=np.zeros_like(place),
    )


def averaged(found: Sequence[Reading]) -> Reading:
    """Mean of the ways where both reach, else the one that does.

    Half of their difference, as a rectangular width, is a standard uncertainty of its own (hysteresis).
    """
    if len(found) == 1:
        return found[0]
    first, second = found
    both = np.isfinite(first.values) & np.isfinite(second.values)
    only = np.where(np.isfinite(first.values), first.values, second.values)
    apart = np.abs(first.values - second.values)
    # one point for both ways, read by rounding errors apart, is no hysteresis
    half = np.where(both & (apart > 1e-12 * np.abs(first.values)), apart / 2.0, 0.0)
    return Reading(
        values=np.where(both, (first.values + second.values) / 2.0, only),
        # a way that does not reach has no parts
        parts=(first.parts + second.parts) * np.where(both, 0.5, 1.0)[:, None],
        hysteresis=half / math.sqrt(3.0),
    )


def quotient(over: Reading, under: Reading) -> Reading:
    """Quotient of two readings, errors they share sharing."""
    value = over.values / under.values
    by_over, by_under = 1.0 / under.values, value / under.values
    return Reading(
        values=value,
        parts=by_over[:, None] * over.parts - by_under[:, None] * under.parts,
        hysteresis=np.hypot(by_over * over.hysteresis, by_under * under.hysteresis),
    )


def reach(own: Sequence[Way]) -> tuple[float, float]:
    """Lowest and highest x that any of the curves covers."""
    low, high = zip(*((float(way.x[0]), float(way.x[-1])) for way in own), strict=True)
    return min(low), max(high)
