"""Effective direct-current model of motor and controller, fitted to the steady stretches of a run.

    d V = n/KV + R I_m,    I_m = I/d - c V (1 - d)

d duty, V and I voltage and current at the controller, n speed, I_m current in the winding. The first line is the
three-parameter motor (KV, R, I0) behind a bridge that puts d V on it. The second is the power balance of that
bridge, V I = d V I_m + loss, with one loss that makes no torque: the alternating part of the switched voltage,
whose mean square about its mean is V² d (1 - d), on a loss resistance 1/c. Left out, that loss would pass for winding
current; it is largest at small loads, so that KV and R would come out several percent high.

Source: three-parameter motor with trapezoidal currents, public lecture notes on electric propulsion; conservation of
energy in the bridge; mean square of a pulse train of height V and duty d about its mean, V² d - (V d)², closed form.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import special

from generator.reduction.losses import COPPER_PER_K, COPPER_REFERENCE_K
from generator.reduction.measured import (
    INDEPENDENT,
    Number,
    by_error,
    components,
    from_errors,
    nominal,
    variable,
)
from generator.reduction.records import PreparedRun
from generator.reduction.steady import AS_PLANNED, SteadyPoint

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

# Below this duty dead time and commutation of a controller weigh too much. Our own choice, no source.
LEAST_DUTY = 0.1
# Speed and current must be so many times their standard uncertainty. Our own choice, no source.
CLEAR_OF_NOISE = 10.0
# Three unknowns, and one level more to see a misfit.
FEWEST_LEVELS = 4
LEVEL_STEP = 0.01  # duties closer together than this are one level; our own choice, no source
# Speeds closer together than this ratio do not tell KV from resistance. Our own choice, no source.
LEAST_SPEED_RATIO = 1.25
# The winding's rise above the air over that of the case, where the temperature is read: it runs ahead while the
# motor warms, and never lies below. Taken as anywhere from 1 to 2; middle and standard uncertainty of a rectangular
# distribution, JCGM 100:2008, 4.3.7. The limits are our own choice, no source.
WINDING_RISE, WINDING_RISE_U = 1.5, 0.5 / math.sqrt(3.0)
# Without a motor temperature: rise of the winding above the air at the highest current of the run, falling with the
# square of the current; anywhere from 0 to 50 K. Our own choice, no source.
UNREAD_RISE_K, UNREAD_RISE_U_K = 25.0, 25.0 / math.sqrt(3.0)
WINDING_TEMPERATURE = "winding temperature"
MISFIT = "model misfit"
# Columns of the fit that are this close to each other's sums tell nothing. Our own choice, no source.
WORST_CONDITION = 1e6
REPEATABLE = ("scatter", "resolution")  # what shows in the residuals of a fit


@dataclass(frozen=True, slots=True, kw_only=True)
class MotorPoint:
    """One steady stretch as the fit takes it, with uncertainties.

    winding_factor  resistance there over that at the motor's stated resistance temperature
    """

    point: SteadyPoint
    duty: Number
    voltage_v: Number
    current_a: Number
    speed_rpm: Number
    winding_factor: Number


@dataclass(frozen=True, slots=True, kw_only=True)
class MotorFit:
    """Fitted constants with uncertainties.

    kv_rpm_v        speed constant
    resistance_ohm  of winding, controller and leads together, at the motor's stated resistance temperature
    unbalanced      R c: what does not fit d V = n/KV + R I/d, as a share of the voltage, at the duty 0
    residual_share  root mean square of the residuals beyond their scatter, over that of d V
    points          what was fitted
    """

    kv_rpm_v: Number
    resistance_ohm: Number
    unbalanced: Number
    residual_share: float
    points: tuple[MotorPoint, ...]

    def motor_current_a(self, point: MotorPoint) -> Number:
        """Current in the winding at a point, I/d less the bridge's loss current."""
        loss = self.unbalanced / self.resistance_ohm * point.voltage_v * (1.0 - point.duty)
        return point.current_a / point.duty - loss

    def torque_constant_nm_a(self) -> Number:
        """KT = 60/(2 π KV) [N·m/A]: torque for each ampere of the equivalent direct current.

        Source  equality of electrical and mechanical power in the gap, E I = Q ω with E = n/KV
        """
        return 60.0 / (2.0 * math.pi * self.kv_rpm_v)


@dataclass(frozen=True, slots=True, kw_only=True)
class Solution:
    """Least-squares parameters with uncertainties.

    residuals  shape (n,), unit of y
    excess     root mean square of the residuals that their own scatter does not explain, unit of y
    """

    parameters: tuple[Number, ...]
    residuals: Array
    excess: float


def motor_points(run: PreparedRun, points: Sequence[SteadyPoint]) -> tuple[MotorPoint, ...]:
    """Stretches that the model can be fitted to.

    Left out: no voltage or no current, duty below LEAST_DUTY, throttle above the treatment's cap (what a controller
    makes of it is not known), speed or current not clear of their own noise.
    """
    cap = run.setup.treatment.output_cap
    usable = []
    for point in points:
        means = point.means
        if not means.electrical() or not means.has("speed_rpm"):
            continue
        duty, speed, current = _duty(point), point.measured("speed_rpm"), point.measured("current_a")
        inside = LEAST_DUTY <= nominal(duty) <= cap + AS_PLANNED
        if inside and clear(speed) and clear(current):
            usable.append((point, duty, speed, current))
    highest = max((nominal(current) for *_, current in usable), default=math.nan)
    rise = variable(WINDING_RISE, WINDING_RISE_U, WINDING_TEMPERATURE, shared=True)
    unread = variable(UNREAD_RISE_K, UNREAD_RISE_U_K, WINDING_TEMPERATURE, shared=True)
    made = []
    for point, duty, speed, current in usable:
        air = _air_temperature(run, point)
        if point.means.has("motor_temperature_k"):
            above = rise * (point.means.mean("motor_temperature_k") - air)
        else:
            above = unread * (nominal(current) / highest) ** 2
        stated = copper_factor(run.setup.motor.resistance_temperature_k)
        made.append(
            MotorPoint(
                point=point,
                duty=duty,
                voltage_v=point.measured("voltage_v"),
                current_a=current,
                speed_rpm=speed,
                winding_factor=copper_factor(air + above) / stated,
            )
        )
    return tuple(made)


def fit_motor(points: Sequence[MotorPoint]) -> MotorFit | None:
    """KV, R and the bridge's loss by weighted linear least squares; None where the points cannot tell them.

    points  from `motor_points`; at least FEWEST_LEVELS levels of duty over a ratio LEAST_SPEED_RATIO of speeds
    The unknowns are 1/KV, R and R c, in which the model is linear.
    """
    levels = _levels([nominal(p.duty) for p in points])
    speeds = [nominal(p.speed_rpm) for p in points]
    if levels < FEWEST_LEVELS or max(speeds) < LEAST_SPEED_RATIO * min(speeds):
        return None
    applied = [p.duty * p.voltage_v for p in points]
    solved = least_squares(
        [
            [p.speed_rpm for p in points],
            [p.winding_factor * p.current_a / p.duty for p in points],
            [-1.0 * p.winding_factor * p.voltage_v * (1.0 - p.duty) for p in points],
        ],
        applied,
    )
    if solved is None or not nominal(solved.parameters[0]) > 0.0:
        return None
    per_kv, resistance, unbalanced = solved.parameters
    return MotorFit(
        kv_rpm_v=1.0 / per_kv,
        resistance_ohm=resistance,
        unbalanced=unbalanced,
        residual_share=solved.excess / _root_mean_square([nominal(v) for v in applied]),
        points=tuple(points),
    )


def least_squares(columns: Sequence[Sequence[Number]], y: Sequence[Number]) -> Solution | None:
    """Parameters p of y = p1 x1 + p2 x2 + ..., by weighted linear least squares, with the uncertainties of all.

    columns  k columns of n values each, n > k; y  n values. Values may carry uncertainties, shared ones too
    Returns  None where the columns are nearly dependent

    Weights are 1/(u² + s²), with u the scatter of one point about the model and s that of a first, unweighted fit, so
    that a point which hardly scatters does not decide alone where the model itself is not exact. Inputs pass through
    the linearised solution. What the residuals show beyond the propagated scatter is the model's own misfit: it
    comes again in every run, so it is added as a shared uncertainty (MISFIT), widened by Student's t for the few
    degrees of freedom it was found with.
    Source  normal equations; JCGM 100:2008, 5.1.2, 5.2.2 (propagation) and G.3.2 (t)
    """
    values, parts, sources = by_error([*y, *itertools.chain.from_iterable(columns)])
    target, design = values[: len(y)], values[len(y) :].reshape(-1, len(y)).T
    # what each error does to each value of y, and to each value of each column
    y_parts, column_parts = parts[: len(y)], parts[len(y) :].reshape(len(columns), len(y), -1)
    scatters = np.array([is_repeatable(error) for error in sources], dtype=np.bool_)
    count, unknowns = design.shape
    scale = np.sqrt(np.mean(design**2, axis=0))
    if count <= unknowns or not bool(np.all(scale > 0.0)):
        return None
    scaled = design / scale
    if float(np.linalg.cond(scaled)) > WORST_CONDITION:
        return None
    first = np.linalg.lstsq(scaled, target, rcond=None)[0] / scale
    spread = float(np.sum((target - design @ first) ** 2)) / (count - unknowns)
    own = _squared(y_parts - np.tensordot(first, column_parts, 1), scatters)
    variances = own + spread
    weights = variances.max() / variances if bool(np.all(variances > 0.0)) else np.ones(count)
    root = np.sqrt(weights)
    found = np.linalg.lstsq(scaled * root[:, None], target * root, rcond=None)[0] / scale
    normal = np.linalg.inv((scaled * weights[:, None]).T @ scaled) / np.outer(scale, scale)
    residuals = target - design @ found

    dof = count - unknowns
    widened = float(special.stdtrit(dof, 0.975) / special.ndtri(0.975))
    reduced = float(np.sum(weights * residuals**2)) / dof
    # dp = N (X'W dr + dX'W r), with dr the change of the residuals at fixed p: by the errors of y and of the columns
    moved = normal @ (design * weights[:, None]).T @ (y_parts - np.tensordot(found, column_parts, 1))
    moved += normal @ np.tensordot(column_parts, weights * residuals, (1, 0))
    shown = widened**2 * reduced * np.diag(normal)
    excess = np.sqrt(np.maximum(shown - _squared(moved, scatters), 0.0))
    parameters = tuple(
        from_errors(float(value), own_parts, sources) + variable(0.0, float(misfit), MISFIT, shared=True)
        for value, own_parts, misfit in zip(found, moved, excess, strict=True)
    )
    beyond = float(np.mean(residuals**2)) * count / dof - float(np.mean(own))
    return Solution(parameters=parameters, residuals=residuals, excess=math.sqrt(max(beyond, 0.0)))


def copper_factor(temperature_k: Number) -> Number:
    """Resistance of copper over that at 20 °C: 1 + 0.00393 (T - 293.15 K). Source: IACS, IEC 60028."""
    return 1.0 + COPPER_PER_K * (temperature_k - COPPER_REFERENCE_K)


def clear(value: Number) -> bool:
    """Whether a value is known, above zero and clear of its own noise."""
    size, doubt = nominal(value), float(getattr(value, "std_dev", 0.0))
    return math.isfinite(size) and size > 0.0 and size >= CLEAR_OF_NOISE * doubt


def is_repeatable(error: Any) -> bool:
    """Whether an unknown error is one that scatters from point to point."""
    return str(error.tag).removeprefix(f"{INDEPENDENT}:") in REPEATABLE


def repeatable(value: Number) -> float:
    """Standard uncertainty from what scatters from point to point."""
    return math.hypot(*(c.contribution for c in components(value)[1] if c.source in REPEATABLE))


def _duty(point: SteadyPoint) -> Number:
    """Throttle as duty, with the errors of its channel; a hold's own mean scatters, a planned step does not."""
    throttle, means = point.throttle, point.means
    if not means.has("throttle"):
        return throttle
    read = means.mean("throttle")
    errors = read - nominal(read)
    if throttle == point.planned:
        return throttle + errors
    return throttle + errors + variable(0.0, means.estimate("throttle")[1], "scatter")


def _air_temperature(run: PreparedRun, point: SteadyPoint) -> Number:
    """The rig's own reading of the air, else the session's."""
    if point.means.has("air_temperature_k"):
        return point.means.mean("air_temperature_k")
    return run.setup.air.temperature_k


def _levels(duties: Sequence[float]) -> int:
    """How many levels these duties make."""
    ordered = sorted(duties)
    steps = sum(upper - lower > LEVEL_STEP for lower, upper in itertools.pairwise(ordered))
    return steps + 1 if ordered else 0


def _squared(parts: Array, chosen: Mask) -> Array:
    """Variance from the chosen errors of numbers with these parts, shape (n, v); shape (n,)."""
    variances: Array = (parts[:, chosen] ** 2).sum(axis=1)
    return variances


def _root_mean_square(values: Sequence[float]) -> float:
    return math.sqrt(math.fsum(v * v for v in values) / len(values))
