"""What session and comparison pages have in common: means, runs, checks, claims, conditions, files."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

from generator.evidence.check_words import known_wrong, name_of, went_wrong
from generator.evidence.contrasts import compared_pairs
from generator.evidence.records import Check, Contrast, SessionAnalysis
from generator.evidence.wording import counted, sentence_case
from generator.intake.session import Season, Session
from generator.publication import navigation, texts
from generator.publication.facts import Fact, date_text, facts_of, key_text, shown
from generator.publication.navigation import Link, anchor, link
from generator.publication.page_frame import Site
from generator.publication.tables import Cell, Table, table
from generator.publication.texts import Labels
from generator.reduction.records import RunReduction

LONG_ANSWER = 170  # characters
CHECK_ORDER = {"failed": 0, "warned": 1, "passed": 2}
AIR_UNCERTAINTIES = ("temperature_uncertainty_k", "pressure_uncertainty_pa", "humidity_uncertainty")
PROCEDURE_WORDS = {
    "hold": "speed kept steady, the last seconds averaged",
    "staircase": "throttle or speed up and down in steps",
    "ramp": "throttle up and down without stopping",
    "spin-up": "jump from one speed to another, timed",
    "soak": "on and off in a pattern while it warms",
    "free-run": "motor alone, without a propeller",
    "drain": "pack emptied down to its cut-off",
    "zero": "known loads on the stand",
    "read-off": "values written down state by state",
}
CHECK_WORDS = {"failed": "fails", "warned": "warns", "passed": "passes"}


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckRow:
    """One check.

    key        id on the page
    title      what is checked
    head       what went wrong, as a heading; of a check that passes what is checked
    name       what is checked, where the head says what went wrong, or ""
    outcome    passes, warns or fails
    css_class  class of its label
    wrong      what went wrong, in a few words, or ""
    sentence   what was found, with the numbers
    threshold  from when on it warns, or ""
    reason     why it must hold
    source     where that comes from, or ""
    weakens    labels of the responses whose verdicts it weakens, listed, or ""
    """

    key: str
    title: str
    head: str
    name: str
    outcome: str
    css_class: str
    wrong: str
    sentence: str
    threshold: str
    reason: str
    source: str
    weakens: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Procedure:
    """How one kind of run was driven.

    name   of the procedure
    told   what is done, in a few words, or ""
    href   where it is explained
    facts  its settings
    """

    name: str
    told: str
    href: str
    facts: tuple[Fact, ...]


def labels_of(session: Session) -> dict[str, str]:
    """Treatment id -> label; the baseline first, then in the order of session.yaml."""
    treatments = session.file.treatments
    order = [session.file.baseline, *(name for name in treatments if name != session.file.baseline)]
    return {name: treatments[name].label for name in order}


def against(labels: Labels, treatment: str, baseline: str) -> str:
    """`5S capped against 4S`, as a heading."""
    return sentence_case(f"{labels[treatment]} against {labels[baseline]}")


def pairs_of(analysis: SessionAnalysis, session: Session) -> tuple[tuple[str, str], ...]:
    """(treatment, baseline) of every comparison that was made, in the order the session asks for them."""
    made = {(contrast.treatment, contrast.baseline) for contrast in analysis.contrasts}
    return tuple(pair for pair in compared_pairs(session) if pair in made)


def of_pair(analysis: SessionAnalysis, session: Session, treatment: str, baseline: str) -> list[Contrast]:
    """Contrasts of a pair: primary responses in the order session.yaml names them, then the others."""
    order = {name: place for place, name in enumerate(session.file.primary)}
    own = [c for c in analysis.contrasts if (c.treatment, c.baseline) == (treatment, baseline)]
    return sorted(own, key=lambda contrast: (not contrast.primary, order.get(contrast.response, len(order))))


def answer_text(analysis: SessionAnalysis) -> str:
    """The headline for a page that already says, above it, that its data are simulated."""
    return analysis.headline.removeprefix("Simulated data: ")


def is_long(answer: str) -> bool:
    """Whether an answer is too long for large type."""
    return len(answer) > LONG_ANSWER


def check_rows(analysis: SessionAnalysis, *, about: Collection[str] = ()) -> tuple[CheckRow, ...]:
    """Checks, failures first. about: keep only those about one of these treatments, or about none in particular."""
    wanted = [c for c in analysis.checks if not about or not c.treatments or set(about) & set(c.treatments)]
    wanted.sort(key=lambda check: CHECK_ORDER[check.outcome])
    return tuple(_check_row(check, analysis) for check in wanted)


def _check_row(check: Check, analysis: SessionAnalysis) -> CheckRow:
    wrong = known_wrong(check)
    weakened = [analysis.kinds[name].label.lower() for name in check.weakens if name in analysis.kinds]
    return CheckRow(
        key=anchor("check", check.id),
        title=check.title,
        head=sentence_case(wrong) or check.title,
        name=name_of(check) if wrong else "",
        outcome=CHECK_WORDS[check.outcome],
        css_class=check.outcome,
        wrong="" if check.outcome == "passed" else went_wrong(check),
        sentence=check.sentence,
        threshold=texts.closed(check.threshold),
        reason=texts.closed(check.reason),
        source=texts.closed(check.source),
        weakens=texts.closed(", ".join(weakened)) if check.outcome != "passed" else "",
    )


def responses_table(
    analysis: SessionAnalysis, session: Session, *, treatments: Sequence[str] = (), anchored: bool
) -> Table:
    """Means with their standard uncertainties: one row a response and condition, one column a treatment.

    treatments  columns, or () for all; the baseline always comes first
    anchored    whether each mean carries the id that conclusions point at
    """
    labels = labels_of(session)
    found = {(summary.response, summary.at, summary.treatment): summary for summary in analysis.responses}
    measured = {treatment for _, _, treatment in found}
    # a calibration only names what was mounted
    columns = [name for name in labels if name in measured and (not treatments or name in treatments)]
    primary = session.file.primary
    places = sorted(
        dict.fromkeys((response, at) for response, at, _ in found), key=lambda place: place[0] not in primary
    )
    rows = []
    for response, at in places:
        cells = [
            Cell(
                text=texts.place_text(analysis.kinds[response], at),
                note="primary" if response in primary else "",
            )
        ]
        for treatment in columns:
            summary = found.get((response, at, treatment))
            if summary is None:
                cells.append(Cell(text="", numeric=True))
                continue
            cells.append(
                Cell(
                    text=texts.mean_with_uncertainty(summary),
                    numeric=True,
                    key=f"mean-{summary.key}" if anchored else "",
                    note=counted(summary.runs, "run"),
                )
            )
        rows.append(cells)
    caption = "Means over runs; ± is one standard uncertainty of the mean"
    return table("responses-table", caption, ("Response", *(labels[name] for name in columns)), rows)


def runs_table(
    analysis: SessionAnalysis, session: Session, page: str, *, treatments: Sequence[str] = ()
) -> Table:
    """Runs in the order made, with the doors to their pages and logs."""
    labels = labels_of(session)
    rows = [
        (
            Cell(text=str(run.order), numeric=True),
            Cell(
                text=run.run_id,
                href=link(page, navigation.run_page(session.id, run.run_id)),
                note=f"not used: {run.refused}" if run.refused else "",
            ),
            Cell(text=run.procedure),
            Cell(text=labels.get(run.treatment, run.treatment)),
            Cell(text=str(run.repeat), numeric=True),
            Cell(text=str(run.block), numeric=True),
            Cell(text=run.started or ""),
            Cell(text="log lost")
            if run.lost
            else Cell(
                text=f"log ({run.log.rsplit('/', 1)[-1].partition('.')[2] or 'file'})",
                href=link(page, navigation.log_copy(session.id, run.log)),
                note=f"SHA-256 {run.sha256[:12]}…",
            ),
        )
        for run in runs_of(analysis, treatments)
    ]
    columns = ("No.", "Run", "Procedure", "Treatment", "Repeat", "Block", "Started", "Raw log")
    caption = "Runs in the order made; those of one block were made close together in time"
    return table("runs-table", caption, columns, rows)


def runs_of(analysis: SessionAnalysis, treatments: Sequence[str]) -> tuple[RunReduction, ...]:
    """Runs of these treatments, or all, in the order made."""
    wanted = [run for run in analysis.runs if not treatments or run.treatment in treatments]
    return tuple(sorted(wanted, key=lambda run: (run.order, run.run_id)))


def treatments_table(season: Season, session: Session, page: str, *, treatments: Sequence[str] = ()) -> Table:
    """What each treatment was made of, with links to the parts."""
    labels = labels_of(session)
    rows = []
    for name in labels:
        if treatments and name not in treatments:
            continue
        treatment = session.file.treatments[name]
        note = "baseline" if name == session.file.baseline else ""
        parts = [
            Cell(
                text=season.parts[part].label if part in season.parts else part,
                href=link(page, navigation.part_page(part)) if part in season.parts else "",
            )
            for part in (treatment.motor, treatment.controller, treatment.propeller, treatment.supply)
        ]
        settings = [
            Cell(text="" if value is None else shown(field, value), numeric=True)
            for field, value in (
                ("cells", treatment.cells),
                ("volts_per_cell_v", treatment.volts_per_cell_v),
                ("output_cap", treatment.output_cap),
            )
        ]
        rows.append((Cell(text=labels[name], note=treatment.about or note), *parts, *settings))
    columns = (
        "Treatment",
        "Motor",
        "Controller",
        "Propeller",
        "Supply",
        "Cells",
        "Volts a cell",
        "Output cap",
    )
    return table("treatments-table", "Treatments", columns, rows)


def condition_facts(site: Site, session: Session, page: str) -> tuple[Fact, ...]:
    """When, where, in which air, by whom."""
    file = session.file
    facts = [
        Fact(name="Date", value=date_text(file.date)),
        Fact(name="Rig", value=session.rig.label, href=link(page, navigation.rig_page(session.rig.id))),
        Fact(
            name="Air",
            value=", ".join(fact.value for fact in facts_of(file.air, leave_out=AIR_UNCERTAINTIES)),
        ),
    ]
    if file.tester:
        facts.append(Fact(name="Tester", value=file.tester))
    if file.design:
        facts.append(Fact(name="Order of the runs", value=file.design))
    return tuple(facts)


def procedures_of(site: Site, session: Session, page: str) -> tuple[Procedure, ...]:
    """How the runs were driven, with the door to the method."""
    return tuple(
        Procedure(
            name=key_text(name),
            told=PROCEDURE_WORDS.get(name, ""),
            href=site.text_link(
                page,
                navigation.METHOD,
                "calibration" if name == "zero" else name,  # `zero` tells of the rest before a run
                "curves" if name in {"staircase", "ramp"} else "reading",
            ),
            facts=facts_of(plan),
        )
        for name, plan in session.plans.items()
    )


def downloads(session: Session, page: str) -> tuple[Link, ...]:
    """The session's facts for machines."""
    return (
        Link(
            text="results.json: every number of this session",
            href=link(page, navigation.results_file(session.id)),
        ),
    )
