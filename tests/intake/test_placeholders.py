"""Invented values are doubtful until somebody has replaced them."""

from __future__ import annotations

from pathlib import Path

from generator.intake.placeholders import placeholders
from generator.intake.season import inspect_season
from generator.reduction.procedures import contracts
from tests.seasons import write_season


def test_a_season_without_marks_has_none(tmp_path: Path) -> None:
    assert placeholders(write_season(tmp_path / "s"), "s") == []


def test_marks_are_told_once_a_file_with_their_keys(tmp_path: Path) -> None:
    season = write_season(tmp_path / "s")
    part = season / "parts" / "reed.yaml"
    part.write_text(
        "kind: motor\nlabel: Reed  # replace\nkv: 1750 rpm/V  # replace\n#inertia: 3 g*cm^2  # replace\n"
        "pole_pairs: 7  # measured\n"
    )
    session = season / "q" / "session.yaml"
    session.write_text(
        session.read_text().replace("expects: no difference}", "expects: no difference}  # replace")
    )
    (season / "q" / "conclusion.md").write_text("Own words.\n<!-- replace -->\nA model.\n")
    (season / ".schemas").mkdir()
    found = placeholders(season, "s")
    assert [(problem.file, problem.line) for problem in found] == [
        ("s/parts/reed.yaml", 2), ("s/q/session.yaml", 20), ("s/q/conclusion.md", 2),
    ]  # fmt: skip
    assert all(problem.severity == "warning" for problem in found)
    assert "2 invented values" in found[0].what
    assert "label, kv" in found[0].what
    assert found[1].what.endswith(": says.")


def test_check_tells_them_and_a_build_is_not_stopped(tmp_path: Path) -> None:
    season = write_season(tmp_path / "s")
    file = season / "season.yaml"
    file.write_text(file.read_text().replace("title: Test season", "title: Test season  # replace"))
    found = inspect_season(season, contracts())
    assert found.sound
    assert [problem.line for problem in found.problems if "invented" in problem.what] == [1]


def test_text_that_only_speaks_of_the_mark_is_none(tmp_path: Path) -> None:
    season = write_season(tmp_path / "s")
    file = season / "season.yaml"
    file.write_text(file.read_text().replace("about: Invented for tests.", 'about: "say # replace"'))
    assert placeholders(season, "s") == []
