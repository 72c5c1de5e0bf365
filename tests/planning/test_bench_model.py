"""The simulated bench against closed forms and identities of physics."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from generator.planning.bench_model import (
    RAD_PER_REV,
    RPM,
    BenchModel,
    CannotReach,
    ControllerModel,
    MotorModel,
    PropellerModel,
    SourceModel,
    Stretch,
    duty_for,
    free_run_current_a,
    ripple_current_a,
    run_bench,
    source_resistance_ohm,
    thrust_of,
    torque_of,
)

# Invented parts; the plain ones below leave everything out that the three-parameter model leaves out.
MOTOR = MotorModel(
    kv_rad_s_v=2250 * RPM, resistance_ohm=0.095, resistance_temperature_k=293.15, free_run_current_a=0.75,
    free_run_speed_rad_s=22000 * RPM, free_run_slope=0.5, inductance_h=22e-6, inertia_kg_m2=1.4e-6,
    bearing_torque_nm=0.0, ripple_copper_factor=2.0, ripple_iron_ohm=25.0, winding_capacity_j_k=1.2,
    case_capacity_j_k=7.0, winding_to_case_k_w=0.9, case_to_air_k_w=3.5,
)  # fmt: skip
CONTROLLER = ControllerModel(
    resistance_ohm=0.009, frequency_hz=24000.0, switching_time_s=120e-9, own_power_w=0.0, current_limit_a=45.0,
    slew_per_s=4.0, output_cap=1.0, brakes=True, capacity_j_k=7.0, to_air_k_w=9.0, power_factor=1.0,
)  # fmt: skip
PROPELLER = PropellerModel(
    diameter_m=0.1295, thrust_coefficient=0.17, power_coefficient=0.095, thrust_exponent=0.03, power_exponent=-0.02,
    reference_rev_s=250.0, inertia_kg_m2=3.2e-6, blades=3,
)  # fmt: skip
SUPPLY = SourceModel(
    cells=4, cell_curve=((1.0, 4.0),), resistance_ohm=0.01, current_limit_a=60.0, capacity_c=1.0, state_of_charge=1.0,
    temperature_k=293.15, activation_j_mol=0.0, heat_capacity_j_k=1.0,
)  # fmt: skip
BENCH = BenchModel(
    motor=MOTOR, controller=CONTROLLER, propeller=PROPELLER, source=SUPPLY, wiring_ohm=0.0085, air_density_kg_m3=1.2,
    air_temperature_k=293.15, start_temperature_k=293.15, governor_gain=0.4, governor_per_s=2.0,
)  # fmt: skip


def at_speed(rpm: float, duration_s: float) -> Stretch:
    return Stretch(kind="speed", value=rpm * RPM, duration_s=duration_s, label=f"{rpm:.0f}")


REST = Stretch(kind="off", value=0.0, duration_s=0.5, label="rest")
STILL = Stretch(kind="still", value=0.0, duration_s=0.5, label="still")


# Three-parameter motor model (constant I0, R, KV): ω = (V - I R) KV, torque = Kt (I - I0), copper I² R, no-load type
# (V - I R) I0. Numbers calculated from these formulas and confirmed by numerical maximisation; they stand in the
# project's collected reference data (motor and PWM), the formulas in public lecture notes on brushed motors.
@pytest.mark.parametrize(
    ("kv", "i0", "resistance", "volts", "rpm", "torque", "p_in", "copper", "no_load"),
    [
        (1000, 0.5, 0.1, 10.0, 9000, 0.0907183, 100.0, 10.0, 4.5),
        (920, 0.6, 0.12, 11.1, 9108, 0.0975689, 111.0, 12.0, 5.94),
        (400, 1.0, 0.04, 22.2, 8720, 0.214859, 222.0, 4.0, 21.8),
    ],
)
def test_full_output_at_10_a_is_the_three_parameter_model(
    kv, i0, resistance, volts, rpm, torque, p_in, copper, no_load
):
    rev_s = rpm / 60.0
    diameter = 0.25
    load = PropellerModel(
        diameter_m=diameter, thrust_coefficient=0.1,
        power_coefficient=torque * RAD_PER_REV / (1.2 * rev_s**2 * diameter**5),
        thrust_exponent=0.0, power_exponent=0.0, reference_rev_s=rev_s, inertia_kg_m2=1e-5, blades=2,
    )  # fmt: skip
    motor = replace(
        MOTOR, kv_rad_s_v=kv * RPM, resistance_ohm=resistance, free_run_current_a=i0, free_run_slope=0.0,
        winding_capacity_j_k=1e9, case_capacity_j_k=1e9,
    )  # fmt: skip
    bench = replace(
        BENCH, motor=motor, propeller=load, wiring_ohm=0.0,
        controller=replace(CONTROLLER, resistance_ohm=0.0, switching_time_s=0.0),
        source=replace(SUPPLY, cells=1, cell_curve=((1.0, volts),), resistance_ohm=0.0),
    )  # fmt: skip
    trace = run_bench(bench, (Stretch(kind="throttle", value=1.0, duration_s=4.0),))
    assert trace.speed_rad_s[-1] / RPM == pytest.approx(rpm, rel=1e-5)
    assert trace.current_a[-1] == pytest.approx(10.0, rel=1e-5)
    assert trace.torque_nm[-1] == pytest.approx(torque, rel=1e-5)
    assert (trace.voltage_v * trace.current_a)[-1] == pytest.approx(p_in, rel=1e-5)
    assert trace.winding_w[-1] == pytest.approx(copper, rel=1e-4)
    assert trace.friction_w[-1] == pytest.approx(no_load, rel=1e-4)


def test_ripple_is_that_of_the_volt_second_balance():
    # V d (1 - d)/(L f) of a chopper with 220 V, 7.5 mH, 1 kHz, d = 0.5 gives 7.333 A; inputs from Rashid, Power
    # Electronics, 4th ed., Example 5.2, where the exact exponential solution is 7.27 A.
    assert ripple_current_a(220.0, 0.5, 7.5e-3, 1000.0) == pytest.approx(7.333333, rel=1e-6)
    duties = np.linspace(0.0, 1.0, 101)
    swings = [ripple_current_a(20.0, float(d), 20e-6, 24e3) for d in duties]
    assert duties[int(np.argmax(swings))] == pytest.approx(0.5)
    assert max(swings) == pytest.approx(20.0 / (4 * 20e-6 * 24e3))


# CT and CP of these two propellers by definition from T, P, n, D, ρ (momentum-theory worked cases of the project's
# reference data; definitions CT = T/(ρ n² D⁴), CP = P/(ρ n³ D⁵)).
@pytest.mark.parametrize(
    ("diameter", "rpm", "thrust", "power", "ct", "cp"),
    [
        (0.254, 6000, 5.0, 45.0, 0.09806162, 0.03474624),
        (0.381, 5000, 12.0, 110.0, 0.06694340, 0.01932749),
    ],
)
def test_propeller_follows_its_coefficients(diameter, rpm, thrust, power, ct, cp):
    propeller = replace(
        PROPELLER, diameter_m=diameter, thrust_coefficient=ct, power_coefficient=cp,
        thrust_exponent=0.0, power_exponent=0.0,
    )  # fmt: skip
    speed = np.array([rpm * RPM])
    assert thrust_of(propeller, 1.225, speed)[0] == pytest.approx(thrust, rel=1e-6)
    assert (torque_of(propeller, 1.225, speed) * speed)[0] == pytest.approx(power, rel=1e-6)


@given(rpm=st.floats(2000, 30000), factor=st.floats(1.05, 2.0))
def test_thrust_and_power_follow_their_powers_of_speed(rpm, factor):
    slow, fast = np.array([rpm * RPM]), np.array([factor * rpm * RPM])
    thrust = thrust_of(PROPELLER, 1.2, fast) / thrust_of(PROPELLER, 1.2, slow)
    power = torque_of(PROPELLER, 1.2, fast) * fast / (torque_of(PROPELLER, 1.2, slow) * slow)
    assert math.log(thrust[0]) / math.log(factor) == pytest.approx(2.03, rel=1e-6)
    assert math.log(power[0]) / math.log(factor) == pytest.approx(2.98, rel=1e-6)


# Pulsed heating of one node, closed form: peak of the first pulse P R (1 - exp(-t_on/τ)), settled peak
# P R (1 - exp(-t_on/τ)) / (1 - exp(-(t_on + t_off)/τ)), settled valley that times exp(-t_off/τ).
# Derived; checked against an integration of the equation to 1e-6 in the project's reference data.
@pytest.mark.parametrize(
    ("power", "ohm", "capacity", "on", "off", "first", "peak", "valley"),
    [
        (10.0, 5.0, 20.0, 30.0, 60.0, 12.959089, 21.837591, 11.984724),
        (50.0, 1.2, 250.0, 300.0, 300.0, 37.927234, 43.863515, 16.136485),
    ],
)
def test_case_heats_like_one_node(power, ohm, capacity, on, off, first, peak, valley):
    # all heat comes from a bearing: `power` W at 1000 rad/s; the windings keep theirs, and hardly any inertia
    motor = replace(
        MOTOR, kv_rad_s_v=62.5, resistance_ohm=1e-4, free_run_current_a=0.0, bearing_torque_nm=power / 1000.0,
        inertia_kg_m2=1e-7, ripple_iron_ohm=0.0, ripple_copper_factor=1.0, case_capacity_j_k=capacity,
        case_to_air_k_w=ohm, winding_capacity_j_k=1e9, winding_to_case_k_w=1e6,
    )  # fmt: skip
    bench = replace(
        BENCH, motor=motor, wiring_ohm=0.0, propeller=replace(PROPELLER, power_coefficient=1e-12, inertia_kg_m2=1e-9),
        controller=replace(CONTROLLER, resistance_ohm=0.0, switching_time_s=0.0, slew_per_s=1e6, current_limit_a=1e9),
        source=replace(SUPPLY, resistance_ohm=0.0, current_limit_a=1e9),
    )  # fmt: skip
    cycles = 12
    pattern = (
        Stretch(kind="throttle", value=1.0, duration_s=on),
        Stretch(kind="off", value=0.0, duration_s=off),
    ) * cycles
    step = on / 3000.0
    trace = run_bench(bench, pattern, step)
    rise = trace.motor_temperature_k - bench.air_temperature_k
    per_cycle = rise.size // cycles
    on_rows = round(on / step)
    assert rise[on_rows] == pytest.approx(first, rel=2e-3)
    assert rise[-per_cycle + on_rows] == pytest.approx(peak, rel=2e-3)
    assert rise[-1] == pytest.approx(valley, rel=3e-3)


@settings(max_examples=12, deadline=None)
@given(
    cells=st.integers(3, 6),
    rpm=st.floats(6000, 17000),
    frequency=st.floats(16e3, 96e3),
    brakes=st.booleans(),
    cap=st.floats(0.6, 1.0),
)
def test_energy_is_neither_made_nor_lost(cells, rpm, frequency, brakes, cap):
    bench = replace(
        BENCH, controller=replace(CONTROLLER, frequency_hz=frequency, brakes=brakes, output_cap=cap),
        source=replace(SUPPLY, cells=cells),
    )  # fmt: skip
    trace = run_bench(bench, (REST, at_speed(rpm, 1.0), at_speed(0.5 * rpm, 0.7), at_speed(rpm, 0.5), STILL))
    taken = float(np.sum(trace.voltage_v * trace.current_a))
    given_away = float(
        np.sum(
            trace.torque_nm * trace.speed_rad_s
            + trace.friction_w
            + trace.winding_w
            + trace.ripple_iron_w
            + trace.controller_w
        )
    )
    assert trace.speed_rad_s[-1] == 0.0  # so that no energy is left in the rotor
    assert taken == pytest.approx(given_away, rel=2e-3)


def test_source_wiring_and_tap_follow_ohm():
    trace = run_bench(BENCH, (at_speed(15000, 1.5),))
    late = slice(-300, None)
    drop = trace.tap_voltage_v[late] - trace.voltage_v[late]
    np.testing.assert_allclose(drop, BENCH.wiring_ohm * trace.current_a[late], rtol=1e-9)
    np.testing.assert_allclose(trace.tap_voltage_v[late], 16.0 - 0.01 * trace.current_a[late], rtol=1e-6)


def test_the_governor_holds_its_speed_and_the_duty_is_that_of_the_closed_form():
    trace = run_bench(BENCH, (at_speed(12000, 4.0),))
    assert trace.speed_rad_s[-1] / RPM == pytest.approx(12000, rel=3e-4)  # the trim trails the warming
    wanted = duty_for(BENCH, 12000 * RPM, float(trace.winding_temperature_k[-1]))
    assert trace.duty[-1] == pytest.approx(wanted, rel=5e-3)


def test_five_cells_behind_a_cap_cost_power_by_ripple_alone():
    four = run_bench(BENCH, (at_speed(16000, 2.0),))
    capped = replace(BENCH, source=replace(SUPPLY, cells=5), controller=replace(CONTROLLER, output_cap=0.8))
    five = run_bench(capped, (at_speed(16000, 2.0),))
    powers = [float((t.voltage_v * t.current_a)[-200:].mean()) for t in (four, five)]
    assert powers[1] / powers[0] > 1.01
    assert five.ripple_iron_w[-1] > four.ripple_iron_w[-1]
    np.testing.assert_allclose(five.torque_nm[-1], four.torque_nm[-1], rtol=5e-4)
    whole = replace(MOTOR, ripple_iron_ohm=0.0, ripple_copper_factor=1e-9)
    calm = [
        run_bench(
            replace(
                bench, motor=whole, wiring_ohm=0.0, controller=replace(bench.controller, switching_time_s=0.0)
            ),
            (at_speed(16000, 2.0),),
        )
        for bench in (BENCH, capped)
    ]
    # the governor leaves both a hair off the speed, so the power is compared by its share of speed cubed
    shares = [float((t.voltage_v * t.current_a)[-1] / t.speed_rad_s[-1] ** 3) for t in calm]
    assert shares[1] == pytest.approx(shares[0], rel=1e-4)


def test_the_cap_bounds_the_duty_and_the_top_speed():
    bench = replace(BENCH, controller=replace(CONTROLLER, output_cap=0.6))
    trace = run_bench(bench, (Stretch(kind="throttle", value=1.0, duration_s=2.0),))
    assert trace.throttle.max() == 1.0
    assert trace.duty.max() == pytest.approx(0.6)


def test_limits_of_controller_and_source_hold():
    limited = replace(BENCH, controller=replace(CONTROLLER, current_limit_a=6.0, slew_per_s=100.0))
    trace = run_bench(limited, (Stretch(kind="throttle", value=0.9, duration_s=1.0),))
    # copper loss with ripple of a full duty step is at least that of the mean current, and that is 6 A at most
    mean_current = (
        trace.torque_nm + np.gradient(trace.speed_rad_s, 0.001) * (1.4e-6 + 3.2e-6)
    ) * MOTOR.kv_rad_s_v
    assert mean_current[20:].max() < 6.0
    weak = replace(BENCH, source=replace(SUPPLY, current_limit_a=5.0))
    trace = run_bench(weak, (Stretch(kind="throttle", value=0.9, duration_s=2.0),))
    assert trace.current_a.max() < 5.0 * 1.02
    assert trace.voltage_v[-1] < 15.0  # the supply gives way


def test_braking_returns_energy_and_coasting_does_not():
    pattern = (at_speed(16000, 1.0), at_speed(5000, 0.6))
    braked = run_bench(BENCH, pattern)
    coasted = run_bench(replace(BENCH, controller=replace(CONTROLLER, brakes=False)), pattern)
    assert braked.current_a.min() < -0.5
    assert coasted.current_a.min() >= 0.0
    rows = slice(1000, 1600)
    assert np.argmax(braked.speed_rad_s[rows] < 6000 * RPM) < np.argmax(
        coasted.speed_rad_s[rows] < 6000 * RPM
    )


def test_a_pack_sags_and_empties_and_is_stiffer_when_warm():
    pack = SourceModel(
        cells=4, cell_curve=((0.0, 3.0), (1.0, 4.2)), resistance_ohm=0.03, current_limit_a=1e9,
        capacity_c=3600.0 * 0.05, state_of_charge=0.9, temperature_k=277.15, activation_j_mol=20000.0,
        heat_capacity_j_k=150.0,
    )  # fmt: skip
    trace = run_bench(replace(BENCH, source=pack), (REST, at_speed(14000, 3.0), STILL))
    assert trace.tap_voltage_v[100] == pytest.approx(4 * (3.0 + 0.9 * 1.2), rel=1e-6)
    assert trace.tap_voltage_v[-1] < trace.tap_voltage_v[100] - 0.1  # charge was taken
    used = float(np.sum(trace.current_a)) * 0.001 / pack.capacity_c
    assert trace.tap_voltage_v[-1] == pytest.approx(4 * (3.0 + (0.9 - used) * 1.2), abs=0.01)
    assert source_resistance_ohm(pack, 298.15) == pytest.approx(0.03)
    assert source_resistance_ohm(pack, 277.15) > 1.5 * source_resistance_ohm(pack, 298.15)


def test_a_finer_step_changes_little():
    pattern = (REST, at_speed(9000, 0.5), at_speed(16000, 0.5))
    coarse, fine = (run_bench(BENCH, pattern, step) for step in (0.001, 0.00025))
    every = fine.speed_rad_s[::4]
    assert np.abs(coarse.speed_rad_s - every).max() < 0.02 * every.max()
    assert coarse.speed_rad_s[-1] == pytest.approx(float(fine.speed_rad_s[-1]), rel=1e-4)


def test_stretches_are_told_with_their_times():
    trace = run_bench(BENCH, (REST, at_speed(9000, 1.0), STILL))
    labels = [label for label, _, _ in trace.stretches]
    assert labels == ["rest", "9000", "still"]
    assert trace.stretches[1][1:] == pytest.approx((0.5, 1.5))
    assert trace.stretches[2][2] == pytest.approx(trace.time_s[-1] + 0.001)
    assert trace.time_s[-1] > 2.0  # the motor needs a while to stand


def test_free_run_current_rises_with_speed():
    assert free_run_current_a(MOTOR, MOTOR.free_run_speed_rad_s) == pytest.approx(MOTOR.free_run_current_a)
    assert free_run_current_a(MOTOR, 0.0) == pytest.approx(0.5 * MOTOR.free_run_current_a)


def test_a_speed_beyond_reach_is_said_by_the_closed_form_and_borne_by_the_run():
    with pytest.raises(CannotReach, match="45000 rpm needs more than full output"):
        duty_for(BENCH, 45000 * RPM)
    trace = run_bench(BENCH, (at_speed(45000, 1.0),))
    assert trace.duty[-1] == pytest.approx(1.0)
    assert trace.speed_rad_s[-1] < 30000 * RPM


@pytest.mark.parametrize("step", [0.0, -0.001, math.nan])
def test_a_step_must_be_above_zero(step):
    with pytest.raises(ValueError, match="step_s: must be above zero"):
        run_bench(BENCH, (REST,), step)
