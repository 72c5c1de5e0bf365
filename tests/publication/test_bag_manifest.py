"""Checksums and manifests. Examples of the rules are of RFC 8493; each test says which."""

from __future__ import annotations

import hashlib
import io
import tracemalloc

import pytest
from hypothesis import given
from hypothesis import strategies as st

from generator.publication.bag_manifest import (
    Sums,
    decoded,
    encoded,
    leads_out,
    manifest_text,
    read_manifest,
    sums_of,
)


def test_sums_of_a_stream_in_one_pass() -> None:
    """FIPS 180-2, appendices B.1 and C.1: digests of "abc" (from memory)."""
    copy = io.BytesIO()
    found = sums_of(io.BytesIO(b"abc"), copy=copy)
    assert found.size == 3
    assert copy.getvalue() == b"abc"
    assert found.by["sha256"] == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert found.by["sha512"] == (
        "ddaf35a193617abacc417349ae20413112e6fa4e89a97ea20a9eeee64b55d39a"
        "2192992a274fc1a836ba3c23a3feebbd454d4423643ce80e2a9ac94fa54ca49f"
    )


class Endless(io.RawIOBase):
    """So many bytes of nothing, never all at once."""

    def __init__(self, size: int) -> None:
        self.left = size

    def read(self, size: int = -1) -> bytes:
        piece = min(self.left, size if size >= 0 else self.left)
        self.left -= piece
        return bytes(piece)


def test_memory_stays_flat_however_large_a_file_is() -> None:
    tracemalloc.start()
    try:
        found = sums_of(Endless(64 << 20), ("sha256",), copy=Nowhere())  # type: ignore[arg-type]
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert found.size == 64 << 20
    assert peak < 8 << 20


class Nowhere(io.RawIOBase):
    """Takes everything and keeps nothing."""

    def write(self, content: object) -> int:
        return 0


@given(st.binary(max_size=100))
def test_sums_are_those_of_the_standard_library(content: bytes) -> None:
    found = sums_of(io.BytesIO(content), ("md5", "sha256"))
    assert found.by == {
        "md5": hashlib.md5(content).hexdigest(),
        "sha256": hashlib.sha256(content).hexdigest(),
    }


@pytest.mark.parametrize(
    ("path", "written"),
    [
        ("data/a\nb", "data/a%0Ab"),
        ("data/a\rb", "data/a%0Db"),
        ("data/80%", "data/80%25"),
        ("data/a b", "data/a b"),
    ],
)
def test_line_ends_and_percent_signs_alone_are_encoded(path: str, written: str) -> None:
    """RFC 8493, 2.1.3."""
    assert encoded(path) == written
    assert decoded(written) == path


@given(st.text(min_size=1, max_size=30))
def test_a_path_comes_back_as_it_was(path: str) -> None:
    assert decoded(encoded(path)) == path
    assert not {"\n", "\r"} & set(encoded(path))


NAMES = st.text(
    st.characters(exclude_categories=["Cs"], exclude_characters="/\\\0"), min_size=1, max_size=12
).filter(lambda name: name.strip() == name and name not in (".", "..") and not name.startswith("~"))


@given(st.dictionaries(NAMES, st.binary(max_size=5), max_size=6))
def test_a_manifest_is_read_as_it_was_written(files: dict[str, bytes]) -> None:
    sums = {f"data/{name}": sums_of(io.BytesIO(content)) for name, content in files.items()}
    for algorithm in ("sha256", "sha512"):
        read = read_manifest(f"manifest-{algorithm}.txt", manifest_text(sums, algorithm))
        assert read.entries == {path: found.by[algorithm] for path, found in sums.items()}
        assert read.faults == ()


def test_manifests_are_sorted() -> None:
    sums = {name: Sums(size=0, by={"sha256": "00"}) for name in ("data/b", "data/a", "data/B")}
    assert manifest_text(sums, "sha256").decode().splitlines() == ["00  data/B", "00  data/a", "00  data/b"]


def test_what_other_writers_do_is_read() -> None:
    """RFC 8493, 2.1.3: one or more spaces or tabs, hexadecimal of either case, any line end, upper-case escapes."""
    content = b"\xef\xbb\xbfAB  data/a\r\ncd\tdata/b%0ac\r\rEF data/d e\n"
    read = read_manifest("manifest-md5.txt", content)
    assert read.entries == {"data/a": "ab", "data/b\nc": "cd", "data/d e": "ef"}
    assert read.faults == ()


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ("00  data/../../etc/passwd", "outside the bag"),
        ("00  /etc/passwd", "outside the bag"),
        ("00  data\\..\\x", "outside the bag"),
        ("00  C:/x", "outside the bag"),
        ("00  bagit.txt", "outside the payload"),
        ("not a line", "not a checksum and a path"),
        ("00  data/a\n01  data/a", "second checksum"),
    ],
)
def test_lines_that_are_refused(line: str, told: str) -> None:
    read = read_manifest("manifest-sha256.txt", line.encode())
    assert len(read.faults) == 1
    assert told in read.faults[0]


def test_a_tag_manifest_lists_no_payload() -> None:
    read = read_manifest("tagmanifest-sha256.txt", b"00  data/a\n11  bagit.txt\n")
    assert read.entries == {"bagit.txt": "11"}
    assert "into the payload" in read.faults[0]


@pytest.mark.parametrize(
    "path", ["", "/a", "a/", "a//b", "./a", "a/..", "..", "a\\b", "c:/a", "~/a", "a/\0b"]
)
def test_paths_that_might_lead_out(path: str) -> None:
    assert leads_out(path)


@pytest.mark.parametrize("path", ["a", "a/b.csv", "data/..a", "data/a b", "data/a:b"])
def test_paths_that_stay_inside(path: str) -> None:
    assert not leads_out(path)
