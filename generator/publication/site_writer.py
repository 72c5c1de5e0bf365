"""Where the files of a site are written: each once, each accounted for."""

from __future__ import annotations

import errno
import os
import shutil
from pathlib import Path

import jinja2

from generator.intake.log_bytes import sha256_of
from generator.intake.problems import Problem, SeasonProblems
from generator.publication import sandbox
from generator.publication.marked_pages import Marks
from generator.publication.page_frame import Frame
from generator.publication.photos import Photo, PhotoRefused, published
from generator.publication.replacing import folder_within


def changed_log(shown: str) -> Problem:
    """That a log was written to between its analysis and its publication."""
    remedy = "Build again, and leave the logs alone meanwhile."
    return Problem(file=shown, what="is not the file that was analysed.", remedy=remedy)


class SiteWriter:
    """Writes into the folder that is being built, and keeps account. No path is written twice."""

    def __init__(self, folder: Path, templates: jinja2.Environment, marks: Marks) -> None:
        self.folder = folder
        self.templates = templates
        self.marks = marks
        self.written: dict[str, int] = {}
        self._taken: set[str] = set()  # many disks take A and a for the same name

    def _place(self, path: str, size: int) -> Path:
        if path.lower() in self._taken:
            what = f"Two things want the file {path} of the site, letters large and small counted alike."
            remedy = "Rename one of the runs, treatments or parts that it is named after."
            raise SeasonProblems([Problem(file=path, what=what, remedy=remedy)])
        self._taken.add(path.lower())
        self.written[path] = size
        place = self.folder / path
        folder_within(self.folder, place.parent)
        return place

    def check_complete(self) -> None:
        """Raises OSError where a written file is gone or cut: somebody cleared it away, or the disk lost it."""
        for path, size in self.written.items():
            place = self.folder / path
            if place.stat().st_size != size:
                raise OSError(errno.EIO, os.strerror(errno.EIO), str(place))

    def file(self, path: str, content: bytes) -> None:
        """Write bytes."""
        self._place(path, len(content)).write_bytes(content)

    def copy(self, path: str, source: Path) -> None:
        """Copy a file as it is."""
        shutil.copyfile(source, self._place(path, source.stat().st_size))

    def log(self, path: str, source: Path, sha256: str) -> None:
        """Copy a log. Raises SeasonProblems where it is not the one that was analysed."""
        place = self._place(path, source.stat().st_size)
        shutil.copyfile(source, place)
        if sha256_of(place) != sha256:
            raise SeasonProblems([changed_log(str(source))])

    def photo(self, path: str, photo: Photo) -> None:
        """Write a photo as it is published. Raises SeasonProblems where its file is not what its head says."""
        try:
            self.file(path, published(photo))
        except PhotoRefused as fault:
            problem = Problem(file=str(photo.file), what=fault.what, remedy=fault.remedy)
            raise SeasonProblems([problem]) from None

    def has_id(self, path: str, key: str) -> bool:
        """Whether a written page has a place of this id."""
        return path.endswith(".html") and f' id="{key}"' in (self.folder / path).read_text(encoding="utf-8")

    def page(self, template: str, frame: Frame, content: object) -> None:
        """Render one page and write it."""
        self.file(frame.path, self.rendered(template, frame, content))

    def rendered(self, template: str, frame: Frame, content: object) -> bytes:
        """A page, finished. Raises SeasonProblems where the season's own layout fails."""
        try:
            text = sandbox.render(self.templates, template, frame=frame, page=content)
        except sandbox.LayoutFails as fault:
            raise SeasonProblems([fault.problem]) from None
        html = self.marks.page(frame.path, text)
        if isinstance(self.templates, sandbox.Sandbox):
            html = sandbox.with_policy(html, sandbox.POLICY)
        return html.encode()
