"""The order of the stages: intake, reduction, evidence, then figures and pages."""

from __future__ import annotations

import hashlib
import importlib.resources
from collections.abc import Callable, Container, Iterator
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import TYPE_CHECKING, Any

from generator import __version__
from generator.evidence.aircraft import hover_thrusts_n
from generator.evidence.assess import assess
from generator.evidence.data_checks import LEFT_OUT
from generator.evidence.records import SessionAnalysis
from generator.evidence.repeatability import run_scatter
from generator.evidence.results_document import results_document
from generator.evidence.rig_history import RigHistory, chart_rules, rig_history
from generator.intake.calibrations import uncalibrated
from generator.intake.logs import read_log
from generator.intake.problems import Problem, SeasonProblems
from generator.intake.reference_texts import load_caution_texts, load_thresholds
from generator.intake.run_logs import read_run
from generator.intake.season import inspect_season, load_season, log_file
from generator.intake.session import Run, Season, Session
from generator.memory import Memory, fingerprint
from generator.progress import Progress, counter, quiet
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
    rigs: dict[str, RigHistory] = field(default_factory=dict)


def shipped(name: str) -> Path:
    """Folder of `layouts`, `content` or `shared`: inside the installed package, or beside it in a checkout."""
    package = Path(str(importlib.resources.files("generator")))
    inside = package / name
    return inside if inside.is_dir() else package.parent / name


def folders(name: str, season_folder: Path) -> tuple[Path, ...]:
    """The shipped folder and, overriding it, the season's own of the same name."""
    own = season_folder / name
    return (shipped(name), own) if own.is_dir() else (shipped(name),)


def reduce_session(
    season: Season,
    session: Session,
    problems: list[Problem],
    *,
    one_read: Callable[[], None] = lambda: None,
    memory: Memory | None = None,
    passed_over: Container[str] = (),
) -> tuple[RunReduction, ...]:
    """Every run of a session, reduced; unreadable logs go to `problems`.

    one_read  called before each log is read
    memory    gives the runs whose log, parts, rig and plan are those of an earlier build
    passed_over  ids of runs that are not read, such as those still to come
    """
    runs: list[RunReduction] = []
    air, hover = air_state(session.file.air), hover_thrusts_n(session, season)
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
        one_read()
        try:
            runs.append(_reduced(season, session, run, order, setup, memory))
        except SeasonProblems as found:
            if run.left_out is None:
                problems += found.problems
            else:
                runs.append(_unread(season, session, run, order))
    return tuple(runs)


def _reduced(
    season: Season, session: Session, run: Run, order: int, setup: Setup, memory: Memory | None
) -> RunReduction:
    """One run, read and reduced, or remembered. Raises SeasonProblems with all problems of its log."""
    file, plan = log_file(season, session.id, run.log), session.plans[run.procedure]

    def made() -> RunReduction:
        log = read_run(
            file.parents[run.log.count("/")],
            run,
            shown=f"{season.folder}/{session.id}",
            rig=setup.rig,
            pole_pairs=setup.motor.pole_pairs,
        )
        return reduce_run(log, run, order, setup, plan, PROCEDURES[run.procedure])

    if memory is None:
        return made()
    # the air as stated, not as computed: an uncertain number does not show all of its digits
    rest = (getattr(setup, field.name) for field in fields(setup) if field.name != "air")
    further = (_sha256(log_file(season, session.id, log)) for log in run.logs[1:])
    key = fingerprint(_sha256(file), *further, session.file.air, order, run, plan, *rest)
    return memory.runs.get(key) if key in memory.runs else memory.runs.put(key, made())


def _sha256(file: Path) -> str:
    with file.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


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


def analyse_season(folder: Path, *, progress: Progress = quiet, memory: Memory | None = None) -> Analysed:
    """Read, reduce and assess a season.

    progress  is told how many logs have been read
    memory    what an earlier build of the same process kept; runs that have not changed are taken from it
    Raises    SeasonProblems with the problems of all YAML files and all logs in one pass
    """
    season, reduced, problems = _read_and_reduce(folder, progress, memory)
    errors = [problem for problem in problems if problem.severity == "error"]
    if errors or season is None:
        raise SeasonProblems(errors)
    texts = load_caution_texts([path / "cautions" for path in folders("content", folder)])
    thresholds = load_thresholds(folders("shared", folder))
    kinds = response_kinds()
    rigs = {rig: rig_history(reduced, rig, kinds, chart_rules(thresholds)) for rig in season.rigs}
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
            rigs.get(session.rig.id),
        )
        for session, runs in reduced
    )
    documents = {
        analysis.session_id: results_document(analysis, session, season, __version__)
        for analysis, (session, _) in zip(analyses, reduced, strict=True)
    }
    return Analysed(season=season, sessions=analyses, documents=documents, rigs=rigs)


Reduced = list[tuple[Session, tuple[RunReduction, ...]]]


def _read_and_reduce(
    folder: Path, progress: Progress = quiet, memory: Memory | None = None
) -> tuple[Season | None, Reduced, list[Problem]]:
    """Everything that is read from disk, in one pass, with all problems."""
    found = inspect_season(folder, contracts())
    problems = list(found.problems)
    sessions = found.season.sessions if found.season is not None else ()
    one_read = counter(progress, "reading logs", len(found.logs) + sum(len(s.file.runs) for s in sessions))
    for log in found.logs:
        one_read()
        try:
            read_log(log.file, shown=log.shown, path=log.path, rig=log.rig, pole_pairs=log.pole_pairs)
        except SeasonProblems as unreadable:
            problems += unreadable.problems
    reduced: Reduced = []
    if found.season is not None:
        reduced = [
            (session, reduce_session(found.season, session, problems, one_read=one_read, memory=memory))
            for session in sessions
        ]
    return found.season, reduced, problems


def rehearse(folder: Path, *, seed: int | None, force: bool, progress: Progress = quiet) -> Iterator[str]:
    """Write simulated logs for a session; gives one line a log."""
    from generator.planning.rehearse import rehearse_session

    folder = folder if folder.name not in ("", ".", "..") else folder.resolve()
    season = load_season(folder.parent, contracts(), logs_needed=False)
    if folder.name not in {session.id for session in season.sessions}:
        what, remedy = "is not a session of this season.", "Name a folder that holds a session.yaml."
        raise SeasonProblems([Problem(file=str(folder), what=what, remedy=remedy)])
    report = rehearse_session(season, folder.name, seed=seed, force=force, progress=progress)
    for path in report.written:
        yield f"{path}: simulated"
    yield from report.assumed
    yield f"{len(report.written)} logs, seed {report.seed}. Every one says that it is simulated."


def calibrate(folder: Path, *, force: bool = False, progress: Progress = quiet) -> Iterator[str]:
    """Write the calibration record of a session's `zero` runs; gives a line for each thing to know.

    Raises  SeasonProblems for faults of the season or of the logs, and where no run gives a line; OutputRefused where
            a record of the same name says something else, unless `force`
    """
    from generator.planning.calibration_file import PROCEDURE, write_records

    folder = folder if folder.name not in ("", ".", "..") else folder.resolve()
    season = load_season(folder.parent, contracts(), logs_needed=False)
    session = next((session for session in season.sessions if session.id == folder.name), None)
    if session is None:
        what, remedy = "is not a session of this season.", "Name a folder that holds a session.yaml."
        raise SeasonProblems([Problem(file=str(folder), what=what, remedy=remedy)])
    own = tuple(run for run in session.file.runs if run.procedure == PROCEDURE)
    problems = [
        Problem(file=f"{folder}/{run.log}", what="is not there.", remedy="Put the log there first.")
        for run in own
        if not log_file(season, session.id, run.log).is_file()
    ]
    if problems:
        raise SeasonProblems(problems)
    only = session.model_copy(update={"file": session.file.model_copy(update={"runs": own})})
    one_read = counter(progress, "reading logs", len(own))
    runs = reduce_session(season, only, problems, one_read=one_read)
    if problems:
        raise SeasonProblems(problems)
    for made in write_records(season, only, runs, version=__version__, force=force):
        yield f"{made.file}: {'is there already, unchanged' if made.unchanged else 'written'}"
        yield made.says
        channel = season.rigs[made.rig].channels.present()[made.channel]
        if made.name not in channel.calibration:
            names = (*channel.calibration, made.name)
            listed = names[0] if len(names) == 1 else f"[{', '.join(names)}]"
            yield f"To use it, write under channels.{made.channel} of rigs/{made.rig}.yaml: calibration: {listed}"


def analyse(folder: Path) -> Iterator[dict[str, Any]]:
    """`results.json` of each session as a plain dict."""
    yield from analyse_season(folder).documents.values()


def build(
    folder: Path,
    out: Path,
    *,
    workers: int = 1,
    progress: Progress = quiet,
    memory: Memory | None = None,
    since: Path | None = None,
    made_from: str = "",
) -> SiteReport:
    """Analyse a season and write its site to `out`.

    progress  is told how many logs have been read, and how many figures drawn
    memory    what an earlier build of the same process kept; what has not changed is not made again
    since     an earlier archive of the season; the site tells which figures have changed since
    made_from `unchanged.made_from` of these inputs, asked before they were read; a later build can then tell whether
              anything has changed
    workers   processes that draw the charts of a season of many runs; above one only from a program that
              keeps its work under `if __name__ == "__main__"`, since each process starts afresh
    """
    analysed = analyse_season(folder, progress=progress, memory=memory)
    return publish(
        analysed,
        folder,
        out,
        workers=workers,
        progress=progress,
        memory=memory,
        since=since,
        made_from=made_from,
    )


def publish(
    analysed: Analysed,
    folder: Path,
    out: Path,
    *,
    workers: int = 1,
    progress: Progress = quiet,
    memory: Memory | None = None,
    only: str | None = None,
    since: Path | None = None,
    made_from: str = "",
) -> SiteReport:
    """Write the site of a season that has been analysed.

    only  id of the one session that gets pages; the others are there only for what they lend it
    The rest as `build`.
    """
    # the chart engine is slow to load and not needed to say what is wrong
    from generator.publication.since_archive import since_archive
    from generator.publication.site import write_site

    season = analysed.season
    logs = {
        (session.id, log): log_file(season, session.id, log)
        for session in season.sessions
        if only in (None, session.id)
        for run in session.file.runs
        for log in run.logs
    }
    shown = {a.session_id: a for a in analysed.sessions if only in (None, a.session_id)}
    report = write_site(
        season,
        tuple(shown.values()),
        out,
        version=__version__,
        results=analysed.documents,
        rigs=analysed.rigs,
        log_files=logs,
        layout_folders=folders("layouts", folder),
        content_folders=folders("content", folder),
        workers=workers if len(logs) >= RUNS_WORTH_WORKERS else 1,
        progress=progress,
        memory=memory,
        part=only is not None,
        made_from=made_from,
        since=None if since is None else since_archive(since, season, shown, analysed.documents, __version__),
    )
    if memory is not None:
        memory.turn()
    return report
