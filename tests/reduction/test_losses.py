"""Parts of the electrical power of one hold: closed forms, published identities, and shared errors kept signed.

All set-ups are invented; where a number is published, its source stands beside it.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from generator.intake.parts import Controller, Motor, Propeller
from generator.reduction.losses import PARTS, ripple_current
from generator.reduction.records import AirState, RunResponse, Setup
from generator.reduction.stated_coefficients import stated_coefficient
from tests.reduction.synthetic import POWER_PER_N3, Bench, hold_frame, make_rig, make_setup, outcome

ICE_K = 273.15


def set_up(
    motor: dict[str, Any] | None = None,
    controller: dict[str, Any] | None = None,
    propeller: dict[str, Any] | None = None,
    *,
    density: float = 1.2,
    density_u: float = 0.0,
) -> Setup:
    """A set-up whose part files say what is given here and no more; keys as in the YAML files."""
    plain = make_setup()
    motor = {"id": "heron", "kind": "motor", "label": "Heron", "kv": "1000 rpm/V", "pole_pairs": 7} | (
        motor or {}
    )
    controller = {"id": "drive", "kind": "controller", "label": "Drive"} | (controller or {})
    propeller = {"id": "tri", "kind": "propeller", "label": "Tri", "diameter": "254 mm", "blades": 3} | (
        propeller or {}
    )
    air = AirState(
        temperature_k=293.15,
        pressure_pa=101325.0,
        humidity=0.5,
        density_kg_m3=density,
        density_u_kg_m3=density_u,
    )
    return replace(
        plain,
        motor=Motor.model_validate(motor),
        controller=Controller.model_validate(controller),
        propeller=Propeller.model_validate(propeller),
        air=air,
    )


def held(
    setup: Setup,
    rpm: float,
    *,
    volts: float = 10.0,
    amps: float = 10.0,
    torque_nm: float | None = None,
    motor_k: float | None = 293.15,
    target: float | None = None,
    bench: Bench | None = None,
) -> dict[str, RunResponse]:
    """Losses of a hold in which everything stands still, by name."""
    bench = bench or Bench(rate_hz=50.0)
    frame = hold_frame(bench, [(rpm, 4.0)])
    on = frame["speed_rpm"].to_numpy() / rpm
    frame["voltage_v"] = volts
    frame["current_a"] = amps * on**3
    frame = frame.drop(columns="torque_nm")
    if torque_nm is not None:
        frame["torque_nm"] = torque_nm * on**2
    if motor_k is not None:
        frame["motor_temperature_k"] = motor_k
    plan = {"speed": [f"{target or rpm} rpm"], "settle": "0.5 s", "window": "2 s"}
    found = outcome(frame, "hold", plan, setup)
    return {loss.response: loss for loss in found.losses}


def values(found: dict[str, RunResponse]) -> dict[str, float]:
    return {name: loss.value for name, loss in found.items()}


def shared(found: RunResponse) -> dict[str, float]:
    return {c.source: c.contribution for c in found.components if c.shared}


# Three-parameter motor (KV, I0, R) at 10 A and full output, identities of public lecture notes (forms with I0 and the
# stall current), numbers checked by numerical maximisation: KV, I0, R, V -> speed, torque, output, copper, free run.
MOTORS = [
    (1000, 0.5, 0.1, 10.0, 9000, 0.0907183, 85.5, 10.0, 4.5),
    (920, 0.6, 0.12, 11.1, 9108, 0.0975689, 93.06, 12.0, 5.94),
    (400, 1.0, 0.04, 22.2, 8720, 0.214859, 196.2, 4.0, 21.8),
]


@pytest.mark.parametrize(("kv", "i0", "ohm", "volts", "rpm", "torque", "out", "copper", "free"), MOTORS)
def test_the_three_parameter_motor_comes_apart_as_published(
    kv, i0, ohm, volts, rpm, torque, out, copper, free
):
    """With torque, and without: at full output nothing else is lost, so both ways to the current must agree."""
    own_volts = rpm / kv + i0 * ohm  # the free-run point at this very speed, so that its law does not matter
    motor = {
        "kv": f"{kv} rpm/V",
        "terminal_resistance": f"{ohm} ohm",
        "free_run_current": f"{i0} A",
        "free_run_voltage": f"{own_volts} V",
    }
    with_torque = values(held(set_up(motor), rpm, volts=volts, torque_nm=torque))
    assert with_torque["electrical_power"] == pytest.approx(volts * 10.0, rel=1e-9)
    assert with_torque["shaft_power"] == pytest.approx(out, rel=1e-5)
    assert with_torque["copper_loss"] == pytest.approx(copper, rel=2e-5)
    assert with_torque["free_run_loss"] == pytest.approx(free, rel=1e-9)
    assert with_torque["other_loss"] == pytest.approx(0.0, abs=3e-3)
    without = values(held(set_up(motor), rpm, volts=volts))
    assert "shaft_power" not in without
    assert without["copper_loss"] == pytest.approx(copper, rel=1e-9)
    assert without["other_loss"] == pytest.approx(out, rel=1e-9)


@pytest.mark.parametrize(
    ("celsius", "ratio"),
    # IACS copper, R(T)/R(20) = 1 + 0.00393 (T - 20): IEC 60028 (from memory), ratios of a published wire table's
    # constants.
    [(-20, 0.8428), (0, 0.9214), (20, 1.0), (60, 1.1572), (80, 1.2358), (100, 1.3144), (130, 1.4323)],
)
def test_copper_loss_follows_the_temperature_of_the_motor(celsius, ratio):
    motor = {"terminal_resistance": "0.1 ohm", "free_run_current": "0.5 A"}
    cold, warm = (
        values(held(set_up(motor), 9000, torque_nm=0.09, motor_k=ICE_K + t))["copper_loss"]
        for t in (20.0, celsius)
    )
    assert warm / cold == pytest.approx(ratio, abs=5e-5)


def test_a_resistance_stated_warm_is_taken_back_to_its_own_temperature():
    motor = {"terminal_resistance": "0.13144 ohm", "free_run_current": "0.5 A"}
    warm = held(set_up(motor | {"resistance_temperature": "100 degC"}), 9000, torque_nm=0.09)
    cold = held(set_up(motor | {"terminal_resistance": "0.1 ohm"}), 9000, torque_nm=0.09)
    assert warm["copper_loss"].value == pytest.approx(cold["copper_loss"].value, rel=1e-9)


def test_without_a_motor_temperature_the_winding_is_at_that_of_the_air():
    motor = {"terminal_resistance": "0.1 ohm", "free_run_current": "0.5 A"}
    air = held(set_up(motor), 9000, torque_nm=0.09, motor_k=None)
    same = held(set_up(motor), 9000, torque_nm=0.09, motor_k=293.15)
    assert air["copper_loss"].value == pytest.approx(same["copper_loss"].value, rel=1e-12)


def test_ripple_current_of_published_examples():
    # Rashid, Power Electronics, 4th ed., Example 5.2: inputs read, approximate answer 7.33 A from memory;
    # Example 5.5: ripple 0.8 A given, 0.2309 A effective.
    assert ripple_current(220.0, 0.5, 7.5e-3, 1000.0) == pytest.approx(7.333333, rel=1e-6)
    peak_to_peak = ripple_current(12.0, 5.0 / 12.0, 145.83333e-6, 25000.0)
    assert peak_to_peak == pytest.approx(0.8, rel=1e-6)
    assert peak_to_peak / math.sqrt(12.0) == pytest.approx(0.2309401, rel=1e-6)
    assert ripple_current(12.0, 1.0, 1e-4, 25000.0) == 0.0
    assert ripple_current(12.0, 1.02, 1e-4, 25000.0) == 0.0


@given(duty=st.floats(0.01, 0.99))
def test_ripple_is_largest_at_half_output(duty):
    assert ripple_current(16.0, duty, 2e-5, 24e3) <= 16.0 / (4 * 2e-5 * 24e3) * (1 + 1e-12)


def test_ripple_loss_is_worked_out_at_the_duty_that_the_speed_needs():
    """E = 5 V and R = 0.1 ohm at 20 V: I = 40/5 + 0.5 = 8.5 A, d = 5.85/20, twice the resistance to the ripple."""
    motor = {"terminal_resistance": "0.1 ohm", "free_run_current": "0.5 A", "inductance": "20 uH"}
    found = held(
        set_up(motor, {"switching_frequency": "24 kHz"}), 5000, volts=20.0, amps=3.0,
        torque_nm=40.0 / (5000 * math.pi / 30),
    )  # fmt: skip
    swing = 20.0 * 0.2925 * 0.7075 / (20e-6 * 24e3)
    assert found["ripple_loss"].value == pytest.approx(swing**2 / 12 * 0.1 * 2.0, rel=1e-6)


def test_without_torque_the_propellers_coefficient_gives_the_shaft_power():
    # P = CP rho n^3 D^5, algebra: rho 1.225, D 0.254 m, 6000 rpm, CP 0.03474624 -> 45.0 W
    rows = [{"speed": "6000 rpm", "power": 0.03474624}]
    found = held(set_up(propeller={"coefficients": rows}, density=1.225), 6000)
    assert found["shaft_power"].value == pytest.approx(45.0, rel=1e-6)


def test_measured_torque_is_preferred_to_a_coefficient():
    rows = [{"speed": "6000 rpm", "power": 0.5}]
    found = held(set_up(propeller={"coefficients": rows}), 6000, torque_nm=0.05)
    assert found["shaft_power"].value == pytest.approx(0.05 * 6000 * math.pi / 30, rel=1e-9)


def test_a_coefficient_is_interpolated_and_held_a_little_beyond_its_ends():
    rows = [
        {"speed": "12000 rpm", "power": 0.05},
        {"speed": "6000 rpm", "power": 0.06},
        {"speed": "9000 rpm"},
    ]
    tri = set_up(propeller={"coefficients": rows}).propeller
    assert stated_coefficient(tri, "power", 9000.0) == pytest.approx(0.055)
    assert stated_coefficient(tri, "power", 5500.0) == pytest.approx(0.06)
    assert stated_coefficient(tri, "power", 13199.0) == pytest.approx(0.05)
    assert stated_coefficient(tri, "power", 5399.0) is None
    assert stated_coefficient(tri, "power", 13201.0) is None
    assert stated_coefficient(set_up().propeller, "power", 9000.0) is None


def test_the_free_run_current_grows_with_speed_by_half_of_itself():
    """Stated at 10 V, so at 1000 rpm/V x (10 - 0.05) V = 9950 rpm; at twice that it is half as much again."""
    motor = {"free_run_current": "0.5 A", "free_run_voltage": "10 V", "terminal_resistance": "0.1 ohm"}
    there, twice = (held(set_up(motor), rpm, volts=25.0)["free_run_loss"].value for rpm in (9950, 19900))
    assert there == pytest.approx(9.95 * 0.5, rel=1e-9)
    assert twice == pytest.approx(19.9 * 0.75, rel=1e-9)


def test_without_its_voltage_the_free_run_current_is_taken_as_it_stands_and_doubted_more():
    loss = held(set_up({"free_run_current": "0.5 A"}), 12000)["free_run_loss"]
    assert loss.value == pytest.approx(12.0 * 0.5, rel=1e-9)
    assert shared(loss)["free-run current of heron"] == pytest.approx(0.3 * 6.0, rel=1e-6)


FULL_MOTOR = {
    "terminal_resistance": "0.1 ohm",
    "free_run_current": "0.5 A",
    "free_run_voltage": "10 V",
    "inductance": "20 uH",
}
FULL_CONTROLLER = {"switching_frequency": "24 kHz", "resistance": "8 mohm"}
FULL_PROPELLER = {
    "coefficients": [{"speed": "6000 rpm", "power": 0.03}, {"speed": "12000 rpm", "power": 0.029}],
    "coefficients_uncertainty": "3 %",
}


def test_what_the_part_files_do_not_state_is_not_given_and_stays_in_the_rest():
    everything = values(held(set_up(FULL_MOTOR, FULL_CONTROLLER, FULL_PROPELLER), 9000, volts=20.0, amps=8.0))
    assert list(everything) == ["electrical_power", *PARTS]
    assert held(set_up(), 9000) == {}
    only = values(held(set_up({"free_run_current": "0.5 A"}), 9000))
    assert list(only) == ["electrical_power", "free_run_loss", "other_loss"]
    assert only["other_loss"] == pytest.approx(100.0 - 4.5, rel=1e-9)
    no_frequency = values(
        held(set_up(FULL_MOTOR, {"resistance": "8 mohm"}, FULL_PROPELLER), 9000, volts=20.0)
    )
    assert "ripple_loss" not in no_frequency
    assert no_frequency["controller_path_loss"] == pytest.approx(no_frequency["copper_loss"] * 0.08, rel=1e-9)


def test_the_path_through_the_controller_limits_the_current_of_an_ideal_bridge():
    """R I² + E I = P with R of winding and path: 0.1 + 0.02 ohm, E = 9 V, P = 102 W give 10 A."""
    motor = {"terminal_resistance": "0.1 ohm"}
    found = values(held(set_up(motor, {"resistance": "20 mohm"}), 9000, volts=10.2))
    assert found["copper_loss"] == pytest.approx(10.0, rel=1e-9)
    assert found["controller_path_loss"] == pytest.approx(2.0, rel=1e-9)


@settings(max_examples=25, deadline=None)
@given(
    ohm=st.floats(0.02, 0.3), i0=st.floats(0.2, 1.5), uh=st.floats(10, 60), amps=st.floats(2, 12),
    torque=st.one_of(st.none(), st.floats(0.02, 0.12)), share=st.one_of(st.just(0.0), st.floats(1e-9, 0.08)),
)  # fmt: skip
def test_parts_add_up_with_every_error_in_them(ohm, i0, uh, amps, torque, share):
    """In value, and source by source in the shared errors, so that correlations are kept."""
    rig = make_rig({"current": {"gain_uncertainty": "0.5 %", "offset_uncertainty": 0.01},
                    "voltage": {"gain_uncertainty": "0.2 %"}, "speed": {"gain_uncertainty": "0.05 %"},
                    "torque": {"gain_uncertainty": "1 %"}})  # fmt: skip
    motor = FULL_MOTOR | {
        "terminal_resistance": f"{ohm} ohm", "free_run_current": f"{i0} A", "inductance": f"{uh} uH"
    }  # fmt: skip
    propeller = FULL_PROPELLER | {"coefficients_uncertainty": f"{100 * share} %"}
    setup = replace(set_up(motor, FULL_CONTROLLER, propeller, density_u=0.003), rig=rig)
    found = held(setup, 9000, volts=20.0, amps=amps, torque_nm=torque)
    assert set(found) == {"electrical_power", *PARTS}
    total = found["electrical_power"].value
    assert math.fsum(found[name].value for name in PARTS) == pytest.approx(total, rel=1e-12)
    sources = {source for loss in found.values() for source in shared(loss)}
    assert {"KV of heron", "terminal resistance of heron", "current gain"} <= sources
    for source in sources:
        together = math.fsum(shared(found[name]).get(source, 0.0) for name in PARTS)
        wanted = shared(found["electrical_power"]).get(source, 0.0)
        assert together == pytest.approx(wanted, abs=1e-9 * total)


def test_sources_carry_the_id_of_their_part_and_the_size_that_is_stated():
    found = held(
        set_up(FULL_MOTOR, FULL_CONTROLLER, FULL_PROPELLER, density_u=0.012), 9000, volts=20.0, amps=8.0
    )
    shaft = shared(found["shaft_power"])
    size = found["shaft_power"].value
    assert shaft == {
        "power coefficient of tri": pytest.approx(0.03 * size),
        "air density": pytest.approx(0.01 * size),
    }
    # copper: I² R, so R counts once, and a hair more through the speed of
    # the free-run point; the current follows the shaft power over n/KV, so KV counts about twice
    copper, loss = shared(found["copper_loss"]), found["copper_loss"].value
    assert copper["terminal resistance of heron"] == pytest.approx(0.10 * loss, rel=1e-3)
    assert 0.8 * 0.06 * loss < copper["KV of heron"] < 1.05 * 0.06 * loss
    assert shared(found["other_loss"])["power coefficient of tri"] < 0.0
    assert shared(found["ripple_loss"])["ripple resistance of heron"] == pytest.approx(
        found["ripple_loss"].value / 2 / math.sqrt(3), rel=1e-6
    )


def test_no_stated_uncertainty_of_a_coefficient_is_not_taken_for_none():
    plain = {"coefficients": FULL_PROPELLER["coefficients"]}
    found = held(set_up(propeller=plain), 9000)
    assert shared(found["shaft_power"])["power coefficient of tri"] == pytest.approx(
        0.05 * found["shaft_power"].value
    )


def test_measured_powers_are_moved_to_the_speed_to_be_held_and_estimates_made_there():
    setup = set_up({"free_run_current": "0.5 A"})
    at_speed, missed = (
        held(setup, 9000, torque_nm=0.09),
        held(setup, 9090, amps=10.0 * 1.01**3, torque_nm=0.09 * 1.01**2, target=9000),
    )
    assert missed["electrical_power"].at == (("speed_rpm", 9000.0),)
    for name in at_speed:
        assert missed[name].value == pytest.approx(at_speed[name].value, rel=1e-6), name
    doubt = shared(missed["electrical_power"])["setpoint miss (A)"]
    assert abs(doubt) == pytest.approx(100.0 * math.log(1.01) * 0.15, rel=1e-3)


def test_the_electrical_power_is_the_response_of_the_hold():
    """Value and every component: the balance splits the very number that is compared."""
    rig = make_rig(
        {"current": {"gain_uncertainty": "0.5 %", "resolution": 0.01}}, wiring_ohm=0.01, wiring_u_ohm=1e-3
    )
    bench = Bench(rate_hz=100.0, noise={"current_a": 0.2, "speed_rpm": 30.0}, wiring_ohm=0.01)
    setup = replace(set_up({"free_run_current": "0.5 A"}), rig=rig)
    plan = {"speed": ["15900 rpm"], "settle": "0.5 s", "window": "2 s"}
    found = outcome(hold_frame(bench, [(16000, 4.0)]), "hold", plan, setup)
    ours = next(loss for loss in found.losses if loss.response == "electrical_power")
    theirs = next(r for r in found.responses if r.response == "electrical_power")
    assert ours == theirs
    assert ours.value == pytest.approx(POWER_PER_N3 * 15900**3, rel=0.01)


def test_no_power_and_no_speed_condition_give_nothing():
    setup = set_up(FULL_MOTOR, FULL_CONTROLLER, FULL_PROPELLER)
    assert held(setup, 9000, amps=-1.0) == {}
    frame = hold_frame(Bench(rate_hz=50.0), [(9000, 4.0)]).drop(columns="current_a")
    plan = {"speed": ["9000 rpm"], "settle": "0.5 s", "window": "2 s"}
    assert outcome(frame, "hold", plan, setup).losses == ()


def test_each_held_speed_has_its_own_balance():
    setup = set_up({"free_run_current": "0.5 A"})
    plan = {"speed": ["9000 rpm", "16000 rpm"], "settle": "0.5 s", "window": "2 s"}
    found = outcome(hold_frame(Bench(rate_hz=50.0), [(9000, 3.2), (16000, 3.2)]), "hold", plan, setup).losses
    speeds = [dict(loss.at)["speed_rpm"] for loss in found if loss.response == "other_loss"]
    assert speeds == [9000.0, 16000.0]
    assert all(loss.window is not None and np.isfinite(loss.value) for loss in found)
