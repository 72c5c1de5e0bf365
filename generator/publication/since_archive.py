"""What a new build changed: figures that are not those of an earlier archive, with both values and what may be why."""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from generator.evidence.change_words import shown_apart
from generator.evidence.records import SessionAnalysis
from generator.evidence.results_comparison import Change, compare
from generator.evidence.wording import at_words, counted, difference_unit
from generator.intake.session import Season, Session
from generator.publication import bag_layout as layout
from generator.publication.bag_manifest import ALGORITHMS, manifest_name, read_manifest, sums_of
from generator.publication.bag_results import StoredResults, stored_results
from generator.publication.bag_source import BagRefused, BagSource, opened, whole
from generator.publication.session_blocks import against, labels_of
from generator.publication.tables import Cell, Table, table

# Fields that readers see as an answer; what else changed stands behind these and is counted.
ANSWERS = {
    ("responses", "value"),
    ("contrasts", "difference"),
    ("contrasts", "verdict"),
    ("contrasts", "interval[0]"),
    ("contrasts", "interval[1]"),
    ("claims", "outcome"),
    ("constants", "fitted.value"),
    ("in_the_air", "minutes.value"),
    ("in_the_air", "hover_power_w.value"),
}
WORDS = {
    "difference": "Difference in ",
    "verdict": "Verdict on ",
    "interval[0]": "Lower end of the interval of ",
    "interval[1]": "Upper end of the interval of ",
    "minutes.value": "Minutes in the air, ",
    "hover_power_w.value": "Power to hover, ",
}
UNITS = {"minutes.value": "min", "hover_power_w.value": "W"}


@dataclass(frozen=True, slots=True, kw_only=True)
class ChangedFigure:
    """One published figure that changed: what it is, as archived, as it is now."""

    what: str
    then: str
    now: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionSince:
    """What changed in one session.

    figures  published figures, in the order of the results
    behind   numbers behind them that changed too: uncertainties, single runs, budgets
    new      entries of the results that the archive does not have
    gone     entries that only the archive has
    why      what else is not as it was, a clause each; never more than a hint
    """

    figures: tuple[ChangedFigure, ...]
    behind: int
    new: int
    gone: int
    why: tuple[str, ...]

    @property
    def changed(self) -> bool:
        """Whether any published figure is not what it was."""
        return bool(self.figures or self.gone)

    def told(self) -> str:
        """What changed besides the figures listed, and what may be why, in sentences."""
        parts = [
            f"{counted(self.behind, 'number')} behind them changed too" if self.behind else "",
            f"{counted(self.gone, 'entry', 'entries')} of the archived results can no longer be computed"
            if self.gone
            else "",
            f"{counted(self.new, 'entry', 'entries')} came in addition" if self.new else "",
            f"Not as it was: {'; '.join(self.why)}" if self.why else "",
        ]
        return " ".join(f"{part}." for part in parts if part)

    def table(self, key: str, caption: str) -> Table:
        """The changed figures."""
        rows = [(Cell(text=f.what), Cell(text=f.then), Cell(text=f.now)) for f in self.figures]
        return table(key, caption, ("Figure", "Archived", "Now"), rows)


@dataclass(frozen=True, slots=True, kw_only=True)
class SinceArchive:
    """A season against an earlier archive of it.

    date      of the archive, as written in it
    version   of the Whirlbook that made it
    sessions  id of each session that both hold -> what changed in it
    """

    date: str
    version: str
    sessions: Mapping[str, SessionSince]

    @property
    def changed(self) -> Mapping[str, SessionSince]:
        """Only those in which a published figure changed."""
        return {name: since for name, since in self.sessions.items() if since.changed}


def since_archive(
    bag: Path,
    season: Season,
    analyses: Mapping[str, SessionAnalysis],
    documents: Mapping[str, Mapping[str, Any]],
    version: str,
) -> SinceArchive:
    """Hold new results against those in an archive.

    bag        its folder or zip file
    analyses   session id -> analysis, of the sessions that get pages
    documents  session id -> new results.json
    version    of Whirlbook now
    Raises     BagRefused if it is no archive of these sessions, or its results are not as its checksums say
    """
    with opened(bag) as source:
        stored = stored_results(source)
        results = (layout.results_file(session.id) for session in season.sessions)
        _trusted(source, [path for path in results if path in source.files])
        both = [s for s in season.sessions if s.id in analyses and s.id in stored.documents]
        if not both:
            raise BagRefused(
                f"{bag} holds readable results of none of this season's sessions. Name another archive."
            )
        return SinceArchive(
            date=stored.date,
            version=stored.version,
            sessions={
                session.id: _session(
                    session, analyses[session.id], stored, documents[session.id],
                    _why(source, season, session, stored, documents[session.id], version),
                )
                for session in both
            },
        )  # fmt: skip


def _trusted(source: BagSource, paths: Sequence[str]) -> None:
    """Raises BagRefused if one of these files is not what the manifest says."""
    name = next((n for n in map(manifest_name, reversed(ALGORITHMS)) if n in source.files), None)
    manifest = read_manifest(name, whole(source, name)) if name is not None else None
    for path in paths:
        told = manifest.entries.get(path) if manifest is not None else None
        found = (
            sums_of(io.BytesIO(whole(source, path)), (manifest.algorithm,)) if manifest is not None else None
        )
        if manifest is None or found is None or found.by[manifest.algorithm] != told:
            raise BagRefused(
                f"{source.shown}: {path} is not as its checksum says. See `whirlbook verify {source.shown}`."
            )


def _session(
    session: Session,
    analysis: SessionAnalysis,
    stored: StoredResults,
    document: Mapping[str, Any],
    why: tuple[str, ...],
) -> SessionSince:
    changes = compare(stored.documents[session.id], document).changes
    differing = [c for c in changes if (c.part, c.field) in ANSWERS and c.kind in ("figure", "decision")]
    moved = {_entry(c) for c in differing if c.field == "difference"}
    # an interval moves with its difference; on its own it is news
    listed = [c for c in differing if not (c.field.startswith("interval") and _entry(c) in moved)]
    figures = tuple(_figure(change, session, analysis) for change in listed)
    return SessionSince(
        figures=figures,
        behind=sum(c.kind == "figure" for c in changes) - sum(c.kind == "figure" for c in listed),
        new=sum(c.kind == "new" for c in changes),
        gone=sum(c.kind == "gone" for c in changes),
        why=why if changes else (),
    )


def _entry(change: Change) -> tuple[object, ...]:
    return change.part, change.response, change.treatment, change.baseline, change.at


def _figure(change: Change, session: Session, analysis: SessionAnalysis) -> ChangedFigure:
    labels = labels_of(session)
    kind = analysis.kinds.get(change.response)
    names = {c.name: c.label for c in analysis.constants} | {f.aircraft: f.label for f in analysis.in_the_air}
    name = kind.label if kind is not None else names.get(change.response, change.response)
    start = WORDS.get(change.field, "")
    if change.part == "claims":
        what = f"Claim “{change.response}”"
    else:
        named = name[:1].lower() + name[1:] if start and change.part == "contrasts" else name
        who = (
            against(labels, change.treatment, change.baseline)
            if change.baseline
            else labels.get(change.treatment, change.treatment)
        )
        what = f"{f'{start}{named} {at_words(change.at)}'.strip()}, {who}"
    unit = UNITS.get(change.field, change.unit)
    unit = difference_unit(unit) if change.part == "contrasts" else unit
    signed = change.part == "contrasts" and (
        change.field.startswith("interval") or change.field == "difference"
    )
    then, now = shown_apart(change.before, change.after, unit, signed=signed)
    return ChangedFigure(what=what, then=then, now=now)


def _why(
    source: BagSource,
    season: Season,
    session: Session,
    stored: StoredResults,
    document: Mapping[str, Any],
    version: str,
) -> tuple[str, ...]:
    """Inputs that are not as they were: the program, logs by their sums, the YAML files that the session rests on."""
    told = []
    if stored.version != version:
        told.append(f"Whirlbook {stored.version or 'of unknown version'} then, {version} now")
    before, after = (_sums(found) for found in (stored.documents[session.id], document))
    for log in dict.fromkeys([*before, *after]):
        if log not in after:
            told.append(f"{log} is no longer used")
        elif log not in before:
            told.append(f"{log} is new")
        elif before[log] != after[log]:
            told.append(f"{log} is another file")
    parts = {
        part
        for treatment in session.file.treatments.values()
        for part in (
            treatment.motor,
            treatment.controller,
            treatment.propeller,
            treatment.supply,
            treatment.pack,
        )
        if part
    }
    files = ["season.yaml", f"rigs/{session.rig.id}.yaml", *(f"parts/{part}.yaml" for part in sorted(parts))]
    for path in (f"{session.id}/session.yaml", *files):
        now = Path(season.folder) / path
        then = f"{layout.SEASON}/{path}"
        if then in source.files and now.is_file() and whole(source, then) != now.read_bytes():
            told.append(f"{path} has been edited")
    return tuple(told)


def _sums(document: Mapping[str, Any]) -> dict[str, str]:
    """Log -> checksum, of a document that may have been written by anybody."""
    inputs = document.get("inputs")
    return {
        str(entry.get("path")): str(entry.get("sha256"))
        for entry in (inputs if isinstance(inputs, list) else ())
        if isinstance(entry, Mapping)
    }
