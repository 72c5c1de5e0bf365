"""One complete folder stands at the target whatever happens: errors, kills at random moments, two at once."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from generator.publication import replacing
from generator.publication.replacing import replacement
from tests.conftest import ROOT

COUNT = 40


def fill(folder: Path, mark: str) -> None:
    for number in range(COUNT):
        (folder / f"{number}.txt").write_text(mark, encoding="utf-8")


def marks_of(folder: Path) -> list[str]:
    files = sorted(folder.iterdir())
    return [file.read_text(encoding="utf-8") for file in files]


def left_beside(target: Path) -> list[str]:
    return sorted(file.name for file in target.parent.iterdir() if file != target)


@pytest.mark.parametrize("exchanging", [True, False])
def test_the_new_takes_the_place_of_the_old(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, exchanging: bool
) -> None:
    if not exchanging:
        monkeypatch.setattr(replacing, "_exchanged", lambda one, other: False)
    target = tmp_path / "site"
    for mark in ("first", "second"):
        with replacement(target) as folder:
            fill(folder, mark)
        assert set(marks_of(target)) == {mark}
        assert left_beside(target) == []


@pytest.mark.parametrize("exchanging", [True, False])
def test_the_old_stays_where_the_new_fails(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, exchanging: bool
) -> None:
    target = tmp_path / "site"
    with replacement(target) as folder:
        fill(folder, "old")
    if not exchanging:
        monkeypatch.setattr(replacing, "_exchanged", lambda one, other: False)

    def failing() -> None:
        with replacement(target) as folder:
            fill(folder, "new")
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        failing()
    assert set(marks_of(target)) == {"old"}
    assert left_beside(target) == []


def test_what_lost_its_place_is_put_back(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A cut between the two renames, where the system cannot exchange folders."""
    target = tmp_path / "site"
    with replacement(target) as folder:
        fill(folder, "old")
    os.rename(target, tmp_path / ".site.old-abc")
    (tmp_path / ".site.building-abc").mkdir()
    (tmp_path / ".site.building-abc.lock").touch()

    def failing() -> None:
        with replacement(target):
            assert set(marks_of(target)) == {"old"}, "back before anything is done"
            raise ValueError("no")

    with pytest.raises(ValueError, match="no"):
        failing()
    assert set(marks_of(target)) == {"old"}
    assert left_beside(target) == []


def test_somebody_elses_work_is_left_alone(tmp_path: Path) -> None:
    target = tmp_path / "site"
    with replacement(target) as one:
        fill(one, "one")
        with replacement(target) as other:
            assert one.is_dir()
            fill(other, "other")
        assert set(marks_of(target)) == {"other"}
        assert one.is_dir()
    assert set(marks_of(target)) == {"one"}
    assert left_beside(target) == []


PROGRAM = """
import sys
from pathlib import Path
from generator.publication.replacing import replacement
from tests.publication.test_replacing import fill
print("ready", flush=True)
for number in range(10_000):
    with replacement(Path(sys.argv[1])) as folder:
        fill(folder, str(number))
"""


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="one step only on Linux")
def test_killed_at_random_moments_there_is_always_one_whole_folder(tmp_path: Path) -> None:
    target = tmp_path / "site"
    chance = random.Random(20310504)
    with replacement(target) as folder:
        fill(folder, "start")
    for _ in range(12):
        started = subprocess.Popen(
            [sys.executable, "-c", PROGRAM, str(target)], cwd=ROOT, stdout=subprocess.PIPE, text=True
        )
        assert started.stdout is not None
        assert started.stdout.readline() == "ready\n"
        for _ in range(20):  # while it works: never half, never gone
            assert target.is_dir()
            time.sleep(chance.uniform(0.0, 0.004))
        started.send_signal(signal.SIGKILL)
        started.wait()
        started.stdout.close()
        found = marks_of(target)
        assert len(found) == COUNT
        assert len(set(found)) == 1
    with replacement(target) as folder:
        fill(folder, "end")
    assert set(marks_of(target)) == {"end"}
    assert left_beside(target) == [], "what the killed left is cleared away"
