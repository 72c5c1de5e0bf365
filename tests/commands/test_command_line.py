"""The command line: help whose examples work, mistakes answered with the word that was meant, completion in a shell."""

from __future__ import annotations

import argparse
import re
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
import yaml

import generator
from generator import __version__, cli
from generator.commands.exit_codes import DONE, NOT_WRITTEN, PROBLEMS, USAGE
from tests.seasons import write_season

ORDER = (
    "start",
    "plan",
    "rehearse",
    "check",
    "view",
    "build",
    "calibrate",
    "archive",
    "verify",
    "completion",
)
NAMES = [command.NAME for command in cli.COMMANDS]


def code_of(*argv: str) -> int:
    """Exit code, whether argparse ended it or we did."""
    try:
        return cli.main(argv)
    except SystemExit as end:
        return int(end.code or 0)


def test_commands_stand_in_the_order_of_the_work() -> None:
    assert sorted(ORDER.index(name) for name in NAMES) == [ORDER.index(name) for name in NAMES]
    help_text = cli.parser().format_help()
    places = [help_text.index(f"    {name} ") if f"    {name} " in help_text else help_text.index(f"    {name}\n")
              for name in NAMES]  # fmt: skip
    assert places == sorted(places)


@pytest.mark.parametrize("command", cli.COMMANDS, ids=lambda command: command.NAME)
def test_each_command_has_one_line_examples_and_exit_codes(
    command: object, capsys: pytest.CaptureFixture[str]
) -> None:
    name, does, examples = (getattr(command, key) for key in ("NAME", "DOES", "EXAMPLES"))
    assert does[0].islower()
    assert len(does) < 90
    assert not does.endswith(".")
    assert "\n" not in does
    assert code_of(name, "--help") == DONE
    said = capsys.readouterr().out
    assert examples
    for line in examples:
        assert line.startswith(f"whirlbook {name}")
        assert line in said
    assert "exit codes:" in said
    for code in (DONE, PROBLEMS, USAGE, NOT_WRITTEN):
        assert re.search(rf"^  {code}  ", said, re.MULTILINE)


def test_version(capsys: pytest.CaptureFixture[str]) -> None:
    assert code_of("--version") == DONE
    assert capsys.readouterr().out == f"whirlbook {__version__}\n"


@pytest.mark.parametrize(
    ("argv", "said"),
    [
        (["biuld"], "There is no command 'biuld'. Did you mean build?"),
        (["chekc", "x"], "Did you mean check?"),
        (["build", "x", "--otu", "y"], "There is no option --otu. Did you mean --out?"),
        (["build", "x", "--otu=y"], "There is no option --otu. Did you mean --out?"),
        (["rehearse", "x", "--sed", "3"], "There is no option --sed. Did you mean --seed?"),
        (["--vresion"], "There is no option --vresion. Did you mean --version?"),
        (["build", "x"], "--out"),
        (["rehearse", "x", "--seed", "three"], "--seed"),
        (["view", "x", "--port", "99999"], "99999"),
        (["start", "x", "--repeats", "0"], "whole number"),
        (["completion", "fihs"], "'fihs' is not one of bash, zsh, fish. Did you mean fish?"),
        ([], "COMMAND"),
    ],
)
def test_a_wrong_command_line_is_told_plainly(
    argv: list[str], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert code_of(*argv) == USAGE
    told = capsys.readouterr().err
    assert said in told
    assert "--help" in told
    assert "Traceback" not in told
    assert len(told.splitlines()) == 2


def test_an_option_is_not_guessed_from_its_beginning(tmp_path: Path) -> None:
    assert code_of("build", str(tmp_path), "--ou", str(tmp_path / "out")) == USAGE
    assert not (tmp_path / "out").exists()


def test_every_command_is_usable_from_python() -> None:
    for name in set(NAMES) - {"completion"}:
        assert name in generator.__all__, f"`from generator import {name}` is missing"
        assert callable(getattr(generator, name))
        assert getattr(generator, name).__doc__


def test_asking_for_help_loads_no_analysis() -> None:
    program = (
        "import sys; from generator import cli\n"
        "try: cli.main(['--help'])\n"
        "except SystemExit: pass\n"
        "heavy = {'numpy', 'pandas', 'scipy', 'altair', 'pydantic', 'rich', 'watchfiles', 'shtab'} & set(sys.modules)\n"
        "sys.exit(repr(heavy) if heavy else 0)"
    )
    ran = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=False)
    assert ran.returncode == 0, ran.stderr


# --- examples -----------------------------------------------------------------------------------------------


def in_an_order_that_works(lines: list[str]) -> list[str]:
    """Examples that read what another example writes come after it."""
    made = {}
    for line in lines:
        words = shlex.split(line)
        if "--out" in words:
            out = words[words.index("--out") + 1]
            made.setdefault(f"{out}.zip" if "--zip" in words and "--sessions" not in words else out, line)
    done: list[str] = []
    while len(done) < len(lines):
        for line in lines:
            before = [made[word] for word in shlex.split(line) if word in made and made[word] != line]
            own = shlex.split(line)[shlex.split(line).index("--out") + 1] if "--out" in line else ""
            waits = [other for other in before if other not in done and made.get(own) != other]
            if line not in done and not waits:
                done.append(line)
                break
        else:
            raise AssertionError("examples wait for each other")
    return done


def loads_put_on(session: Path) -> None:
    """What a logger would write while the loads of a started calibration are put on; a true line with 1 % of gain."""
    plan = yaml.safe_load((session / "session.yaml").read_text(encoding="utf-8"))["procedures"]["zero"]
    loads = [float(text.split()[0]) for text in plan["loads"]]
    rows = ["t_ms,cmd_us,n_rpm,lift_gf,tap_V,feed_A,motor_degC"]
    for step in range(len(loads) * 80):
        reading = 1.01 * loads[step // 80] + 0.05 * (step * 7919 % 11 - 5)
        rows.append(f"{step * 100},1000,0,{reading:.2f},16.00,0.00,20.0")
    (session / "logs" / "01-zero-1.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")


def test_every_example_works(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """In one folder, one after the other, as somebody would who types them in; with a small season as the demo."""
    import watchfiles

    monkeypatch.chdir(tmp_path)
    (write_season(tmp_path / "demo_sessions") / "q").rename(tmp_path / "demo_sessions" / "cold-pack")
    # following changes has no end by itself, and no test opens a browser
    monkeypatch.setattr(watchfiles, "watch", lambda *_, **__: iter(()))
    monkeypatch.setattr("webbrowser.open", lambda _: True)
    lines = [line for command in cli.COMMANDS for line in command.EXAMPLES]
    for line in in_an_order_that_works(lines):
        program, *argv = shlex.split(line)
        if argv[0] == "calibrate":
            loads_put_on(tmp_path / argv[1])
        assert program == "whirlbook"
        code = code_of(*argv)
        said = capsys.readouterr()
        assert code == DONE, f"{line}\n{said.out}\n{said.err}"


# --- completion ---------------------------------------------------------------------------------------------


def completions(script: Path, *words: str) -> list[str]:
    """What bash offers for the last of the words."""
    program = f"""
        source {shlex.quote(str(script))}
        complete -p whirlbook > /dev/null || exit 9
        COMP_WORDS=({" ".join(shlex.quote(word) for word in words)})
        COMP_CWORD={len(words) - 1}
        COMPREPLY=()
        $(complete -p whirlbook | sed 's/.*-F \\([^ ]*\\) .*/\\1/') whirlbook {shlex.quote(words[-1])} ''
        printf '%s\\n' "${{COMPREPLY[@]}}"
    """
    ran = subprocess.run(["bash", "-c", program], capture_output=True, text=True, check=False)
    assert ran.returncode == 0, ran.stderr
    return [line.strip() for line in ran.stdout.splitlines() if line.strip()]


@pytest.mark.skipif(shutil.which("bash") is None, reason="no bash here")
def test_bash_completes_commands_and_options(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert code_of("completion", "bash") == DONE
    script = tmp_path / "whirlbook.bash"
    script.write_text(capsys.readouterr().out, encoding="utf-8")
    assert "build" in completions(script, "whirlbook", "bu")
    assert set(NAMES) <= set(completions(script, "whirlbook", ""))
    assert "--out" in completions(script, "whirlbook", "build", "--o")
    assert "--seed" in completions(script, "whirlbook", "rehearse", "--")
    assert completions(script, "whirlbook", "completion", "fi") == ["fish"]


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_completion_is_sound_for_its_shell(
    shell: str, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    assert code_of("completion", shell) == DONE
    script = capsys.readouterr().out
    for name in NAMES:
        assert name in script
    program = shutil.which(shell)
    if program is not None:
        file = tmp_path / f"whirlbook.{shell}"
        file.write_text(script, encoding="utf-8")
        assert subprocess.run([program, "-n", str(file)], check=False).returncode == 0


def test_places_of_folders_are_known_to_the_completion() -> None:
    """Each positional argument and each option with a place tells what it wants by its word in the help."""
    known = {"SEASON", "SESSION", "FOLDER", "NAME", "BAG", "FILE"}
    for action in cli.parser()._actions:
        if isinstance(action, argparse._SubParsersAction):
            for name, command in action.choices.items():
                positional = [a for a in command._actions if not a.option_strings]
                assert {str(a.metavar) for a in positional} <= known | {"SHELL"}, name
