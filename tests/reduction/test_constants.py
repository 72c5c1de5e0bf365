"""Constants of motor and propeller from one run: identities, closed forms, published values, errors of the rig."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from generator.reduction.constants import (
    CONSTANT_KINDS,
    constant_findings,
    fitted_constants,
    power_coefficient,
    thrust_coefficient,
)
from generator.reduction.motor_fit import MotorFit
from tests.reduction.motor_runs import (
    DENSITY,
    DIAMETER_M,
    STEPS,
    Truth,
    at_throttle,
    constants,
    setup_of,
    share,
    staircase,
    steps_of,
)
from tests.reduction.synthetic import AIR_K, make_plan, outcome, staircase_frame
from tests.reduction.synthetic import Bench as SyntheticBench

MOTOR = ("kv", "winding_resistance")
# constants that other procedures give: a pack's, and a motor's turning free
ELSEWHERE = {"internal_resistance", "pack_charge", "free_run_current_standing", "free_run_current_slope"}


# --- identities ---------------------------------------------------------------------------------------------


# Kt = 60/(2 π KV). KV 79.577472 with Kt 0.12: a permanent-magnet motor of 48 V and 0.12 V s/rad, FOSSEE Scilab
# textbook companion 1892, Example 4.4 (inputs read). The others follow from the formula, worked out apart.
@pytest.mark.parametrize(
    ("kv", "torque_constant"),
    [(79.577472, 0.12), (100.0, 0.0954929659), (920.0, 0.0103796702), (2300.0, 0.0041518681)],
)
def test_torque_constant_is_the_inverse_of_kv(kv: float, torque_constant: float) -> None:
    fit = MotorFit(kv_rpm_v=kv, resistance_ohm=0.1, unbalanced=0.0, residual_share=0.0, points=())
    assert fit.torque_constant_nm_a() == pytest.approx(torque_constant, rel=1e-8)


# T 5 N, P 45 W at 6000 rpm with 0.254 m, and 12 N, 110 W at 5000 rpm with 0.381 m, in 1.225 kg/m³; derived by algebra
# in two conventions (propeller and rotor) that agree to 1e-12.
@pytest.mark.parametrize(
    ("diameter", "rpm", "thrust", "power", "ct", "cp"),
    [
        (0.254, 6000.0, 5.0, 45.0, 0.09806162, 0.03474624),
        (0.381, 5000.0, 12.0, 110.0, 0.06694340, 0.01932749),
    ],
)
def test_coefficients_by_their_definition(
    diameter: float, rpm: float, thrust: float, power: float, ct: float, cp: float
) -> None:
    assert thrust_coefficient(thrust, 1.225, rpm, diameter) == pytest.approx(ct, rel=1e-7)
    assert power_coefficient(power, 1.225, rpm, diameter) == pytest.approx(cp, rel=1e-7)


# Three-parameter model, (V - I R) KV and Kt (I - I0): formulas from public lecture notes, the numbers derived and
# confirmed by numerical maximisation of the efficiency.
@pytest.mark.parametrize(
    ("kv", "i0", "ohm", "volts", "rpm", "torque"),
    [
        (1000.0, 0.5, 0.1, 10.0, 9000.0, 0.0907183),
        (920.0, 0.6, 0.12, 11.1, 9108.0, 0.0975689),
        (400.0, 1.0, 0.04, 22.2, 8720.0, 0.214859),
    ],
)
def test_made_runs_obey_the_three_parameter_model(
    kv: float, i0: float, ohm: float, volts: float, rpm: float, torque: float
) -> None:
    """The propeller is chosen so that the motor draws 10 A at full output."""
    rev = rpm / 60.0
    cp = 2.0 * math.pi * torque / (DENSITY * rev**2 * DIAMETER_M**5)
    factor = 1.0 + 0.00393 * (AIR_K - 293.15)
    truth = Truth(kv_rpm_v=kv, resistance_ohm=ohm / factor, free_run_a=i0, cp=cp, volts=volts)
    reading = truth.steady(1.0)
    assert reading["speed_rpm"] == pytest.approx(rpm, rel=1e-5)
    assert reading["torque_nm"] == pytest.approx(torque, rel=1e-5)
    assert reading["current_a"] == pytest.approx(10.0, rel=1e-5)


# --- known truth without noise ------------------------------------------------------------------------------


@settings(max_examples=12, deadline=None)
@given(
    kv=st.floats(300.0, 3000.0),
    drop=st.floats(0.03, 0.25),
    free=st.floats(0.01, 0.08),
    loss=st.floats(0.0, 0.05),
)
def test_a_run_without_noise_gives_its_constants_back(
    kv: float, drop: float, free: float, loss: float
) -> None:
    """drop: of the voltage in the winding at full output, about; free and loss: shares of the current there."""
    plain = Truth(kv_rpm_v=kv, resistance_ohm=1e-9, free_run_a=0.0)
    amps = plain.steady(1.0)["torque_nm"] / plain.kt
    truth = Truth(
        kv_rpm_v=kv,
        resistance_ohm=drop * 16.0 / amps,
        free_run_a=free * amps,
        loss_per_v_a=loss * amps / 16.0,
    )
    found = constants(staircase(truth, setup_of()))
    assert found["kv", ()].value == pytest.approx(kv, rel=1e-9)
    assert found["winding_resistance", ()].value == pytest.approx(truth.resistance_ohm, rel=1e-8)
    for duty in STEPS:
        at = at_throttle(duty)
        assert found["free_run_current", at].value == pytest.approx(truth.free_run_a, abs=1e-8 * amps)
        assert found["thrust_coefficient", at].value == pytest.approx(truth.ct, rel=1e-12)
        assert found["power_coefficient", at].value == pytest.approx(truth.cp, rel=1e-12)
        assert found["speed", at].value == pytest.approx(truth.steady(duty)["speed_rpm"], rel=1e-12)


def test_the_bridge_loss_would_shift_kv_if_it_were_left_out() -> None:
    """A two-parameter fit of the same run, by hand, is wrong; so the third term is there for a reason."""
    truth = Truth(loss_per_v_a=0.03)
    readings = [truth.steady(duty) for duty in STEPS]
    speed, current = (np.array([r[name] for r in readings]) for name in ("speed_rpm", "current_a"))
    duty = np.array(STEPS)
    per_kv, _ = np.linalg.lstsq(np.column_stack((speed, current / duty)), duty * 16.0, rcond=None)[0]
    assert abs(1.0 / per_kv / truth.kv_rpm_v - 1.0) > 0.01
    assert constants(staircase(truth, setup_of()))["kv", ()].value == pytest.approx(1800.0, rel=1e-9)


def test_both_ways_of_a_staircase_are_one_condition() -> None:
    found = constants(staircase(Truth(), setup_of(), duties=(*STEPS, *STEPS[-2::-1])))
    assert sum(name == "thrust_coefficient" for name, _ in found) == len(STEPS)
    assert found["kv", ()].value == pytest.approx(1800.0, rel=1e-9)


def test_resistance_is_given_at_the_stated_temperature() -> None:
    """At 20 °C by default: a motor held at 60 °C in air of 60 °C has 1.157 times the resistance there."""
    setup = setup_of()
    warm = replace(setup, air=replace(setup.air, temperature_k=333.15))
    found = constants(staircase(Truth(), warm, temperature_k=333.15))
    assert found["winding_resistance", ()].value == pytest.approx(0.12, rel=1e-8)
    hot = replace(warm, motor=warm.motor.model_copy(update={"resistance_temperature_k": 333.15}))
    found = constants(staircase(Truth(), hot, temperature_k=333.15))
    assert found["winding_resistance", ()].value == pytest.approx(0.12 * (1 + 0.00393 * 40.0), rel=1e-8)


def test_coefficients_of_a_hold_stand_for_the_speed_held() -> None:
    truth = Truth()
    readings = [truth.steady(duty) for duty in (0.4, 0.7)]
    at = [(("speed_rpm", round(r["speed_rpm"], -1)),) for r in readings]
    found = constants(steps_of(readings, (0.4, 0.7), setup_of(), at=at))
    assert {key for key in found if key[0] == "thrust_coefficient"} == {("thrust_coefficient", a) for a in at}
    assert not {name for name, _ in found} & {"speed", *MOTOR}  # two speeds tell nothing of the motor


def test_holds_at_four_speeds_give_the_motor_too() -> None:
    truth = Truth()
    duties = (0.3, 0.5, 0.7, 0.9)
    readings = [truth.steady(duty) for duty in duties]
    at = [(("speed_rpm", round(r["speed_rpm"])),) for r in readings]
    found = constants(steps_of(readings, duties, setup_of(), at=at))
    assert found["kv", ()].value == pytest.approx(1800.0, rel=1e-9)
    assert found["winding_resistance", ()].value == pytest.approx(0.12, rel=1e-8)


@pytest.mark.parametrize(
    ("missing", "gone"),
    [
        ("torque", {"power_coefficient", "power_coefficient_exponent", "free_run_current"}),
        ("thrust", {"thrust_coefficient", "thrust_coefficient_exponent"}),
        ("current", {"kv", "winding_resistance", "free_run_current"}),
    ],
)
def test_a_missing_channel_takes_its_constants_along(missing: str, gone: set[str]) -> None:
    column = {"torque": "torque_nm", "thrust": "thrust_n", "current": "current_a"}[missing]
    readings = [{k: v for k, v in Truth().steady(d).items() if k != column} for d in STEPS]
    names = {name for name, _ in constants(steps_of(readings, STEPS, setup_of(without=(missing,))))}
    of_these = {"speed", *CONSTANT_KINDS} - ELSEWHERE
    assert names == of_these - gone


# --- other throttles -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("power", [0.8, 0.9, 1.1, 1.3])
def test_a_curved_throttle_gives_a_finding_and_no_constants(power: float) -> None:
    run, points = staircase(Truth(), setup_of(), throttle_of=lambda duty: duty ** (1.0 / power))
    found = fitted_constants(run, points)
    assert not {c.response for c in found} & {*MOTOR, "free_run_current"}
    assert {c.response for c in found} >= {"thrust_coefficient", "power_coefficient"}
    (finding,) = constant_findings(run, points, found)
    assert finding.channel == "throttle"
    assert finding.grade == "noted"
    assert finding.sentence.startswith(
        "No KV and no resistance are fitted: the throttle does not act as the duty"
    )


@pytest.mark.parametrize(("power", "moved"), [(0.95, 0.083), (1.04, -0.048)])
def test_a_mild_curve_passes_and_moves_kv(power: float, moved: float) -> None:
    """What the fit cannot see; it is why a KV that departs is a finding about the throttle too. Detects change."""
    run, points = staircase(Truth(), setup_of(), throttle_of=lambda duty: duty ** (1.0 / power))
    found = constants((run, points))
    assert found["kv", ()].value / 1800.0 - 1.0 == pytest.approx(moved, abs=0.002)
    assert constant_findings(run, points, tuple(found.values())) == ()


def test_a_dead_band_gives_a_finding() -> None:
    run, points = staircase(Truth(), setup_of(), throttle_of=lambda duty: duty + 0.04)
    (finding,) = constant_findings(run, points, fitted_constants(run, points))
    assert "is left over where there should be none" in finding.sentence


def test_a_linear_throttle_and_a_short_run_give_no_finding() -> None:
    for duties in (STEPS, STEPS[:3]):
        run, points = staircase(Truth(), setup_of(), duties=duties)
        assert constant_findings(run, points, fitted_constants(run, points)) == ()
        assert constant_findings(run, points, ()) == ()


# --- errors of the rig --------------------------------------------------------------------------------------

GAIN = 0.005


@pytest.mark.parametrize(
    ("channel", "slopes"),
    [
        # relative change of KV, R, CT, CP for a relative error of the channel, from the model by hand
        ("voltage", {"kv": -1.0, "winding_resistance": 1.0}),
        ("current", {"kv": 0.0, "winding_resistance": -1.0}),
        (
            "speed",
            {"kv": 1.0, "winding_resistance": 0.0, "thrust_coefficient": -2.0, "power_coefficient": -2.0},
        ),
        ("thrust", {"thrust_coefficient": 1.0, "power_coefficient": 0.0}),
        ("torque", {"power_coefficient": 1.0, "kv": 0.0}),
    ],
)
def test_a_gain_shows_as_its_shared_component(channel: str, slopes: dict[str, float]) -> None:
    setup = setup_of({channel: {"gain_uncertainty": f"{100 * GAIN} %"}})
    found = constants(staircase(Truth(loss_per_v_a=0.01), setup))
    for name, slope in slopes.items():
        one = found[name, () if name in MOTOR else at_throttle(0.5)]
        assert share(one, f"{channel} gain") == pytest.approx(slope * GAIN * one.value, abs=1e-7 * one.value)
        assert all(c.shared for c in one.components if c.source == f"{channel} gain")


def test_a_true_gain_error_moves_the_constants_by_its_component() -> None:
    """The current reads 0.5 % high: the resistance moves by just the stated component, KV does not."""
    setup = setup_of({"current": {"gain_uncertainty": "0.5 %"}})
    right = constants(staircase(Truth(), setup))
    wrong = constants(staircase(Truth(), setup, gains={"current_a": 1.0 + GAIN}))
    moved = wrong["winding_resistance", ()].value - right["winding_resistance", ()].value
    assert moved == pytest.approx(share(right["winding_resistance", ()], "current gain"), rel=0.01)
    assert wrong["kv", ()].value == pytest.approx(right["kv", ()].value, rel=1e-9)


def test_gains_and_density_cancel_in_the_course_over_speed() -> None:
    channels = {name: {"gain_uncertainty": "1 %"} for name in ("thrust", "torque", "speed")}
    setup = setup_of(channels, density_u=0.01)
    found = constants(staircase(Truth(ct_exponent=0.05, cp_exponent=-0.03), setup))
    for name, exponent in (("thrust_coefficient", 0.05), ("power_coefficient", -0.03)):
        one = found[f"{name}_exponent", ()]
        assert one.value == pytest.approx(exponent, abs=1e-9)
        assert all(abs(c.contribution) < 1e-9 for c in one.components), one.components
        here = found[name, at_throttle(0.5)]
        assert share(here, "air density") == pytest.approx(-here.value * 0.01 / DENSITY, rel=1e-9)


def test_the_winding_temperature_is_a_shared_doubt_where_the_motor_is_warm() -> None:
    cold = constants(staircase(Truth(), setup_of()))
    warm = constants(staircase(Truth(), setup_of(), temperature_k=AIR_K + 20.0))
    assert share(cold["kv", ()], "winding temperature") == 0.0
    # R at 20 °C is found from a winding 20 to 40 K above the air: 20 K × 0.289 × 0.39 %/K of it, over 1.12
    one = warm["winding_resistance", ()]
    assert abs(share(one, "winding temperature")) == pytest.approx(
        one.value * 20.0 * (0.5 / math.sqrt(3.0)) * 0.00393 / (1.0 + 0.00393 * 29.85), rel=0.01
    )


def test_an_unread_motor_temperature_is_a_larger_doubt() -> None:
    readings = [{k: v for k, v in Truth().steady(d).items() if k != "motor_temperature_k"} for d in STEPS]
    setup = setup_of(without=("motor_temperature",))
    found = constants(steps_of(readings, STEPS, setup))["kv", ()]
    doubt = abs(share(found, "winding temperature"))
    assert doubt > 0.003 * found.value
    assert abs(found.value - 1800.0) < 2.5 * math.hypot(doubt, share(found, "model misfit"))


NOISE = {"speed_rpm": 40.0, "voltage_v": 0.03, "current_a": 0.05, "thrust_n": 0.02, "torque_nm": 0.0005}


def test_noise_and_gains_are_covered() -> None:
    """True values lie within 95 % intervals as often as they should; gains are drawn anew, as for another rig."""
    truth = Truth(loss_per_v_a=0.01)
    sizes = {"speed": 0.0005, "voltage": 0.0015, "current": 0.005, "thrust": 0.005, "torque": 0.008}
    columns = {"speed": "speed_rpm", "voltage": "voltage_v", "current": "current_a", "thrust": "thrust_n",
               "torque": "torque_nm"}  # fmt: skip
    setup = setup_of({name: {"gain_uncertainty": f"{100 * size} %"} for name, size in sizes.items()})
    wanted = {
        ("kv", ()): truth.kv_rpm_v,
        ("winding_resistance", ()): truth.resistance_ohm,
        ("thrust_coefficient", at_throttle(0.6)): truth.ct,
        ("power_coefficient", at_throttle(0.6)): truth.cp,
        ("free_run_current", at_throttle(0.6)): truth.free_run_a,
    }
    inside = dict.fromkeys(wanted, 0)
    seeds = 40
    for seed in range(seeds):
        rng = np.random.default_rng(9000 + seed)
        gains = {columns[name]: 1.0 + size * float(rng.standard_normal()) for name, size in sizes.items()}
        found = constants(staircase(truth, setup, noise=NOISE, seed=seed, gains=gains))
        for key, true in wanted.items():
            u = math.hypot(*(c.contribution for c in found[key].components))
            z = (found[key].value - true) / u
            assert abs(z) < 5.0, f"{key}, seed {seed}: {z:.1f}"
            inside[key] += abs(z) < 1.96
    fewest = int(stats.binom.ppf(1e-4, seeds, 0.95))
    assert all(count >= fewest for count in inside.values()), inside


# --- wiring into the procedures -----------------------------------------------------------------------------


def test_the_staircase_procedure_gives_constants() -> None:
    plan = {"throttle": [f"{t} %" for t in range(20, 101, 10)], "step": "2 s", "average": "1 s"}
    assert make_plan("staircase", plan)
    found = outcome(staircase_frame(SyntheticBench()), "staircase", plan)
    coefficients = [c for c in found.constants if c.response == "thrust_coefficient"]
    assert len(coefficients) == 9
    # thrust is 8 N at 16 000 rpm there, by the square of the speed; the air has 1.2 kg/m³, the diameter is 5.1 in
    ct = 8.0 / (1.2 * (16000.0 / 60.0) ** 2 * DIAMETER_M**4)
    assert all(c.value == pytest.approx(ct, rel=1e-6) for c in coefficients)
