"""The page of one run: the raw trace with what was used of it, what was found in it, what came of it."""

from __future__ import annotations

import math
from dataclasses import dataclass

from generator.evidence.records import SessionAnalysis
from generator.evidence.wording import (
    MINUS,
    counted,
    decimals_for,
    measured,
    number,
    plain,
    sentence_case,
    spaced,
    unit_text,
    with_unit,
)
from generator.intake.rig import CHANNEL_KINDS
from generator.intake.session import Session
from generator.publication import navigation, session_blocks, texts
from generator.publication.calibration_section import line_facts
from generator.publication.facts import Fact, date_text, key_text
from generator.publication.figure_blocks import FigureBlock
from generator.publication.navigation import Link, link
from generator.publication.page_frame import Frame, Site, shortened, simulated_sentence
from generator.publication.session_figures import DrawnFigures
from generator.publication.tables import Cell, Table, table
from generator.reduction.measured import ICE_POINT_K
from generator.reduction.records import Finding, RunReduction, RunResponse

GRADE_WORDS = {
    "noted": "noted, harmless or corrected",
    "doubtful": "doubtful, weakens what rests on it",
    "refused": "refused, not used",
}
# Kinds of stretch that were averaged, and how many of them a sentence names.
AVERAGED = ("averaged", "step")
STRETCHES_TOLD = 6
# figure of a fit -> words, factor from the house unit, what is taken off, unit shown, decimals
BESIDES: dict[str, tuple[str, float, float, str, int]] = {
    "open_circuit_before_v": ("Voltage at rest before", 1.0, 0.0, "V", 2),
    "open_circuit_after_v": ("Voltage at rest after", 1.0, 0.0, "V", 2),
    "lowest_v": ("Lowest voltage", 1.0, 0.0, "V", 2),
    "cut_off_v": ("Cut-off of the pack", 1.0, 0.0, "V", 2),
    "mean_current_a": ("Mean current under load", 1.0, 0.0, "A", 2),
    "pack_start_temperature_k": ("Pack temperature before", 1.0, ICE_POINT_K, "°C", 1),
    "regression_resistance_ohm": ("Resistance by regression over the whole run", 1000.0, 0.0, "mΩ", 1),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class FindingRow:
    """Something found in the log.

    sentence   what was found, with the numbers
    grade      what it means for the results
    css_class  class of its label
    where      when in the run, or ""
    """

    sentence: str
    grade: str
    css_class: str
    where: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RunPage:
    """Everything on a run's page.

    title       `Hold of 5S capped, run 02`
    summary     what was run, in one sentence
    date        of the session, written out
    before      link to the run made before, or None
    after       link to the run made after, or None
    refused     why nothing of the run is used, or ""
    averaged    which stretches were averaged, in one sentence with their times, or ""
    figures     the trace, and whatever the procedure adds
    findings    what was found in the log, gravest first
    responses   table of what was reduced, or None
    besides     what else the run says: the line of a calibration, the rest voltages of a drain
    facts       procedure, treatment, place in the order
    log         link to the raw log
    log_facts   checksum, rows, sampling
    columns     table of the logger's columns
    """

    title: str
    summary: str
    date: str
    before: Link | None
    after: Link | None
    refused: str
    averaged: str
    figures: tuple[FigureBlock, ...]
    findings: tuple[FindingRow, ...]
    responses: Table | None
    besides: tuple[Fact, ...]
    facts: tuple[Fact, ...]
    log: Link
    log_facts: tuple[Fact, ...]
    columns: Table


def run_page(
    site: Site, session: Session, analysis: SessionAnalysis, figures: DrawnFigures, run: RunReduction
) -> tuple[Frame, RunPage]:
    """Frame and content of one run's page."""
    page = navigation.run_page(session.id, run.run_id)
    home = navigation.session_page(session.id)
    label = session_blocks.labels_of(session).get(run.treatment, run.treatment)
    number_in_name = run.run_id.partition("-")[0]
    named = number_in_name if number_in_name.isdigit() else str(run.order)
    of = f" of {label}" if run.treatment else ""
    title = f"{sentence_case(run.procedure)}{of}, run {named}"
    ordered = session_blocks.runs_of(analysis, ())
    place = [other.run_id for other in ordered].index(run.run_id)

    def neighbour(step: int) -> Link | None:
        if not 0 <= place + step < len(ordered):
            return None
        other = ordered[place + step].run_id
        return Link(text=other, href=link(page, navigation.run_page(session.id, other)))

    whose = f" with {label}" if run.treatment else ""
    summary = f"{run.procedure.capitalize()}{whose}, repeat {run.repeat} (file {run.run_id})."
    frame = site.frame(
        page,
        f"{title}: {session.file.title}",
        f"{summary} Raw trace, what was averaged, what was found in the log, and the log itself.",
        trail=((shortened(session.file.title, 60), home), (title, page)),
        simulated=simulated_sentence([bool(run.simulated) or analysis.simulated]),
    )
    grave = {"refused": 0, "doubtful": 1, "noted": 2}
    findings = sorted(run.findings, key=lambda finding: grave[finding.grade])
    return frame, RunPage(
        title=title,
        summary=summary,
        date=date_text(session.file.date),
        before=neighbour(-1),
        after=neighbour(1),
        refused=run.refused or "",
        averaged=averaged_text(run),
        figures=figures.of_run(page, run.run_id),
        findings=tuple(_finding_row(finding) for finding in findings),
        responses=_responses(run, analysis) if run.responses else None,
        besides=line_facts(run.calibration) if run.calibration is not None else _besides(run),
        facts=_facts(site, session, run, label, page),
        log=Link(
            text=run.log.rsplit("/", 1)[-1],
            href="" if run.lost else link(page, navigation.log_copy(session.id, run.log)),
        ),
        log_facts=_log_facts(run, session.id, page),
        columns=_columns(session, run),
    )


def _besides(run: RunReduction) -> tuple[Fact, ...]:
    """Figures of a run that are no responses but help to judge them."""
    known = dict(run.fits)
    return tuple(
        Fact(name=words, value=with_unit(number(factor * known[name] - zero, places), unit))
        for name, (words, factor, zero, unit, places) in BESIDES.items()
        if name in known
    )


def averaged_text(run: RunReduction) -> str:
    """`Averaged in the log: 10 000 rpm, 3.4 to 6.4 s; 17 000 rpm, 8.0 to 11.0 s.`; many by the first and the last.

    "" where nothing was averaged. Times are seconds since the log began.
    """
    used = [window for window in run.windows if window.kind in AVERAGED]
    told = [
        f"{spaced(w.label)}, {number(w.start_s, 1)} to {with_unit(number(w.stop_s, 1), 's')}" for w in used
    ]
    if len(used) > STRETCHES_TOLD:
        return f"{len(used)} stretches of the log were averaged. The first: {told[0]}. The last: {told[-1]}."
    return f"Averaged in the log: {'; '.join(told)}." if told else ""


def _finding_row(finding: Finding) -> FindingRow:
    where = ""
    if finding.start_s is not None and finding.stop_s is not None and finding.stop_s > finding.start_s:
        where = f"{number(finding.start_s, 2)} to {with_unit(number(finding.stop_s, 2), 's')}"
    elif finding.start_s is not None:
        where = f"at {with_unit(number(finding.start_s, 2), 's')}"
    return FindingRow(
        sentence=spaced(finding.sentence),
        grade=GRADE_WORDS[finding.grade],
        css_class=finding.grade,
        where=where,
    )


def _facts(site: Site, session: Session, run: RunReduction, label: str, page: str) -> tuple[Fact, ...]:
    method = site.text_link(
        page,
        navigation.METHOD,
        "calibration" if run.procedure == "zero" else run.procedure,  # `zero` tells of the rest before a run
        "curves" if run.procedure in {"staircase", "ramp"} else "reading",
    )
    facts = [
        Fact(name="Procedure", value=run.procedure, href=method),
        *((Fact(name="Treatment", value=label),) if run.treatment else ()),
        Fact(name="Repeat", value=str(run.repeat)),
        Fact(name="Block, runs made close together", value=str(run.block)),
        Fact(name="Place in the order", value=str(run.order)),
    ]
    if run.started:
        facts.append(Fact(name="Started", value=run.started))
    facts.append(
        Fact(name="Rig", value=session.rig.label, href=link(page, navigation.rig_page(session.rig.id)))
    )
    return tuple(facts)


def _log_facts(run: RunReduction, session_id: str, page: str) -> tuple[Fact, ...]:
    if run.lost:
        return (Fact(name="Raw log", value="lost"),)
    facts = [Fact(name="SHA-256", value=run.sha256, sum=True), Fact(name="Rows", value=number(run.rows, 0))]
    if run.sampling_hz is not None:
        facts.append(Fact(name="Sampling", value=plain(run.sampling_hz, "a second")))
    for log in run.joined:
        how = "found from both logs" if log.found else "as stated"
        doubt = f" ± {plain(1000.0 * log.offset_u_s, 'ms', digits=2)}" if log.offset_u_s > 0.0 else ""
        facts += [
            Fact(
                name=f"Log of {log.logger}",
                value=log.path.rsplit("/", 1)[-1],
                href=link(page, navigation.log_copy(session_id, log.path)),
            ),
            Fact(name=f"Log of {log.logger}: SHA-256", value=log.sha256, sum=True),
            Fact(name=f"Log of {log.logger}: rows", value=number(log.rows, 0)),
            Fact(
                name=f"Log of {log.logger}: its clock, {how}",
                value=f"{with_unit(number(log.offset_s, 4), 's')}{doubt}, one standard uncertainty",
            ),
        ]
    for column, drift in run.zero_drift:
        name, factor, unit = _shown_channel(column)
        text = plain(abs(drift) * factor, unit, digits=2)
        facts.append(Fact(name=f"{name}: zero drift over the run", value=(MINUS if drift < 0 else "") + text))
    if run.simulated:
        facts.append(Fact(name="The log says of itself", value=run.simulated))
    return tuple(facts)


def _shown_channel(column: str) -> tuple[str, float, str]:
    """Name of a house column, and the factor and unit it is shown in."""
    names = {house: name for name, (_, house) in CHANNEL_KINDS.items()}
    name = key_text(names.get(column, column))
    if column == "thrust_n":
        return name, 1000.0 / 9.80665, "gf"
    units = {"_rpm": "rpm", "_nm": "N·m", "_v": "V", "_a": "A", "_k": "K", "_db": "dB", "_s": "s"}
    unit = next((shown for ending, shown in units.items() if column.endswith(ending)), "")
    return name, 1.0, unit


def _columns(session: Session, run: RunReduction) -> Table:
    channels = {CHANNEL_KINDS[name][1]: (name, c) for name, c in session.rig.channels.present().items()}
    rows = []
    for house, own in run.columns:
        name, channel = channels.get(house, (house, None))
        unit = unit_text(channel.unit or "") if channel is not None else ""
        rows.append((Cell(text=key_text(name)), Cell(text=own), Cell(text=unit)))
    return table("columns-table", "Columns of the log", ("Quantity", "Column in the log", "Its unit"), rows)


def _responses(run: RunReduction, analysis: SessionAnalysis) -> Table:
    rows: list[tuple[Cell, ...]] = []
    for response in run.responses:
        kind = analysis.kinds.get(response.response)
        if kind is None:
            continue
        cycles = counted(len(response.per_cycle), "cycle") if response.per_cycle else ""
        rows.append(
            (
                Cell(text=texts.place_text(kind, response.at), note=cycles),
                Cell(text=_value(response, kind.unit), numeric=True),
            )
        )
    told = any("±" in row[1].text for row in rows)
    caption = "Each response of this run" + ("; ± is one standard uncertainty within the run" if told else "")
    return table("run-responses", caption, ["Response", "Value"], rows)


def _value(response: RunResponse, unit: str) -> str:
    if not math.isfinite(response.value):
        return texts.NO_VALUE
    u = response.within_run_uncertainty()
    if not response.components or not math.isfinite(u):
        return measured(response.value, unit, u)
    places = decimals_for(u, largest=response.value)
    return with_unit(f"{number(response.value, places)} ± {number(u, places)}", unit)
