"""`check`: everything wrong or doubtful in a season, from the YAML files to the conclusion. Writes nothing.

Reads logs as they arrive: a session whose runs are not all there gets advice on each run that is. One that is complete
and sound is assessed as for its pages, so that what weakens which verdict is told, and what `build` would refuse.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from generator import __version__
from generator.check_records import SEVERITIES, CheckRecord, CheckReport, SessionState, Severity
from generator.check_units import as_it_follows, not_to_repeat, of_treatments, of_units
from generator.evidence.assess import assess
from generator.evidence.bench_advice import Advice, bench_advice
from generator.evidence.bench_advice_remedies import remedy_of_check
from generator.evidence.bench_advice_units import unit_doubts
from generator.evidence.check_input import CheckInput
from generator.evidence.records import SessionAnalysis
from generator.evidence.repeatability import run_scatter
from generator.evidence.results_document import results_document
from generator.evidence.rig_history import chart_rules, rig_history
from generator.intake.caution_texts import CautionText
from generator.intake.logs import read_log
from generator.intake.problems import (
    STILL_TO_COME,
    Problem,
    SeasonProblems,
    nearest,
    suggestion,
    told_once,
)
from generator.intake.reference_texts import Thresholds, load_caution_texts, load_thresholds
from generator.intake.season import NOT_SESSIONS, Inspection, inspect_season, log_file
from generator.intake.session import Run, Season, Session
from generator.pipeline import Reduced, folders, reduce_session, shipped
from generator.progress import Progress, counter, quiet
from generator.reduction.procedures import contracts, response_kinds
from generator.reduction.records import RunReduction
from generator.reduction.run import air_state

# Checks that are told run by run, whatever the run; the others are told for the session unless a run was told already.
TOLD_BY_RUN = ("runs-used", "setpoints", "data-")


@dataclass(frozen=True, slots=True, kw_only=True)
class _Looked:
    """A session as far as it is there."""

    session: Session
    runs: tuple[RunReduction, ...]
    to_come: tuple[str, ...]
    sound: bool
    records: list[CheckRecord] = field(default_factory=list)

    @property
    def complete(self) -> bool:
        return self.sound and not self.to_come and bool(self.session.file.runs)


def check(folder: Path, *, session: str | None = None, progress: Progress = quiet) -> CheckReport:
    """Everything wrong or doubtful in a season. Nothing is written, and nothing is raised for what the season holds.

    folder   the season's folder
    session  only this session's logs are read, and records of other sessions are left out; what the season's history
             lends to it (the rig's charts, the scatter of its check standard) is left to the check of all
    progress is told how many logs have been read
    """
    if session is not None and Path(session).parent in (folder, Path()):
        session = Path(session).name  # as the shell completes it
    found = inspect_season(folder, contracts(), planned=True)
    problems = list(found.problems)
    if session is not None and folder.is_dir() and not (folder / session / "session.yaml").is_file():
        names = [p.parent.name for p in folder.glob("*/session.yaml") if p.parent.name not in NOT_SESSIONS]
        what, remedy = f"'{session}' is not a session of this season.", suggestion(session, sorted(names))
        problems.append(Problem(file=str(folder), what=what, remedy=remedy))
    texts, thresholds = _references(folder, problems)
    looked = _look(folder, found, session, problems, progress)
    season = found.season
    problems = told_once(problems)
    records = [_of_problem(folder, problem, season) for problem in problems]
    analyses: dict[str, SessionAnalysis] = {}
    if season is not None:
        for one in looked:
            advised = _advise(season, one, thresholds)
            air = air_state(one.session.file.air)
            given = CheckInput(
                runs=one.runs,
                summaries=(),
                session=one.session,
                season=season,
                thresholds=thresholds,
                air=air,
            )
            wrong = unit_doubts(given, response_kinds())
            if wrong:
                advised = tuple(not_to_repeat(told, one.session) for told in advised)
                records += of_units(folder, one.session, wrong, records)
            one.records.extend(_of_advice(folder, one.session, told) for told in advised)
            one.records.extend(_strays(folder, one))
            one.records.extend(of_treatments(folder, season, one.session))
        reduced = [(one.session, one.runs) for one in looked]
        for one in looked:
            if one.complete:
                analyses[one.session.id] = _assessed(season, one, reduced, texts, thresholds)
                one.records[:] = _with_checks(folder, one, analyses[one.session.id])
        records += _of_site(folder, season, looked, analyses, whole=session is None)
    for one in looked:
        records += one.records
    if session is None:
        records = [_lost(record, looked) for record in records]
    else:
        records = [record for record in records if record.session in ("", session)]
    states = tuple(
        SessionState(
            session=one.session.id,
            runs=tuple(run.id for run in one.session.file.runs),
            to_come=one.to_come,
            judged=one.session.id in analyses,
        )
        for one in looked
    )
    return CheckReport(season=str(folder), sessions=states, records=_in_order(records, season))


# --- reading ------------------------------------------------------------------------------------------------


def _references(folder: Path, problems: list[Problem]) -> tuple[Mapping[str, CautionText], Thresholds]:
    """Caution texts and limits; where the season's own are at fault, that is told and the built-in ones serve."""
    try:
        texts = load_caution_texts([path / "cautions" for path in folders("content", folder)])
    except SeasonProblems as fault:
        problems += fault.problems
        texts = load_caution_texts([shipped("content") / "cautions"])
    try:
        return texts, load_thresholds(folders("shared", folder))
    except SeasonProblems as fault:
        problems += fault.problems
        return texts, load_thresholds((shipped("shared"),))


def _look(
    folder: Path, found: Inspection, session: str | None, problems: list[Problem], progress: Progress
) -> list[_Looked]:
    """Read and reduce every run that is there; what is wrong in a log goes to `problems`."""
    sessions = [s for s in (found.season.sessions if found.season else ()) if session in (None, s.id)]
    faulty = [
        log for log in found.logs if session is None or Path(log.shown).is_relative_to(folder / session)
    ]
    to_come = {s.id: tuple(r.id for r in s.file.runs if not _there(folder, s, r)) for s in sessions}
    count = sum(len(s.file.runs) - len(to_come[s.id]) for s in sessions)
    one_read = counter(progress, "reading logs", len(faulty) + count)
    for log in faulty:
        one_read()
        try:
            read_log(log.file, shown=log.shown, path=log.path, rig=log.rig, pole_pairs=log.pole_pairs)
        except SeasonProblems as unreadable:
            problems += unreadable.problems
    looked = []
    for one in sessions:
        assert found.season is not None
        before = len(problems)
        runs = reduce_session(
            found.season, one, problems, one_read=one_read, passed_over=frozenset(to_come[one.id])
        )
        sound = len(problems) == before
        looked.append(_Looked(session=one, runs=runs, to_come=to_come[one.id], sound=sound))
    return looked


def _there(folder: Path, session: Session, run: Run) -> bool:
    return run.left_out is not None or all((folder / session.id / log).is_file() for log in run.logs)


def _written(season: Season, one: _Looked) -> Mapping[str, float] | None:
    """When each log was last written, while the session is being made; later the files may have been copied."""
    if not one.to_come:
        return None
    files = {run.log: log_file(season, one.session.id, run.log) for run in one.runs if not run.lost}
    return {log: file.stat().st_mtime for log, file in files.items()}


def _advise(season: Season, one: _Looked, thresholds: Thresholds) -> tuple[Advice, ...]:
    return bench_advice(
        one.runs,
        one.session,
        season,
        response_kinds(),
        thresholds,
        air_state(one.session.file.air),
        to_come=one.to_come,
        written_s=_written(season, one),
    )


def _strays(folder: Path, one: _Looked) -> Iterator[CheckRecord]:
    """Files among the logs that no run names: an attempt that was dropped, or a name that is misspelt."""
    place = folder / one.session.id
    named = {log for run in one.session.file.runs for log in run.logs}
    missing = [log for run in one.session.file.runs if run.id in one.to_come for log in run.logs]
    for file in sorted((place / "logs").iterdir()) if (place / "logs").is_dir() else []:
        log = f"logs/{file.name}"
        if log in named or file.name.startswith(".") or not file.is_file():
            continue
        meant = nearest(log, missing)
        yield CheckRecord(
            severity="doubtful" if meant else "noted",
            kind="no run",
            session=one.session.id,
            file=str(place / log),
            what="no run of session.yaml names this file.",
            remedy=f"Is it the '{meant}' that is not there yet? Rename it, or correct the list."
            if meant
            else "List it as a run, with `left_out` if it is not to be used, or take it away.",
        )


# --- assessing ----------------------------------------------------------------------------------------------


def _assessed(
    season: Season, one: _Looked, reduced: Reduced, texts: Mapping[str, CautionText], thresholds: Thresholds
) -> SessionAnalysis:
    kinds, session = response_kinds(), one.session
    charts = rig_history(reduced, session.rig.id, kinds, chart_rules(thresholds))
    return assess(
        session,
        season,
        one.runs,
        kinds,
        texts,
        thresholds,
        air_state(session.file.air),
        run_scatter(reduced, session, kinds),
        charts,
    )


def _with_checks(folder: Path, one: _Looked, analysis: SessionAnalysis) -> list[CheckRecord]:
    """The session's records with the verdicts that they weaken, and the checks that no run was told of."""
    weakened: dict[str, list[str]] = {}
    for contrast in analysis.contrasts:
        for id_ in contrast.weakened_by:
            weakened.setdefault(id_, []).append(contrast.key)
    told = [replace(record, weakens=tuple(weakened.get(record.check, ()))) for record in one.records]
    by_run = {record.check for record in one.records}
    return told + [
        CheckRecord(
            severity="doubtful",
            kind=check.id,
            check=check.id,
            session=one.session.id,
            file=f"{folder}/{one.session.id}/session.yaml",
            what=check.sentence,
            remedy=remedy_of_check(check.id),
            weakens=tuple(weakened.get(check.id, ())),
        )
        for check in analysis.checks
        if check.outcome != "passed" and check.id not in by_run and not check.id.startswith(TOLD_BY_RUN)
    ]


def _of_site(
    folder: Path,
    season: Season,
    looked: Sequence[_Looked],
    analyses: Mapping[str, SessionAnalysis],
    *,
    whole: bool,
) -> Iterator[CheckRecord]:
    """What would keep the pages from being written; the conclusion of every session that was assessed."""
    # Markdown and templates are not needed to say what is wrong before
    from generator.publication import site_check

    texts, problems = site_check.text_problems(folders("content", folder))
    problems += tuple(site_check.layout_problems(folder / "layouts"))
    pages = site_check.pages_of(season, analyses, texts)
    if whole:
        problems += tuple(site_check.place_problems(pages))
    for one in looked:
        analysis = analyses.get(one.session.id)
        if analysis is None:
            continue
        results = results_document(analysis, one.session, season, __version__)
        stated = tuple(_stated(folder, season, one.session))
        made, own = site_check.session_problems(season, one.session, analysis, results, stated)
        links = site_check.link_problems(one.session, made, pages, texts, frozenset(analyses))
        problems += (*as_it_follows(own, one.session, one.runs), *links)
    return (replace(_of_problem(folder, problem, season), kind="site") for problem in problems)


def _stated(folder: Path, season: Season, session: Session) -> Iterator[str]:
    """Texts of the files that say what the session was made with."""
    yield (folder / session.id / "session.yaml").read_text(encoding="utf-8-sig")
    yield (folder / "season.yaml").read_text(encoding="utf-8-sig")
    names = {f"rigs/{session.rig.id}.yaml": None}
    for treatment in session.file.treatments.values():
        for part in (
            treatment.motor,
            treatment.controller,
            treatment.propeller,
            treatment.supply,
            treatment.pack,
        ):
            names |= {} if part is None else {f"parts/{part}.yaml": None}
    yield from ((folder / name).read_text(encoding="utf-8-sig") for name in names)


# --- records ------------------------------------------------------------------------------------------------


def _of_problem(folder: Path, problem: Problem, season: Season | None) -> CheckRecord:
    session, run = _place(folder, problem.file, season)
    to_come = problem.kind == STILL_TO_COME
    severity: Severity = "error" if problem.severity == "error" else "noted" if to_come else "doubtful"
    return CheckRecord(
        severity=severity,
        kind=problem.kind or "input",
        session=session,
        run=run,
        file=problem.file,
        line=problem.line,
        key=problem.key,
        what=problem.what,
        remedy=problem.remedy,
    )


_OF_RUN = re.compile(r"runs\[(\d+)\]\.")


def _lost(record: CheckRecord, looked: Sequence[_Looked]) -> CheckRecord:
    """A log that is missing although later runs are there is an error, as for `build`; the last ones are to come.

    At the bench (`--session`) a run that was passed over is told as that.
    """
    found = _OF_RUN.match(record.key) if record.kind == STILL_TO_COME else None
    one = next((one for one in looked if one.session.id == record.session), None)
    if found is None or one is None:
        return record
    later = one.session.file.runs[int(found[1]) :]
    if all(run.id in one.to_come for run in later):
        return record
    remedy = "Make the run, or put its log there. If it is lost, say why under `left_out:` of this run."
    what = record.what.replace(" yet.", ".")  # in the words of `build`
    return replace(record, severity="error", kind="input", what=what, remedy=remedy)


def _place(folder: Path, file: str, season: Season | None) -> tuple[str, str]:
    """(session, run) that a file belongs to, "" where to none."""
    try:
        parts = Path(file).relative_to(folder).parts
    except ValueError:
        return "", ""
    if len(parts) < 2 or parts[0] in NOT_SESSIONS or not (folder / parts[0] / "session.yaml").is_file():
        return "", ""
    log = "/".join(parts[1:])
    runs = [r for s in (season.sessions if season else ()) if s.id == parts[0] for r in s.file.runs]
    return parts[0], next((run.id for run in runs if log in run.logs), "")


def _of_advice(folder: Path, session: Session, told: Advice) -> CheckRecord:
    return CheckRecord(
        severity=told.severity,
        kind=told.kind,
        check=told.check,
        session=session.id,
        run=told.run_id,
        file=f"{folder}/{session.id}/{told.log}",
        key=told.channel,
        what=told.sentence,
        remedy=told.remedy,
    )


def _in_order(records: Iterable[CheckRecord], season: Season | None) -> tuple[CheckRecord, ...]:
    """Season first, then session by session, what concerns no run before the runs, the gravest of each first."""
    sessions = season.sessions if season is not None else ()
    places = {session.id: place for place, session in enumerate(sessions)}
    runs = {(s.id, run.id): place for s in sessions for place, run in enumerate(s.file.runs, start=1)}

    def key(record: CheckRecord) -> tuple[int, str, int, int, str, int]:
        session = places.get(record.session, len(places) if record.session else -1)
        return (
            session,
            record.session,
            runs.get((record.session, record.run), 0),
            SEVERITIES.index(record.severity),
            record.file,
            record.line or 0,
        )

    return tuple(sorted(records, key=key))
