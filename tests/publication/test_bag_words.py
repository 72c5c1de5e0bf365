"""What an archive says of itself in words, its versions, and its zip files."""

from __future__ import annotations

import datetime
import zipfile
from pathlib import Path

import bagit
import pytest

from generator.archiving import archive
from generator.intake.problems import WhirlbookError
from generator.publication.bag_check import info_of
from generator.publication.bag_source import opened
from generator.publication.bag_words import bag_date
from generator.publication.bag_writing import info_text
from generator.publication.bag_zip import write_zip
from generator.publication.software_versions import installed_versions, requirements_text, version_differences
from tests.bags import without_charts
from tests.publication.site_season import make_season
from tests.seasons import SEASON, write_season


def test_values_stand_on_one_line_and_nothing_is_left_empty() -> None:
    written = info_text([("External-Description", "One\ntwo:\r\n\r\n  three "), ("Source-Organization", " ")])
    assert written == b"External-Description: One two: three\n"


def test_labels_as_two_readers_read_them(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """RFC 8493, 2.2.2: our own reader and the independent one agree, folded lines and all."""
    without_charts(monkeypatch)
    season = write_season(tmp_path / "season")
    (season / "season.yaml").write_text(SEASON + "author: 'A club: invented'\n")
    bag = archive(season, tmp_path / "bag").bags[0].path
    info = bag / "bag-info.txt"
    info.write_text(info.read_text() + "External-Note: begins\n  goes on\n")
    theirs = bagit.Bag(str(bag)).info
    with opened(bag) as source:
        ours = info_of(source)
    assert ours["source-organization"] == theirs["Source-Organization"] == "A club: invented"
    assert ours["external-note"] == "begins goes on"
    assert " ".join(theirs["External-Note"].split()) == "begins goes on"
    assert set(ours) == {label.lower() for label in theirs}


def test_date_of_a_bag(tmp_path: Path) -> None:
    season = make_season(tmp_path / "s", repeats=1).season
    assert bag_date(season, {}) == datetime.date(2031, 5, 4)
    assert bag_date(season, {"SOURCE_DATE_EPOCH": "0"}) == datetime.date(1970, 1, 1)
    assert bag_date(season, {"SOURCE_DATE_EPOCH": " "}) == datetime.date(2031, 5, 4)
    for wrong in ("1.5", "soon", "99999999999999999999"):
        with pytest.raises(WhirlbookError, match="SOURCE_DATE_EPOCH"):
            bag_date(season, {"SOURCE_DATE_EPOCH": wrong})


def test_the_readme_says_what_matters(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    without_charts(monkeypatch)
    season = write_season(tmp_path / "season")
    bag = archive(season, tmp_path / "one").bags[0].path
    text = (bag / "README.txt").read_text(encoding="utf-8")
    assert max(map(len, text.splitlines())) <= 78
    for words in ("Test season", "All data here are invented.", "data/site/index.html", "whirlbook verify",
                  "requirements.txt", "licensed practitioner", "not stated; ask before you use it"):  # fmt: skip
        assert words in text
    assert "Photos" not in text
    assert "Simulated" not in text
    (season / "q" / "stand.jpg").write_bytes(b"x")
    bag = archive(season, tmp_path / "two").bags[0].path
    text = " ".join((bag / "README.txt").read_text(encoding="utf-8").split())
    assert "Photos are kept as they were. A camera may have written into them where" in text
    assert (bag / "data/season/q/stand.jpg").read_bytes() == b"x"


def test_versions_are_of_what_is_needed_and_installed() -> None:
    found = installed_versions("1.2.3")
    packages = found["packages"]
    assert packages["whirlbook"] == "1.2.3"
    assert {"numpy", "scipy", "pandas", "altair", "jinja2", "markupsafe"} <= set(
        packages
    )  # the last is jinja2's
    assert not {"pytest", "mypy", "ruff"} & set(packages), "what only tests it"
    lines = requirements_text(found).decode().splitlines()
    assert lines[0].startswith("# With ")
    assert [line.split("==")[0] for line in lines[1:]] == sorted(packages)


def test_versions_that_differ() -> None:
    then = {"python": "3.11", "packages": {"whirlbook": "1", "numpy": "2", "old": "1"}}
    now = {"python": "3.12", "packages": {"whirlbook": "2", "numpy": "2", "new": "1"}}
    assert version_differences(then, now) == (
        "python 3.11 then, 3.12 now",
        "whirlbook 1 then, 2 now",
        "new not there then, 1 now",
        "old 1 then, not there now",
    )
    assert version_differences(then, then) == ()


@pytest.mark.parametrize(("date", "told"), [((1970, 1, 1), (1980, 1, 1)), ((2200, 1, 1), (2107, 12, 31))])
def test_dates_that_a_zip_file_cannot_tell(
    tmp_path: Path, date: tuple[int, int, int], told: tuple[int, ...]
) -> None:
    (tmp_path / "bag").mkdir()
    (tmp_path / "bag" / "a").write_text("x")
    write_zip(tmp_path / "bag", "bag", tmp_path / "bag.zip", datetime.date(*date))
    assert zipfile.ZipFile(tmp_path / "bag.zip").infolist()[0].date_time[:3] == told


def test_packed_files_are_not_packed_again(tmp_path: Path) -> None:
    (tmp_path / "bag").mkdir()
    for name in ("a.csv", "a.csv.gz", "a.PNG"):
        (tmp_path / "bag" / name).write_bytes(b"x" * 1000)
    write_zip(tmp_path / "bag", "bag", tmp_path / "bag.zip", datetime.date(2031, 1, 1))
    kinds = {
        entry.filename: entry.compress_type for entry in zipfile.ZipFile(tmp_path / "bag.zip").infolist()
    }
    assert kinds == {"bag/a.csv": zipfile.ZIP_DEFLATED, "bag/a.csv.gz": zipfile.ZIP_STORED,
                     "bag/a.PNG": zipfile.ZIP_STORED}  # fmt: skip
