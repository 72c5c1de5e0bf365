"""Pages of rigs: how well each measures, whether it still does, and every session made on it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from generator.evidence.records import SessionAnalysis
from generator.evidence.rig_history import RigHistory
from generator.evidence.wording import counted, listed, number, percent, unit_text, with_unit
from generator.intake.calibrations import CalibrationRecord, due_date
from generator.intake.rig import CHANNEL_KINDS, Channel, Rig
from generator.intake.session import Session
from generator.publication import navigation
from generator.publication.calibration_section import (
    CalibrationBlock,
    calibration_blocks,
    key_of,
    newest_record,
)
from generator.publication.control_section import (
    ControlBlock,
    RigState,
    control_blocks,
    rig_state,
    state_word,
)
from generator.publication.facts import Fact, date_text, facts_of, key_text, quantity_plain, shown
from generator.publication.front_page import newest_first
from generator.publication.navigation import Link, link
from generator.publication.page_frame import Frame, Site, simulated_sentence
from generator.publication.part_pages import PartLine, SessionLine, session_line
from generator.publication.photos import PhotoBlock, photo_block
from generator.publication.tables import Cell, Table, table


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
    calibrations    records that its channels name, newest first
    calibrating     link to how a channel is calibrated
    state           the rig's state today by its check standard, or None
    control         control charts of the check standard
    watching        link to how a rig is watched
    due             calibrations that were overdue at the newest session, in one sentence, or ""
    photo           of the stand, or None
    """

    title: str
    about: str
    channels: Table
    facts: tuple[Fact, ...]
    check_standard: str
    sessions: tuple[SessionLine, ...]
    uncertainty: str
    calibrations: tuple[CalibrationBlock, ...] = ()
    calibrating: str = ""
    state: RigState | None = None
    control: tuple[ControlBlock, ...] = ()
    watching: str = ""
    due: str = ""
    photo: PhotoBlock | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class RigsPage:
    """The list of rigs. states: by rig, in the same order, the state in a word, or ""."""

    rigs: tuple[PartLine, ...]
    states: tuple[str, ...] = ()


def rig_page(
    site: Site, analyses: Mapping[str, SessionAnalysis], rig: Rig, history: RigHistory | None = None
) -> tuple[Frame, RigPage, dict[str, bytes]]:
    """Frame and content of a rig's page, and the files beside it: path -> bytes.

    history  control charts of its check standard, or None
    """
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
    titles = {session.id: session.file.title for session in site.season.sessions}
    control, files = control_blocks(rig, history, titles, page)
    content = RigPage(
        title=rig.label,
        about=rig.about or "",
        photo=photo_block(site.photos, "rigs", rig.id, rig.photo, rig.label, page),
        channels=channels_table(rig, site.season.calibrations),
        facts=(
            *wiring,
            *facts_of(
                rig,
                leave_out=("id", "label", "about", "channels", "log", "wiring", "check_standard", "photo"),
            ),
        ),
        check_standard=rig.check_standard or "",
        sessions=tuple(session_line(session, analyses[session.id], page, "") for session in sessions),
        uncertainty=site.text_link(page, navigation.METHOD, "uncertainty"),
        calibrations=calibration_blocks(rig, site.season.calibrations, analyses, page),
        calibrating=site.text_link(page, navigation.METHOD, "calibration", "uncertainty"),
        state=rig_state(history, titles, page),
        control=control,
        watching=site.text_link(page, navigation.METHOD, "rig-health", "uncertainty"),
        due=_due(rig, site.season.calibrations, sessions),
    )
    return frame, content, files


def _due(rig: Rig, records: Mapping[str, CalibrationRecord], sessions: Sequence[Session]) -> str:
    """Which calibrations were overdue on the day of the newest session: a page does not know what day it is read."""
    if not sessions:
        return ""
    day = sessions[0].file.date
    late = []
    for name, channel in rig.channels.present().items():
        record = newest_record(channel, records)
        due = due_date(channel, channel.calibrated if record is None else record.date)
        if due is not None and day > due:
            late.append(f"{name.replace('_', ' ')} since {date_text(due)}")
    return f"Calibration overdue on the day of the newest session: {listed(late)}." if late else ""


def channels_table(rig: Rig, records: Mapping[str, CalibrationRecord]) -> Table:
    """Channels of a rig with what is known of each: stated, or found in its newest record. Uncertainties are standard
    uncertainties.

    records  id -> calibration record of the season
    """
    rows = []
    for name, channel in rig.channels.present().items():
        house = CHANNEL_KINDS[name][1]
        record = newest_record(channel, records)
        gain_u = channel.gain_uncertainty if record is None else record.gain_uncertainty()
        day = channel.calibrated if record is None else record.date
        due = due_date(channel, day)
        rows.append(
            (
                Cell(text=key_text(name)),
                Cell(text=channel.column),
                Cell(text=_unit(channel)),
                Cell(text=percent(gain_u) if gain_u else "", numeric=True),
                Cell(text=_size(house, channel.offset_uncertainty), numeric=True),
                Cell(text=_size(house, channel.resolution), numeric=True),
                Cell(text=quantity_plain(1000 * channel.lag_s, "ms") if channel.lag_s else "", numeric=True),
                Cell(
                    text="" if day is None else date_text(day),
                    href="" if record is None else f"#{key_of(record)}",
                    note="" if due is None else f"due again {date_text(due)}",
                ),
            )
        )
    columns = (
        "Quantity", "Column in the log", "Unit", "Gain uncertainty", "Offset uncertainty", "Resolution", "Lag",
        "Calibrated",
    )  # fmt: skip
    return table("channels", "Channels; uncertainties are standard uncertainties", columns, rows)


def _unit(channel: Channel) -> str:
    if channel.idle is not None and channel.full is not None:
        unit = unit_text(channel.unit or "")
        what = with_unit(number(channel.idle, 0), unit), with_unit(number(channel.full, 0), unit)
        return f"throttle command: {what[0]} at idle, {what[1]} at full"
    return unit_text(channel.unit or "")


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


def rigs_page(
    site: Site, analyses: Mapping[str, SessionAnalysis], histories: Mapping[str, RigHistory] | None = None
) -> tuple[Frame, RigsPage]:
    """Frame and content of the list of rigs. histories: rig id -> control charts of its check standard."""
    page = navigation.RIGS
    rigs = sorted(site.season.rigs.values(), key=lambda rig: (rig.label, rig.id))
    lines = tuple(
        PartLine(
            part=Link(text=rig.label, href=link(page, navigation.rig_page(rig.id))),
            used=counted(
                sum(s.rig.id == rig.id and s.id in analyses for s in site.season.sessions), "session"
            ),
        )
        for rig in rigs
    )
    frame = site.frame(
        page, "Rigs", "The thrust stands of the season.", trail=(("Rigs", page),), simulated=site.simulated
    )
    states = tuple(state_word((histories or {}).get(rig.id)) for rig in rigs)
    return frame, RigsPage(rigs=lines, states=states)
