"""Rehearsed sessions in memory: simulated logs in, analysis out, beside the truth."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

from generator.evidence.aircraft import hover_thrusts_n
from generator.evidence.assess import assess
from generator.evidence.records import SessionAnalysis
from generator.intake.log_records import SIMULATED_MARK, BenchLog, LogDialect
from generator.intake.reference_texts import load_caution_texts, load_thresholds
from generator.intake.season import load_season
from generator.intake.session import Season, Session
from generator.planning.rehearsal_file import Rehearsal, load_rehearsal
from generator.planning.rehearse import simulate_session, true_responses
from generator.reduction.procedures import PROCEDURES, contracts, response_kinds
from generator.reduction.records import At, Setup
from generator.reduction.run import air_state, reduce_run
from tests.conftest import DEMO, ROOT

TEXTS = ROOT / "content" / "cautions"


@dataclass(frozen=True)
class Rehearsed:
    """One rehearsed session with its analysis and the true value of (response, at, treatment)."""

    analysis: SessionAnalysis
    truth: dict[tuple[str, At, str], float]


@cache
def demo_session(session_id: str) -> tuple[Season, Session, Rehearsal]:
    """A session of the demo season with its hidden truth."""
    season = load_season(DEMO, contracts(), logs_needed=False)
    session = next(session for session in season.sessions if session.id == session_id)
    return season, session, load_rehearsal(DEMO / session_id / "rehearsal.yaml")


@cache
def truth_of(session_id: str) -> dict[tuple[str, At, str], float]:
    """What is true in a demo session, whatever the seed."""
    season, session, rehearsal = demo_session(session_id)
    found = true_responses(season, session, rehearsal)
    return {(true.response, true.at, true.treatment): true.value for true in found}


@cache
def rehearse_in_memory(session_id: str, seed: int, procedures: tuple[str, ...]) -> Rehearsed:
    """Simulate the runs of some procedures with a seed and analyse them as if they had been read from logs."""
    season, session, rehearsal = demo_session(session_id)
    wanted = [run.id for run in session.file.runs if run.procedure in procedures]
    simulated = simulate_session(season, session, rehearsal, seed=seed, runs=wanted)
    air = air_state(session.file.air)
    reduced = []
    for order, run in enumerate(session.file.runs, start=1):
        if run.id not in simulated:
            continue
        treatment = session.file.treatments[run.treatment]
        setup = Setup(
            treatment=treatment, motor=season.motor(treatment), controller=season.controller(treatment),
            propeller=season.propeller(treatment), source=season.source(treatment), rig=session.rig, air=air,
            date=session.file.date, hover_thrusts_n=hover_thrusts_n(session, season),
        )  # fmt: skip
        frame = simulated[run.id].logged
        log = BenchLog(
            path=run.log, sha256="0" * 64, frame=frame, columns=(), rows=len(frame), simulated=SIMULATED_MARK,
            dialect=LogDialect(container="text", encoding="utf-8", delimiter=",", decimal=".", header_line=1),
        )  # fmt: skip
        reduced.append(
            reduce_run(log, run, order, setup, session.plans[run.procedure], PROCEDURES[run.procedure])
        )
    texts = load_caution_texts([TEXTS])
    thresholds = load_thresholds([ROOT / "shared"])
    analysis = assess(session, season, tuple(reduced), response_kinds(), texts, thresholds, air)
    return Rehearsed(analysis=analysis, truth=truth_of(session_id))
