"""The ledger of corrections: what was put right after it had been published, and figures that changed since."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from generator.evidence.records import SessionAnalysis
from generator.evidence.wording import counted
from generator.publication import navigation
from generator.publication.facts import archive_date, date_text
from generator.publication.front_page import newest_first
from generator.publication.navigation import Link, link
from generator.publication.page_frame import Frame, Site
from generator.publication.sharing import correction_key
from generator.publication.tables import Table


@dataclass(frozen=True, slots=True, kw_only=True)
class CorrectionLine:
    """One correction in the ledger.

    key      its id on the page
    date     when it was made, written out
    session  link to its place on the session's page
    what     what was changed
    why      why
    """

    key: str
    date: str
    session: Link
    what: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ChangedSession:
    """A session with figures that are not those of the archive.

    session  link to its page
    figures  the figures, archived and now
    told     what else changed, and what may be why
    """

    session: Link
    figures: Table
    told: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CorrectionsPage:
    """Everything on the ledger of corrections.

    tally     how many there are, in how many sessions, in words
    lines     every correction of the season, the newest first
    compared  which archive the results were held against, and how many figures changed, or ""
    changed   sessions in which some did
    feed      link to the feed that carries the corrections, or "" where there is none
    """

    tally: str
    lines: tuple[CorrectionLine, ...]
    compared: str
    changed: tuple[ChangedSession, ...]
    feed: str


def corrections_page(site: Site, analyses: Mapping[str, SessionAnalysis]) -> tuple[Frame, CorrectionsPage]:
    """Frame and content of the ledger. It is there from the first day, empty, so that readers know where to look."""
    page = navigation.CORRECTIONS
    found = [
        (correction.date, session, number, correction)
        for session in newest_first(site.season.sessions)
        if session.id in analyses
        for number, correction in enumerate(session.file.corrections, start=1)
    ]
    found.sort(key=lambda entry: entry[0], reverse=True)
    lines = tuple(
        CorrectionLine(
            key=navigation.anchor("correction", session.id, str(number)),
            date=date_text(date),
            session=Link(
                text=session.file.title,
                href=link(page, navigation.session_page(session.id), correction_key(number)),
            ),
            what=correction.what,
            why=correction.why,
        )
        for date, session, number, correction in found
    )
    corrected = len({session.id for _, session, _, _ in found})
    tally = (
        f"{counted(len(lines), 'correction')} in {counted(corrected, 'session')}."
        if lines
        else "Nothing has been corrected so far."
    )
    frame = site.frame(
        page,
        "Corrections",
        f"What was put right after it had been published, when and why. {tally}",
        trail=(("Corrections", page),),
        simulated=site.simulated,
    )
    return frame, CorrectionsPage(
        tally=tally, lines=lines, compared=_compared(site), changed=_changed(site), feed=frame.feed
    )


def _compared(site: Site) -> str:
    if site.since is None:
        return ""
    archive = f"the archive of {archive_date(site.since.date)}"
    figures = sum(len(since.figures) for since in site.since.changed.values())
    if not site.since.changed:
        return f"Held against {archive}, no figure has changed."
    sessions = counted(len(site.since.changed), "session")
    return f"Held against {archive}, {counted(figures, 'figure')} changed, in {sessions}."


def _changed(site: Site) -> tuple[ChangedSession, ...]:
    page = navigation.CORRECTIONS
    if site.since is None:
        return ()
    return tuple(
        ChangedSession(
            session=Link(
                text=session.file.title, href=link(page, navigation.session_page(session.id), "changed")
            ),
            figures=site.since.changed[session.id].table(
                navigation.anchor("figures-changed", session.id), f"Changed in: {session.file.title}"
            ),
            told=site.since.changed[session.id].told(),
        )
        for session in newest_first(site.season.sessions)
        if session.id in site.since.changed
    )
