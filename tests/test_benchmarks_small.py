"""The instruments of the benchmarks measure what they say: small parts of `tests/benchmarks`, quick."""

from __future__ import annotations

import ast
import json
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.benchmarks import speed_notebooks, speed_page
from tests.benchmarks.speed_page import Measured
from tests.benchmarks.speed_season import write_short_season
from tests.conftest import DEMO, ROOT
from tests.unbroken import contents, version_of

# A child that leaves a child of its own behind, which works for a third of a second.
ORPHAN = """
import sys, time
until = time.process_time() + 0.33
while time.process_time() < until:
    pass
"""
LEAVES_IT = "import subprocess, sys; subprocess.Popen([sys.executable, '-c', sys.argv[1]])"
MEASURES = """
import json, os, sys
from dataclasses import asdict
from pathlib import Path
from tests.benchmarks.speed_process import run
print(json.dumps(asdict(run(sys.argv[1:], cwd=Path.cwd(), env=os.environ))))
"""


def measured(*command: str) -> dict[str, float]:
    """Measured in a process of its own, since the measuring one takes in whatever child ends."""
    done = subprocess.run(
        [sys.executable, "-c", MEASURES, *command], cwd=ROOT, capture_output=True, text=True, check=True
    )
    return dict(json.loads(done.stdout))


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="orphans are taken in on Linux only")
def test_processor_time_of_processes_left_behind_counts() -> None:
    used = measured(sys.executable, "-c", LEAVES_IT, ORPHAN)
    assert used["code"] == 0
    assert used["processor"] > 0.33


def test_a_ratio_is_judged_by_the_time_asked_for() -> None:
    ratio = {"part": "a", "what": "x", "unit": "x", "value": 1.3, "processor": 1.1, "limit": 1.2}
    assert Measured(**ratio).verdict == "MISSED"
    assert Measured(**ratio, busy=True).verdict == "met"
    assert Measured(**{**ratio, "limit": 5.0}, least=True).verdict == "MISSED"
    assert Measured(**{**ratio, "limit": None}).verdict == ""
    assert "1.1 x | ≤ 1.2 x | MISSED" in speed_page.as_markdown([Measured(**ratio)], "a machine")


def test_any_difference_between_two_folders_is_seen(tmp_path: Path) -> None:
    (tmp_path / "A/empty").mkdir(parents=True)
    (tmp_path / "A/page.html").write_text("one")
    holds = {"A": contents(tmp_path / "A")}
    for name, change in (
        ("other", lambda folder: (folder / "page.html").write_text("two")),
        ("less", lambda folder: (folder / "page.html").unlink()),
        ("more", lambda folder: (folder / "more.html").touch()),
        ("folder", lambda folder: (folder / "empty").rmdir()),
    ):
        shutil.copytree(tmp_path / "A", tmp_path / name)
        assert version_of(tmp_path / name, holds) == "A"
        change(tmp_path / name)
        assert version_of(tmp_path / name, holds) is None


def test_cells_of_a_notebook_hold_together() -> None:
    """Every call that a figure or a table asks for is a function of the cells."""
    cells = speed_notebooks._opening()
    functions = {node.name for cell in cells for node in ast.walk(ast.parse(cell)) if hasattr(node, "name")}
    asked = (*speed_notebooks.FIGURES, *speed_notebooks.TABLES, *speed_notebooks.RUN_TABLES)
    called = {re.match(r"\w+", call).group() for _, call in asked}  # type: ignore[union-attr]
    assert called <= functions


def test_what_a_notebook_cannot_make_is_an_error() -> None:
    assert speed_notebooks._figure_call("energy-9000rpm") == "energy(9000)"
    with pytest.raises(speed_notebooks.Unknown, match="FIGURES"):
        speed_notebooks._figure_call("something-new")


def test_numbers_too_far_apart_are_an_error(tmp_path: Path) -> None:
    ours = {"response": "thrust", "treatment": "a", "at": {"speed_rpm": 9000.0}, "value": 100.0}
    (tmp_path / "results.json").write_text(json.dumps({"responses": [ours]}))
    for value, fits in ((101.9, True), (102.1, False), (float("nan"), False)):
        (tmp_path / "means.json").write_text(json.dumps([["thrust", "9000 rpm", "a", value]]))
        if fits:
            assert speed_notebooks.check_numbers(tmp_path / "means.json", tmp_path / "results.json") == 1
        else:
            with pytest.raises(SystemExit, match="ours is 100"):
                speed_notebooks.check_numbers(tmp_path / "means.json", tmp_path / "results.json")


def test_logs_of_short_sessions_all_differ(tmp_path: Path) -> None:
    """Else a build could pass over what it has met before, and growth would look flatter than it is."""
    season = write_short_season(tmp_path / "season", 3)
    logs = [file.read_bytes() for file in season.glob("*/logs/*.csv")]
    assert len(logs) == len(set(logs)) == 12


def test_captions_are_read_as_people_see_them(tmp_path: Path) -> None:
    page = tmp_path / "page.html"
    page.write_text("<table><caption>At <b>9\u202f000\u00a0rpm</b></caption></table><table></table>", "utf-8")
    assert speed_notebooks.captions(page) == ["At 9000 rpm", ""]


def test_the_demo_has_what_the_seasons_are_made_of() -> None:
    from tests.benchmarks.speed_season import KINDS, LOGS

    for session, runs in KINDS.items():
        named = [file.name[:2] for file in (DEMO / session / "logs").iterdir()]
        assert set(runs) <= set(named)
        assert len(runs) == LOGS
