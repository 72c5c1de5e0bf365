"""Pages that help a reader to find things, to take them away, and to see what was put right."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from generator.evidence.records import SessionAnalysis
from generator.evidence.results_document import results_schema
from generator.publication import navigation
from generator.publication.corrections_page import corrections_page
from generator.publication.definitions import Term
from generator.publication.downloads_page import LogSizes, checksum_list, downloads_page
from generator.publication.page_frame import Frame, Site
from generator.publication.search_page import everything, index_files, search_page
from generator.publication.text_pages import TextPage
from generator.publication.units import choice_of


@dataclass(frozen=True, slots=True, kw_only=True)
class ReaderPage:
    """One page with the files that only it needs. files: path -> content."""

    template: str
    frame: Frame
    content: object
    files: Mapping[str, bytes] = field(default_factory=dict)


def reader_pages(
    site: Site,
    analyses: Mapping[str, SessionAnalysis],
    terms: Sequence[Term],
    text_pages: Sequence[TextPage],
    sizes: LogSizes,
) -> tuple[ReaderPage, ...]:
    """Search, downloads, corrections. analyses: by session id; terms: of the glossary; sizes: of every raw log."""
    found = everything(site, analyses, terms, text_pages)
    index = index_files(found, choice_of(site.season.file.units))
    search_frame, search = search_page(site, found, tuple(index))
    downloads_frame, downloads = downloads_page(site, analyses, sizes)
    corrections_frame, corrections = corrections_page(site, analyses)
    schema = json.dumps(results_schema(), ensure_ascii=False, indent=1)
    downloaded = {navigation.RESULTS_SCHEMA: f"{schema}\n".encode()} | {
        navigation.checksum_file(name): checksum_list(analysis) for name, analysis in analyses.items()
    }
    return (
        ReaderPage(template="search.html", frame=search_frame, content=search, files=index),
        ReaderPage(template="downloads.html", frame=downloads_frame, content=downloads, files=downloaded),
        ReaderPage(template="corrections.html", frame=corrections_frame, content=corrections),
    )
