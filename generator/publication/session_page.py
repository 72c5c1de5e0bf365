"""The page of a session: the answer, how sure it is, what it rests on, cautions, how it was found."""

from __future__ import annotations

from dataclasses import dataclass

from markupsafe import Markup

from generator.evidence.records import SessionAnalysis
from generator.evidence.wording import counted, listed
from generator.intake.session import Correction, Session
from generator.publication import navigation, session_blocks
from generator.publication.air_section import AirSection, air_section
from generator.publication.calibration_section import RunCalibration, run_calibrations
from generator.publication.careful import DOUBT, Careful, CarefulLine, careful, careful_lines
from generator.publication.cautions import CautionPanel, panels, went_on
from generator.publication.claim_rows import ClaimRow, claim_rows
from generator.publication.constants_section import ConstantsSection, constants_section
from generator.publication.control_section import gone_off_since
from generator.publication.energy_section import EnergySection, energy_section
from generator.publication.facts import Fact, archive_date, date_text
from generator.publication.figure_blocks import FigureBlock
from generator.publication.how_sure import calibration_sure, how_sure
from generator.publication.navigation import Link, link
from generator.publication.page_frame import Frame, Site, shortened, simulated_sentence
from generator.publication.report_facts import report_facts
from generator.publication.session_blocks import CheckRow, Procedure
from generator.publication.session_figures import DrawnFigures
from generator.publication.share_card import ShareCard
from generator.publication.sharing import correction_key, dataset
from generator.publication.tables import Table
from generator.publication.verdict_rows import VerdictRow, verdict_row


@dataclass(frozen=True, slots=True, kw_only=True)
class ComparisonBlock:
    """One treatment against the baseline, in short.

    title  `5S capped against 4S`
    page   link to the comparison page
    rows   its primary contrasts, or all where none is primary
    more   how many other contrasts its page holds, in words, or ""
    """

    title: str
    page: Link
    rows: tuple[VerdictRow, ...]
    more: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CorrectionRow:
    """A correction made in the open.

    key   its id on the page, by its place in session.yaml, as the feed names it
    date  when it was made, written out
    what  what was changed
    why   why
    """

    key: str
    date: str
    what: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionPage:
    """Everything on a session's page.

    title          of the session
    question       what was asked
    date           written out
    answer         the answer in a few short sentences
    long           whether it is too long for large type
    sure           how sure it is, in one short line, or "" where nothing was compared or calibrated
    careful        what to know before relying on the answer: doubts, then dangers; None for nothing
    exploratory    whether no response was named primary before the test
    comparisons    each treatment against the baseline
    sections       links to the sections of this page
    strips         figures of the primary contrasts
    how_sure       link to how intervals and verdicts are made
    doubtful       checks that warn or fail
    passed         checks that pass
    conclusion     the tester's prose, cleaned, or ""
    claims         claims held against the results
    values         figures of single runs
    curves         figures of mean curves
    energy         where the energy goes, or None
    constants      constants of motor and propeller, or None
    calibrations   what its runs with known loads say, run by run
    air            what it means in the air, or None
    responses      table of means
    raised         cautions of this session, and the tester's own
    always         cautions that always hold
    go_on          (what a plan is refused for, why the tester went on), stated in session.yaml
    safety         link to the safety page
    conditions     date, rig, air, tester
    treatments     what each treatment was made of
    procedures     how the runs were driven
    runs           table of runs and raw logs
    notes          what is missing or was refused
    corrections    corrections made after publication
    changed        figures that an earlier archive has otherwise, or None
    archived       which archive that is
    changed_why    what else changed since, and what may be why
    files          downloads
    report         what a test report has to tell
    """

    title: str
    question: str
    date: str
    answer: str
    long: bool
    sure: str
    careful: Careful | None
    exploratory: bool
    comparisons: tuple[ComparisonBlock, ...]
    sections: tuple[Link, ...]
    strips: tuple[FigureBlock, ...]
    how_sure: str
    doubtful: tuple[CheckRow, ...]
    passed: tuple[CheckRow, ...]
    conclusion: Markup
    claims: tuple[ClaimRow, ...]
    values: tuple[FigureBlock, ...]
    curves: tuple[FigureBlock, ...]
    energy: EnergySection | None
    constants: ConstantsSection | None
    calibrations: tuple[RunCalibration, ...]
    air: AirSection | None
    responses: Table
    raised: tuple[CautionPanel, ...]
    always: tuple[CautionPanel, ...]
    go_on: tuple[tuple[str, str], ...]
    safety: str
    conditions: tuple[Fact, ...]
    treatments: Table
    procedures: tuple[Procedure, ...]
    runs: Table
    notes: tuple[str, ...]
    corrections: tuple[CorrectionRow, ...]
    changed: Table | None
    archived: str
    changed_why: str
    files: tuple[Link, ...]
    report: tuple[Fact, ...]


def comparison_blocks(
    analysis: SessionAnalysis, session: Session, page: str, *, most: int | None = None
) -> tuple[ComparisonBlock, ...]:
    """Each treatment against the baseline and each pair, for the page `page`. most: at most so many rows each."""
    labels = session_blocks.labels_of(session)
    blocks = []
    for treatment, baseline in session_blocks.pairs_of(analysis, session):
        own = session_blocks.of_pair(analysis, session, treatment, baseline)
        chosen = [contrast for contrast in own if contrast.primary] or own
        declared = list(session.file.primary)
        chosen = sorted(chosen, key=lambda c: declared.index(c.response) if c.response in declared else 99)
        rows = chosen if most is None else chosen[:most]
        title = session_blocks.against(labels, treatment, baseline)
        target = navigation.comparison_page(session.id, treatment, baseline)
        left = len(own) - len(rows)
        blocks.append(
            ComparisonBlock(
                title=title,
                page=Link(text=title, href=link(page, target)),
                rows=tuple(verdict_row(contrast, analysis, labels, page) for contrast in rows),
                more=f"{counted(left, 'more difference')}, with the working" if left else "the working",
            )
        )
    return tuple(blocks)


def correction_rows(corrections: tuple[Correction, ...]) -> tuple[CorrectionRow, ...]:
    """Corrections, newest first."""
    numbered = enumerate(corrections, start=1)
    ordered = sorted(numbered, key=lambda pair: pair[1].date, reverse=True)
    return tuple(
        CorrectionRow(key=correction_key(number), date=date_text(c.date), what=c.what, why=c.why)
        for number, c in ordered
    )


def _gone_off(site: Site, session: Session, analysis: SessionAnalysis, page: str) -> tuple[CarefulLine, ...]:
    """That a channel calibrated in this session has since gone out of control, with the way to the rig's charts."""
    rig = session.rig.id
    channels = {run.calibration.channel for run in analysis.runs if run.calibration is not None}
    off = gone_off_since(site.histories.get(rig), channels, session.file.date)
    if not off:
        return ()
    told = listed([f"{name}, {date_text(date)}" for name, date in off])
    text = f"This stand has since gone out of control, that is, it reads outside its usual limits: {told}"
    return (CarefulLine(kind=DOUBT, text=text, grade="", href=link(page, navigation.rig_page(rig))),)


def session_page(
    site: Site,
    session: Session,
    analysis: SessionAnalysis,
    figures: DrawnFigures,
    conclusion: Markup,
    card: ShareCard | None,
) -> tuple[Frame, SessionPage]:
    """Frame and content of a session's page. card: picture of its first comparison, or None."""
    page = navigation.session_page(session.id)
    labels = session_blocks.labels_of(session)
    primary = [contrast for contrast in analysis.contrasts if contrast.primary]
    checks = session_blocks.check_rows(analysis)
    claims = claim_rows(analysis.claims, analysis, session, page)
    raised = panels(analysis.cautions, labels, always_on=False)
    energy = energy_section(analysis, session, page, figures.section(page, "energy").__getitem__)
    drawn = figures.section(page, "constants", legend=True)
    constants = constants_section(analysis, session, site.season, tuple(drawn.values()))
    calibrations = run_calibrations(analysis, page, figures.of_run)
    air = air_section(analysis, session, figures.section(page, "air"))
    since = site.since.changed.get(session.id) if site.since is not None else None
    sections = (
        ("Calibration", "calibration", bool(calibrations) and not analysis.contrasts),
        ("How sure", "how-sure", True),
        ("The tester’s conclusion", "conclusion", bool(conclusion)),
        ("Claims", "claims", bool(claims)),
        ("Where the energy goes", "energy", energy is not None),
        ("What it means in the air", "in-the-air", air is not None),
        ("Constants of the parts", "constants", constants is not None),
        ("Calibration", "calibration", bool(calibrations) and bool(analysis.contrasts)),
        ("What it rests on", "rests-on", True),
        ("Cautions", "cautions", True),
        ("How it was found", "how-found", True),
        ("Data", "data", True),
        ("Printed as a test report", "report", True),
    )
    frame = site.frame(
        page,
        session.file.title,
        analysis.headline,
        trail=((shortened(session.file.title, 60), page),),
        simulated=simulated_sentence([analysis.simulated]),
        card=(card.path, card.alt) if card is not None else ("", ""),
        dataset=dataset(session, analysis, site.season),
    )
    return frame, SessionPage(
        title=session.file.title,
        question=session.file.question,
        date=date_text(session.file.date),
        answer=session_blocks.answer_text(analysis),
        long=session_blocks.is_long(session_blocks.answer_text(analysis)),
        sure=how_sure(analysis.contrasts, analysis, session)
        or calibration_sure(analysis, gone_off=bool(_gone_off(site, session, analysis, page))),
        careful=careful(
            (
                *_gone_off(site, session, analysis, page),
                *careful_lines(checks, primary or analysis.contrasts, raised),
            )
        ),
        exploratory=not primary and bool(analysis.contrasts),
        comparisons=comparison_blocks(analysis, session, page),
        sections=tuple(Link(text=text, href=f"#{key}") for text, key, there in sections if there),
        strips=figures.strips(
            page,
            [
                contrast.key
                for pair in session_blocks.pairs_of(analysis, session)
                for contrast in session_blocks.of_pair(analysis, session, *pair)
            ],
        ),
        how_sure=site.text_link(page, navigation.STATISTICS, "verdicts"),
        doubtful=tuple(check for check in checks if check.css_class != "passed"),
        passed=tuple(check for check in checks if check.css_class == "passed"),
        conclusion=conclusion,
        claims=claims,
        values=figures.values(page),
        curves=figures.curves(page),
        energy=energy,
        constants=constants,
        calibrations=calibrations,
        air=air,
        responses=session_blocks.responses_table(analysis, session, anchored=True),
        raised=raised,
        always=panels(analysis.cautions, labels, always_on=True),
        go_on=went_on(session),
        safety=link(page, navigation.SAFETY),
        conditions=session_blocks.condition_facts(site, session, page),
        treatments=session_blocks.treatments_table(site.season, session, page),
        procedures=session_blocks.procedures_of(site, session, page),
        runs=session_blocks.runs_table(analysis, session, page),
        notes=analysis.notes,
        corrections=correction_rows(session.file.corrections),
        changed=since.table("changed-table", "Figures that changed") if since is not None else None,
        archived=archive_date(site.since.date) if site.since is not None else "",
        changed_why=since.told() if since is not None else "",
        files=session_blocks.downloads(session, page),
        report=report_facts(site, session, analysis, page),
    )
