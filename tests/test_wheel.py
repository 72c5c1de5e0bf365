"""The wheel, installed into an empty venv, builds a season from outside the checkout."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.conftest import ROOT
from tests.seasons import write_season


def run(*command: str, cwd: Path, **environment: str) -> subprocess.CompletedProcess[str]:
    clean = {key: value for key, value in os.environ.items() if not key.startswith("PYTHON")}
    return subprocess.run(
        command,
        cwd=cwd,
        capture_output=True,
        text=True,
        timeout=600,
        check=False,
        env={**clean, **environment},
    )


@pytest.mark.wheel
def test_installed_wheel_builds_a_season(tmp_path: Path) -> None:
    built = run(sys.executable, "-m", "build", "--wheel", "--outdir", str(tmp_path), str(ROOT), cwd=tmp_path)
    assert built.returncode == 0, built.stderr[-2000:]
    (wheel,) = tmp_path.glob("*.whl")
    venv = tmp_path / "venv"
    assert run(sys.executable, "-m", "venv", str(venv), cwd=tmp_path).returncode == 0
    python = venv / "bin" / "python"
    installed = run(str(python), "-m", "pip", "install", "-q", str(wheel), cwd=tmp_path)
    assert installed.returncode == 0, installed.stderr[-2000:]
    season = write_season(tmp_path / "season")
    made = run(str(venv / "bin" / "whirlbook"), "build", str(season), "--out", "site", cwd=tmp_path)
    assert made.returncode == 0, made.stderr[-2000:]
    assert (tmp_path / "site" / "index.html").is_file()
    assert (tmp_path / "site" / "sessions" / "q" / "results.json").is_file()
    where = run(str(python), "-c", "import generator; print(generator.__file__)", cwd=tmp_path)
    assert str(venv) in where.stdout, "the checkout was used instead of the wheel"
