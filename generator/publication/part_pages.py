"""Pages of parts: what is known of each, and every session it took part in."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from generator.evidence.records import SessionAnalysis
from generator.evidence.wording import counted, sentence_case
from generator.intake.parts import AnyPart
from generator.intake.session import Session, Treatment
from generator.publication import navigation
from generator.publication.constants_section import answer_of_part, constants_of_part
from generator.publication.facts import Fact, date_text, facts_of
from generator.publication.front_page import newest_first
from generator.publication.navigation import Link, link
from generator.publication.page_frame import Frame, Site, simulated_sentence
from generator.publication.photos import PhotoBlock, photo_block
from generator.publication.session_blocks import answer_text
from generator.publication.tables import Table

KINDS = (
    ("motor", "Motors"),
    ("controller", "Controllers"),
    ("propeller", "Propellers"),
    ("pack", "Packs"),
    ("supply", "Supplies"),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionLine:
    """A session that a part or a rig took part in.

    session  link to it
    date     written out
    role     labels of the treatments that used the part, or ""
    answer   the session's answer
    """

    session: Link
    date: str
    role: str
    answer: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PartPage:
    """Everything on a part's page.

    title     label of the part
    kind      what kind of part it is
    facts     what its file states
    notes     notes of its owner, or ""
    sessions  sessions it took part in, newest first
    measured  constants fitted for it, beside the stated ones, or None
    found     what that says, in a sentence or two, or ""
    photo     of the part, or None
    """

    title: str
    kind: str
    facts: tuple[Fact, ...]
    notes: str
    sessions: tuple[SessionLine, ...]
    measured: Table | None
    found: str = ""
    photo: PhotoBlock | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PartLine:
    """A part in the list: link to it, and in how many sessions it was used."""

    part: Link
    used: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PartGroup:
    """Parts of one kind: id, heading, lines."""

    key: str
    title: str
    parts: tuple[PartLine, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class PartsPage:
    """The list of parts. groups: parts of one kind each, kinds without a part left out."""

    groups: tuple[PartGroup, ...]


def _parts_of(treatment: Treatment) -> tuple[str, ...]:
    return (treatment.motor, treatment.controller, treatment.propeller, treatment.supply)


def session_line(session: Session, analysis: SessionAnalysis, page: str, role: str) -> SessionLine:
    """A session as a line in the list of a page `page`."""
    return SessionLine(
        session=Link(text=session.file.title, href=link(page, navigation.session_page(session.id))),
        date=date_text(session.file.date),
        role=role,
        answer=answer_text(analysis),
    )


def _sessions_of_part(
    site: Site, analyses: Mapping[str, SessionAnalysis], part_id: str, page: str
) -> tuple[SessionLine, ...]:
    lines = []
    for session in newest_first(site.season.sessions):
        used = [t.label for t in session.file.treatments.values() if part_id in _parts_of(t)]
        if used and session.id in analyses:
            whole = len(used) == len(session.file.treatments)
            lines.append(
                session_line(
                    session, analyses[session.id], page, "all treatments" if whole else ", ".join(used)
                )
            )
    return tuple(lines)


def part_page(site: Site, analyses: Mapping[str, SessionAnalysis], part: AnyPart) -> tuple[Frame, PartPage]:
    """Frame and content of a part's page."""
    page = navigation.part_page(part.id)
    sessions = _sessions_of_part(site, analyses, part.id, page)
    simulated = simulated_sentence(
        analyses[session.id].simulated
        for session in site.season.sessions
        if session.id in analyses
        and any(part.id in _parts_of(treatment) for treatment in session.file.treatments.values())
    )
    frame = site.frame(
        page,
        part.label,
        f"{part.label}, {part.kind}: what is known of it, and {counted(len(sessions), 'session')} it took part in.",
        trail=(("Parts", navigation.PARTS), (part.label, page)),
        simulated=simulated,
    )
    return frame, PartPage(
        title=part.label,
        kind=sentence_case(part.kind),
        facts=facts_of(part, leave_out=("id", "kind", "label", "notes", "photo")),
        notes=part.notes or "",
        sessions=sessions,
        found=answer_of_part(part.id, analyses, site.season),
        measured=constants_of_part(part.id, analyses, site.season, page),
        photo=photo_block(site.photos, "parts", part.id, part.photo, part.label, page),
    )


def parts_page(site: Site, analyses: Mapping[str, SessionAnalysis]) -> tuple[Frame, PartsPage]:
    """Frame and content of the list of parts."""
    page = navigation.PARTS

    def lines(kind: str) -> tuple[PartLine, ...]:
        parts = [part for part in site.season.parts.values() if part.kind == kind]
        return tuple(
            PartLine(
                part=Link(text=part.label, href=link(page, navigation.part_page(part.id))),
                used=counted(len(_sessions_of_part(site, analyses, part.id, page)), "session"),
            )
            for part in sorted(parts, key=lambda part: (part.label, part.id))
        )

    groups = tuple(
        PartGroup(key=kind, title=title, parts=lines(kind)) for kind, title in KINDS if lines(kind)
    )
    frame = site.frame(
        page,
        "Parts",
        "Every motor, controller, propeller, pack and supply of the season.",
        trail=(("Parts", page),),
        simulated=site.simulated,
    )
    return frame, PartsPage(groups=groups)
