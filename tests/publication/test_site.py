"""Writing a site: all or nothing, never over foreign files, the same bytes for the same input."""

from __future__ import annotations

import os
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest
from PIL import Image

from generator.intake.problems import OutputRefused, SeasonProblems
from generator.publication import replacing
from generator.publication import site as site_module
from tests.publication.site_checks import broken_links, faults_of, pages_of
from tests.publication.site_season import ROOT, make_season


def tree(folder: Path) -> dict[str, bytes]:
    return {str(f.relative_to(folder)): f.read_bytes() for f in sorted(folder.rglob("*")) if f.is_file()}


def test_two_builds_give_the_same_bytes(tmp_path: Path) -> None:
    given = make_season(tmp_path / "season", repeats=1, small=True, kept=range(1, 3), conclusion=None)
    given.write(tmp_path / "a")
    given.write(tmp_path / "b")
    first, second = tree(tmp_path / "a"), tree(tmp_path / "b")
    assert first.keys() == second.keys()
    assert [name for name in first if first[name] != second[name]] == []


def test_workers_change_nothing(tmp_path: Path) -> None:
    given = make_season(tmp_path / "season", repeats=1, small=True, kept=(1,), conclusion=None)
    given.write(tmp_path / "a")
    given.write(tmp_path / "b", workers=2)
    assert tree(tmp_path / "a") == tree(tmp_path / "b")


def test_report_counts_what_was_written(tmp_path: Path, plain_charts: None) -> None:
    report = make_season(tmp_path / "season", small=True, kept=range(1, 4)).write(tmp_path / "site")
    files = tree(tmp_path / "site")
    assert report.pages == sum(name.endswith(".html") for name in files)
    assert report.figures == sum(name.endswith(".vl.json") for name in files)
    assert report.files == len(files)
    assert report.bytes == sum(len(content) for content in files.values())
    assert f"{report.pages} pages" in report.summary()


def test_a_new_build_takes_the_place_of_the_old(tmp_path: Path, plain_charts: None) -> None:
    given = make_season(tmp_path / "season", small=True, kept=(1,), conclusion=None)
    given.write(tmp_path / "site")
    (tmp_path / "site" / "stale.html").write_text("old")
    given.write(tmp_path / "site")
    assert not (tmp_path / "site" / "stale.html").exists()
    assert sorted(entry.name for entry in tmp_path.iterdir()) == ["season", "site"]


def test_foreign_folder_is_refused_and_left_alone(tmp_path: Path) -> None:
    given = make_season(tmp_path / "season", small=True, kept=(1,))
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "thesis.txt").write_text("years of work")
    with pytest.raises(OutputRefused, match="files that Whirlbook did not write"):
        given.write(tmp_path / "mine")
    assert tree(tmp_path / "mine") == {"thesis.txt": b"years of work"}


def test_empty_folder_is_taken(tmp_path: Path, plain_charts: None) -> None:
    (tmp_path / "site").mkdir()
    make_season(tmp_path / "season", small=True, kept=(1,), conclusion=None).write(tmp_path / "site")
    assert (tmp_path / "site" / "index.html").is_file()


def test_file_and_season_and_root_are_refused(tmp_path: Path) -> None:
    given = make_season(tmp_path / "season", small=True, kept=(1,))
    (tmp_path / "note").write_text("x")
    with pytest.raises(OutputRefused, match="is a file"):
        given.write(tmp_path / "note")
    with pytest.raises(OutputRefused, match="holds the season itself"):
        given.write(tmp_path)
    with pytest.raises(OutputRefused, match="root of the disk"):
        given.write(Path(tmp_path.anchor))


@pytest.mark.parametrize(("module", "stage"), [(site_module, "_write_assets"), (replacing, "_put")])
def test_failure_keeps_the_old_site(
    tmp_path: Path, plain_charts: None, monkeypatch: pytest.MonkeyPatch, module: ModuleType, stage: str
) -> None:
    given = make_season(tmp_path / "season", small=True, kept=(1,), conclusion=None)
    given.write(tmp_path / "site")
    before = tree(tmp_path / "site")

    def fail(*_: Any) -> None:
        raise OSError("the disk is full")

    monkeypatch.setattr(module, stage, fail)
    with pytest.raises(OSError, match="the disk is full"):
        given.write(tmp_path / "site")
    assert tree(tmp_path / "site") == before
    assert sorted(entry.name for entry in tmp_path.iterdir()) == ["season", "site"]


def test_failing_rename_puts_the_old_site_back(
    tmp_path: Path, plain_charts: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    given = make_season(tmp_path / "season", small=True, kept=(1,), conclusion=None)
    given.write(tmp_path / "site")
    before, real = tree(tmp_path / "site"), os.rename
    monkeypatch.setattr(replacing, "_exchanged", lambda one, other: False)

    def second_fails(source: Path, target: Path) -> None:
        if ".building-" in str(source):
            raise OSError("renaming fails")
        real(source, target)

    monkeypatch.setattr(os, "rename", second_fails)
    with pytest.raises(OSError, match="renaming fails"):
        given.write(tmp_path / "site")
    assert tree(tmp_path / "site") == before
    assert sorted(entry.name for entry in tmp_path.iterdir()) == ["season", "site"]


def test_all_problems_come_in_one_pass_and_nothing_is_written(tmp_path: Path) -> None:
    given = make_season(
        tmp_path / "season",
        small=True,
        kept=range(1, 3),
        conclusion="{{ value('thrust', 'nobody') }}\n\n{{ speed() }}\n\n![x](nowhere.png)\n",
    )
    logs = [file for _, file in sorted(given.log_files.items())]
    logs[0].unlink()
    logs[1].write_text("changed since")
    with pytest.raises(SeasonProblems) as caught:
        given.write(tmp_path / "site")
    told = "\n".join(str(problem) for problem in caught.value.problems)
    wanted = (
        "conclusion.md:1",
        "'nobody' has no result for thrust",
        "conclusion.md:3",
        "'speed' is not a function",
        "conclusion.md:5",
        "'nowhere.png' is not a photo",
        "is not there",
        "is not the file that was analysed",
    )
    for words in wanted:
        assert words in told, words
    assert not (tmp_path / "site").exists()


def test_conclusion_link_to_nowhere_is_a_problem(tmp_path: Path, plain_charts: None) -> None:
    given = make_season(tmp_path / "season", small=True, kept=(1,), conclusion="Text.\n\n[see](lost.html)\n")
    with pytest.raises(SeasonProblems, match=r"conclusion.md:3: .*sessions/cells/lost.html.* leads nowhere"):
        given.write(tmp_path / "site")
    assert sorted(entry.name for entry in tmp_path.iterdir()) == ["season"]


def test_conclusion_link_to_no_place_of_a_page_is_a_problem(tmp_path: Path, plain_charts: None) -> None:
    text = "[good](#runs-table), [good too](../../method.html#hold), [bad](../../method.html#lost)\n"
    given = make_season(tmp_path / "season", small=True, kept=(1,), conclusion=text)
    with pytest.raises(SeasonProblems) as caught:
        given.write(tmp_path / "site")
    assert [problem.what for problem in caught.value.problems] == [
        "the link to 'method.html#lost' leads nowhere on this site."
    ]


def test_photo_of_a_conclusion_is_published(tmp_path: Path, plain_charts: None) -> None:
    given = make_season(
        tmp_path / "season", small=True, kept=(1,), conclusion="![The stand in the loft](stand.png)\n"
    )
    Image.new("RGB", (30, 20), "red").save(tmp_path / "season" / "cells" / "stand.png")
    given.write(tmp_path / "site")
    with Image.open(tmp_path / "site/sessions/cells/photos/stand.png") as shown:
        assert shown.size == (30, 20)
    assert broken_links(pages_of(tmp_path / "site")) == []


HOSTILE = "<script>alert(1)</script>\"'><img src=x onerror=alert(2)> {{ 7*7 }} & co"


def test_hostile_words_stay_words(tmp_path: Path, plain_charts: None) -> None:
    given = make_season(
        tmp_path / "season",
        small=True,
        conclusion="<script>alert(1)</script>\"'><b onclick=alert(2)>b</b> & co"
        + "\n\n[x](javascript:alert(3))\n",
        session={"title": HOSTILE, "question": HOSTILE, "tester": HOSTILE},
        season={"title": HOSTILE, "about": HOSTILE, "notice": HOSTILE, "author": HOSTILE, "licence": HOSTILE},
        repeats=1,
        kept=(1, 2, 7),
    )
    given.write(tmp_path / "site")
    pages = pages_of(tmp_path / "site")
    assert [f"{page.name}: {fault}" for page in pages for fault in faults_of(page)] == []
    for page in pages:
        tags = [tag for tag, _ in page.elements]
        own = {"page.js", "units.js", "filters.js", "search.js", "search-1.js", "overlay.js", "overlay-plot.js",
               "explore.js"}  # fmt: skip
        for tag, element in page.elements:
            if tag == "script":  # ours by name, or facts as data
                source = element.attrib.get("src", "").rsplit("/", 1)[-1]
                assert source in own or element.attrib.get("type") == "application/ld+json"
        assert "img" not in tags or 'src="x"' not in page.text
    front = next(page for page in pages if page.name == "index.html")
    assert HOSTILE in front.words()


def test_a_seasons_own_layouts_and_texts_override_single_files(tmp_path: Path, plain_charts: None) -> None:
    (tmp_path / "layouts" / "assets").mkdir(parents=True)
    (tmp_path / "content").mkdir()
    (tmp_path / "layouts/claims.html").write_text(
        '{% extends "page.html" %}{% block content %}<h1>Our claims</h1>{% endblock %}'
    )
    (tmp_path / "layouts/assets/style.css").write_text("/* ours */")
    (tmp_path / "content/safety.md").write_text("# Our rules\n\nEyes first.\n")
    make_season(tmp_path / "season", small=True, kept=(1,), conclusion=None).write(
        tmp_path / "site",
        layout_folders=(ROOT / "layouts", tmp_path / "layouts"),
        content_folders=(ROOT / "content", tmp_path / "content"),
    )
    assert "Our claims" in (tmp_path / "site/claims.html").read_text()
    assert (tmp_path / "site/assets/style.css").read_text() == "/* ours */"
    assert "Eyes first." in (tmp_path / "site/safety.html").read_text()
    assert "assets/colours.css" in (tmp_path / "site/index.html").read_text()


def test_misspelt_name_in_a_layout_fails_loudly(tmp_path: Path, plain_charts: None) -> None:
    (tmp_path / "layouts").mkdir()
    (tmp_path / "layouts/claims.html").write_text("{{ page.tallly }}")
    with pytest.raises(Exception, match="tallly"):
        make_season(tmp_path / "season", small=True, kept=(1,), conclusion=None).write(
            tmp_path / "site", layout_folders=(ROOT / "layouts", tmp_path / "layouts")
        )


def test_address_of_the_site_is_used_where_it_is_known(tmp_path: Path, plain_charts: None) -> None:
    given = make_season(
        tmp_path / "season",
        small=True,
        kept=(1,),
        conclusion=None,
        season={"base_url": "https://example.org/b/"},
    )
    given.write(tmp_path / "site")
    text = (tmp_path / "site/sessions/cells/index.html").read_text()
    assert '<link rel="canonical" href="https://example.org/b/sessions/cells/index.html">' in text
    assert 'href="https://example.org/b/"' in (tmp_path / "site/index.html").read_text()


def test_names_that_meet_on_a_disk_that_ignores_case(tmp_path: Path, plain_charts: None) -> None:
    from dataclasses import replace

    given = make_season(tmp_path / "season", small=True, kept=(1,), conclusion=None)
    analysis = given.analyses[0]
    twin = replace(analysis.runs[0], run_id=analysis.runs[0].run_id.upper(), order=2)
    clash = replace(given, analyses=(replace(analysis, runs=(analysis.runs[0], twin)),))
    with pytest.raises(SeasonProblems, match="Rename one of the runs"):
        clash.write(tmp_path / "site")
