"""Order of the runs: balance, blocks, changes, cooling pauses, time, charge and noise."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from generator.evidence.noise import allowed_minutes
from generator.intake.session import Session, Treatment
from generator.planning.design_demand import Point, run_demand
from generator.planning.design_order import (
    STEP_MIN,
    change_between,
    planned_runs,
    running_order,
    totals,
)
from generator.planning.design_records import Chosen, Order, PlannedRun, RunDemand
from generator.reduction.drain import DrainPlan
from generator.reduction.hold import HoldPlan
from generator.reduction.soak import SoakPlan
from generator.reduction.spin_up import SpinUpPlan
from generator.reduction.staircase import StaircasePlan
from tests.evidence.invented_bench import make_season, make_session, treatment

HOLD = HoldPlan.model_validate({"speed": ["9000 rpm", "16000 rpm"], "settle": "1 s", "window": "3 s"})
SOAK = SoakPlan.model_validate({"speed": "16000 rpm", "on": "4 s", "off": "4 s", "cycles": 5})


def session(count: int = 2, *, standard: bool = False, **more: object) -> Session:
    names = [f"t{place}" for place in range(count)]
    treatments = {name: treatment(name, cells=4 + place) for place, name in enumerate(names)}
    if standard:
        treatments["watch"] = treatment("watch")
        more["check_standard"] = "watch"
    made = make_session(treatments=treatments, baseline="t0", **more)
    return made.model_copy(update={"plans": {"hold": HOLD, "soak": SOAK}})


def chosen(hold: int, soak: int) -> tuple[Chosen, ...]:
    return (Chosen(procedure="hold", repeats=hold, why=""), Chosen(procedure="soak", repeats=soak, why=""))


@given(
    count=st.integers(2, 5), hold=st.integers(1, 6), soak=st.integers(1, 5),
    order=st.sampled_from(["abba", "random"]), seed=st.integers(0, 5),
)  # fmt: skip
@settings(max_examples=60, deadline=None)
def test_every_block_holds_every_treatment_once(
    count: int, hold: int, soak: int, order: Order, seed: int
) -> None:
    slots = running_order(session(count), chosen(hold, soak), order, seed, STEP_MIN)
    assert [slot.procedure for slot in slots] == ["hold"] * hold * count + ["soak"] * soak * count
    blocks = [list(group) for _, group in itertools.groupby(slots, key=lambda slot: slot.block)]
    assert [block[0].block for block in blocks] == list(range(1, hold + soak + 1))
    for block in blocks:
        assert {slot.treatment for slot in block} == {f"t{place}" for place in range(count)}
        assert len({(slot.procedure, slot.repeat) for slot in block}) == 1
    assert slots == running_order(session(count), chosen(hold, soak), order, seed, STEP_MIN)
    if order == "abba":
        changes = sum(a.treatment != b.treatment for a, b in itertools.pairwise(slots))
        assert changes == (hold + soak) * (count - 1), "nothing is changed between blocks"


@given(count=st.integers(2, 5), pairs=st.integers(1, 4))
@settings(max_examples=20, deadline=None)
def test_a_straight_drift_falls_on_all_treatments_alike(count: int, pairs: int) -> None:
    slots = running_order(session(count), (chosen(2 * pairs, 1)[0],), "abba", 1, STEP_MIN)
    places: dict[str, list[int]] = {}
    for place, slot in enumerate(slots):
        places.setdefault(slot.treatment, []).append(place)
    assert {sum(found) / len(found) for found in places.values()} == {(len(slots) - 1) / 2}


def test_another_seed_is_another_order() -> None:
    orders = {running_order(session(), chosen(6, 4), "random", seed, STEP_MIN) for seed in range(6)}
    assert len(orders) > 1


def test_the_check_standard_is_first_and_last_in_no_block() -> None:
    slots = running_order(session(standard=True), chosen(2, 2), "abba", 1, STEP_MIN)
    assert [(slots[k].treatment, slots[k].block, slots[k].repeat) for k in (0, -1)] == [
        ("watch", None, 1),
        ("watch", None, 2),
    ]
    assert all(slot.treatment != "watch" for slot in slots[1:-1])
    assert slots[0].procedure == "hold"


def test_runs_of_the_stand_alone_come_first_and_once() -> None:
    made = session()
    made = made.model_copy(update={"plans": {"hold": HOLD, "zero": HOLD}})
    slots = running_order(made, (Chosen(procedure="hold", repeats=2, why=""),), "abba", 1, STEP_MIN)
    assert (slots[0].procedure, slots[0].treatment, slots[0].block) == ("zero", "", None)
    assert all(slot.procedure == "hold" for slot in slots[1:])
    runs = planned_runs(made, slots, lambda *_: RunDemand(duration_s=1.0, running_s=0.0), STEP_MIN, 100.0)
    assert runs[0].log == "logs/01-zero-1.csv"
    assert runs[1].change.steps == ()


def test_treatments_that_are_quickly_changed_stand_side_by_side() -> None:
    named = {
        "a": treatment("a", cells=4), "b": treatment("b", cells=4, motor="other"),
        "c": treatment("c", cells=5), "d": treatment("d", cells=5, motor="other"),
    }  # fmt: skip
    made = make_session(treatments=named, baseline="a").model_copy(update={"plans": {"hold": HOLD}})
    slots = running_order(made, (Chosen(procedure="hold", repeats=1, why=""),), "abba", 1, STEP_MIN)
    motors = [made.file.treatments[slot.treatment].motor for slot in slots]
    assert sum(a != b for a, b in itertools.pairwise(motors)) == 1


@pytest.mark.parametrize(
    ("after", "steps"),
    [
        ({}, ("about",)),
        ({"cells": 5}, ("setting",)),
        ({"output_cap": "80 %"}, ("setting",)),
        ({"propeller": "duo"}, ("propeller",)),
        ({"supply": "pack", "motor": "other"}, ("supply", "motor")),
    ],
)
def test_what_is_changed_and_how_long_it_takes(after: dict[str, object], steps: tuple[str, ...]) -> None:
    before = Treatment.model_validate(treatment("before", cells=4))
    change = change_between(
        before, Treatment.model_validate(treatment("after", **{"cells": 4, **after})), STEP_MIN
    )
    assert change.steps == steps
    assert change.minutes == sum(STEP_MIN[step] for step in steps)
    assert change_between(before, before, STEP_MIN).steps == ("again",)
    assert change_between(None, before, STEP_MIN).minutes == 0.0


# --- pauses -------------------------------------------------------------------------------------------------


def runs_of(
    made: Session, demand: RunDemand, tau: float, repeats: int = 2, minutes: float = 0.0
) -> Sequence[PlannedRun]:
    slots = running_order(made, (Chosen(procedure="hold", repeats=repeats, why=""),), "abba", 1, STEP_MIN)
    return planned_runs(made, slots, lambda *_: demand, dict.fromkeys(STEP_MIN, minutes), tau)


def test_a_motor_cools_to_two_kelvin_above_the_air() -> None:
    demand = RunDemand(duration_s=60.0, running_s=50.0, rise_k=30.0)
    runs = runs_of(session(), demand, tau=100.0)
    assert runs[0].cooling_s == 0.0
    assert runs[1].cooling_s == pytest.approx(100.0 * math.log(30.0 / 2.0))
    # what was left decays during the run, the run's own rise comes on top of it
    left = 2.0 * math.exp(-60.0 / 100.0)
    assert runs[2].cooling_s == pytest.approx(100.0 * math.log((30.0 + left) / 2.0))
    assert runs[1].starts_min == pytest.approx((60.0 + runs[1].cooling_s) / 60.0)


def test_a_change_and_a_pause_pass_at_the_same_time() -> None:
    demand = RunDemand(duration_s=60.0, running_s=50.0, rise_k=3.0)
    runs = runs_of(session(), demand, tau=100.0, minutes=10.0)
    assert 0.0 < runs[1].cooling_s < 600.0
    assert runs[1].starts_min == pytest.approx(1.0 + 10.0)


def test_another_motor_need_not_be_waited_for() -> None:
    named = {"a": treatment("a"), "b": treatment("b", motor="other")}
    made = make_session(treatments=named, baseline="a").model_copy(update={"plans": {"hold": HOLD}})
    demand = RunDemand(duration_s=60.0, running_s=50.0, rise_k=30.0)
    runs = runs_of(made, demand, tau=100.0)
    assert [run.treatment for run in runs] == ["a", "b", "b", "a"]
    # the second run of b waits for b; a has cooled meanwhile
    assert [run.cooling_s > 0.0 for run in runs] == [False, False, True, False]


def test_logs_are_named_after_their_place() -> None:
    runs = runs_of(session(), RunDemand(duration_s=1.0, running_s=1.0), tau=100.0)
    assert [run.log for run in runs] == [
        "logs/01-hold-t0-1.csv", "logs/02-hold-t1-1.csv", "logs/03-hold-t1-2.csv", "logs/04-hold-t0-2.csv",
    ]  # fmt: skip


# --- what it takes ------------------------------------------------------------------------------------------


def test_charge_and_time_of_a_hold_by_hand() -> None:
    points = (
        Point(kind="speed", value=9000.0, current_a=2.0, power_w=32.0, sound_db=80.0),
        Point(kind="speed", value=16000.0, current_a=8.0, power_w=120.0, sound_db=95.0),
    )
    found = run_demand("hold", HOLD, points)
    each = 1.0 + 3.0 + 0.6  # settle, window, slack of the operator
    assert found.duration_s == pytest.approx(2.0 * each + 1.8 + 2.4)
    assert found.running_s == pytest.approx(2.0 * each)
    assert found.charge_ah == pytest.approx((2.0 + 8.0) * each / 3600.0)
    assert found.energy_wh == pytest.approx((32.0 + 120.0) * each / 3600.0)
    assert found.sound == ((80.0, pytest.approx(each)), (95.0, pytest.approx(each)))


def test_between_foreseen_speeds_current_goes_with_the_square() -> None:
    plan = SpinUpPlan.model_validate({"from": "4000 rpm", "to": ["8000 rpm"], "cycles": 1, "dwell": "1 s"})
    found = run_demand("spin-up", plan, (Point(kind="speed", value=8000.0, current_a=4.0, power_w=64.0),))
    seconds_low = 1.0 + 1.0 + 1.0  # lead and dwell before, dwell after
    assert found.charge_ah == pytest.approx((4.0 * 1.0 + 1.0 * seconds_low) / 3600.0)
    assert found.energy_wh == pytest.approx((64.0 * 1.0 + 8.0 * seconds_low) / 3600.0)
    assert found.sound == ()
    assert run_demand("spin-up", plan, ()).charge_ah is None


def test_a_staircase_is_foreseen_by_its_throttles() -> None:
    plan = StaircasePlan.model_validate(
        {"throttle": ["20 %", "40 %", "60 %"], "step": "2 s", "average": "1 s", "down": False}
    )
    points = tuple(
        Point(kind="throttle", value=v, current_a=10.0 * v, power_w=160.0 * v) for v in (0.2, 0.4, 0.6)
    )
    assert run_demand("staircase", plan, points).charge_ah == pytest.approx(2.0 * (2.0 + 4.0 + 6.0) / 3600.0)


def test_the_dose_is_time_over_allowed_time() -> None:
    # NIOSH Publication 98-126, Table 1-1: 85 dB(A) for 480 min, 100 dB(A) for 15 min
    demand = RunDemand(duration_s=300.0, running_s=300.0, sound=((85.0, 240.0), (100.0, 60.0)))
    made = session()
    found = totals(make_season(), made, runs_of(made, demand, tau=1.0), allowed_minutes)
    assert found.dose == pytest.approx(4.0 * (4.0 / 480.0 + 1.0 / 15.0))
    assert found.running_min == pytest.approx(20.0)


def test_no_run_is_begun_that_the_pack_cannot_finish() -> None:
    named = {"a": treatment("a", supply="pack"), "b": treatment("b", supply="pack")}
    made = make_session(treatments=named, baseline="a").model_copy(update={"plans": {"hold": HOLD}})
    # 1300 mAh, of which 80 % are used: 1.04 Ah; two runs of 0.5 Ah a charge
    demand = RunDemand(duration_s=60.0, running_s=60.0, charge_ah=0.5, energy_wh=7.0)
    runs = runs_of(made, demand, tau=1.0, repeats=3)
    (pack,) = totals(make_season(), made, runs, allowed_minutes).packs
    assert (pack.runs, pack.runs_a_fill, pack.fills) == (6, 2, 3)
    assert pack.charge_ah == pytest.approx(3.0)
    too_much = RunDemand(duration_s=60.0, running_s=60.0, charge_ah=1.2, energy_wh=7.0)
    (pack,) = totals(make_season(), made, runs_of(made, too_much, tau=1.0), allowed_minutes).packs
    assert pack.runs_a_fill == 0


def test_a_drain_takes_a_full_pack_and_is_not_too_much() -> None:
    named = {"a": treatment("a", supply="pack"), "b": treatment("b", supply="pack")}
    drain = DrainPlan.model_validate({"throttle": "50 %", "cut_off": "3.4 V"})
    made = make_session(treatments=named, baseline="a").model_copy(update={"plans": {"hold": drain}})
    whole = RunDemand(duration_s=600.0, running_s=600.0, charge_ah=1.3, energy_wh=19.0)
    runs = runs_of(made, whole, tau=1.0, repeats=3)
    (pack,) = totals(make_season(), made, runs, allowed_minutes).packs
    assert (pack.runs, pack.runs_a_fill, pack.fills, pack.emptied) == (6, 1, 6, True)
