"""Constants of motor and propeller fitted to the steady stretches of one run."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence

from uncertainties import umath

from generator.reduction.measured import Number, components, nominal, variable
from generator.reduction.motor_fit import (
    LEAST_SPEED_RATIO,
    MotorFit,
    clear,
    fit_motor,
    least_squares,
    motor_points,
    repeatable,
)
from generator.reduction.records import At, Finding, PreparedRun, ResponseKind, RunResponse, Window
from generator.reduction.steady import SteadyPoint

# Residuals of the motor's fit beyond their scatter, as a share of the voltage. A linear throttle leaves up to 0.6 %,
# from a winding that heats faster than its case; a wavy one leaves more. Tried on the bench model of the rehearsals;
# the limit is our own choice, no source.
LARGEST_RESIDUAL = 0.01
# What does not fit at the duty 0, as a share of the voltage: loss of the bridge gives up to 1 %. An output that goes
# with the 0.9th power of the throttle gives 1.9 % and more, one with the 1.1th power less than -1.2 %. Milder curves
# pass, and show as a KV that departs by some 5 to 10 %. Tried likewise; our own choice, no source.
UNBALANCED_LIMITS = (-0.010, 0.016)
# A resistance that drops less of the voltage than this is none. Our own choice, no source.
LEAST_DROP = 1e-4
FEWEST_SPEEDS = 3  # two of them always lie on a power law


def _kind(name: str, label: str, unit: str, noun: str, explain: str) -> ResponseKind:
    return ResponseKind(
        name=name,
        label=label,
        unit=unit,
        better="neither",
        more=f"has {{amount}} more {noun}",
        less=f"has {{amount}} less {noun}",
        same=f"has the same {noun}",
        explain=explain,
    )


CONSTANT_KINDS: Mapping[str, ResponseKind] = {
    kind.name: kind
    for kind in (
        _kind(
            "kv", "Speed constant KV", "rpm/V", "speed for each volt",
            "Fitted to the steady stretches of a run: duty times voltage equals speed over KV plus current in the "
            "winding times resistance. The loss that switching makes in the bridge is fitted with them. "
            "In a free run: speed over back-EMF, with the resistance that the part files state.",
        ),
        _kind(
            "winding_resistance", "Effective resistance", "Ω", "resistance",
            "From the same fit, at the temperature the part file states. It contains the controller and the leads, "
            "and what commutation does while turning, so it lies above a resistance measured at rest.",
        ),
        _kind(
            "free_run_current", "Free-run current", "A", "free-run current",
            "Fitted current in the winding minus torque over KT, with KT = 60/(2 π KV): friction, iron and air of the "
            "motor under load. In a free run: power beyond copper loss over back-EMF, less what switching takes.",
        ),
        _kind(
            "free_run_current_standing", "Free-run current at standstill", "A", "free-run current",
            "Of the line through the free-run current over speed, carried back to standstill: the part of the drag "
            "that does not depend on speed, friction and hysteresis.",
        ),
        _kind(
            "free_run_current_slope", "Free-run current for each 1000 rpm", "mA", "free-run current",
            "Slope of the line through the free-run current over speed: the part of the drag that grows with speed, "
            "eddy currents and air.",
        ),
        _kind(
            "thrust_coefficient", "Thrust coefficient CT", "1", "thrust",
            "Thrust over air density, square of the speed in turns a second and fourth power of the diameter, at rest.",
        ),
        _kind(
            "power_coefficient", "Power coefficient CP", "1", "shaft power",
            "Shaft power over air density, cube of the speed in turns a second and fifth power of the diameter, "
            "at rest.",
        ),
        _kind(
            "thrust_coefficient_exponent", "Change of CT with speed", "1", "change",
            "Exponent of a power law through CT over speed; errors of gain cancel in it.",
        ),
        _kind(
            "power_coefficient_exponent", "Change of CP with speed", "1", "change",
            "Exponent of a power law through CP over speed; errors of gain cancel in it.",
        ),
        _kind("speed", "Speed", "rpm", "speed", "Mean speed of the step."),
        _kind(
            "internal_resistance", "Internal resistance", "mΩ", "internal resistance",
            "Fall of the pack's voltage over rise of the current at each change of the load, averaged over the run; "
            "the fall of the open-circuit voltage with the charge drawn is taken out.",
        ),
        _kind(
            "pack_charge", "Charge of the full pack", "mAh", "charge",
            "Current added up from the start of the load to the cut-off, where the pack rested full before.",
        ),
    )
}  # fmt: skip


def fitted_constants(run: PreparedRun, points: Sequence[SteadyPoint]) -> tuple[RunResponse, ...]:
    """Constants of motor and propeller that the steady stretches of a run give; units as in CONSTANT_KINDS.

    thrust_coefficient, power_coefficient   for every stretch: T/(ρ n² D⁴), and with torque P/(ρ n³ D⁵)
    their `_exponent`s                      from FEWEST_SPEEDS speeds on: CT ∝ n^exponent
    kv, winding_resistance                  from stretches at four loads on, see `motor_fit`
    free_run_current                        with torque and both of these: I_m - Q/KT

    A hold stands for the speed held, a step for its throttle (both ways averaged), with the `speed` it ran at beside.
    Thrust and torque that do not stand clear of their own noise give nothing.
    Source  definitions of the static coefficients with n in turns a second; KT = 60/(2 π KV), equality of
            electrical and mechanical power in the gap (Kt of a published example returns to the last digit)
    """
    groups = _conditions(points)
    found = [*_coefficients(run, groups)]
    fit = fit_motor(motor_points(run, points))
    if fit is not None and _misfit(fit) is None:
        found.append(_response("kv", (), fit.kv_rpm_v))
        found.append(_response("winding_resistance", (), fit.resistance_ohm))
        found += _free_run(fit)
    return tuple(found)


def constant_findings(
    run: PreparedRun, points: Sequence[SteadyPoint], found: Sequence[RunResponse]
) -> tuple[Finding, ...]:
    """Why no constants of the motor are given although the run has the stretches for them; else nothing.

    found  what `fitted_constants` made of the same run and points
    """
    if any(constant.response == "kv" for constant in found):
        return ()
    fit = fit_motor(motor_points(run, points))
    reason = None if fit is None else _misfit(fit)
    if reason is None:
        return ()
    sentence = (
        "No KV and no resistance are fitted: the throttle does not act as the duty of an ideal bridge here, "
        f"{reason}."
    )
    return (Finding(kind="throttle is not the duty", channel="throttle", sentence=sentence),)


def thrust_coefficient(
    thrust_n: Number, density_kg_m3: Number, speed_rpm: Number, diameter_m: float
) -> Number:
    """CT = T/(ρ n² D⁴), n in turns a second."""
    return thrust_n / (density_kg_m3 * (speed_rpm / 60.0) ** 2 * diameter_m**4)


def power_coefficient(power_w: Number, density_kg_m3: Number, speed_rpm: Number, diameter_m: float) -> Number:
    """CP = P/(ρ n³ D⁵), n in turns a second."""
    return power_w / (density_kg_m3 * (speed_rpm / 60.0) ** 3 * diameter_m**5)


def _conditions(points: Sequence[SteadyPoint]) -> dict[At, list[SteadyPoint]]:
    """Stretches by what they stand for; both ways of a staircase fall together."""
    groups: dict[At, list[SteadyPoint]] = {}
    for point in points:
        at = point.at
        if not at and point.planned is not None:
            at = (("throttle_percent", round(100.0 * point.planned, 6)),)
        if at and point.means.has("speed_rpm") and clear(point.measured("speed_rpm")):
            groups.setdefault(at, []).append(point)
    return groups


def _coefficients(run: PreparedRun, groups: Mapping[At, Sequence[SteadyPoint]]) -> Iterator[RunResponse]:
    air = run.setup.air
    density = variable(air.density_kg_m3, air.density_u_kg_m3, "air density", shared=True)
    diameter = run.setup.propeller.diameter_m
    courses: dict[str, list[tuple[Number, Number]]] = {"thrust_coefficient": [], "power_coefficient": []}
    for at, group in groups.items():
        values: dict[str, list[Number]] = {"thrust_coefficient": [], "power_coefficient": []}
        for point in group:
            means, speed = point.means, point.means.mean("speed_rpm")
            if clear(point.measured("thrust_n")):
                plain = thrust_coefficient(means.mean("thrust_n"), density, speed, diameter)
                scatter = means.relative_scatter({"thrust_n": 1.0, "speed_rpm": -2.0})
                values["thrust_coefficient"].append(_scattered(plain, scatter))
            if clear(point.measured("torque_nm")):
                plain = power_coefficient(means.shaft_power(), density, speed, diameter)
                scatter = means.relative_scatter({"torque_nm": 1.0, "speed_rpm": -2.0})
                values["power_coefficient"].append(_scattered(plain, scatter))
        speed = _mean([point.means.mean("speed_rpm") for point in group])
        if any(values.values()) and dict(at).get("speed_rpm") is None:
            yield _response("speed", at, speed)
        for name, found in values.items():
            if found:
                courses[name].append((speed, _mean(found)))
                yield _response(name, at, _mean(found), window=group[0].window if len(group) == 1 else None)
    for name, course in courses.items():
        exponent = _exponent(course)
        if exponent is not None:
            yield _response(f"{name}_exponent", (), exponent)


def _exponent(course: Sequence[tuple[Number, Number]]) -> Number | None:
    """b of C ∝ n^b, least squares on logarithms; None where the speeds are too few or too close together."""
    speeds = [nominal(speed) for speed, _ in course]
    if len(speeds) < FEWEST_SPEEDS or max(speeds) < LEAST_SPEED_RATIO * min(speeds):
        return None
    middle = math.exp(math.fsum(math.log(speed) for speed in speeds) / len(speeds))
    logs = [umath.log(speed / middle) for speed, _ in course]
    solved = least_squares([[1.0] * len(logs), logs], [umath.log(value) for _, value in course])
    return None if solved is None else solved.parameters[1]


def _free_run(fit: MotorFit) -> Iterator[RunResponse]:
    """I0 = I_m - Q/KT of every fitted stretch with torque, both ways averaged."""
    by_point = {id(p.point): p for p in fit.points}
    for at, group in _conditions([p.point for p in fit.points]).items():
        currents = [
            fit.motor_current_a(by_point[id(point)])
            - point.measured("torque_nm") / fit.torque_constant_nm_a()
            for point in group
            if clear(point.measured("torque_nm"))
        ]
        if currents:
            yield _response("free_run_current", at, _mean(currents))


def _misfit(fit: MotorFit) -> str | None:
    """Why the fit must not be believed, as the end of a sentence; None where it may."""
    low, high = UNBALANCED_LIMITS
    share, doubt = nominal(fit.unbalanced), 2.0 * repeatable(fit.unbalanced)
    top = max(nominal(p.duty * p.voltage_v) for p in fit.points)
    most = max(nominal(p.current_a / p.duty) for p in fit.points)
    if fit.residual_share > LARGEST_RESIDUAL:
        return (
            f"since the fit misses the voltage by {100.0 * fit.residual_share:.2g} %, more than the "
            f"{100.0 * LARGEST_RESIDUAL:g} % that temperature and noise explain"
        )
    if not low <= share + doubt or not share - doubt <= high:
        return (
            f"since an output of {100.0 * share:.2g} % is left over where there should be none, and "
            f"{100.0 * low:g} to {100.0 * high:g} % can be loss of the bridge"
        )
    if not nominal(fit.resistance_ohm) * most > LEAST_DROP * top:
        return f"since the resistance comes out as {1000.0 * nominal(fit.resistance_ohm):.2g} mΩ"
    return None


def _scattered(value: Number, relative: float) -> Number:
    return value + variable(0.0, abs(nominal(value)) * relative, "scatter")


def _mean(values: Sequence[Number]) -> Number:
    return sum(values) / len(values)


def _response(name: str, at: At, value: Number, *, window: Window | None = None) -> RunResponse:
    centre, parts = components(value)
    return RunResponse(response=name, at=at, value=centre, components=parts, window=window)
