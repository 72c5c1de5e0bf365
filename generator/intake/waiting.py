"""Sessions that are planned and not measured yet: no log of theirs is there, so that there is nothing to analyse.

A site leaves them out and says so. Where some logs are there and others are missing, something is wrong instead.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from generator.intake.problems import STILL_TO_COME, Problem
from generator.intake.yaml_source import YamlSource, read_yaml


def begun(folder: Path, logs: Sequence[str]) -> bool:
    """Whether one of the logs of the session in `folder` is there, or at least a link of that name."""
    return any((folder / log).is_symlink() or (folder / log).exists() for log in logs)


def still_to_measure(source: YamlSource, folder: Path, place: str, logs: Sequence[str], runs: int) -> Problem:
    """A session without logs, as something to know and no fault.

    source  session.yaml; folder: of the session; place: the same, as the user would type it
    logs    of its runs; runs: how many they are
    """
    if runs:
        what = "its log is not there yet" if runs == 1 else f"none of the {runs} logs is there yet"
    else:
        what = "no run is listed yet"
    others = _others(folder, logs)
    if others:
        names = "a file that no run names" if others == 1 else f"{others} files that no run names"
        what += f", but logs/ holds {names}"
        remedy = "Rename these files, or correct the list of runs."
    elif runs:
        remedy = f"Make the runs, or try the whole way with simulated ones: whirlbook rehearse {place}"
    else:
        remedy = f"Let the list be written, with a run sheet: whirlbook plan {place}"
    return Problem(
        file=source.shown, line=source.line(("runs",)), key="runs", what=f"still to be measured: {what}.",
        remedy=remedy, severity="warning", kind=STILL_TO_COME,
    )  # fmt: skip


def nothing_measured(shown: str, waiting: Sequence[Problem]) -> Problem:
    """The fault of a season whose every session is `waiting`."""
    first = waiting[0]
    if len(waiting) == 1:
        what = f"its only session is {first.what.removesuffix('.')}, so there is nothing to show yet."
    else:
        what = "every session is still to be measured, so there is nothing to show yet."
    return Problem(file=shown, what=what, remedy=first.remedy, kind=STILL_TO_COME)


def waiting(folder: Path, shown: str) -> list[Problem]:
    """Every session of a season that has no log yet, in the order of the names; quick, and blind to other faults.

    folder  the season's folder
    shown   the same, as the user named it
    """
    found = []
    for file in sorted(folder.glob("*/session.yaml")):
        name = file.parent.name
        if name.startswith(".") or file.parent.is_symlink():
            continue
        source, _ = read_yaml(file, f"{shown}/{name}/session.yaml")
        runs = source.data.get("runs")
        listed = runs if isinstance(runs, list) else []
        logs = list(_named(listed))
        if source.data and not begun(file.parent, logs):
            place = f"{shown}/{name}"
            found.append(still_to_measure(source, file.parent, place, logs, len(listed)))
    return found


def _named(runs: list[Any]) -> Iterator[str]:
    """Every log that a list of runs names, whatever else is in it."""
    for run in runs:
        if not isinstance(run, dict):
            continue
        further = run.get("further_logs")
        others = further.values() if isinstance(further, dict) else ()
        for one in (run, *(other for other in others if isinstance(other, dict))):
            log = one.get("log")
            if isinstance(log, str) and log and "\0" not in log and len(log) <= MAX_NAME:
                yield log


MAX_NAME = 300  # as session.yaml allows


def _others(folder: Path, logs: Sequence[str]) -> int:
    """Files among the logs that no run names."""
    place = folder / "logs"
    if not place.is_dir():
        return 0
    return sum(
        file.is_file() and not file.name.startswith(".") and f"logs/{file.name}" not in logs
        for file in place.iterdir()
    )
