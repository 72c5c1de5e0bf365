"""Sessions made in other processes are made the same, byte for byte."""

from __future__ import annotations

import shutil
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from generator import build, pipeline
from generator.memory import Memory
from generator.store import Store
from tests.seasons import write_season


def _contents(folder: Path) -> dict[str, bytes]:
    return {str(f.relative_to(folder)): f.read_bytes() for f in folder.rglob("*") if f.is_file()}


@pytest.fixture
def season(tmp_path: Path) -> Path:
    folder = write_season(tmp_path / "season")
    for copy in ("q2", "q3"):
        shutil.copytree(folder / "q", folder / copy)
    return folder


def test_sessions_spread_over_processes_give_the_same_site(
    season: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(pipeline, "RUNS_WORTH_WORKERS", 1)
    told: list[tuple[str, int, int]] = []
    memory = Memory(Store(tmp_path / "cache"), "this program")

    pipeline.build(season, tmp_path / "alone")
    pipeline.build(
        season, tmp_path / "spread", workers=2, memory=memory, progress=lambda *step: told.append(step)
    )

    assert _contents(tmp_path / "spread") == _contents(tmp_path / "alone")
    assert [step for step in told if step[0] == "drawing sessions"] == [
        ("drawing sessions", done, 3) for done in (1, 2, 3)
    ]
    # what the other processes drew is on disk, and one edit later nothing of it is drawn again
    again = Memory(Store(tmp_path / "cache"), "this program")
    (season / "q2" / "conclusion.md").write_text("Another word.\n", encoding="utf-8")
    pipeline.build(season, tmp_path / "again", workers=2, memory=again)
    assert (again.sessions.made, again.pictures.made, again.runs.made) == (0, 0, 0)


def test_any_executor_gives_the_same_site(season: Path, tmp_path: Path) -> None:
    with ThreadPoolExecutor(3) as threads:
        build(season, tmp_path / "threads", executor=threads)
        assert threads.submit(int).result() == 0, "whoever made it ends it"
    build(season, tmp_path / "alone")
    assert _contents(tmp_path / "threads") == _contents(tmp_path / "alone")
