"""A run sheet as plain words, in the order of the page: what HTML and Markdown are both made from."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Kind = Literal["words", "facts", "ticks", "table", "cautions", "runs"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Words:
    """Paragraphs."""

    texts: tuple[str, ...]
    kind: Kind = "words"


@dataclass(frozen=True, slots=True, kw_only=True)
class Facts:
    """Names with what they are, such as `Bench time: 2 h 10 min`."""

    pairs: tuple[tuple[str, str], ...]
    kind: Kind = "facts"


@dataclass(frozen=True, slots=True, kw_only=True)
class Ticks:
    """Things to tick off."""

    key: str
    items: tuple[str, ...]
    kind: Kind = "ticks"


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """A table. numeric: columns whose cells stand right; the first column heads its row."""

    caption: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numeric: tuple[bool, ...]
    notes: tuple[str, ...] = ()
    kind: Kind = "table"


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetCaution:
    """A caution: signal word of ANSI Z535.6, what it is about, what it can do, how to avoid it."""

    signal: str
    title: str
    hazard: str
    consequence: str
    avoidance: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Cautions:
    """Cautions, most severe first."""

    items: tuple[SheetCaution, ...]
    kind: Kind = "cautions"


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetRun:
    """One run of the order. before: what to do before it, one line each; block "" for the check standard."""

    place: str
    treatment: str
    procedure: str
    repeat: str
    block: str
    log: str
    further_logs: tuple[str, ...]
    starts: str
    lasts: str
    before: tuple[str, ...]
    new_block: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Runs:
    """The runs in the order to be made, each with room for what is written down at the bench."""

    items: tuple[SheetRun, ...]
    write: tuple[str, ...]
    kind: Kind = "runs"


Block = Words | Facts | Ticks | Table | Cautions | Runs


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """A part of the sheet under one heading."""

    key: str
    title: str
    blocks: tuple[Block, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class RunSheet:
    """A whole run sheet.

    session     id of the session
    title       of the session; question as asked
    notice      what the season says of itself, or ""
    warned      why a person goes on although the plan is not safe, and what its totals warn of
    meta        season, date, rig, tester, one line each
    sections    in the order of the page
    local_codes the sentence that puts local codes first
    """

    language: str
    version: str
    session: str
    title: str
    question: str
    notice: str
    warned: tuple[str, ...]
    meta: tuple[str, ...]
    sections: tuple[Section, ...]
    local_codes: str
