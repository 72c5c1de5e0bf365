"""Steady state of a bench: the equations of `bench_model.run_bench` with every rate of change at zero, solved."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq

from generator.planning.bench_model import (
    COPPER_PER_K,
    BenchModel,
    cell_voltage_v,
    free_run_current_a,
    ripple_current_a,
    source_resistance_ohm,
    thrust_of,
    torque_of,
)

RIPPLE_HZ = (
    24000.0  # where the loss resistance of the ripple's voltage is stated (`MotorModel.ripple_iron_ohm`)
)
PRECISION = 1e-12
FULL_SLACK = 1e-9  # full duty itself, come back to through two solutions, is not out of reach
MOST_ROUNDS = 200
SLOWEST_SHARE = 0.01


@dataclass(frozen=True, slots=True, kw_only=True)
class Steady:
    """One steady state. All in SI.

    motor_current_a    mean current in the winding
    supply_current_a   mean current into the controller, losses of switching and ripple included
    tap_voltage_v      between source and wiring; voltage_v at the controller
    winding_w, iron_w  heat in the copper with its ripple; of free run, bearings and the ripple in the iron
    source_limited     whether the source's current limit sets the speed
    """

    speed_rad_s: float
    duty: float
    motor_current_a: float
    supply_current_a: float
    open_voltage_v: float
    tap_voltage_v: float
    voltage_v: float
    thrust_n: float
    torque_nm: float
    winding_w: float
    iron_w: float
    controller_w: float
    winding_temperature_k: float
    source_limited: bool

    @property
    def electrical_power_w(self) -> float:
        """Power into the controller [W]."""
        return self.voltage_v * self.supply_current_a

    @property
    def shaft_power_w(self) -> float:
        """Power on the propeller's shaft [W]."""
        return self.torque_nm * self.speed_rad_s


class _Bench:
    """A model at one winding temperature."""

    def __init__(self, model: BenchModel, winding_k: float) -> None:
        self.model, self.winding_k = model, winding_k
        motor, source = model.motor, model.source
        self.kt = 1.0 / motor.kv_rad_s_v
        self.winding_ohm = motor.resistance_ohm * (
            1.0 + COPPER_PER_K * (winding_k - motor.resistance_temperature_k)
        )
        self.ohm = self.winding_ohm + model.controller.resistance_ohm
        self.open_v = source.cells * cell_voltage_v(source, source.state_of_charge)
        self.path_ohm = source_resistance_ohm(source, source.temperature_k) + model.wiring_ohm

    def current(self, speed: float) -> float:
        """Current in the winding: load, bearings and free run [A]."""
        load = float(torque_of(self.model.propeller, self.model.air_density_kg_m3, np.array(speed)))
        return (load + self.model.motor.bearing_torque_nm) / self.kt + free_run_current_a(
            self.model.motor, speed
        )

    def wanted_v(self, speed: float) -> float:
        """Mean voltage on the winding, n/KV + I R [V]."""
        return speed * self.kt + self.current(speed) * self.ohm

    def losses(self, voltage: float, duty: float, current: float) -> tuple[float, float, float]:
        """Ripple in the copper, ripple in the iron, switching [W]: what never reaches the shaft."""
        motor, controller = self.model.motor, self.model.controller
        ripple = ripple_current_a(voltage, duty, motor.inductance_h, controller.frequency_hz)
        copper = motor.ripple_copper_factor * self.winding_ohm * ripple * ripple / 12.0
        iron = 0.0
        if motor.ripple_iron_ohm > 0.0:
            share = math.sqrt(RIPPLE_HZ / controller.frequency_hz) / motor.ripple_iron_ohm
            iron = voltage * voltage * duty * (1.0 - duty) * share
        switching = voltage * abs(current) * controller.frequency_hz * controller.switching_time_s
        return copper, iron, switching

    def extra_a(self, voltage: float, duty: float, current: float) -> float:
        """Current from the source that the losses take, beyond duty times winding current [A]."""
        controller = self.model.controller
        losses = math.fsum(self.losses(voltage, duty, current)) + controller.own_power_w
        drawn = (duty * current * voltage + losses) * controller.power_factor
        return drawn / voltage - duty * current

    def duty(self, speed: float) -> float | None:
        """Duty that holds a speed; None where full duty does not suffice. The smaller root: less current."""
        current, wanted = self.current(speed), self.wanted_v(speed)
        extra, duty = 0.0, math.nan
        for _ in range(MOST_ROUNDS):
            free = self.open_v - self.path_ohm * extra
            root = free * free - 4.0 * self.path_ohm * current * wanted
            if root < 0.0:
                return None
            found = 2.0 * wanted / (free + math.sqrt(root))
            beyond = found > 1.0 + FULL_SLACK  # on the way there it may be, for a round
            found = min(found, 1.0)
            if abs(found - duty) < PRECISION:
                return None if beyond else found
            duty, extra = found, self.extra_a(wanted / found, found, current)
        return duty

    def voltage(self, duty: float, current: float) -> float:
        """Voltage at the controller under a duty and a winding current [V]."""
        voltage = self.open_v - self.path_ohm * duty * current
        for _ in range(MOST_ROUNDS):
            if voltage <= 0.1 * self.open_v:
                return 0.1 * self.open_v  # far beyond any steady state; only ever met on the way to one
            found = self.open_v - self.path_ohm * (duty * current + self.extra_a(voltage, duty, current))
            if abs(found - voltage) < PRECISION * self.open_v:
                return found
            voltage = found
        return voltage

    def state(self, speed: float, duty: float, voltage: float, *, limited: bool = False) -> Steady:
        model, current = self.model, self.current(speed)
        copper, iron, switching = self.losses(voltage, duty, current)
        extra = self.extra_a(voltage, duty, current)
        bus = duty * current + extra
        rad_s = np.array(speed)
        torque = float(torque_of(model.propeller, model.air_density_kg_m3, rad_s))
        friction = free_run_current_a(model.motor, speed) * self.kt + model.motor.bearing_torque_nm
        heat = current * current * model.controller.resistance_ohm + switching + model.controller.own_power_w
        plain = duty * current * voltage + copper + iron + switching + model.controller.own_power_w
        return Steady(
            speed_rad_s=speed, duty=duty, motor_current_a=current, supply_current_a=bus,
            open_voltage_v=self.open_v, tap_voltage_v=voltage + model.wiring_ohm * bus, voltage_v=voltage,
            thrust_n=float(thrust_of(model.propeller, model.air_density_kg_m3, rad_s)), torque_nm=torque,
            winding_w=current * current * self.winding_ohm + copper, iron_w=iron + friction * speed,
            controller_w=heat + voltage * bus - plain, winding_temperature_k=self.winding_k,
            source_limited=limited,
        )  # fmt: skip


def steady_at_speed(model: BenchModel, speed_rad_s: float, winding_k: float) -> Steady | None:
    """The steady state at a held speed; None where full output does not reach it.

    winding_k  temperature of the winding [K]
    The output cap and the source's current limit are not looked at: whoever asks compares.
    Source  d V = n/KV + I R (three-parameter motor), V = V0 - (d I + losses/V)(R source + R wiring)
    """
    bench = _Bench(model, winding_k)
    duty = bench.duty(speed_rad_s)
    return None if duty is None else bench.state(speed_rad_s, duty, bench.wanted_v(speed_rad_s) / duty)


def steady_at_duty(model: BenchModel, duty: float, winding_k: float) -> Steady | None:
    """The steady state under a duty, held back by the source's current limit where that is lower.

    duty     share of the voltage, above 0 to 1; the cap is not looked at
    Returns  None where the motor does not turn
    """
    bench = _Bench(model, winding_k)

    def missing_v(speed: float) -> float:
        return bench.wanted_v(speed) - duty * bench.voltage(duty, bench.current(speed))

    fastest = bench.open_v / bench.kt
    if duty <= 0.0 or missing_v(0.0) >= 0.0:
        return None
    speed = float(brentq(missing_v, 0.0, fastest, xtol=1e-9, rtol=1e-14))
    found = bench.state(speed, duty, bench.voltage(duty, bench.current(speed)))
    limit = model.source.current_limit_a
    if found.supply_current_a <= limit:
        return found

    def over_a(speed: float) -> float:
        current, volts = bench.current(speed), bench.wanted_v(speed) / duty
        return duty * current + bench.extra_a(volts, duty, current) - limit

    low = speed  # near standstill the voltage is next to nothing and what it feeds takes any current: come from above
    while over_a(low) >= 0.0:
        low *= 0.95
        if low < SLOWEST_SHARE * speed:
            return None
    speed = float(brentq(over_a, low, speed, xtol=1e-9, rtol=1e-14))
    return bench.state(speed, duty, bench.wanted_v(speed) / duty, limited=True)
