"""A forecast on the run sheet: invented figures, what is shown of them, and when to stop."""

from __future__ import annotations

from dataclasses import replace

import pytest

from generator.intake.session import Session
from generator.planning.plan_records import (
    Assumption,
    Basis,
    Forecast,
    Foretold,
    Hazard,
    NoiseForecast,
    SamplingAdvice,
    SetpointForecast,
    TemperatureForecast,
    TreatmentForecast,
)
from generator.planning.run_sheet_forecast import stop_current_a
from generator.planning.run_sheet_foreseen import foreseen
from generator.planning.run_sheet_records import Table
from generator.reduction.spin_up import SpinUpPlan
from tests.evidence.invented_bench import BASE, OTHER, TEXTS, at_speed, make_season, make_session, treatment

NBSP, THIN = "\u00a0", "\u202f"
STATED = Basis(kind="stated", words="from the part files")
ASSUMED = Basis(kind="assumed", words="assumed")


def setpoint(name: str, current: float, **more: object) -> SetpointForecast:
    return replace(
        SetpointForecast(
            procedure="hold", treatment=name, at=at_speed(16000.0), speed_rpm=Foretold(value=16000.0, u=0.0),
            throttle=Foretold(value=0.641, u=0.012), duty=0.641, motor_current_a=Foretold(value=1.3 * current, u=0.3),
            supply_current_a=Foretold(value=current, u=0.3), tap_voltage_v=Foretold(value=16.0, u=0.05),
            electrical_power_w=Foretold(value=16.0 * current, u=4.0), shaft_power_w=Foretold(value=80.0, u=3.0),
            thrust_n=Foretold(value=4.0, u=0.1), tip_mach=0.32, heat_w=20.0, reachable=True, why_not="", seconds=4.6,
            sound_db=92.0, basis=STATED,
        ),
        **more,
    )  # fmt: skip


def of_treatment(name: str, cap: float = 1.0) -> TreatmentForecast:
    return TreatmentForecast(
        treatment=name, label=name, cap=cap, top_speed_rpm=Foretold(value=24123.0, u=300.0),
        full_current_a=Foretold(value=21.2, u=0.8), full_motor_current_a=Foretold(value=22.0, u=0.8),
        full_power_w=Foretold(value=330.0, u=12.0), full_tap_voltage_v=Foretold(value=15.7, u=0.1), top_tip_mach=0.48,
        equalising_cap=Foretold(value=0.812, u=0.004) if cap < 1.0 else None,
        cap_words="81 % would give both the same top speed" if cap < 1.0 else "",
        uncapped_speed_rpm=Foretold(value=28000.0, u=400.0) if cap < 1.0 else None, free_run_bound_rpm=40000.0,
        rest_voltage_v=16.0, set_voltage_v=16.05, set_current_a=25.0, set_current_words="a fifth above full throttle",
        wiring_drop_v=0.18, supply_gives=True, supply_words="The supply gives what is asked.", pack_minutes=None,
        basis=STATED,
    )  # fmt: skip


def forecast(**more: object) -> Forecast:
    made = Forecast(
        session="invented",
        treatments=(of_treatment(BASE), of_treatment(OTHER, 0.8)),
        setpoints=(setpoint(BASE, 6.8), setpoint(OTHER, 5.5)),
        temperatures=(
            TemperatureForecast(
                procedure="hold", treatment=BASE, rise_k=Foretold(value=18.0, u=4.0),
                settled_rise_k=Foretold(value=50.0, u=9.0), settled_k=343.15, limit_k=393.15,
                limit_words="thermal class E", minutes_to_limit=None, time_constant_s=90.0, words="", basis=ASSUMED,
            ),
        ),
        noise=(
            NoiseForecast(
                treatment=BASE, speed_rpm=16000.0, level_db=Foretold(value=92.3, u=3.0), distance_m=1.0, minutes=89.0,
                words="About 92 dB at 1 m.", basis=ASSUMED,
            ),
        ),
        sampling=(
            SamplingAdvice(
                procedure="hold", treatment=BASE, shortest_ms=None, at_least_hz=50.0, lag_at_most_ms=None, window_s=3.0,
                words="50 samples a second fill the window", basis=STATED,
            ),
        ),
        hazards=(),
        assumptions=(
            Assumption(part="tri", words="tri: power coefficient 0.052, assumed", basis=ASSUMED),
            Assumption(part="tri", words="tri: diameter, stated", basis=STATED),
        ),
    )  # fmt: skip
    return replace(made, **more)  # type: ignore[arg-type]


def session() -> Session:
    return make_session(
        treatments={BASE: treatment("4S", cells=4), OTHER: treatment("5S capped", cells=5, output_cap="80 %")}
    )


SEASON = make_season(controller={"continuous_current": "22 A"}, propeller={"speed_limit": "34000 rpm"})


def test_the_baseline_gives_sizes_for_margins_and_every_side_gives_charge() -> None:
    seen = foreseen(SEASON, session(), forecast(), TEXTS)
    assert seen.values["electrical_power", at_speed(16000.0)] == pytest.approx(108.8)
    assert seen.values["thrust", at_speed(16000.0)] == pytest.approx(
        407.886, rel=1e-4
    )  # 4 N of 9.80665e-3 N/gf
    (point,) = seen.points["hold", OTHER]
    assert (point.kind, point.value, point.current_a, point.sound_db) == ("speed", 16000.0, 5.5, 92.0)
    assert seen.rise_k == {("hold", BASE): 18.0}
    assert seen.cooling.time_constant_s == 270.0  # three times as long at rest
    assert "4.5 min" in seen.cooling.told
    assert seen.assumed == ("tri: power coefficient 0.052, assumed",)


def test_the_one_step_of_a_spin_up_gives_its_rise_time() -> None:
    advice = replace(forecast().sampling[0], procedure="spin-up", shortest_ms=45.0)
    for targets, expected in ((["14000 rpm"], {at_speed(14000.0): 45.0}), (["9000 rpm", "14000 rpm"], {})):
        plan = SpinUpPlan.model_validate({"from": "4000 rpm", "to": targets, "cycles": 3})
        made = session().model_copy(update={"plans": {"spin-up": plan}})
        values = foreseen(SEASON, made, forecast(sampling=(advice,)), TEXTS).values
        assert {at: value for (name, at), value in values.items() if name == "rise_time"} == expected


def test_tables_show_as_many_digits_as_the_doubt_bears() -> None:
    seen = foreseen(SEASON, session(), forecast(), TEXTS)
    table = seen.settings[0]
    assert isinstance(table, Table)
    rows = {row[0]: row[1:] for row in table.rows}
    assert rows["Top speed"] == (f"24{THIN}100{NBSP}rpm",) * 2
    assert rows["If the cap is lost"] == ("–", f"28{THIN}000{NBSP}rpm")
    assert rows["Cap for the baseline's top speed"] == ("–", f"81.2{NBSP}%")
    assert rows["Voltage to set"] == (f"16.05{NBSP}V",) * 2
    assert rows["Current limit to set"][0] == f"25{NBSP}A: a fifth above full throttle"
    assert "A full pack lasts" not in rows
    hold = seen.expected[0]
    assert isinstance(hold, Table)
    assert hold.head == ("Setpoint", "Stop above", "Current", "Power", "Throttle", "Thrust")
    assert hold.rows[0] == (
        f"16{THIN}000{NBSP}rpm, 4S", f"8.5{NBSP}A", f"6.8{NBSP}A", f"109{NBSP}W", f"64{NBSP}%", f"410{NBSP}gf",
    )  # fmt: skip
    warm = seen.expected[1]
    assert isinstance(warm, Table)
    # 120 °C less 20 K
    assert warm.rows[0] == (
        "Hold, 4S",
        f"100{NBSP}°C",
        f"18{NBSP}K",
        f"70{NBSP}°C",
        f"120{NBSP}°C, thermal class E",
    )
    assert seen.glance[0] == ("Sampling", "at least 50 a second")
    assert "92\u00a0dB" in seen.glance[1][1]


@pytest.mark.parametrize(
    ("current", "doubt", "stop"),
    [
        (6.8, 0.3, 8.5),
        (6.8, 1.0, 9.8),
        (21.0, 0.3, 22.0),
    ],  # a quarter more; three times the doubt; the rating
)
def test_when_a_setpoint_is_left(current: float, doubt: float, stop: float) -> None:
    found = setpoint(BASE, current, supply_current_a=Foretold(value=current, u=doubt))
    assert stop_current_a(SEASON, session(), {}, found) == pytest.approx(stop)


def test_a_setpoint_that_cannot_be_reached_says_why() -> None:
    out = setpoint(BASE, 6.8, reachable=False, why_not="the top speed is 15 200 rpm")
    seen = foreseen(SEASON, session(), forecast(setpoints=(out,)), TEXTS)
    table = seen.expected[0]
    assert isinstance(table, Table)
    assert table.rows[0][1] == "not reachable"
    assert table.head[5] == "Speed"
    assert table.notes == ("The top speed is 15 200 rpm.",)
    assert seen.points == {}
    assert seen.values == {}


def test_what_is_not_safe_is_refused_until_somebody_answers() -> None:
    hazard = Hazard(
        id="overspeed", treatment=OTHER, what="The propeller would turn at 36 000 rpm", why="Blades can fly off",
        number=36000.0, limit=34000.0, unit="rpm", source="the propeller's file", severity="refuse",
    )  # fmt: skip
    seen = foreseen(SEASON, session(), forecast(hazards=(hazard,)), TEXTS)
    assert seen.refused == (("overspeed", "The propeller would turn at 36 000 rpm. Blades can fly off."),)
    assert (seen.raised[0].signal, seen.answered) == ("WARNING", ())
    assert seen.raised[0].title == "The propeller would turn at 36 000 rpm"
    assert "Limit: 34\u202f000\u00a0rpm, the propeller's file." in seen.raised[0].consequence
    twice = (hazard, replace(hazard, treatment=BASE))
    (both,) = foreseen(SEASON, session(), forecast(hazards=twice), TEXTS).raised
    assert both.hazard == "Said of 5S capped and 4S."
    seen = foreseen(
        SEASON, session(), forecast(hazards=(replace(hazard, go_on="it runs in a bunker"),)), TEXTS
    )
    assert seen.refused == ()
    assert seen.answered == (
        "Not safe: The propeller would turn at 36 000 rpm. Goes on because: It runs in a bunker.",
    )
    mild = replace(hazard, severity="warn")
    seen = foreseen(SEASON, session(), forecast(hazards=(mild,)), TEXTS)
    assert (seen.refused, seen.raised[0].signal) == ((), "CAUTION")
