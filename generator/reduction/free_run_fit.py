"""KV and free-run current of a motor that turns without a propeller.

    d V = n/KV + R I_w,    V I = I_w n/KV + R I_w² + (what switching takes)

d duty, V and I voltage and current at the controller, n speed, I_w current in the winding. Without load I_w is small,
so that R cannot be fitted: it comes from the part files, at the winding's temperature, and drops a percent or two of
the voltage. Nor can what switching takes at part throttle be told from a current that rises with speed: along one
supply voltage duty and speed go together. At full output nothing switches, and there both are exact.

Source: three-parameter motor with trapezoidal currents, public lecture notes on electric propulsion; conservation of
energy.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from generator.reduction.losses import NOMINAL_UNCERTAINTY
from generator.reduction.measured import Number, nominal, variable
from generator.reduction.motor_fit import (
    LEAST_SPEED_RATIO,
    UNREAD_RISE_K,
    UNREAD_RISE_U_K,
    WINDING_RISE,
    WINDING_RISE_U,
    WINDING_TEMPERATURE,
    clear,
    copper_factor,
    least_squares,
)
from generator.reduction.records import Finding, PreparedRun
from generator.reduction.steady import AS_PLANNED, SteadyPoint

FULL_OUTPUT = 0.995  # from this duty on a controller does not switch; our own choice, no source
LEAST_DUTY = 0.1  # below it dead time and commutation weigh too much; our own choice, no source
# Share s of the supply's current over duty, s (1 - d), that switching takes at the duty d and that does not pass for
# current in the winding: anywhere from 0 to 0.8, a rectangular distribution (JCGM 100:2008, 4.3.7). Tried on the bench
# model of the rehearsals; the limits are our own choice, no source.
SWITCHED, SWITCHED_U = 0.4, 0.4 / math.sqrt(3.0)
# At full output a controller's own losses still take some of the power: anywhere from 0 to 1 %. Our own choice.
PATH_SHARE, PATH_SHARE_U = 0.005, 0.005 / math.sqrt(3.0)
# How far the throttle may be off as the duty, as a share of KV, where no point has full output: up to 2 % either way,
# rectangular. Our own choice, no source.
DUTY_DOUBT_U = 0.02 / math.sqrt(3.0)
DUTY_TOLD = 0.02  # throttles further from the duty that KV asks for are told; our own choice, no source
# Drop of the winding as a share of the voltage where no file states a resistance: anywhere from 0 to 3 %.
# Our own choice, no source.
UNKNOWN_DROP, UNKNOWN_DROP_U = 0.015, 0.015 / math.sqrt(3.0)
BRIDGE = "bridge loss"
AS_DUTY = "throttle as duty"
FEWEST_ON_LINE = 3
KILO = 1000.0


@dataclass(frozen=True, slots=True, kw_only=True)
class FreeRunPoint:
    """One steady stretch with its errors. duty is NaN where there is no throttle, or where a cap holds it."""

    steady: SteadyPoint
    duty: float
    voltage_v: Number
    current_a: Number
    speed_rpm: Number
    power_w: Number
    resistance_ohm: Number
    switched: Number
    path: Number


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """Current over speed: standing_a at standstill, slope_a_rpm for each rpm; through the middle of the points."""

    standing_a: Number
    slope_a_rpm: Number

    def at(self, speed_rpm: float) -> Number:
        """Current at a speed [A]."""
        return self.standing_a + self.slope_a_rpm * speed_rpm


@dataclass(frozen=True, slots=True, kw_only=True)
class Kv:
    """KV and whether it was fitted here; else it is the part file's."""

    value: Number
    fitted: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class FreeRun:
    """The points of one run with the KV that turns power into current."""

    points: tuple[FreeRunPoint, ...]
    kv_rpm_v: Number

    def _duty(self, point: FreeRunPoint) -> float:
        """Duty as the voltages ask for it, so that what a throttle means does not matter; at most 1."""
        emf = nominal(point.speed_rpm) / nominal(self.kv_rpm_v)
        volts = nominal(point.voltage_v)
        guess = emf / volts
        ohm_a = nominal(point.resistance_ohm) * nominal(point.current_a) / max(guess, LEAST_DUTY)
        return min(1.0, (emf + ohm_a) / volts)

    def winding_a(self, point: FreeRunPoint) -> Number:
        """Current in the winding [A], with the doubt about what switching takes."""
        return winding_current(point, self._duty(point))

    def current_a(self, point: FreeRunPoint) -> Number:
        """Electrical power less copper loss over back-EMF [A]: with what switching takes."""
        copper = point.resistance_ohm * self.winding_a(point) ** 2
        return (point.power_w - copper) / (point.speed_rpm / self.kv_rpm_v)

    def own_current_a(self, point: FreeRunPoint) -> Number:
        """The motor's own free-run current [A]: what switching takes is taken out, with its doubt."""
        duty = self._duty(point)
        return self.current_a(point) * (1.0 - point.path - (1.0 - duty) * point.switched)


def free_run_points(run: PreparedRun, held: Sequence[SteadyPoint]) -> tuple[FreeRunPoint, ...]:
    """Stretches of which speed, voltage and current are known and clear of their noise."""
    rise = variable(WINDING_RISE, WINDING_RISE_U, WINDING_TEMPERATURE, shared=True)
    unread = variable(UNREAD_RISE_K, UNREAD_RISE_U_K, WINDING_TEMPERATURE, shared=True)
    motor, controller = run.setup.motor, run.setup.controller
    switched = variable(SWITCHED, SWITCHED_U, BRIDGE, shared=True)
    path = variable(PATH_SHARE, PATH_SHARE_U, BRIDGE, shared=True)
    unknown = variable(UNKNOWN_DROP, UNKNOWN_DROP_U, f"terminal resistance of {motor.id}", shared=True)
    winding: Number | None = None
    if motor.terminal_resistance_ohm is not None:
        ohm, share = motor.terminal_resistance_ohm, NOMINAL_UNCERTAINTY["terminal_resistance"]
        winding = variable(ohm, share * ohm, f"terminal resistance of {motor.id}", shared=True)
    leads: Number = 0.0
    if controller.resistance_ohm is not None:
        ohm, share = controller.resistance_ohm, NOMINAL_UNCERTAINTY["controller_resistance"]
        leads = variable(ohm, share * ohm, f"path resistance of {controller.id}", shared=True)
    cap, made = run.setup.treatment.output_cap, []
    for point in held:
        means = point.means
        if not means.electrical() or not means.has("speed_rpm"):
            continue
        speed, current, volts = (point.measured(name) for name in ("speed_rpm", "current_a", "voltage_v"))
        if not (clear(speed) and clear(current) and clear(volts)):
            continue
        air = run.setup.air.temperature_k
        if means.has("air_temperature_k"):
            air = means.mean("air_temperature_k")
        above = (
            rise * (means.mean("motor_temperature_k") - air) if means.has("motor_temperature_k") else unread
        )
        throttle = point.throttle
        duty = throttle if LEAST_DUTY <= throttle <= cap + AS_PLANNED else math.nan
        if winding is None:
            resistance = unknown * (nominal(volts) / nominal(current)) * max(min(throttle, 1.0), LEAST_DUTY)
        else:
            factor = copper_factor(air + above) / copper_factor(motor.resistance_temperature_k)
            resistance = winding * factor + leads
        made.append(
            FreeRunPoint(
                steady=point, duty=duty, voltage_v=volts, current_a=current, speed_rpm=speed,
                power_w=point.measured("power_w"), resistance_ohm=resistance, switched=switched, path=path,
            )
        )  # fmt: skip
    return tuple(made)


def winding_current(point: FreeRunPoint, duty: float) -> Number:
    """I/d less what switching takes of it [A]."""
    return point.current_a / duty * (1.0 - (1.0 - duty) * point.switched)


def kv_of(run: PreparedRun, points: Sequence[FreeRunPoint]) -> tuple[Kv, list[Finding]]:
    """KV from the back-EMF d V - R I_w: at full output where there is such a point, else over all duties, through zero.

    Without any throttle it is the part file's, which is told.
    """
    full = [point for point in points if point.duty >= FULL_OUTPUT]
    known = [point for point in points if math.isfinite(point.duty)]
    if full:
        each = [
            point.speed_rpm / (point.voltage_v - point.resistance_ohm * winding_current(point, 1.0))
            for point in full
        ]
        kv = sum(each) / len(each)
        return Kv(value=kv, fitted=True), _not_the_duty(kv, known)
    if len(known) >= FEWEST_ON_LINE:
        emf = [
            point.duty * point.voltage_v - point.resistance_ohm * winding_current(point, point.duty)
            for point in known
        ]
        solved = least_squares([[point.speed_rpm for point in known]], emf)
        if solved is not None and nominal(solved.parameters[0]) > 0.0:
            kv = 1.0 / solved.parameters[0]
            kv = kv + variable(0.0, DUTY_DOUBT_U * nominal(kv), AS_DUTY, shared=True)
            return Kv(value=kv, fitted=True), _not_the_duty(kv, known)
    motor = run.setup.motor
    kv = variable(
        motor.kv_rpm_per_v, NOMINAL_UNCERTAINTY["kv"] * motor.kv_rpm_per_v, f"KV of {motor.id}", shared=True
    )
    sentence = (
        "No KV is fitted: it takes full output, or three throttles below the cap. The stated KV turns power into "
        "current here."
    )
    return Kv(value=kv, fitted=False), [Finding(kind="no KV", channel="throttle", sentence=sentence)]


def _not_the_duty(kv: Number, known: Sequence[FreeRunPoint]) -> list[Finding]:
    """Told where a throttle is not the duty that its speed asks for."""
    worst, share = None, 0.0
    for point in known:
        wanted = nominal(point.speed_rpm) / nominal(kv)
        drop = nominal(point.resistance_ohm * winding_current(point, point.duty))
        asked = (wanted + drop) / nominal(point.voltage_v)
        if abs(asked / point.duty - 1.0) > abs(share):
            worst, share = point, asked / point.duty - 1.0
    if worst is None or abs(share) <= DUTY_TOLD:
        return []
    return [
        Finding(
            kind="throttle is not the duty",
            channel="throttle",
            sentence=f"At {100.0 * worst.duty:.0f} % throttle the speed asks for {100.0 * abs(share):.2g} % "
            f"{'more' if share > 0.0 else 'less'} output: the throttle does not act as the duty of an ideal bridge.",
        )
    ]


def line_of(free: FreeRun, currents: Sequence[Number]) -> Line | None:
    """Straight line of current over speed by weighted least squares; None with fewer than three clear of each other.

    Source  friction and hysteresis take a torque that does not depend on speed, eddy currents and air one that grows
            with it: current = standing + slope × speed (textbook)
    """
    speeds = [nominal(point.speed_rpm) for point in free.points]
    if len(speeds) < FEWEST_ON_LINE or max(speeds) < LEAST_SPEED_RATIO * min(speeds):
        return None
    scaled = [point.speed_rpm / KILO for point in free.points]
    solved = least_squares([[1.0] * len(scaled), scaled], list(currents))
    if solved is None:
        return None
    return Line(standing_a=solved.parameters[0], slope_a_rpm=solved.parameters[1] / KILO)
