"""`view`: builds a season, serves it to this machine, and follows the changes of its files."""

from __future__ import annotations

import datetime
import hashlib
import shutil
import tempfile
import threading
import time
import webbrowser
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager, nullcontext
from pathlib import Path

from generator import pipeline
from generator.evidence.wording import counted
from generator.intake.places import season_fault
from generator.intake.problems import Problem, SeasonProblems, WhirlbookError
from generator.intake.waiting import waiting
from generator.memory import Memory
from generator.progress import Progress, quiet
from generator.publication.view_server import ViewServer
from generator.publication.view_state import ViewState

GATHER_MS = 300  # an editor that saves touches a file several times
LEFTOVERS = ("~", ".swp", ".swx", ".tmp", ".bak")


class Viewing:
    """A season on view: `refresh` builds what has changed and shows it.

    folder   the season
    scratch  a folder for our own use
    state    what is shown
    """

    def __init__(self, folder: Path, scratch: Path) -> None:
        self.folder = folder
        self.state = ViewState(scratch / "site")
        self.memory = Memory()
        self._building = scratch / "building"
        self._seen: str | None = None
        self._sums: dict[Path, tuple[tuple[int, int], bytes]] = {}

    def refresh(self, *, workers: int = 1, progress: Progress = quiet) -> str | None:
        """Build and show the season as it is now. Returns one line, or None where nothing has changed."""
        content = self._content()
        if content == self._seen:
            return None
        self._seen = content
        began = time.perf_counter()
        runs, pictures = self.memory.runs.made, self.memory.pictures.made
        try:
            pipeline.build(
                self.folder, self._building, workers=workers, progress=progress, memory=self.memory
            )
        except SeasonProblems as found:
            return self._broken(found.problems)
        except WhirlbookError as error:
            return self._broken([Problem(file=str(self.folder), what=str(error), remedy="Mend it.")])
        except OSError as error:  # a file that went away while it was read
            what = f"cannot be read: {error.strerror or error}."
            return self._broken(
                [Problem(file=str(error.filename or self.folder), what=what, remedy="Save again.")]
            )
        touched = self.state.show_site(self._building)
        waits = [Path(told.file).parent.name for told in waiting(self.folder, str(self.folder))]
        left = f"; left out, still to be measured: {', '.join(waits)}" if waits else ""
        seconds = time.perf_counter() - began
        return (
            f"built in {seconds:.1f} s: {counted(self.memory.runs.made - runs, 'run')} reduced, "
            f"{counted(self.memory.pictures.made - pictures, 'figure')} drawn, "
            f"{counted(len(touched), 'file')} changed{left}"
        )

    def _broken(self, problems: list[Problem] | tuple[Problem, ...]) -> str:
        self.state.show_problems(problems)
        kept = "; the last good site is kept" if self.state.has_site else ""
        return f"{counted(len(problems), 'problem')}, shown on the page{kept}"

    def _content(self) -> str:
        """One name for everything the season's files say. A file is read anew only where its size or time changed."""
        whole = hashlib.sha256()
        files = (file for file in self.folder.rglob("*") if file.is_file() and followed(file, self.folder))
        sums: dict[Path, tuple[tuple[int, int], bytes]] = {}
        for file in sorted(files):
            try:
                about = file.stat()
                stamp = (about.st_size, about.st_mtime_ns)
                known = self._sums.get(file)
                if known is None or known[0] != stamp:
                    with file.open("rb") as stream:
                        known = (stamp, hashlib.file_digest(stream, "sha256").digest())
            except OSError:
                continue
            sums[file] = known
            whole.update(str(file).encode(errors="surrogateescape") + b"\0" + known[1])
        self._sums = sums
        return whole.hexdigest()


def followed(file: Path, season: Path) -> bool:
    """Whether a file can matter: not hidden, and not what an editor leaves beside the file it saves."""
    try:
        parts = file.relative_to(season).parts
    except ValueError:
        return False
    return not any(part.startswith((".", "#")) for part in parts) and not file.name.endswith(LEFTOVERS)


@contextmanager
def served(viewing: Viewing, port: int = 0) -> Iterator[ViewServer]:
    """The season on view, served in a thread of its own until the end of the block."""
    server = ViewServer(viewing.state, port)
    viewing.state.open()
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.1}, daemon=True)
    thread.start()
    try:
        yield server
    finally:
        viewing.state.close()
        server.shutdown()
        thread.join()
        server.server_close()


def view(
    folder: Path,
    *,
    port: int = 0,
    open_browser: bool = False,
    workers: int = 1,
    tell: Callable[[str], None] = print,
    bars: Callable[[], AbstractContextManager[Progress]] = lambda: nullcontext(quiet),
    stop: threading.Event | None = None,
) -> None:
    """Serve a season to this machine and follow its changes, until interrupted.

    port          0 for any that is free
    open_browser  open the page once it is there
    workers       processes that draw the first time
    tell          is given one line for the address and one for each build
    bars          gives, for each build, what is told how far it is
    stop          ends it when set
    Raises        SeasonProblems where there is no such folder, OutputRefused where the port is taken
    """
    from watchfiles import watch

    fault = season_fault(folder)
    if fault is not None:
        raise SeasonProblems([fault])
    folder = folder.resolve() if folder.is_symlink() else folder
    scratch = Path(tempfile.mkdtemp(prefix="whirlbook-view-"))
    try:
        viewing = Viewing(folder, scratch)
        with served(viewing, port) as server:
            with bars() as progress:
                line = viewing.refresh(workers=workers, progress=progress)
            tell(_stamped(line))
            tell(f"{server.address}  for this machine only; stop with Ctrl-C")
            if open_browser:
                webbrowser.open(server.address)
            root = folder.resolve()
            for _ in watch(
                folder,
                watch_filter=lambda _, name: followed(Path(name).resolve(), root),
                debounce=GATHER_MS * 4,
                step=GATHER_MS,
                stop_event=stop,
            ):
                with bars() as progress:
                    line = viewing.refresh(progress=progress)
                if line is not None:
                    tell(_stamped(line))
    except KeyboardInterrupt:  # how it is meant to end
        return
    finally:
        shutil.rmtree(scratch, ignore_errors=True)


def _stamped(line: str | None) -> str:
    return f"{datetime.datetime.now():%H:%M:%S} {line or 'nothing has changed'}"
