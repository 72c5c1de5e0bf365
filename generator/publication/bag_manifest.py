"""Checksums of files, and the manifests of a bag that list them. Source: RFC 8493, 2.1.3 and 2.2.1."""

from __future__ import annotations

import hashlib
import re
import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import BinaryIO

ALGORITHMS = ("sha256", "sha512")  # of the bags that we write
# What other people's bags may carry; RFC 8493, 2.4 wants names in small letters without a hyphen.
READABLE = ("md5", "sha1", "sha224", "sha256", "sha384", "sha512")
PIECE = 1 << 20
MANIFEST_NAME = re.compile(r"^(tag)?manifest-([a-z0-9]+)\.txt$")
_LINE = re.compile(r"^([0-9A-Fa-f]+)[ \t]+(.*)$", re.DOTALL)


@dataclass(frozen=True, slots=True, kw_only=True)
class Sums:
    """Size of a file in bytes, and its checksums by algorithm, in hexadecimal."""

    size: int
    by: Mapping[str, str]


def sums_of(stream: BinaryIO, algorithms: Sequence[str] = ALGORITHMS, copy: BinaryIO | None = None) -> Sums:
    """All checksums of a stream in one pass, whatever its size; written to `copy` meanwhile."""
    hashes = {name: hashlib.new(name, usedforsecurity=False) for name in algorithms}
    size = 0
    while piece := stream.read(PIECE):
        size += len(piece)
        for running in hashes.values():
            running.update(piece)
        if copy is not None:
            copy.write(piece)
    return Sums(size=size, by={name: running.hexdigest() for name, running in hashes.items()})


def manifest_name(algorithm: str, *, tags: bool = False) -> str:
    """`manifest-sha512.txt`, `tagmanifest-sha512.txt`."""
    return f"{'tag' if tags else ''}manifest-{algorithm}.txt"


def encoded(path: str) -> str:
    """A path as manifests write it: line ends and percent signs percent-encoded, and nothing else."""
    return path.replace("%", "%25").replace("\n", "%0A").replace("\r", "%0D")


def decoded(path: str) -> str:
    """A path as the disk has it."""
    return re.sub("%0[AaDd]|%25", lambda found: chr(int(found.group()[1:], 16)), path)


def manifest_text(files: Mapping[str, Sums], algorithm: str) -> bytes:
    """One manifest, sorted by path; `sha256sum --check` and its kin read it too."""
    lines = (f"{files[path].by[algorithm]}  {encoded(path)}\n" for path in sorted(files))
    return "".join(lines).encode()


@dataclass(frozen=True, slots=True, kw_only=True)
class Manifest:
    """A manifest as read. entries: path -> checksum in small letters; faults: what is wrong in it, a clause each."""

    name: str
    algorithm: str
    tags: bool
    entries: Mapping[str, str]
    faults: tuple[str, ...]


def read_manifest(name: str, content: bytes) -> Manifest:
    """A manifest of a bag. `name` must match MANIFEST_NAME."""
    found = MANIFEST_NAME.match(name)
    assert found is not None
    tags, algorithm = found.group(1) is not None, found.group(2)
    entries: dict[str, str] = {}
    faults: list[str] = []
    text = content.decode("utf-8", errors="replace")
    if "\ufffd" in text:
        faults.append("is not UTF-8 text.")
    for number, line in enumerate(re.split("\r\n|\r|\n", text.removeprefix("\ufeff")), start=1):
        if not line.strip():
            continue
        split = _LINE.match(line)
        if split is None:
            faults.append(f"line {number} is not a checksum and a path.")
            continue
        path = decoded(split.group(2))
        if leads_out(path) or path.startswith("data/") == tags:
            where = (
                "outside the bag"
                if leads_out(path)
                else "into the payload"
                if tags
                else "outside the payload"
            )
            faults.append(f"line {number} leads {where}: {path}")
        elif entries.setdefault(path, split.group(1).lower()) != split.group(1).lower():
            faults.append(f"line {number} gives {path} a second checksum.")
    return Manifest(name=name, algorithm=algorithm, tags=tags, entries=entries, faults=tuple(faults))


def leads_out(path: str) -> bool:
    """Whether a relative path is none, or might lead out of the folder that it starts in, on any system."""
    pieces = path.replace("\\", "/").split("/")
    odd = any(piece in ("", ".", "..") or "\0" in piece for piece in pieces)
    return odd or path.startswith(("/", "~")) or "\\" in path or re.match("^[A-Za-z]:", path) is not None


def spelled(path: str) -> str:
    """The composed spelling of a path: some disks change how an accented letter is written (RFC 8493, 6.1.3.1)."""
    return unicodedata.normalize("NFC", path)


def by_spelling(paths: Iterable[str]) -> dict[str, str]:
    """Paths by their composed spelling."""
    return {spelled(path): path for path in paths}
