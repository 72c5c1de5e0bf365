"""`whirlbook rehearse` says what nobody has planned, and what a plan would refuse; it stops for neither."""

from __future__ import annotations

from pathlib import Path

import pytest

from generator import cli
from generator.plan_session import doubt_of_plan
from tests.planning.planned_season import write_planned

HOLD = "hold: {speed: [9000 rpm], settle: 0.5 s, window: 1 s}"
UP = "spin-up: {from: 4000 rpm, to: [9000 rpm], cycles: 5}"


def doubts(err: str) -> list[str]:
    return [line for line in err.splitlines() if line.startswith("(doubtful)")]


TYPED = "runs:\n" + "".join(
    f"  - {{log: logs/0{n}.csv, procedure: hold, treatment: {t}, repeat: 1, block: 1}}\n"
    for n, t in enumerate("ab", start=1)
)


def test_a_list_without_a_plan_is_told_in_one_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    session = write_planned(tmp_path / "s", runs=TYPED)
    assert cli.main(["rehearse", str(session)]) == 0
    (line,) = doubts(capsys.readouterr().err)
    assert "its list of runs is not from a plan" in line
    assert line.endswith(f"whirlbook plan {session} --dry-run")
    assert len(list((session / "logs").iterdir())) == 2, "it is a warning and no stop"


def test_what_a_plan_refuses_is_told_in_one_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    session = write_planned(tmp_path / "s", runs=TYPED, **{HOLD: f"{HOLD}\n  {UP}"})
    assert cli.main(["rehearse", str(session)]) == 0
    (line,) = doubts(capsys.readouterr().err)
    assert "`plan` refuses this session, since it is not safe (supply-cannot-absorb)" in line
    assert line.endswith(f"whirlbook plan {session}")


def test_what_was_planned_needs_no_word(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    session = write_planned(tmp_path / "s")
    assert cli.main(["plan", str(session), "--repeats", "1"]) == 0
    capsys.readouterr()
    assert doubt_of_plan(session) is None
