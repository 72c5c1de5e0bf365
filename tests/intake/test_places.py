"""The wrong folder is told for what it is, with the one that is meant; exit code 1, as for any fault of the input."""

from __future__ import annotations

from pathlib import Path

import pytest

from generator import cli
from generator.intake.places import season_fault, session_folder
from generator.intake.problems import SeasonProblems
from tests.seasons import SESSION, write_season


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_season(tmp_path_factory.mktemp("places") / "season")


def refused(folder: Path) -> tuple[str, str]:
    with pytest.raises(SeasonProblems) as found:
        session_folder(folder)
    (problem,) = found.value.problems
    return problem.what, problem.remedy


def test_the_right_folders_pass(season: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert season_fault(season) is None
    assert session_folder(season / "q") == season / "q"
    monkeypatch.chdir(season / "q")
    assert session_folder(Path()) == season / "q"


@pytest.mark.parametrize("command", ["check", "view", "build", "archive"])
def test_a_session_where_a_season_is_wanted(
    season: Path, command: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = ["--out", str(tmp_path / "out")] if command in ("build", "archive") else []
    assert cli.main([command, str(season / "q"), *out]) == 1
    err = capsys.readouterr().err
    assert f"{season}/q: is a session, and a season is wanted here." in err
    assert (
        f"Name its season: {season}. To check this session alone: whirlbook check {season} --session q" in err
    )
    assert "1 problem" in err or "1 error" in err, "one fault, and no list of what follows from it"


@pytest.mark.parametrize("command", ["plan", "rehearse", "calibrate"])
def test_a_season_where_a_session_is_wanted(
    season: Path, command: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.main([command, str(season)]) == 1
    err = capsys.readouterr().err
    assert f"{season}: is a season, and a session is wanted here." in err
    assert f"Name a session in it: {season}/q\n" in err


@pytest.mark.parametrize("command", ["plan", "rehearse", "calibrate"])
def test_what_is_not_there_is_bad_input(
    season: Path, command: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.main([command, str(tmp_path / "nowhere" / "first")]) == 1
    assert "is not there." in capsys.readouterr().err
    assert cli.main([command, str(season / "qq")]) == 1
    err = capsys.readouterr().err
    assert "is not a session of this season." in err
    assert "'q'" in err or "Known here: q." in err


def test_other_mistakes(season: Path, tmp_path: Path) -> None:
    assert refused(season / "q" / "session.yaml")[1] == f"Name the folder it is in: {season / 'q'}"
    fault = season_fault(season / "season.yaml")
    assert fault is not None
    assert fault.remedy == f"Name the folder it is in: {season}"
    assert refused(season / "parts") == ("holds no session.yaml.", "Known here: q.")
    lone = tmp_path / "lone"
    lone.mkdir()
    (lone / "session.yaml").write_text(SESSION, encoding="utf-8")
    assert refused(lone)[0] == "is not inside a season."
    more = write_season(tmp_path / "more")
    (more / "r").mkdir()
    (more / "r" / "session.yaml").write_text(SESSION, encoding="utf-8")
    assert refused(more)[1] == f"Name a session in it: {more}/NAME with one of: q, r"


def test_inside_the_session_itself(season: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(season / "q")
    fault = season_fault(Path())
    assert fault is not None
    assert fault.remedy.endswith("whirlbook check .. --session q")


def test_a_session_is_not_started_inside_another(season: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["start", str(season / "q" / "deeper"), "--yes"]) == 3
    assert f"A new session goes beside it: {season}/deeper" in capsys.readouterr().err
    assert not (season / "q" / "deeper").exists()


@pytest.mark.parametrize("named", ["q/", "{season}/q"])
def test_check_takes_a_session_as_the_shell_completes_it(
    season: Path, named: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.main(["check", str(season), "--session", named.format(season=season)]) == 0
    assert "is not a session" not in capsys.readouterr().err
