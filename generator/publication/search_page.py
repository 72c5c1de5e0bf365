"""Search without a server: what can be found, as an index in plain script files, and the page that looks into it.

Scripts and not data files, because a browser may not read data from a page that was opened from a disk.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from markupsafe import Markup

from generator.evidence.records import SessionAnalysis
from generator.intake.session import Session
from generator.publication import navigation, overlay_page, session_blocks
from generator.publication.claim_rows import claim_rows
from generator.publication.definitions import Term
from generator.publication.facts import date_text
from generator.publication.front_filters import parts_used
from generator.publication.front_page import newest_first
from generator.publication.navigation import Link, link
from generator.publication.page_frame import Frame, Site, shortened
from generator.publication.sharing import correction_key
from generator.publication.text_pages import TextPage
from generator.publication.units import Choice, pieces

PIECE_BYTES = 150_000  # of one file of the index, as near as whole entries come
LONGEST_TEXT = 320  # characters shown of a section of prose
HEADING = re.compile(
    r'<h(?P<level>[23])\b[^>]*\bid="(?P<key>[^"]+)"[^>]*>(?P<words>.*?)</h(?P=level)>', re.DOTALL
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """One thing that a search can find.

    kind     what it is, in a word or two
    title    its name
    path     page, from the top of the site
    key      id of its place on the page, or ""
    context  where it belongs, in short, or ""
    text     what it says
    words    further words that lead to it, not shown
    """

    kind: str
    title: str
    path: str
    key: str = ""
    context: str = ""
    text: str = ""
    words: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundGroup:
    """Things of one kind, as the page lists them without scripts.

    key    id of the group
    title  what they are
    links  to each, in order
    """

    key: str
    title: str
    links: tuple[Link, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class SearchPage:
    """Everything on the search page.

    groups  all that can be found, kind by kind: the page's content where no script runs
    """

    groups: tuple[FoundGroup, ...]


SESSION, COMPARISON, CLAIM, RUN, PART, RIG = "Session", "Comparison", "Claim", "Run", "Part", "Rig"
CURVES = "Curves"
CORRECTION, WORD, EXPLAINED = "Correction", "Glossary", "Explained"
GROUP_TITLES: Mapping[str, str] = {
    SESSION: "Sessions",
    COMPARISON: "Comparisons",
    CLAIM: "Claims",
    RUN: "Runs",
    CURVES: "Curves",
    PART: "Parts",
    RIG: "Rigs",
    CORRECTION: "Corrections",
    WORD: "Words of the glossary",
    EXPLAINED: "Method, statistics, safety",
}


def everything(
    site: Site,
    analyses: Mapping[str, SessionAnalysis],
    terms: Sequence[Term],
    text_pages: Sequence[TextPage],
) -> tuple[Found, ...]:
    """All that a search can find: kinds in the order of GROUP_TITLES, newest sessions first."""
    sessions = [session for session in newest_first(site.season.sessions) if session.id in analyses]
    found: list[Found] = []
    for session in sessions:
        found += _of_session(site, session, analyses[session.id])
    for part in sorted(site.season.parts.values(), key=lambda part: part.label):
        found.append(Found(kind=PART, title=part.label, path=navigation.part_page(part.id), context=part.kind,
                           text=part.notes or "", words=part.id))  # fmt: skip
    for rig in sorted(site.season.rigs.values(), key=lambda rig: rig.label):
        found.append(Found(kind=RIG, title=rig.label, path=navigation.rig_page(rig.id), text=rig.about or "",
                           words=rig.id))  # fmt: skip
    if site.has_overlay:
        found.append(Found(kind=CURVES, title=overlay_page.TITLE, path=navigation.OVERLAY,
                           text=overlay_page.ABOUT, words="overlay compare plot"))  # fmt: skip
    for term in terms:
        found.append(
            Found(kind=WORD, title=term.word, path=navigation.GLOSSARY, key=term.key, text=term.told)
        )
    for page in text_pages:
        if page.path != navigation.GLOSSARY:
            found += _of_prose(page)
    order = list(GROUP_TITLES)
    return tuple(sorted(found, key=lambda entry: order.index(entry.kind)))


def _of_session(site: Site, session: Session, analysis: SessionAnalysis) -> list[Found]:
    labels = session_blocks.labels_of(session)
    date = date_text(session.file.date)
    told = " · simulated data" if analysis.simulated else ""
    parts = [site.season.parts[part].label for part in parts_used(site.season, session)]
    procedures = dict.fromkeys(run.procedure for run in analysis.runs)
    made = [
        Found(
            kind=SESSION,
            title=session.file.title,
            path=navigation.session_page(session.id),
            context=f"{date}{told} · {session.file.question}",
            text=session_blocks.answer_text(analysis),
            words=" ".join([*labels.values(), *parts, *procedures, session.rig.label, session.id]),
        )
    ]
    for treatment, baseline in session_blocks.pairs_of(analysis, session):
        own = session_blocks.of_pair(analysis, session, treatment, baseline)
        first = [contrast for contrast in own if contrast.primary] or own
        made.append(
            Found(
                kind=COMPARISON,
                title=session_blocks.against(labels, treatment, baseline),
                path=navigation.comparison_page(session.id, treatment, baseline),
                context=f"{session.file.title} · {date}{told}",
                text=first[0].sentence,
                words=" ".join(dict.fromkeys(analysis.kinds[contrast.response].label for contrast in own)),
            )
        )
    for claim in claim_rows(analysis.claims, analysis, session, navigation.CLAIMS):
        made.append(
            Found(
                kind=CLAIM,
                title=claim.says,
                path=navigation.CLAIMS,
                key=claim.key,
                context=f"{claim.outcome} · {session.file.title}{told}",
                text=f"{claim.decision}{claim.sentence}",
                words=claim.heard,
            )
        )
    for run in session_blocks.runs_of(analysis, ()):
        treatment = labels.get(run.treatment, run.treatment)
        which = ", ".join(part for part in (run.procedure, treatment) if part)
        made.append(
            Found(
                kind=RUN,
                title=f"{run.run_id}: {which}",
                path=navigation.run_page(session.id, run.run_id),
                context=f"{session.file.title} · {date}{told}",
                text=f"Not used: {run.refused}" if run.refused else "",
                words=run.log.rsplit("/", 1)[-1],
            )
        )
    for number, correction in enumerate(session.file.corrections, start=1):
        made.append(
            Found(
                kind=CORRECTION,
                title=f"Correction: {session.file.title}",
                path=navigation.session_page(session.id),
                key=correction_key(number),
                context=date_text(correction.date),
                text=f"{correction.what} Why: {correction.why}",
            )
        )
    return made


def _of_prose(page: TextPage) -> Iterable[Found]:
    """A page of prose, section by section."""
    headings = list(HEADING.finditer(page.html))
    yield Found(kind=EXPLAINED, title=page.title, path=page.path, text=page.first)
    for place, heading in enumerate(headings):
        end = headings[place + 1].start() if place + 1 < len(headings) else len(page.html)
        body = Markup(page.html[heading.end() : end]).striptags()
        told = shortened(body, LONGEST_TEXT)
        yield Found(
            kind=EXPLAINED,
            title=Markup(heading["words"]).striptags(),
            path=page.path,
            key=heading["key"],
            context=page.title,
            text=told,
            words=body[len(told) - 1 :] if len(body) > len(told) else "",
        )


def search_page(site: Site, found: Sequence[Found], index: Sequence[str]) -> tuple[Frame, SearchPage]:
    """Frame and content of the search page. index: paths of the files of the index, in order."""
    page = navigation.SEARCH
    frame = site.frame(
        page,
        "Search",
        "Search the answers, claims, parts and words of this season.",
        trail=(("Search", page),),
        simulated=site.simulated,
        scripts=(navigation.asset("search.js"), *index),
    )
    groups = []
    for kind, title in GROUP_TITLES.items():
        links = tuple(
            Link(text=entry.title, href=link(page, entry.path, entry.key))
            for entry in found
            if entry.kind == kind
        )
        if links:
            groups.append(FoundGroup(key=navigation.anchor("all", title), title=title, links=links))
    return frame, SearchPage(groups=tuple(groups))


def index_files(found: Sequence[Found], choice: Choice) -> dict[str, bytes]:
    """Path -> content of each file of the index, in order. choice: units that are shown first.

    Each file hands an array of entries to `search.js`: kind, title, address from the top of the site, context, text,
    further words. A text is an array of strings and of quantities, each an object of the form {key: text, first: key}.
    """
    lines = [_json(_entry(entry, choice)) for entry in found]
    files: dict[str, bytes] = {}
    start = 0
    while start < len(lines):
        end, size = start, 0
        while end < len(lines) and (end == start or size + len(lines[end]) <= PIECE_BYTES):
            size += len(lines[end])
            end += 1
        body = ",\n".join(lines[start:end])
        files[navigation.asset(f"search-{len(files) + 1}.js")] = f"whirlbookSearch([\n{body}\n]);\n".encode()
        start = end
    return files


def _entry(entry: Found, choice: Choice) -> list[object]:
    address = link(navigation.FRONT, entry.path, entry.key)
    return [entry.kind, entry.title, address, entry.context, _shown(entry.text, choice), entry.words]


def _shown(text: str, choice: Choice) -> list[object]:
    return [
        piece if isinstance(piece, str) else {**piece.texts, "first": choice.of(piece)}
        for piece in pieces(text)
    ]


def _json(value: object) -> str:
    """JSON that is also a script: no text of the season can end the script or a line of it."""
    text = json.dumps(value, ensure_ascii=False, separators=(",", ":"))
    escapes = {"<": "\\u003c", ">": "\\u003e", "&": "\\u0026", "\u2028": "\\u2028", "\u2029": "\\u2029"}
    return re.sub("[<>&\u2028\u2029]", lambda match: escapes[match.group()], text)
