"""Problems in what the bench tester wrote: where, what, and how to mend it."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

Severity = Literal["error", "warning"]
COLUMN = "column"  # a column that a log does not have: most often the rig file's fault, and then of many logs
STILL_TO_COME = "still to come"  # a log that is not there yet, in a session that is being made


@dataclass(frozen=True, slots=True, kw_only=True)
class Problem:
    """One fault in one place of a season.

    file    path as the user would type it, relative to where the season was named
    line    1-based line, or None where the file as a whole is meant
    key     dotted key (`matters.rise_time`) or column name, or "" for the file
    what    what is wrong, one sentence
    remedy  how to mend it, one sentence
    kind    STILL_TO_COME or COLUMN where it is that, else ""
    """

    file: str
    line: int | None = None
    key: str = ""
    what: str
    remedy: str
    severity: Severity = "error"
    kind: str = ""

    def __str__(self) -> str:
        place = self.file if self.line is None else f"{self.file}:{self.line}"
        key = f" {self.key}:" if self.key else ""
        return f"{place}:{key} {self.what}\n    {self.remedy}"


class WhirlbookError(Exception):
    """Base of every error that is the input's fault, not the program's."""


class SeasonProblems(WhirlbookError):
    """All problems found in one pass over a season."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems: tuple[Problem, ...] = tuple(told_once(problems))
        super().__init__("\n".join(str(problem) for problem in self.problems))


def told_once(problems: Iterable[Problem]) -> list[Problem]:
    """The same problems in their order; a column that several logs lack is told once, with their number."""
    found = list(problems)
    alike: dict[tuple[str, str, str], list[Problem]] = {}
    for problem in found:
        if problem.kind == COLUMN:
            alike.setdefault((problem.key, problem.what, problem.remedy), []).append(problem)
    first = {id(same[0]): len(same) - 1 for same in alike.values()}
    told = []
    for problem in found:
        more = first.get(id(problem), 0) if problem.kind == COLUMN else 0
        if problem.kind == COLUMN and id(problem) not in first:
            continue
        logs = f"in this log and {more} more"
        told.append(problem if not more else replace(problem, what=problem.what.replace(HERE, logs)))
    return told


HERE = "in this log"


class OutputRefused(WhirlbookError):
    """The output folder cannot be used, or holds files that are not ours."""


def nearest(word: str, known: Sequence[str]) -> str | None:
    """The known word most like `word`, or None when nothing comes near."""
    # a word of millions of letters is like none of ours, and comparing it would take its time
    matches = difflib.get_close_matches(word[:200], known, n=1, cutoff=0.6)
    return matches[0] if matches else None


def suggestion(word: str, known: Sequence[str]) -> str:
    """A remedy sentence for an unknown word: the nearest known one, or the list of all."""
    match = nearest(word, known)
    if match is not None:
        return f"Did you mean '{match}'?"
    return "Known here: " + ", ".join(known) + "." if known else "Nothing of this kind is defined yet."
