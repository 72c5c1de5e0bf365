"""What lets a page be shared, found and cited: summary as text, citation, feed, site map, facts for search engines."""

from __future__ import annotations

import datetime
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from xml.etree import ElementTree

from markupsafe import Markup

from generator.evidence.records import Contrast, SessionAnalysis
from generator.evidence.wording import NBSP, THIN, sentence_case
from generator.intake.session import Season, Session
from generator.publication import navigation, texts
from generator.publication.facts import date_text
from generator.publication.page_frame import SIMULATED, shortened
from generator.publication.session_blocks import against, answer_text, labels_of

ATOM = "http://www.w3.org/2005/Atom"
SITEMAP = "http://www.sitemaps.org/schemas/sitemap/0.9"
SAID_AT_MOST = 4  # sentences in a summary; the page holds the rest


@dataclass(frozen=True, slots=True, kw_only=True)
class Share:
    """How to pass a comparison on.

    summary   plain text for a chat or a video description, caveats included
    citation  how to cite it
    snippet   HTML that shows the short version in another page, or "" where the site's address is not known
    embed     link to the short version
    card      link to the picture; card_svg: to the same as SVG
    card_alt  what the picture shows
    """

    summary: str
    citation: str
    snippet: str
    embed: str
    card: str
    card_svg: str
    card_alt: str


def absolute(season: Season, path: str) -> str:
    """Address of a page on the web, or "" where the season does not state its own."""
    base = (season.file.base_url or "").rstrip("/")
    if not base:
        return ""
    return f"{base}/{'' if path == navigation.FRONT else navigation.link(navigation.FRONT, path)}"


def summary_text(
    contrasts: Sequence[Contrast], analysis: SessionAnalysis, session: Session, season: Season
) -> str:
    """A comparison in plain text: answers with intervals first, then what weakens them, then where to check.

    contrasts  of one treatment against one baseline, those that answer the question first
    """
    first = contrasts[0]
    labels = labels_of(session)
    page = navigation.comparison_page(session.id, first.treatment, first.baseline)
    lines = [f"{against(labels, first.treatment, first.baseline)} ({session.file.title})"]
    if analysis.simulated:
        lines.append(SIMULATED)
    lines += [f"- {contrast.sentence}" for contrast in contrasts[:SAID_AT_MOST]]
    left = len(contrasts) - SAID_AT_MOST
    if left > 0:
        lines.append(f"- and {left} more on the page")
    lines += [f"But: {caveat}" for caveat in caveats(contrasts, analysis)]
    lines.append(f"Bench test of {date_text(session.file.date)}, {session.rig.label}. {season.file.title}.")
    if season.file.notice:
        lines.append(season.file.notice)
    lines.append(f"Runs, raw logs and working: {absolute(season, page) or page}")
    return "\n".join(lines).replace(NBSP, " ").replace(THIN, " ")


def caveats(contrasts: Sequence[Contrast], analysis: SessionAnalysis) -> tuple[str, ...]:
    """What a reader must know before passing these on."""
    checks = {check.id: check for check in analysis.checks}
    found = []
    if any(contrast.indicative for contrast in contrasts):
        found.append("One run on a side: indicative only.")
    if not any(contrast.primary for contrast in contrasts):
        found.append("Not decided before the test: exploratory.")
    weak = dict.fromkeys(name for contrast in contrasts for name in contrast.weakened_by)
    found += [texts.check_text(checks[name]) for name in weak if name in checks]
    return tuple(found)


def citation(title: str, path: str, session: Session, season: Season, version: str) -> str:
    """How to cite a page of a session: who, when, what, where, under which licence."""
    who = (session.file.tester or season.file.author or season.file.title).rstrip(".")
    where = absolute(season, path)
    parts = [
        f"{who}: {title.rstrip('.')}.",
        f"{season.file.title}, session of {date_text(session.file.date)}.",
        f"{where}" if where else "",
        f"Data: {season.file.licence}." if season.file.licence else "",
        f"Made with Whirlbook {version}.",
    ]
    return " ".join(part for part in parts if part)


def embed_snippet(title: str, path: str, season: Season) -> str:
    """HTML for another page, or "" where this site's address is not known."""
    address = absolute(season, path)
    if not address:
        return ""
    return str(
        Markup('<iframe src="{}" title="{}" width="100%" height="420" loading="lazy"></iframe>').format(
            address, title
        )
    )


def dataset(session: Session, analysis: SessionAnalysis, season: Season) -> Markup:
    """schema.org Dataset of a session as JSON-LD, safe inside a script element.

    Source  schema.org/Dataset; length of the description as search engines ask for, 50 to 5000 characters
    """
    page = navigation.session_page(session.id)
    address = absolute(season, page)
    who = session.file.tester or season.file.author
    facts = {
        "@context": "https://schema.org",
        "@type": "Dataset",
        "name": session.file.title,
        "description": shortened(f"{session.file.question} {analysis.headline}", 4000),
        "dateCreated": session.file.date.isoformat(),
        "license": season.file.licence,
        "creator": {"@type": "Organization", "name": who} if who else None,
        "url": address or None,
        "isPartOf": {"@type": "DataCatalog", "name": season.file.title},
        "measurementTechnique": "thrust stand, whole set-ups compared",
        "variableMeasured": sorted({analysis.kinds[c.response].label for c in analysis.contrasts}),
        "distribution": [
            {
                "@type": "DataDownload",
                "encodingFormat": "application/json",
                "contentUrl": absolute(season, navigation.results_file(session.id))
                or navigation.link(page, navigation.results_file(session.id)),
            }
        ],
    }
    text = json.dumps(
        {key: value for key, value in facts.items() if value}, ensure_ascii=False, sort_keys=True
    )
    # so that no text of the season can end the script element or open a comment in it
    escaped = text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")
    return Markup(escaped)


def feed(season: Season, analyses: Mapping[str, SessionAnalysis]) -> bytes:
    """Atom feed of answers and corrections, newest first; the season must state its address.

    Ids are addresses that never change; `updated` comes from the data, so the same season gives the same bytes.
    Source  RFC 4287
    """
    root = ElementTree.Element("feed", {"xmlns": ATOM, "xml:lang": season.file.language})
    home = absolute(season, navigation.FRONT)
    entries = [entry for session in season.sessions if session.id in analyses
               for entry in _entries(session, analyses[session.id], season)]  # fmt: skip
    newest = max((date for date, *_ in entries), default=datetime.date(1970, 1, 1))
    _child(root, "title", season.file.title)
    _child(root, "id", home)
    _child(root, "updated", _stamp(newest))
    _child(root, "subtitle", shortened(season.file.about, 300))
    ElementTree.SubElement(root, "link", {"rel": "self", "href": absolute(season, navigation.FEED)})
    ElementTree.SubElement(root, "link", {"rel": "alternate", "type": "text/html", "href": home})
    author = ElementTree.SubElement(root, "author")
    _child(author, "name", season.file.author or season.file.title)
    for date, id_, title, summary, address in sorted(entries, reverse=True):
        entry = ElementTree.SubElement(root, "entry")
        _child(entry, "title", title)
        _child(entry, "id", id_)
        _child(entry, "updated", _stamp(date))
        _child(entry, "summary", summary)
        ElementTree.SubElement(entry, "link", {"rel": "alternate", "type": "text/html", "href": address})
    return _document(root)


Entry = tuple[datetime.date, str, str, str, str]


def correction_key(number: int) -> str:
    """Id of a correction on its session's page and in the feed. number: its place in session.yaml, from 1."""
    return f"correction-{number}"


def _entries(session: Session, analysis: SessionAnalysis, season: Season) -> list[Entry]:
    address = absolute(season, navigation.session_page(session.id))
    told = f"{SIMULATED} " if analysis.simulated else ""
    made = [
        (
            session.file.date,
            address,
            session.file.title,
            f"{told}{sentence_case(answer_text(analysis))}",
            address,
        )
    ]
    for number, correction in enumerate(session.file.corrections, start=1):
        made.append(
            (
                correction.date,
                f"{address}#{correction_key(number)}",
                f"Correction: {session.file.title}",
                f"{correction.what} Why: {correction.why}",
                f"{address}#corrections",
            )
        )
    return made


def site_map(season: Season, pages: Sequence[str]) -> bytes:
    """sitemap.xml of these pages; the season must state its address. Source: sitemaps.org protocol 0.9."""
    root = ElementTree.Element("urlset", {"xmlns": SITEMAP})
    for page in sorted(pages):
        _child(ElementTree.SubElement(root, "url"), "loc", absolute(season, page))
    return _document(root)


def _document(root: ElementTree.Element) -> bytes:
    text: str = ElementTree.tostring(root, encoding="unicode")
    return f'<?xml version="1.0" encoding="utf-8"?>\n{text}\n'.encode()


def _child(parent: ElementTree.Element, name: str, text: str) -> None:
    ElementTree.SubElement(parent, name).text = text


def _stamp(date: datetime.date) -> str:
    return f"{date.isoformat()}T00:00:00Z"


def comparison_share(
    contrasts: Sequence[Contrast],
    analysis: SessionAnalysis,
    session: Session,
    season: Season,
    *,
    card_path: str,
    card_alt: str,
    version: str,
) -> Share:
    """Everything to pass a comparison on with, as its page shows it. contrasts: that answer the question, in order."""
    first = contrasts[0]
    labels = labels_of(session)
    page = navigation.comparison_page(session.id, first.treatment, first.baseline)
    short = navigation.embed_page(session.id, first.treatment, first.baseline)
    title = against(labels, first.treatment, first.baseline)
    return Share(
        summary=summary_text(contrasts, analysis, session, season),
        citation=citation(f"{title} ({session.file.title})", page, session, season, version),
        snippet=embed_snippet(title, short, season),
        embed=navigation.link(page, short),
        card=navigation.link(page, card_path),
        card_svg=navigation.link(page, card_path.removesuffix("png") + "svg"),
        card_alt=card_alt,
    )
