"""The whole site: everything is checked, then built beside the old one, then takes its place."""

from __future__ import annotations

import time
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from generator.evidence.records import SessionAnalysis
from generator.evidence.rig_history import RigHistory
from generator.evidence.wording import counted
from generator.executors import Workers, at_work
from generator.intake.log_bytes import sha256_of
from generator.intake.problems import OutputRefused, Problem, SeasonProblems
from generator.intake.season import season_date
from generator.intake.session import Season, Session
from generator.memory import Memory
from generator.progress import Progress, quiet
from generator.publication import navigation, rendering
from generator.publication.colours import colours_css
from generator.publication.conclusion import Conclusion, conclusion_of
from generator.publication.definitions import Term, terms_of
from generator.publication.facts import date_text
from generator.publication.figure_blocks import Drawing
from generator.publication.front_page import claims_page, front_page
from generator.publication.interactive import explore_assets
from generator.publication.marked_pages import Marks
from generator.publication.overlay_data import contribution
from generator.publication.overlay_page import overlay_pages
from generator.publication.page_frame import Site, simulated_sentence
from generator.publication.part_pages import part_page, parts_page
from generator.publication.photos import (
    photos_of_things,
    read_photo,
    readable,
)
from generator.publication.reader_pages import reader_pages
from generator.publication.replacing import replacement
from generator.publication.rig_page import rig_page, rigs_page
from generator.publication.session_files import SessionFiles, drawn_sessions
from generator.publication.session_pages import SessionPages
from generator.publication.sharing import feed, site_map
from generator.publication.since_archive import SinceArchive
from generator.publication.site_writer import SiteWriter, changed_log
from generator.publication.text_pages import TextPage, read_text_pages, text_frame
from generator.publication.units import choice_of
from generator.unchanged import MARKER, marker


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteReport:
    """What was written.

    out      the site's folder
    pages    number of pages
    figures  number of figures
    files    number of all files
    bytes    size of all files
    seconds  how long writing the site took
    """

    out: Path
    pages: int
    figures: int
    files: int
    bytes: int
    seconds: float

    def summary(self) -> str:
        """One line for the terminal."""
        size = f"{self.bytes / 1e6:.1f} MB"
        return (
            f"{self.out}: {counted(self.pages, 'page')}, {counted(self.figures, 'figure')}, "
            f"{counted(self.files, 'file')}, {size}, in {self.seconds:.1f} s"
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Inputs:
    """Everything the pages are made from, checked. conclusions: session id -> conclusion; terms: of the glossary."""

    site: Site
    sessions: tuple[tuple[Session, SessionAnalysis], ...]
    conclusions: Mapping[str, Conclusion]
    text_pages: tuple[TextPage, ...]
    terms: tuple[Term, ...]
    rigs: Mapping[str, RigHistory] = field(default_factory=dict)


def write_site(
    season: Season,
    analyses: Sequence[SessionAnalysis],
    out: Path,
    *,
    version: str,
    results: Mapping[str, dict[str, Any]],
    log_files: Mapping[tuple[str, str], Path],
    rigs: Mapping[str, RigHistory] | None = None,
    layout_folders: Sequence[Path],
    content_folders: Sequence[Path],
    workers: int | Workers = 1,
    runs_worth_workers: int = 1,
    progress: Progress = quiet,
    memory: Memory | None = None,
    since: SinceArchive | None = None,
    part: bool = False,
    made_from: str = "",
) -> SiteReport:
    """Write the site of a season.

    season           the season
    analyses         one for each session that is to have pages
    out              folder of the site; must be new, empty, or a site of ours
    version          version of the program, for the foot of each page
    results          session id -> its facts for machines
    log_files        (session id, log as written in session.yaml) -> the log's file
    rigs             rig id -> control charts of its check standard
    layout_folders   templates and assets; a later folder overrides an earlier one, file by file
    content_folders  prose; a later folder overrides an earlier one, file by file
    workers          processes that render figures, or others who do
    runs_worth_workers  from so many runs on, starting processes repays
    progress         is told how many figures have been drawn
    memory           pictures of an earlier build of the same process; those that have not changed are taken from it
    since            what changed since an earlier archive, for the pages that tell of corrections
    part             whether these are not all pages of the season, so that a conclusion may point at others
    made_from        one name for all that goes in, so that a later build can tell whether anything has changed
    Raises  OutputRefused if `out` is not ours to replace
            SeasonProblems with every failing reference; nothing is written then
    The old site stays until the new one is complete, and stays for good if anything fails.
    """
    began = time.perf_counter()
    target = _target(season, out)
    layouts, contents = tuple(reversed(layout_folders)), tuple(reversed(content_folders))
    inputs = _checked(season, analyses, version, log_files, contents, since)
    inputs = replace(inputs, site=replace(inputs.site, histories=rigs or {}), rigs=rigs or {})
    with at_work(workers) as others, replacement(target) as building:
        drawing = Drawing(
            workers=others, runs_worth_workers=runs_worth_workers, progress=progress, memory=memory
        )
        marks = Marks(choice=choice_of(season.file.units), terms=inputs.terms)
        writer = SiteWriter(building, rendering.environment(layouts, trusted=len(layouts) == 1), marks)
        drawn = drawn_sessions(season, inputs.sessions, results, drawing)
        # all that needs no drawing, while others draw
        _write_assets(writer, layouts, memory)
        _write_season_pages(inputs, writer, log_files)
        pages = SessionPages(inputs.site, inputs.terms, layouts, writer, memory)
        _write_sessions(inputs, writer, results, log_files, drawn, pages)
        _write_lists(inputs, writer)
        _check_links(inputs, writer, part)
        writer.file(MARKER, marker(made_from, building))
        writer.check_complete()
    return SiteReport(
        out=out,
        pages=sum(path.endswith(".html") for path in writer.written),
        figures=sum(path.endswith(".vl.json") for path in writer.written),
        files=len(writer.written),
        bytes=sum(writer.written.values()),
        seconds=time.perf_counter() - began,
    )


# --- before anything is written -----------------------------------------------------------------------------


def _target(season: Season, out: Path) -> Path:
    """`out`, resolved. Raises OutputRefused for what is not ours to replace."""
    target = out.resolve()
    if target == target.parent:
        raise OutputRefused(f"{out} is the root of the disk. Name a folder of its own for the site.")
    if target.exists() and not target.is_dir():
        raise OutputRefused(f"{out} is a file. Name a folder for the site.")
    if Path(season.folder).resolve().is_relative_to(target):
        raise OutputRefused(
            f"{out} holds the season itself, and would be replaced. Name a folder beside it, such as site."
        )
    if target.is_dir() and any(target.iterdir()) and not (target / MARKER).is_file():
        raise OutputRefused(
            f"{out} holds files that Whirlbook did not write ({MARKER} is missing). "
            "Name an empty or a new folder, or empty this one yourself."
        )
    return target


def _checked(
    season: Season,
    analyses: Sequence[SessionAnalysis],
    version: str,
    log_files: Mapping[tuple[str, str], Path],
    content_folders: Sequence[Path],
    since: SinceArchive | None,
) -> _Inputs:
    """Read and check everything that pages refer to. Raises SeasonProblems with all that fails."""
    by_id = {analysis.session_id: analysis for analysis in analyses}
    sessions = tuple((session, by_id[session.id]) for session in season.sessions if session.id in by_id)
    text_pages, found = read_text_pages(content_folders)
    things, of_things = photos_of_things(season)
    problems = [*found, *of_things]
    conclusions = {}
    for session, analysis in sessions:
        photos, refused = readable(Path(season.folder) / session.id / name for name in session.photos)
        conclusions[session.id] = conclusion_of(session, analysis, photos, refused)
        problems += conclusions[session.id].problems
        for log in (log for run in analysis.runs for log in run.logs):
            file = log_files.get((session.id, log.path))
            shown = f"{season.folder}/{session.id}/{log.path}"
            if file is None or not file.is_file():
                remedy = "Put the log back, or take its run out of session.yaml."
                problems.append(Problem(file=shown, what="is not there.", remedy=remedy))
            elif sha256_of(file) != log.sha256:
                problems.append(changed_log(shown))
    if problems:
        raise SeasonProblems(problems)
    site = Site(
        season=season,
        version=version,
        newest=date_text(season_date(season)),
        has_claims=any(analysis.claims for _, analysis in sessions),
        has_overlay=any(contribution(session, analysis).series for session, analysis in sessions),
        simulated=simulated_sentence(analysis.simulated for _, analysis in sessions),
        text_anchors={page.path: page.ids for page in text_pages},
        since=since,
        photos=things,
    )
    return _Inputs(
        site=site,
        sessions=sessions,
        conclusions=conclusions,
        text_pages=text_pages,
        terms=terms_of(text_pages),
    )


# --- writing ------------------------------------------------------------------------------------------------


def _write_season_pages(
    inputs: _Inputs, writer: SiteWriter, log_files: Mapping[tuple[str, str], Path]
) -> None:
    """The pages that tell of the whole season."""
    site = inputs.site
    analyses = {session.id: analysis for session, analysis in inputs.sessions}
    writer.page("front.html", *front_page(site, analyses))
    for path, photo in site.photos.items():
        writer.photo(path, photo)
    if site.has_claims:
        writer.page("claims.html", *claims_page(site, analyses))
    for frame, content in overlay_pages(site, analyses):
        writer.page("overlay.html", frame, content)
    if site.season.parts:
        writer.page("parts.html", *parts_page(site, analyses))
    for part in sorted(site.season.parts.values(), key=lambda part: part.id):
        writer.page("part.html", *part_page(site, analyses, part))
    if len(site.season.rigs) > 1:
        writer.page("rigs.html", *rigs_page(site, analyses, inputs.rigs))
    for rig in sorted(site.season.rigs.values(), key=lambda rig: rig.id):
        frame, of_rig, beside = rig_page(site, analyses, rig, inputs.rigs.get(rig.id))
        writer.page("rig.html", frame, of_rig)
        for path, held in beside.items():
            writer.file(path, held)
    for text in inputs.text_pages:
        writer.page("text.html", text_frame(site, text), text)
    sizes = {log: file.stat().st_size for log, file in log_files.items()}
    for place in reader_pages(site, analyses, inputs.terms, inputs.text_pages, sizes):
        writer.page(place.template, place.frame, place.content)
        for path, data in place.files.items():
            writer.file(path, data)


def _write_sessions(
    inputs: _Inputs,
    writer: SiteWriter,
    results: Mapping[str, dict[str, Any]],
    log_files: Mapping[tuple[str, str], Path],
    drawn: Iterator[SessionFiles],
    pages: SessionPages,
) -> None:
    """The pages of each session and what stands beside them. drawn: its figures and files, in the same order."""
    for (session, analysis), made in zip(inputs.sessions, drawn, strict=True):
        made_pages = pages.of(session, analysis, made, inputs.conclusions[session.id], results[session.id])
        for path, content in (*made_pages, *made.files):
            writer.file(path, content)
        for log in (log for run in analysis.runs for log in run.logs):
            writer.log(navigation.log_copy(session.id, log.path), log_files[session.id, log.path], log.sha256)
        for name in inputs.conclusions[session.id].photos:
            photo = read_photo(Path(inputs.site.season.folder) / session.id / name)
            writer.photo(navigation.photo_copy(session.id, name), photo)


def _write_lists(inputs: _Inputs, writer: SiteWriter) -> None:
    """What lists all pages, for programs."""
    season = inputs.site.season
    if season.file.base_url:
        analyses = {session.id: analysis for session, analysis in inputs.sessions}
        writer.file(navigation.FEED, feed(season, analyses))
        # a short version is for other pages, not for search engines
        pages = [path for path in writer.written if path.endswith(".html") and "/embed/" not in path]
        writer.file(navigation.SITE_MAP, site_map(season, pages))


def _write_assets(writer: SiteWriter, layout_folders: Sequence[Path], memory: Memory | None) -> None:
    """Everything under `assets/` of the layouts, the overriding folder first, the colours and the chart library."""
    writer.file(f"{navigation.ASSETS}/colours.css", colours_css().encode())
    for path, content in explore_assets(memory).items():
        writer.file(path, content)
    for folder in layout_folders:
        assets = folder / "assets"
        for file in sorted(assets.rglob("*")) if assets.is_dir() else []:
            path = f"{navigation.ASSETS}/{file.relative_to(assets).as_posix()}"
            if file.is_file() and path not in writer.written:
                writer.copy(path, file)


def _check_links(inputs: _Inputs, writer: SiteWriter, part: bool) -> None:
    """Places that a conclusion points at must exist. Raises SeasonProblems."""
    problems = []
    for session, _ in inputs.sessions:
        for link in inputs.conclusions[session.id].links:
            if part and not link.path.startswith(f"{navigation.session_folder(session.id)}/"):
                continue
            if link.path in writer.written and (not link.fragment or writer.has_id(link.path, link.fragment)):
                continue
            address = link.path + (f"#{link.fragment}" if link.fragment else "")
            what = f"the link to '{address}' leads nowhere on this site."
            remedy = "Correct the address; it is relative to the session's page."
            problems.append(
                Problem(file=session.conclusion_path or session.id, line=link.line, what=what, remedy=remedy)
            )
    if problems:
        raise SeasonProblems(problems)
