"""What every page has around its own content."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from markupsafe import Markup

from generator.evidence.rig_history import RigHistory
from generator.intake.session import Season
from generator.publication import navigation
from generator.publication.navigation import Link, link
from generator.publication.units import choice_of, in_units

if TYPE_CHECKING:
    from generator.publication.photos import Photo
    from generator.publication.since_archive import SinceArchive

SIMULATED = "Simulated data: the logs behind this page were made by a rehearsal, not measured."
SIMULATED_TOO = "Simulated data."  # where the season's own notice tells the rest
SOME_SIMULATED = (
    "Some sessions rest on simulated data, made by a rehearsal, not measured. Each of them says so."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """Head, masthead and foot of one page.

    path          of the page, from the top of the site
    title         for the browser's title line
    description   one sentence for search results and previews
    language      tag for the whole page
    thrust        unit of thrust that the page is written in, as units.js names it
    temperature   scale of temperature that the page is written in, as units.js names it
    season_title  name of the season, in the masthead
    home          link to the front page
    notice        the season's own notice, or ""
    simulated     sentence that the page rests on simulated logs, or ""
    stylesheets   links to the style sheets, in order
    scripts       links to the scripts, in order; every page works without them
    icon          link to the icon
    canonical     absolute address of the page, or "" where the season states none
    card          absolute address of the picture for previews, or ""
    card_alt      what that picture shows
    feed          link to the feed, or "" where there is none
    dataset       facts for search engines as JSON-LD, or ""
    main_links    links of the masthead
    search        link to the search page
    foot_links    links of the foot
    trail         links from the front page down to this page, this page last
    author        who answers for the season, or ""
    licence       licence of data and texts, or ""
    newest        date of the newest session, written out
    version       version of the program that made the site
    method        link to the method page, for "how to check"
    """

    path: str
    title: str
    description: str
    language: str
    thrust: str
    temperature: str
    season_title: str
    home: str
    notice: str
    simulated: str
    stylesheets: tuple[str, ...]
    scripts: tuple[str, ...]
    icon: str
    canonical: str
    card: str
    card_alt: str
    feed: str
    dataset: Markup
    main_links: tuple[Link, ...]
    search: Link
    foot_links: tuple[Link, ...]
    trail: tuple[Link, ...]
    author: str
    licence: str
    newest: str
    version: str
    method: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Site:
    """What all page builders share.

    season        the season
    version       version of the program
    newest        date of the newest session, written out
    has_claims    whether any session holds a claim, and so whether there is a ledger
    has_overlay   whether any session has something to lay over another
    text_anchors  path of a text page -> ids on it, so that links to a place on it never break
    simulated     sentence for pages about all sessions: whether all, some or none rest on simulated logs
    since         what changed since an earlier archive, or None if it was not asked for
    photos        path on the site -> photo of a part or rig
    histories     rig id -> control charts of its check standard
    """

    season: Season
    version: str
    newest: str
    has_claims: bool
    simulated: str
    has_overlay: bool = False
    text_anchors: Mapping[str, frozenset[str]] = field(default_factory=dict)
    since: SinceArchive | None = None
    photos: Mapping[str, Photo] = field(default_factory=dict)
    histories: Mapping[str, RigHistory] = field(default_factory=dict)

    def frame(
        self,
        path: str,
        title: str,
        description: str,
        *,
        trail: Sequence[tuple[str, str]] = (),
        simulated: str,
        card: tuple[str, str] = ("", ""),
        dataset: Markup | None = None,
        scripts: Sequence[str] = (),
    ) -> Frame:
        """Frame of one page.

        trail      (words, path) from below the front page down to this page
        simulated  sentence that the page rests on simulated logs, or ""
        card       path of the picture for previews and what it shows
        dataset    facts for search engines
        scripts    paths of scripts that only this page needs, in order
        """
        file = self.season.file
        choice = choice_of(file.units)

        def nav(words: str, to_page: str) -> Link:
            return Link(text=words, href=link(path, to_page), current=path == to_page)

        ledger = [("Claims", navigation.CLAIMS)] if self.has_claims else []
        rigs = sorted(self.season.rigs)
        rig = (
            [("Rig", navigation.rig_page(rigs[0]))]
            if len(rigs) == 1
            else [("Rigs", navigation.RIGS)]
            if rigs
            else []
        )
        parts = [("Parts", navigation.PARTS)] if self.season.parts else []
        overlay = [("Curves", navigation.OVERLAY)] if self.has_overlay else []
        main = [("Answers", navigation.FRONT), *ledger, *overlay, *parts, *rig, ("Safety", navigation.SAFETY)]
        foot = [
            ("Method", navigation.METHOD),
            ("Statistics", navigation.STATISTICS),
            ("Glossary", navigation.GLOSSARY),
            ("Tutorial", navigation.TUTORIAL),
            ("Safety", navigation.SAFETY),
            ("Corrections", navigation.CORRECTIONS),
            ("Downloads", navigation.DOWNLOADS),
        ]
        front = (("Answers", navigation.FRONT),) if trail else ()
        base = (file.base_url or "").rstrip("/")
        address = link(navigation.FRONT, path)
        return Frame(
            path=path,
            title=title if path == navigation.FRONT else f"{title} · {file.title}",
            description=in_units(shortened(description, 300), choice),
            language=file.language,
            thrust=choice.thrust,
            temperature=choice.temperature,
            season_title=file.title,
            home=link(path, navigation.FRONT),
            notice=file.notice or "",
            simulated=SIMULATED_TOO
            if simulated == SIMULATED and "simulated, not measured" in (file.notice or "")
            else simulated,
            stylesheets=tuple(
                link(path, navigation.asset(name))
                for name in ("colours.css", "style.css", "explore.css", "tools.css")
            ),
            scripts=tuple(
                link(path, script)
                for script in (*map(navigation.asset, ("page.js", "explore.js", "units.js")), *scripts)
            ),
            icon=link(path, f"{navigation.ASSETS}/icon.svg"),
            canonical=f"{base}/{address if path != navigation.FRONT else ''}" if base else "",
            card=f"{base}/{link(navigation.FRONT, card[0])}" if base and card[0] else "",
            card_alt=card[1],
            feed=link(path, navigation.FEED) if base else "",
            dataset=dataset or Markup(""),
            main_links=tuple(nav(words, to) for words, to in main),
            search=nav("Search", navigation.SEARCH),
            foot_links=tuple(nav(words, to) for words, to in foot),
            trail=tuple(nav(words, to) for words, to in (*front, *trail)),
            author=file.author or "",
            licence=file.licence or "",
            newest=self.newest,
            version=self.version,
            method=link(path, navigation.METHOD),
        )

    def text_link(self, from_page: str, page: str, *anchors: str) -> str:
        """Link to a text page, at the first of these anchors that it has."""
        known = self.text_anchors.get(page, frozenset())
        found = next((name for name in anchors if name in known), "")
        return link(from_page, page, found)


def simulated_sentence(flags: Iterable[bool]) -> str:
    """What a page must say whose sessions rest, all, some or none of them, on simulated logs."""
    known = list(flags)
    return SIMULATED if known and all(known) else SOME_SIMULATED if any(known) else ""


def shortened(text: str, most: int) -> str:
    """Text cut at a word so that it has at most `most` characters."""
    flat = " ".join(text.split())
    return flat if len(flat) <= most else flat[: most - 1].rsplit(" ", 1)[0] + "…"
