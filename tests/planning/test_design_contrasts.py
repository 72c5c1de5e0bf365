"""What a session will compare, told before any run: held against what the analysis of its logs compares."""

from __future__ import annotations

import pytest

from generator.evidence.records import SessionAnalysis
from generator.intake.session import Session
from generator.pipeline import analyse_season
from generator.planning.design_contrasts import conditions, expected_responses, family_size
from generator.reduction.free_run import FreeRunPlan
from generator.reduction.hold import HoldPlan
from generator.reduction.spin_up import SpinUpPlan
from generator.reduction.staircase import StaircasePlan
from tests.seasons import write_season


@pytest.fixture(scope="module")
def analysed(tmp_path_factory: pytest.TempPathFactory) -> tuple[Session, SessionAnalysis]:
    found = analyse_season(write_season(tmp_path_factory.mktemp("season") / "s"))
    return found.season.sessions[0], found.sessions[0]


def test_what_is_expected_is_what_comes(analysed: tuple[Session, SessionAnalysis]) -> None:
    session, analysis = analysed
    expected = {(one.response, one.at) for one in expected_responses(session)}
    assert expected == {(found.response, found.at) for found in analysis.responses}


def test_the_families_are_those_of_the_analysis(analysed: tuple[Session, SessionAnalysis]) -> None:
    session, analysis = analysed
    expected = expected_responses(session)
    # in this season the runs of some responses agree to the last digit, which leaves their contrasts out
    made = {(c.response, c.at) for c in analysis.contrasts}
    left_out = {(found.response, found.at) for found in analysis.responses} - made
    sizes = {c.family: c.family_size for c in analysis.contrasts}
    assert family_size("exploratory", expected, session) == sizes["exploratory"] + len(left_out)
    assert {c.jointly for c in analysis.contrasts if c.primary} == {family_size("primary", expected, session)}


def test_conditions_of_plans() -> None:
    hold = HoldPlan.model_validate({"speed": ["9000 rpm", "16000 rpm"]})
    assert conditions(hold) == ((("speed_rpm", 9000.0),), (("speed_rpm", 16000.0),))
    up = SpinUpPlan.model_validate({"from": "4000 rpm", "to": ["14000 rpm"], "cycles": 3})
    assert conditions(up) == ((("speed_rpm", 14000.0),),)
    stairs = StaircasePlan.model_validate(
        {"throttle": ["20 %", "40 %", "60 %"], "step": "2 s", "average": "1 s",
         "compare_at": {"thrust": ["200 gf"], "throttle": ["50 %"]}}
    )  # fmt: skip
    free = FreeRunPlan.model_validate({"speed": ["6000 rpm", "9000 rpm"]})
    assert conditions(free) == ((), (("speed_rpm", 6000.0),), (("speed_rpm", 9000.0),))
    # to ten digits: newtons and back give the very setpoint
    assert conditions(stairs) == ((("thrust_gf", 200.0),), (("throttle_percent", 50.0),), ())
