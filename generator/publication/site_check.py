"""What would keep a site from being written, found without writing or drawing anything."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import jinja2

from generator.evidence.records import SessionAnalysis
from generator.intake.problems import Problem
from generator.intake.session import Season, Session
from generator.publication import navigation, rendering
from generator.publication.conclusion import Conclusion, conclusion_of
from generator.publication.photos import PhotoRefused, published, read_photo, readable
from generator.publication.session_blocks import pairs_of
from generator.publication.text_pages import TextPage, read_text_pages
from generator.publication.typed_numbers import typed_numbers


def layout_problems(own: Path) -> Iterator[Problem]:
    """Layouts of the season's own that are no templates."""
    environment = rendering.environment([own], trusted=False)
    for file in sorted(own.glob("*.html")) if own.is_dir() else []:
        if not file.is_file():
            continue  # told as no plain file
        try:
            environment.parse(file.read_bytes().decode("utf-8"))
        except jinja2.TemplateSyntaxError as fault:
            what = f"is no template: {fault.message or 'it cannot be read'}."
            yield Problem(
                file=str(file), line=fault.lineno, what=what, remedy="Mend it, or take the file away."
            )
        except RecursionError:
            yield Problem(file=str(file), what="is nested too deeply.", remedy="Write it flat.")
        except (UnicodeDecodeError, OSError):
            yield Problem(file=str(file), what="cannot be read as UTF-8.", remedy="Save it as UTF-8.")


def session_problems(
    season: Season,
    session: Session,
    analysis: SessionAnalysis,
    results: Mapping[str, Any],
    stated: Sequence[str],
) -> tuple[Conclusion, tuple[Problem, ...]]:
    """A session's conclusion as its page would have it, and what is wrong with it and its photos.

    results  its `results.json`
    stated   texts of its input files
    """
    folder = Path(season.folder) / session.id
    photos, refused = readable(folder / name for name in session.photos)
    made = conclusion_of(session, analysis, photos, refused)
    problems = list(made.problems)
    for name in made.photos:
        try:
            published(read_photo(folder / name))
        except PhotoRefused as fault:
            problems.append(Problem(file=str(folder / name), what=fault.what, remedy=fault.remedy))
    if session.conclusion:
        problems += typed_numbers(session.conclusion, session.conclusion_path or "", results, stated)
    return made, tuple(problems)


def text_problems(content_folders: Sequence[Path]) -> tuple[tuple[TextPage, ...], tuple[Problem, ...]]:
    """Pages of prose, and what is wrong with them. content_folders: the built-in folder first."""
    return read_text_pages(tuple(reversed(content_folders)))


def pages_of(
    season: Season, analyses: Mapping[str, SessionAnalysis], texts: Sequence[TextPage]
) -> tuple[str, ...]:
    """Path of every page and file a conclusion may point at, but figures' own files; a path may come twice."""
    paths = [navigation.FRONT, navigation.SEARCH, navigation.DOWNLOADS, navigation.CORRECTIONS]
    paths += [page.path for page in texts]
    paths += [navigation.PARTS] if season.parts else []
    paths += [navigation.RIGS] if len(season.rigs) > 1 else []
    paths += [navigation.part_page(name) for name in season.parts]
    paths += [navigation.rig_page(name) for name in season.rigs]
    paths += [navigation.CLAIMS] if any(analysis.claims for analysis in analyses.values()) else []
    for session in season.sessions:
        analysis = analyses.get(session.id)
        if analysis is None:
            continue
        paths += [navigation.session_page(session.id), navigation.results_file(session.id)]
        for pair in pairs_of(analysis, session):
            paths += [
                navigation.comparison_page(session.id, *pair),
                navigation.embed_page(session.id, *pair),
            ]
        for run in analysis.runs:
            paths.append(navigation.run_page(session.id, run.run_id))
            paths += [navigation.log_copy(session.id, log.path) for log in run.logs]
    return tuple(paths)


def place_problems(paths: Sequence[str]) -> Iterator[Problem]:
    """Two pages that want one file, letters large and small counted alike."""
    taken: set[str] = set()
    for path in paths:
        if path.lower() in taken:
            what = f"Two things want the file {path} of the site, letters large and small counted alike."
            remedy = "Rename one of the runs, treatments or parts that it is named after."
            yield Problem(file=path, what=what, remedy=remedy)
        taken.add(path.lower())


def link_problems(
    session: Session,
    made: Conclusion,
    paths: Sequence[str],
    texts: Sequence[TextPage],
    known: Collection[str],
) -> Iterator[Problem]:
    """Places of the site that a conclusion points at and that will not be there.

    known  ids of the sessions of which `paths` holds the pages; what is said of others is not looked at
    Whether a place inside a page is there is known beforehand of pages of prose alone; of others it is only doubtful.
    """
    there, ids = set(paths), {page.path: page.ids for page in texts}
    file = session.conclusion_path or session.id
    for link in made.links:
        first, _, rest = link.path.partition("/")
        if first == "sessions" and rest.partition("/")[0] not in known:
            continue
        drawn = "/figures/" in link.path or link.path.startswith(("overlay/", f"{navigation.ASSETS}/"))
        address = link.path + (f"#{link.fragment}" if link.fragment else "")
        gone = (link.path not in there and not drawn) or (
            link.path in ids and link.fragment not in ("", *ids[link.path])
        )
        if gone:
            what = f"the link to '{address}' leads nowhere on this site."
            remedy = "Correct the address; it is relative to the session's page."
            yield Problem(file=file, line=link.line, what=what, remedy=remedy)
        elif drawn or (link.fragment and link.path not in ids):
            what = f"the link to '{address}' points at what only `build` can find."
            yield Problem(file=file, line=link.line, what=what, remedy="Build, and see.", severity="warning")
