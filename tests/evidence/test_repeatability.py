"""Single runs held against the scatter of the rig's check standard."""

from __future__ import annotations

import datetime
import math

import numpy as np
import pytest
from scipy import stats

from generator.evidence.contrasts import contrasts
from generator.evidence.repeatability import run_scatter
from generator.evidence.summaries import summarise
from generator.intake.session import Session
from generator.reduction.records import RunReduction
from tests.evidence.invented_bench import (
    BASE,
    KINDS,
    OTHER,
    at_speed,
    make_run,
    make_session,
    response,
    treatment,
)

AT = at_speed(16000)
STANDARD = "reference"
TREATMENTS = {
    BASE: treatment("4S"),
    OTHER: treatment("5S capped"),
    STANDARD: treatment("Check standard"),
}


def session_on(day: int, **more: object) -> Session:
    made = make_session(
        treatments=TREATMENTS,
        check_standard=STANDARD,
        date=datetime.date(2031, 5, day),
        primary=["electrical_power"],
        **more,  # type: ignore[arg-type]
    )
    return made.model_copy(update={"id": f"invented-{day}"})


def runs_with(values: dict[str, list[float]]) -> list[RunReduction]:
    made = []
    for name, powers in values.items():
        for power in powers:
            made.append(make_run(name, len(made) + 1, response("electrical_power", power, AT, scatter=0.01)))
    return made


def test_scatter_is_pooled_within_sessions_as_a_share_of_the_value() -> None:
    first, second = [100.0, 101.0, 99.0], [200.0, 204.0]
    history = run_scatter(
        [(session_on(1), runs_with({STANDARD: first})), (session_on(2), runs_with({STANDARD: second}))],
        session_on(2),
        KINDS,
    )["electrical_power"]
    # by hand: squared shares 0 + 1e-4 + 1e-4, and twice (2/202)^2, over 2 + 1 degrees of freedom
    expected = math.sqrt((2 * 0.01**2 + 2 * (2 / 202) ** 2) / 3)
    assert history.sd == pytest.approx(expected)
    assert (history.dof, history.runs, history.sessions) == (3, 5, 2)
    assert history.relative
    assert history.at(50.0) == pytest.approx(50.0 * expected)


def test_later_sessions_and_other_rigs_do_not_count() -> None:
    early = (session_on(1), runs_with({STANDARD: [100.0, 101.0]}))
    late = (session_on(20), runs_with({STANDARD: [100.0, 150.0]}))
    other = session_on(1)
    other = other.model_copy(update={"rig": other.rig.model_copy(update={"id": "elsewhere"})})
    elsewhere = (other, runs_with({STANDARD: [100.0, 150.0]}))
    history = run_scatter([early, late, elsewhere], session_on(10), KINDS)
    assert history["electrical_power"].runs == 2


def test_one_check_standard_run_a_session_tells_nothing_of_repeats() -> None:
    sessions = [(session_on(day), runs_with({STANDARD: [100.0 + day]})) for day in (1, 2, 3)]
    assert run_scatter(sessions, session_on(3), KINDS) == {}


def test_single_runs_take_the_rigs_scatter_and_stay_indicative() -> None:
    session = session_on(2)
    past = [(session_on(1), runs_with({STANDARD: [100.0, 101.0, 99.0, 100.5]}))]
    runs = runs_with({BASE: [100.0], OTHER: [101.0]})
    history = run_scatter(past, session, KINDS)
    (found,) = contrasts(summarise(runs, KINDS), runs, session, KINDS, history)
    sd = history["electrical_power"].sd
    u = math.hypot(100.0 * sd, 101.0 * sd)
    # one estimated scatter serves both sides, so its three degrees of freedom are those of the difference
    half = float(stats.t.ppf(0.975, 3)) * u
    assert found.basis == "rig repeatability"
    assert found.indicative
    assert found.interval == pytest.approx((1.0 - half, 1.0 + half))
    assert "4 runs of the check standard in 1 session" in found.method
    assert found.sentence.startswith("Indicative, one run each: ")
    (without,) = contrasts(summarise(runs, KINDS), runs, session, KINDS)
    assert without.basis == "within one run"
    assert without.standard_uncertainty < 0.1 * found.standard_uncertainty


def test_the_check_standard_itself_is_not_compared() -> None:
    runs = runs_with({BASE: [100.0, 101.0], OTHER: [102.0, 103.0], STANDARD: [90.0, 91.0]})
    found = contrasts(summarise(runs, KINDS), runs, session_on(1), KINDS)
    assert {(c.treatment, c.baseline) for c in found} == {(OTHER, BASE)}


def test_intervals_from_the_history_hold_the_true_difference_as_often_as_they_say() -> None:
    # invented: run-to-run scatter 1 %, history of 4 runs, one run each, true difference 2 W
    rng = np.random.default_rng(11)
    session, held, sessions = session_on(2), 0, 600
    for _ in range(sessions):
        standard = list(rng.normal(100.0, 1.0, 4))
        runs = runs_with({BASE: [rng.normal(100.0, 1.0)], OTHER: [rng.normal(102.0, 1.02)]})
        history = run_scatter([(session_on(1), runs_with({STANDARD: standard}))], session, KINDS)
        (found,) = contrasts(summarise(runs, KINDS), runs, session, KINDS, history)
        held += found.interval[0] <= 2.0 <= found.interval[1]
    # within 1 in 10 000 of 95 %, on both sides
    low, high = stats.binom.ppf([5e-5, 1 - 5e-5], sessions, 0.95)
    assert low <= held <= high
