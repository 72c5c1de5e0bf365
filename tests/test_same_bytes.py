"""The same inputs give the same bytes, wherever, whenever and by however many they are built.

`python -m tests.same_bytes` does the same with the whole demo season and a Dask cluster; `test_cluster.py` has a small
one.
"""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from tests.conftest import DEMO
from tests.same_bytes import FIRST, OTHERS, Circumstances, built, unlike

# Session of the demo season -> its runs that are kept, by the number their log begins with.
KEPT = {"cell-count-capped": ("01", "02", "09", "15"), "pitch-sweep": ("01", "02")}


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two sessions of few runs: holds, staircases, a spin-up, a soak."""
    folder = tmp_path_factory.mktemp("same") / "season"
    shutil.copytree(DEMO, folder, ignore=shutil.ignore_patterns("logs"))
    for other in folder.glob("*/session.yaml"):
        if other.parent.name not in KEPT:
            shutil.rmtree(other.parent)
    for name, kept in KEPT.items():
        file = folder / name / "session.yaml"
        (folder / name / "logs").mkdir()
        lines = file.read_text(encoding="utf-8").splitlines(keepends=True)
        ours = [f"log: logs/{number}-" for number in kept]
        named = [line for line in lines if "- {log: logs/" not in line or any(one in line for one in ours)]
        file.write_text("".join(named), encoding="utf-8")
        for log in (DEMO / name / "logs").iterdir():
            if log.name.startswith(tuple(f"{number}-" for number in kept)):
                shutil.copy(log, folder / name / "logs")
        (folder / name / "conclusion.md").write_text("Few runs, to build it often.\n", encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def first(season: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    found = built(season, tmp_path_factory.mktemp("first"), FIRST)
    assert sum(path.endswith(".vl.json") for path in found) > 20
    return found


HERE = [how for how in OTHERS if how.workers != "dask"]


@pytest.mark.parametrize("how", HERE, ids=lambda how: f"workers {how.workers}")
def test_circumstances_change_no_byte(
    season: Path, first: dict[str, str], how: Circumstances, tmp_path: Path
) -> None:
    assert unlike(first, built(season, tmp_path, how)) == []


def test_a_byte_that_differs_is_found() -> None:
    assert unlike({"a": "1", "b": "2"}, {"a": "1", "b": "3", "c": "4"}) == ["b", "c"]
