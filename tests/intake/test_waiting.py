"""A session that is planned and not measured yet is left out, and everything else is as without it."""

from __future__ import annotations

from pathlib import Path

import pytest

from generator import cli, pipeline
from generator.intake.problems import STILL_TO_COME, SeasonProblems
from generator.intake.season import inspect_season
from generator.intake.waiting import waiting
from generator.reduction.procedures import contracts
from generator.viewing import Viewing
from tests.seasons import SESSION, write_season

NO_RUNS = SESSION[: SESSION.index("runs:")] + "runs:\n" + SESSION[SESSION.index("claims:") :]


def add(season: Path, name: str, text: str = SESSION) -> Path:
    (season / name).mkdir()
    (season / name / "session.yaml").write_text(text, encoding="utf-8")
    return season / name


def errors(season: Path) -> list[str]:
    return [p.what for p in inspect_season(season, contracts()).problems if p.severity == "error"]


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A season with one measured session, one without logs, one without a list."""
    folder = write_season(tmp_path_factory.mktemp("waiting") / "season")
    add(folder, "later")
    add(folder, "unplanned", NO_RUNS)
    return folder


def test_what_is_not_measured_is_left_out_and_told(season: Path) -> None:
    found = inspect_season(season, contracts())
    assert found.sound
    assert found.season is not None
    assert [session.id for session in found.season.sessions] == ["q"]
    told = [p for p in found.problems if p.kind == STILL_TO_COME]
    assert [(p.file, p.line) for p in told] == [
        (f"{season}/later/session.yaml", 14), (f"{season}/unplanned/session.yaml", 14),
    ]  # fmt: skip
    assert "none of the 4 logs is there yet" in told[0].what
    assert f"whirlbook rehearse {season}/later" in told[0].remedy
    assert "no run is listed yet" in told[1].what
    assert f"whirlbook plan {season}/unplanned" in told[1].remedy
    assert waiting(season, str(season)) == told, "the quick look sees the same"


def test_nothing_else_changes(season: Path, tmp_path: Path) -> None:
    alone = write_season(tmp_path / "season")
    assert pipeline.analyse_season(season).documents == pipeline.analyse_season(alone).documents


def test_build_and_view_say_so_in_one_line(
    season: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    site = tmp_path / "site"
    assert cli.main(["build", str(season), "--out", str(site), "--no-cache"]) == 0
    line = (
        "Left out of the site, still to be measured: later (none of the 4 logs is there yet); "
        "unplanned (no run is listed yet).\n"
    )
    assert line in capsys.readouterr().err
    assert sorted(p.name for p in (site / "sessions").iterdir() if p.is_dir()) == ["q"]
    assert "later" not in (site / "index.html").read_text(encoding="utf-8")
    assert "left out, still to be measured: later, unplanned" in str(Viewing(season, tmp_path).refresh())


def test_check_tells_it_and_no_error(season: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["check", str(season)]) == 0
    said = capsys.readouterr().err
    assert "later: still to be measured (4 runs)\n" in said
    assert "unplanned: still to be measured (no run is listed yet)\n" in said
    assert said.endswith("2 sessions still to be measured.\n")
    assert "conclusion.md" not in said, "nothing can be concluded yet"


def test_a_session_with_some_logs_missing_is_an_error_as_ever(tmp_path: Path) -> None:
    folder = write_season(tmp_path / "season")
    (folder / "q" / "logs" / "02.csv").unlink()
    assert errors(folder) == ["'logs/02.csv' is not there."]


def test_a_season_without_any_log_writes_nothing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = write_season(tmp_path / "season")
    for log in (folder / "q" / "logs").iterdir():
        log.unlink()
    with pytest.raises(SeasonProblems, match="its only session is still to be measured: none of the 4 logs"):
        pipeline.analyse_season(folder)
    add(folder, "unplanned", NO_RUNS)
    site = tmp_path / "site"
    assert cli.main(["build", str(folder), "--out", str(site)]) == 1
    assert f"{folder}: every session is still to be measured" in capsys.readouterr().err
    assert not site.exists()
    viewing = Viewing(folder, tmp_path)
    assert viewing.refresh() == "1 problem, shown on the page"


def test_files_that_no_run_names_are_told_with_it(tmp_path: Path) -> None:
    folder = write_season(tmp_path / "season")
    logs = add(folder, "later") / "logs"
    logs.mkdir()
    (logs / "first try.csv").write_text("t\n", encoding="utf-8")
    (told,) = waiting(folder, str(folder))
    assert "but logs/ holds a file that no run names" in told.what
    assert "Rename" in told.remedy


@pytest.mark.parametrize("runs", ["7", "[{log: 3}]", "[7]", "{}", '[{log: "a\\0b"}]'])
def test_a_list_of_runs_with_faults_does_not_stop_the_quick_look(tmp_path: Path, runs: str) -> None:
    folder = write_season(tmp_path / "season")
    add(folder, "later", NO_RUNS.replace("runs:\n", f"runs: {runs}\n"))
    assert [told.file for told in waiting(folder, str(folder))] == [f"{folder}/later/session.yaml"]
