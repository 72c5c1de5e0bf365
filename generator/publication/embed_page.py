"""A comparison in short, without anything around it: to be shown inside another page."""

from __future__ import annotations

from dataclasses import dataclass

from generator.evidence.records import SessionAnalysis
from generator.intake.session import Session
from generator.publication import navigation, session_blocks
from generator.publication.facts import date_text
from generator.publication.navigation import link
from generator.publication.page_frame import Frame, Site, simulated_sentence
from generator.publication.sharing import caveats
from generator.publication.verdict_rows import VerdictRow, verdict_row


@dataclass(frozen=True, slots=True, kw_only=True)
class EmbedPage:
    """What the short version holds.

    title    `5S capped against 4S`
    row      the contrast that answers the question
    sentence it in one sentence
    caveats  what a reader must know before passing it on
    whole    link to the comparison page
    date     written out
    """

    title: str
    row: VerdictRow
    sentence: str
    caveats: tuple[str, ...]
    whole: str
    date: str


def embed_page(
    site: Site, session: Session, analysis: SessionAnalysis, treatment: str, baseline: str
) -> tuple[Frame, EmbedPage]:
    """Frame and content of the short version of a comparison."""
    page = navigation.embed_page(session.id, treatment, baseline)
    labels = session_blocks.labels_of(session)
    first = session_blocks.of_pair(analysis, session, treatment, baseline)[0]
    title = session_blocks.against(labels, treatment, baseline)
    frame = site.frame(
        page, f"{title}, in short", first.sentence, simulated=simulated_sentence([analysis.simulated])
    )
    return frame, EmbedPage(
        title=title,
        row=verdict_row(first, analysis, labels, page),
        sentence=first.sentence,
        caveats=caveats([first], analysis),
        whole=link(page, navigation.comparison_page(session.id, treatment, baseline)),
        date=date_text(session.file.date),
    )
