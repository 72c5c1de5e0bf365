"""Where the electrical power of each held stretch went, part by part.

What is measured is moved to the speed that was to be held as `hold` does it (P ∝ n³); what is estimated from the
part files is worked out at that speed. All parts are made from the same variables, so that what is left is the
electrical power minus them exactly, and an error they share stays shared.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from uncertainties import umath

from generator.reduction.measured import Number, StretchMeans, components, nominal, variable
from generator.reduction.records import PreparedRun, RunResponse, Setup
from generator.reduction.speed_miss import at_speed
from generator.reduction.stated_coefficients import stated_coefficient
from generator.reduction.steady import SteadyPoint

ELECTRICAL = "electrical_power"
SHAFT = "shaft_power"
COPPER = "copper_loss"
FREE_RUN = "free_run_loss"
RIPPLE = "ripple_loss"
PATH = "controller_path_loss"
REST = "other_loss"
# In the order in which the power meets them, seen from the propeller; what is left comes last.
PARTS = (SHAFT, COPPER, FREE_RUN, RIPPLE, PATH, REST)

# Temperature coefficient of annealed copper at 20 °C, per kelvin: IACS, IEC 60028 (from memory; a published wire
# table confirms the resistivity that goes with it).
COPPER_PER_K = 0.00393
COPPER_REFERENCE_K = 293.15

# Standard uncertainties of what a part file states without one, as shares of the value. All are our own choice,
# no source. That of the resistance also holds a winding up to some 25 K hotter than the case, where the
# temperature is read: 0.39 % a kelvin.
NOMINAL_UNCERTAINTY = {
    "kv": 0.03,
    "terminal_resistance": 0.10,
    "free_run_current": 0.10,
    "inductance": 0.20,
    "controller_resistance": 0.20,
    "power_coefficient": 0.05,
}
# Of a free-run current whose voltage is not stated, so that its speed is not known. Our own choice, no source.
FREE_RUN_POINT_UNKNOWN = 0.30
# The free-run current between its two limits: constant over speed (friction and hysteresis take the same torque at
# every speed) and proportional to it (eddy currents and air take a torque that grows with speed). Each limit is
# textbook knowledge, from memory; that any place between them is as likely is our own choice.
# Middle and standard uncertainty of a rectangular distribution from 0 to 1: JCGM 100:2008, 4.3.7.
GROWING_SHARE, GROWING_SHARE_U = 0.5, 0.5 / math.sqrt(3.0)
# Resistance of the winding to the ripple over that to direct current: skin and proximity effect raise it, by how
# much depends on the strands. Taken as anywhere from 1 to 3; our own choice, no source.
RIPPLE_RESISTANCE, RIPPLE_RESISTANCE_U = 2.0, 1.0 / math.sqrt(3.0)


def losses(run: PreparedRun, points: Sequence[SteadyPoint]) -> tuple[RunResponse, ...]:
    """Parts of the electrical power of each held stretch, all in W at the speed held.

    Names, where the channels and the part files allow them: `electrical_power` at the controller; `shaft_power`
    from torque, else from the propeller's own power coefficient; `copper_loss`; `free_run_loss`; `ripple_loss`,
    in copper alone, its iron part is not estimated; `controller_path_loss`; and `other_loss`, the electrical power
    minus all parts given. A stretch without electrical power or without any part gives nothing.

    Motor current: not measured. With shaft power and free-run current known, the torque balance gives it,
    I = P_shaft/E + I0 with E = n/KV, so that losses of the bridge do not pass for current in the winding. Else
    the power balance of an ideal bridge does, P = E I + I² R: all of the power is taken to pass through the
    winding, so that I comes out high. The throttle is not asked: what it means as a duty differs between
    controllers and, under a cap, between their settings.
    Source  three-parameter motor (KV, R, I0) with trapezoidal currents, two phases carrying the current at a time:
            ω = (V - I R) KV, P_out = (V - I R)(I - I0), losses I² R and (V - I R) I0
    """
    stated = _Stated(run.setup)
    return tuple(response for point in points for response in _of_point(run, point, stated))


class _Stated:
    """What the part files and the air give, as variables: one unknown error each, the same in every run.

    The name of a source carries the part's id, so that it cancels between two treatments only where the part is
    the same.
    """

    def __init__(self, setup: Setup) -> None:
        motor, controller, propeller = setup.motor, setup.controller, setup.propeller
        u = NOMINAL_UNCERTAINTY

        def given(value: float | None, share: float, source: str) -> Number | None:
            return None if value is None else variable(value, share * value, source, shared=True)

        self.propeller = propeller
        kv = motor.kv_rpm_per_v
        self.kv = variable(kv, u["kv"] * kv, f"KV of {motor.id}", shared=True)
        self.resistance = given(
            motor.terminal_resistance_ohm, u["terminal_resistance"], f"terminal resistance of {motor.id}"
        )
        self.resistance_temperature_k = motor.resistance_temperature_k
        known = motor.free_run_voltage_v is not None
        self.free_run_current = given(
            motor.free_run_current_a,
            u["free_run_current"] if known else FREE_RUN_POINT_UNKNOWN,
            f"free-run current of {motor.id}",
        )
        self.free_run_voltage = motor.free_run_voltage_v
        self.growing = variable(
            GROWING_SHARE, GROWING_SHARE_U, f"speed law of the free run of {motor.id}", shared=True
        )
        self.inductance = given(motor.inductance_h, u["inductance"], f"inductance of {motor.id}")
        self.ripple_resistance = variable(
            RIPPLE_RESISTANCE, RIPPLE_RESISTANCE_U, f"ripple resistance of {motor.id}", shared=True
        )
        self.frequency = controller.switching_frequency_hz
        self.path = given(
            controller.resistance_ohm, u["controller_resistance"], f"path resistance of {controller.id}"
        )
        share = propeller.coefficients_uncertainty
        self.coefficient = variable(
            1.0,
            u["power_coefficient"] if share is None else share,
            f"power coefficient of {propeller.id}",
            shared=True,
        )
        self.density = variable(
            setup.air.density_kg_m3, setup.air.density_u_kg_m3, "air density", shared=True
        )

    def shaft_power(self, speed_rpm: float) -> Number | None:
        """CP(n) ρ n³ D⁵ [W]; None where no coefficient is stated near this speed."""
        coefficient = stated_coefficient(self.propeller, "power", speed_rpm)
        if coefficient is None:
            return None
        geometry = (speed_rpm / 60.0) ** 3 * self.propeller.diameter_m**5
        return self.coefficient * self.density * (coefficient * geometry)

    def free_run_current_at(self, speed_rpm: float) -> Number | None:
        """Free-run current at a speed [A]: I0 (1 - s + s n/n0), n0 the speed it was stated at."""
        current, volts = self.free_run_current, self.free_run_voltage
        if current is None or volts is None:
            return current
        stated_rpm = self.kv * (volts - current * (0.0 if self.resistance is None else self.resistance))
        if not nominal(stated_rpm) > 0.0:
            return current
        return current * (1.0 - self.growing + self.growing * (speed_rpm / stated_rpm))

    def resistance_at(self, temperature_k: Number) -> Number:
        """Line-to-line resistance at a winding temperature [Ω]: R(T) ∝ 1 + 0.00393 (T - 20 °C)."""

        def factor(kelvin: Number) -> Number:
            return 1.0 + COPPER_PER_K * (kelvin - COPPER_REFERENCE_K)

        assert self.resistance is not None
        return self.resistance * (factor(temperature_k) / factor(self.resistance_temperature_k))


def _of_point(run: PreparedRun, point: SteadyPoint, stated: _Stated) -> Iterator[RunResponse]:
    means, target = point.means, dict(point.at).get("speed_rpm")
    if target is None or not means.electrical() or not means.has("speed_rpm"):
        return
    if not nominal(means.power()) > 0.0 or not nominal(means.mean("speed_rpm")) > 0.0:
        return
    together = {"power_w": 1.0} if means.has("power_w") else {"tap_voltage_v": 1.0, "current_a": 1.0}
    electrical = at_speed(means, means.power(), 3.0, target, together, run.setup.treatment.label)
    parts: dict[str, Number] = {}
    shaft = stated.shaft_power(target)
    if means.has("torque_nm"):
        turning = {"torque_nm": 1.0, "speed_rpm": 1.0}
        shaft = at_speed(means, means.shaft_power(), 3.0, target, turning, stated.propeller.label)
    if shaft is not None:
        parts[SHAFT] = shaft
    emf = target / stated.kv
    free_a = stated.free_run_current_at(target)
    if free_a is not None:
        parts[FREE_RUN] = emf * free_a
    if stated.resistance is not None:
        winding = stated.resistance_at(_winding_temperature(run, means))
        through = winding + (0.0 if stated.path is None else stated.path)
        if shaft is not None and free_a is not None:
            current = shaft / emf + free_a
        else:
            current = (umath.sqrt(emf**2 + 4.0 * through * electrical) - emf) / (2.0 * through)
        parts[COPPER] = current**2 * winding
        if stated.path is not None:
            parts[PATH] = current**2 * stated.path
        if stated.inductance is not None and stated.frequency is not None:
            volts = means.voltage()
            peak_to_peak = ripple_current(
                volts, (emf + current * through) / volts, stated.inductance, stated.frequency
            )
            parts[RIPPLE] = peak_to_peak**2 / 12.0 * winding * stated.ripple_resistance
    if not parts:
        return
    parts[REST] = electrical - sum(parts.values())
    found = {ELECTRICAL: electrical, **{name: parts[name] for name in PARTS if name in parts}}
    if not all(math.isfinite(nominal(value)) for value in found.values()):
        return
    for name, value in found.items():
        centre, shares = components(value)
        yield RunResponse(response=name, at=point.at, value=centre, components=shares, window=point.window)


def ripple_current(voltage_v: Number, duty: Number, inductance_h: Number, frequency_hz: float) -> Number:
    """Peak-to-peak ripple of the current in a switched winding, V d (1 - d)/(L f) [A]; none at full output.

    A duty above 1 comes from a KV that is not the motor's own; full output is taken then.
    Source  volt-seconds on an inductor over the on time, resistance small against 2 π f L. As a triangle its
            effective value is the peak-to-peak value over √12
    """
    if nominal(duty) >= 1.0:
        return 0.0
    return voltage_v * duty * (1.0 - duty) / (inductance_h * frequency_hz)


def _winding_temperature(run: PreparedRun, means: StretchMeans) -> Number:
    """Temperature read at the motor; where it is not measured, that of the air, below which no winding is."""
    for column in ("motor_temperature_k", "air_temperature_k"):
        if means.has(column):
            return means.mean(column)
    air = run.setup.air
    return variable(air.temperature_k, air.temperature_u_k, "air temperature", shared=True)
