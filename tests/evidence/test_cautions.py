"""Cautions: raised just above their thresholds and not just below, told once, worded from their facts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pytest

from generator.evidence.cautions import RULES, SEVERITY, cautions, raised_by
from generator.evidence.records import Caution
from generator.intake.caution_texts import ALWAYS_ON, CAUTION_PLACES
from generator.intake.session import Season, Session
from generator.reduction.drain import DrainPlan
from generator.reduction.records import RunReduction, StepRow, Window
from tests.evidence.invented_bench import (
    BASE,
    OTHER,
    TEXTS,
    THRESHOLDS,
    at_speed,
    make_run,
    make_season,
    make_session,
    response,
    treatment,
)
from tests.evidence.test_sentences import plain_spaces

ZERO = 273.15
AIR = 293.15


def raised(
    runs: Sequence[RunReduction] = (), season: Season | None = None, session: Session | None = None
) -> dict[str, Mapping[str, str]]:
    """Id of the text -> facts, in plain spaces; ids must not repeat in these tests."""
    found = raised_by(runs, season or make_season(), session or make_session(), THRESHOLDS)
    for one in found:
        assert set(one.facts) == set(CAUTION_PLACES[one.id]), one.id
        assert set(one.treatments) <= {BASE, OTHER}
    assert len({one.id for one in found}) == len(found)
    return {one.id: {k: plain_spaces(v) for k, v in one.facts.items()} for one in found}


def only(**more: Any) -> Session:
    """A session whose second treatment differs by these keys."""
    return make_session(treatments={BASE: treatment("4S"), OTHER: treatment("5S capped", **more)})


def warm(column: str, celsius: float, **more: Any) -> RunReduction:
    """A soak in which a sensor climbs to a temperature and stays there."""
    ramp = np.minimum(np.linspace(20.0, 2.0 * celsius - 20.0, 200), celsius)
    return make_run(
        OTHER, 1, procedure="soak", trace={"time_s": np.arange(200.0), column: ramp + ZERO}, **more
    )


def test_nothing_is_raised_without_a_reason() -> None:
    run = make_run(OTHER, 1, response("electrical_power", 100.0, at_speed(16000)))
    assert raised([run]) == {}


# --- parts --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("part", "id_", "label"), [
    ("motor", "cells-over-motor", "Heron 1806"), ("controller", "cells-over-controller", "Drive 35")])  # fmt: skip
def test_cells_over_the_rating(part: str, id_: str, label: str) -> None:
    season = make_season(**{part: {"rated_cells": 4}})
    assert raised(season=season, session=only(cells=4)) == {}
    assert raised(season=season, session=only(cells=5)) == {id_: {"cells": "5", "rated": "4", "part": label}}
    assert raised(season=make_season(), session=only(cells=12)) == {}  # no rating, no caution


def test_the_cells_of_a_pack_count_where_the_treatment_names_none() -> None:
    season = make_season(motor={"rated_cells": 4}, pack={"cells": 5})
    assert "cells-over-motor" in raised(season=season, session=only(supply="pack"))


def test_a_cap_that_alone_holds_the_speed() -> None:
    # KV 2000 on 5 cells of 4.2 V: 42 000 rpm at most
    facts = {"treatment": "5S capped", "cap_percent": "80", "speed_rpm": "42 000", "part": "Tri 5.1"}
    below, above = (make_season(propeller={"speed_limit": f"{limit} rpm"}) for limit in (42001, 41900))
    capped = only(cells=5, output_cap="80 %")
    assert raised(season=below, session=capped) == {}
    assert raised(season=above, session=capped) == {"cap-lost-overspeed": {**facts, "limit_rpm": "41 900"}}
    assert raised(season=above, session=only(cells=5)) == {}  # no cap that could be lost
    assert raised(season=make_season(), session=capped) == {}  # no limit stated
    # the lower of two limits counts
    both = make_season(propeller={"speed_limit": "41900 rpm"}, motor={"speed_limit": "30000 rpm"})
    assert raised(season=both, session=capped)["cap-lost-overspeed"]["part"] == "Heron 1806"


def test_cells_set_above_full_count_as_set() -> None:
    season = make_season(propeller={"speed_limit": "43000 rpm"})
    assert raised(season=season, session=only(cells=5, output_cap="80 %", volts_per_cell="4.35 V")) != {}


# --- current, speed, sound ----------------------------------------------------------------------------------


@pytest.mark.parametrize("part", ["motor", "controller"])
@pytest.mark.parametrize(("current", "fires"), [(29.99, False), (30.01, True)])
def test_current_over_the_rating(part: str, current: float, fires: bool) -> None:
    season = make_season(**{part: {"continuous_current": "30 A"}})
    found = raised([make_run(OTHER, 1, response("current", current, at_speed(16000)))], season)
    assert ("current-over-rating" in found) is fires
    if fires:
        assert found["current-over-rating"]["treatment"] == "5S capped"
        assert found["current-over-rating"]["current_a"] == "30.01"


def test_current_over_the_rating_of_a_pack_from_steps_and_on_periods() -> None:
    season = make_season(pack={"continuous_current": "20 A"})
    session = only(supply="pack")
    step = StepRow(direction="up", throttle=1.0, start_s=0.0, stop_s=1.0, means=(("current_a", 20.5, 0.1),))
    assert "pack-current-over-rating" in raised(
        [make_run(OTHER, 1, procedure="staircase", steps=(step,))], season, session
    )
    trace = {"time_s": np.arange(100.0), "current_a": np.where(np.arange(100) % 20 < 10, 21.0, 0.0)}
    on = Window(kind="on", label="on 1", start_s=0.0, stop_s=9.0)
    averaged = Window(kind="averaged", label="all", start_s=0.0, stop_s=99.0)
    soak = make_run(OTHER, 1, procedure="soak", trace=trace, windows=(on, averaged))
    assert raised([soak], season, session)["pack-current-over-rating"]["current_a"] == "21"
    # a peak within the mean is no mean
    peak = make_run(OTHER, 1, response("peak_current", 60.0), procedure="spin-up", trace=trace)
    assert "pack-current-over-rating" not in raised([peak], season, session)


@pytest.mark.parametrize(("speed", "fires"), [(29990.0, False), (30010.0, True)])
def test_speed_over_the_limit_of_the_propeller(speed: float, fires: bool) -> None:
    season = make_season(propeller={"speed_limit": "30000 rpm", "diameter": "100 mm"})
    run = make_run(OTHER, 1, response("top_speed", speed), procedure="staircase")
    assert ("speed-over-propeller-limit" in raised([run], season)) is fires


def test_a_spike_of_the_speed_sensor_is_no_overspeed() -> None:
    season = make_season(propeller={"speed_limit": "30000 rpm", "diameter": "100 mm"})
    trace = {"time_s": np.arange(200.0), "speed_rpm": np.where(np.arange(200) == 70, 90000.0, 20000.0)}
    assert raised([make_run(OTHER, 1, trace=trace)], season) == {}
    trace["speed_rpm"] = np.where(np.arange(200) > 150, 30500.0, 20000.0)
    assert "speed-over-propeller-limit" in raised([make_run(OTHER, 1, trace=trace)], season)


@pytest.mark.parametrize(("speed", "fires"), [(35250.0, False), (35350.0, True)])
def test_tip_mach(speed: float, fires: bool) -> None:
    # ISO 9613-1: 343.2 m/s at 20 °C; 0.7 of it at the tip of 130 mm is 35 294 rpm
    found = raised([make_run(OTHER, 1, response("top_speed", speed), procedure="staircase")])
    assert ("tip-mach" in found) is fires
    if fires:
        assert found["tip-mach"] == {"mach": "0.70", "treatment": "5S capped", "speed_rpm": "35 350"}


@pytest.mark.parametrize(("level", "fires"), [(84.9, False), (85.0, True), (92.2, True)])
def test_sound_level(level: float, fires: bool) -> None:
    run = make_run(OTHER, 1, response("sound_level", level, at_speed(16000)))
    found = raised([run], session=make_session(sound_distance="0.5 m"))
    assert ("sound-level" in found) is fires
    if level == 85.0:
        assert found["sound-level"] == {"level_db": "85", "allowed": "8 h", "distance": "0.5 m"}
    assert (
        raised([run], session=make_session()).get("sound-level", {"distance": "not stated"})["distance"]
        == "not stated"
    )


@pytest.mark.parametrize(
    ("procedure", "fires"), [("hold", False), ("spin-up", True), ("soak", True), ("staircase", True)]
)
def test_a_supply_that_cannot_absorb(procedure: str, fires: bool) -> None:
    run = make_run(OTHER, 1, procedure=procedure)
    assert raised([run]) == ({"supply-cannot-absorb": {"supply": "Bench supply"}} if fires else {})
    assert raised([run], make_season(supply={"absorbs_returned_energy": True})) == {}
    packs = make_session(treatments={n: treatment(n, supply="pack") for n in (BASE, OTHER)})
    assert raised([run], session=packs) == {}


# --- packs --------------------------------------------------------------------------------------------------


def drained(*, start_c: float = 20.0, lowest: float = 13.2) -> RunReduction:
    """A drain of the pack of four cells down to 3.3 V a cell."""
    trace = {"time_s": np.arange(200.0), "voltage_v": np.maximum(np.linspace(16.6, 9.0, 200), lowest)}
    fits = (("pack_start_temperature_k", start_c + ZERO),)
    return make_run(OTHER, 1, procedure="drain", trace=trace, fits=fits)


def on_a_pack() -> Session:
    session = only(supply="pack", cells=4)
    plan = DrainPlan.model_validate({"throttle": "60 %", "cut_off": "3.3 V"})
    return session.model_copy(update={"plans": {**session.plans, "drain": plan}})


def test_emptying_a_pack_is_told() -> None:
    found = raised([drained()], session=on_a_pack())
    assert found == {"pack-over-discharge": {"part": "Pack 4S", "cut_off_v": "3.3"}}
    assert "pack-over-discharge" not in raised([make_run(OTHER, 1)], session=on_a_pack())


@pytest.mark.parametrize(("celsius", "fires"), [(10.1, False), (9.9, True)])
def test_a_cold_pack(celsius: float, fires: bool) -> None:
    found = raised([drained(start_c=celsius)], session=on_a_pack())
    assert ("pack-cold" in found) is fires
    if fires:
        assert found["pack-cold"]["temperature_c"] == "9.9"


@pytest.mark.parametrize(("lowest", "fires"), [(12.02, False), (11.98, True)])
def test_a_pack_that_fell_too_far(lowest: float, fires: bool) -> None:
    found = raised([drained(lowest=lowest)], session=on_a_pack())
    assert ("pack-below-limit" in found) is fires
    # a logger that runs before the pack is plugged in shows no emptied pack
    trace = {"time_s": np.arange(200.0), "voltage_v": np.where(np.arange(200) < 100, 0.1, 15.0)}
    assert "pack-below-limit" not in raised([make_run(OTHER, 1, trace=trace)], session=on_a_pack())


# --- temperatures -------------------------------------------------------------------------------------------

QUIET = {"absorbs_returned_energy": True}


@pytest.mark.parametrize(("part", "column"), [
    ("motor", "motor_temperature_k"), ("controller", "controller_temperature_k")])  # fmt: skip
@pytest.mark.parametrize(("celsius", "fires"), [(99.9, False), (100.2, True)])
def test_a_stated_limit(part: str, column: str, celsius: float, fires: bool) -> None:
    season = make_season(supply=QUIET, **{part: {"temperature_limit": "100 degC"}})
    found = raised([warm(column, celsius)], season)
    assert ("temperature-over-limit" in found) is fires
    if fires:  # whole degrees would read as 100 against 100
        assert found["temperature-over-limit"]["temperature_c"] == "100.2"
        assert found["temperature-over-limit"]["limit_c"] == "100.0"
        assert found["temperature-over-limit"]["basis"] == "stated for the part"


@pytest.mark.parametrize(("celsius", "fires"), [(154.9, False), (155.0, True)])
def test_winding_class(celsius: float, fires: bool) -> None:
    season = make_season(supply=QUIET, motor={"thermal_class": "F"})  # IEC 60085: class F is 155 °C
    found = raised([warm("motor_temperature_k", celsius)], season)
    assert ("winding-class" in found) is fires
    assert "temperature-over-limit" not in found


@pytest.mark.parametrize(("celsius", "fires"), [(119.9, False), (120.0, True)])
def test_magnets(celsius: float, fires: bool) -> None:
    season = make_season(supply=QUIET, motor={"magnet_grade": "H"})  # trade guide value 120 °C
    found = raised([warm("motor_temperature_k", celsius)], season)
    assert ("magnet-limit" in found) is fires
    if fires:
        assert found["magnet-limit"]["grade"] == "H"


@pytest.mark.parametrize(("celsius", "fires"), [(47.9, False), (48.0, True)])
def test_hot_surfaces(celsius: float, fires: bool) -> None:
    found = raised([warm("controller_temperature_k", celsius)], make_season(supply=QUIET))
    assert found == ({"hot-surface": {"temperature_c": "48", "part": "Drive 35"}} if fires else {})


def test_a_rise_without_a_trace_counts_above_the_air() -> None:
    run = make_run(OTHER, 1, response("motor_temperature_rise", 40.0, at_speed(16000)))
    assert raised([run]) == {"hot-surface": {"temperature_c": "60", "part": "Heron 1806"}}


@pytest.mark.parametrize(("rise", "fires"), [(99.9, False), (100.5, True)])
def test_a_soak_that_would_settle_above_the_limit(rise: float, fires: bool) -> None:
    # air 20 °C, magnets 120 °C: lower than class F, so the magnets are the limit
    season = make_season(supply=QUIET, motor={"magnet_grade": "H", "thermal_class": "F"})
    run = make_run(
        OTHER, 1, response("settled_rise", rise), response("temperature_rise", 20.0), procedure="soak"
    )
    found = raised([run], season)
    assert ("temperature-near-limit" in found) is fires
    if fires:
        assert found["temperature-near-limit"]["basis"] == "guide value of magnet suffix H"
    reached = warm("motor_temperature_k", 125.0)
    assert "temperature-near-limit" not in raised([run, reached], season)  # then it is told as reached


def test_refused_runs_heat_and_endanger_all_the_same() -> None:
    season = make_season(supply=QUIET, motor={"temperature_limit": "100 degC"})
    assert "temperature-over-limit" in raised(
        [warm("motor_temperature_k", 110.0, refused="left out")], season
    )


# --- together -----------------------------------------------------------------------------------------------


def made(runs: Sequence[RunReduction], season: Season, session: Session) -> tuple[Caution, ...]:
    return cautions(runs, season, session, TEXTS, THRESHOLDS)


def test_every_session_has_the_ones_always_shown() -> None:
    found = made([], make_season(), make_session())
    assert {c.id for c in found if c.always_on} == set(ALWAYS_ON)
    assert all(c.always_on for c in found)


def test_cautions_are_filled_sorted_and_have_unique_ids() -> None:
    season = make_season(
        motor={"rated_cells": 4, "temperature_limit": "60 degC", "continuous_current": "10 A"},
        controller={"rated_cells": 4, "continuous_current": "10 A"},
    )
    session = make_session(
        treatments={n: treatment(n, cells=c) for n, c in ((BASE, 5), (OTHER, 6))},
        cautions=[{"signal": "NOTICE", "text": "The door was {open}."}],
    )
    runs = [
        make_run(n, o, response("current", 20.0 + o, at_speed(9000)), procedure="soak",
                 trace={"motor_temperature_k": [340.0 + o] * 3})
        for o, n in enumerate((BASE, OTHER), start=1)
    ]  # fmt: skip
    found = made(runs, season, session)
    ids = [c.id for c in found]
    assert len(ids) == len(set(ids))
    ranks = [SEVERITY.index(c.signal) for c in found]
    assert ranks == sorted(ranks)
    for caution in found:
        if not caution.id.startswith("stated"):
            assert "{" not in caution.title + caution.hazard + caution.consequence + caution.avoidance
            assert caution.hazard
            assert caution.avoidance
    by_id = {c.id: c for c in found}
    assert by_id["stated-1"].hazard == "The door was {open}."  # a tester's braces are only braces
    # one motor, two treatments: told once, with the most cells
    assert by_id["cells-over-motor"].hazard.startswith("6 cells are used on Heron 1806")
    assert by_id["cells-over-motor"].applies_to == (BASE, OTHER)
    # words that name the treatment are told for each, motor and controller
    assert len([i for i in ids if i.startswith("current-over-rating")]) == 4
    assert by_id["hot-surface"].applies_to == (BASE, OTHER)


def test_a_raised_caution_without_a_text_is_an_error() -> None:
    texts = {name: text for name, text in TEXTS.items() if name != "cells-over-motor"}
    with pytest.raises(KeyError, match="cells-over-motor"):
        cautions([], make_season(motor={"rated_cells": 3}), only(cells=4), texts, THRESHOLDS)


def test_runs_without_a_propeller_bring_their_own_caution() -> None:
    session = make_session()
    runs = [make_run(name, 1, procedure="free-run") for name in (BASE, OTHER)]
    (found,) = (c for c in made(runs, make_season(), session) if c.id == "bare-motor")
    assert found.signal == "WARNING"
    assert "rated" in found.hazard
    assert "unplug" in found.avoidance
    others = [make_run(name, 1, procedure="hold") for name in (BASE, OTHER)]
    assert not [c for c in made(others, make_season(), session) if c.id == "bare-motor"]


def test_every_text_that_is_not_always_shown_has_a_rule() -> None:
    """The tests above raise each of them; this only holds their number, so that a new text is not forgotten."""
    assert len(CAUTION_PLACES) - len(ALWAYS_ON) == 19
    assert len(RULES) == 12
