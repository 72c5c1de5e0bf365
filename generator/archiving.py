"""From a season to its archive: the season is copied into a bag, and everything else in the bag is made from the copy.

So what lies in a bag is what its results were computed from, and is enough to compute them again.
"""

from __future__ import annotations

import json
import os
import shutil
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from generator import __version__, pipeline
from generator.evidence.results_comparison import compare
from generator.evidence.wording import counted
from generator.intake.problems import OutputRefused, Problem, SeasonProblems
from generator.intake.season import PHOTO_ENDINGS, load_season
from generator.intake.session import Season, Session
from generator.progress import Progress, quiet
from generator.publication import bag_layout as layout
from generator.publication.bag_contents import LeftOut, SeasonContents, SeasonFile, season_contents
from generator.publication.bag_manifest import sums_of
from generator.publication.bag_words import Archived, bag_date, bag_info, readme
from generator.publication.bag_writing import BagWriter, built_aside, free_place, put_in_place
from generator.publication.bag_zip import write_zip
from generator.publication.downloads_page import size_text
from generator.publication.ro_crate import crate_document
from generator.publication.software_versions import installed_versions, requirements_text, versions_text
from generator.reduction.procedures import contracts
from generator.unchanged import MARKER

ZIP = ".zip"


@dataclass(frozen=True, slots=True, kw_only=True)
class BagMade:
    """One bag.

    path    the folder or zip file
    files   files of its payload
    size    their bytes
    sha256  checksum of the zip file, or "" for a folder
    """

    path: Path
    files: int
    size: int
    sha256: str

    def summary(self) -> str:
        """One line for the terminal."""
        told = f"{self.path}: {counted(self.files, 'file')}, {size_text(self.size)}"
        return f"{told}\n    sha256 {self.sha256}" if self.sha256 else told


@dataclass(frozen=True, slots=True, kw_only=True)
class ArchiveReport:
    """What was written. left_out: what lies in the season's folder and did not go into any bag; seconds: it took."""

    bags: tuple[BagMade, ...]
    left_out: tuple[LeftOut, ...]
    seconds: float


def archive(
    folder: Path,
    out: Path,
    *,
    sessions: bool = False,
    zipped: bool = False,
    workers: int = 1,
    progress: Progress = quiet,
) -> ArchiveReport:
    """Write the archive of a season.

    out       the bag; with `sessions` the folder that gets a bag for each session, named after it
    sessions  a bag for each session, with what its figures rest on, and not one for the whole season
    zipped    zip files and not folders; `.zip` is added to the name where it is missing
    workers   as `pipeline.build`
    Raises    SeasonProblems with everything wrong in the season, OutputRefused if something is in the way
    What is there is never replaced; if anything fails, nothing is left behind.
    """
    began = time.perf_counter()
    if zipped and not sessions and out.suffix.lower() != ZIP:
        out = out.with_name(out.name + ZIP)
    target = free_place(out, folder, "file" if zipped and not sessions else "folder")
    season = load_season(folder, contracts())  # simple mistakes are told before anything is copied
    contents = season_contents(folder)
    with built_aside(target) as building:
        work = _Work(folder, contents, building, zipped, workers, progress)
        if sessions:
            made = building / "bags"
            made.mkdir(mode=0o755)
            made.chmod(0o755)
            bags = [replace(bag, path=out / bag.path.name) for bag in work.bags_of_sessions(season, made)]
        else:
            name = out.stem if zipped else target.name
            bag = work.bag_of_season(building / "bag", name)
            made, bags = bag.path, [replace(bag, path=out)]
        put_in_place(made, target)
    return ArchiveReport(bags=tuple(bags), left_out=contents.left_out, seconds=time.perf_counter() - began)


class _Work:
    """What all bags of one call share."""

    def __init__(
        self,
        folder: Path,
        contents: SeasonContents,
        building: Path,
        zipped: bool,
        workers: int,
        progress: Progress,
    ) -> None:
        self.folder, self.contents, self.building = folder, contents, building
        self.zipped, self.workers, self.progress = zipped, workers, progress
        self.versions = installed_versions(__version__)

    def bag_of_season(self, place: Path, name: str) -> BagMade:
        """One bag of everything."""
        writer = self._with_season(place, self.contents.files)
        analysed = self._analysed(place)
        self._fill(writer, analysed, analysed.season.sessions, whole=True, number=1, of=1)
        return self._packed(place, name, writer)

    def bags_of_sessions(self, season: Season, place: Path) -> Iterator[BagMade]:
        """A bag for each session."""
        whole = pipeline.analyse_season(self.folder, progress=self.progress)
        for number, session in enumerate(season.sessions, start=1):
            bag = self.building / "bag"
            writer, analysed = self._needed(whole, session, bag)
            own = tuple(s for s in analysed.season.sessions if s.id == session.id)
            self._fill(writer, analysed, own, whole=False, number=number, of=len(season.sessions))
            made = self._packed(bag, session.id, writer)
            kept = place / (session.id + (ZIP if self.zipped else ""))
            os.rename(made.path, kept)
            shutil.rmtree(bag, ignore_errors=True)
            yield replace(made, path=kept)

    def _needed(
        self, whole: pipeline.Analysed, session: Session, bag: Path
    ) -> tuple[BagWriter, pipeline.Analysed]:
        """The smallest part of the season that gives this session the same results; tried, not guessed.

        First the session alone, then with every session on its rig (their check standards may be behind its scatter),
        then the whole season.
        """
        sessions = whole.season.sessions
        on_rig = [other.id for other in sessions if other.rig.id == session.rig.id]
        for kept in ([session.id], on_rig, [other.id for other in sessions]):
            shutil.rmtree(bag, ignore_errors=True)
            writer = self._with_season(bag, part_of_season(self.contents.files, whole.season, kept))
            try:
                analysed = self._analysed(bag)
            except SeasonProblems:
                if len(kept) == len(sessions):
                    raise
                continue
            found = compare(whole.documents[session.id], analysed.documents[session.id])
            if not found.changes:
                return writer, analysed
        what = "has changed while it was being archived."
        raise SeasonProblems(
            [
                Problem(
                    file=f"{self.folder}/{session.id}",
                    what=what,
                    remedy="Leave it alone meanwhile, and try again.",
                )
            ]
        )

    def _with_season(self, place: Path, files: Sequence[SeasonFile]) -> BagWriter:
        place.mkdir()
        place.chmod(0o755)
        writer = BagWriter(place)
        for number, file in enumerate(files, start=1):
            self.progress("copying the season", number, len(files))
            writer.copy(f"{layout.SEASON}/{file.path}", file.file)
        return writer

    def _analysed(self, place: Path) -> pipeline.Analysed:
        """The copy, analysed. Problems are told of the files that the user knows."""
        copy = place / layout.SEASON
        try:
            return pipeline.analyse_season(copy, progress=self.progress)
        except SeasonProblems as found:
            raise SeasonProblems(
                [
                    *(_told_of(problem, copy, self.folder) for problem in found.problems),
                    *self._left_out_logs(),
                ]
            ) from None

    def _left_out_logs(self) -> list[Problem]:
        """What was left out of a session folder: why a log may be missing from the copy and not from the season."""
        return [
            Problem(file=f"{self.folder}/{left.path}", what=f"is left out of the archive: it {left.why}.",
                    remedy="If a run needs it, give it a plain name inside the session.", severity="warning")
            for left in self.contents.left_out if "/" in left.path
        ]  # fmt: skip

    def _fill(
        self,
        writer: BagWriter,
        analysed: pipeline.Analysed,
        sessions: tuple[Session, ...],
        *,
        whole: bool,
        number: int,
        of: int,
    ) -> None:
        """Everything in a bag that is made from the season in it."""
        copy = writer.folder / layout.SEASON
        only = None if whole else sessions[0].id
        pipeline.publish(
            analysed,
            copy,
            writer.folder / layout.SITE,
            workers=self.workers,
            progress=self.progress,
            only=only,
        )
        # without it the program refuses to build over the pages in an archive
        (writer.folder / layout.SITE / MARKER).unlink()
        writer.adopt(layout.SITE)
        for session in sessions:
            document = json.dumps(
                analysed.documents[session.id], ensure_ascii=False, indent=1, allow_nan=False
            )
            writer.write(layout.results_file(session.id), f"{document}\n".encode())
        for schema in sorted(pipeline.shipped("shared").glob("*.schema.json")):
            writer.copy(f"{layout.SCHEMAS}/{schema.name}", schema)
        writer.write(layout.VERSIONS, versions_text(self.versions))
        writer.write(layout.REQUIREMENTS, requirements_text(self.versions))
        archived = Archived(
            season=analysed.season,
            sessions=sessions,
            whole=whole,
            number=number,
            of=of,
            date=bag_date(analysed.season),
            version=__version__,
            versions=self.versions,
            simulated=frozenset(a.session_id for a in analysed.sessions if a.simulated),
            photos=any(
                path.startswith(f"{layout.SEASON}/") and Path(path).suffix.lower() in PHOTO_ENDINGS
                for path in writer.payload
            ),
        )
        writer.write(layout.CRATE, crate_document(archived, writer.payload))
        writer.finish(bag_info(archived, writer.size), readme(archived))
        self.date = archived.date

    def _packed(self, place: Path, name: str, writer: BagWriter) -> BagMade:
        """The bag as it is to be handed over; a zip file lies beside its folder."""
        made = BagMade(path=place, files=len(writer.payload), size=writer.size, sha256="")
        if not self.zipped:
            return made
        self.progress("packing", 0, 1)
        packed = place.with_suffix(ZIP)
        packed.unlink(missing_ok=True)
        write_zip(place, name, packed, self.date)
        with packed.open("rb") as stream:
            return replace(made, path=packed, sha256=sums_of(stream, ("sha256",)).by["sha256"])


def part_of_season(
    files: Sequence[SeasonFile], season: Season, kept: Sequence[str]
) -> tuple[SeasonFile, ...]:
    """The files that some sessions of a season need: no other session's folder, and no part or rig that none uses.

    kept  ids of the sessions
    """
    sessions = [session for session in season.sessions if session.id in kept]
    others = {session.id for session in season.sessions} - set(kept)
    used = {session.rig.id for session in sessions}
    parts = {craft.pack for craft in season.file.aircraft.values()}
    for session in sessions:
        for treatment in session.file.treatments.values():
            named = (
                treatment.motor,
                treatment.controller,
                treatment.propeller,
                treatment.supply,
                treatment.pack,
            )
            parts |= {part for part in named if part}

    def needed(path: str) -> bool:
        top, _, rest = path.partition("/")
        stem = rest.removesuffix(".yaml")
        if top in others:
            return False
        if top == "parts" and stem in season.parts:
            return stem in parts
        return not (top == "rigs" and stem in season.rigs) or stem in used

    return tuple(file for file in files if needed(file.path))


def _told_of(problem: Problem, copy: Path, folder: Path) -> Problem:
    """A problem of the copy as one of the season itself."""
    return replace(problem, file=problem.file.replace(str(copy), str(folder)))


__all__ = ["ArchiveReport", "BagMade", "OutputRefused", "archive"]
