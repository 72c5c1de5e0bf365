"""The order of the stages: intake, reduction, evidence, then figures and pages."""

from __future__ import annotations

import importlib.resources
import os
from collections.abc import Callable, Container, Iterator, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Any

from generator import __version__
from generator.assessing import AssessOrder, assessed
from generator.evidence.records import SessionAnalysis
from generator.evidence.repeatability import pooled_scatter, standard_runs
from generator.evidence.rig_history import RigHistory, chart_rules, rig_history
from generator.executors import HERE, RUNS_WORTH_WORKERS, Workers, at_work
from generator.intake.places import session_folder
from generator.intake.problems import Problem, SeasonProblems
from generator.intake.reference_texts import load_caution_texts, load_thresholds
from generator.intake.season import inspect_season, load_season, log_file
from generator.intake.session import Season, Session
from generator.memory import Memory
from generator.progress import Progress, counter, quiet
from generator.reduction.procedures import contracts, response_kinds
from generator.reduction.records import RunReduction
from generator.run_reading import Read, RunOrder, problems_of_log, read_and_reduce, run_orders

if TYPE_CHECKING:
    from generator.publication.site import SiteReport


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
    passed_over: Container[str] = (),
) -> tuple[RunReduction, ...]:
    """Every run of a session, reduced here; unreadable logs go to `problems`.

    one_read  called before each log is read
    passed_over  ids of runs that are not read, such as those still to come
    """
    runs: list[RunReduction] = []
    for order in run_orders(season, session, passed_over):
        one_read()
        made = read_and_reduce(order)
        if isinstance(made, RunReduction):
            runs.append(made)
        else:
            problems += made
    return tuple(runs)


def analyse_season(
    folder: Path,
    *,
    workers: int | Executor | Workers = 1,
    progress: Progress = quiet,
    memory: Memory | None = None,
) -> Analysed:
    """Read, reduce and assess a season.

    workers   as `build`
    progress  is told how many logs have been read
    memory    what an earlier build of the same process kept; runs that have not changed are taken from it
    Raises    SeasonProblems with the problems of all YAML files and all logs in one pass
    """
    with at_work(workers) as others:
        season, reduced, read, problems = _read_and_reduce(folder, others, progress, memory)
        errors = [problem for problem in problems if problem.severity == "error"]
        if errors or season is None:
            raise SeasonProblems(errors)
        texts = load_caution_texts([path / "cautions" for path in folders("content", folder)])
        thresholds = load_thresholds(folders("shared", folder))
        kinds = response_kinds()
        rigs = {rig: rig_history(reduced, rig, kinds, chart_rules(thresholds)) for rig in season.rigs}
        standards = standard_runs(reduced, kinds)
        orders = [
            AssessOrder(
                season=season.model_copy(update={"sessions": (session,)}),
                session=session,
                runs=runs,
                texts=texts,
                thresholds=thresholds,
                scatter=pooled_scatter(standards, session, kinds),
                rig_history=rigs.get(session.rig.id),
            )
            for session, runs in reduced
        ]
        analyses, documents = [], {}
        by = others if others.started else HERE  # too little to start anybody for
        for (session, runs), found in zip(reduced, assessed(orders, read, by, memory), strict=True):
            analyses.append(found.with_runs(runs))
            documents[session.id] = found.document
    return Analysed(season=season, sessions=tuple(analyses), documents=documents, rigs=rigs)


Reduced = list[tuple[Session, tuple[RunReduction, ...]]]


def _read_and_reduce(
    folder: Path, workers: Workers = HERE, progress: Progress = quiet, memory: Memory | None = None
) -> tuple[Season | None, Reduced, list[list[str]], list[Problem]]:
    """Everything that is read from disk, in one pass, with all problems; and the keys of each session's runs."""
    found = inspect_season(folder, contracts())
    problems = list(found.problems)
    sessions = found.season.sessions if found.season is not None else ()
    orders = {s.id: list(run_orders(found.season, s)) for s in sessions} if found.season is not None else {}
    all_orders = [order for session in sessions for order in orders[session.id]]
    one_read = counter(progress, "reading logs", len(found.logs) + len(all_orders))
    by = workers if workers.worth(len(found.logs) + len(all_orders), RUNS_WORTH_WORKERS) else HERE
    for told in by.map(problems_of_log, ((log, os.path.abspath(log.file)) for log in found.logs)):
        one_read()
        problems += told
    keys = [] if memory is None else [order.key() for order in all_orders]
    reads = _reads(all_orders, keys, workers, memory)
    reduced: Reduced = []
    for session in sessions:
        runs = []
        for _ in orders[session.id]:
            made = next(reads)
            one_read()
            if isinstance(made, RunReduction):
                runs.append(made)
            else:
                problems += made
        reduced.append((session, tuple(runs)))
    left = iter(keys)
    read = [list(islice(left, len(orders[session.id]))) for session in sessions]
    return found.season, reduced, read, problems


def _reads(
    orders: Sequence[RunOrder], keys: Sequence[str], workers: Workers, memory: Memory | None
) -> Iterator[Read]:
    """Each run, read and reduced, or remembered, in order; or every problem of its logs. keys: where there is memory"""
    if memory is None:
        by = workers if workers.worth(len(orders), RUNS_WORTH_WORKERS) else HERE
        yield from by.map(read_and_reduce, ((order,) for order in orders), ahead=8)
        return
    kept = [memory.runs.find(key) for key in keys]
    fresh = [place for place, run in enumerate(kept) if run is None]
    by = workers if workers.worth(len(fresh), RUNS_WORTH_WORKERS) else HERE
    elsewhere = memory.elsewhere() if by.shares and by is not HERE else None
    made = by.map(read_and_reduce, ((orders[place], keys[place], elsewhere) for place in fresh), ahead=8)
    for key, known in zip(keys, kept, strict=True):
        if known is not None:
            yield known
            continue
        one = next(made)
        if isinstance(one, RunReduction):
            keep = memory.runs.put if elsewhere is None else memory.runs.count
            keep(key, one)
        yield one


def rehearse(folder: Path, *, seed: int | None, force: bool, progress: Progress = quiet) -> Iterator[str]:
    """Write simulated logs for a session; gives one line a log."""
    from generator.planning.rehearse import rehearse_session

    folder = session_folder(folder)
    season = load_season(folder.parent, contracts(), logs_needed=False)
    if folder.name not in {session.id for session in season.sessions}:
        what, remedy = "is not a session of this season.", "Name a folder that holds a session.yaml."
        raise SeasonProblems([Problem(file=str(folder), what=what, remedy=remedy)])
    report = rehearse_session(season, folder.name, seed=seed, force=force, progress=progress)
    for path in report.written:
        yield f"{path}: simulated"
    yield from report.assumed
    count = len(report.written)
    says = "It says" if count == 1 else "Every one says"
    yield f"{count} log{'' if count == 1 else 's'}, seed {report.seed}. {says} that it is simulated."


def calibrate(folder: Path, *, force: bool = False, progress: Progress = quiet) -> Iterator[str]:
    """Write the calibration record of a session's `zero` runs; gives a line for each thing to know.

    Raises  SeasonProblems for faults of the season or of the logs, and where no run gives a line; OutputRefused where
            a record of the same name says something else, unless `force`
    """
    from generator.planning.calibration_file import PROCEDURE, write_records

    folder = session_folder(folder)
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
    workers: int | Executor | Workers = 1,
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
    workers   processes that read logs and draw charts of a season of many runs; above one only from a program that
              keeps its work under `if __name__ == "__main__"`, since each process starts afresh. Or any executor of
              `concurrent.futures`, whose workers have this very program and find the season in the same place
    Raises    SeasonProblems, OutputRefused, generator.executors.NoWorkers; the old site is then as it was
    """
    with at_work(workers) as others:
        analysed = analyse_season(folder, workers=others, progress=progress, memory=memory)
        return publish(
            analysed,
            folder,
            out,
            workers=others,
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
    workers: int | Executor | Workers = 1,
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
        if run.left_out is None or log_file(season, session.id, log).is_file()  # else lost
    }
    shown = {a.session_id: a for a in analysed.sessions if only in (None, a.session_id)}
    with at_work(workers) as others:
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
            workers=others,
            runs_worth_workers=RUNS_WORTH_WORKERS,
            progress=progress,
            memory=memory,
            part=only is not None,
            made_from=made_from,
            since=None
            if since is None
            else since_archive(since, season, shown, analysed.documents, __version__),
        )
    if memory is not None:
        memory.turn()
    return report
