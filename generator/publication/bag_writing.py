"""Writes a bag: payload first, each file copied and summed in one pass, then what describes it.

Source: RFC 8493. The same content gives the same bytes: nothing here reads a clock, and the identifier is made from
the content.
"""

from __future__ import annotations

import io
import os
import shutil
import tempfile
import uuid
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from generator.intake.problems import OutputRefused
from generator.publication import bag_layout as layout
from generator.publication.bag_manifest import ALGORITHMS, Sums, manifest_name, manifest_text, sums_of
from generator.publication.replacing import folder_within


class BagWriter:
    """Fills one folder that nobody else writes to. `payload` and `tags` keep account, path -> sums."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.payload: dict[str, Sums] = {}
        self.tags: dict[str, Sums] = {}

    def copy(self, path: str, source: Path) -> Sums:
        """Copy a file into the payload, byte for byte, and keep its time of change."""
        place = self._place(path)
        with source.open("rb") as stream, place.open("wb") as copy:
            self.payload[path] = sums_of(stream, copy=copy)
        place.chmod(0o644)
        told = source.stat()
        os.utime(place, ns=(told.st_mtime_ns, told.st_mtime_ns))
        return self.payload[path]

    def write(self, path: str, content: bytes) -> None:
        """Write a file: payload below `data/`, a tag file elsewhere."""
        place = self._place(path)
        place.write_bytes(content)
        place.chmod(0o644)
        kept = self.payload if path.startswith(f"{layout.PAYLOAD}/") else self.tags
        kept[path] = sums_of(io.BytesIO(content))

    def adopt(self, folder: str) -> None:
        """Take account of files that something else wrote below a folder of the payload."""
        top = self.folder / folder
        for file in sorted(top.rglob("*")):
            file.chmod(0o755 if file.is_dir() else 0o644)
            if file.is_file():
                with file.open("rb") as stream:
                    self.payload[file.relative_to(self.folder).as_posix()] = sums_of(stream)

    @property
    def size(self) -> int:
        """Bytes of the payload."""
        return sum(sums.size for sums in self.payload.values())

    def finish(self, info: Sequence[tuple[str, str]], readme: str) -> None:
        """Write the tag files. info: labels and values of bag-info.txt, to which size and identifier are added."""
        self.write(layout.DECLARATION, layout.DECLARED.encode())
        self.write(layout.README, readme.encode())
        for algorithm in ALGORITHMS:
            self.write(manifest_name(algorithm), manifest_text(self.payload, algorithm))
        # RO-Crate 1.1 asks for one ("Base URI in BagIt"); made from the payload, so that the same content has the same
        name = uuid.uuid5(uuid.NAMESPACE_URL, self.tags[manifest_name(ALGORITHMS[-1])].by[ALGORITHMS[-1]])
        counted = [
            ("Payload-Oxum", f"{self.size}.{len(self.payload)}"),
            ("External-Identifier", f"urn:uuid:{name}"),
        ]
        self.write(layout.INFO, info_text([*info, *counted]))
        listed = dict(self.tags)
        for algorithm in ALGORITHMS:
            self.write(manifest_name(algorithm, tags=True), manifest_text(listed, algorithm))

    def _place(self, path: str) -> Path:
        place = self.folder / path
        if not place.parent.is_dir():
            folder_within(self.folder, place.parent)
            for folder in place.parents:
                if folder == self.folder:
                    break
                folder.chmod(0o755)
        return place


def info_text(pairs: Sequence[tuple[str, str]]) -> bytes:
    """bag-info.txt. A value stands on one line, whatever line ends it had; what has no value is left out."""
    lines = [f"{label}: {' '.join(value.split())}\n" for label, value in pairs if value.strip()]
    return "".join(lines).encode()


def free_place(out: Path, season: Path, what: str) -> Path:
    """`out`, resolved, if an archive can be put there: not there yet, or an empty folder.

    An archive is made to be kept, so none is ever replaced, not even one of ours.
    Raises  OutputRefused
    """
    target = out.resolve()
    if target == target.parent:
        raise OutputRefused(f"{out} is the root of the disk. Name a {what} of its own for the archive.")
    if target.is_relative_to(season.resolve()):
        raise OutputRefused(f"{out} lies inside the season itself. Name a {what} beside it.")
    if target.exists() and (what == "file" or not target.is_dir()):
        raise OutputRefused(f"{out} is there already. An archive never replaces a file; name another.")
    if target.is_dir() and any(target.iterdir()):
        kind = "an archive" if (target / layout.DECLARATION).is_file() else "files"
        raise OutputRefused(
            f"{out} holds {kind} already. An archive replaces nothing; name a new folder, or empty this one yourself."
        )
    return target


@contextmanager
def built_aside(target: Path) -> Iterator[Path]:
    """A folder beside `target` to build in; what is left in it is removed at the end, whatever happens."""
    target.parent.mkdir(parents=True, exist_ok=True)
    building = Path(tempfile.mkdtemp(prefix=f".{target.name}.building-", dir=target.parent))
    try:
        yield building
    finally:
        shutil.rmtree(building, ignore_errors=True)


def put_in_place(made: Path, target: Path) -> None:
    """Move what is complete to where it belongs, in one rename. `target` is new or an empty folder."""
    if target.is_dir():
        target.rmdir()  # fails, and rightly, if somebody has put something there meanwhile
    elif target.exists():
        raise OutputRefused(f"{target} has come into being meanwhile. Nothing was replaced.")
    os.rename(made, target)
