"""Runs read and reduced, each as a task of its own that any process can do."""

from __future__ import annotations

import os
from collections.abc import Container, Iterator
from dataclasses import dataclass, fields
from pathlib import Path

from pydantic import BaseModel

from generator.evidence.aircraft import hover_thrusts_n
from generator.evidence.data_checks import LEFT_OUT
from generator.intake.calibrations import uncalibrated
from generator.intake.log_bytes import sha256_of
from generator.intake.logs import read_log
from generator.intake.problems import Problem, SeasonProblems
from generator.intake.run_logs import read_run
from generator.intake.season import LogPlace
from generator.intake.session import Air, Run, Season, Session
from generator.memory import Memory, fingerprint
from generator.reduction.procedures import PROCEDURES
from generator.reduction.records import RunReduction, Setup
from generator.reduction.run import air_state, reduce_run

Read = RunReduction | tuple[Problem, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class RunOrder:
    """A run to be read and reduced, with all that this takes.

    folder  of the session, absolute, so that a process with another working directory finds it
    shown   the same, as the user would type it
    order   1-based place in the order made
    """

    folder: str
    shown: str
    run: Run
    order: int
    setup: Setup
    air: Air
    plan: BaseModel

    def key(self) -> str:
        """One name for all that goes in: the bytes of the logs, what the run was made with, how it is reduced.

        Raises  OSError where a log cannot be read
        """
        # the air as stated, not as computed: an uncertain number does not show all of its digits
        rest = (getattr(self.setup, one.name) for one in fields(self.setup) if one.name != "air")
        sums = [_sha256_of(_place(self, log), lost=self.run.left_out is not None) for log in self.run.logs]
        return fingerprint(*sums, self.air, self.order, self.run, self.plan, *rest)


def run_orders(season: Season, session: Session, passed_over: Container[str] = ()) -> Iterator[RunOrder]:
    """An order for each run of a session. passed_over: ids of runs that are not read, such as those still to come."""
    air, hover = air_state(session.file.air), hover_thrusts_n(session, season)
    folder = os.path.abspath(Path(season.folder) / session.id)
    for order, run in enumerate(session.file.runs, start=1):
        if run.id in passed_over:
            continue
        # a run of the stand alone belongs to no treatment; whichever parts are on it do not matter
        treatment = session.file.treatments[run.treatment or session.file.baseline]
        setup = Setup(
            treatment=treatment,
            motor=season.motor(treatment),
            controller=season.controller(treatment),
            propeller=season.propeller(treatment),
            source=season.source(treatment),
            rig=uncalibrated(session.rig) if PROCEDURES[run.procedure].of_rig else session.rig,
            air=air,
            date=session.file.date,
            hover_thrusts_n=hover,
        )
        yield RunOrder(
            folder=folder,
            shown=f"{season.folder}/{session.id}",
            run=run,
            order=order,
            setup=setup,
            air=session.file.air,
            plan=session.plans[run.procedure],
        )


def read_and_reduce(order: RunOrder, key: str = "", memory: Memory | None = None) -> Read:
    """A run, read and reduced, or every problem of its logs.

    key, memory  where another process keeps what it has made
    """
    run = order.run
    try:
        log = read_run(
            Path(order.folder),
            run,
            shown=order.shown,
            rig=order.setup.rig,
            pole_pairs=order.setup.motor.pole_pairs,
        )
        made = reduce_run(log, run, order.order, order.setup, order.plan, PROCEDURES[run.procedure])
    except SeasonProblems as found:
        return found.problems if run.left_out is None else _unread(order)
    if memory is not None:
        memory.runs.put(key, made)
    return made


def problems_of_log(log: LogPlace, file: str) -> tuple[Problem, ...]:
    """What is wrong inside a log of a session with other faults. file: its absolute path."""
    try:
        read_log(Path(file), shown=log.shown, path=log.path, rig=log.rig, pole_pairs=log.pole_pairs)
    except SeasonProblems as unreadable:
        return unreadable.problems
    return ()


def _unread(order: RunOrder) -> RunReduction:
    """A run that the tester left out and whose log cannot be read or is lost, such as one of a test that never ran."""
    run = order.run
    return RunReduction(
        run_id=run.id,
        log=run.log,
        sha256=_sha256_of(_place(order, run.log), lost=True),
        rows=0,
        procedure=run.procedure,
        treatment=run.treatment,
        repeat=run.repeat,
        block=run.block if run.block is not None else 0,
        order=order.order,
        started=None if run.started is None else run.started.strftime("%H:%M"),
        simulated=None,
        refused=f"{LEFT_OUT}: {run.left_out}",
    )


def _place(order: RunOrder, log: str) -> Path:
    return Path(os.path.normpath(Path(order.folder) / log))


def _sha256_of(file: Path, *, lost: bool) -> str:
    """The log's checksum; "" for one that is not there, where that may be."""
    return "" if lost and not file.exists() else sha256_of(file)
