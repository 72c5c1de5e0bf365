"""Advice at the bench: each kind just below its limit and just above it. All runs are invented."""

from __future__ import annotations

import datetime
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from generator.evidence.bench_advice import Advice, bench_advice
from generator.evidence.bench_advice_records import alike
from generator.evidence.bench_advice_remedies import OTHERWISE, remedy_of_check
from generator.intake.rig import Rig
from generator.intake.session import Season, Session
from generator.reduction.records import Finding, RunReduction, RunResponse, StepRow, Window
from tests.evidence.invented_bench import (
    AIR,
    BASE,
    KINDS,
    OTHER,
    THRESHOLDS,
    at_speed,
    make_run,
    make_season,
    make_session,
    response,
    treatment,
)
from tests.evidence.test_sentences import plain_spaces

POWER = response("electrical_power", 100.0, at_speed(16000))
REST = Window(kind="rest", label="rest before", start_s=0.0, stop_s=2.0)
AVERAGED = Window(kind="averaged", label="16000 rpm", start_s=4.0, stop_s=14.0)
FOUR_CELLS = {
    BASE: treatment("4S", cells=4, volts_per_cell="4.0 V"),
    OTHER: treatment("5S capped", cells=5, volts_per_cell="4.0 V", output_cap="80 %"),
}
TIME = np.arange(200) / 10.0


def advised(
    runs: Sequence[RunReduction], session: Session | None = None, season: Season | None = None, **more: Any
) -> tuple[Advice, ...]:
    return bench_advice(
        runs, session or make_session(), season or make_season(), KINDS, THRESHOLDS, AIR, **more
    )


def told(found: Sequence[Advice], kind: str) -> list[tuple[str, str]]:
    """(run, severity) of one kind of advice."""
    return [(one.run_id, one.severity) for one in found if one.kind == kind]


def hold(name: str, order: int, *more: RunResponse, **fields: Any) -> RunReduction:
    return make_run(
        name, order, POWER, *more, **{"windows": (REST, AVERAGED), "sampling_hz": 100.0, **fields}
    )


def with_finding(**fields: Any) -> RunReduction:
    finding = Finding(**{"channel": "thrust_n", "sentence": "Invented.", **fields})
    return hold(BASE, 1, response("thrust", 300.0, at_speed(16000)), findings=(finding,))


FIRST = f"01-hold-{BASE}"


# --- findings of the reduction ------------------------------------------------------------------------------


def test_a_clean_run_is_told_nothing() -> None:
    assert advised([hold(BASE, 1), hold(OTHER, 2)]) == ()


@pytest.mark.parametrize(
    ("kind", "grade", "severity"),
    [
        ("speed missed", "refused", "repeat"),
        ("speed missed", "doubtful", "repeat"),
        ("stuck", "doubtful", "repeat"),
        ("clipped", "doubtful", "repeat"),
        ("dropout", "doubtful", "repeat"),
        ("no rest", "doubtful", "repeat"),
        ("outside curve", "refused", "doubtful"),  # the plan asks what the set-up cannot give
        ("hysteresis", "doubtful", "doubtful"),
        ("spike", "noted", "noted"),
    ],
)
def test_what_a_finding_asks_for(kind: str, grade: Any, severity: str) -> None:
    (one,) = advised([with_finding(kind=kind, grade=grade)])
    assert (one.run_id, one.kind, one.severity) == (FIRST, kind, severity)
    assert one.sentence == "Invented."
    assert one.remedy


def test_what_is_handled_and_of_no_interest_is_not_told() -> None:
    assert advised([with_finding(kind="one rest")]) == ()


@pytest.mark.parametrize(("lasts", "severity"), [(1.99, "noted"), (2.01, "repeat")])
@pytest.mark.parametrize("kind", ["gap", "dropout"])
def test_a_fifth_of_an_averaged_stretch_that_is_missing(kind: str, lasts: float, severity: str) -> None:
    channel = "" if kind == "gap" else "thrust_n"
    run = with_finding(
        kind=kind, channel=channel, start_s=5.0, stop_s=5.0 + lasts, count=round(100.0 * lasts)
    )
    assert told(advised([run]), kind) == [(FIRST, severity)]


def test_what_is_missing_where_nothing_is_averaged_or_rests_on_it_is_only_noted() -> None:
    outside = with_finding(kind="gap", channel="", start_s=14.5, stop_s=19.0)
    assert told(advised([outside]), "gap") == [(FIRST, "noted")]
    unused = with_finding(kind="dropout", channel="torque_nm", start_s=5.0, stop_s=13.0, count=800)
    assert told(advised([unused]), "dropout") == [(FIRST, "noted")]
    # a few samples here and there over a long stretch are not the whole stretch
    thin = with_finding(kind="dropout", start_s=4.0, stop_s=14.0, count=150)
    assert told(advised([thin]), "dropout") == [(FIRST, "noted")]


def test_a_refused_run_is_told_once_and_one_left_out_is_left_alone() -> None:
    missed = Finding(
        kind="speed missed", channel="speed_rpm", grade="refused", sentence="Not held. Not used."
    )
    refused = make_run(BASE, 1, refused="Not held. Not used.", findings=(missed,))
    (one,) = advised([refused])
    assert (one.severity, one.kind, one.sentence) == ("repeat", "speed missed", "Not held. Not used.")
    left = make_run(BASE, 1, refused="Left out by the tester: The guard was open.", findings=(missed,))
    (one,) = advised([left])
    assert (one.severity, one.kind) == ("noted", "left out")


# --- checks asked of one run --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("drift_gf", "severity"), [(1.99, None), (2.01, "doubtful"), (9.99, "doubtful"), (10.01, "repeat")]
)
def test_a_zero_that_moved(drift_gf: float, severity: str | None) -> None:
    run = hold(
        BASE, 1, response("thrust", 100.0, at_speed(16000)), zero_drift=(("thrust_n", drift_gf * 9.80665e-3),)
    )
    assert told(advised([run]), "zero-drift") == ([] if severity is None else [(FIRST, severity)])


@pytest.mark.parametrize(
    ("current", "severity"), [(35.9, None), (36.1, "doubtful"), (39.1, "doubtful"), (39.3, "repeat")]
)
def test_a_supply_near_its_limit(current: float, severity: str | None) -> None:
    run = hold(BASE, 1, response("current", current, at_speed(16000)))
    assert told(advised([run]), "supply-limit") == ([] if severity is None else [(FIRST, severity)])


@pytest.mark.parametrize(
    ("rate_hz", "severity"), [(101.0, None), (99.0, "doubtful"), (41.0, "doubtful"), (39.0, "repeat")]
)
def test_sampling_too_slow_for_the_transition(rate_hz: float, severity: str | None) -> None:
    run = make_run(
        BASE, 1, response("rise_time", 50.0, at_speed(16000)), procedure="spin-up", sampling_hz=rate_hz
    )
    expected = [] if severity is None else [(f"01-spin-up-{BASE}", severity)]
    assert told(advised([run]), "sampling-interval") == expected


@pytest.mark.parametrize(("shaft", "severity"), [(99.0, None), (101.0, "repeat")])
def test_more_out_than_in(shaft: float, severity: str | None) -> None:
    found = advised([hold(BASE, 1, response("shaft_power", shaft, at_speed(16000)))])
    assert told(found, "shaft-below-electrical") == ([] if severity is None else [(FIRST, severity)])


def test_a_channel_near_its_end_is_doubtful_and_one_cut_off_is_told_once() -> None:
    rig = Rig.model_validate({
        "id": "stand", "label": "Stand",
        "channels": {"time": {"column": "t", "unit": "s"}, "current": {"column": "i", "range": [0, 20.0]}},
    })  # fmt: skip
    session = make_session().model_copy(update={"rig": rig})

    def at(amperes: float, *findings: Finding) -> RunReduction:
        return hold(BASE, 1, trace={"current_a": np.full(200, amperes)}, findings=findings)

    assert advised([at(18.9)], session) == ()
    assert told(advised([at(19.1)], session), "range-current") == [(FIRST, "doubtful")]
    cut = Finding(kind="clipped", channel="current_a", grade="doubtful", sentence="Cut off.")
    found = advised([at(20.0, cut)], session)
    assert [(one.kind, one.severity) for one in found] == [("clipped", "repeat")]


# --- supply and pack ----------------------------------------------------------------------------------------


def on_volts(rest: float, name: str = BASE, order: int = 1, loaded: float | None = None) -> RunReduction:
    volts = np.where(TIME <= 2.0, rest, rest if loaded is None else loaded)
    return hold(name, order, trace={"time_s": TIME, "voltage_v": volts})


@pytest.mark.parametrize(
    ("volts", "severity"),
    [(16.31, None), (16.33, "doubtful"), (16.79, "doubtful"), (16.81, "repeat"), (20.0, "repeat")],
)
def test_a_supply_set_too_high(volts: float, severity: str | None) -> None:
    found = advised([on_volts(volts)], make_session(treatments=FOUR_CELLS))
    assert told(found, "set voltage") == ([] if severity is None else [(FIRST, severity)])


def test_a_supply_that_sags_under_load_is_not_set_wrongly() -> None:
    found = advised([on_volts(16.0, loaded=15.0)], make_session(treatments=FOUR_CELLS))
    assert told(found, "set voltage") == []
    assert told(found, "supply-voltage") == [(FIRST, "repeat")]


PACKS = {name: treatment(name, supply="pack") for name in (BASE, OTHER)}


@pytest.mark.parametrize(("volts", "hit"), [(12.04, False), (11.96, True)])
def test_a_pack_that_sags_below_its_end(volts: float, hit: bool) -> None:
    found = advised([on_volts(16.4, loaded=volts)], make_session(treatments=PACKS))
    assert bool(told(found, "pack sag")) is hit


def test_a_drain_goes_to_its_own_cut_off() -> None:
    run = make_run(
        BASE, 1, procedure="drain", windows=(REST,),
        trace={"time_s": TIME, "voltage_v": np.where(TIME <= 2.0, 16.4, 11.0)},
    )  # fmt: skip
    assert told(advised([run], make_session(treatments=PACKS)), "pack sag") == []


@pytest.mark.parametrize(("volts", "hit"), [(16.08, False), (16.06, True)])
def test_a_pack_that_was_not_charged_again(volts: float, hit: bool) -> None:
    runs = [on_volts(16.4), on_volts(16.4, OTHER, 2), on_volts(volts, BASE, 3)]
    found = advised(runs, make_session(treatments=PACKS))
    assert told(found, "pack charge") == ([(f"03-hold-{BASE}", "repeat")] if hit else [])


# --- output cap ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("throttle", "hit"), [(45.2, False), (44.8, True)])
def test_a_cap_that_is_not_in_force_takes_less_throttle(throttle: float, hit: bool) -> None:
    """The other runs need 50 %; without the cap of 80 % it would be 40 %, and 45 % is half-way."""
    values = (50.0, 50.0, throttle)
    runs = [
        hold(OTHER, order, response("throttle", value, at_speed(9000)))
        for order, value in enumerate(values, start=1)
    ]
    found = advised(runs, make_session(treatments=FOUR_CELLS))
    assert told(found, "cap lost") == ([(f"03-hold-{OTHER}", "repeat")] if hit else [])


@pytest.mark.parametrize(("speed", "hit"), [(33500.0, False), (33700.0, True)])
def test_faster_than_the_capped_voltage_allows(speed: float, hit: bool) -> None:
    """KV 2000 rpm/V on 20 V with a cap of 80 % and 5 % for the KV: 33 600 rpm."""
    run = hold(
        OTHER, 1, trace={"time_s": TIME, "speed_rpm": np.full(200, speed), "voltage_v": np.full(200, 20.0)}
    )
    found = advised([run], make_session(treatments=FOUR_CELLS))
    assert bool(told(found, "cap lost")) is hit


def sweep(name: str, order: int, top_rpm: float, throttle: float = 1.0) -> RunReduction:
    step = StepRow(direction="up", throttle=throttle, start_s=1.0, stop_s=2.0, means=())
    return make_run(name, order, response("top_speed", top_rpm), procedure="staircase", steps=(step,))


@pytest.mark.parametrize(
    ("top", "severity"), [(20190.0, None), (20210.0, "doubtful"), (20990.0, "doubtful"), (21010.0, "repeat")]
)
def test_a_top_speed_that_the_cap_should_make_equal(top: float, severity: str | None) -> None:
    found = advised([sweep(BASE, 1, 20000.0), sweep(OTHER, 2, top)], make_session(treatments=FOUR_CELLS))
    expected = [] if severity is None else [(f"02-staircase-{OTHER}", severity)]
    assert told(found, f"top-speed-{OTHER}") == expected


def test_part_of_the_throttle_shows_no_cap() -> None:
    """At 80 % of the stick a cap that clips at 80 % does nothing yet."""
    runs = [sweep(BASE, 1, 16000.0, 0.8), sweep(OTHER, 2, 20000.0, 0.8)]
    assert advised(runs, make_session(treatments=FOUR_CELLS)) == ()


# --- propeller ----------------------------------------------------------------------------------------------


def coefficients(
    order: int, ct: float, cp: float | None = None, name: str = BASE, speed: float = 16000
) -> RunReduction:
    constants = [response("thrust_coefficient", ct, at_speed(speed), shared={"thrust gain": 0.003 * ct})]
    if cp is not None:
        constants.append(
            response("power_coefficient", cp, at_speed(speed), shared={"torque gain": 0.003 * cp})
        )
    return hold(name, order, constants=tuple(constants))


@pytest.mark.parametrize(("ct", "hit"), [(0.1049, False), (0.1051, True), (0.0951, False), (0.0949, True)])
def test_a_coefficient_unlike_that_of_the_other_runs(ct: float, hit: bool) -> None:
    found = advised([coefficients(1, 0.1), coefficients(2, 0.1, name=OTHER), coefficients(3, ct)])
    assert told(found, "wrong propeller") == ([(f"03-hold-{BASE}", "repeat")] if hit else [])


def test_of_two_runs_the_later_is_asked_about() -> None:
    found = advised([coefficients(1, 0.1), coefficients(2, 0.13, name=OTHER)])
    assert told(found, "wrong propeller") == [(f"02-hold-{OTHER}", "repeat")]
    assert "30 % above that of 1 other run with Tri 5.1" in plain_spaces(found[0].sentence)


def test_a_thrust_that_is_off_where_the_torque_agrees_is_the_load_cell() -> None:
    found = advised([coefficients(1, 0.1, 0.05), coefficients(2, 0.1, 0.05), coefficients(3, 0.12, 0.05)])
    assert told(found, "thrust off") == [(f"03-hold-{BASE}", "repeat")]
    assert "load cell" in found[0].remedy
    both = advised([coefficients(1, 0.1, 0.05), coefficients(2, 0.1, 0.05), coefficients(3, 0.12, 0.06)])
    assert told(both, "wrong propeller") == [(f"03-hold-{BASE}", "repeat")]


def test_coefficients_at_far_speeds_are_not_held_against_each_other() -> None:
    assert advised([coefficients(1, 0.1), coefficients(2, 0.13, speed=9000)]) == ()


def stated(ct: float, duo: float | None = None) -> Season:
    """A season whose part files state CT at 16 000 rpm to 1 %; nothing of Duo 5.1 where that is None."""

    def known(value: float) -> dict[str, Any]:
        return {"coefficients": [{"speed": "16000 rpm", "thrust": value}], "coefficients_uncertainty": "1 %"}

    season = make_season(propeller=known(ct))
    like = () if duo is None else make_season(propeller=known(duo)).parts["tri"].coefficients
    parts = {**season.parts, "duo": season.parts["duo"].model_copy(update={"coefficients": like})}
    return season.model_copy(update={"parts": parts})


@pytest.mark.parametrize(("ct", "hit"), [(0.1049, False), (0.1051, True)])
def test_the_first_run_is_held_against_the_part_file(ct: float, hit: bool) -> None:
    found = advised([coefficients(1, ct)], season=stated(0.1))
    assert told(found, "wrong propeller") == ([(FIRST, "doubtful")] if hit else [])


def test_runs_that_the_part_file_bears_out_are_right_against_a_majority() -> None:
    runs = [coefficients(n, ct) for n, ct in enumerate((0.1, 0.13, 0.13, 0.13), start=1)]
    assert [run for run, _ in told(advised(runs), "wrong propeller")] == [FIRST]
    against = told(advised(runs, season=stated(0.1)), "wrong propeller")
    assert [run for run, _ in against] == [f"0{n}-hold-{BASE}" for n in (2, 3, 4)]


def test_another_propeller_of_the_season_that_fits_is_named() -> None:
    (one,) = advised([coefficients(1, 0.13)], season=stated(0.1, duo=0.131))
    assert one.severity == "repeat"
    assert "as Duo 5.1 would give" in one.sentence


# --- warmth, air, order -------------------------------------------------------------------------------------


def warm(name: str, order: int, kelvin: float, procedure: str = "hold") -> RunReduction:
    return make_run(name, order, POWER, procedure=procedure, start_motor_temperature_k=kelvin)


@pytest.mark.parametrize(("start", "hit"), [(297.9, False), (298.1, True), (288.1, False), (287.9, True)])
def test_a_start_unlike_that_of_the_other_treatment(start: float, hit: bool) -> None:
    found = advised([warm(BASE, 1, 293.0), warm(OTHER, 2, start)])
    assert told(found, "start temperature") == ([(f"02-hold-{OTHER}", "repeat")] if hit else [])


def test_the_one_that_is_off_is_told_not_those_it_is_off_from() -> None:
    runs = [warm(BASE, 1, 310.0), warm(OTHER, 2, 293.0), warm(OTHER, 3, 293.5), warm(BASE, 4, 293.0)]
    assert told(advised(runs), "start temperature") == [(f"01-hold-{BASE}", "repeat")]
    # other procedures start as they will, and a run of the stand alone has no motor to speak of
    assert advised([warm(BASE, 1, 293.0), warm(OTHER, 2, 320.0, "soak"), warm("", 3, 350.0)]) == ()
    # nothing to be held against yet
    assert advised([warm(BASE, 1, 293.0), warm(BASE, 2, 310.0)]) == ()


@pytest.mark.parametrize(("kelvin", "hit"), [(296.1, False), (296.2, True), (290.2, False), (290.1, True)])
def test_air_unlike_what_was_stated(kelvin: float, hit: bool) -> None:
    found = advised([hold(BASE, 1, trace={"air_temperature_k": np.full(50, kelvin)})])
    assert told(found, "air changed") == ([(FIRST, "doubtful")] if hit else [])


def in_list(*started: datetime.time | None) -> tuple[Session, list[RunReduction]]:
    runs = [
        {
            "log": f"logs/0{n}-hold-{BASE}.csv", "procedure": "hold", "treatment": BASE, "repeat": n,
            **({} if clock is None else {"started": clock}),
        }
        for n, clock in enumerate(started, start=1)
    ]  # fmt: skip
    made = [
        hold(BASE, n, started=None if clock is None else clock.strftime("%H:%M"))
        for n, clock in enumerate(started, start=1)
    ]
    return make_session(runs=runs), made


def test_the_order_by_the_clock() -> None:
    clock = datetime.time
    session, runs = in_list(clock(14, 0), clock(14, 10), clock(14, 5))
    assert told(advised(runs, session), "order") == [(f"03-hold-{BASE}", "doubtful")]
    session, runs = in_list(clock(14, 0), clock(14, 0), clock(14, 5))
    assert advised(runs, session) == ()
    session, runs = in_list(clock(23, 50), clock(0, 5))  # past midnight
    assert advised(runs, session) == ()


def test_the_order_by_what_is_there_and_by_when_logs_were_written() -> None:
    session, runs = in_list(None, None, None)
    skipped = f"02-hold-{BASE}"
    found = advised([runs[0], runs[2]], session, to_come=[skipped])
    assert told(found, "order") == [(f"03-hold-{BASE}", "doubtful")]
    assert skipped in found[0].sentence
    assert advised(runs[:2], session, to_come=[f"03-hold-{BASE}"]) == ()  # the last is simply to come

    def written(*seconds: float) -> Mapping[str, float]:
        return {run.log: when for run, when in zip(runs, seconds, strict=True)}

    assert advised(runs, session, written_s=written(100.0, 99.5, 101.0)) == ()
    assert told(advised(runs, session, written_s=written(100.0, 98.5, 101.0)), "order") == [
        (skipped, "doubtful")
    ]


# --- the rest -----------------------------------------------------------------------------------------------


def test_in_the_order_of_the_runs_and_the_gravest_first() -> None:
    findings = (
        Finding(kind="spike", channel="thrust_n", sentence="Jumps."),
        Finding(kind="hysteresis", channel="thrust_n", grade="doubtful", sentence="Wide."),
        Finding(kind="stuck", channel="thrust_n", grade="doubtful", sentence="Stuck."),
    )
    thrust = response("thrust", 300.0, at_speed(16000))
    found = advised([hold(BASE, 1, thrust, findings=findings), hold(OTHER, 2, thrust, findings=findings)])
    assert [one.severity for one in found] == ["repeat", "doubtful", "noted"] * 2
    assert [one.run_id for one in found] == [FIRST] * 3 + [f"02-hold-{OTHER}"] * 3


@given(st.lists(st.floats(0.0, 100.0), min_size=1, max_size=12), st.floats(0.1, 20.0))
def test_a_group_holds_its_middle_and_no_other_is_larger(values: list[float], reach: float) -> None:
    group = alike(values, lambda a, b: abs(a - b) <= reach)
    assert group
    sizes = [sum(abs(one - other) <= reach for other in values) for one in values]
    assert len(group) == max(sizes)
    assert max(values[i] for i in group) - min(values[i] for i in group) <= 2.0 * reach + 1e-9


def test_each_check_has_a_remedy_of_its_own() -> None:
    for id_ in ("same-thrust-f96", "thrust-exponent", "kv-as-stated-a", "warm-up-power", "repeats", "run-order",
                "rig-in-control", "calibration-due", "calibration-age", "equal-repeats", "energy-balance",
                "top-speed-b", "speed-lag", "supply-voltage", "figure-of-merit"):  # fmt: skip
        assert remedy_of_check(id_) != OTHERWISE, id_
    assert remedy_of_check("something-new") == OTHERWISE
