"""Pages of parts and rigs: what is known of each, and every session it took part in."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from generator.evidence.records import SessionAnalysis
from generator.evidence.wording import counted, number, percent
from generator.intake.parts import AnyPart
from generator.intake.rig import CHANNEL_KINDS, Channel, Rig
from generator.intake.session import Session, Treatment
from generator.publication import navigation
from generator.publication.constants_section import constants_of_part
from generator.publication.facts import Fact, date_text, facts_of, key_text, quantity_plain, shown
from generator.publication.front_page import newest_first
from generator.publication.navigation import Link, link
from generator.publication.page_frame import Frame, Site, simulated_sentence
from generator.publication.tables import Cell, Table, table

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
    """

    title: str
    kind: str
    facts: tuple[Fact, ...]
    notes: str
    sessions: tuple[SessionLine, ...]
    measured: Table | None


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


@dataclass(frozen=True, slots=True, kw_only=True)
class RigPage:
    """Everything on a rig's page.

    title           of the rig
    about           what it is
    channels        table of channels with their uncertainties
    facts           wiring, distances
    check_standard  the fixed reference set-up, or ""
    sessions        sessions made on it, newest first
    uncertainty     link to how uncertainties are carried
    """

    title: str
    about: str
    channels: Table
    facts: tuple[Fact, ...]
    check_standard: str
    sessions: tuple[SessionLine, ...]
    uncertainty: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RigsPage:
    """The list of rigs."""

    rigs: tuple[PartLine, ...]


def _parts_of(treatment: Treatment) -> tuple[str, ...]:
    return (treatment.motor, treatment.controller, treatment.propeller, treatment.supply)


def _line(session: Session, analysis: SessionAnalysis, page: str, role: str) -> SessionLine:
    return SessionLine(
        session=Link(text=session.file.title, href=link(page, navigation.session_page(session.id))),
        date=date_text(session.file.date),
        role=role,
        answer=analysis.headline,
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
                _line(session, analyses[session.id], page, "all treatments" if whole else ", ".join(used))
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
        kind=part.kind,
        facts=facts_of(part, leave_out=("id", "kind", "label", "notes", "photo")),
        notes=part.notes or "",
        sessions=sessions,
        measured=constants_of_part(part.id, analyses, site.season, page),
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


def rig_page(site: Site, analyses: Mapping[str, SessionAnalysis], rig: Rig) -> tuple[Frame, RigPage]:
    """Frame and content of a rig's page."""
    page = navigation.rig_page(rig.id)
    sessions = [
        session
        for session in newest_first(site.season.sessions)
        if session.rig.id == rig.id and session.id in analyses
    ]
    list_of_rigs = (("Rigs", navigation.RIGS),) if len(site.season.rigs) > 1 else ()
    frame = site.frame(
        page,
        rig.label,
        f"{rig.label}: channels, calibration, wiring and sessions.",
        trail=(*list_of_rigs, (rig.label, page)),
        simulated=simulated_sentence(analyses[session.id].simulated for session in sessions),
    )
    wiring = [Fact(name=f"Wiring {fact.name.lower()}", value=fact.value) for fact in facts_of(rig.wiring)]
    return frame, RigPage(
        title=rig.label,
        about=rig.about or "",
        channels=channels_table(rig),
        facts=(
            *wiring,
            *facts_of(
                rig,
                leave_out=("id", "label", "about", "channels", "log", "wiring", "check_standard", "photo"),
            ),
        ),
        check_standard=rig.check_standard or "",
        sessions=tuple(_line(session, analyses[session.id], page, "") for session in sessions),
        uncertainty=site.text_link(page, navigation.METHOD, "uncertainty"),
    )


def channels_table(rig: Rig) -> Table:
    """Channels of a rig with what is known of each. Uncertainties are standard uncertainties."""
    rows = []
    for name, channel in rig.channels.present().items():
        house = CHANNEL_KINDS[name][1]
        rows.append(
            (
                Cell(text=key_text(name)),
                Cell(text=channel.column),
                Cell(text=_unit(channel)),
                Cell(
                    text=percent(channel.gain_uncertainty) if channel.gain_uncertainty else "", numeric=True
                ),
                Cell(text=_size(house, channel.offset_uncertainty), numeric=True),
                Cell(text=_size(house, channel.resolution), numeric=True),
                Cell(text=quantity_plain(1000 * channel.lag_s, "ms") if channel.lag_s else "", numeric=True),
                Cell(text="" if channel.calibrated is None else date_text(channel.calibrated)),
            )
        )
    columns = (
        "Quantity", "Column in the log", "Unit", "Gain uncertainty", "Offset uncertainty", "Resolution", "Lag",
        "Calibrated",
    )  # fmt: skip
    return table("channels", "Channels; uncertainties are standard uncertainties", columns, rows)


def _unit(channel: Channel) -> str:
    if channel.idle is not None and channel.full is not None:
        return f"{number(channel.idle, 0)} at idle, {number(channel.full, 0)} at full"
    return channel.unit or ""


def _size(house: str, value: object) -> str:
    """An uncertainty or resolution in the unit the channel is shown in; house units come in."""
    if not isinstance(value, (int, float)):
        return ""
    if house == "thrust_n":
        return quantity_plain(value * 1000.0 / 9.80665, "gf")
    if house == "time_s":
        return quantity_plain(1000.0 * value, "ms")
    if house == "torque_nm":
        return quantity_plain(1000.0 * value, "mN·m")
    if house == "throttle":
        return quantity_plain(100.0 * value, "%")
    if house == "vibration_m_s2":
        return quantity_plain(value, "m/s²")
    return shown(f"difference{house[house.rindex('_') :]}", value)


def rigs_page(site: Site, analyses: Mapping[str, SessionAnalysis]) -> tuple[Frame, RigsPage]:
    """Frame and content of the list of rigs."""
    page = navigation.RIGS
    lines = tuple(
        PartLine(
            part=Link(text=rig.label, href=link(page, navigation.rig_page(rig.id))),
            used=counted(
                sum(s.rig.id == rig.id and s.id in analyses for s in site.season.sessions), "session"
            ),
        )
        for rig in sorted(site.season.rigs.values(), key=lambda rig: (rig.label, rig.id))
    )
    frame = site.frame(
        page, "Rigs", "The thrust stands of the season.", trail=(("Rigs", page),), simulated=site.simulated
    )
    return frame, RigsPage(rigs=lines)
