"""The order of the stages: intake, reduction, evidence, then figures and pages."""

from __future__ import annotations

import hashlib
import importlib.resources
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from generator import __version__
from generator.evidence.aircraft import hover_thrusts_n
from generator.evidence.assess import assess
from generator.evidence.data_checks import LEFT_OUT
from generator.evidence.records import SessionAnalysis
from generator.evidence.repeatability import run_scatter
from generator.evidence.results_document import results_document
from generator.intake.logs import read_log
from generator.intake.problems import Problem, SeasonProblems
from generator.intake.reference_texts import load_caution_texts, load_thresholds
from generator.intake.season import inspect_season, load_season, log_file
from generator.intake.session import Run, Season, Session
from generator.reduction.procedures import PROCEDURES, contracts, response_kinds
from generator.reduction.records import RunReduction, Setup
from generator.reduction.run import air_state, reduce_run

if TYPE_CHECKING:
    from generator.publication.site import SiteReport


# Each run gives about two charts; below about eighty, starting processes costs more than it saves.
RUNS_WORTH_WORKERS = 40


@dataclass(frozen=True, slots=True, kw_only=True)
class Analysed:
    """A season with the analysis of each of its sessions, in the order of the season."""

    season: Season
    sessions: tuple[SessionAnalysis, ...]
    documents: dict[str, dict[str, Any]]


def shipped(name: str) -> Path:
    """Folder of `layouts`, `content` or `shared`: inside the installed package, or beside it in a checkout."""
    package = Path(str(importlib.resources.files("generator")))
    inside = package / name
    return inside if inside.is_dir() else package.parent / name


def folders(name: str, season_folder: Path) -> tuple[Path, ...]:
    """The shipped folder and, overriding it, the season's own of the same name."""
    own = season_folder / name
    return (shipped(name), own) if own.is_dir() else (shipped(name),)


def reduce_session(season: Season, session: Session, problems: list[Problem]) -> tuple[RunReduction, ...]:
    """Every run of a session, reduced; unreadable logs go to `problems`."""
    runs: list[RunReduction] = []
    air, hover = air_state(session.file.air), hover_thrusts_n(session, season)
    for order, run in enumerate(session.file.runs, start=1):
        treatment = session.file.treatments[run.treatment]
        setup = Setup(
            treatment=treatment,
            motor=season.motor(treatment),
            controller=season.controller(treatment),
            propeller=season.propeller(treatment),
            source=season.source(treatment),
            rig=session.rig,
            air=air,
            date=session.file.date,
            hover_thrusts_n=hover,
        )
        try:
            log = read_log(
                log_file(season, session.id, run.log),
                shown=f"{season.folder}/{session.id}/{run.log}",
                path=run.log,
                rig=session.rig,
                pole_pairs=setup.motor.pole_pairs,
            )
        except SeasonProblems as found:
            if run.left_out is None:
                problems += found.problems
            else:
                runs.append(_unread(season, session, run, order))
            continue
        procedure = PROCEDURES[run.procedure]
        runs.append(reduce_run(log, run, order, setup, session.plans[run.procedure], procedure))
    return tuple(runs)


def _unread(season: Season, session: Session, run: Run, order: int) -> RunReduction:
    """A run that the tester left out and whose log cannot be read, such as one of a test that never ran."""
    content = log_file(season, session.id, run.log).read_bytes()
    return RunReduction(
        run_id=run.id,
        log=run.log,
        sha256=hashlib.sha256(content).hexdigest(),
        rows=0,
        procedure=run.procedure,
        treatment=run.treatment,
        repeat=run.repeat,
        block=run.block if run.block is not None else 0,
        order=order,
        started=None if run.started is None else run.started.strftime("%H:%M"),
        simulated=None,
        refused=f"{LEFT_OUT}: {run.left_out}",
    )


def analyse_season(folder: Path) -> Analysed:
    """Read, reduce and assess a season.

    Raises  SeasonProblems with the problems of all YAML files and all logs in one pass
    """
    season, reduced, problems = _read_and_reduce(folder)
    errors = [problem for problem in problems if problem.severity == "error"]
    if errors or season is None:
        raise SeasonProblems(errors)
    texts = load_caution_texts([path / "cautions" for path in folders("content", folder)])
    thresholds = load_thresholds(folders("shared", folder))
    kinds = response_kinds()
    analyses = tuple(
        assess(
            session,
            season,
            runs,
            kinds,
            texts,
            thresholds,
            air_state(session.file.air),
            run_scatter(reduced, session, kinds),
        )
        for session, runs in reduced
    )
    documents = {
        analysis.session_id: results_document(analysis, session, season, __version__)
        for analysis, (session, _) in zip(analyses, reduced, strict=True)
    }
    return Analysed(season=season, sessions=analyses, documents=documents)


Reduced = list[tuple[Session, tuple[RunReduction, ...]]]


def _read_and_reduce(folder: Path) -> tuple[Season | None, Reduced, list[Problem]]:
    """Everything that is read from disk, in one pass, with all problems."""
    found = inspect_season(folder, contracts())
    problems = list(found.problems)
    for log in found.logs:
        try:
            read_log(log.file, shown=log.shown, path=log.path, rig=log.rig, pole_pairs=log.pole_pairs)
        except SeasonProblems as unreadable:
            problems += unreadable.problems
    reduced: Reduced = []
    if found.season is not None:
        reduced = [
            (session, reduce_session(found.season, session, problems)) for session in found.season.sessions
        ]
    return found.season, reduced, problems


def check(folder: Path) -> list[Problem]:
    """Everything wrong or doubtful in a season's inputs; nothing is written."""
    _, reduced, problems = _read_and_reduce(folder)
    for session, runs in reduced:
        for run in runs:
            place = f"{folder}/{session.id}/{run.log}"
            told = [f for f in run.findings if f.grade != "noted"]
            problems += [
                Problem(file=place, key=f.channel, what=f.sentence, severity="warning",
                        remedy="Look at the raw trace; repeat the run if it cannot be explained.")
                for f in told
            ]  # fmt: skip
    return problems


def rehearse(folder: Path, *, seed: int | None, force: bool) -> Iterator[str]:
    """Write simulated logs for a session; gives one line a log."""
    from generator.planning.rehearse import rehearse_session

    folder = folder if folder.name not in ("", ".", "..") else folder.resolve()
    season = load_season(folder.parent, contracts(), logs_needed=False)
    if folder.name not in {session.id for session in season.sessions}:
        what, remedy = "is not a session of this season.", "Name a folder that holds a session.yaml."
        raise SeasonProblems([Problem(file=str(folder), what=what, remedy=remedy)])
    report = rehearse_session(season, folder.name, seed=seed, force=force)
    for path in report.written:
        yield f"{path}: simulated"
    yield from report.assumed
    yield f"{len(report.written)} logs, seed {report.seed}. Every one says that it is simulated."


def analyse(folder: Path) -> Iterator[dict[str, Any]]:
    """`results.json` of each session as a plain dict."""
    yield from analyse_season(folder).documents.values()


def build(folder: Path, out: Path, *, workers: int = 1) -> SiteReport:
    """Analyse a season and write its site to `out`.

    workers  processes that draw the charts of a season of many runs; above one only from a program that
             keeps its work under `if __name__ == "__main__"`, since each process starts afresh
    """
    analysed = analyse_season(folder)
    # the chart engine is slow to load and not needed to say what is wrong
    from generator.publication.site import write_site

    season = analysed.season
    logs = {
        (session.id, run.log): log_file(season, session.id, run.log)
        for session in season.sessions
        for run in session.file.runs
    }
    return write_site(
        season,
        analysed.sessions,
        out,
        version=__version__,
        results=analysed.documents,
        log_files=logs,
        layout_folders=folders("layouts", folder),
        content_folders=folders("content", folder),
        workers=workers if len(logs) >= RUNS_WORTH_WORKERS else 1,
    )
