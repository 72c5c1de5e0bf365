"""What `view` shows at the moment: the last good site, and what has been wrong since."""

from __future__ import annotations

import filecmp
import os
import shutil
import tempfile
import threading
import time
from collections.abc import Sequence
from pathlib import Path

from generator.intake.problems import Problem
from generator.publication import navigation


class ViewState:
    """The site on view and the problems of the season, shared between the builder and the server's threads.

    folder  where the last good site lies; only files whose bytes changed are ever written there
    A moment is a number that only grows, also from one start of the program to the next, so that a page that was
    left open knows whether it is old.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        folder.mkdir(parents=True, exist_ok=True)
        self._news = threading.Condition()
        self._moment = time.time_ns() // 1_000_000
        self._changed: dict[str, int] = {}  # path of a file -> moment of its last change
        self._all_changed = self._moment
        self._problems: tuple[Problem, ...] = ()
        self._closed = False

    @property
    def problems(self) -> tuple[Problem, ...]:
        """What is wrong now; nothing if the site on view is the season's."""
        return self._problems

    @property
    def moment(self) -> int:
        """Number of the present state."""
        return self._moment

    @property
    def has_site(self) -> bool:
        """Whether there has been a good site."""
        return (self.folder / navigation.FRONT).is_file()

    def show_site(self, built: Path) -> tuple[str, ...]:
        """Take over a site that was built elsewhere. Returns the paths that changed, came or went."""
        new = {file.relative_to(built).as_posix() for file in built.rglob("*") if file.is_file()}
        old = {file.relative_to(self.folder).as_posix() for file in self.folder.rglob("*") if file.is_file()}
        changed = sorted(
            path
            for path in new
            if path not in old or not filecmp.cmp(built / path, self.folder / path, shallow=False)
        )
        for path in changed:
            self._replace(built / path, self.folder / path)
        for path in old - new:
            (self.folder / path).unlink()
        touched = (*changed, *sorted(old - new))
        with self._news:
            self._moment += 1
            self._changed |= dict.fromkeys(touched, self._moment)
            # style and scripts are on all pages; problems were on all pages
            if self._problems or any(path.startswith(f"{navigation.ASSETS}/") for path in touched):
                self._all_changed = self._moment
            self._problems = ()
            self._news.notify_all()
        return touched

    def show_problems(self, problems: Sequence[Problem]) -> None:
        """Show what is wrong in place of every page; the last good site stays behind it."""
        with self._news:
            self._moment += 1
            self._all_changed = self._moment
            self._problems = tuple(problems)
            self._news.notify_all()

    def open(self) -> None:
        """Changes can be waited for, again."""
        with self._news:
            self._closed = False

    def close(self) -> None:
        """Nothing more will come."""
        with self._news:
            self._closed = True
            self._news.notify_all()

    def wait_for_change(self, path: str, since: int, timeout_s: float) -> bool | None:
        """Wait until a page is newer than `since`. False where time has run out, None where nothing more will come."""
        with self._news:
            self._news.wait_for(lambda: self._closed or self._last_change(path) > since, timeout_s)
            return None if self._closed else self._last_change(path) > since

    def _last_change(self, path: str) -> int:
        if path == navigation.OVERLAY:  # it loads data of every session
            return max([self._all_changed, *self._changed.values()])
        return max(self._all_changed, self._changed.get(path, 0))

    def _replace(self, source: Path, target: Path) -> None:
        """Whole or not at all, since a browser may be reading."""
        target.parent.mkdir(parents=True, exist_ok=True)
        handle, beside = tempfile.mkstemp(dir=target.parent, prefix=".view-")
        os.close(handle)
        shutil.copyfile(source, beside)
        os.replace(beside, target)
