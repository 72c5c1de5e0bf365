"""`whirlbook view` as it is run: it follows the disk, and Ctrl-C ends it clean."""

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

from generator import cli
from generator.viewing import followed
from tests.seasons import write_season
from tests.test_console import clean_environment


def wait_for(path: Path, pattern: str, seconds: float = 60.0) -> re.Match[str]:
    """The first match in a growing file."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        match = re.search(pattern, path.read_text(encoding="utf-8"))
        if match:
            return match
        time.sleep(0.1)
    raise AssertionError(f"{pattern!r} never came:\n{path.read_text(encoding='utf-8')}")


def test_view_follows_the_disk_and_ends_clean(tmp_path: Path) -> None:
    season = write_season(tmp_path / "season")
    scratch = tmp_path / "tmp"
    scratch.mkdir()
    told, errors = tmp_path / "told.txt", tmp_path / "errors.txt"
    with told.open("w") as out, errors.open("w") as err:
        running = subprocess.Popen(
            [sys.executable, "-m", "generator.cli", "view", str(season)],
            stdout=out, stderr=err, env=clean_environment(TMPDIR=str(scratch)),
        )  # fmt: skip
    try:
        address = wait_for(told, r"http://127\.0\.0\.1:\d+/")[0]
        page = f"{address}sessions/q/index.html"
        assert "It does not matter." in urllib.request.urlopen(page, timeout=20).read().decode()
        time.sleep(1.0)  # until the watch is set up
        (season / "q" / "conclusion.md").write_text("It matters after all.\n", encoding="utf-8")
        wait_for(
            told,
            r"(?s)built.*\d\d:\d\d:\d\d built in [\d.]+ s: 0 runs reduced, 0 figures drawn, 1 file changed",
        )
        assert "It matters after all." in urllib.request.urlopen(page, timeout=20).read().decode()
        (season / "season.yaml").write_text("titel: x\n", encoding="utf-8")
        wait_for(told, r"\d\d:\d\d:\d\d \d problems, shown on the page; the last good site is kept")
        running.send_signal(signal.SIGINT)
        assert running.wait(20) == 0
    finally:
        if running.poll() is None:
            running.kill()
            running.wait()
    assert "Stopped." in errors.read_text(encoding="utf-8")
    assert "Traceback" not in errors.read_text(encoding="utf-8")
    assert list(scratch.iterdir()) == [], "its own folder is left behind"
    assert not any("whirlbook" in name for name in os.listdir(season))


def test_no_such_season_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["view", str(tmp_path / "nothing")]) == 1
    assert "is not there" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("name", "counts"),
    [
        ("q/session.yaml", True), ("q/logs/01.csv", True), ("layouts/page.html", True), ("q/photo.jpg", True),
        (".git/index", False), ("q/.session.yaml.swp", False), ("q/session.yaml~", False), ("q/#session.yaml#", False),
        (".schemas/rig.schema.json", False),
    ],
)  # fmt: skip
def test_what_an_editor_leaves_lying_about_does_not_count(name: str, counts: bool) -> None:
    assert followed(Path("/s") / name, Path("/s")) is counts
    assert not followed(Path("/elsewhere") / name, Path("/s"))
