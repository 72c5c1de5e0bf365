"""What is kept between builds is used only for the very same content."""

from __future__ import annotations

import shutil
from pathlib import Path

from generator import pipeline
from generator.memory import KEPT_BUILDS, Memory, Shelf, fingerprint
from tests.seasons import log_text, write_season

LAYOUTS = Path(__file__).resolve().parents[1] / "layouts"


def test_fingerprints_tell_parts_apart() -> None:
    assert fingerprint("a", "b") == fingerprint("a", "b")
    assert fingerprint("ab", "") != fingerprint("a", "b")
    assert fingerprint(0.1 + 0.2) != fingerprint(0.3), "the last digit counts"
    assert fingerprint(b"1") != fingerprint(1.0)


def test_a_shelf_drops_what_no_build_has_used_for_long() -> None:
    shelf: Shelf[int] = Shelf()
    shelf.put("a", 1)
    shelf.put("b", 2)
    for _ in range(KEPT_BUILDS):
        assert shelf.find("a") == 1
        shelf.turn()
    assert "b" in shelf, "an edit that is taken back costs nothing"
    shelf.turn()
    assert "a" in shelf
    assert "b" not in shelf
    assert shelf.find("b") is None
    assert shelf.made == 2


def made_by(season: Path, out: Path, memory: Memory) -> tuple[int, int]:
    runs, pictures = memory.runs.made, memory.pictures.made
    pipeline.build(season, out, memory=memory)
    return memory.runs.made - runs, memory.pictures.made - pictures


def bytes_of(site: Path) -> dict[str, bytes]:
    return {str(file.relative_to(site)): file.read_bytes() for file in site.rglob("*") if file.is_file()}


def test_a_build_with_memory_makes_the_same_site_and_only_what_changed(tmp_path: Path) -> None:
    season, memory = write_season(tmp_path / "season"), Memory()
    runs, pictures = made_by(season, tmp_path / "site", memory)
    assert runs == 4
    assert pictures > 4
    assert made_by(season, tmp_path / "site", memory) == (0, 0)

    (season / "q" / "conclusion.md").write_text("Other words.\n", encoding="utf-8")
    assert made_by(season, tmp_path / "site", memory) == (0, 0)

    (season / "q" / "logs" / "02.csv").write_text(log_text(1.08, 2), encoding="utf-8")
    runs, drawn = made_by(season, tmp_path / "site", memory)
    assert runs == 1
    assert 0 < drawn < pictures

    # a part and the air change every run that rests on them
    part = season / "parts" / "reed.yaml"
    part.write_text(part.read_text(encoding="utf-8").replace("1750", "1760"), encoding="utf-8")
    assert made_by(season, tmp_path / "site", memory)[0] == 4
    session = season / "q" / "session.yaml"
    text = session.read_text(encoding="utf-8")
    session.write_text(text.replace("temperature: 20 degC", "temperature: 20.0000001 degC"), encoding="utf-8")
    assert made_by(season, tmp_path / "site", memory)[0] == 4

    pipeline.build(season, tmp_path / "fresh")
    assert bytes_of(tmp_path / "site") == bytes_of(tmp_path / "fresh")


def test_pages_are_taken_again_only_where_nothing_they_rest_on_has_changed(tmp_path: Path) -> None:
    """Two sessions; after each change the site is that of a build without memory, and so many sessions are made."""
    season, site, memory = write_season(tmp_path / "season"), tmp_path / "site", Memory()
    shutil.copytree(season / "q", season / "second")
    session = season / "second" / "session.yaml"

    def made() -> int:
        before = memory.pages.made
        pipeline.build(season, site, memory=memory)
        pipeline.build(season, tmp_path / "fresh")
        assert bytes_of(site) == bytes_of(tmp_path / "fresh")
        return memory.pages.made - before

    def changed(file: Path, old: str, new: str) -> None:
        text = file.read_text(encoding="utf-8")
        assert old in text
        file.write_text(text.replace(old, new), encoding="utf-8")

    assert made() == 2
    assert made() == 0
    assert memory.assessments.made == 2
    (season / "q" / "conclusion.md").write_text("Other words.\n", encoding="utf-8")
    assert made() == 1
    changed(session, "title: ", "title: Again, ")
    assert made() == 1, "only the one whose title it is, and the lists"
    assert memory.assessments.made == 4
    (season / "q" / "logs" / "02.csv").write_text(log_text(1.08, 2), encoding="utf-8")
    assert made() == 1
    assert memory.assessments.made == 5
    changed(season / "parts" / "reed.yaml", "1750", "1760")
    assert made() == 2
    changed(season / "season.yaml", "title: ", "title: The ")
    assert made() == 2, "it stands at the head of every page"
    (season / "content").mkdir()
    (season / "content" / "glossary.md").write_text(
        "# Words\n\n## Hold\n\nOur own words.\n", encoding="utf-8"
    )
    assert made() == 2, "first uses of a word are linked on every page"
    (season / "layouts").mkdir()
    own = (LAYOUTS / "run.html").read_text(encoding="utf-8").replace("What it gave", "What came of it")
    (season / "layouts" / "run.html").write_text(own, encoding="utf-8")
    assert made() == 2
    assert "What came of it" in next(site.rglob("runs/*.html")).read_text(encoding="utf-8")


def test_progress_counts_logs_and_figures(tmp_path: Path) -> None:
    season = write_season(tmp_path / "season")
    told: list[tuple[str, int, int]] = []
    pipeline.build(season, tmp_path / "site", progress=lambda *step: told.append(step))
    logs = [(done, total) for what, done, total in told if what == "reading logs"]
    figures = [(done, total) for what, done, total in told if what == "drawing q"]
    assert logs == [(done, 4) for done in (1, 2, 3, 4)]
    assert figures == [(done, len(figures)) for done in range(1, len(figures) + 1)]
    assert len(figures) == len(list((tmp_path / "site").rglob("*.vl.json")))
