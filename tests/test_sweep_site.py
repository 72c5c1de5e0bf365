"""A rehearsed season of free runs and ramps, from its YAML files to its pages, by the commands themselves."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from generator.cli import main
from generator.commands.exit_codes import DONE
from tests.sweep_season import write_sweep_season


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("sweeps")
    season = write_sweep_season(folder / "season", up="6 s", repeats=2)
    for session in ("bearings", "pitches"):
        assert main(["rehearse", str(season / session)]) == DONE
    assert main(["check", str(season)]) == DONE
    assert main(["build", str(season), "--out", str(folder / "site")]) == DONE
    return folder / "site"


def test_a_free_run_has_its_chart_and_its_constants(site: Path) -> None:
    session = site / "sessions" / "bearings"
    run = (session / "runs" / "01-free-run.html").read_text(encoding="utf-8")
    assert "What the motor takes to turn itself" in run
    assert 'method.html#free-run"' in run
    page = (session / "index.html").read_text(encoding="utf-8").replace("\u00a0", " ")
    assert "Speed constant KV with Reed" in page
    assert "Free-run current for each 1000 rpm" in page
    assert "Without a propeller the motor turned faster than it may" in page
    assert "Faster than the propeller is made for" not in page
    found = json.loads((session / "results.json").read_text(encoding="utf-8"))
    assert {"effective_kv", "free_run_current", "free_run_power", "drag_torque"} == {
        contrast["response"] for contrast in found["contrasts"]
    }


def test_a_ramp_is_shown_as_a_staircase_is(site: Path) -> None:
    session = site / "sessions" / "pitches"
    page = (session / "petal-against-leaf.html").read_text(encoding="utf-8")
    assert "Along the whole curve" in page
    assert "staircase" not in page.split("Along the whole curve", 1)[1].split("Exploratory", 1)[0].lower()
    found = json.loads((session / "results.json").read_text(encoding="utf-8"))
    assert {contrast["response"] for contrast in found["contrasts"]} >= {
        "electrical_power",
        "thrust",
        "speed",
    }
    method = (site / "method.html").read_text(encoding="utf-8")
    assert 'id="ramp"' in method
    assert 'id="free-run"' in method
