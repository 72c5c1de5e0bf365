"""Containers and encodings of logs. All logs are invented."""

from __future__ import annotations

import gzip
import hashlib
import os
from pathlib import Path

import pytest
import zstandard

from generator.intake.log_bytes import MAX_RATIO, RATIO_FREE_BYTES
from generator.intake.logs import read_log
from generator.intake.problems import SeasonProblems
from tests.intake.log_files import CHANNELS, make_rig, numbers, problems_of, read

PLAIN = "Time,Speed,Thrust\n0,100,1.5\n1,200,2.5\n"
ROWS = [[0.0, 100.0, 1.5], [1.0, 200.0, 2.5]]
DEGREES = {"time": CHANNELS["time"], "motor_temperature": {"column": "Motor °C", "unit": "degC"}}
WITH_DEGREES = "Time,Motor °C\n0,20\n1,21\n"


def packed_zstd(data: bytes) -> bytes:
    return zstandard.ZstdCompressor().compress(data)


@pytest.mark.parametrize(
    ("name", "content", "container"),
    [
        ("run.csv", PLAIN.encode(), "text"),
        ("run.csv.gz", gzip.compress(PLAIN.encode()), "gzip"),
        ("run.csv.zst", packed_zstd(PLAIN.encode()), "zstd"),
        ("misnamed.gz", PLAIN.encode(), "text"),
        ("misnamed.csv", packed_zstd(PLAIN.encode()), "zstd"),
        ("members.gz", gzip.compress(PLAIN[:20].encode()) + gzip.compress(PLAIN[20:].encode()), "gzip"),
        ("frames.zst", packed_zstd(PLAIN[:20].encode()) + packed_zstd(PLAIN[20:].encode()), "zstd"),
        ("padded.gz", gzip.compress(PLAIN.encode()) + bytes(100), "gzip"),
    ],
    ids=lambda value: value if isinstance(value, str) else "",  # gzip bytes hold the time and would differ
)
def test_container_is_told_from_the_bytes(tmp_path: Path, name: str, content: bytes, container: str) -> None:
    log = read(tmp_path, content, name=name)
    assert (log.dialect.container, numbers(log)) == (container, ROWS)
    assert log.sha256 == hashlib.sha256(content).hexdigest()


def test_log_is_left_as_it_was_and_need_not_be_writable(tmp_path: Path) -> None:
    read(tmp_path, PLAIN)
    file = tmp_path / "run.csv"
    os.utime(file, ns=(1, 1))
    file.chmod(0o444)
    before = file.stat()
    read_log(file, shown="run.csv", path="run.csv", rig=make_rig(), pole_pairs=7)
    after = file.stat()
    assert file.read_bytes() == PLAIN.encode()
    assert (after.st_mtime_ns, after.st_mode) == (before.st_mtime_ns, before.st_mode)


@pytest.mark.parametrize("cut", [1, 5, 9, 12])
@pytest.mark.parametrize("pack", [gzip.compress, packed_zstd])
def test_cut_off_packing_is_refused(tmp_path: Path, pack: object, cut: int) -> None:
    assert callable(pack)
    (problem,) = problems_of(tmp_path, pack(PLAIN.encode())[:-cut])
    assert "is cut off" in problem.what or "is damaged" in problem.what


def test_damaged_packing_is_refused(tmp_path: Path) -> None:
    broken = bytearray(gzip.compress(PLAIN.encode() * 50))
    broken[30] ^= 0xFF
    (problem,) = problems_of(tmp_path, bytes(broken))
    assert "is damaged" in problem.what
    (problem,) = problems_of(tmp_path, gzip.compress(PLAIN.encode()) + b"something else")
    assert "is damaged" in problem.what


@pytest.mark.parametrize("pack", [bytes, gzip.compress, packed_zstd])
def test_more_than_the_limit_is_refused(tmp_path: Path, pack: object) -> None:
    assert callable(pack)
    content = pack((PLAIN + "2,300,3.5\n" * 1000).encode())
    (problem,) = problems_of(tmp_path, content, max_bytes=5000)
    assert "holds more than" in problem.what


@pytest.mark.parametrize("pack", [gzip.compress, packed_zstd])
def test_a_file_made_to_fill_memory_is_refused(tmp_path: Path, pack: object) -> None:
    assert callable(pack)
    (problem,) = problems_of(tmp_path, pack(b"0" * (RATIO_FREE_BYTES + (1 << 22))))
    assert problem.what.startswith(f"grows more than {MAX_RATIO} times")


def test_places_that_are_no_log(tmp_path: Path) -> None:
    def what(file: Path) -> str:
        with pytest.raises(SeasonProblems) as found:
            read_log(file, shown="logs/x", path="x", rig=make_rig(), pole_pairs=7)
        (problem,) = found.value.problems
        assert problem.file == "logs/x"
        return problem.what

    assert what(tmp_path) == "is a folder, not a log."
    assert what(tmp_path / "nothing.csv") == "does not exist."
    assert "cannot be opened" in what(tmp_path / ("x" * 5000))
    os.mkfifo(tmp_path / "pipe")
    assert what(tmp_path / "pipe") == "is not a regular file."


@pytest.mark.parametrize(
    ("content", "what"),
    [
        (b"", "is empty (0 bytes)."),
        (b" \r\n\t\n", "holds nothing but blank space."),
        (bytes(4096), "is binary data, not text."),
        (bytes(range(256)) * 20, "is binary data, not text."),
        (b"PK\x03\x04 and more", "is a spreadsheet or a zip archive."),
        (gzip.compress(gzip.compress(PLAIN.encode())), "is packed twice."),
        (b"\xff\xfe\x00\xd8\x00\xd8" + "Time\n".encode("utf-16-le"), "cannot be read as text"),
    ],
    ids=["empty", "blank", "zeros", "junk", "zip", "packed twice", "half a character"],
)
def test_what_is_no_text_is_refused(tmp_path: Path, content: bytes, what: str) -> None:
    (problem,) = problems_of(tmp_path, content)
    assert problem.what.startswith(what)


def test_zero_bytes_at_the_end_are_left_out_and_told(tmp_path: Path) -> None:
    log = read(tmp_path, PLAIN.encode() + bytes(37))
    assert numbers(log) == ROWS
    assert "37 zero bytes" in log.remarks[0]


def test_zero_bytes_in_the_middle_are_refused_with_their_line(tmp_path: Path) -> None:
    rows = "".join(f"{second},100,1.5\n" for second in range(100))
    (problem,) = problems_of(tmp_path, f"Time,Speed,Thrust\n{rows}".encode() + b"100,\0,1\n101,100,1\n")
    assert problem.line == 102
    assert "zero bytes" in problem.what


@pytest.mark.parametrize(
    ("encoding", "found"),
    [
        ("utf-8", "utf-8"),
        ("utf-8-sig", "utf-8-sig"),
        ("utf-16", "utf-16"),
        ("utf-32", "utf-32"),
        ("cp1252", "cp1252"),
    ],
)
@pytest.mark.parametrize("line_end", ["\n", "\r\n", "\r"])
def test_encodings_and_line_ends(tmp_path: Path, encoding: str, found: str, line_end: str) -> None:
    content = WITH_DEGREES.replace("\n", line_end).encode(encoding)
    log = read(tmp_path, content, make_rig(DEGREES))
    assert log.dialect.encoding == found
    assert numbers(log) == [[0.0, 293.15], [1.0, 294.15]]
    assert dict(log.columns)["motor_temperature_k"] == "Motor °C"


def test_bytes_that_windows_does_not_know_are_latin_1(tmp_path: Path) -> None:
    log = read(tmp_path, b"# \x81\n" + WITH_DEGREES.encode("latin-1"), make_rig(DEGREES))
    assert log.dialect.encoding == "latin-1"


def test_big_endian_utf_16_with_mark(tmp_path: Path) -> None:
    log = read(tmp_path, b"\xfe\xff" + WITH_DEGREES.encode("utf-16-be"), make_rig(DEGREES))
    assert log.rows == 2


def test_stated_encoding_is_obeyed(tmp_path: Path) -> None:
    rig = make_rig(DEGREES, encoding="utf-16-le")
    assert read(tmp_path, WITH_DEGREES.encode("utf-16-le"), rig).rows == 2
    (problem,) = problems_of(tmp_path, WITH_DEGREES.encode("cp1252"), make_rig(DEGREES, encoding="utf-8"))
    assert "cannot be read as text in the encoding 'utf-8'" in problem.what
    assert "rigs/test-stand.yaml" in problem.remedy
    for name in ("no-such-encoding", "zlib", "rot13", "undefined"):
        (problem,) = problems_of(tmp_path, WITH_DEGREES, make_rig(DEGREES, encoding=name))
        assert "cannot be read as text" in problem.what


def test_character_cut_in_two_at_the_end_does_not_change_the_encoding(tmp_path: Path) -> None:
    log = read(tmp_path, (WITH_DEGREES + "2,22 °").encode()[:-1], make_rig(DEGREES))
    assert log.dialect.encoding == "utf-8"
    assert log.rows == 3
    assert any("may have been cut short" in remark for remark in log.remarks)


def test_zstd_without_stated_size_is_read(tmp_path: Path) -> None:
    packer = zstandard.ZstdCompressor(write_content_size=False).compressobj()
    assert read(tmp_path, packer.compress(PLAIN.encode()) + packer.flush()).rows == 2
