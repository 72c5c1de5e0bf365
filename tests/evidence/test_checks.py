"""Checks fire where they should, pass where they should, and weaken what they concern."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import replace
from statistics import median
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from generator.evidence.check_input import (
    SUSTAINED_ROWS,
    CheckInput,
    graded,
    sustained_ends,
    sustained_highest,
    sustained_lowest,
)
from generator.evidence.checks import ALL_CHECKS, checks, weakened, weakens
from generator.evidence.contrasts import contrasts
from generator.evidence.physics_checks import exponent
from generator.evidence.records import Check
from generator.evidence.summaries import summarise
from generator.intake.reference_texts import Thresholds
from generator.intake.session import Season, Session
from generator.reduction.records import Finding, RunReduction, StepRow
from tests.evidence.invented_bench import (
    AIR,
    BASE,
    KINDS,
    OTHER,
    ROOT,
    THRESHOLDS,
    at_speed,
    make_run,
    make_season,
    make_session,
    response,
    treatment,
)
from tests.evidence.test_sentences import plain_spaces


def found(
    runs: Sequence[RunReduction], session: Session | None = None, season: Season | None = None
) -> dict[str, Check]:
    """All checks by id."""
    made = checks(
        runs, summarise(runs, KINDS), season or make_season(), session or make_session(), THRESHOLDS, AIR
    )
    ids = [check.id for check in made]
    assert len(ids) == len(set(ids))
    return {check.id: check for check in made}


def holds(
    values: Mapping[str, Mapping[float, Mapping[str, float]]], repeats: int = 2, **more: Any
) -> list[RunReduction]:
    """Hold runs that take turns: treatment -> speed -> response -> value."""
    made: list[RunReduction] = []
    for _ in range(repeats):
        for name, speeds in values.items():
            parts = [
                response(r, v, at_speed(s), scatter=0.01) for s, rs in speeds.items() for r, v in rs.items()
            ]
            made.append(make_run(name, len(made) + 1, *parts, **more))
    return made


# --- same thrust --------------------------------------------------------------------------------------------

# One bench (common practice, no source): electrical power W and thrust per watt gf/W, 16 V against 24 V.
BENCH = {
    BASE: {12000.0: {"electrical_power": 40.44, "thrust_per_power": 4.79},
           24000.0: {"electrical_power": 262.36, "thrust_per_power": 2.82}},
    OTHER: {12000.0: {"electrical_power": 45.41, "thrust_per_power": 4.45},
            24000.0: {"electrical_power": 290.56, "thrust_per_power": 2.57}},
}  # fmt: skip


def test_figures_that_imply_another_thrust_at_the_same_speed_are_found() -> None:
    made = found(holds(BENCH))
    alarm = made["same-thrust-12000rpm-five-cell"]
    assert alarm.outcome == "failed"  # 193.7 and 202.1 gf, 4.3 % apart, more than twice the limit
    assert plain_spaces(alarm.sentence) == (
        "At 12 000 rpm 5S capped shows 202.1 gf and 4S 193.7 gf of thrust, as power times thrust per watt gives it, "
        "+4.3 % of 4S, with the same propeller at the same speed: speed, thrust or air were not the same."
    )
    calm = made["same-thrust-five-cell"]  # 24 000 rpm: 739.9 and 746.7 gf, 0.9 % apart
    assert calm.outcome == "passed"
    assert "0.93" in calm.sentence


def test_the_alarm_weakens_only_its_own_condition_and_pair() -> None:
    runs = holds({**BENCH, "six": BENCH[BASE]})
    session = make_session(
        treatments={n: treatment(n) for n in (BASE, OTHER, "six")}, primary=["electrical_power"]
    )
    made = tuple(c for c in found(runs, session).values() if c.id.startswith("same-thrust"))
    told = weakened(contrasts(summarise(runs, KINDS), runs, session, KINDS), made)
    weak = {(c.response, c.at[0][1], c.treatment): c.weakened_by for c in told}
    assert {c.sentence.startswith("Weak, a check failed. ") for c in told if c.weakened_by} == {True}
    assert {c.sentence.startswith("Weak") for c in told if not c.weakened_by} == {False}
    assert weak["electrical_power", 12000.0, OTHER] == ("same-thrust-12000rpm-five-cell",)
    assert weak["thrust_per_power", 12000.0, OTHER] == ("same-thrust-12000rpm-five-cell",)
    assert weak["electrical_power", 24000.0, OTHER] == ()
    assert weak["electrical_power", 12000.0, "six"] == ()


@pytest.mark.parametrize(
    ("gap", "outcome"), [(0.0199, "passed"), (0.0201, "warned"), (0.0399, "warned"), (0.0401, "failed")]
)
def test_the_limit_of_two_percent(gap: float, outcome: str) -> None:
    runs = holds({BASE: {16000.0: {"thrust": 500.0}}, OTHER: {16000.0: {"thrust": 500.0 * (1.0 + gap)}}})
    (check,) = [c for c in found(runs).values() if c.id.startswith("same-thrust")]
    assert check.outcome == outcome
    assert plain_spaces(check.threshold) == "2 %"


def test_another_propeller_may_give_another_thrust() -> None:
    session = make_session(treatments={BASE: treatment("3"), OTHER: treatment("2", propeller="duo")})
    runs = holds({BASE: {16000.0: {"thrust": 500.0}}, OTHER: {16000.0: {"thrust": 400.0}}})
    assert not [name for name in found(runs, session) if name.startswith("same-thrust")]


# --- exponents ----------------------------------------------------------------------------------------------


def law(speeds: Sequence[float], **exponents: float) -> dict[float, dict[str, float]]:
    return {s: {name: 100.0 * (s / 10000.0) ** power for name, power in exponents.items()} for s in speeds}


@pytest.mark.parametrize(
    ("name", "power", "outcome"),
    [
        ("thrust", 2.0, "passed"), ("thrust", 2.149, "passed"), ("thrust", 2.151, "warned"), ("thrust", 1.6, "failed"),
        ("shaft_power", 3.0, "passed"), ("shaft_power", 2.74, "warned"), ("shaft_power", 3.6, "failed"),
        ("electrical_power", 2.26, "passed"), ("electrical_power", 2.24, "warned"), ("electrical_power", 4.6, "failed"),
    ],
)  # fmt: skip
def test_exponents(name: str, power: float, outcome: str) -> None:
    runs = holds({BASE: law([9000.0, 12000.0, 16000.0], **{name: power})})
    check = found(runs)[f"{name.replace('_', '-')}-exponent"]
    assert check.outcome == outcome
    assert check.treatments == (() if outcome == "passed" else (BASE,))


# UIUC Propeller Database, volumes 1 to 3 (Brandt, Deters, Ananda, Dantsker, Selig; University of Illinois at
# Urbana-Champaign), static tests, some rows of each file as facts: rpm, CT, CP.
UIUC = {
    "10x7": ((2283.0, 0.1409, 0.0678), (2586.0, 0.1424, 0.0676), (2834.0, 0.1431, 0.0678), (3029.0, 0.1447, 0.0686)),
    "16x8": ((980.0, 0.077122, 0.029425), (1520.0, 0.085296, 0.028198), (1960.0, 0.088241, 0.027665),
             (2466.667, 0.090404, 0.027311)),
}  # fmt: skip


def test_measured_propellers_follow_the_laws_within_the_tolerance_or_are_told() -> None:
    """The 10 x 7 is within the tolerance; the 16 x 8 below 2500 rpm is not (its CT climbs by 17 %), and is told."""
    outcomes = {}
    for name, rows in UIUC.items():
        speeds = {n: {"thrust": ct * n**2 * 1e-4, "shaft_power": cp * n**3 * 1e-8} for n, ct, cp in rows}
        made = found(holds({BASE: speeds}))
        outcomes[name] = (made["thrust-exponent"].outcome, made["shaft-power-exponent"].outcome)
    assert outcomes == {"10x7": ("passed", "passed"), "16x8": ("warned", "passed")}


def test_speeds_close_together_tell_no_exponent() -> None:
    runs = holds({BASE: law([10000.0, 12400.0], thrust=3.0)})
    assert "thrust-exponent" not in found(runs)
    given = CheckInput(
        runs=tuple(runs), summaries=summarise(runs, KINDS), session=make_session(), season=make_season(),
        thresholds=THRESHOLDS, air=AIR,
    )  # fmt: skip
    assert exponent(given, "thrust", BASE) is None
    assert exponent(given, "thrust", OTHER) is None


# --- energy, figure of merit, speed -------------------------------------------------------------------------


@pytest.mark.parametrize(("shaft", "outcome"), [(80.0, "passed"), (99.9, "passed"), (100.1, "failed")])
def test_no_more_out_than_in(shaft: float, outcome: str) -> None:
    runs = holds({BASE: {16000.0: {"shaft_power": shaft, "electrical_power": 100.0}}})
    assert found(runs)["shaft-below-electrical"].outcome == outcome


@pytest.mark.parametrize("kind", ["shaft_power", "electrical_power"])
@pytest.mark.parametrize(("merit", "outcome"), [(0.6, "passed"), (0.99, "passed"), (1.01, "failed")])
def test_figure_of_merit(kind: str, merit: float, outcome: str) -> None:
    # P_ideal = T^(3/2) / sqrt(2 rho A), by hand for 500 gf, 130 mm, 1.2 kg/m3
    thrust_n = 0.5 * 9.80665
    ideal_w = thrust_n**1.5 / math.sqrt(2.0 * 1.2 * math.pi * 0.065**2)
    assert ideal_w == pytest.approx(60.84, abs=0.01)
    runs = holds({BASE: {16000.0: {"thrust": 500.0, kind: ideal_w / merit}}})
    check = found(runs)["figure-of-merit"]
    assert check.outcome == outcome
    assert ("at least" in check.sentence) == (kind == "electrical_power")


def test_shaft_power_goes_before_electrical_power_in_the_figure_of_merit() -> None:
    runs = holds({BASE: {16000.0: {"thrust": 500.0, "shaft_power": 100.0, "electrical_power": 50.0}}})
    assert found(runs)["figure-of-merit"].outcome == "passed"


@pytest.mark.parametrize(("volts", "outcome"), [(15.0, "passed"), (7.9, "failed")])
def test_no_loaded_motor_passes_kv_times_voltage(volts: float, outcome: str) -> None:
    check = found(holds({BASE: {16000.0: {"voltage": volts}}}))["speed-below-kv"]
    assert check.outcome == outcome  # KV 2000: 16 000 rpm need at least 8 V
    assert check.weakens == (() if outcome == "passed" else ("voltage",))


def test_the_steps_of_a_staircase_are_held_against_kv_too() -> None:
    step = StepRow(direction="up", throttle=1.0, start_s=0.0, stop_s=1.0,
                   means=(("speed_rpm", 33000.0, 5.0), ("voltage_v", 16.0, 0.01)))  # fmt: skip
    run = make_run(BASE, 1, response("top_speed", 33000.0), procedure="staircase", steps=(step,))
    assert found([run])["speed-below-kv"].outcome == "failed"


@pytest.mark.parametrize(
    ("cap", "top", "outcome"),
    [("80 %", 20190.0, "passed"), ("80 %", 20210.0, "warned"), ("80 %", 21100.0, "failed"), ("90 %", 21100.0, None),
     ("100 %", 24000.0, None)],
)  # fmt: skip
def test_top_speed_under_a_cap(cap: str, top: float, outcome: str | None) -> None:
    # cap = baseline voltage / treatment voltage = 16 V / 20 V = 80 %; common practice, no source
    sets = {
        BASE: treatment("4S", cells=4, volts_per_cell="4.0 V"),
        OTHER: treatment("5S", cells=5, volts_per_cell="4.0 V", output_cap=cap),
    }
    runs = [make_run(n, o, response("top_speed", v, scatter=5.0), procedure="staircase") for o, (n, v) in
            enumerate([(BASE, 20000.0), (OTHER, top)] * 2, start=1)]  # fmt: skip
    made = found(runs, make_session(treatments=sets))
    assert (made["top-speed-five-cell"].outcome if "top-speed-five-cell" in made else None) == outcome


# --- how it was measured ------------------------------------------------------------------------------------


@pytest.mark.parametrize(("drift_gf", "outcome"), [(4.9, "passed"), (5.1, "warned"), (26.0, "failed")])
def test_a_drifted_zero_is_held_against_the_smallest_thrust(drift_gf: float, outcome: str) -> None:
    values = {BASE: {9000.0: {"thrust": 250.0}, 16000.0: {"thrust": 800.0, "electrical_power": 250.0}}}
    runs = holds(values, zero_drift=(("thrust_n", drift_gf * 9.80665e-3),))
    check = found(runs)["zero-drift"]
    assert check.outcome == outcome
    assert check.weakens == (() if outcome == "passed" else ("thrust",))


def test_a_doubtful_channel_weakens_what_rests_on_it_in_those_runs() -> None:
    stuck = Finding(
        kind="stuck",
        channel="current_a",
        grade="doubtful",
        sentence="Stuck in current at 3.10 s: 40 samples.",
    )
    harmless = Finding(kind="gap", channel="thrust_n", sentence="A gap of 0.2 s. The means leave it out.")
    values = {16000.0: {"electrical_power": 100.0, "thrust": 500.0}}
    base, other = holds({BASE: values, OTHER: values}, repeats=1)
    runs = [base, make_run(OTHER, 2, *other.responses, findings=(stuck, harmless, stuck))]
    made = found(runs)
    check = made["data-current"]
    assert (check.outcome, check.weakens, check.treatments) == ("warned", ("electrical_power",), (OTHER,))
    assert check.sentence == "In 1 run: Stuck in current at 3.10 s: 40 samples; 1 more finding like it."
    assert "data-thrust" not in made
    assert "data-channels" not in made
    assert found([base])["data-channels"].outcome == "passed"


@pytest.mark.parametrize(
    ("channel", "weak"),
    [
        ("thrust_n", ("thrust", "thrust_per_power")),
        ("voltage_v", ("electrical_power", "thrust_per_power")),
        ("torque_nm", ("torque",)),
        ("motor_temperature_k", ("motor_temperature_rise",)),
        ("vibration_m_s2", ()),
        ("speed_rpm", ("electrical_power", "thrust", "thrust_per_power", "torque", "motor_temperature_rise")),
        ("time_s", ("electrical_power", "thrust", "thrust_per_power", "torque", "motor_temperature_rise")),
    ],
)
def test_what_rests_on_a_channel(channel: str, weak: tuple[str, ...]) -> None:
    names = ("electrical_power", "thrust", "thrust_per_power", "torque", "motor_temperature_rise")
    bad = Finding(kind="clipped", channel=channel, grade="doubtful", sentence="Clipped.")
    run = make_run(BASE, 1, *(response(n, 9.0, at_speed(9000)) for n in names), findings=(bad,))
    (check,) = [c for c in found([run]).values() if c.id.startswith("data-")]
    assert check.weakens == weak
    assert not check.title.endswith((" m s2", " k", " rpm", " v", " n", " nm")), (
        "a title names the channel, not its unit"
    )


def test_a_zero_drift_is_told_once() -> None:
    told = Finding(kind="zero drift", channel="thrust_n", grade="doubtful", sentence="The zero moved.")
    run = make_run(
        BASE, 1, response("thrust", 250.0, at_speed(9000)), findings=(told,), zero_drift=(("thrust_n", 0.2),)
    )
    assert "data-thrust" not in found([run])
    spin_up = make_run(
        BASE, 1, response("rise_time", 90.0), findings=(told,), zero_drift=(("thrust_n", 0.2),)
    )
    assert "data-thrust" in found([spin_up])


def test_refused_runs_are_told_and_weaken_nothing() -> None:
    runs = holds({BASE: {16000.0: {"thrust": 500.0}}}, repeats=2)
    lost = make_run(BASE, 3, refused="16 000 rpm was not held.")
    check = found([*runs, lost])["runs-used"]
    assert (check.outcome, check.runs, check.weakens) == ("warned", (lost.run_id,), ())
    assert check.sentence == "1 run of 3 was not used. logs/03-hold-four-cell.csv: 16 000 rpm was not held."
    chosen = make_run(BASE, 3, refused="Left out by the tester: door open")
    assert "second look" in found([*runs, chosen])["runs-used"].reason
    assert found(runs)["runs-used"].sentence == "All 2 runs were used."


@pytest.mark.parametrize("grade", ["doubtful", "refused"])
def test_missed_setpoints(grade: Any) -> None:
    missed = Finding(
        kind="speed missed", channel="speed_rpm", grade=grade, sentence="16 000 rpm was not held."
    )
    run = make_run(BASE, 1, response("thrust", 250.0, at_speed(9000)), findings=(missed,))
    check = found([run])["setpoints"]
    assert check.outcome == "warned"
    assert check.sentence == "logs/01-hold-four-cell.csv: 16 000 rpm was not held."
    assert check.weakens == (("thrust",) if grade == "doubtful" else ())
    assert found([make_run(BASE, 1, response("thrust", 250.0))])["setpoints"].outcome == "passed"


@pytest.mark.parametrize(("warmer", "outcome"), [(4.9, "passed"), (-5.1, "warned"), (15.1, "failed")])
def test_start_temperatures(warmer: float, outcome: str) -> None:
    runs = [
        make_run(name, order, response("temperature_rise", 40.0, at_speed(16000), scatter=1.0),
                 response("electrical_power", 100.0, at_speed(16000)), procedure="soak",
                 start_motor_temperature_k=293.0 + (warmer if name == OTHER else 0.0))
        for order, name in enumerate([BASE, OTHER] * 2, start=1)
    ]  # fmt: skip
    check = found(runs)["start-temperature"]
    assert check.outcome == outcome
    assert check.weakens == (() if outcome == "passed" else ("temperature_rise",))


@pytest.mark.parametrize(("current", "outcome"), [(35.9, "passed"), (36.1, "warned"), (39.3, "failed")])
def test_a_supply_near_its_limit(current: float, outcome: str) -> None:
    runs = holds({BASE: {16000.0: {"current": current, "electrical_power": 500.0}}})
    assert found(runs)["supply-limit"].outcome == outcome


def test_a_spike_of_current_is_no_supply_limit_and_a_pack_has_none() -> None:
    trace = {"time_s": np.linspace(0, 10, 200), "current_a": np.where(np.arange(200) == 77, 60.0, 12.0)}
    run = make_run(BASE, 1, response("current", 12.0, at_speed(16000)), trace=trace)
    assert found([run])["supply-limit"].outcome == "passed"
    trace["current_a"] = np.where(np.arange(200) > 150, 39.8, 12.0)
    run = make_run(BASE, 1, response("current", 12.0, at_speed(16000)), trace=trace)
    assert found([run])["supply-limit"].outcome == "failed"
    packs = make_session(treatments={n: treatment(n, supply="pack") for n in (BASE, OTHER)})
    assert "supply-limit" not in found([run], packs)


@pytest.mark.parametrize(
    ("rate", "outcome"), [(1000.0, "passed"), (60.0, "passed"), (50.0, "warned"), (20.0, "failed")]
)
def test_sampling_against_rise_time(rate: float, outcome: str) -> None:
    run = make_run(BASE, 1, response("rise_time", 90.0), response("peak_current", 30.0), procedure="spin-up",
                   sampling_hz=rate)  # fmt: skip
    check = found([run])["sampling-interval"]
    assert check.outcome == outcome
    assert check.weakens == (() if outcome == "passed" else ("rise_time",))


# --- the design ---------------------------------------------------------------------------------------------


def test_single_runs_and_unequal_numbers() -> None:
    values = {16000.0: {"thrust": 500.0}}
    runs = holds({BASE: values, OTHER: values}, repeats=2)
    assert found(runs)["repeats"].outcome == "passed"
    assert found(runs)["equal-repeats"].outcome == "passed"
    made = found(runs[:3])
    assert (made["repeats"].outcome, made["repeats"].treatments) == ("warned", (OTHER,))
    assert made["repeats"].sentence == "There is only one run each of: hold (5S capped)."
    assert made["repeats"].weakens == ("thrust",)
    assert made["equal-repeats"].sentence == (
        "The treatments have different numbers of runs. hold: 2 of 4S and 1 of 5S capped."
    )


def test_runs_of_the_check_standard_are_no_treatment() -> None:
    """Two of them at the end of a balanced session: neither numbers nor order are out of balance."""
    named = {BASE: treatment("4S"), OTHER: treatment("5S"), "standard": treatment("check standard")}
    runs = [
        make_run(name, order, response("thrust", 500.0, at_speed(16000)))
        for order, name in enumerate((BASE, OTHER, OTHER, BASE, BASE, OTHER, "standard", "standard"), start=1)
    ]
    told = ("equal-repeats", "repeats", "run-order")
    watched = found(runs, make_session(treatments=named, check_standard="standard"))
    assert [watched[name].outcome for name in told] == ["passed"] * 3
    compared = found(runs, make_session(treatments=named))
    assert compared["equal-repeats"].outcome == "warned", "a third treatment would be out of balance"


@pytest.mark.parametrize(
    ("order", "outcome"),
    [((1, 2, 3, 4), "warned"), ((3, 4, 1, 2), "warned"), ((1, 3, 2, 4), "passed"), ((1, 4, 2, 3), "passed")],
)
def test_treatments_take_turns(order: tuple[int, ...], outcome: str) -> None:
    names = (BASE, BASE, OTHER, OTHER)
    runs = [
        make_run(n, o, response("thrust", 500.0, at_speed(16000))) for n, o in zip(names, order, strict=True)
    ]
    assert found(runs)["run-order"].outcome == outcome


# --- limits -------------------------------------------------------------------------------------------------


def test_every_limit_of_the_checks_is_used_and_no_other_is_asked_for() -> None:
    texts = "".join(
        file.read_text(encoding="utf-8") for file in (ROOT / "generator" / "evidence").glob("*.py")
    )
    stated = {key for key in THRESHOLDS.keys() if key.startswith("checks.")}  # noqa: SIM118
    asked = set(re.findall(r'"(checks\.[a-z_]+)"', texts))
    per_response = {f"checks.{r}_exponent_tolerance" for r in ("thrust", "shaft_power", "electrical_power")}
    assert stated == asked | per_response


@pytest.mark.parametrize(
    ("key", "value", "id_", "outcome"),
    [
        ("checks.electrical_power_exponent_tolerance", 0.1, "electrical-power-exponent", "failed"),
        ("checks.shaft_power_exponent_tolerance", 0.1, "shaft-power-exponent", "warned"),
        ("checks.zero_drift_warns_percent", 0.5, "zero-drift", "warned"),
        ("checks.supply_current_warns_percent", 50.0, "supply-limit", "warned"),
    ],
)
def test_a_season_may_set_other_limits(key: str, value: float, id_: str, outcome: str) -> None:
    values = {
        s: {
            "electrical_power": 1e-9 * s**2.6,
            "shaft_power": 1e-10 * s**2.85,
            "thrust": 2e-6 * s**2,
            "current": 25.0,
        }
        for s in (9000.0, 16000.0)
    }
    runs = holds({BASE: values}, zero_drift=(("thrust_n", 0.01 * 162.0 * 9.80665e-3),))
    assert found(runs)[id_].outcome == "passed"
    own = Thresholds(tuple(replace(e, value=value) if e.key == key else e for e in THRESHOLDS.entries))
    made = checks(runs, summarise(runs, KINDS), make_season(), make_session(), own, AIR)
    assert {c.id: c.outcome for c in made}[id_] == outcome


# --- together -----------------------------------------------------------------------------------------------


def test_nothing_to_look_at_gives_no_checks_and_no_errors() -> None:
    assert found([]) == {}
    only_refused = found([make_run(BASE, 1, refused="No readings.")])
    assert set(only_refused) == {"runs-used", "setpoints"}


def test_checks_come_gravest_first_and_each_says_why() -> None:
    made = list(found(holds(BENCH)).values())
    order = ["failed", "warned", "passed"]
    ranks = [order.index(check.outcome) for check in made]
    assert ranks == sorted(ranks)
    for check in made:
        assert check.reason.endswith("."), check.id
        assert check.source
        assert check.threshold
        assert check.sentence.endswith("."), check.id
    assert len(ALL_CHECKS) == len(set(ALL_CHECKS)) == 25


def test_what_a_check_weakens() -> None:
    check = Check(id="c", title="", outcome="warned", sentence="", threshold="", reason="", source="",
                  treatments=(OTHER,), weakens=("thrust",))  # fmt: skip
    runs = holds({n: {16000.0: {"thrust": v, "current": v}} for n, v in ((BASE, 500.0), (OTHER, 510.0))})
    thrust, current = contrasts(summarise(runs, KINDS), runs, make_session(), KINDS)
    assert weakens(check, thrust)
    assert not weakens(check, current)

    def changed(**changes: Any) -> Check:
        return Check(**{**{name: getattr(check, name) for name in check.__slots__}, **changes})

    assert not weakens(changed(outcome="passed"), thrust)
    assert not weakens(changed(treatments=("six",)), thrust)
    assert weakens(changed(treatments=(BASE,)), thrust)  # the baseline is in every contrast
    assert weakens(changed(treatments=()), thrust)
    assert not weakens(changed(at=at_speed(9000)), thrust)
    assert weakens(changed(at=at_speed(16000)), thrust)


def test_a_comparison_at_equal_thrust_rests_on_the_thrust() -> None:
    at = (("thrust_gf", 250.0),)
    runs = [make_run(n, o, response("electrical_power", v, at, scatter=0.1)) for o, (n, v) in
            enumerate([(BASE, 50.0), (OTHER, 51.0)], start=1)]  # fmt: skip
    (contrast,) = contrasts(summarise(runs, KINDS), runs, make_session(), KINDS)
    check = Check(id="c", title="", outcome="warned", sentence="", threshold="", reason="", source="",
                  weakens=("thrust",))  # fmt: skip
    assert weakens(check, contrast)


@given(
    st.lists(st.floats(-1e6, 1e6) | st.integers(0, 3).map(float) | st.just(math.nan), min_size=1, max_size=40)
)
def test_sustained_ends_are_those_of_running_medians(values: list[float]) -> None:
    finite = [value for value in values if math.isfinite(value)]
    windows = [finite[i : i + SUSTAINED_ROWS] for i in range(max(len(finite) - SUSTAINED_ROWS + 1, 1))]
    medians = [median(window) for window in windows if window]
    expected = (min(medians), max(medians)) if medians else None
    trace = pd.DataFrame({"speed_rpm": values})
    assert sustained_ends(trace, "speed_rpm") == (None if expected is None else pytest.approx(expected))
    assert sustained_lowest(trace, "speed_rpm") == (None if expected is None else pytest.approx(expected[0]))
    assert sustained_highest(trace, "speed_rpm") == (None if expected is None else pytest.approx(expected[1]))


def test_grades_and_sustained_readings() -> None:
    assert [graded(x, 1.0, 2.0) for x in (1.0, 1.1, 2.0, 2.1, math.nan)] == [
        "passed", "warned", "warned", "failed", "failed",
    ]  # fmt: skip
    run = make_run(BASE, 1, trace={"motor_temperature_k": [300.0, math.nan, 301.0]})
    assert sustained_highest(run.trace, "motor_temperature_k") == pytest.approx(300.5)
    assert sustained_highest(run.trace, "speed_rpm") is None
    assert sustained_highest(make_run(BASE, 1, trace={"speed_rpm": [math.nan]}).trace, "speed_rpm") is None
