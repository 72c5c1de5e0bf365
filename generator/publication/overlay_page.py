"""The overlay page: any curves of the season laid over each other.

Its HTML is a list of sessions with links to their tables, a page of them at a time, so that its size does not
grow with the season. Scripts turn the list into a choice; what is chosen stands in the address of the page.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from generator.evidence.records import SessionAnalysis
from generator.evidence.wording import counted, listed
from generator.figures.styles import BASELINE_MARK, TREATMENT_MARKS
from generator.intake.session import Session
from generator.publication import navigation
from generator.publication.facts import date_text
from generator.publication.navigation import Link, anchor, link
from generator.publication.overlay_data import (
    QUANTITIES,
    Contribution,
    Quantity,
    contribution,
    page_path,
    table_path,
)
from generator.publication.page_frame import Frame, Site, simulated_sentence
from generator.publication.units import SCALES
from generator.reduction.air import STANDARD_DENSITY_KG_M3

SESSIONS_A_PAGE = 30
TITLE = "Curves laid over each other"
ABOUT = "Lay curves, holds and temperatures of any sessions over each other, and see how they differ."


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """One quantity that an axis can show: its key, and its name with its unit."""

    key: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class OverlaySession:
    """A session in the list.

    key         id of its place on the page
    session_id  id of the session, for the scripts
    page        link to the session, with its title
    date        written out
    holds       what it has to lay over others, in words
    simulated   whether its logs are simulated
    files       links to the same numbers as tables
    """

    key: str
    session_id: str
    page: Link
    date: str
    holds: str
    simulated: bool
    files: tuple[Link, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class OverlayPage:
    """Everything on an overlay page.

    title      heading
    x_choices  quantities of the horizontal axis, the first one chosen
    y_choices  quantities of the vertical axis, the first one chosen
    standard   standard density, written out with its unit
    density    of the air: where it is explained
    settings   what the scripts need to know of quantities and marks, as JSON
    folder     address of the folder of all sessions
    sessions   a page of sessions, the newest first
    place      which of all sessions these are, in words
    newer      link to the page before, or None
    earlier    link to the page after, or None
    """

    title: str
    x_choices: tuple[Choice, ...]
    y_choices: tuple[Choice, ...]
    standard: str
    density: str
    settings: str
    folder: str
    sessions: tuple[OverlaySession, ...]
    place: str
    newer: Link | None
    earlier: Link | None


def overlay_pages(
    site: Site, analyses: Mapping[str, SessionAnalysis], *, a_page: int = SESSIONS_A_PAGE
) -> tuple[tuple[Frame, OverlayPage], ...]:
    """Frames and contents of the overlay pages; none where no session has anything to lay over another.

    a_page  most sessions on one page
    """
    sessions = sorted(
        (session for session in site.season.sessions if session.id in analyses),
        key=lambda session: (session.file.date, session.id),
        reverse=True,
    )
    given = [(session, contribution(session, analyses[session.id])) for session in sessions]
    given = [(session, made) for session, made in given if made.series]
    parts = [given[start : start + a_page] for start in range(0, len(given), a_page)]
    return tuple(
        _page(site, number, part, first=1 + a_page * (number - 1), all_sessions=len(given), pages=len(parts))
        for number, part in enumerate(parts, start=1)
    )


def _page(
    site: Site,
    number: int,
    part: Sequence[tuple[Session, Contribution]],
    *,
    first: int,
    all_sessions: int,
    pages: int,
) -> tuple[Frame, OverlayPage]:
    page = page_path(number)
    frame = site.frame(
        page,
        TITLE if number == 1 else f"{TITLE}, page {number}",
        ABOUT,
        trail=((TITLE, page),),
        simulated=simulated_sentence(made.simulated for _, made in part),
    )

    def asset(name: str) -> str:
        return link(page, f"{navigation.ASSETS}/{name}")

    frame = replace(
        frame,
        stylesheets=(*frame.stylesheets, asset("overlay.css")),
        scripts=(*frame.scripts, asset("overlay-plot.js"), asset("overlay.js")),
    )
    choices = {q.key: Choice(key=q.key, text=f"{q.label} ({q.unit})") for q in QUANTITIES}
    last = first + len(part) - 1
    shown = f"{first}" if first == last else f"{first} to {last}"
    return frame, OverlayPage(
        title=TITLE,
        x_choices=tuple(choices.values()),
        y_choices=(choices["power"], *(choices[key] for key in choices if key not in ("power", "time"))),
        standard=f"{STANDARD_DENSITY_KG_M3}\u00a0kg/m³",
        density=site.text_link(page, navigation.METHOD, "air", "density"),
        settings=settings(),
        folder=link(page, navigation.session_folder("")),
        sessions=tuple(_session(session, made, page) for session, made in part),
        place=f"Sessions {shown} of {all_sessions}" if pages > 1 else counted(all_sessions, "session"),
        newer=Link(text="Newer sessions", href=link(page, page_path(number - 1))) if number > 1 else None,
        earlier=Link(text="Earlier sessions", href=link(page, page_path(number + 1)))
        if number < pages
        else None,
    )


def _session(session: Session, made: Contribution, page: str) -> OverlaySession:
    kinds = [series.kind for series in made.series]
    words = [
        ("curve", "curve", "curves"),
        ("hold", "set of holds", "sets of holds"),
        ("soak", "soak", "soaks"),
    ]
    steady = "curve" in kinds or "hold" in kinds
    files = [
        Link(text="Curves and holds (CSV)", href=link(page, table_path(session.id))) if steady else None,
        Link(text="Temperatures in time (CSV)", href=link(page, table_path(session.id, in_time=True)))
        if "soak" in kinds or "fit" in kinds
        else None,
    ]
    return OverlaySession(
        key=anchor("session", session.id),
        session_id=session.id,
        page=Link(text=session.file.title, href=link(page, navigation.session_page(session.id))),
        date=date_text(session.file.date),
        holds=listed([counted(kinds.count(kind), one, many) for kind, one, many in words if kind in kinds]),
        simulated=made.simulated,
        files=tuple(file for file in files if file is not None),
    )


def settings() -> str:
    """Quantities and marks for the scripts, so that neither is written down twice."""
    return json.dumps(
        {
            "standard": STANDARD_DENSITY_KG_M3,
            "quantities": [
                {
                    "key": q.key,
                    "label": q.label,
                    "unit": q.unit,
                    "density": q.density,
                    "law": q.law,
                    **_scales(q),
                }
                for q in QUANTITIES
            ],
            "marks": [
                {"colour": mark.colour, "dash": list(mark.dash), "shape": mark.shape}
                for mark in (BASELINE_MARK, *TREATMENT_MARKS)
            ],
        },
        ensure_ascii=False,
        separators=(",", ":"),
    )


def _scales(quantity: Quantity) -> dict[str, Any]:
    """The units a reader may choose for a quantity: key of the choice -> unit, and how many make a published one."""
    scales = SCALES.get(quantity.unit)
    if scales is None:
        return {}
    kind = "temperature" if "c" in scales else "thrust"
    return {
        "kind": kind,
        "scales": {
            key: {"unit": scale.suffix, "factor": float(scale.factor)} for key, scale in scales.items()
        },
    }
