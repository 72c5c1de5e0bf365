"""Physics of a thrust stand: source, controller, motor and propeller, stepped through a drive pattern.

A deliberately plain model: it must obey the identities the analysis checks, not foretell a real part. All in SI.
Left out on purpose: commutation steps, field weakening, aerodynamic unsteadiness, recirculation in a closed room.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

COPPER_PER_K = 0.00393  # temperature coefficient at 20 °C; IACS annealed copper, IEC 60028
RAD_PER_REV = 2.0 * math.pi
RPM = RAD_PER_REV / 60.0  # rad/s of 1 rpm
GAS_K = 8.314462618  # J/(mol K), 2019 SI
LONGEST_COAST_S = 12.0
STOPPED_AFTER_S = 0.4  # from the reading at the cut-off to the motor off, as a person or a script does it


class CannotReach(ValueError):
    """The speed asked for lies beyond what the set-up can give."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MotorModel:
    """Three-parameter motor (KV, R, I0) with I0 rising with speed, inductance and two thermal nodes.

    free_run_slope        share of I0 that grows in proportion to speed; 0 gives the constant I0 of the plain model
    bearing_torque_nm     extra friction torque
    ripple_copper_factor  resistance at the ripple's frequency over the direct-current one
    ripple_iron_ohm       resistance seen by the ripple's voltage at 24 kHz (eddy losses); 0 leaves that loss out
    """

    kv_rad_s_v: float
    resistance_ohm: float
    resistance_temperature_k: float
    free_run_current_a: float
    free_run_speed_rad_s: float
    free_run_slope: float
    inductance_h: float
    inertia_kg_m2: float
    bearing_torque_nm: float
    ripple_copper_factor: float
    ripple_iron_ohm: float
    winding_capacity_j_k: float
    case_capacity_j_k: float
    winding_to_case_k_w: float
    case_to_air_k_w: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ControllerModel:
    """Controller: path resistance, switching loss V·I·f·t, own draw, limits, one thermal node.

    power_factor  electrical power drawn over what the physics gives; a known difference for trying the analysis
    """

    resistance_ohm: float
    frequency_hz: float
    switching_time_s: float
    own_power_w: float
    current_limit_a: float
    slew_per_s: float
    output_cap: float
    brakes: bool
    capacity_j_k: float
    to_air_k_w: float
    power_factor: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PropellerModel:
    """Propeller by its static CT and CP at `reference_rev_s`, each following a small power of speed."""

    diameter_m: float
    thrust_coefficient: float
    power_coefficient: float
    thrust_exponent: float
    power_exponent: float
    reference_rev_s: float
    inertia_kg_m2: float
    blades: int


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceModel:
    """Supply or pack. A supply has a flat `cell_curve` of one point and no capacity.

    cell_curve       (state of charge, volts of one cell), rising
    activation_j_mol resistance follows exp(E/R (1/T - 1/298.15 K)); 0 for a supply
    """

    cells: int
    cell_curve: tuple[tuple[float, float], ...]
    resistance_ohm: float
    current_limit_a: float
    capacity_c: float
    state_of_charge: float
    temperature_k: float
    activation_j_mol: float
    heat_capacity_j_k: float


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchModel:
    """One set-up on one rig in one air."""

    motor: MotorModel
    controller: ControllerModel
    propeller: PropellerModel
    source: SourceModel
    wiring_ohm: float
    air_density_kg_m3: float
    air_temperature_k: float
    start_temperature_k: float  # motor and controller at the start of the run
    governor_gain: float
    governor_per_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """Part of a drive pattern. kind "off": motor off; "still": off until standing, then duration_s more;
    "speed": closed loop at `value` rad/s; "throttle": open loop at `value`, 0 to 1.

    until        a throttle that moves evenly from `value` to this; None where it stands
    stop_cell_v  the motor is switched off once the voltage at the tap has stayed at or below this for each cell for
                 STOPPED_AFTER_S, and all further stretches with such a limit are left out; None for no limit
    """

    kind: Literal["off", "still", "speed", "throttle"]
    value: float
    duration_s: float
    label: str = ""
    stop_cell_v: float | None = None
    until: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchTrace:
    """True course of a run, shape (n,) each, at even steps.

    tap_voltage_v, voltage_v  at the voltage tap and at the controller
    current_a                 mean current into the controller
    friction_w                free-run and bearing loss, taken from the shaft; `winding_w` copper loss with ripple
    stretches                 (label, start_s, stop_s) of the drive pattern as it came out
    """

    time_s: Array
    throttle: Array
    duty: Array
    speed_rad_s: Array
    thrust_n: Array
    torque_nm: Array
    tap_voltage_v: Array
    voltage_v: Array
    current_a: Array
    friction_w: Array
    winding_w: Array
    ripple_iron_w: Array
    controller_w: Array
    winding_temperature_k: Array
    motor_temperature_k: Array
    controller_temperature_k: Array
    source_temperature_k: Array
    stretches: tuple[tuple[str, float, float], ...]


def ripple_current_a(voltage_v: float, duty: float, inductance_h: float, frequency_hz: float) -> float:
    """Peak-to-peak ripple current of a switched winding, V d (1 - d)/(L f) [A].

    Source  volt-seconds on an inductor over the on time; R small against 2 π f L
    """
    return voltage_v * duty * (1.0 - duty) / (inductance_h * frequency_hz)


def thrust_of(propeller: PropellerModel, density_kg_m3: float, speed_rad_s: Array) -> Array:
    """Static thrust CT ρ n² D⁴ [N]; speed shape (n,)."""
    rev_s = np.maximum(speed_rad_s, 0.0) / RAD_PER_REV
    ratio = np.maximum(rev_s / propeller.reference_rev_s, 1e-3)
    coefficient = propeller.thrust_coefficient * ratio**propeller.thrust_exponent
    thrust: Array = coefficient * density_kg_m3 * rev_s**2 * propeller.diameter_m**4
    return thrust


def torque_of(propeller: PropellerModel, density_kg_m3: float, speed_rad_s: Array) -> Array:
    """Torque on the shaft, CP/(2 π) ρ n² D⁵ [N·m]; speed shape (n,)."""
    rev_s = np.maximum(speed_rad_s, 0.0) / RAD_PER_REV
    ratio = np.maximum(rev_s / propeller.reference_rev_s, 1e-3)
    coefficient = propeller.power_coefficient * ratio**propeller.power_exponent
    torque: Array = coefficient / RAD_PER_REV * density_kg_m3 * rev_s**2 * propeller.diameter_m**5
    return torque


def free_run_current_a(motor: MotorModel, speed_rad_s: float) -> float:
    """Current of the free-run loss: I0 at its own speed, changing linearly with speed [A]."""
    ratio = speed_rad_s / motor.free_run_speed_rad_s
    return motor.free_run_current_a * (1.0 - motor.free_run_slope + motor.free_run_slope * ratio)


def cell_voltage_v(source: SourceModel, state_of_charge: float) -> float:
    """Open-circuit voltage of one cell [V]."""
    curve = source.cell_curve
    return float(np.interp(state_of_charge, [point[0] for point in curve], [point[1] for point in curve]))


def source_resistance_ohm(source: SourceModel, temperature_k: float) -> float:
    """Internal resistance, growing in the cold as exp(E/R (1/T - 1/298.15 K)) [Ω]."""
    return source.resistance_ohm * math.exp(
        source.activation_j_mol / GAS_K * (1.0 / temperature_k - 1.0 / 298.15)
    )


def duty_for(model: BenchModel, speed_rad_s: float, winding_temperature_k: float | None = None) -> float:
    """Duty that holds a speed at rest of all transients.

    Raises  CannotReach if full duty does not suffice; the output cap is not looked at here
    """
    motor, controller = model.motor, model.controller
    kt = 1.0 / motor.kv_rad_s_v
    load_nm = float(torque_of(model.propeller, model.air_density_kg_m3, np.array(speed_rad_s)))
    current = (load_nm + motor.bearing_torque_nm) / kt + free_run_current_a(motor, speed_rad_s)
    temperature = model.start_temperature_k if winding_temperature_k is None else winding_temperature_k
    resistance = (
        motor.resistance_ohm * (1.0 + COPPER_PER_K * (temperature - motor.resistance_temperature_k))
        + controller.resistance_ohm
    )
    wanted = speed_rad_s * kt + current * resistance
    open_v = model.source.cells * cell_voltage_v(model.source, model.source.state_of_charge)
    path = source_resistance_ohm(model.source, model.source.temperature_k) + model.wiring_ohm
    # d (V - d I r) = wanted, the smaller root: the one with less current from the source
    root = open_v**2 - 4.0 * path * current * wanted
    if root < 0.0 or 2.0 * wanted / (open_v + math.sqrt(root)) > 1.0:
        raise CannotReach(f"{speed_rad_s / RPM:.0f} rpm needs more than full output")
    return 2.0 * wanted / (open_v + math.sqrt(root))


def run_bench(model: BenchModel, pattern: tuple[Stretch, ...], step_s: float = 0.001) -> BenchTrace:
    """Step the bench through a drive pattern.

    pattern  stretches, one after the other, from standstill
    step_s   step of integration; the controller's output is held over a step [s]
    Returns  BenchTrace at every step
    Raises   ValueError for a step that is not above zero. A speed beyond reach is no error: the governor
             then stays at its highest output, as on a bench.
    Source   J dω/dt = Kt (I - I0) - Q, exponential Euler step of its linearisation (order 2, never overshoots)
    """
    if not step_s > 0.0:
        raise ValueError(f"step_s: must be above zero, found {step_s} s")
    m, c, s, prop = model.motor, model.controller, model.source, model.propeller
    kt = 1.0 / m.kv_rad_s_v
    inertia = m.inertia_kg_m2 + prop.inertia_kg_m2
    # torque = load · ω^(2 + exponent), with the constant drawn out of the loop
    power_law = 2.0 + prop.power_exponent
    reference = prop.reference_rev_s * RAD_PER_REV
    load = float(torque_of(prop, model.air_density_kg_m3, np.array(reference))) / reference**power_law
    i0_still = m.free_run_current_a * (1.0 - m.free_run_slope)
    i0_per_rad_s = m.free_run_current_a * m.free_run_slope / m.free_run_speed_rad_s
    friction_still = kt * i0_still + m.bearing_torque_nm
    friction_slope = kt * i0_per_rad_s
    ripple_scale = 1.0 / (m.inductance_h * c.frequency_hz)
    iron_per_v2 = math.sqrt(24000.0 / c.frequency_hz) / m.ripple_iron_ohm if m.ripple_iron_ohm > 0.0 else 0.0
    switching_per_va = c.frequency_hz * c.switching_time_s
    curve_x = [point[0] for point in s.cell_curve]
    curve_y = [point[1] for point in s.cell_curve]
    flat = len(curve_x) == 1
    air = model.air_temperature_k

    omega, duty, trim, extra_a = 0.0, 0.0, 0.0, 0.0
    t_winding = t_case = t_controller = model.start_temperature_k
    t_source, charge = s.temperature_k, s.state_of_charge
    open_v = s.cells * cell_voltage_v(s, charge)
    path_ohm = source_resistance_ohm(s, t_source) + model.wiring_ohm
    slew = c.slew_per_s * step_s
    rows: list[tuple[float, ...]] = []
    marks: list[tuple[str, float, float]] = []
    done, low, empty = 0, 0, False
    stops_after = max(1, round(STOPPED_AFTER_S / step_s))

    for stretch in pattern:
        if empty and stretch.stop_cell_v is not None:
            continue
        limit_v = None if stretch.stop_cell_v is None else s.cells * stretch.stop_cell_v
        start = done
        closed, off = stretch.kind == "speed", stretch.kind in ("off", "still")
        target = stretch.value
        ahead = 0.0
        if closed:
            try:
                ahead = duty_for(model, target, t_winding)
            except CannotReach:
                ahead = 1.0
            trim = 0.0
        remaining = max(1, round(stretch.duration_s / step_s))
        climb = 0.0 if stretch.until is None else (stretch.until - target) / remaining
        waiting = round(LONGEST_COAST_S / step_s) if stretch.kind == "still" else 0
        while remaining > 0:
            if waiting > 0:
                waiting = waiting - 1 if omega > 0.0 else 0
            else:
                remaining -= 1
            # operator or governor
            if closed:
                miss = (target - omega) / target
                if -0.05 < miss < 0.05:
                    trim += model.governor_per_s * miss * step_s
                throttle = ahead + model.governor_gain * miss + trim
                throttle = 0.0 if throttle < 0.0 else 1.0 if throttle > 1.0 else throttle
            else:
                throttle = 0.0 if off else target
                target += climb
            wanted = throttle if throttle < c.output_cap else c.output_cap
            if off:
                duty = 0.0
            elif wanted > duty + slew:
                duty += slew
            elif wanted < duty - slew:
                duty -= slew
            else:
                duty = wanted
            # electrical, algebraic: the winding's L/R is far below a step. The losses' share of the source current
            # is that of the step before.
            winding_ohm = m.resistance_ohm * (1.0 + COPPER_PER_K * (t_winding - m.resistance_temperature_k))
            ohm = winding_ohm + c.resistance_ohm
            emf = kt * omega
            free_v = open_v - path_ohm * extra_a
            current, stiffness, effective, voltage = 0.0, 0.0, 0.0, free_v
            if not off and (duty > 0.0 or c.brakes):
                effective = duty
                current = (duty * free_v - emf) / (ohm + duty * duty * path_ohm)
                stiffness = kt * kt / (ohm + duty * duty * path_ohm)
                if current < 0.0 and not c.brakes:
                    current, stiffness, effective = 0.0, 0.0, 0.0
                elif abs(current) > c.current_limit_a:
                    # the controller backs off to the duty d that fits the limit: d (free_v - d i r) = emf + i R
                    current = math.copysign(c.current_limit_a, current)
                    wanted_v = max(0.0, emf + current * ohm)
                    root = math.sqrt(free_v * free_v - 4.0 * path_ohm * current * wanted_v)
                    effective, stiffness = 2.0 * wanted_v / (free_v + root), 0.0
                    if wanted_v == 0.0:  # a short across the winding brakes less than the limit
                        current, stiffness = -emf / ohm, kt * kt / ohm
                voltage = free_v - path_ohm * effective * current
                if effective * current + extra_a > s.current_limit_a:
                    # the source falls to the voltage that its limit allows
                    current = max(0.0, s.current_limit_a - extra_a) / effective
                    voltage, stiffness = (emf + current * ohm) / effective, 0.0
            # losses that do not pass through the shaft
            ripple_v2 = voltage * voltage * effective * (1.0 - effective)
            ripple_a = voltage * effective * (1.0 - effective) * ripple_scale
            ripple_copper = m.ripple_copper_factor * winding_ohm * ripple_a * ripple_a / 12.0
            ripple_iron = ripple_v2 * iron_per_v2
            switching = voltage * abs(current) * switching_per_va if effective > 0.0 else 0.0
            copper = current * current * winding_ohm
            plain = effective * current * voltage + ripple_copper + ripple_iron + switching + c.own_power_w
            drawn = plain * c.power_factor if plain > 0.0 else plain
            controller_heat = (
                current * current * c.resistance_ohm + switching + c.own_power_w + (drawn - plain)
            )
            bus_a = drawn / voltage
            extra_a = bus_a - effective * current
            friction = friction_still + friction_slope * omega if omega > 0.0 else 0.0
            torque = load * omega**power_law if omega > 0.0 else 0.0
            rows.append(
                (
                    throttle, effective, omega, voltage + model.wiring_ohm * bus_a, voltage, bus_a,
                    friction * omega, copper + ripple_copper, ripple_iron, controller_heat,
                    t_winding, t_case, t_controller, t_source,
                )
            )  # fmt: skip
            # heat
            between = (t_winding - t_case) / m.winding_to_case_k_w
            t_winding += step_s * (copper + ripple_copper - between) / m.winding_capacity_j_k
            t_case += (
                step_s
                * (ripple_iron + friction * omega + between - (t_case - air) / m.case_to_air_k_w)
                / m.case_capacity_j_k
            )
            t_controller += step_s * (controller_heat - (t_controller - air) / c.to_air_k_w) / c.capacity_j_k
            if not flat:
                charge -= bus_a * step_s / s.capacity_c
                t_source += step_s * bus_a * bus_a * (path_ohm - model.wiring_ohm) / s.heat_capacity_j_k
                if done % 50 == 0:
                    open_v = s.cells * float(np.interp(charge, curve_x, curve_y))
                    path_ohm = source_resistance_ohm(s, t_source) + model.wiring_ohm
            # speed
            drive = kt * current
            if omega <= 0.0 and drive <= friction_still:
                omega = 0.0
            else:
                net = drive - torque - (friction if omega > 0.0 else friction_still)
                slope = stiffness + friction_slope + (power_law * torque / omega if omega > 0.0 else 0.0)
                decay = step_s * slope / inertia
                omega += step_s * net / inertia * (-math.expm1(-decay) / decay if decay > 1e-9 else 1.0)
                omega = 0.0 if omega < 0.0 else omega
            done += 1
            if limit_v is not None:
                low = low + 1 if rows[-1][3] <= limit_v else 0
                if low >= stops_after or charge <= 0.0:
                    empty = True
                    break
        marks.append((stretch.label, start * step_s, done * step_s))

    table = np.array(rows, dtype=np.float64).reshape(-1, 14).T
    speed = table[2]
    return BenchTrace(
        time_s=np.arange(table.shape[1], dtype=np.float64) * step_s,
        throttle=table[0], duty=table[1], speed_rad_s=speed,
        thrust_n=thrust_of(prop, model.air_density_kg_m3, speed),
        torque_nm=torque_of(prop, model.air_density_kg_m3, speed),
        tap_voltage_v=table[3], voltage_v=table[4], current_a=table[5], friction_w=table[6], winding_w=table[7],
        ripple_iron_w=table[8], controller_w=table[9], winding_temperature_k=table[10],
        motor_temperature_k=table[11], controller_temperature_k=table[12], source_temperature_k=table[13],
        stretches=tuple(marks),
    )  # fmt: skip
