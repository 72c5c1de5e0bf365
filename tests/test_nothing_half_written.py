"""A disk that is full, may not be written to, or goes away in the middle: the old site stays whole, and it is said.

Kills have tests of their own (`tests/publication/test_replacing.py`), and two hundred of them a benchmark
(`tests/benchmarks/kills.py`). The disks here are real where the system lets a test have one: a file-size limit
(setrlimit(2)), a small tmpfs, rights of folders with root's power to pass over them put down (capset(2)).
"""

from __future__ import annotations

import ctypes
import errno
import os
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from generator import archiving
from generator.cli import DONE, NOT_WRITTEN, PROBLEMS, main
from generator.publication import site as site_module
from tests.bags import without_charts
from tests.conftest import ROOT
from tests.seasons import write_season
from tests.unbroken import contents

linux = pytest.mark.skipif(not sys.platform.startswith("linux"), reason="calls of Linux")
posix = pytest.mark.skipif(sys.platform == "win32", reason="calls of POSIX")


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a season and its built site, charts empty; tests work on copies."""
    folder = tmp_path_factory.mktemp("whole")
    write_season(folder / "season")
    with pytest.MonkeyPatch.context() as patch:
        without_charts(patch)
        patch.setenv("WHIRLBOOK_CACHE", str(tmp_path_factory.mktemp("cache")))
        assert build(folder) == DONE
    return folder


@pytest.fixture
def place(whole: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The same, to be broken: `season`, changed since, and `site`."""
    without_charts(monkeypatch)
    shutil.copytree(whole, tmp_path / "place")
    (tmp_path / "place/season/q/conclusion.md").write_text("It matters after all.\n", encoding="utf-8")
    return tmp_path / "place"


def build(folder: Path) -> int:
    return main(["build", str(folder / "season"), "--out", str(folder / "site"), "--no-cache"])


def beside(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def in_the_middle(monkeypatch: pytest.MonkeyPatch, stage: str, done: Callable[[], None]) -> None:
    """Something happens once, just before a stage of writing the site."""
    real = getattr(site_module, stage)
    todo = [done]

    def first(*given: Any, **more: Any) -> Any:
        if todo:
            todo.pop()()
        return real(*given, **more)

    monkeypatch.setattr(site_module, stage, first)


def test_undisturbed_the_new_takes_its_place(place: Path, whole: Path) -> None:
    """Else the tests below would hold whatever happens."""
    assert build(place) == DONE
    assert contents(place / "site") != contents(whole / "site")


# --- full ---------------------------------------------------------------------------------------------------


@contextmanager
def files_at_most(most_bytes: int) -> Iterator[None]:
    """No file of this process may grow beyond so many bytes: a write then fails as on a full disk (EFBIG)."""
    import resource

    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (most_bytes, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)


@posix
@pytest.mark.parametrize("most_bytes", [0, 8_000, 60_000])
def test_no_room_for_a_file(
    place: Path, whole: Path, capsys: pytest.CaptureFixture[str], most_bytes: int
) -> None:
    sizes = [path.stat().st_size for path in (whole / "site").rglob("*") if path.is_file()]
    assert max(sizes) > most_bytes, "else there is room for everything"
    with files_at_most(most_bytes):
        code = build(place)
    assert code == NOT_WRITTEN
    told = capsys.readouterr().err
    assert os.strerror(errno.EFBIG) in told
    assert "Nothing was replaced" in told
    assert contents(place / "site") == contents(whole / "site")
    assert beside(place) == ["season", "site"]


BUILD = """
import sys
import time
import pytest
from tests.bags import without_charts
without_charts(pytest.MonkeyPatch())
from generator.cli import main
raise SystemExit(main(["build", *sys.argv[1:], "--no-cache"]))
"""
ON_A_SMALL_DISK = """
set -e
mount -t tmpfs -o size=$3k none "$2"
cp -a "$1/site" "$2/site"
set +e
"$4" -c "$5" "$1/season" --out "$2/site"
echo "code $?"
ls -A "$2"
"$4" -m tests.unbroken "$1/site" "$2/site"
"""


@linux
def test_a_disk_that_fills_up(place: Path, whole: Path, tmp_path: Path) -> None:
    """A tmpfs in a name space of its own, with room for the old site and a third of the new one."""
    if (
        shutil.which("unshare") is None
        or subprocess.run(["unshare", "-rm", "true"], capture_output=True).returncode
    ):
        pytest.skip("no name spaces to be had here")
    shutil.rmtree(place / "site")
    shutil.copytree(whole / "site", place / "site")
    blocks = sum(
        -(-path.stat().st_size // 4096) * 4 for path in (whole / "site").rglob("*") if path.is_file()
    )
    (tmp_path / "disk").mkdir()
    arguments = [str(place), str(tmp_path / "disk"), str(blocks * 4 // 3), sys.executable, BUILD]
    done = subprocess.run(
        ["unshare", "-rm", "sh", "-c", ON_A_SMALL_DISK, "sh", *arguments],
        cwd=ROOT,
        capture_output=True,
        text=True,
    )
    if "mount" in done.stderr and "code" not in done.stdout:
        pytest.skip(f"no disk to be had here: {done.stderr.strip()}")
    assert done.stdout.splitlines() == [f"code {NOT_WRITTEN}", "site", "the same"], done.stderr
    assert "No space left on device" in done.stderr
    assert "Nothing was replaced" in done.stderr


# --- read only ----------------------------------------------------------------------------------------------

_CAPABILITY_VERSION_3 = 0x20080522  # linux/capability.h
_PASS_OVER_RIGHTS = (1 << 1) | (1 << 2)  # CAP_DAC_OVERRIDE, CAP_DAC_READ_SEARCH


@contextmanager
def rights_hold() -> Iterator[None]:
    """Rights of files hold for this thread even where it is root's."""
    if os.geteuid() != 0:
        yield
        return
    libc = ctypes.CDLL(None, use_errno=True)
    head = (ctypes.c_uint32 * 2)(_CAPABILITY_VERSION_3, 0)
    kept, fewer = (ctypes.c_uint32 * 6)(), (ctypes.c_uint32 * 6)()
    if libc.capget(head, kept) != 0:
        pytest.skip("capabilities cannot be asked for")
    fewer[:] = kept[:]
    fewer[0] = kept[0] & ~_PASS_OVER_RIGHTS
    if libc.capset(head, fewer) != 0:
        pytest.skip("capabilities cannot be put down")
    try:
        yield
    finally:
        libc.capset(head, kept)


@linux
def test_a_folder_that_may_not_be_written_to(
    place: Path, whole: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    place.chmod(0o555)
    try:
        with rights_hold():
            code = build(place)
    finally:
        place.chmod(0o755)
    assert code == NOT_WRITTEN
    told = capsys.readouterr().err
    assert os.strerror(errno.EACCES) in told
    assert "Nothing was replaced" in told
    assert contents(place / "site") == contents(whole / "site")
    assert beside(place) == ["season", "site"]


@linux
def test_an_old_site_set_to_read_only_leaves_nothing_behind(place: Path, whole: Path) -> None:
    """Whoever protects a site from slips still gets the new one, and no second copy in a hidden folder."""
    folders = [place / "site", *(path for path in (place / "site").rglob("*") if path.is_dir())]
    for folder in folders:
        folder.chmod(0o555)
    with rights_hold():
        assert build(place) == DONE
    assert contents(place / "site") != contents(whole / "site")
    assert beside(place) == ["season", "site"]


# --- gone ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("stage", ["_write_sessions", "_write_assets", "_check_links"])
def test_what_was_written_vanishes(
    place: Path, whole: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], stage: str
) -> None:
    """Somebody clears away the new site's folder while it is written: half a site must not take the old one's place."""

    def vanish() -> None:
        (building,) = (path for path in place.glob(".site.building-*") if path.is_dir())
        shutil.rmtree(building)

    in_the_middle(monkeypatch, stage, vanish)
    assert build(place) == NOT_WRITTEN
    assert "Nothing was replaced" in capsys.readouterr().err
    assert contents(place / "site") == contents(whole / "site")
    assert beside(place) == ["season", "site"]


def test_one_file_vanishes(
    place: Path, whole: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def vanish() -> None:
        (building,) = (path for path in place.glob(".site.building-*") if path.is_dir())
        (building / "sessions/q/results.json").unlink()

    in_the_middle(monkeypatch, "_check_links", vanish)
    assert build(place) == NOT_WRITTEN
    assert "results.json" in capsys.readouterr().err
    assert contents(place / "site") == contents(whole / "site")


def test_the_whole_disk_goes_away(
    place: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The folder that the site lies in is gone: nothing is written where it was, say onto another disk below it."""
    disk = place / "disk"
    disk.mkdir()
    shutil.move(place / "site", disk / "site")
    in_the_middle(monkeypatch, "_write_assets", lambda: shutil.rmtree(disk))
    assert main(["build", str(place / "season"), "--out", str(disk / "site"), "--no-cache"]) == NOT_WRITTEN
    assert "Nothing was replaced" in capsys.readouterr().err
    assert beside(place) == ["season"]


def test_the_season_goes_away(
    place: Path, whole: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    in_the_middle(monkeypatch, "_write_season_pages", lambda: shutil.rmtree(place / "season"))
    assert build(place) in (PROBLEMS, NOT_WRITTEN)
    assert "season" in capsys.readouterr().err
    assert contents(place / "site") == contents(whole / "site")
    assert beside(place) == ["site"]


def test_a_log_goes_away(
    place: Path, whole: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    in_the_middle(monkeypatch, "_write_season_pages", (place / "season/q/logs/03.csv").unlink)
    assert build(place) in (PROBLEMS, NOT_WRITTEN)
    assert "03.csv" in capsys.readouterr().err
    assert contents(place / "site") == contents(whole / "site")
    assert beside(place) == ["season", "site"]


def test_a_log_that_changes_while_pages_are_written(
    place: Path, whole: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The log on the site is the one that was analysed, or there is no new site."""
    log = place / "season/q/logs/03.csv"
    in_the_middle(
        monkeypatch, "_write_season_pages", lambda: log.write_text(log.read_text().replace("16.", "15."))
    )
    assert build(place) in (PROBLEMS, NOT_WRITTEN)
    assert "03.csv" in capsys.readouterr().err
    assert contents(place / "site") == contents(whole / "site")


def test_a_bag_vanishes(
    place: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    real = archiving.crate_document

    def vanish(*given: Any, **more: Any) -> Any:
        (building,) = place.glob(".kept.building-*")
        shutil.rmtree(building)
        return real(*given, **more)

    monkeypatch.setattr(archiving, "crate_document", vanish)
    assert main(["archive", str(place / "season"), "--out", str(place / "kept")]) == NOT_WRITTEN
    assert capsys.readouterr().err
    assert beside(place) == ["season", "site"]


@posix
def test_the_folder_one_stands_in_is_gone(
    place: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "gone").mkdir()
    monkeypatch.chdir(tmp_path / "gone")
    (tmp_path / "gone").rmdir()
    assert main(["build", "season", "--out", "site", "--no-cache"]) in (PROBLEMS, NOT_WRITTEN)
    assert capsys.readouterr().err


WORK_WITH_OTHERS = """
import os, time
from generator.executors import Processes

if __name__ == "__main__":
    workers = Processes(2)
    print(*sorted(set(workers.map(os.getpid, [()] * 20))), flush=True)
    time.sleep(60)
"""


@pytest.mark.skipif(not Path("/proc").is_dir(), reason="looks processes up in /proc")
def test_workers_end_with_the_process_that_was_killed(tmp_path: Path) -> None:
    (tmp_path / "work.py").write_text(WORK_WITH_OTHERS, encoding="utf-8")
    where = {**os.environ, "PYTHONPATH": str(ROOT)}
    with subprocess.Popen(
        [sys.executable, "work.py"], cwd=tmp_path, env=where, stdout=subprocess.PIPE, text=True
    ) as main:
        assert main.stdout is not None
        workers = main.stdout.readline().split()
        assert workers
        assert all(Path("/proc", worker).is_dir() for worker in workers)
        main.kill()
        until = time.monotonic() + 20.0
        while any(Path("/proc", worker).is_dir() for worker in workers) and time.monotonic() < until:
            time.sleep(0.1)
        # one that has ended may stay listed until its new parent has asked for it
        left = [w for w in workers if Path("/proc", w).is_dir() and "Z" not in _state(w)]
        assert not left


def _state(process: str) -> str:
    try:
        return Path("/proc", process, "stat").read_text(encoding="utf-8").rpartition(")")[2].split()[0]
    except OSError:
        return "Z"
