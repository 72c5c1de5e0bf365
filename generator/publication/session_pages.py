"""The pages of a session: made, or taken from an earlier build that made them from the same."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from generator.evidence.records import SessionAnalysis
from generator.intake.session import Session
from generator.memory import Memory, fingerprint
from generator.publication import navigation
from generator.publication.comparison_page import comparison_page
from generator.publication.conclusion import Conclusion
from generator.publication.definitions import Term
from generator.publication.embed_page import embed_page
from generator.publication.page_frame import Frame, Site
from generator.publication.run_page import run_page
from generator.publication.session_files import SessionFiles, content_of
from generator.publication.session_page import session_page
from generator.publication.site_writer import SiteWriter


class SessionPages:
    """Makes the pages of one session after the other.

    site     of the whole season
    terms    of the glossary
    layouts  folders of the templates
    writer   renders
    memory   pages of earlier builds, or None
    """

    def __init__(
        self,
        site: Site,
        terms: Sequence[Term],
        layouts: Sequence[Path],
        writer: SiteWriter,
        memory: Memory | None,
    ) -> None:
        self._site, self._writer, self._memory = site, writer, memory
        self._shared = "" if memory is None else _shared(site, terms, layouts)

    def of(
        self,
        session: Session,
        analysis: SessionAnalysis,
        files: SessionFiles,
        conclusion: Conclusion,
        results: Mapping[str, Any],
    ) -> tuple[tuple[str, bytes], ...]:
        """(path, bytes) of each page, and of `results.json`.

        Raises  SeasonProblems where the season's own layout fails
        """
        alone = _alone(self._site, session)

        def made() -> tuple[tuple[str, bytes], ...]:
            document = json.dumps(results, ensure_ascii=False, indent=1, allow_nan=False)
            facts = (navigation.results_file(session.id), f"{document}\n".encode())
            return (*self._made(alone, session, analysis, files, conclusion), facts)

        if self._memory is None:
            return made()
        own = content_of(alone.season, session, results)
        held = repr(replace(analysis, runs=()))
        key = fingerprint(self._shared, own, held, conclusion, sorted(alone.histories.items()))
        kept = self._memory.pages.find(key)
        return kept if kept is not None else self._memory.pages.put(key, made())

    def _made(
        self,
        site: Site,
        session: Session,
        analysis: SessionAnalysis,
        files: SessionFiles,
        conclusion: Conclusion,
    ) -> Iterator[tuple[str, bytes]]:
        def rendered(template: str, frame: Frame, content: object) -> tuple[str, bytes]:
            return frame.path, self._writer.rendered(template, frame, content)

        figures = files.figures
        first = next(iter(files.cards.values()), None)
        page = session_page(site, session, analysis, figures, conclusion.html, first)
        yield rendered("session.html", *page)
        for (treatment, baseline), card in files.cards.items():
            compared = comparison_page(site, session, analysis, figures, treatment, baseline, card)
            yield rendered("comparison.html", *compared)
            yield rendered("embed.html", *embed_page(site, session, analysis, treatment, baseline))
        for run in analysis.runs:
            yield rendered("run.html", *run_page(site, session, analysis, figures, run))


def _alone(site: Site, session: Session) -> Site:
    """The site with nothing of other sessions on it, so that no page of this one can depend on them."""
    return replace(
        site,
        season=site.season.model_copy(update={"sessions": (session,)}),
        histories={rig: history for rig, history in site.histories.items() if rig == session.rig.id},
    )


def _shared(site: Site, terms: Sequence[Term], layouts: Sequence[Path]) -> str:
    """One name for all that pages of every session rest on."""
    templates = [
        (str(file.relative_to(folder)), file.read_bytes())
        for folder in layouts
        for file in sorted(folder.rglob("*"))
        if file.is_file()
    ]
    return fingerprint(
        site.season.model_copy(update={"sessions": ()}),
        [
            site.version, site.newest, site.has_claims, site.simulated, site.has_overlay, site.since,
            sorted((path, sorted(ids)) for path, ids in site.text_anchors.items()),
            sorted(site.photos),
        ],
        list(terms),
        templates,
    )  # fmt: skip
