"""The front page: what the season asks, and its answers, newest first."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from generator.evidence.headline import short_answer
from generator.evidence.records import SessionAnalysis
from generator.evidence.wording import counted
from generator.intake.session import Session
from generator.publication import navigation, session_blocks
from generator.publication.careful import CarefulLine, careful_lines, first_of_each
from generator.publication.cautions import panels
from generator.publication.claim_rows import ClaimRow, claim_rows, decision_text
from generator.publication.facts import date_text
from generator.publication.front_filters import Filter, filters, marked
from generator.publication.navigation import Link, anchor, link
from generator.publication.page_frame import SIMULATED, Frame, Site
from generator.publication.session_page import ComparisonBlock, comparison_blocks
from generator.publication.verdict_rows import VerdictRow, verdict_row

ROWS_ON_A_CARD = 4
LATEST = 4  # answers told in short at the top


@dataclass(frozen=True, slots=True, kw_only=True)
class ShortAnswer:
    """One of the latest answers in short.

    title    link to the session
    row      the verdict that stands for it, or None where nothing was compared
    text     what was found, in one or two short sentences
    careful  the first doubt and the first danger to know of before relying on it, as far as there are any
    """

    title: Link
    row: VerdictRow | None
    text: str
    careful: tuple[CarefulLine, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionCard:
    """One session in short.

    title        link to the session
    question     what was asked
    answer       the answer in a few short sentences
    long         whether it is too long for large type
    date         written out
    meta         procedures, runs, parts, in short
    comparisons  its contrasts, at most four
    simulated    whether its logs were simulated and not all of the season's, of which the page's notice tells
    marks        (name of a filter, values it is found by, a space between them)
    """

    title: Link
    question: str
    answer: str
    long: bool
    date: str
    meta: tuple[str, ...]
    comparisons: tuple[ComparisonBlock, ...]
    simulated: bool
    marks: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class FrontPage:
    """Everything on the front page.

    title        of the season
    about        what it is about
    tally        how many sessions and runs, in words
    filters      what the answers can be narrowed by where scripts run; none where there is nothing to choose
    shown        how many answers there are, as the count under the filters begins
    latest       the newest sessions in short, newest first
    cards        every session, newest first
    claims       link to the ledger of claims with their number, or None
    corrections  link to the ledger of corrections with their number, or None
    safety       link to the safety page
    method       link to the method page
    """

    title: str
    about: str
    tally: str
    filters: tuple[Filter, ...]
    shown: str
    latest: tuple[ShortAnswer, ...]
    cards: tuple[SessionCard, ...]
    claims: Link | None
    corrections: Link | None
    safety: str
    method: str


def newest_first(sessions: Sequence[Session]) -> list[Session]:
    """Sessions by date, the newest first; of one day by name."""
    return sorted(sorted(sessions, key=lambda s: s.id), key=lambda s: s.file.date, reverse=True)


def shortly(site: Site, session: Session, analysis: SessionAnalysis) -> ShortAnswer:
    """A session's answer in short, for the top of the front page."""
    page = navigation.FRONT
    home = link(page, navigation.session_page(session.id))
    labels = session_blocks.labels_of(session)
    found = short_answer(
        analysis.contrasts, analysis.kinds, labels, session.file.primary, analysis.checks, session.file.title
    )
    asked = [contrast for contrast in analysis.contrasts if contrast.primary] or analysis.contrasts
    raised = panels(analysis.cautions, labels, always_on=False)
    lines = careful_lines(session_blocks.check_rows(analysis), asked, raised)
    return ShortAnswer(
        title=Link(text=session.file.title, href=home),
        row=verdict_row(found[0], analysis, labels, page) if found is not None else None,
        text=found[1] if found is not None else session_blocks.answer_text(analysis),
        careful=tuple(replace(line, href=f"{home}{line.href}") for line in first_of_each(lines)),
    )


def card(site: Site, session: Session, analysis: SessionAnalysis) -> SessionCard:
    """A session in short, for the front page."""
    page = navigation.FRONT
    parts = site.season.parts
    used = dict.fromkeys(
        part
        for treatment in session.file.treatments.values()
        for part in (treatment.motor, treatment.propeller)
        if part in parts
    )
    procedures = ", ".join(dict.fromkeys(run.procedure for run in analysis.runs))
    blocks = []
    room = ROWS_ON_A_CARD
    for block in comparison_blocks(analysis, session, page, most=2):
        if room <= 0:
            break
        blocks.append(block)
        room -= len(block.rows)
    return SessionCard(
        title=Link(text=session.file.title, href=link(page, navigation.session_page(session.id))),
        question=session.file.question,
        answer=session_blocks.answer_text(analysis),
        long=session_blocks.is_long(session_blocks.answer_text(analysis)),
        date=date_text(session.file.date),
        meta=tuple(
            text
            for text in (
                counted(len(analysis.runs), "run"),
                procedures,
                ", ".join(parts[part].label for part in list(used)[:4]),
            )
            if text
        ),
        comparisons=tuple(blocks),
        simulated=analysis.simulated and site.simulated != SIMULATED,
        marks=tuple(
            (key, " ".join(values)) for key, values in marked(site.season, session, analysis).items()
        ),
    )


def front_page(site: Site, analyses: Mapping[str, SessionAnalysis]) -> tuple[Frame, FrontPage]:
    """Frame and content of the front page. analyses: session id -> its analysis."""
    page = navigation.FRONT
    sessions = [session for session in newest_first(site.season.sessions) if session.id in analyses]
    cards = tuple(card(site, session, analyses[session.id]) for session in sessions)
    runs = sum(len(analyses[session.id].runs) for session in sessions)
    claims = sum(len(analyses[session.id].claims) for session in sessions)
    corrections = sum(len(session.file.corrections) for session in sessions)
    file = site.season.file
    narrowed = filters(
        site.season, [marked(site.season, session, analyses[session.id]) for session in sessions]
    )
    frame = site.frame(
        page,
        file.title,
        file.about,
        simulated=site.simulated,
        scripts=(navigation.asset("filters.js"),) if narrowed else (),
    )
    return frame, FrontPage(
        title=file.title,
        about=file.about,
        tally=f"{counted(len(cards), 'question')} put to the bench, {counted(runs, 'run')} recorded.",
        filters=narrowed,
        shown=f"{counted(len(cards), 'answer')} shown.",
        latest=tuple(shortly(site, session, analyses[session.id]) for session in sessions[:LATEST]),
        cards=cards,
        claims=Link(text=counted(claims, "claim"), href=link(page, navigation.CLAIMS)) if claims else None,
        corrections=Link(text=counted(corrections, "correction"), href=link(page, navigation.CORRECTIONS))
        if corrections
        else None,
        safety=link(page, navigation.SAFETY),
        method=link(page, navigation.METHOD),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class ClaimCount:
    """How many claims have one outcome, beside the line that stands for it.

    outcome_class  class of the line
    runs           `The runs say otherwise`
    told           `9 contradicted, 2 of them only in part`
    """

    outcome_class: str
    runs: str
    told: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ClaimsPage:
    """The ledger of claims.

    counts    how many were supported, contradicted, left open, each with the line that stands for it
    weakened  how many rest on what a check weakens, or ""
    claims    every claim of the season, newest session first
    verdicts  link to how a claim is decided
    """

    counts: tuple[ClaimCount, ...]
    weakened: str
    claims: tuple[ClaimRow, ...]
    verdicts: str


def in_part(rows: Sequence[ClaimRow]) -> str:
    """` Of the 9 contradicted, 2 hold in part.`; "" where none does."""
    contradicted = [row for row in rows if row.outcome == "contradicted"]
    part = sum(row.in_part for row in contradicted)
    if not part:
        return ""
    return f" Of the {len(contradicted)} contradicted, {part} {'holds' if part == 1 else 'hold'} in part."


def claims_page(site: Site, analyses: Mapping[str, SessionAnalysis]) -> tuple[Frame, ClaimsPage]:
    """Frame and content of the ledger."""
    page = navigation.CLAIMS
    rows: list[ClaimRow] = []
    for session in newest_first(site.season.sessions):
        if session.id in analyses:
            analysis = analyses[session.id]
            rows += claim_rows(analysis.claims, analysis, session, page)
    counts = {
        outcome: f"{sum(row.outcome == outcome for row in rows)} {outcome}"
        for outcome in ("supported", "contradicted", "left open")
    }
    tally = f"{counted(len(rows), 'claim')}: {', '.join(counts.values())}.{in_part(rows)}"
    part = sum(row.in_part for row in rows if row.outcome == "contradicted")
    weak = sum(row.weak for row in rows)
    frame = site.frame(
        page,
        "Claims",
        f"What people say, and what the runs say of it. {tally}",
        trail=(("Claims", page),),
        simulated=site.simulated,
    )
    verdicts = site.text_link(page, navigation.STATISTICS, "verdicts")
    return frame, ClaimsPage(
        counts=tuple(
            ClaimCount(
                outcome_class=anchor(outcome),
                runs=decision_text(outcome, {}),
                told=f"{told}, {part} of them only in part" if part and outcome == "contradicted" else told,
            )
            for outcome, told in counts.items()
        ),
        weakened=f"In this colour: a check weakens what the runs say, in {weak} of them" if weak else "",
        claims=tuple(rows),
        verdicts=verdicts,
    )
