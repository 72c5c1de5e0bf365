"""What the answers on the front page can be narrowed by: part, cells, procedure, verdict."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from generator.evidence.records import SessionAnalysis
from generator.evidence.wording import counted
from generator.intake.parts import Pack
from generator.intake.session import Season, Session
from generator.publication.navigation import anchor
from generator.publication.verdict_rows import VERDICT_CLASS

PART, CELLS, PROCEDURE, VERDICT = "part", "cells", "procedure", "verdict"
LABELS: Mapping[str, tuple[str, str]] = {
    PART: ("Part", "any part"),
    CELLS: ("Cells", "any number"),
    PROCEDURE: ("Procedure", "any procedure"),
    VERDICT: ("Verdict", "any verdict"),
}
KIND_TITLES: Mapping[str, str] = {
    "motor": "Motors",
    "controller": "Controllers",
    "propeller": "Propellers",
    "pack": "Packs",
    "supply": "Supplies",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class FilterChoice:
    """One choice. value: as cards and addresses carry it; text: with the number of answers it leaves."""

    value: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class FilterSet:
    """Choices under one heading. title: the heading, or "" where there is only one set."""

    title: str
    choices: tuple[FilterChoice, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Filter:
    """One thing to narrow the answers by.

    key    its name in addresses and on cards
    label  its name on the page
    every  words for leaving it open
    sets   its choices
    """

    key: str
    label: str
    every: str
    sets: tuple[FilterSet, ...]


Marked = Mapping[str, tuple[str, ...]]  # key of a filter -> values that a session has


def parts_used(season: Season, session: Session) -> tuple[str, ...]:
    """Ids of all parts of a session's treatments that the season describes, in the order they are first named."""
    named = (
        part
        for treatment in session.file.treatments.values()
        for part in (
            treatment.motor,
            treatment.controller,
            treatment.propeller,
            treatment.supply,
            treatment.pack,
        )
        if part is not None
    )
    return tuple(dict.fromkeys(part for part in named if part in season.parts))


def cells_used(season: Season, session: Session) -> tuple[int, ...]:
    """Numbers of cells in series of a session's treatments, fewest first; a treatment without any is left out."""
    found = set()
    for treatment in session.file.treatments.values():
        source = season.parts.get(treatment.supply)
        cells = source.cells if treatment.cells is None and isinstance(source, Pack) else treatment.cells
        found |= {cells} if cells is not None else set()
    return tuple(sorted(found))


def marked(season: Season, session: Session, analysis: SessionAnalysis) -> Marked:
    """What a session can be found by. Its verdicts are those of the primary contrasts, or of all where none is."""
    answers = [contrast for contrast in analysis.contrasts if contrast.primary] or analysis.contrasts
    verdicts = {contrast.verdict for contrast in answers}
    return {
        PART: parts_used(season, session),
        CELLS: tuple(str(cells) for cells in cells_used(season, session)),
        PROCEDURE: tuple(dict.fromkeys(run.procedure for run in analysis.runs)),
        VERDICT: tuple(anchor(verdict) for verdict in VERDICT_CLASS if verdict in verdicts),
    }


def filters(season: Season, found: Sequence[Marked]) -> tuple[Filter, ...]:
    """Filters for these sessions; one whose choices leave all of them the same answers is left out."""
    made = []
    for key, (label, every) in LABELS.items():
        counts = _counts(marks[key] for marks in found)
        if all(count == len(found) for count in counts.values()):
            continue
        made.append(Filter(key=key, label=label, every=every, sets=_sets(key, season, counts)))
    return tuple(made)


def _counts(values: Iterable[tuple[str, ...]]) -> dict[str, int]:
    counts: dict[str, int] = {}
    for own in values:
        for value in own:
            counts[value] = counts.get(value, 0) + 1
    return counts


def _sets(key: str, season: Season, counts: Mapping[str, int]) -> tuple[FilterSet, ...]:
    if key == PART:
        sets = []
        for kind, title in KIND_TITLES.items():
            parts = [season.parts[name] for name in counts if season.parts[name].kind == kind]
            named = [(part.id, part.label) for part in sorted(parts, key=lambda part: (part.label, part.id))]
            if named:
                sets.append(FilterSet(title=title, choices=_choices(named, counts)))
        return tuple(sets)
    if key == CELLS:
        named = [(value, counted(int(value), "cell")) for value in sorted(counts, key=int)]
    elif key == VERDICT:
        named = [(anchor(verdict), verdict) for verdict in VERDICT_CLASS if anchor(verdict) in counts]
    else:
        named = [(value, value) for value in counts]
    return (FilterSet(title="", choices=_choices(named, counts)),)


def _choices(named: Iterable[tuple[str, str]], counts: Mapping[str, int]) -> tuple[FilterChoice, ...]:
    return tuple(FilterChoice(value=value, text=f"{text} ({counts[value]})") for value, text in named)
