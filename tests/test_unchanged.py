"""A build with nothing to do does nothing, and says so; whatever changed, however little, is built."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from generator import cli, unchanged
from generator.unchanged import is_current, made_from
from tests.conftest import ROOT
from tests.seasons import write_season


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("unchanged")
    write_season(folder / "season")
    assert cli.main(["build", str(folder / "season"), "--out", str(folder / "site")]) == cli.DONE
    return folder


@pytest.fixture
def both(built: Path, tmp_path: Path) -> Path:
    shutil.copytree(built, tmp_path / "both", symlinks=True)
    return tmp_path / "both"


def current(folder: Path) -> bool:
    return is_current(folder / "site", made_from(folder / "season"))


def test_a_second_build_finds_nothing_to_do(both: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before = {file: file.stat().st_mtime_ns for file in (both / "site").rglob("*")}
    assert cli.main(["build", str(both / "season"), "--out", str(both / "site")]) == cli.DONE
    assert "Nothing has changed" in capsys.readouterr().out
    assert {file: file.stat().st_mtime_ns for file in (both / "site").rglob("*")} == before


def test_asked_to_it_builds_all_the_same(both: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["build", str(both / "season"), "--out", str(both / "site"), "--anew"]) == cli.DONE
    assert "pages" in capsys.readouterr().out
    assert current(both), "the same bytes again"


def test_it_does_not_matter_where_the_folders_lie_or_how_old_they_are(both: Path, built: Path) -> None:
    for file in (both / "season").rglob("*"):
        os.utime(file, (1, 1))
    assert made_from(both / "season") == made_from(built / "season")
    assert current(both)


def test_every_byte_of_the_season_counts(both: Path) -> None:
    for file in sorted((both / "season").rglob("*")):
        if file.is_file():
            content, when = file.read_bytes(), file.stat()
            file.write_bytes(content[:-1] + bytes([content[-1] ^ 1]))
            os.utime(file, ns=(when.st_atime_ns, when.st_mtime_ns))
            assert not current(both), file
            file.write_bytes(content)
            assert current(both)


def test_every_byte_of_the_site_counts(both: Path) -> None:
    files = [f for f in sorted((both / "site").rglob("*")) if f.is_file() and f.name != unchanged.MARKER]
    for file in (files[0], files[len(files) // 2], files[-1]):
        content = file.read_bytes()
        file.write_bytes(content + b" ")
        assert not current(both), file
        file.unlink()
        assert not current(both), file
        file.write_bytes(content)
        assert current(both)
    (both / "site" / "more.html").write_text("x", encoding="utf-8")
    assert not current(both)


@pytest.mark.parametrize("said", [b"", b"\xff\xfe", b"made from: \nholds: \n"])
def test_a_marker_that_says_nothing_is_no_word_for_it(both: Path, said: bytes) -> None:
    (both / "site" / unchanged.MARKER).write_bytes(said)
    assert not current(both)


def test_new_files_names_and_links_count(both: Path) -> None:
    one = made_from(both / "season")
    (both / "season/parts/note.txt").write_text("", encoding="utf-8")
    two = made_from(both / "season")
    (both / "season/parts/note.txt").rename(both / "season/parts/other.txt")
    three = made_from(both / "season")
    (both / "season/link").symlink_to(both / "season/parts", target_is_directory=True)
    four = made_from(both / "season")
    assert len({one, two, three, four}) == 4
    (both / "season/.hidden").write_text("x", encoding="utf-8")
    assert made_from(both / "season") == four


def test_code_and_libraries_count(both: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    one = made_from(both / "season")
    monkeypatch.setattr(unchanged, "LIBRARIES", ("numpy",))
    assert made_from(both / "season") != one
    monkeypatch.undo()
    copy = both / "package"
    shutil.copytree(unchanged.PACKAGE, copy)
    monkeypatch.setattr(unchanged, "PACKAGE", copy)
    two = made_from(both / "season")
    with (copy / "cli.py").open("a", encoding="utf-8") as file:
        file.write("\n")
    assert made_from(both / "season") != two


def test_a_device_in_the_season_is_not_opened(both: Path) -> None:
    os.mkfifo(both / "season/parts/pipe.yaml")
    assert made_from(both / "season")


def test_nothing_heavy_is_loaded(both: Path) -> None:
    program = (
        "import sys; from generator import cli; code = cli.main(sys.argv[1:]);"
        "heavy = {'pandas', 'numpy', 'altair', 'scipy', 'pyarrow', 'pydantic', 'jinja2', 'vl_convert', 'PIL', 'yaml'};"
        "print(sorted(heavy & set(sys.modules))); sys.exit(code)"
    )
    made = subprocess.run(
        [sys.executable, "-c", program, "build", str(both / "season"), "--out", str(both / "site")],
        cwd=ROOT, capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    assert made.returncode == cli.DONE, made.stderr
    assert made.stdout.splitlines()[-1] == "[]"
