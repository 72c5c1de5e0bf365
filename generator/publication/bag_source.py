"""A bag as somebody hands it over: a folder, or a zip file that is not trusted.

Nothing is unpacked here. What a zip file says of itself is checked before any of it is read: no name that leads out,
no more than a season could fill, nothing packed in a way or at a rate that a bag of logs would not be.
"""

from __future__ import annotations

import os
import stat
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import BinaryIO, Protocol

from generator.intake.problems import WhirlbookError
from generator.publication import bag_layout as layout
from generator.publication.bag_manifest import leads_out

# Of a zip file. Our own choice: text of a logger packs to a tenth or so, a column that never moves to a hundredth.
MOST_FILES = 1_000_000
MOST_RATE = 200
FREE_BYTES = 100_000_000  # below this the rate does not matter
MOST_TAG_BYTES = 400_000_000  # of one manifest or one results.json, which are read whole
READ_ERRORS_OF_ZIP = (zipfile.BadZipFile, zlib.error, EOFError, RuntimeError)
READ_ERRORS = (OSError, *READ_ERRORS_OF_ZIP)


class BagRefused(WhirlbookError):
    """What was named is no bag, or not one that can safely be read."""


class BagSource(Protocol):
    """Files of a bag by path from its top.

    shown   the bag as the user named it
    files   path -> size in bytes
    faults  path -> why something beside the files cannot be used, such as a link
    """

    shown: str
    files: dict[str, int]
    faults: dict[str, str]

    def open(self, path: str) -> BinaryIO:
        """A stream of one file. Reading may raise one of READ_ERRORS."""
        ...

    def season_folder(self, scratch: Path) -> Path:
        """The season as a folder on disk: in place, or unpacked into `scratch`."""
        ...


def whole(source: BagSource, path: str) -> bytes:
    """A file read at once. Raises BagRefused if it is too large for that, or cannot be read."""
    if source.files[path] > MOST_TAG_BYTES:
        raise BagRefused(f"{source.shown}: {path} is larger than {MOST_TAG_BYTES // 1_000_000} MB.")
    try:
        with source.open(path) as stream:
            return stream.read(MOST_TAG_BYTES + 1)
    except READ_ERRORS as error:
        raise BagRefused(f"{source.shown}: {path} cannot be read: {error}.") from error


@contextmanager
def opened(bag: Path) -> Iterator[BagSource]:
    """A bag for reading.

    bag     folder that holds bagit.txt, or a zip file of one
    Raises  BagRefused if it is neither, or a zip file that is damaged or made to do harm
    """
    if not bag.exists():
        raise BagRefused(
            f"{bag} is not there. Name the folder that holds {layout.DECLARATION}, or a zip file of it."
        )
    if bag.is_dir():
        source = FolderBag(bag)
        if layout.DECLARATION not in source.files:
            raise BagRefused(f"{bag} is no bag: it holds no {layout.DECLARATION}. Name the folder that does.")
        yield source
        return
    try:
        packed = zipfile.ZipFile(bag)
    except (zipfile.BadZipFile, ValueError, OSError, NotImplementedError, UnicodeDecodeError) as error:
        raise BagRefused(f"{bag} is neither a folder nor a zip file that can be read: {error}.") from error
    with packed:
        yield ZipBag(bag, packed)


@dataclass
class FolderBag:
    """A bag in a folder. Links are told and never followed: what they point at is not in the bag."""

    folder: Path
    shown: str = ""
    files: dict[str, int] = field(default_factory=dict)
    faults: dict[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.shown = str(self.folder)
        for place, folders, names in os.walk(self.folder, onerror=self._unread):
            folders.sort()
            for name in (*names, *(n for n in folders if os.path.islink(os.path.join(place, n)))):
                file = Path(place, name)
                path = file.relative_to(self.folder).as_posix()
                told = file.lstat()
                if stat.S_ISLNK(told.st_mode):
                    self.faults[path] = "is a link, and what it points at is not in the bag."
                elif not stat.S_ISREG(told.st_mode):
                    self.faults[path] = "is neither a file nor a folder."
                else:
                    self.files[path] = told.st_size

    def _unread(self, error: OSError) -> None:
        path = Path(error.filename).relative_to(self.folder).as_posix()
        self.faults[path] = f"cannot be read: {error.strerror}."

    def open(self, path: str) -> BinaryIO:
        """A stream of one file."""
        return (self.folder / path).open("rb")

    def season_folder(self, scratch: Path) -> Path:
        """The season where it lies; nothing is written to it."""
        return self.folder / layout.SEASON


class ZipBag:
    """A bag in a zip file. Raises BagRefused for one that is not safe to read."""

    def __init__(self, file: Path, packed: zipfile.ZipFile) -> None:
        self.shown = str(file)
        self.files: dict[str, int] = {}
        self.faults: dict[str, str] = {}
        self._packed = packed
        self._entries: dict[str, zipfile.ZipInfo] = {}
        entries = packed.infolist()
        _refuse_bombs(self.shown, file.stat().st_size, entries)
        top = self._top(entries)
        for entry in entries:
            if entry.filename.endswith("/"):
                continue
            why = _unsafe(entry)
            if why:
                raise BagRefused(f"{self.shown}: {entry.filename!r} {why}. Nothing of it was read.")
            if not entry.filename.startswith(top):
                self.faults[entry.filename] = "lies beside the bag, not in it."
                continue
            path = entry.filename.removeprefix(top)
            if path in self._entries:
                raise BagRefused(f"{self.shown}: {path!r} is there twice. Nothing of it was read.")
            self._entries[path] = entry
            self.files[path] = entry.file_size

    def _top(self, entries: list[zipfile.ZipInfo]) -> str:
        """Path of the folder in the zip file that is the bag, with its slash."""
        names = [entry.filename for entry in entries]
        tops = [name.removesuffix(layout.DECLARATION) for name in names
                if name.rpartition("/")[2] == layout.DECLARATION and name.count("/") <= 1]  # fmt: skip
        tops = list(dict.fromkeys(tops))
        if not tops:
            raise BagRefused(f"{self.shown} is no bag: it holds no {layout.DECLARATION}.")
        if len(tops) > 1 and "" not in tops:
            raise BagRefused(f"{self.shown} holds {len(tops)} bags. Unpack it, and name one of them.")
        return "" if "" in tops else tops[0]

    def open(self, path: str) -> BinaryIO:
        """A stream of one file; it never gives more than the size that was checked."""
        return self._packed.open(self._entries[path])  # type: ignore[return-value]

    def _pieces(self, path: str) -> Iterator[bytes]:
        with self.open(path) as stream:
            while piece := stream.read(1 << 20):
                yield piece

    def season_folder(self, scratch: Path) -> Path:
        """The season unpacked. Raises BagRefused if the disk has not enough room."""
        inside = [path for path in self.files if path.startswith(f"{layout.SEASON}/")]
        room = os.statvfs(scratch).f_bavail * os.statvfs(scratch).f_frsize if hasattr(os, "statvfs") else None
        needed = sum(self.files[path] for path in inside)
        if room is not None and needed > room:
            raise BagRefused(
                f"{self.shown}: {needed // 1_000_000} MB are needed to unpack the season; the disk is full."
            )
        for path in inside:
            place = scratch / path
            place.parent.mkdir(parents=True, exist_ok=True)
            try:
                with place.open("xb") as copy:
                    for piece in self._pieces(path):
                        copy.write(piece)
            except READ_ERRORS_OF_ZIP:
                place.unlink()  # told already by its checksum; here it counts as missing
        return scratch / layout.SEASON


def _refuse_bombs(shown: str, size: int, entries: list[zipfile.ZipInfo]) -> None:
    """Raises BagRefused for a zip file that would fill the disk or the day."""
    if len(entries) > MOST_FILES:
        raise BagRefused(
            f"{shown} holds {len(entries)} files, more than {MOST_FILES}. Nothing of it was read."
        )
    unpacked = sum(entry.file_size for entry in entries)
    if sum(entry.compress_size for entry in entries) > size:
        raise BagRefused(
            f"{shown}: its files overlap, which no honest zip file's do. Nothing of it was read."
        )
    if unpacked > max(FREE_BYTES, MOST_RATE * size):
        raise BagRefused(
            f"{shown} says that it unpacks to {unpacked // 1_000_000} MB, more than {MOST_RATE} times its size. "
            "Nothing of it was read; unpack it yourself if you trust it, and name the folder."
        )


def _unsafe(entry: zipfile.ZipInfo) -> str:
    """Why an entry is not read, or ""."""
    if leads_out(entry.filename):
        return "leads out of the folder"
    if stat.S_ISLNK(entry.external_attr >> 16):
        return "is a link"
    if entry.flag_bits & 0x1:
        return "is encrypted"
    if entry.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
        return "is packed in a way that is not read here"
    return ""
