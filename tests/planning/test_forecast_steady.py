"""The steady state against equations solved by hand, and against the stepped bench model run until it settles."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from generator.planning.bench_model import (
    RPM,
    BenchModel,
    ControllerModel,
    MotorModel,
    PropellerModel,
    SourceModel,
    Stretch,
    run_bench,
)
from generator.planning.forecast_steady import steady_at_duty, steady_at_speed

WINDING_K = 293.15


def bench(**changed: float) -> BenchModel:
    """An invented bench. changed: fields of the source and the whole, such as `current_limit_a`."""
    model = BenchModel(
        motor=MotorModel(
            kv_rad_s_v=2000.0 * RPM, resistance_ohm=0.09, resistance_temperature_k=293.15,
            free_run_current_a=0.7, free_run_speed_rad_s=18000.0 * RPM, free_run_slope=0.5,
            inductance_h=24e-6, inertia_kg_m2=2.2e-6, bearing_torque_nm=0.0005, ripple_copper_factor=2.0,
            ripple_iron_ohm=50.0, winding_capacity_j_k=1e12, case_capacity_j_k=1e12, winding_to_case_k_w=0.8,
            case_to_air_k_w=3.0,
        ),
        controller=ControllerModel(
            resistance_ohm=0.008, frequency_hz=24000.0, switching_time_s=1.2e-7, own_power_w=0.5,
            current_limit_a=1e9, slew_per_s=4.0, output_cap=1.0, brakes=True, capacity_j_k=1e12, to_air_k_w=9.0,
            power_factor=1.0,
        ),
        propeller=PropellerModel(
            diameter_m=0.1295, thrust_coefficient=0.17, power_coefficient=0.096, thrust_exponent=0.03,
            power_exponent=-0.02, reference_rev_s=250.0, inertia_kg_m2=3.2e-6, blades=3,
        ),
        source=SourceModel(
            cells=4, cell_curve=((1.0, 4.0),), resistance_ohm=0.01, current_limit_a=1e9, capacity_c=1.0,
            state_of_charge=1.0, temperature_k=293.15, activation_j_mol=0.0, heat_capacity_j_k=1.0,
        ),
        wiring_ohm=0.0085, air_density_kg_m3=1.19, air_temperature_k=293.15, start_temperature_k=WINDING_K,
        governor_gain=0.4, governor_per_s=2.0,
    )  # fmt: skip
    source = {name: value for name, value in changed.items() if hasattr(model.source, name)}
    return replace(model, source=replace(model.source, **source))


def plain(model: BenchModel) -> BenchModel:
    """No loss in ripple, switching, bearings, wiring or source: the three-constant motor alone."""
    motor = replace(
        model.motor, ripple_copper_factor=0.0, ripple_iron_ohm=0.0, bearing_torque_nm=0.0, free_run_slope=0.0
    )
    controller = replace(model.controller, switching_time_s=0.0, own_power_w=0.0, resistance_ohm=0.0)
    propeller = replace(model.propeller, power_exponent=0.0, thrust_exponent=0.0)
    return replace(
        model, motor=motor, controller=controller, propeller=propeller, wiring_ohm=0.0,
        source=replace(model.source, resistance_ohm=0.0),
    )  # fmt: skip


def test_three_constants_solved_by_hand() -> None:
    """d V = n/KV + R I; I = I0 + Q/KT; Q = CP rho n^2 D^5/(2 pi): worked with these formulas for 16 000 rpm."""
    found = steady_at_speed(plain(bench()), 16000.0 * RPM, WINDING_K)
    assert found is not None
    rev_s = 16000.0 / 60.0
    torque = 0.096 * 1.19 * rev_s**2 * 0.1295**5 / (2.0 * math.pi)
    current = 0.7 + torque * 2000.0 * 2.0 * math.pi / 60.0
    duty = (16000.0 / 2000.0 + 0.09 * current) / 16.0
    assert found.torque_nm == pytest.approx(torque, rel=1e-12)
    assert found.motor_current_a == pytest.approx(current, rel=1e-12)
    assert found.duty == pytest.approx(duty, rel=1e-12)
    assert found.supply_current_a == pytest.approx(duty * current, rel=1e-12)
    assert found.electrical_power_w == pytest.approx(16.0 * duty * current, rel=1e-12)
    assert found.thrust_n == pytest.approx(0.17 * 1.19 * rev_s**2 * 0.1295**4, rel=1e-12)


def test_top_speed_is_the_root_of_a_quadratic() -> None:
    """With CP constant, V = n/KV + R (I0 + k n^2) has one positive root in n."""
    model = plain(bench())
    found = steady_at_duty(model, 1.0, WINDING_K)
    k = 0.096 * 1.19 * 0.1295**5 / (2.0 * math.pi) / 3600.0 * 2000.0 * 2.0 * math.pi / 60.0
    a, b, c = 0.09 * k, 1.0 / 2000.0, 0.09 * 0.7 - 16.0
    root = (-b + math.sqrt(b * b - 4.0 * a * c)) / (2.0 * a)
    assert found is not None
    assert found.speed_rad_s / RPM == pytest.approx(root, rel=1e-12)


def test_warm_copper_takes_more_voltage() -> None:
    """60 K more is 0.00393 x 60 more resistance (IACS annealed copper, IEC 60028, from memory)."""
    cold, warm = (steady_at_speed(plain(bench()), 1500.0, WINDING_K + more) for more in (0.0, 60.0))
    assert cold is not None
    assert warm is not None
    assert 16.0 * (warm.duty - cold.duty) == pytest.approx(
        0.09 * 0.00393 * 60.0 * cold.motor_current_a, rel=1e-12
    )


@pytest.mark.parametrize("duty", [0.2, 0.6, 1.0])
def test_bench_run_until_it_settles_gives_the_same(duty: float) -> None:
    """The stepped model, its temperatures held by boundless capacities, after 4 s at one throttle."""
    trace = run_bench(bench(), (Stretch(kind="throttle", value=duty, duration_s=4.0),))
    found = steady_at_duty(bench(), duty, WINDING_K)
    assert found is not None
    for value, column in (
        (found.speed_rad_s, trace.speed_rad_s), (found.supply_current_a, trace.current_a),
        (found.tap_voltage_v, trace.tap_voltage_v), (found.voltage_v, trace.voltage_v),
        (found.thrust_n, trace.thrust_n), (found.winding_w, trace.winding_w),
        (found.controller_w, trace.controller_w), (found.iron_w, trace.friction_w + trace.ripple_iron_w),
    ):  # fmt: skip
        assert value == pytest.approx(float(column[-1]), rel=1e-9)


def test_supply_at_its_limit_gives_what_the_bench_gives() -> None:
    limited = bench(current_limit_a=10.0)
    trace = run_bench(limited, (Stretch(kind="throttle", value=1.0, duration_s=4.0),))
    found = steady_at_duty(limited, 1.0, WINDING_K)
    assert found is not None
    assert found.source_limited
    assert found.supply_current_a == pytest.approx(10.0, rel=1e-9)
    assert found.speed_rad_s == pytest.approx(float(trace.speed_rad_s[-1]), rel=1e-6)


@settings(max_examples=40, deadline=None)
@given(st.floats(0.1, 1.0), st.floats(0.0, 0.05))
def test_speed_and_duty_are_inverse(duty: float, wiring: float) -> None:
    model = replace(bench(), wiring_ohm=wiring)
    found = steady_at_duty(model, duty, WINDING_K)
    assert found is not None
    back = steady_at_speed(model, found.speed_rad_s * (1.0 - 1e-12), WINDING_K)
    assert back is not None
    assert back.duty == pytest.approx(duty, rel=1e-6)


@settings(max_examples=40, deadline=None)
@given(st.floats(2000.0, 24000.0))
def test_power_goes_somewhere(rpm: float) -> None:
    """Electrical power is shaft power and the heat of winding, iron and controller: nothing is lost or made."""
    found = steady_at_speed(bench(), rpm * RPM, WINDING_K)
    assert found is not None
    parts = found.shaft_power_w + found.winding_w + found.iron_w + found.controller_w
    assert found.electrical_power_w == pytest.approx(parts, rel=1e-9)


def test_beyond_full_output_there_is_nothing() -> None:
    top = steady_at_duty(bench(), 1.0, WINDING_K)
    assert top is not None
    assert steady_at_speed(bench(), top.speed_rad_s * 1.0001, WINDING_K) is None
    assert steady_at_speed(bench(), top.speed_rad_s * 0.9999, WINDING_K) is not None
    assert steady_at_duty(bench(), 0.001, WINDING_K) is None
    assert np.isfinite(top.voltage_v)
