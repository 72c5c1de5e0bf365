"""Small words at the terminal that stopped newcomers: each is said once, plainly, with the right cure."""

from __future__ import annotations

from pathlib import Path

import pytest

import generator
from generator import cli
from generator.commands import start as start_command
from generator.intake.problems import COLUMN, Problem, SeasonProblems
from generator.planning.design_repeats import of_hundred
from tests.planning.planned_season import write_planned
from tests.seasons import write_season

Output = pytest.CaptureFixture[str]


def change(file: Path, old: str, new: str) -> None:
    text = file.read_text(encoding="utf-8")
    assert old in text, old
    file.write_text(text.replace(old, new), encoding="utf-8")


def test_check_says_that_what_is_only_doubtful_ends_in_0(tmp_path: Path, capsys: Output) -> None:
    with pytest.raises(SystemExit):
        cli.main(["check", "--help"])
    text = " ".join(capsys.readouterr().out.split())
    assert "only doubtful, or still to be measured, is printed, and alone it changes nothing" in text
    season = write_season(tmp_path / "s")
    (season / "q" / "conclusion.md").unlink()
    assert cli.main(["check", str(season)]) == 0
    # no conclusion, no date of calibration, and nothing differs between the two treatments
    assert "3 doubtful" in capsys.readouterr().err


def test_a_wrong_column_is_told_once_with_the_number_of_logs(tmp_path: Path, capsys: Output) -> None:
    season = write_season(tmp_path / "s")
    change(season / "rigs" / "stand.yaml", "column: f,", "column: force,")
    assert cli.main(["check", str(season)]) == 1
    said = capsys.readouterr().err
    assert said.count("there is no column 'force'") == 1
    assert "q/logs/01.csv:1: there is no column 'force' in this log and 3 more." in said
    assert said.endswith("1 error to mend; 1 doubtful.\n")
    with pytest.raises(SeasonProblems) as found:
        list(generator.analyse(season))
    assert len(found.value.problems) == 1


def test_only_columns_are_told_once() -> None:
    def problem(file: str, what: str, kind: str = "") -> Problem:
        return Problem(file=file, key="thrust", what=what, remedy="r", kind=kind)

    lacks = "there is no column 'f' in this log."
    told = SeasonProblems(
        [problem("1", lacks, COLUMN), problem("1", "x"), problem("2", lacks, COLUMN), problem("2", "x")]
    ).problems
    assert [(p.file, p.what) for p in told] == [
        ("1", "there is no column 'f' in this log and 1 more."), ("1", "x"), ("2", "x"),
    ]  # fmt: skip


def test_a_column_with_brackets_is_put_in_quotes(tmp_path: Path, capsys: Output) -> None:
    season = write_season(tmp_path / "s")
    change(season / "rigs" / "stand.yaml", "column: f,", "column: thrust [gf],")
    assert cli.main(["check", str(season)]) == 1
    assert "a bracket in quotes, such as column: 'thrust [gf]'." in " ".join(capsys.readouterr().err.split())
    change(season / "rigs" / "stand.yaml", "column: thrust [gf],", "column: 'thrust [gf]',")
    for log in (season / "q" / "logs").iterdir():
        change(log, "t,cmd,n,f,", "t,cmd,n,thrust [gf],")
    assert cli.main(["check", str(season)]) == 0, "the cure is one"


def test_no_other_runs_log_is_suggested_for_a_missing_one(tmp_path: Path) -> None:
    season = write_season(tmp_path / "s")
    (season / "q" / "logs" / "02.csv").unlink()

    def remedy() -> str:
        with pytest.raises(SeasonProblems) as found:
            list(generator.analyse(season))
        (problem,) = found.value.problems
        return problem.remedy

    lost = "If it is lost, say why under `left_out:` of this run."
    assert remedy() == f"Put the log there, or correct the name. {lost}"
    (season / "q" / "logs" / "02 .csv").write_text("t\n", encoding="utf-8")
    assert remedy() == "Did you mean 'logs/02 .csv'?", "one that no run names may be meant"


def test_start_explains_what_a_margin_can_be_set_for(tmp_path: Path, capsys: Output) -> None:
    assert cli.main(["start", str(tmp_path / "s"), "--yes"]) == 0
    assert f"  whirlbook plan {tmp_path}/s/first-question " in capsys.readouterr().out
    text = (tmp_path / "s" / "first-question" / "session.yaml").read_text(encoding="utf-8")
    assert "#   electrical_power: Electrical power, W\n" in text
    assert "No rehearsal" not in text


@pytest.mark.parametrize("word", ["spinup", "spin_up", "spin up", "Spin-up"])
def test_a_procedure_written_otherwise_is_suggested(tmp_path: Path, word: str, capsys: Output) -> None:
    assert cli.main(["start", str(tmp_path / "s"), "--yes", "--procedures", word]) == 1
    assert "Did you mean 'spin-up'?" in capsys.readouterr().err
    season = write_season(tmp_path / "t")
    change(season / "q" / "session.yaml", "  hold: {", f"  {word}: {{")
    assert cli.main(["check", str(season)]) == 1
    assert "Did you mean 'spin-up'?" in capsys.readouterr().err


def test_ctrl_c_at_a_question_has_written_nothing(
    tmp_path: Path, capsys: Output, monkeypatch: pytest.MonkeyPatch
) -> None:
    def stopped(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(start_command, "watched", lambda: True)
    monkeypatch.setattr(start_command, "ask", stopped)
    assert cli.main(["start", str(tmp_path / "s")]) == 3
    assert capsys.readouterr().err.endswith("Stopped. Nothing was written.\n")
    assert not (tmp_path / "s").exists()


def test_a_record_from_simulated_logs_says_so(tmp_path: Path, capsys: Output) -> None:
    session = tmp_path / "s" / "first-question"
    assert cli.main(["start", str(tmp_path / "s"), "--yes", "--procedures", "zero"]) == 0
    assert cli.main(["rehearse", str(session)]) == 0
    assert "1 log, seed 1. It says that it is simulated." in capsys.readouterr().out
    assert cli.main(["calibrate", str(session)]) == 0
    assert "Made from simulated logs, and says so" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("share", "words"),
    [(2.6e-7, "fewer than 1 of 100"), (0.01, "1 of 100"), (0.8, "80 of 100"), (0.999, "over 99 of 100")],
)
def test_sessions_of_a_hundred_are_counted_in_whole_ones(share: float, words: str) -> None:
    assert of_hundred(share) == words


def test_two_responses_are_decided_beforehand(tmp_path: Path) -> None:
    none = {"matters: {electrical_power: 2 %, thrust: 5 gf}\n": ""}
    one = write_planned(tmp_path / "one", **none)
    assert "electrical_power is decided beforehand, but matters sets no margin for it." in _notes(one)
    both = {"primary: [electrical_power]": "primary: [electrical_power, thrust]"}
    two = write_planned(tmp_path / "two", **none, **both)
    assert (
        "electrical_power and thrust are decided beforehand, but matters sets no margin for them."
        in _notes(two)
    )


def _notes(session: Path) -> list[str]:
    return list(generator.plan(session, write=False)["notes"])


@pytest.mark.parametrize(
    ("feeds", "there", "not_there"),
    [("supply: bench, cells: 4, volts_per_cell: 4.0 V", "bench supply", "lithium"),
     ("supply: pond-4s", "lithium", "bench supply")],
)  # fmt: skip
def test_a_sheet_warns_of_what_is_on_the_bench(
    tmp_path: Path, feeds: str, there: str, not_there: str
) -> None:
    session = write_planned(tmp_path / "s", **{"supply: bench, cells: 4, volts_per_cell: 4.0 V": feeds})
    sheet = generator.plan(session, write=False)["sheet"]
    (cautions,) = (s["blocks"][0] for s in sheet["sections"] if s["key"] == "cautions")
    titles = " ".join(item["title"] for item in cautions["items"]).lower()
    assert there in titles
    assert not_there not in titles
