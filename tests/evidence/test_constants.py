"""Fitted constants against the part files: intervals, outcomes, checks; and what is true in a rehearsed session."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping, Sequence
from typing import Any

import pytest
from scipy import stats

from generator.evidence.check_input import CheckInput
from generator.evidence.checks import weakens
from generator.evidence.constant_checks import constants_agree
from generator.evidence.constants import LIMITS, effective_constants
from generator.evidence.physics_records import EffectiveConstant
from generator.intake.session import Season, Session
from generator.planning.bench_model import RPM, BenchModel, free_run_current_a
from generator.planning.set_up import Assumptions, RunDraws, bench_model
from generator.reduction.losses import NOMINAL_UNCERTAINTY
from generator.reduction.records import At, RunReduction, RunResponse
from tests.evidence.invented_bench import (
    AIR,
    BASE,
    OTHER,
    THRESHOLDS,
    at_speed,
    make_run,
    make_season,
    make_session,
    response,
    treatment,
)
from tests.factories import make_contrast
from tests.rehearsed import demo_session, rehearse_in_memory

COEFFICIENTS = {
    "coefficients": [
        {"speed": "8000 rpm", "thrust": 0.100, "power": 0.050},
        {"speed": "16000 rpm", "thrust": 0.120, "power": 0.046},
    ],
    "coefficients_uncertainty": "2 %",
}
MOTOR = {
    "terminal_resistance": "100 mohm", "free_run_current": "0.7 A", "free_run_voltage": "10 V",
}  # fmt: skip


def run_with(order: int, *found: RunResponse, treatment: str = BASE, **more: Any) -> RunReduction:
    return make_run(treatment, order, constants=found, **more)


def several(
    name: str, values: Sequence[float], at: At = (), *, treatment: str = BASE, **more: Any
) -> tuple[RunReduction, ...]:
    return tuple(
        run_with(order, response(name, value, at, **more), treatment=treatment)
        for order, value in enumerate(values, start=1)
    )


def one(
    runs: Sequence[RunReduction], season: Season | None = None, session: Session | None = None
) -> EffectiveConstant:
    (found,) = effective_constants(runs, session or make_session(), season or make_season())
    return found


def input_of(
    runs: Sequence[RunReduction], season: Season | None = None, session: Session | None = None
) -> CheckInput:
    return CheckInput(
        runs=tuple(runs), summaries=(), session=session or make_session(), season=season or make_season(),
        thresholds=THRESHOLDS, air=AIR,
    )  # fmt: skip


# --- value and interval -------------------------------------------------------------------------------------


def test_mean_and_interval_are_those_of_runs() -> None:
    """Three runs scatter by 2 about 2010, so 2/√3 at 2 degrees of freedom, beside a shared 10 at infinite ones."""
    found = one(several("kv", (2008.0, 2010.0, 2012.0), shared={"voltage gain": -10.0}))
    scatter = 2.0 / math.sqrt(3.0)
    u = math.hypot(scatter, 10.0)
    dof = u**4 / (scatter**4 / 2.0)  # Welch-Satterthwaite, JCGM 100:2008, G.4.1
    assert found.fitted.value == pytest.approx(2010.0)
    assert found.fitted.standard_uncertainty == pytest.approx(u)
    half = stats.t.ppf(0.975, dof) * u
    assert found.fitted.interval == pytest.approx((2010.0 - half, 2010.0 + half))
    assert found.runs == 3
    assert (found.key, found.part, found.unit) == ("kv-four-cell", "heron", "rpm/V")


def test_departure_holds_the_doubt_about_the_stated_value() -> None:
    found = one(several("kv", (2100.0, 2100.0, 2100.0), shared={"voltage gain": 21.0}))
    assert found.nominal == 2000.0
    assert found.departure is not None
    u = math.hypot(21.0 / 2000.0, 1.05 * NOMINAL_UNCERTAINTY["kv"])
    assert found.departure.value == pytest.approx(0.05)
    assert found.departure.standard_uncertainty == pytest.approx(u)
    k = stats.norm.ppf(0.975)
    assert found.departure.interval == pytest.approx((0.05 - k * u, 0.05 + k * u))


def test_few_runs_widen_the_departure_by_t() -> None:
    found = one(
        several("thrust_coefficient", (0.10, 0.14), at_speed(8000)), make_season(propeller=COEFFICIENTS)
    )
    assert found.departure is not None
    u_fit, u_stated = 0.02 / 0.100, 1.2 * 0.02
    u = math.hypot(u_fit, u_stated)
    half = stats.t.ppf(0.975, u**4 / (u_fit**4 / 1.0)) * u
    assert found.departure.interval == pytest.approx((0.2 - half, 0.2 + half))


@pytest.mark.parametrize(
    ("value", "outcome", "says"),
    [
        (2020.0, "agrees", "no departure found; one below 5.9\u00a0% would not show"),
        (2300.0, "departs", "that is more than the 5\u00a0% from which it counts as a departure"),
        (1700.0, "departs", "from which it counts as a departure"),
        (2110.0, "agrees", "too uncertain to be called a departure"),
    ],
)
def test_a_departure_is_clear_of_zero_and_large(value: float, outcome: str, says: str) -> None:
    found = one(several("kv", (value, value + 1.0, value - 1.0)))
    assert found.outcome == outcome
    assert says in found.sentence


def test_a_small_departure_however_clear_is_none() -> None:
    """4 ± 0.6 % in CT, with a stated uncertainty of 0.3 %: clear, but below the 5 % that count."""
    season = make_season(propeller={**COEFFICIENTS, "coefficients_uncertainty": "0.3 %"})
    found = one(several("thrust_coefficient", (0.104, 0.1041, 0.1039), at_speed(8000)), season)
    assert found.departure is not None
    assert found.departure.interval[0] > 0.0
    assert found.outcome == "agrees"
    assert "less than the 5\u00a0% from which a departure counts" in found.sentence


# --- nominal values -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("speed", "nominal"), [(8000, 0.100), (12000, 0.110), (17000, 0.120), (19000, None), (7000, None)]
)
def test_stated_coefficients_are_interpolated_over_speed(speed: float, nominal: float | None) -> None:
    found = one(
        several("thrust_coefficient", (0.11, 0.11), at_speed(speed)), make_season(propeller=COEFFICIENTS)
    )
    assert found.nominal == (None if nominal is None else pytest.approx(nominal))
    assert (found.outcome == "no nominal value") == (nominal is None)
    assert found.part == "tri"


def test_a_step_carries_the_speed_it_ran_at() -> None:
    at: At = (("throttle_percent", 40.0),)
    runs = [
        run_with(order, response("thrust_coefficient", 0.11, at), response("speed", speed, at))
        for order, speed in enumerate((11990.0, 12010.0), start=1)
    ]
    found = one(runs, make_season(propeller=COEFFICIENTS))
    assert found.at == (("throttle_percent", 40.0), ("speed_rpm", 12000.0))
    assert found.key == "thrust_coefficient-40percent-four-cell"
    assert found.nominal == pytest.approx(0.110)
    assert "at 12\u202f000\u00a0rpm (40\u00a0% throttle)" in found.sentence


def test_resistance_is_held_against_winding_and_controller() -> None:
    alone = one(several("winding_resistance", (0.12, 0.12)), make_season(motor=MOTOR))
    assert alone.nominal == pytest.approx(0.100)
    assert "0.1\u00a0Ω of the winding alone" in alone.sentence
    season = make_season(motor=MOTOR, controller={"resistance": "8 mohm"})
    both = one(several("winding_resistance", (0.12, 0.12)), season)
    assert both.nominal == pytest.approx(0.108)
    assert both.departure is not None
    u = math.hypot(0.1 * 0.10, 0.008 * 0.20) / 0.108
    assert both.departure.standard_uncertainty == pytest.approx(0.12 / 0.108 * u, rel=1e-6)
    assert one(several("winding_resistance", (0.12, 0.12))).outcome == "no nominal value"


def test_free_run_current_is_compared_near_its_own_speed_only() -> None:
    """Stated at 10 V: 2000 rpm/V × (10 V - 0.7 A × 0.1 Ω) = 19 860 rpm, give or take a quarter."""
    season = make_season(motor=MOTOR)
    for speed, known in ((14000, False), (16000, True), (24000, True), (26000, False)):
        found = one(several("free_run_current", (0.8, 0.8), at_speed(speed)), season)
        assert (found.nominal == 0.7) is known, speed


# --- course over speed --------------------------------------------------------------------------------------


def course(exponents: Sequence[float], season: Season | None = None) -> str:
    """The sentence about CT between 8000 and 16 000 rpm."""
    runs = [
        run_with(
            order,
            *(response("thrust_coefficient", 0.11, at_speed(speed)) for speed in (8000, 12000, 16000)),
            response("thrust_coefficient_exponent", exponent),
        )
        for order, exponent in enumerate(exponents, start=1)
    ]
    found = effective_constants(runs, make_session(), season or make_season())
    (exponent,) = [c for c in found if c.name == "thrust_coefficient_exponent"]
    assert exponent.outcome == "no nominal value"
    return exponent.sentence


def test_a_coefficient_that_changes_with_speed_is_told() -> None:
    """Exponent 0.1 over a doubling of speed: 2^0.1 - 1 = 7.2 %; the stated one goes from 0.100 to 0.120."""
    sentence = course((0.099, 0.1, 0.101), make_season(propeller=COEFFICIENTS))
    assert sentence.startswith("CT with 4S rises by 7.2\u00a0% from 8\u202f000 to 16\u202f000\u00a0rpm")
    assert sentence.endswith("the stated one changes by +20.0\u00a0%.")
    assert "CT with 4S falls by" in course((-0.099, -0.1, -0.101))


def test_a_course_within_its_noise_is_no_change() -> None:
    assert "CT with 4S does not change with speed beyond its noise" in course((-0.1, 0.12))


# --- which runs ---------------------------------------------------------------------------------------------


def test_refused_runs_give_nothing_and_one_run_is_indicative() -> None:
    kept, refused = several("kv", (2000.0, 3000.0))
    found = one((kept, dataclasses.replace(refused, refused="invented reason")))
    assert found.fitted.value == 2000.0
    assert found.runs == 1
    assert found.sentence.startswith("Indicative, one run: speed constant KV with 4S: ")
    assert effective_constants((), make_session(), make_season()) == ()
    assert effective_constants((make_run(BASE, 1),), make_session(), make_season()) == ()


def test_treatments_follow_the_session_and_speeds_rise() -> None:
    runs = (
        *several("thrust_coefficient", (0.11, 0.11), at_speed(16000), treatment=OTHER),
        *several("thrust_coefficient", (0.11, 0.11), at_speed(9000), treatment=OTHER),
        *several("kv", (2000.0, 2000.0)),
    )
    found = effective_constants(runs, make_session(), make_season())
    assert [c.key for c in found] == [
        "kv-four-cell", "thrust_coefficient-9000rpm-five-cell", "thrust_coefficient-16000rpm-five-cell",
    ]  # fmt: skip


# --- checks -------------------------------------------------------------------------------------------------


def test_constants_as_stated_pass() -> None:
    asked = input_of(several("kv", (2010.0, 2012.0)))
    (check,) = constants_agree(asked)
    before = effective_constants(asked.runs, asked.session, asked.season)
    assert constants_agree(dataclasses.replace(asked, constants=before)) == (check,)
    assert constants_agree(dataclasses.replace(asked, constants=())) == ()
    assert (check.id, check.outcome) == ("kv-as-stated-four-cell", "passed")
    assert check.source == "own choice, no source"


def test_a_departing_kv_warns_and_weakens_its_treatment_only() -> None:
    runs = (*several("kv", (2400.0, 2402.0), treatment=OTHER), *several("kv", (2000.0, 2001.0)))
    passed, warned = constants_agree(input_of(runs))
    assert (passed.treatments, passed.outcome) == ((BASE,), "passed")
    assert (warned.treatments, warned.outcome) == ((OTHER,), "warned")
    assert weakens(warned, make_contrast(response="electrical_power", treatment=OTHER))
    assert not weakens(warned, make_contrast(response="electrical_power", treatment="six-cell"))
    assert not weakens(warned, make_contrast(response="temperature_rise", treatment=OTHER))
    assert "more than the 5\u00a0% from which it counts as a departure" in warned.sentence
    assert "it is another motor or winding" in warned.reason
    assert warned.threshold.startswith("5\u00a0% of the stated value")


def speed_by_pulses(electrical: bool, **treatments: Mapping[str, Any]) -> Session:
    session = make_session(
        treatments={BASE: treatment("4S", **treatments.get("base", {})), OTHER: treatment("5S")}
    )
    speed = {"column": "n", "unit": "rpm", "electrical": electrical}
    channels = session.rig.channels.model_validate({"time": {"column": "t", "unit": "s"}, "speed": speed})
    return session.model_copy(update={"rig": session.rig.model_copy(update={"channels": channels})})


def test_wrong_pole_pairs_are_named_where_the_speed_is_electrical() -> None:
    """Seven pairs are stated; a motor of six turns 7/6 as fast as shown, so its KV comes out at 6/7."""
    runs = several("kv", (2000.0 * 6 / 7, 2001.0 * 6 / 7))
    (check,) = constants_agree(input_of(runs, session=speed_by_pulses(True)))
    assert check.outcome == "warned"
    assert check.sentence.endswith("It is what 6 pole pairs would make where 7 are stated.")
    (check,) = constants_agree(input_of(runs, session=speed_by_pulses(False)))
    assert "pole pairs would make" not in check.sentence


def test_a_cap_that_scales_is_named() -> None:
    session = speed_by_pulses(False, base={"output_cap": "80 %"})
    (check,) = constants_agree(input_of(several("kv", (1600.0, 1602.0)), session=session))
    assert "It is what a cap of 80\u00a0% would make that scales the throttle" in check.sentence


def test_the_largest_departing_coefficient_is_told() -> None:
    season = make_season(propeller=COEFFICIENTS)
    runs = [
        run_with(
            order,
            response("thrust_coefficient", 0.101 + shift, at_speed(8000)),
            response("thrust_coefficient", 0.150 + shift, at_speed(16000)),
            response("thrust_coefficient", 0.130 + shift, at_speed(12000)),
        )
        for order, shift in enumerate((0.0, 1e-4, -1e-4), start=1)
    ]
    (check,) = constants_agree(input_of(runs, season))
    assert check.outcome == "warned"
    assert "at 16\u202f000\u00a0rpm" in check.sentence
    assert check.sentence.endswith("2 of 3 conditions depart, this one most.")
    assert check.weakens == ("thrust", "thrust_per_power", "top_thrust", "electrical_power")


def test_nothing_stated_gives_no_check() -> None:
    assert constants_agree(input_of(several("thrust_coefficient", (0.11, 0.11), at_speed(8000)))) == ()
    assert constants_agree(input_of(several("winding_resistance", (0.5, 0.5)))) == ()


@pytest.mark.parametrize(("value", "outcome"), [(34.0, "agrees"), (45.0, "agrees"), (75.0, "departs")])
def test_a_packs_resistance_is_held_against_its_file(value: float, outcome: str) -> None:
    """Stated 34 mΩ; a departure counts beyond 40 %, and clear of the doubt about the stated value."""
    season = make_season(pack={"internal_resistance": "34 mohm"})
    session = make_session(treatments={name: treatment(name, supply="pack") for name in (BASE, OTHER)})
    runs = [run_with(order, response("internal_resistance", value)) for order in (1, 2, 3)]
    (found,) = effective_constants(runs, session, season)
    assert (found.part, found.nominal, found.outcome) == ("pack", 34.0, outcome)
    # a supply's file states no resistance that this could be held against
    (other,) = effective_constants(runs, make_session(), season)
    assert other.outcome == "no nominal value"


def test_every_limit_has_a_reason() -> None:
    assert set(LIMITS) == {
        "kv", "winding_resistance", "free_run_current", "thrust_coefficient", "power_coefficient",
        "internal_resistance", "pack_charge",
    }  # fmt: skip
    assert all(limit.share > 0.0 and limit.reason.endswith(".") for limit in LIMITS.values())


# --- rehearsed sessions: the truth is that of the bench model, before sensors and scatter ----------------------


def model_of(session_id: str, treatment: str) -> BenchModel:
    season, session, rehearsal = demo_session(session_id)
    return bench_model(season, session, treatment, rehearsal, RunDraws(), Assumptions())


@pytest.fixture(scope="module", params=[101, 102])
def rehearsed(request: pytest.FixtureRequest) -> tuple[EffectiveConstant, ...]:
    return rehearse_in_memory("matched-motors", request.param, ("staircase",)).analysis.constants


def true_value(constant: EffectiveConstant) -> float | None:
    model = model_of("matched-motors", constant.treatment)
    speed = dict(constant.at).get("speed_rpm", math.nan)
    ratio = speed / 60.0 / model.propeller.reference_rev_s
    match constant.name:
        case "kv":
            return model.motor.kv_rad_s_v / RPM
        case "winding_resistance":  # at 20 °C, with the path through the controller
            return model.motor.resistance_ohm + model.controller.resistance_ohm
        case "free_run_current":
            return free_run_current_a(model.motor, speed * RPM)
        case "thrust_coefficient":
            return model.propeller.thrust_coefficient * ratio**model.propeller.thrust_exponent
        case "power_coefficient":
            return model.propeller.power_coefficient * ratio**model.propeller.power_exponent
        case "thrust_coefficient_exponent":
            return model.propeller.thrust_exponent
        case "power_coefficient_exponent":
            return model.propeller.power_exponent
    return None


def test_intervals_hold_what_is_true_on_the_bench(rehearsed: tuple[EffectiveConstant, ...]) -> None:
    """One draw of the rig's errors makes the coefficients at all speeds right or wrong together, so z counts."""
    assert {c.name for c in rehearsed} == {
        "kv", "winding_resistance", "free_run_current", "thrust_coefficient", "power_coefficient",
        "thrust_coefficient_exponent", "power_coefficient_exponent",
    }  # fmt: skip
    for constant in rehearsed:
        true = true_value(constant)
        assert true is not None
        z = (constant.fitted.value - true) / constant.fitted.standard_uncertainty
        assert abs(z) < 3.3, f"{constant.key}: {constant.fitted.value:.5g} found, {true:.5g} true, z {z:.1f}"


def test_kv_and_coefficients_are_close_to_the_truth(rehearsed: tuple[EffectiveConstant, ...]) -> None:
    """Not only covered by wide intervals: KV within 1 %, resistance within 8 %, coefficients within 3 %."""
    close = {"kv": 0.01, "winding_resistance": 0.08, "thrust_coefficient": 0.03, "power_coefficient": 0.03}
    for constant in rehearsed:
        if constant.name in close:
            assert constant.fitted.value == pytest.approx(true_value(constant), rel=close[constant.name])


def test_nothing_departs_where_the_parts_are_as_stated(rehearsed: tuple[EffectiveConstant, ...]) -> None:
    assert [c.key for c in rehearsed if c.outcome == "departs"] == []
    assert all(c.outcome == "agrees" for c in rehearsed if c.name == "kv")


def test_a_swapped_motor_is_found() -> None:
    """The part file states another winding than the one that ran: KV departs, and the check warns."""
    season, session, _ = demo_session("matched-motors")
    analysis = rehearse_in_memory("matched-motors", 101, ("staircase",)).analysis
    motor = season.motor(session.file.treatments["four-cell"])
    other = motor.model_copy(update={"kv_rpm_per_v": 1560.0})
    swapped = season.model_copy(update={"parts": {**season.parts, motor.id: other}})
    found = effective_constants(analysis.runs, session, swapped)
    outcomes = {c.treatment: c.outcome for c in found if c.name == "kv"}
    assert outcomes == {"four-cell": "departs", "five-cell": "agrees"}
    checks = {check.id: check.outcome for check in constants_agree(input_of(analysis.runs, swapped, session))}
    assert checks["kv-as-stated-four-cell"] == "warned"
    assert checks["kv-as-stated-five-cell"] == "passed"
