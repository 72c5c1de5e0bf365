"""A comparison in short, without anything around it: to be shown inside another page."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from generator.evidence.records import Contrast, SessionAnalysis
from generator.evidence.wording import listed, places_words, sentence_case
from generator.intake.session import Session
from generator.publication import navigation, session_blocks
from generator.publication.careful import DANGER, CarefulLine, careful_lines
from generator.publication.cautions import panels
from generator.publication.facts import date_text
from generator.publication.how_sure import how_sure
from generator.publication.navigation import link
from generator.publication.page_frame import Frame, Site, simulated_sentence
from generator.publication.sharing import caveats
from generator.publication.verdict_rows import VerdictRow, near_margin, verdict_row


@dataclass(frozen=True, slots=True, kw_only=True)
class EmbedPage:
    """What the short version holds.

    title    `5S capped against 4S`
    row      the contrast that answers the question
    sentence it in one sentence
    zone     what the shaded zone of the strip is: `The shaded zone is the margin, ±0.42 W (2 %, ...)`, or ""
    others   what the other conditions say where that differs, or ""
    how_sure how sure the comparison is, or ""
    caveats  what a reader must know before passing it on
    dangers  the dangers raised, the gravest first
    whole    link to the comparison page
    date     written out
    """

    title: str
    row: VerdictRow
    sentence: str
    zone: str
    others: str
    how_sure: str
    caveats: tuple[str, ...]
    dangers: tuple[CarefulLine, ...]
    whole: str
    date: str


def embed_page(
    site: Site, session: Session, analysis: SessionAnalysis, treatment: str, baseline: str
) -> tuple[Frame, EmbedPage]:
    """Frame and content of the short version of a comparison."""
    page = navigation.embed_page(session.id, treatment, baseline)
    labels = session_blocks.labels_of(session)
    own = session_blocks.of_pair(analysis, session, treatment, baseline)
    first = own[0]
    row = verdict_row(first, analysis, labels, page)
    raised = panels(analysis.cautions, labels, always_on=False, treatment=treatment)
    title = session_blocks.against(labels, treatment, baseline)
    frame = site.frame(
        page, f"{title}, in short", first.sentence, simulated=simulated_sentence([analysis.simulated])
    )
    return frame, EmbedPage(
        title=title,
        row=row,
        sentence=first.sentence,
        zone="" if first.margin is None else f"The shaded zone is the margin, {row.margin}.",
        others=_others(first, own),
        how_sure=how_sure(own, analysis, session),
        caveats=caveats([first], analysis),
        dangers=tuple(line for line in careful_lines([], [first], raised) if line.kind == DANGER),
        whole=link(page, navigation.comparison_page(session.id, treatment, baseline)),
        date=date_text(session.file.date),
    )


def _others(first: Contrast, own: Sequence[Contrast]) -> str:
    """At which other conditions the same response, of the same standing, has another verdict; "" for none."""
    found: dict[str, list[Contrast]] = {}
    for contrast in own:
        alike = (contrast.response, contrast.primary) == (first.response, first.primary)
        if alike and contrast.verdict != first.verdict:
            found.setdefault(contrast.verdict, []).append(contrast)
    told = "; ".join(
        f"{places_words([contrast.at for contrast in those])}: {verdict}{_margins(those)}"
        for verdict, those in found.items()
    )
    return f"{sentence_case(told)}." if told else ""


def _margins(those: Sequence[Contrast]) -> str:
    """` (margin 2.1 W)` after a verdict that the margin decides; "" after others."""
    told = list(dict.fromkeys(near_margin(contrast) for contrast in those if near_margin(contrast)))
    return f" ({listed(told)})" if told else ""
