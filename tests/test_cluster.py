"""The same bytes from a Dask cluster as from one machine, whatever happens to its workers."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from generator import cluster as module
from generator import pipeline
from generator.cli import main
from generator.cluster import cluster, unfit, wanted
from generator.commands.exit_codes import NOT_WRITTEN
from generator.executors import HERE, NoWorkers
from generator.intake.problems import SeasonProblems
from tests.clusters import LocalCluster, local_cluster
from tests.seasons import log_text, write_season

# Dask warns of what its own event loop met while a worker died
pytestmark = [
    pytest.mark.filterwarnings("ignore::ResourceWarning"),
    pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning"),
]
needs_dask = pytest.importorskip("distributed", reason="needs distributed: pip install 'whirlbook[cluster]'")


def contents(folder: Path) -> dict[str, bytes]:
    """Relative path -> bytes of every file."""
    return {str(f.relative_to(folder)): f.read_bytes() for f in folder.rglob("*") if f.is_file()}


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three sessions on one rig, and what its site is when made here."""
    folder = write_season(tmp_path_factory.mktemp("cluster") / "season")
    for copy in ("q2", "q3"):
        shutil.copytree(folder / "q", folder / copy)
    pipeline.build(folder, folder.parent / "alone")
    return folder


@pytest.fixture(scope="module")
def there(tmp_path_factory: pytest.TempPathFactory) -> Iterator[LocalCluster]:
    with local_cluster(tmp_path_factory.mktemp("dask")) as made:
        yield made


# In this order: each leaves the cluster with less than it had.


def test_a_worker_killed_in_the_middle_changes_nothing(
    season: Path, there: LocalCluster, tmp_path: Path
) -> None:
    killed: list[str] = []

    def kill(what: str, done: int, total: int) -> None:
        if what == "drawing sessions" and not killed:
            killed.append(what)
            there.workers[0].kill()

    with cluster(there.address, season) as workers:
        assert workers.count == 2
        pipeline.build(season, tmp_path / "site", workers=workers, progress=kill)
    assert killed
    assert there.workers[0].wait(10) != 0
    assert contents(tmp_path / "site") == contents(season.parent / "alone")


def test_problems_of_logs_are_told_as_on_one_machine(
    season: Path, there: LocalCluster, tmp_path: Path
) -> None:
    broken = tmp_path / "season"
    shutil.copytree(season, broken)
    (broken / "q" / "logs" / "01.csv").write_text("nothing\n", encoding="utf-8")
    (broken / "q3" / "logs" / "02.csv").write_text(log_text().replace("2.5", "two"), encoding="utf-8")
    told = []
    with cluster(there.address, broken) as others:
        for workers in (HERE, others):
            with pytest.raises(SeasonProblems) as found:
                pipeline.analyse_season(broken, workers=workers)
            told.append(found.value.problems)
    assert told[0]
    assert told[0] == told[1]


def test_a_worker_with_another_program_is_refused(
    season: Path, there: LocalCluster, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    known = {**module._versions(), "numpy": "1.0"}
    with monkeypatch.context() as patch:
        patch.setattr(module, "_versions", lambda: known)
        patch.setattr(module, "_program", lambda: "another")
        with cluster(there.address, season) as workers, pytest.raises(NoWorkers) as told:
            pipeline.build(season, tmp_path / "site", workers=workers)
    assert "and not 1.0. Install the same there as here." in str(told.value)
    assert not (tmp_path / "site").exists()


def test_when_all_are_gone_the_old_site_stays(
    season: Path, there: LocalCluster, tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    monkeypatch.setattr(module, "LEFT_WITHIN_S", 0.5)
    shutil.copytree(season.parent / "alone", tmp_path / "site")

    def kill(what: str, done: int, total: int) -> None:
        for worker in there.workers:
            worker.kill()

    with cluster(there.address, season) as workers, pytest.raises(NoWorkers, match="No worker is left at"):
        pipeline.build(season, tmp_path / "site", workers=workers, progress=kill)
    assert contents(tmp_path / "site") == contents(season.parent / "alone")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["site"]

    command = ["build", str(season), "--out", str(tmp_path / "site"), "--scheduler", there.address, "--anew"]
    assert main(command) == NOT_WRITTEN
    assert "has no workers. Start some" in capsys.readouterr().err
    there.scheduler.kill()
    there.scheduler.wait()
    monkeypatch.setattr(module, "REACHED_WITHIN_S", 0.5)
    assert main(command) == NOT_WRITTEN
    said = " ".join(capsys.readouterr().err.split())
    assert f"No Dask scheduler answers at {there.address}" in said
    assert "Traceback" not in said
    assert contents(tmp_path / "site") == contents(season.parent / "alone")


def test_a_worker_says_what_it_lacks(season: Path, tmp_path: Path) -> None:
    need = wanted(season)
    assert unfit(need) == ""
    moved = tmp_path / "season"
    shutil.copytree(season, moved)
    elsewhere = wanted(moved)
    shutil.rmtree(moved)
    assert "must lie under this path there too" in unfit(elsewhere)
    moved.mkdir()
    (moved / "season.yaml").write_text("title: Other\n", encoding="utf-8")
    assert "has another season in" in unfit(elsewhere)


def test_without_dask_the_command_says_what_to_install(
    season: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setitem(__import__("sys").modules, "distributed", None)
    out = tmp_path / "site"
    assert main(["build", str(season), "--out", str(out), "--scheduler", "127.0.0.1:1"]) == NOT_WRITTEN
    assert "pip install 'whirlbook[cluster]'" in " ".join(capsys.readouterr().err.split())
    assert not out.exists()
