"""Which files of a season folder go into its archive, and what stays out and why."""

from __future__ import annotations

import os
import stat
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from generator.publication.bag_layout import DECLARATION
from generator.unchanged import MARKER

# What systems and editors leave behind under names without a dot.
LEFTOVERS = {"thumbs.db", "desktop.ini", "__pycache__", "__macosx", "icon\r"}


@dataclass(frozen=True, slots=True, kw_only=True)
class SeasonFile:
    """A file that belongs to a season. path: from the top of the season; file: where it is on this disk."""

    path: str
    file: Path


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftOut:
    """A file or folder that does not go into an archive. why: one clause, such as `is a link out of the season`."""

    path: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SeasonContents:
    """All files of a season, sorted by path, and what is left out."""

    files: tuple[SeasonFile, ...]
    left_out: tuple[LeftOut, ...]


def season_contents(folder: Path) -> SeasonContents:
    """Every file below a season folder that belongs to it.

    A link is followed where intake follows it: when what it points at lies in the season. Its content is archived as
    a file. Left out are names that begin with a dot, what editors and systems leave behind, links out of the season,
    what is neither file nor folder, and what this program writes (a site, an archive).
    """
    root = folder.resolve()
    files: list[SeasonFile] = []
    left: list[LeftOut] = []
    for entry in _walk(root, "", root, (root,)):
        if isinstance(entry, LeftOut):
            left.append(entry)
        else:
            files.append(entry)
    return SeasonContents(
        files=tuple(sorted(files, key=lambda f: f.path)), left_out=tuple(sorted(left, key=lambda x: x.path))
    )


def _walk(folder: Path, path: str, root: Path, above: tuple[Path, ...]) -> Iterator[SeasonFile | LeftOut]:
    for entry in sorted(folder.iterdir()):
        inside = f"{path}/{entry.name}" if path else entry.name
        why = _named_away(entry.name)
        place = entry.resolve() if entry.is_symlink() else entry
        if not why and entry.is_symlink():
            why = _link_away(place, root, above)
        if why:
            yield LeftOut(path=inside, why=why)
        elif place.is_dir():
            if why := _made_by_us(place):
                yield LeftOut(path=inside, why=why)
            else:
                yield from _walk(place, inside, root, (*above, place.resolve()))
        elif not stat.S_ISREG(place.stat().st_mode):
            yield LeftOut(path=inside, why="is neither a file nor a folder")
        elif _zipped_bag(place):
            yield LeftOut(path=inside, why="is an archive itself")
        else:
            yield SeasonFile(path=inside, file=place)


def _named_away(name: str) -> str:
    """Why a name stays out, or ""."""
    if name.startswith("."):
        return "has a name that begins with a dot"
    if name.endswith("~") or name.startswith("~$") or (name.startswith("#") and name.endswith("#")):
        return "is left behind by an editor"
    if name.lower() in LEFTOVERS:
        return "is left behind by a program"
    try:
        name.encode()
    except UnicodeEncodeError:
        return "has a name that is not UTF-8"
    return ""


def _link_away(place: Path, root: Path, above: tuple[Path, ...]) -> str:
    """Why a link that points at `place` stays out, or ""."""
    if not place.exists():
        return "is a link to nothing"
    if not place.is_relative_to(root):
        return "is a link out of the season"
    if any(part.startswith(".") for part in place.relative_to(root).parts):
        return "is a link to what is left out"
    return "is a link to a folder that holds it" if place in above else ""


def _made_by_us(folder: Path) -> str:
    if (folder / MARKER).is_file():
        return "is a site made by Whirlbook"
    return "is an archive itself" if (folder / DECLARATION).is_file() else ""


def _zipped_bag(file: Path) -> bool:
    if file.suffix.lower() != ".zip" or not zipfile.is_zipfile(file):
        return False
    try:
        with zipfile.ZipFile(file) as content:
            return any(os.path.basename(name) == DECLARATION for name in content.namelist())
    except (zipfile.BadZipFile, OSError):
        return False
