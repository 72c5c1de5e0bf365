"""What of a season's folder goes into an archive."""

from __future__ import annotations

import os
import zipfile
from pathlib import Path

from generator.publication.bag_contents import season_contents
from generator.publication.site import MARKER
from tests.seasons import write_season

PLAIN = [
    "parts/bench.yaml", "parts/brook.yaml", "parts/leaf.yaml", "parts/pond-4s.yaml", "parts/reed.yaml",
    "q/conclusion.md", "q/logs/01.csv", "q/logs/02.csv", "q/logs/03.csv", "q/logs/04.csv", "q/session.yaml",
    "rigs/stand.yaml", "season.yaml",
]  # fmt: skip


def test_everything_the_tester_put_there(tmp_path: Path) -> None:
    season = write_season(tmp_path / "season")
    for more in (
        "q/photo.jpg",
        "content/method.md",
        "shared/thresholds.yaml",
        "notes/mine.txt",
        "q/logs/05.bak",
    ):
        (season / more).parent.mkdir(exist_ok=True)
        (season / more).write_bytes(b"x")
    found = season_contents(season)
    assert [file.path for file in found.files] == sorted(
        [
            *PLAIN,
            "content/method.md",
            "notes/mine.txt",
            "q/logs/05.bak",
            "q/photo.jpg",
            "shared/thresholds.yaml",
        ]
    )
    assert found.left_out == ()


def test_what_stays_out_and_why(tmp_path: Path) -> None:
    season = write_season(tmp_path / "season")
    for name in (".git/config", ".DS_Store", "q/.session.yaml.swp", "q/session.yaml~", "q/#x#", "q/~$x.csv",
                 "Thumbs.db", "__MACOSX/a", "site/x.html", "old/x.txt"):  # fmt: skip
        (season / name).parent.mkdir(exist_ok=True)
        (season / name).write_bytes(b"x")
    (season / "site" / MARKER).write_text("ours")
    (season / "old" / "bagit.txt").write_text("BagIt-Version: 1.0\n")
    with zipfile.ZipFile(season / "old.zip", "w") as packed:
        packed.writestr("old/bagit.txt", "BagIt-Version: 1.0\n")
    with zipfile.ZipFile(season / "q" / "kept.zip", "w") as packed:
        packed.writestr("a", "not an archive")
    found = season_contents(season)
    assert [file.path for file in found.files] == sorted([*PLAIN, "q/kept.zip"])
    assert {left.path: left.why for left in found.left_out} == {
        ".git": "has a name that begins with a dot",
        ".DS_Store": "has a name that begins with a dot",
        "q/.session.yaml.swp": "has a name that begins with a dot",
        "q/session.yaml~": "is left behind by an editor",
        "q/#x#": "is left behind by an editor",
        "q/~$x.csv": "is left behind by an editor",
        "Thumbs.db": "is left behind by a program",
        "__MACOSX": "is left behind by a program",
        "site": "is a site made by Whirlbook",
        "old": "is an archive itself",
        "old.zip": "is an archive itself",
    }


def test_links_are_followed_where_intake_follows_them(tmp_path: Path) -> None:
    season = write_season(tmp_path / "season")
    outside = tmp_path / "secret.txt"
    outside.write_text("secret")
    (season / "q" / "logs" / "05.csv").symlink_to("01.csv")
    (season / "q" / "again").symlink_to("logs")
    (season / "q" / "secret.csv").symlink_to(outside)
    (season / "q" / "etc").symlink_to(tmp_path)
    (season / "q" / "nothing").symlink_to("nowhere")
    (season / "q" / "round").symlink_to("..")
    (season / ".hidden").mkdir()
    (season / ".hidden" / "x").write_text("x")
    (season / "q" / "peek").symlink_to("../.hidden/x")
    found = season_contents(season)
    again = [f"q/again/0{n}.csv" for n in range(1, 6)]
    assert [file.path for file in found.files] == sorted([*PLAIN, "q/logs/05.csv", *again])
    assert all(not file.file.is_symlink() for file in found.files)
    assert {left.path: left.why for left in found.left_out if left.path != ".hidden"} == {
        "q/secret.csv": "is a link out of the season",
        "q/etc": "is a link out of the season",
        "q/nothing": "is a link to nothing",
        "q/round": "is a link to a folder that holds it",
        "q/peek": "is a link to what is left out",
    }


def test_neither_file_nor_folder(tmp_path: Path) -> None:
    season = write_season(tmp_path / "season")
    os.mkfifo(season / "q" / "pipe")
    found = season_contents(season)
    assert [left.path for left in found.left_out] == ["q/pipe"]
    assert [file.path for file in found.files] == PLAIN


def test_a_season_named_by_a_link(tmp_path: Path) -> None:
    write_season(tmp_path / "season")
    (tmp_path / "link").symlink_to("season")
    assert [file.path for file in season_contents(tmp_path / "link").files] == PLAIN
