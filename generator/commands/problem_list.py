"""Problems on the screen."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby
from pathlib import Path
from typing import TYPE_CHECKING

from generator.check_records import SEVERITIES, Severity
from generator.console import note, tell_problem
from generator.intake.problems import Problem

if TYPE_CHECKING:
    from generator.check_records import CheckRecord, CheckReport, SessionState


def print_problems(problems: Sequence[Problem]) -> None:
    """Every problem on a line of its own, then how many there are."""
    for problem in problems:
        tell_problem(problem)
    errors = sum(problem.severity == "error" for problem in problems)
    doubtful = len(problems) - errors
    counts = [f"{errors} problem{'' if errors == 1 else 's'}"] if errors else []
    counts += [f"{doubtful} doubtful"] if doubtful else []
    note(", ".join(counts) + ". Nothing was written." if counts else "No problems.")


def print_waiting(done: str, sessions: Sequence[Problem]) -> None:
    """One line for the sessions that have no log yet, and none where there are none.

    done      what was done with them, such as `Left out of the site`
    sessions  as `intake.waiting.waiting` gives them
    """
    if sessions:
        named = (f"{Path(p.file).parent.name} ({p.what.partition(': ')[2][:-1]})" for p in sessions)
        note(f"{done}, still to be measured: {'; '.join(named)}.", style="yellow")


# --- what `check` found -------------------------------------------------------------------------------------

MOST_NAMES = 6  # of runs in the last line
STYLES: dict[Severity, str | None] = {
    "error": "red",
    "repeat": "magenta",
    "doubtful": "yellow",
    "noted": None,
}


def print_report(report: CheckReport, *, noted: bool = False) -> None:
    """What was found, season first, then session by session and run by run; the last line counts and says what next.

    noted  whether what is only noted is printed one by one
    """
    states = {state.session: state for state in report.sessions}
    for session, records in groupby(_shown(report, noted), key=lambda record: record.session):
        state = states.get(session)
        if session:
            note(f"{session}{_far(state)}", style="bold")
        place = None
        for record in records:
            if record.run and record.run != place:
                note(f"  {record.run}", style="bold")
            place = record.run
            _print_record(record, "    " if record.run else "  " if session else "")
    for state in report.sessions:
        if (state.to_come or not state.begun) and not any(
            r.session == state.session for r in _shown(report, noted)
        ):
            note(f"{state.session}{_far(state)}", style="bold")
    style = next((STYLES[s] for s in SEVERITIES if s != "noted" and report.count(s)), "green")
    note(_last_line(report), style=style)


def _shown(report: CheckReport, noted: bool) -> list[CheckRecord]:
    """Records to print: all but what is only noted, unless that was asked for or its run is to be repeated anyway."""
    repeated = {(r.session, r.run) for r in report.records if r.severity == "repeat"}
    return [r for r in report.records if noted or r.severity != "noted" or (r.session, r.run) in repeated]


def _far(state: SessionState | None) -> str:
    """How far a session is, where runs are still to come."""
    if state is None or (state.begun and not state.to_come):
        return ""
    if not state.begun:
        count = len(state.runs)
        many = f"{count} run{'' if count == 1 else 's'}" if count else "no run is listed yet"
        return f": still to be measured ({many})"
    there = len(state.runs) - len(state.to_come)
    return f": {there} of {len(state.runs)} runs are there; next is {state.to_come[0]}"


def _print_record(record: CheckRecord, margin: str) -> None:
    place = record.file if record.line is None else f"{record.file}:{record.line}"
    key = f" {record.key}:" if record.key and not record.run else ""
    where = "" if record.run and record.severity != "error" else f"{place}:{key} "
    note(f"{margin}{record.severity}  {where}{record.what}", style=STYLES[record.severity])
    note(f"{margin}        {record.remedy}")
    if record.weakens:
        count = len(record.weakens)
        note(f"{margin}        Weakens {count} verdict{'s' if count > 1 else ''}: {', '.join(record.weakens[:4])}"
             + (", ..." if count > 4 else ""))  # fmt: skip


def _last_line(report: CheckReport) -> str:
    """How much was found, and what to do next."""
    errors, repeat, doubtful = report.count("error"), report.count("repeat"), report.count("doubtful")
    runs = report.places_to_repeat()
    said = [f"{errors} error{'' if errors == 1 else 's'} to mend"] if errors else []
    if repeat:
        names = report.to_repeat()
        more = f" and {len(names) - MOST_NAMES} more" if len(names) > MOST_NAMES else ""
        said.append(f"{runs} run{'' if runs == 1 else 's'} to repeat: {', '.join(names[:MOST_NAMES])}{more}")
    said += [f"{doubtful} doubtful"] if doubtful else []
    waits = [state.session for state in report.sessions if not state.begun]
    said += [f"{len(waits)} session{'' if len(waits) == 1 else 's'} still to be measured"] if waits else []
    to_come = sum(len(state.to_come) for state in report.sessions if state.begun)
    said += [f"{to_come} run{'' if to_come == 1 else 's'} still to come"] if to_come else []
    return "; ".join(said or ["No problems"]) + "."
