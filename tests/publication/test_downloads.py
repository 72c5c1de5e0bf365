"""The page of downloads, and the list of checksums as the tools of other people read it."""

from __future__ import annotations

import hashlib
import json
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import jsonschema
import pytest

from generator.evidence.results_document import results_schema
from generator.publication.downloads_page import checksum_list, downloads_page, season_citation, size_text
from generator.publication.page_frame import Site
from tests.publication.site_checks import Page
from tests.publication.site_season import Given, make_season


@pytest.mark.parametrize(
    ("size", "text"),
    [
        (0, "0 bytes"), (999, "999 bytes"), (1000, "1.00 kB"), (12_345, "12.3 kB"), (395_400, "395 kB"),
        (999_499, "999 kB"), (999_500, "1.00 MB"), (7_380_000, "7.38 MB"), (1_234_567_890, "1\u202f235 MB"),
    ],
)  # fmt: skip
def test_sizes(size: int, text: str) -> None:
    assert size_text(size).replace("\u00a0", " ") == text


def test_checksums_are_those_of_the_files(plain_site: Path) -> None:
    for folder in sorted((plain_site / "sessions").iterdir()):
        lines = (folder / "logs.sha256").read_text().splitlines()
        told = {line[66:]: line[:64] for line in lines}
        assert told == {
            f"logs/{log.name}": hashlib.sha256(log.read_bytes()).hexdigest()
            for log in (folder / "logs").iterdir()
        }
        assert told


@pytest.mark.skipif(shutil.which("sha256sum") is None, reason="no sha256sum here")
def test_the_printed_command_tells_a_changed_log(plain_site: Path, tmp_path: Path) -> None:
    page = (plain_site / "downloads.html").read_text()
    command = ["sha256sum", "--check", "--ignore-missing", "logs.sha256"]
    assert f">{' '.join(command)}</pre>" in page
    shutil.copytree(plain_site / "sessions/cells", tmp_path / "cells")
    logs = sorted((tmp_path / "cells/logs").iterdir())
    logs[0].unlink()

    def run() -> subprocess.CompletedProcess[str]:
        return subprocess.run(command, cwd=tmp_path / "cells", capture_output=True, text=True, check=False)

    good = run()
    assert (good.returncode, good.stdout.count(": OK")) == (0, len(logs) - 1)
    logs[1].write_bytes(logs[1].read_bytes() + b" ")
    bad = run()
    assert bad.returncode == 1
    assert f"logs/{logs[1].name}: FAILED" in bad.stdout


@pytest.mark.skipif(shutil.which("sha256sum") is None, reason="no sha256sum here")
def test_names_that_need_escaping(tmp_path: Path) -> None:
    given = make_season(tmp_path / "season", small=True, repeats=1, kept=(1, 2))
    names = ("logs/a\nb.csv", "logs/c d.csv")
    runs = []
    for run, name in zip(given.analyses[0].runs, names, strict=True):
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_text(name)
        runs.append(replace(run, log=name, sha256=hashlib.sha256(name.encode()).hexdigest()))
    (tmp_path / "list").write_bytes(checksum_list(replace(given.analyses[0], runs=tuple(runs))))
    done = subprocess.run(
        ["sha256sum", "--check", "list"], cwd=tmp_path, capture_output=True, text=True, check=False
    )
    assert (done.returncode, done.stdout.count(": OK")) == (0, 2)


def site_of(given: Given) -> Site:
    return Site(season=given.season, version="1.2", newest="4 May 2031", has_claims=True, simulated="")


def test_one_row_a_session(tmp_path: Path) -> None:
    given = make_season(tmp_path / "season", repeats=1)
    sizes = dict.fromkeys(given.log_files, 1500)
    _, page = downloads_page(site_of(given), {a.session_id: a for a in given.analyses}, sizes)
    counts = [len(analysis.runs) for analysis in given.analyses]  # the newest first here too
    assert [[cell.text for cell in row] for row in page.sessions.rows] == [
        [session.file.title, date, str(runs), "results.json", f"{runs} raw logs", "logs.sha256", "CC BY 4.0"]
        for session, date, runs in zip(
            reversed(given.season.sessions),
            ("4\u00a0May 2031", "2\u00a0April 2031"),
            counts,
            strict=True,
        )
    ]
    assert page.sessions.rows[0][4].note == size_text(1500 * counts[0])
    assert [row[0].note for row in page.sessions.rows] == ["", "simulated data"]
    assert page.tally == f"2 sessions, {sum(counts)} raw logs, {size_text(1500 * sum(counts))} of logs."
    assert page.season == (
        "An invented club: An invented season. Bench tests of small electric propulsion. Data: CC BY 4.0. "
        "Made with Whirlbook 1.2."
    )
    assert [it.session.text for it in page.citations] == [row[0].text for row in page.sessions.rows]


def test_what_a_season_does_not_state_is_not_made_up(tmp_path: Path) -> None:
    given = make_season(tmp_path / "season", small=True, repeats=1, season={"licence": None, "author": None})
    _, page = downloads_page(
        site_of(given), {a.session_id: a for a in given.analyses}, dict.fromkeys(given.log_files, 1)
    )
    assert page.sessions.rows[0][-1].text == "not stated"
    assert season_citation(given.season, "1") == (
        "An invented season. Bench tests of small electric propulsion. Made with Whirlbook 1."
    )


def test_a_season_without_sessions(tmp_path: Path) -> None:
    given = make_season(tmp_path / "season", small=True, repeats=1)
    _, page = downloads_page(site_of(given), {}, {})
    assert page.tally == "0 sessions, 0 raw logs, 0\u00a0bytes of logs."
    assert page.example == ""


def test_the_page_leads_to_everything(plain_site: Path) -> None:
    page = Page(plain_site, plain_site / "downloads.html")
    assert {"sessions/cells/results.json", "sessions/rehearsed/results.json", "sessions/cells/logs.sha256",
            "results.schema.json", "method.html"} <= set(page.hrefs())  # fmt: skip
    front = Page(plain_site, plain_site / "index.html")
    assert "downloads.html" in front.hrefs()
    schema = json.loads((plain_site / "results.schema.json").read_text())
    assert schema == results_schema()
    jsonschema.Draft202012Validator.check_schema(schema)


def test_the_archive_is_explained(plain_site: Path) -> None:
    page = Page(plain_site, plain_site / "downloads.html")
    assert page.ids()["archive"] == 1
    for command in ("whirlbook archive SEASON --out ARCHIVE --zip", "whirlbook verify ARCHIVE.zip"):
        assert command in page.words()
