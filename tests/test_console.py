"""How the program speaks: a bar where a person watches, nothing in a pipe, colours off when asked."""

from __future__ import annotations

import io
import os
import pty
import select
import subprocess
import sys
from pathlib import Path

import pytest

from generator import console
from generator.intake.problems import Problem

ROOT = Path(__file__).resolve().parents[1]
WORK = """
from generator.console import note, progress, stages
from generator.console import say, tell_problem
from generator.intake.problems import Problem
with stages() as tell:
    for done in range(1, 4):
        tell("reading logs", done, 3)
    for done in range(1, 3):
        tell("drawing cold-pack", done, 2)
with progress(2, "simulating sessions") as advance:
    advance()
    advance()
tell_problem(Problem(file="s/season.yaml", line=3, key="title", what="is missing.", remedy="Add it."))
say("done")
"""


def clean_environment(**more: str) -> dict[str, str]:
    left = {key: value for key, value in os.environ.items() if key not in ("NO_COLOR", "FORCE_COLOR", "TERM")}
    return {**left, "PYTHONPATH": str(ROOT), "TERM": "xterm", **more}


def on_a_terminal(program: str, typed: bytes = b"", **environment: str) -> str:
    """What a program shows on a terminal of its own, all of its streams on it."""
    ours, theirs = pty.openpty()
    ran = subprocess.Popen(
        [sys.executable, "-c", program],
        stdin=theirs, stdout=theirs, stderr=theirs, env=clean_environment(**environment), close_fds=True,
    )  # fmt: skip
    os.close(theirs)
    os.write(ours, typed)
    shown = b""
    while True:
        ready, _, _ = select.select([ours], [], [], 60)
        assert ready, "the program hangs"
        try:
            piece = os.read(ours, 65536)
        except OSError:  # the other side is closed: how Linux ends a terminal
            break
        if not piece:
            break
        shown += piece
    os.close(ours)
    assert ran.wait(60) == 0
    return shown.decode()


def test_a_terminal_shows_how_far_the_work_is() -> None:
    shown = on_a_terminal(WORK)
    assert "reading logs" in shown
    assert "3/3" in shown
    assert "drawing cold-pack" in shown
    assert "simulating sessions" in shown
    assert "\x1b[31m" in shown, "the problem is not red"
    # the bar is gone at the end: its line is wiped before what is left
    assert shown.rstrip().endswith("done")
    assert "s/season.yaml:3: title: is missing." in shown


def test_a_pipe_gets_no_bar_and_no_colour() -> None:
    ran = subprocess.run(
        [sys.executable, "-c", WORK], capture_output=True, text=True, env=clean_environment(), check=True
    )
    assert ran.stdout == "done\n"
    assert ran.stderr == "s/season.yaml:3: title: is missing.\n    Add it.\n"


@pytest.mark.parametrize("switch", [{"NO_COLOR": "1"}, {"NO_COLOR": "1", "FORCE_COLOR": "1"}])
def test_no_color_switches_colours_off_and_keeps_the_bar(switch: dict[str, str]) -> None:
    shown = on_a_terminal(WORK, **switch)
    assert "\x1b[3" not in shown
    assert "\x1b[9" not in shown
    assert "\x1b[1m" not in shown
    assert "reading logs" in shown


def test_an_empty_no_color_means_nothing() -> None:
    assert "\x1b[31m" in on_a_terminal(WORK, NO_COLOR="")


def test_a_dumb_terminal_gets_plain_lines() -> None:
    shown = on_a_terminal(WORK, TERM="dumb")
    assert "\x1b" not in shown
    assert "reading logs" not in shown
    assert "is missing." in shown


def test_colours_can_be_forced_into_a_pipe() -> None:
    ran = subprocess.run(
        [sys.executable, "-c", WORK], capture_output=True, text=True, check=True,
        env=clean_environment(FORCE_COLOR="1"),
    )  # fmt: skip
    assert "\x1b[31m" in ran.stderr
    assert "reading logs" not in ran.stderr


def test_nothing_that_is_told_can_steer_the_terminal(capsys: pytest.CaptureFixture[str]) -> None:
    console.tell_problem(Problem(file="a\x1b[2Jb.csv", what="is\x07 bad.\x9b1m", remedy="Mend\r it."))
    told = capsys.readouterr().err
    assert not {character for character in told if ord(character) < 32 or 127 <= ord(character) < 160} - {
        "\n"
    }
    assert "b.csv" in told


def test_a_terminal_of_few_letters_is_no_error(monkeypatch: pytest.MonkeyPatch) -> None:
    raw = io.BytesIO()
    monkeypatch.setattr(sys, "stdout", io.TextIOWrapper(raw, encoding="ascii"))
    console.say("5 °C → 41 °F")
    sys.stdout.flush()
    assert raw.getvalue() == b"5 ?C ? 41 ?F\n"


def test_a_dialogue_takes_answers_and_what_is_usual() -> None:
    program = (
        "from generator.console import ask, watched\n"
        "assert watched()\n"
        "first, second = ask('Name?', 'loft'), ask('Other?', 'barn')\n"
        "print(f'<{first}|{second}>')"
    )
    assert "<attic|barn>" in on_a_terminal(program, b"attic\n\n")


def test_the_end_of_input_ends_a_dialogue(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stdin", io.StringIO(""))
    assert not console.watched()
    with pytest.raises(KeyboardInterrupt):
        console.ask("Name?", "loft")


def test_a_build_tells_how_far_it_is_and_a_pipe_does_not(tmp_path: Path) -> None:
    """The whole command on a terminal: logs read and figures drawn are counted."""
    from tests.seasons import write_season

    season = write_season(tmp_path / "season")
    program = f"from generator import cli; cli.main(['build', {str(season)!r}, '--out', {str(tmp_path / 'site')!r}])"
    shown = on_a_terminal(program)
    assert "reading logs" in shown
    assert "4/4" in shown
    assert "drawing q" in shown
    piped = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, env=clean_environment(), check=True
    )
    assert piped.stderr == ""
