"""How long the analysis of a session of 24 logs takes, from the files on disk to the results, without any page."""

from __future__ import annotations

import shutil
import tempfile
import time
from pathlib import Path

from generator.pipeline import analyse_season, rehearse
from tests.conftest import DEMO

SESSION = "cell-count-capped"
LOGS = 24


def seconds_per_session(repeats: int = 3) -> tuple[float, int]:
    """Least time of some analyses of one session of 24 simulated logs [s], and the rows that were read."""
    with tempfile.TemporaryDirectory() as folder:
        season = _season(Path(folder))
        list(rehearse(season / SESSION, seed=None, force=True))
        taken = []
        for _ in range(repeats):
            started = time.perf_counter()
            analysed = analyse_season(season)
            taken.append(time.perf_counter() - started)
    runs = analysed.sessions[0].runs
    assert len(runs) == LOGS
    return min(taken), sum(run.rows for run in runs)


def _season(folder: Path) -> Path:
    """A demo session with repeats added to make 24 runs, and what it refers to."""
    for name in ("parts", "rigs"):
        shutil.copytree(DEMO / name, folder / name)
    shutil.copy(DEMO / "season.yaml", folder)
    (folder / SESSION).mkdir()
    for name in ("rehearsal.yaml", "conclusion.md"):
        shutil.copy(DEMO / SESSION / name, folder / SESSION)
    text = (DEMO / SESSION / "session.yaml").read_text(encoding="utf-8")
    before, rest = text.split("\nclaims:", 1)
    missing = LOGS - before.count("procedure: ")
    added = [
        f"  - {{log: logs/{LOGS - missing + place + 1}-more.csv, procedure: hold, treatment: {treatment},"
        f" repeat: {5 + place // 2}, block: {20 + place // 2}}}"
        for place, treatment in zip(range(missing), ("four-cell", "five-cell") * LOGS, strict=False)
    ]
    changed = "\n".join((before, *added)) + "\nclaims:" + rest
    (folder / SESSION / "session.yaml").write_text(changed, encoding="utf-8")
    return folder
