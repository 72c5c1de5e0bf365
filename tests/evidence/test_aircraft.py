"""What a difference means in the air, against closed forms and against truth that is known because it was invented."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from generator.evidence.aircraft import hover_thrusts_n, in_the_air
from generator.evidence.flight import hover_minutes, hover_thrust_gf, newtons, usable_energy_wh
from generator.evidence.physics_records import InTheAir, InTheAirDifference
from generator.reduction.records import StepRow
from tests.evidence.invented_bench import BASE, OTHER, make_run, response
from tests.evidence.invented_flights import (
    SCALE,
    curve,
    flying_runs,
    flying_season,
    flying_session,
    power_law,
    thrusts_of,
)

FOUR = (0.998, 1.004, 1.001, 0.997)  # relative scales of four runs, mean 1
GRAVITY = 9.80665  # m/s², standard gravity by definition, 3rd CGPM (1901)
ENERGY_4S = 1.5 * 0.8 * 14.8  # Wh: 1500 mAh, 80 % of it, 4 cells of 3.7 V


def runs_of(factor: float = 1.0, session: Any = None, season: Any = None, **more: Any) -> Any:
    session, season = session or flying_session(), season or flying_season()
    scales = {BASE: [SCALE * f for f in FOUR], OTHER: [SCALE * factor * f for f in FOUR]}
    return flying_runs(session, season, scales, **more), session, season


def flights(found: Any) -> dict[tuple[str, str], InTheAir]:
    return {(flight.aircraft, flight.treatment): flight for flight in found[0]}


def only(found: Any) -> InTheAirDifference:
    (difference,) = found[1]
    return difference


# --- arithmetic ---------------------------------------------------------------------------------------------


def test_thrust_energy_and_minutes_by_hand() -> None:
    # 740 g on four motors: 185 gf, 1.814 N each; 1.5 Ah, 80 % of it, at 14.8 V: 17.76 Wh; at 60 W: 17.76 min
    assert hover_thrust_gf(0.740, 4) == 185.0
    assert newtons(185.0) == pytest.approx(0.185 * GRAVITY)
    assert usable_energy_wh(1.5, 0.8, 14.8) == pytest.approx(17.76)
    assert hover_minutes(17.76, 60.0) == pytest.approx(17.76)


def test_hover_thrusts_are_weight_over_motors() -> None:
    session = flying_session({BASE: {"cells": 4}, OTHER: {"cells": 5}})
    # 5 cells of the mapper's own pack weigh 180 g x 5/4 = 225 g
    expected = [0.740 / 4 * GRAVITY, 0.785 / 4 * GRAVITY]
    assert hover_thrusts_n(session, flying_season()) == pytest.approx(expected)


def test_six_motors_share_the_weight() -> None:
    session = flying_session({BASE: {"cells": 5}, OTHER: {"cells": 5}}, aircraft=["lifter"])
    assert hover_thrusts_n(session, flying_season()) == pytest.approx([1.240 / 6 * GRAVITY])
    runs, *rest = runs_of(session=session)
    flight = flights(in_the_air(runs, *rest))["lifter", BASE]
    assert flight.hover_power_w is not None
    assert flight.hover_power_w.value == pytest.approx(6 * power_law(SCALE, 1240 / 6))


def test_equal_thrusts_of_two_aircraft_are_listed_once_and_the_check_standard_does_not_fly() -> None:
    setups = {BASE: {"cells": 4}, OTHER: {"cells": 4}, "watch": {"cells": 5}}
    session = flying_session(setups, aircraft=["mapper", "lifter"], check_standard="watch")
    found = hover_thrusts_n(session, flying_season())
    assert found == pytest.approx([0.740 / 4 * GRAVITY, (1.0 + 0.240 * 4 / 5) / 6 * GRAVITY])
    assert list(found) == sorted(set(found))


def test_without_aircraft_nothing_flies() -> None:
    session = flying_session(aircraft=[])
    assert hover_thrusts_n(session, flying_season()) == ()
    assert in_the_air((), session, flying_season()) == ((), ())


# --- which pack ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("keys", "part", "cells", "mass_g", "told"),
    [
        ({"cells": 4}, "pond-4s", 4, 740.0, None),
        ({}, "pond-4s", 4, 740.0, None),
        ({"cells": 5}, "pond-4s", 5, 785.0, "scaled with the number of cells, an assumption"),
        ({"cells": 5, "pack": "pond-5s"}, "pond-5s", 5, 800.0, None),
        ({"cells": 4, "pack": "pond-5s"}, "pond-5s", 5, 800.0, "was tested for 4 cells and flies with Pond 5S"),
        ({"cells": 5, "supply": "pond-5s", "pack": "pond-4s"}, "pond-5s", 5, 800.0, None),
    ],
)  # fmt: skip
def test_the_pack_a_treatment_flies_with(
    keys: dict[str, Any], part: str, cells: int, mass_g: float, told: str | None
) -> None:
    session = flying_session({BASE: {"cells": 4}, OTHER: keys})
    flight = flights(in_the_air(*runs_of(session=session)))["mapper", OTHER]
    assert (flight.pack, flight.cells) == (part, cells)
    assert flight.mass_kg == pytest.approx(mass_g / 1000)
    assert flight.thrust_per_motor_gf == pytest.approx(mass_g / 4)
    assert flight.energy_wh == pytest.approx(1.5 * 0.8 * 3.7 * cells)
    notes = " ".join(flight.notes)
    if told is None:
        assert "assumption" not in notes
        assert "was tested for" not in notes
    else:
        assert told in notes


def test_a_pack_without_a_mass_gives_no_thrust_and_says_so() -> None:
    session = flying_session(aircraft=["mystery", "mapper"])
    assert hover_thrusts_n(session, flying_season()) == pytest.approx([0.740 / 4 * GRAVITY])
    runs, *rest = runs_of(session=session)
    found = in_the_air(runs, *rest)
    flight = flights(found)["mystery", BASE]
    assert flight.mass_kg is None
    assert flight.thrust_per_motor_gf is None
    assert flight.hover_power_w is None
    assert flight.minutes is None
    assert flight.thrust_to_weight is None
    assert "The mass of Pond X is not stated" in flight.sentence
    difference = next(d for d in found[1] if d.aircraft == "mystery")
    assert difference.minutes is None
    assert difference.effects == ()
    assert "cannot be told" in difference.sentence
    assert flights(found)["mapper", BASE].minutes is not None


# --- closed forms -------------------------------------------------------------------------------------------


def test_minutes_of_a_power_law_for_a_known_pack() -> None:
    found = flights(in_the_air(*runs_of()))["mapper", BASE]
    power = 4 * SCALE * 185.0**1.5
    assert found.hover_power_w is not None
    assert found.minutes is not None
    assert found.hover_power_w.value == pytest.approx(power)
    # the mean over runs of one over the power differs from one over the mean by the variance of the runs
    assert found.minutes.value == pytest.approx(60 * ENERGY_4S / power, rel=2e-5)
    low, high = found.minutes.interval
    assert low < found.minutes.value < high


def test_extra_mass_feeds_back_into_the_thrust_needed() -> None:
    # m grams more on M: thrust (1 + m/M), power (1 + m/M)^1.5 for a power law with that exponent
    setups = {BASE: {"cells": 4}, OTHER: {"cells": 5}}
    found = in_the_air(*runs_of(session=flying_session(setups)))
    own = flights(found)
    base, other = own["mapper", BASE], own["mapper", OTHER]
    assert base.hover_power_w is not None
    assert other.hover_power_w is not None
    ratio = (1 + 45 / 740) ** 1.5
    assert other.hover_power_w.value / base.hover_power_w.value == pytest.approx(ratio)
    assert base.minutes is not None
    assert other.minutes is not None
    assert other.minutes.value / base.minutes.value == pytest.approx(5 / 4 / ratio)


def test_parts_of_a_difference_are_what_they_say_and_add_up() -> None:
    setups = {BASE: {"cells": 4}, OTHER: {"cells": 5}}
    found = only(in_the_air(*runs_of(1.02, session=flying_session(setups))))
    effects = {effect.name: effect for effect in found.effects}
    assert list(effects) == ["set-up", "mass", "energy"]
    base = 4 * SCALE * 185.0**1.5
    feedback = (785 / 740) ** 1.5
    minutes = 60 * ENERGY_4S / base

    def watts(name: str) -> float:
        effect = effects[name].hover_power_w
        assert effect is not None
        return effect.value

    def time(name: str) -> float:
        effect = effects[name].minutes
        assert effect is not None
        return effect.value

    assert watts("set-up") == pytest.approx(0.02 * base)
    assert watts("mass") == pytest.approx(1.02 * base * (feedback - 1))
    assert effects["energy"].hover_power_w is None
    assert time("set-up") == pytest.approx(minutes * (1 / 1.02 - 1), rel=1e-4)
    assert time("mass") == pytest.approx(minutes / 1.02 * (1 / feedback - 1), rel=1e-4)
    assert time("energy") == pytest.approx(minutes / 1.02 / feedback * 0.25, rel=1e-4)
    assert found.minutes is not None
    assert found.hover_power_w is not None
    assert sum(time(name) for name in effects) == pytest.approx(found.minutes.value)
    assert watts("set-up") + watts("mass") == pytest.approx(found.hover_power_w.value)


def test_equal_packs_leave_nothing_to_take_apart() -> None:
    assert only(in_the_air(*runs_of(1.02))).effects == ()


def test_the_margin_of_thrust_over_weight() -> None:
    flight = flights(in_the_air(*runs_of()))["mapper", BASE]
    assert flight.thrust_to_weight is not None
    assert flight.thrust_to_weight.value == pytest.approx(4 * 601.5 / 740)  # runs of 600 to 603 gf
    assert any("highest step of the staircase; the set-up may give more" in note for note in flight.notes)


def test_without_a_top_step_the_highest_held_thrust_counts() -> None:
    runs, session, season = runs_of(top_gf=None)
    held = [
        replace(run, responses=(
            response("thrust", 150.0, (("speed_rpm", 9000.0),), scatter=0.5),
            response("thrust", 400.0 + place, (("speed_rpm", 16000.0),), scatter=0.5),
        ))
        for place, run in enumerate(runs)
    ]  # fmt: skip
    flight = flights(in_the_air(held, session, season))["mapper", BASE]
    assert flight.thrust_to_weight is not None
    assert flight.thrust_to_weight.value == pytest.approx(4 * 403.0 / 740)
    assert any("highest thrust measured, at 16\u202f000\u00a0rpm" in note for note in flight.notes)


@pytest.mark.parametrize(
    ("top_gf", "word"), [(150.0, "does not lift"), (184.0, "may not lift"), (400.0, None)]
)
def test_too_little_thrust_is_told(top_gf: float, word: str | None) -> None:
    flight = flights(in_the_air(*runs_of(top_gf=top_gf)))["mapper", BASE]
    assert [f"With 4S the highest thrust measured {word} the Mapper." in flight.notes] == [word is not None]


@given(st.floats(min_value=0.5, max_value=2.0), st.floats(min_value=0.5, max_value=2.0))
def test_a_common_factor_of_power_scales_minutes_and_cancels_in_their_ratio(
    common: float, factor: float
) -> None:
    def ratio(scale: float) -> float:
        scales = {BASE: [scale * f for f in FOUR], OTHER: [scale * factor * f for f in FOUR]}
        session, season = flying_session(), flying_season()
        own = flights(in_the_air(flying_runs(session, season, scales), session, season))
        a, b = own["mapper", OTHER].minutes, own["mapper", BASE].minutes
        assert a is not None
        assert b is not None
        return a.value / b.value

    assert ratio(SCALE * common) == pytest.approx(ratio(SCALE))


# --- intervals ----------------------------------------------------------------------------------------------


def test_what_all_runs_share_cancels_in_the_difference_and_stays_in_the_value() -> None:
    plain = in_the_air(*runs_of(1.02))
    shared = in_the_air(*runs_of(1.02, gain=0.02))
    widths = [(flights(found)["mapper", BASE].minutes, only(found).minutes) for found in (plain, shared)]
    (alone, difference), (with_gain, difference_with_gain) = widths
    assert alone is not None
    assert with_gain is not None
    assert difference is not None
    assert difference_with_gain is not None
    assert with_gain.standard_uncertainty == pytest.approx(
        math.hypot(alone.standard_uncertainty, 0.02 * alone.value), rel=1e-4
    )
    # of a difference of 2 % in minutes only 2 % of the common error is left
    left = 0.02 * abs(difference.value)
    assert difference_with_gain.standard_uncertainty == pytest.approx(
        math.hypot(difference.standard_uncertainty, left), rel=1e-3
    )


def test_intervals_hold_the_truth_as_often_as_they_say() -> None:
    """Runs drawn with 1 % scatter, a gain of 1 % common to all of a session, a heavier pack on one side."""
    rng = np.random.default_rng(20310504)
    session = flying_session({BASE: {"cells": 4}, OTHER: {"cells": 5}})
    season = flying_season()
    base, feedback = 4 * SCALE * 185.0**1.5, (785 / 740) ** 1.5
    minutes = 60 * ENERGY_4S / base
    other = minutes * 1.25 / (1.03 * feedback)
    truth = {
        "power": base,
        "minutes": minutes,
        "difference": other - minutes,
        "power difference": base * (1.03 * feedback - 1),
        "set-up": minutes * (1 / 1.03 - 1),
        "mass": minutes / 1.03 * (1 / feedback - 1),
        "energy": other * 0.2,
    }
    trials = 400
    held = dict.fromkeys(truth, 0)
    for _ in range(trials):
        gain = 1 + rng.normal(0, 0.01)
        scales = {
            name: SCALE * factor * gain * (1 + rng.normal(0, 0.01, 4))
            for name, factor in ((BASE, 1.0), (OTHER, 1.03))
        }
        found = in_the_air(flying_runs(session, season, scales, gain=0.01, blocks=False), session, season)
        flight, difference = flights(found)["mapper", BASE], only(found)
        measured = {
            "power": flight.hover_power_w,
            "minutes": flight.minutes,
            "difference": difference.minutes,
            "power difference": difference.hover_power_w,
            **{effect.name: effect.minutes for effect in difference.effects},
        }
        for name, value in measured.items():
            assert value is not None
            held[name] += value.interval[0] <= truth[name] <= value.interval[1]
    # 95 % of 400 is 380; four standard deviations of a binomial count are 17
    assert {name: count for name, count in held.items() if abs(count - 0.95 * trials) > 17} == {}


def test_blocks_pair_what_the_session_planned_in_blocks() -> None:
    session, season = flying_session(design="blocks"), flying_season()
    drifting = [SCALE * f for f in (1.0, 1.05, 1.10, 1.16)]
    scales = {BASE: drifting, OTHER: [1.01 * s * f for s, f in zip(drifting, FOUR, strict=True)]}
    runs = flying_runs(session, season, scales)
    paired = only(in_the_air(runs, session, season))
    assert paired.method == "paired in blocks"
    unpaired = only(in_the_air(runs, flying_session(design="unpaired"), season))
    assert paired.minutes is not None
    assert unpaired.minutes is not None
    assert unpaired.minutes.standard_uncertainty > 5 * paired.minutes.standard_uncertainty


def test_one_run_each_is_indicative() -> None:
    session, season = flying_session(), flying_season()
    runs = flying_runs(session, season, {BASE: [SCALE], OTHER: [1.05 * SCALE]})
    found = in_the_air(runs, session, season)
    flight, difference = flights(found)["mapper", BASE], only(found)
    assert flight.indicative
    assert difference.indicative
    assert flight.sentence.startswith("Indicative, one run: with 4S the Mapper would probably hover ")
    assert difference.sentence.startswith(
        "Indicative, one run each: with 5S capped the Mapper would probably "
    )
    assert flight.hover_power_w is not None
    # all that is known is what the run tells of itself: 0.2 % scatter
    assert flight.hover_power_w.standard_uncertainty == pytest.approx(0.002 * flight.hover_power_w.value)


def test_runs_that_agree_to_the_last_digit_prove_nothing() -> None:
    session, season = flying_session(), flying_season()
    scales = {BASE: [SCALE] * 3, OTHER: [1.02 * SCALE] * 3}
    found = in_the_air(flying_runs(session, season, scales, scatter=0.0), session, season)
    assert flights(found)["mapper", BASE].minutes is None
    assert "agree to the last digit" in flights(found)["mapper", BASE].sentence
    assert only(found).minutes is None


# --- what is not reached ------------------------------------------------------------------------------------


def stairs(*thrusts_gf: float) -> tuple[StepRow, ...]:
    return tuple(
        StepRow(
            direction="up", throttle=0.1 * (place + 1), start_s=0.0, stop_s=1.0,
            means=(("thrust_n", newtons(thrust), 0.01), ("power_w", power_law(SCALE, thrust), 0.1)),
        )
        for place, thrust in enumerate(thrusts_gf)
    )  # fmt: skip


def test_a_curve_that_does_not_reach_the_hover_is_told_with_its_range() -> None:
    runs, session, season = runs_of(reach=100.0, top_gf=150.0)
    runs = tuple(replace(run, steps=stairs(40.0, 90.0, 150.0)) for run in runs)
    found = in_the_air(runs, session, season)
    flight = flights(found)["mapper", BASE]
    assert flight.minutes is None
    assert flight.hover_power_w is None
    told = "With 4S the curve reaches from 40 to 150\u00a0gf a motor; the hover takes 185\u00a0gf."
    assert told in flight.notes
    assert told in flight.sentence
    assert flight.thrust_to_weight is not None
    assert only(found).sentence == (
        "Whether the Mapper would hover longer with 5S capped than with 4S cannot be told: "
        "the hover power is known with neither."
    )


def test_where_only_the_heavier_side_is_not_reached_the_set_up_is_still_told() -> None:
    session = flying_session({BASE: {"cells": 4}, OTHER: {"cells": 5}})
    runs, *rest = runs_of(1.05, session=session, reach=190.0)
    found = in_the_air(runs, *rest)
    assert flights(found)["mapper", BASE].minutes is not None
    assert flights(found)["mapper", OTHER].minutes is None
    difference = only(found)
    assert difference.minutes is None
    assert (
        "the hover power with 5S capped is not known. At the thrust that 4S takes, the difference in power is +3.0"
        in (difference.sentence)
    )
    assert [effect.minutes is not None for effect in difference.effects] == [True, False, False]


def test_runs_that_fall_short_are_counted() -> None:
    runs, session, season = runs_of()
    short = next(run for run in runs if run.treatment == BASE)
    runs = tuple(replace(run, readings=()) if run is short else run for run in runs)
    flight = flights(in_the_air(runs, session, season))["mapper", BASE]
    assert any(note.startswith("Only 3 of 4 curves of 4S reach") for note in flight.notes)
    assert short.log not in flight.logs
    assert len(flight.logs) == 3


def test_two_held_speeds_are_no_curve() -> None:
    session, season = flying_session(), flying_season()
    runs = [
        make_run(name, order, *(
            response(what, value, (("speed_rpm", speed),), scatter=0.1)
            for speed, thrust in ((9000.0, 130.0), (16000.0, 410.0))
            for what, value in (("thrust", thrust), ("electrical_power", power_law(SCALE, thrust)))
        ))
        for order, name in enumerate([BASE, OTHER] * 2, start=1)
    ]  # fmt: skip
    flight = flights(in_the_air(runs, session, season))["mapper", BASE]
    assert "thrust and power were measured together at 2 speeds of a run; a curve needs 3." in flight.sentence


def test_no_thrust_and_no_run_are_told() -> None:
    session, season = flying_session(), flying_season()
    runs = [make_run(BASE, 1, response("electrical_power", 60.0, (("speed_rpm", 9000.0),)))]
    own = flights(in_the_air(runs, session, season))
    assert "With 4S thrust and power were not measured together." in own["mapper", BASE].sentence
    assert "No run of 5S capped is used." in own["mapper", OTHER].sentence
    assert own["mapper", BASE].thrust_to_weight is None


def test_refused_runs_fly_nowhere() -> None:
    runs, session, season = runs_of()
    refused = tuple(replace(run, refused="left out") if run.treatment == OTHER else run for run in runs)
    assert (
        "No run of 5S capped is used."
        in flights(in_the_air(refused, session, season))["mapper", OTHER].sentence
    )


# --- comparisons --------------------------------------------------------------------------------------------


def test_pairs_are_compared_besides_the_baseline() -> None:
    third = "six-cell"
    session = flying_session(
        {BASE: {"cells": 4}, OTHER: {"cells": 4}, third: {"cells": 4}},
        pairs=[{"treatment": third, "against": OTHER}],
    )
    season = flying_season()
    scales = {
        name: [SCALE * factor * f for f in FOUR]
        for name, factor in ((BASE, 1.0), (OTHER, 1.02), (third, 1.05))
    }
    _, differences = in_the_air(flying_runs(session, season, scales), session, season)
    assert [(d.treatment, d.baseline) for d in differences] == [(OTHER, BASE), (third, BASE), (third, OTHER)]
    power = differences[2].hover_power_w
    assert power is not None
    assert power.value == pytest.approx(0.03 * 4 * SCALE * 185.0**1.5)


def test_the_check_standard_is_not_carried_over() -> None:
    setups = {BASE: {"cells": 4}, OTHER: {"cells": 4}, "watch": {"cells": 4}}
    session = flying_session(setups, check_standard="watch")
    runs, *rest = runs_of(session=session)
    found = in_the_air(runs, *rest)
    assert {flight.treatment for flight in found[0]} == {BASE, OTHER}
    assert {difference.treatment for difference in found[1]} == {OTHER}


def test_curves_of_staircases_are_read_before_those_of_holds_and_never_mixed() -> None:
    runs, session, season = runs_of()
    held = [
        make_run(
            name, 20 + order, procedure="hold",
            readings=curve(2 * SCALE, thrusts_of(session, season), scatter=0.01),
        )
        for order, name in enumerate([BASE, OTHER])
    ]  # fmt: skip
    own = flights(in_the_air((*runs, *held), session, season))
    assert len(own["mapper", BASE].logs) == 4
    assert all("staircase" in log for log in own["mapper", BASE].logs)
    # with holds alone on one side and staircases alone on the other there is nothing to compare
    apart = (*(run for run in runs if run.treatment == BASE), held[1])
    found = in_the_air(apart, session, season)
    assert flights(found)["mapper", OTHER].minutes is not None
    assert only(found).minutes is None
    assert "their curves come from different procedures" in only(found).sentence


# --- words --------------------------------------------------------------------------------------------------


def test_sentences_carry_value_interval_base_and_runs() -> None:
    found = in_the_air(*runs_of(1.05))
    flight, difference = flights(found)["mapper", BASE], only(found)
    assert flight.minutes is not None
    # FOUR scatters by 0.3162 % a run; Welch with 6 degrees of freedom: k = 2.447; minutes 17.645 and 16.805,
    # standard error of their difference 0.1581 % of both in quadrature, 0.0385; half-width 0.094
    assert flight.sentence == (
        "With 4S the Mapper would hover 17.645\u00a0min (95\u00a0% interval 17.557 to 17.734\u00a0min), drawing "
        "60.39\u00a0W in all (60.09 to 60.69\u00a0W)."
    )
    assert difference.sentence == (
        "With 5S capped the Mapper would hover 16.805\u00a0min instead of 17.645\u00a0min with 4S: 0.840\u00a0min "
        "less (95\u00a0% interval 0.746 to 0.934\u00a0min less, 4 runs each). Hovering draws 3.02\u00a0W more "
        "(95\u00a0% interval 2.68 to 3.36\u00a0W more)."
    )


def test_what_is_not_settled_sounds_like_it() -> None:
    found = only(in_the_air(*runs_of(1.0005)))
    assert found.sentence.startswith(
        "The data do not settle whether the Mapper would hover longer or shorter with 5S capped than with 4S: "
        "the difference is "
    )
    assert "Whether hovering draws more power is not settled: +0.0" in found.sentence


def test_the_parts_are_told_where_packs_differ() -> None:
    setups = {BASE: {"cells": 4}, OTHER: {"cells": 5}}
    sentence = only(in_the_air(*runs_of(1.02, session=flying_session(setups)))).sentence
    assert "Of that, one after the other: the set-up itself, at the thrust that 4S takes, \u2212" in sentence
    assert "; the heavier pack (45\u00a0g more) \u2212" in sentence
    assert "; the energy in the pack (+25\u00a0%) +" in sentence


def test_bench_air_and_volts_are_told() -> None:
    setups = {BASE: {"cells": 4, "volts_per_cell": "4.0 V"}, OTHER: {"supply": "pond-4s"}}
    own = flights(in_the_air(*runs_of(session=flying_session(setups))))
    supplied, on_pack = (" ".join(own["mapper", name].notes) for name in (BASE, OTHER))
    # 20 degC, 1013.25 hPa, 40 %: 1.200 kg/m3, see tests/data/physics_moist_air_density.csv for the formula's check
    assert "in the air of the bench, 1.2\u00a0kg/m³" in supplied
    assert "A bench supply holds its voltage, a pack sags" in supplied
    assert "Power was measured at 4\u00a0V a cell; the minutes count 3.7\u00a0V." in supplied
    assert "Power was measured on Pond 4S itself" in on_pack


def test_a_hover_beyond_the_rating_of_the_pack_is_told() -> None:
    season = flying_season(**{"pond-4s": {"continuous_current": "3 A"}})
    runs, session, _ = runs_of()
    flight = flights(in_the_air(runs, session, season))["mapper", BASE]
    # 60.4 W at 14.8 V are 4.1 A
    assert (
        "With 4S hovering takes about 4.1\u00a0A, more than the 3\u00a0A that Pond 4S is rated for."
        in flight.notes
    )
