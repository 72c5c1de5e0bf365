"""The page of one run: the raw trace with what was used of it, what was found in it, what came of it."""

from __future__ import annotations

import math
from dataclasses import dataclass

from generator.evidence.records import SessionAnalysis
from generator.evidence.wording import MINUS, counted, measured, number, plain, with_unit
from generator.intake.rig import CHANNEL_KINDS
from generator.intake.session import Session
from generator.publication import navigation, session_blocks, texts
from generator.publication.facts import Fact, date_text, key_text
from generator.publication.figure_blocks import FigureBlock
from generator.publication.navigation import Link, link
from generator.publication.page_frame import Frame, Site, shortened, simulated_sentence
from generator.publication.session_figures import DrawnFigures
from generator.publication.tables import Cell, Table, table
from generator.reduction.records import Finding, RunReduction, RunResponse

GRADE_WORDS = {
    "noted": "noted, dealt with",
    "doubtful": "doubtful, weakens what rests on it",
    "refused": "refused, not used",
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

    title       `Run 02-hold-five-cell-1`
    summary     what was run, in one sentence
    date        of the session, written out
    before      link to the run made before, or None
    after       link to the run made after, or None
    refused     why nothing of the run is used, or ""
    figures     the trace, and whatever the procedure adds
    findings    what was found in the log, gravest first
    responses   table of what was reduced, or None
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
    figures: tuple[FigureBlock, ...]
    findings: tuple[FindingRow, ...]
    responses: Table | None
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
    title = f"Run {run.run_id}"
    ordered = session_blocks.runs_of(analysis, ())
    place = [other.run_id for other in ordered].index(run.run_id)

    def neighbour(step: int) -> Link | None:
        if not 0 <= place + step < len(ordered):
            return None
        other = ordered[place + step].run_id
        return Link(text=other, href=link(page, navigation.run_page(session.id, other)))

    summary = f"{run.procedure.capitalize()} with {label}, repeat {run.repeat}."
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
        figures=figures.of_run(page, run.run_id),
        findings=tuple(_finding_row(finding) for finding in findings),
        responses=_responses(run, analysis) if run.responses else None,
        facts=_facts(site, session, run, label, page),
        log=Link(text=run.log.rsplit("/", 1)[-1], href=link(page, navigation.log_copy(session.id, run.log))),
        log_facts=_log_facts(run),
        columns=_columns(session, run),
    )


def _finding_row(finding: Finding) -> FindingRow:
    where = ""
    if finding.start_s is not None and finding.stop_s is not None and finding.stop_s > finding.start_s:
        where = f"{number(finding.start_s, 2)} to {with_unit(number(finding.stop_s, 2), 's')}"
    elif finding.start_s is not None:
        where = f"at {with_unit(number(finding.start_s, 2), 's')}"
    return FindingRow(
        sentence=finding.sentence, grade=GRADE_WORDS[finding.grade], css_class=finding.grade, where=where
    )


def _facts(site: Site, session: Session, run: RunReduction, label: str, page: str) -> tuple[Fact, ...]:
    method = site.text_link(
        page,
        navigation.METHOD,
        run.procedure,
        "curves" if run.procedure in {"staircase", "ramp"} else "reading",
    )
    facts = [
        Fact(name="Procedure", value=run.procedure, href=method),
        Fact(name="Treatment", value=label),
        Fact(name="Repeat", value=str(run.repeat)),
        Fact(name="Block", value=str(run.block)),
        Fact(name="Place in the order", value=str(run.order)),
    ]
    if run.started:
        facts.append(Fact(name="Started", value=run.started))
    facts.append(
        Fact(name="Rig", value=session.rig.label, href=link(page, navigation.rig_page(session.rig.id)))
    )
    return tuple(facts)


def _log_facts(run: RunReduction) -> tuple[Fact, ...]:
    facts = [Fact(name="SHA-256", value=run.sha256), Fact(name="Rows", value=number(run.rows, 0))]
    if run.sampling_hz is not None:
        facts.append(Fact(name="Sampling", value=plain(run.sampling_hz, "a second")))
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
        unit = (channel.unit or "") if channel is not None else ""
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
                Cell(text=_within(response, kind.unit), numeric=True),
            )
        )
    columns = ["Response", "Value", "Standard uncertainty within the run"]
    if not any(row[2].text for row in rows):
        columns, rows = columns[:2], [row[:2] for row in rows]
    return table("run-responses", "Each response of this run", columns, rows)


def _value(response: RunResponse, unit: str) -> str:
    if not math.isfinite(response.value):
        return texts.NO_VALUE
    return measured(response.value, unit, response.within_run_uncertainty())


def _within(response: RunResponse, unit: str) -> str:
    return texts.uncertainty_text(response.within_run_uncertainty(), unit) if response.components else ""
