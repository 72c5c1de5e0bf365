"""Every command of the tutorial, run in order in an empty folder, as a newcomer would."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import time
import urllib.request
from pathlib import Path

import pytest

from tests.conftest import ROOT

TUTORIAL = ROOT / "content/tutorial.md"
COMMAND = re.compile(r"^(?: {4}| {8})whirlbook (.+)$", re.MULTILINE)
# what `check` may end with while invented values are left: nothing wrong, only doubtful
DONE = 0


def commands() -> list[list[str]]:
    return [line.split() for line in COMMAND.findall(TUTORIAL.read_text(encoding="utf-8"))]


def environment() -> dict[str, str]:
    return {**os.environ, "PYTHONPATH": str(ROOT), "NO_COLOR": "1"}


def test_the_tutorial_shows_the_whole_way() -> None:
    told = list(dict.fromkeys(words[0] for words in commands()))
    assert told == ["start", "plan", "rehearse", "check", "build", "view", "archive", "verify", "calibrate"]
    assert not re.search(r"^    (?!whirlbook )\S", TUTORIAL.read_text(encoding="utf-8"), re.MULTILINE)


def test_every_command_of_the_tutorial_works(tmp_path: Path) -> None:
    for words in commands():
        line = [sys.executable, "-m", "generator.cli", *words]
        if words[0] == "view":
            viewed(line, tmp_path)
            continue
        made = subprocess.run(
            line, cwd=tmp_path, capture_output=True, text=True, timeout=300, stdin=subprocess.DEVNULL,
            env=environment(), check=False,
        )  # fmt: skip
        assert made.returncode == DONE, f"{' '.join(words)}\n{made.stdout}\n{made.stderr}"
        assert "Traceback" not in made.stderr
    assert (tmp_path / "my-season/first-question/run-sheet.html").is_file()
    page = (tmp_path / "my-site/index.html").read_text(encoding="utf-8")
    assert "First question" in page
    assert "simulated" in page
    assert (tmp_path / "my-season-kept/bagit.txt").is_file()
    assert (tmp_path / "my-season/two-packs/session.yaml").is_file()
    assert list((tmp_path / "my-season/rigs/calibrations").glob("my-stand-thrust-*.yaml"))


def viewed(line: list[str], folder: Path) -> None:
    """`view` serves the season's front page; it is then stopped as with Ctrl and C, and must end well."""
    started = subprocess.Popen(
        line, cwd=folder, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, env=environment()
    )
    try:
        said, deadline = "", time.monotonic() + 120
        assert started.stdout is not None
        while (found := re.search(r"http://127\.0\.0\.1:\d+/", said)) is None:
            assert time.monotonic() < deadline, said
            assert started.poll() is None, said
            said += started.stdout.readline()
        with urllib.request.urlopen(found.group(), timeout=60) as answer:
            text = answer.read().decode("utf-8")
        started.send_signal(signal.SIGINT)
        assert started.wait(timeout=60) == DONE
    finally:
        if started.poll() is None:
            started.kill()
            started.wait()
        assert started.stdout is not None
        started.stdout.close()
    assert "First question" in text


@pytest.mark.parametrize("word", ["guard", "eyes", "ears", "power off", "local codes", "licensed"])
def test_the_tutorial_says_how_not_to_get_hurt(word: str) -> None:
    assert word in TUTORIAL.read_text(encoding="utf-8").lower()
