"""A season broken in more than twenty ways: all told at once, nothing written, no traceback."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from generator import cli
from tests.seasons import log_text, write_season


def edit(file: str, old: str, new: str) -> Callable[[Path], None]:
    def apply(folder: Path) -> None:
        text = (folder / file).read_text(encoding="utf-8")
        assert old in text, (file, old)
        (folder / file).write_text(text.replace(old, new, 1), encoding="utf-8")

    return apply


def log(name: str, change: Callable[[list[str]], list[str]]) -> Callable[[Path], None]:
    def apply(folder: Path) -> None:
        lines = change(log_text().splitlines())
        (folder / "q/logs" / name).write_text("\n".join(lines) + ("\n" if lines else ""), encoding="utf-8")

    return apply


def swapped_rows(lines: list[str]) -> list[str]:
    return [*lines[:100], lines[101], lines[100], *lines[102:]]


# what is broken -> how, and the words by which the printout must tell it
BREAKAGES: dict[str, tuple[Callable[[Path], None], str]] = {
    "unknown key in season": (edit("season.yaml", "about:", "abuot:"), "abuot: no such key"),
    "bare number": (edit("season.yaml", "900 g", "900"), "900 has no unit"),
    "unknown pack": (
        edit("season.yaml", "motors: 6, pack: pond-4s", "motors: 6, pack: pond-9s"),
        "'pond-9s' is not a pack",
    ),
    "unit of another dimension": (
        edit("rigs/stand.yaml", "column: f, unit: gf", "column: f, unit: A"),
        "not a unit of force",
    ),
    "throttle ends alike": (edit("rigs/stand.yaml", "full: 2000", "full: 1000"), "same as `idle`"),
    "bad unit in a part": (edit("parts/reed.yaml", "1750 rpm/V", "1750 rpm/bolt"), "kv"),
    "text for a number": (edit("parts/leaf.yaml", "blades: 3", "blades: three"), "blades"),
    "unknown kind of part": (
        edit("parts/bench.yaml", "kind: supply", "kind: suply"),
        "'suply' is not a kind",
    ),
    "misspelt key in session": (edit("q/session.yaml", "matters:", "maters:"), "maters: no such key"),
    "unknown treatment in a run": (
        edit("q/session.yaml", "hold, treatment: b, repeat: 2", "hold, treatment: c, repeat: 2"),
        "'c' is not a treatment",
    ),
    "missing log": (edit("q/session.yaml", "logs/03.csv", "logs/33.csv"), "'logs/33.csv' is not there"),
    "unknown response": (
        edit("q/session.yaml", "[electrical_power]", "[electrical_pover]"),
        "electrical_pover",
    ),
    "unknown procedure": (
        edit("q/session.yaml", "logs/04.csv, procedure: hold", "logs/04.csv, procedure: hover"),
        "'hover' is not a procedure",
    ),
    "duplicate key": (edit("q/session.yaml", "baseline: a", "baseline: a\nbaseline: b"), "given twice"),
    "impossible humidity": (edit("q/session.yaml", "46 %", "460 %"), "air.humidity"),
    "time running backwards": (log("01.csv", swapped_rows), "goes back"),
    "text in a number column": (
        log("02.csv", lambda rows: [*rows[:50], rows[50].replace(",", ",oops", 1), *rows[51:]]),
        "oops",
    ),
    "log of a second session, empty": (
        lambda folder: (folder / "q/logs/04.csv").write_text("", encoding="utf-8") and None,
        "04.csv",
    ),
}


def second_session(folder: Path) -> None:
    """Faults that would hide each other in one session stand in a second one, sound but for its logs."""
    other = folder / "r"
    (other / "logs").mkdir(parents=True)
    text = (folder / "q/session.yaml").read_text(encoding="utf-8")
    (other / "session.yaml").write_text(text, encoding="utf-8")
    (other / "conclusion.md").write_text("Nothing yet.\n", encoding="utf-8")
    good = log_text()
    (other / "logs/01.csv").write_text(good.replace("t,cmd,n,f", "t,cmd,rotation,f", 1), encoding="utf-8")
    (other / "logs/02.csv").write_text("t,cmd,n,f,u,i,tm\n", encoding="utf-8")
    (other / "logs/03.csv").write_bytes(bytes(range(256)) * 40)
    rows = good.splitlines()
    (other / "logs/04.csv").write_text(
        "\n".join([*rows[:30], rows[30] + ",9,9", *rows[31:]]) + "\n", encoding="utf-8"
    )


SECOND = {
    "wrong column": "'n'",
    "header only": "r/logs/02.csv",
    "not a log at all": "r/logs/03.csv",
    "ragged row": "r/logs/04.csv:31",
}


@pytest.fixture
def broken(tmp_path: Path) -> Path:
    folder = write_season(tmp_path / "season")
    second_session(folder)
    for apply, _ in BREAKAGES.values():
        apply(folder)
    return folder


def test_twenty_faults_in_one_printout(
    broken: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "site"
    assert cli.main(["build", str(broken), "--out", str(out)]) == cli.PROBLEMS
    printed = capsys.readouterr().err
    # In a second session rig and parts are faulty too, so its logs cannot be read in that pass: told below.
    missing = [
        name
        for name, (_, words) in BREAKAGES.items()
        if words not in printed and not name.startswith(("time", "text in", "log of"))
    ]
    assert missing == []
    assert "Traceback" not in printed
    assert not out.exists()
    assert list(tmp_path.iterdir()) == [broken]


def test_faults_inside_logs_come_with_those_of_the_yaml(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """With rig and parts sound, what is wrong inside the logs is told in the same pass as the rest."""
    folder = write_season(tmp_path / "season")
    second_session(folder)
    chosen = [
        n
        for n in BREAKAGES
        if n not in ("unit of another dimension", "throttle ends alike", "bad unit in a part")
    ]
    for name in chosen:
        BREAKAGES[name][0](folder)
    out = tmp_path / "site"
    assert cli.main(["build", str(folder), "--out", str(out)]) == cli.PROBLEMS
    printed = capsys.readouterr().err
    assert [name for name in chosen if BREAKAGES[name][1] not in printed] == []
    assert [name for name, words in SECOND.items() if words not in printed] == []
    assert len(chosen) + len(SECOND) >= 19
    assert not out.exists()


def test_a_fresh_process_prints_no_traceback(broken: Path, tmp_path: Path) -> None:
    run = subprocess.run(
        [sys.executable, "-m", "generator.cli", "build", str(broken), "--out", str(tmp_path / "site")],
        capture_output=True, text=True, timeout=120, check=False,
    )  # fmt: skip
    assert run.returncode == cli.PROBLEMS
    assert "Traceback" not in run.stderr
    assert not (tmp_path / "site").exists()


def test_check_says_the_same_and_writes_nothing(
    broken: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = sorted(path for path in tmp_path.rglob("*"))
    assert cli.main(["check", str(broken)]) == cli.PROBLEMS
    assert "has no unit" in capsys.readouterr().err
    assert sorted(path for path in tmp_path.rglob("*")) == before


def test_a_sound_season_passes_check(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["check", str(write_season(tmp_path / "season"))]) == cli.DONE
    assert "Traceback" not in capsys.readouterr().err


def test_build_says_how_to_see_the_site(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    season = write_season(tmp_path / "season")
    assert cli.main(["build", str(season), "--out", str(tmp_path / "site")]) == cli.DONE
    printed = capsys.readouterr().out
    assert str(tmp_path / "site" / "index.html") in printed
    assert (tmp_path / "site" / "index.html").is_file()


def test_a_folder_of_somebody_else_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    season = write_season(tmp_path / "season")
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "thesis.txt").write_text("years of work\n", encoding="utf-8")
    assert cli.main(["build", str(season), "--out", str(tmp_path / "mine")]) == cli.NOT_WRITTEN
    assert [file.name for file in (tmp_path / "mine").iterdir()] == ["thesis.txt"]
    assert "thesis" not in capsys.readouterr().out
