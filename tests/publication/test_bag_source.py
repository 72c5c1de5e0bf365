"""A bag from somebody else: what is read of it, and what is not."""

from __future__ import annotations

import struct
import zipfile
from pathlib import Path

import pytest

from generator.publication import bag_source
from generator.publication.bag_source import BagRefused, opened, whole

DECLARED = b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"


def zipped(folder: Path, entries: dict[str, bytes], method: int = zipfile.ZIP_DEFLATED) -> Path:
    """A zip file of these entries."""
    file = folder / "bag.zip"
    with zipfile.ZipFile(file, "w", method) as packed:
        for name, content in entries.items():
            packed.writestr(name, content)
    return file


def refusal(bag: Path) -> str:
    """Why a bag is refused."""
    with pytest.raises(BagRefused) as refused, opened(bag):
        pass
    return str(refused.value)


def test_folder_and_zip_give_the_same(tmp_path: Path) -> None:
    bag = tmp_path / "bag"
    (bag / "data").mkdir(parents=True)
    (bag / "bagit.txt").write_bytes(DECLARED)
    (bag / "data" / "ä b.csv").write_bytes(b"1,2\n")
    packed = zipped(tmp_path, {"any/bagit.txt": DECLARED, "any/data/": b"", "any/data/ä b.csv": b"1,2\n"})
    flat = tmp_path / "flat"
    flat.mkdir()
    loose = zipped(flat, {"bagit.txt": DECLARED, "data/ä b.csv": b"1,2\n"})
    for place in (bag, packed, loose):
        with opened(place) as source:
            assert source.files == {"bagit.txt": len(DECLARED), "data/ä b.csv": 4}
            assert whole(source, "data/ä b.csv") == b"1,2\n"
            assert source.faults == {}


def test_what_is_no_bag_is_told_so(tmp_path: Path) -> None:
    assert "is not there" in refusal(tmp_path / "nothing")
    assert "holds no bagit.txt" in refusal(tmp_path)
    (tmp_path / "text.zip").write_text("no zip")
    assert "neither a folder nor a zip file" in refusal(tmp_path / "text.zip")
    assert "holds no bagit.txt" in refusal(zipped(tmp_path, {"a": b""}))
    assert "holds 2 bags" in refusal(zipped(tmp_path, {"a/bagit.txt": b"", "b/bagit.txt": b""}))


@pytest.mark.parametrize("name", ["../x", "bag/../../x", "/etc/x", "C:/x", "bag\\..\\x"])
def test_a_zip_file_that_leads_out_is_not_read(tmp_path: Path, name: str) -> None:
    bag = zipped(tmp_path, {"bag/bagit.txt": DECLARED, name: b"x"})
    told = refusal(bag)
    assert "leads out of the folder" in told
    assert "Nothing of it was read" in told


def test_links_in_a_zip_file_are_not_read(tmp_path: Path) -> None:
    bag = tmp_path / "bag.zip"
    with zipfile.ZipFile(bag, "w") as packed:
        packed.writestr("bag/bagit.txt", DECLARED)
        link = zipfile.ZipInfo("bag/data/x")
        link.external_attr = 0o120777 << 16
        packed.writestr(link, "/etc/passwd")
    assert "is a link" in refusal(bag)


def test_links_in_a_folder_are_told_and_not_followed(tmp_path: Path) -> None:
    bag = tmp_path / "bag"
    (bag / "data").mkdir(parents=True)
    (bag / "bagit.txt").write_bytes(DECLARED)
    (tmp_path / "secret").write_text("x")
    (bag / "data" / "file").symlink_to(tmp_path / "secret")
    (bag / "data" / "folder").symlink_to(tmp_path)
    with opened(bag) as source:
        assert set(source.files) == {"bagit.txt"}
        assert set(source.faults) == {"data/file", "data/folder"}


def test_a_bomb_is_not_read(tmp_path: Path) -> None:
    bag = zipped(tmp_path, {"bag/bagit.txt": DECLARED, "bag/data/zeros": b"\0" * 150_000_000})
    assert bag.stat().st_size < 1_000_000
    assert "more than 200 times its size" in refusal(bag)


def test_overlapping_files_are_not_read(tmp_path: Path) -> None:
    """Many entries of the central directory that point at one and the same data."""
    bag = zipped(tmp_path, {"bag/bagit.txt": DECLARED, "bag/data/x": b"x" * 2000}, zipfile.ZIP_STORED)
    raw = bag.read_bytes()
    start = raw.index(b"PK\x01\x02")
    end = raw.index(b"PK\x05\x06")
    directory = raw[start:end]
    last = directory[directory.rindex(b"PK\x01\x02") :]
    copies = b"".join(last.replace(b"bag/data/x", f"bag/data/{n}".encode()) for n in range(5))
    record = bytearray(raw[end:])
    struct.pack_into("<HHL", record, 8, 7, 7, len(directory) + len(copies))
    bag.write_bytes(raw[:start] + directory + copies + bytes(record))
    assert len(zipfile.ZipFile(bag).infolist()) == 7
    assert "overlap" in refusal(bag)


def test_more_files_than_any_season(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bag_source, "MOST_FILES", 3)
    bag = zipped(tmp_path, {"bag/bagit.txt": DECLARED, **{f"bag/data/{n}": b"" for n in range(3)}})
    assert "holds 4 files" in refusal(bag)


def test_packed_otherwise_or_twice_or_locked(tmp_path: Path) -> None:
    assert "is packed in a way" in refusal(zipped(tmp_path, {"bag/bagit.txt": DECLARED}, zipfile.ZIP_LZMA))
    bag = tmp_path / "bag.zip"
    with zipfile.ZipFile(bag, "w") as packed:
        packed.writestr("bag/bagit.txt", DECLARED)
        with pytest.warns(UserWarning, match="Duplicate"):
            packed.writestr("bag/bagit.txt", DECLARED)
    assert "is there twice" in refusal(bag)
    raw = bytearray(zipped(tmp_path, {"bag/bagit.txt": DECLARED}).read_bytes())
    raw[raw.index(b"PK\x01\x02") + 8] |= 1
    bag.write_bytes(bytes(raw))
    assert "is encrypted" in refusal(bag)


def test_a_tag_file_too_large_to_read_at_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bag_source, "MOST_TAG_BYTES", 10)
    with (
        opened(zipped(tmp_path, {"bag/bagit.txt": DECLARED})) as source,
        pytest.raises(BagRefused, match="larger"),
    ):
        whole(source, "bagit.txt")


def test_what_lies_beside_the_bag(tmp_path: Path) -> None:
    with opened(zipped(tmp_path, {"bag/bagit.txt": DECLARED, "other/x": b""})) as source:
        assert source.faults == {"other/x": "lies beside the bag, not in it."}
