"""`archive`: bags that an independent reader finds valid, the same bytes every time, nothing overwritten."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import subprocess
import sys
import time
import zipfile
from collections.abc import Iterator
from pathlib import Path

import bagit
import pytest

import generator
from generator import cli
from generator.archiving import archive
from generator.intake.problems import OutputRefused, SeasonProblems, WhirlbookError
from generator.publication.bag_manifest import decoded
from generator.verifying import verify
from tests.bags import make_bag, without_charts
from tests.conftest import ROOT
from tests.seasons import SESSION, write_season


@pytest.fixture(scope="module")
def bag(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An archive of the small season; nobody writes to it."""
    return make_bag(tmp_path_factory.mktemp("archive"))


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    without_charts(monkeypatch)


def files_of(folder: Path) -> dict[str, str]:
    """Path -> checksum of everything below a folder."""
    return {
        file.relative_to(folder).as_posix(): hashlib.sha256(file.read_bytes()).hexdigest()
        for file in sorted(folder.rglob("*")) if file.is_file()
    }  # fmt: skip


def left_beside(folder: Path) -> list[str]:
    return sorted(entry.name for entry in folder.iterdir())


# --- what is in it ------------------------------------------------------------------------------------------


def test_an_independent_reader_finds_it_valid(bag: Path) -> None:
    """bagit, the reader of the Library of Congress (pypi.org/project/bagit)."""
    read = bagit.Bag(str(bag))
    read.validate()
    assert read.version_info == (1, 0)
    assert set(read.algorithms) == {"sha256", "sha512"}
    assert sorted(os.path.basename(name) for name in read.tagmanifest_files()) == [
        "tagmanifest-sha256.txt", "tagmanifest-sha512.txt",
    ]  # fmt: skip
    assert read.info["Whirlbook-Bag-Format"] == "whirlbook-bag/1"
    assert read.info["Bagging-Date"] == "2031-05-04"
    assert read.info["Bag-Software-Agent"] == f"Whirlbook {generator.__version__}"
    assert read.info["External-Identifier"].startswith("urn:uuid:")
    assert "Source-Organization" not in read.info, "the season states no author"
    size, count = read.info["Payload-Oxum"].split(".")
    payload = [file for file in (bag / "data").rglob("*") if file.is_file()]
    assert (int(size), int(count)) == (sum(f.stat().st_size for f in payload), len(payload))


@pytest.mark.skipif(shutil.which("sha512sum") is None, reason="no sha512sum here")
def test_the_command_in_its_readme_works(bag: Path) -> None:
    readme = (bag / "README.txt").read_text(encoding="utf-8")
    command = "sha512sum --quiet --check manifest-sha512.txt"
    assert f"    {command}\n" in readme
    done = subprocess.run(command.split(), cwd=bag, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout) == (0, "")


def test_the_season_is_in_it_byte_for_byte(bag: Path) -> None:
    assert files_of(bag / "data" / "season") == files_of(bag.parent / "season")
    log, copy = bag.parent / "season/q/logs/01.csv", bag / "data/season/q/logs/01.csv"
    assert copy.stat().st_mtime_ns == log.stat().st_mtime_ns


def test_results_site_versions_and_schemas_are_in_it(bag: Path) -> None:
    results = json.loads((bag / "data/results/q/results.json").read_text(encoding="utf-8"))
    assert results == next(iter(generator.analyse(bag.parent / "season")))
    assert (bag / "data/site/index.html").is_file()
    assert (bag / "data/site/sessions/q/b-against-a.html").is_file()
    assert (bag / "data/schemas/results.schema.json").is_file()
    versions = json.loads((bag / "data/software/versions.json").read_text(encoding="utf-8"))
    assert versions["packages"]["whirlbook"] == generator.__version__
    pinned = (bag / "data/software/requirements.txt").read_text(encoding="utf-8").splitlines()
    assert f"numpy=={versions['packages']['numpy']}" in pinned


def test_no_dot_file_is_in_it_and_nobody_may_build_over_its_pages(bag: Path) -> None:
    assert not [path for path in files_of(bag) if any(part.startswith(".") for part in path.split("/"))]
    with pytest.raises(OutputRefused, match="did not write"):
        generator.build(bag.parent / "season", bag / "data" / "site")


@pytest.mark.skipif(os.name == "nt", reason="permissions are of another kind there")
def test_everybody_may_read_it(bag: Path) -> None:
    modes = {(path.is_dir(), path.stat().st_mode & 0o777) for path in [bag, *bag.rglob("*")]}
    assert modes == {(True, 0o755), (False, 0o644)}


# --- the same bytes -----------------------------------------------------------------------------------------

ELSEWHERE = """
import os, sys, time
os.umask(0o077); time.tzset()
from pathlib import Path
import pytest
from generator.archiving import archive
from tests.bags import without_charts
with pytest.MonkeyPatch.context() as patch:
    without_charts(patch)
    archive(Path(sys.argv[1]), Path(sys.argv[2]), zipped=True)
"""


def test_zip_files_are_the_same_bytes_wherever_they_are_made(tmp_path: Path, quick: None) -> None:
    """Another folder, another umask, another time zone, another seed of hashes, another time of the files."""
    one = write_season(tmp_path / "here" / "season")
    made = archive(one, tmp_path / "here" / "kept", zipped=True).bags[0]
    assert made.path == tmp_path / "here" / "kept.zip"
    other = write_season(tmp_path / "other place" / "of another name")
    for file in other.rglob("*"):
        os.utime(file, (time.time() - 1e6, time.time() - 1e6))
    out = tmp_path / "other place" / "kept.zip"
    environment = {**os.environ, "TZ": "Pacific/Kiritimati", "PYTHONHASHSEED": "7", "PYTHONPATH": str(ROOT)}
    subprocess.run(
        [sys.executable, "-c", ELSEWHERE, str(other), str(out)], env=environment, cwd=tmp_path, check=True
    )
    assert out.read_bytes() == made.path.read_bytes()
    assert made.sha256 == hashlib.sha256(out.read_bytes()).hexdigest()


def test_folder_and_zip_hold_the_same(bag: Path, tmp_path: Path, quick: None) -> None:
    packed = archive(bag.parent / "season", tmp_path / "bag.ZIP", zipped=True).bags[0].path
    with zipfile.ZipFile(packed) as content:
        entries = content.infolist()
        content.extractall(tmp_path / "out")
    assert files_of(tmp_path / "out" / "bag") == files_of(bag)
    assert [entry.filename for entry in entries] == sorted(entry.filename for entry in entries)
    assert {entry.date_time for entry in entries} == {(2031, 5, 4, 0, 0, 0)}
    assert {(entry.create_system, entry.external_attr) for entry in entries} == {(3, 0o100644 << 16)}
    bagit.Bag(str(tmp_path / "out" / "bag")).validate()


def test_source_date_epoch_dates_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, quick: None) -> None:
    season = write_season(tmp_path / "season")
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1234567890")  # 2009-02-13 in UTC
    made = archive(season, tmp_path / "bag").bags[0].path
    assert "Bagging-Date: 2009-02-13\n" in (made / "bag-info.txt").read_text()
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "yesterday")
    with pytest.raises(WhirlbookError, match="not a count of seconds"):
        archive(season, tmp_path / "other")
    assert left_beside(tmp_path) == ["bag", "season"]


# --- nothing of anybody is replaced, nothing half is left -------------------------------------------------------


@pytest.mark.parametrize("options", [{}, {"zipped": True}, {"sessions": True}])
def test_nothing_is_ever_replaced(tmp_path: Path, options: dict[str, bool], quick: None) -> None:
    season = write_season(tmp_path / "season")
    out = tmp_path / ("out.zip" if "zipped" in options else "out")
    archive(season, out, **options)
    before = files_of(tmp_path)
    with pytest.raises(OutputRefused, match="already"):
        archive(season, out, **options)
    assert files_of(tmp_path) == before


def test_folders_that_are_refused(tmp_path: Path, quick: None) -> None:
    season = write_season(tmp_path / "season")
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "x").write_text("mine")
    (tmp_path / "file").write_text("mine")
    for out, told in (("mine", "holds files already"), ("file", "is there already"), ("season", "inside the season"),
                      ("season/archive", "inside the season"), ("/", "root of the disk")):  # fmt: skip
        with pytest.raises(OutputRefused, match=told):
            archive(season, tmp_path / out)
    assert left_beside(tmp_path) == ["file", "mine", "season"]


def test_an_empty_folder_is_taken(tmp_path: Path, quick: None) -> None:
    (tmp_path / "out").mkdir()
    archive(write_season(tmp_path / "season"), tmp_path / "out")
    assert verify(tmp_path / "out").sound


def test_if_it_fails_nothing_is_left(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, quick: None) -> None:
    def full(*_: object) -> Iterator[None]:
        raise OSError(28, "No space left on device")

    season = write_season(tmp_path / "season")
    monkeypatch.setattr("generator.archiving.crate_document", full)
    for options in ({}, {"sessions": True, "zipped": True}):
        with pytest.raises(OSError, match="No space"):
            archive(season, tmp_path / "out", **options)
    assert left_beside(tmp_path) == ["season"]


def test_a_season_with_problems_is_told_by_its_own_files(tmp_path: Path, quick: None) -> None:
    season = write_season(tmp_path / "season")
    (season / "q" / "logs" / "02.csv").write_text("t,cmd\n0,x\n")
    with pytest.raises(SeasonProblems) as found:
        archive(season, tmp_path / "out")
    assert {problem.file for problem in found.value.problems} == {f"{season}/q/logs/02.csv"}
    assert left_beside(tmp_path) == ["season"]


def test_a_log_that_would_be_left_out_is_told(tmp_path: Path, quick: None) -> None:
    season = write_season(tmp_path / "season")
    (season / "q/logs/02.csv").rename(season / "q/logs/.02.csv")
    session = season / "q/session.yaml"
    session.write_text(session.read_text().replace("logs/02.csv", "logs/.02.csv"))
    with pytest.raises(SeasonProblems) as found:
        archive(season, tmp_path / "out")
    told = [problem for problem in found.value.problems if problem.file.endswith(".02.csv")]
    assert [problem.what for problem in told] == [
        "is left out of the archive: it has a name that begins with a dot."
    ]


def test_awkward_names_survive(tmp_path: Path, quick: None) -> None:
    """A space, an accent, a percent sign, a line end: RFC 8493 2.1.3, and what disks do to names."""
    season = write_season(tmp_path / "season")
    names = ["q/80 %.txt", "q/é à.txt", "q/a\nb.txt", "q/#1?.txt"]
    for name in names:
        (season / name).write_text(name)
    made = archive(season, tmp_path / "out").bags[0].path
    lines = (made / "manifest-sha256.txt").read_text(encoding="utf-8").splitlines()
    listed = {decoded(line.split("  ", 1)[1]) for line in lines}
    assert {f"data/season/{name}" for name in names} <= listed
    assert verify(made).sound
    packed = archive(season, tmp_path / "packed", zipped=True).bags[0].path
    assert verify(packed).sound


# --- one bag a session ----------------------------------------------------------------------------------------


def two_sessions(folder: Path, *, standard: bool = False) -> Path:
    """The small season with a second session on another rig with another propeller.

    standard  the second session is on the same rig, and its check standard lends the first its scatter: the first has
              one run of each treatment only
    """
    season = write_season(folder)
    shutil.copytree(season / "q", season / "r")
    (season / "parts" / "twig.yaml").write_text((season / "parts" / "leaf.yaml").read_text())
    text = SESSION.replace("propeller: leaf", "propeller: twig").replace("2031-05-04", "2031-05-03")
    if standard:
        runs = SESSION.index("  - {log: logs/03.csv")
        (season / "q/session.yaml").write_text(SESSION[:runs] + SESSION[SESSION.index("claims:") :])
        text = (
            text.replace("baseline: a\n", "baseline: a\ncheck_standard: c\n")
            .replace(
                "primary:",
                "  c: {label: C, motor: reed, controller: brook, propeller: twig, supply: bench, cells: 4, "
                "volts_per_cell: 4.0 V}\nprimary:",
            )
            .replace(
                "03.csv, procedure: hold, treatment: b, repeat: 2",
                "03.csv, procedure: hold, treatment: c, repeat: 1",
            )
            .replace(
                "04.csv, procedure: hold, treatment: a, repeat: 2",
                "04.csv, procedure: hold, treatment: c, repeat: 2",
            )
        )
    else:
        (season / "rigs" / "loft.yaml").write_text((season / "rigs" / "stand.yaml").read_text())
        text = text.replace("rig: stand", "rig: loft")
    (season / "r/session.yaml").write_text(text)
    return season


def test_a_bag_for_each_session_holds_what_it_needs(tmp_path: Path, quick: None) -> None:
    season = two_sessions(tmp_path / "season")
    report = archive(season, tmp_path / "out", sessions=True)
    assert [bag.path for bag in report.bags] == [tmp_path / "out" / "r", tmp_path / "out" / "q"]
    q, r = (files_of(tmp_path / "out" / name / "data" / "season") for name in "qr")
    assert {path.split("/")[0] for path in q} == {"q", "rigs", "parts", "season.yaml"}
    assert {path for path in q if path.startswith("rigs")} == {"rigs/stand.yaml"}
    assert {path for path in r if path.startswith("rigs")} == {"rigs/loft.yaml"}
    assert "parts/twig.yaml" in r
    assert "parts/twig.yaml" not in q
    assert "parts/pond-4s.yaml" in q, "the pack of an aircraft of season.yaml"
    for bag in report.bags:
        bagit.Bag(str(bag.path)).validate()
        assert verify(bag.path).sound
        results = sorted(path.name for path in (bag.path / "data/results").iterdir())
        assert results == [bag.path.name]
        assert [p.name for p in (bag.path / "data/site/sessions").iterdir()] == [bag.path.name]
    info = bagit.Bag(str(tmp_path / "out" / "q")).info
    assert (info["Bag-Count"], info["Bag-Group-Identifier"]) == ("2 of 2", "Test season")
    assert info["Whirlbook-Contents"] == "session q"


def test_sessions_whose_check_standard_lends_the_scatter_come_along(tmp_path: Path, quick: None) -> None:
    season = two_sessions(tmp_path / "season", standard=True)
    whole = {document["session"]: document for document in generator.analyse(season)}
    assert {c["basis"] for c in whole["q"]["contrasts"]} >= {"rig repeatability"}
    report = archive(season, tmp_path / "out", sessions=True, zipped=True)
    assert [bag.path.name for bag in report.bags] == ["r.zip", "q.zip"]
    with zipfile.ZipFile(tmp_path / "out" / "q.zip") as packed:
        names = packed.namelist()
        kept = json.loads(packed.read("q/data/results/q/results.json"))
        readme = packed.read("q/README.txt").decode()
    assert kept == whole["q"]
    assert "q/data/season/r/session.yaml" in names
    assert "q/data/results/r/results.json" not in names
    assert "Other sessions lie in data/season/" in readme
    assert not [name for name in names if name.startswith("q/data/site/sessions/r/")]
    assert all(verify(bag.path).sound for bag in report.bags)


def test_a_conclusion_that_points_at_another_session(tmp_path: Path, quick: None) -> None:
    season = two_sessions(tmp_path / "season")
    (season / "q" / "conclusion.md").write_text("As [before](../r/index.html).\n")
    assert len(archive(season, tmp_path / "out", sessions=True).bags) == 2


# --- the command ----------------------------------------------------------------------------------------------


def test_the_command(tmp_path: Path, capsys: pytest.CaptureFixture[str], quick: None) -> None:
    season = write_season(tmp_path / "season")
    (season / "q" / "notes~").write_text("x")
    assert cli.main(["archive", str(season), "--out", str(tmp_path / "kept"), "--zip"]) == cli.DONE
    out, err = capsys.readouterr()
    assert f"{tmp_path / 'kept.zip'}: " in out
    assert f"sha256 {hashlib.sha256((tmp_path / 'kept.zip').read_bytes()).hexdigest()}" in out
    assert f"whirlbook verify {tmp_path / 'kept.zip'}" in out
    assert "q/notes~ was left out: it is left behind by an editor." in err
    assert cli.main(["archive", str(season), "--out", str(tmp_path / "kept.zip"), "--zip"]) == cli.NOT_WRITTEN
    assert "never replaces" in capsys.readouterr().err
    assert cli.main(["archive", str(tmp_path / "none"), "--out", str(tmp_path / "x")]) == cli.PROBLEMS


def test_from_python(tmp_path: Path, quick: None) -> None:
    report = generator.archive(str(write_season(tmp_path / "season")), str(tmp_path / "bag"))
    assert generator.verify(report.bags[0].path).sound
