"""Whether a site on disk is what a build would make: told from the bytes that go in and the bytes that lie there.

Nothing heavy is imported and no log is parsed, so that a build with nothing to do takes no longer than reading the
files once. Names, dates and sizes are not trusted: only content counts.
"""

from __future__ import annotations

import hashlib
import importlib.metadata
import os
import stat
import sys
from collections.abc import Iterable, Iterator
from pathlib import Path

from generator import __version__

MARKER = ".whirlbook-site"
MARKER_TEXT = "This folder is made by Whirlbook. A new build replaces it as a whole.\n"
MADE_FROM, HOLDS = "made from: ", "holds: "
# What the pages depend on besides our own code: another version may draw or round otherwise.
LIBRARIES = (
    "altair", "jinja2", "markdown", "nh3", "numpy", "pandas", "pillow", "pint", "pyarrow", "pydantic", "pyyaml",
    "scipy", "uncertainties", "vl-convert-python", "zstandard",
)  # fmt: skip
PACKAGE = Path(__file__).resolve().parent


def made_from(season: Path, *more: Path | None, marks: Iterable[str] = ()) -> str:
    """One name for everything that a season's site is made from: SHA-256 in hexadecimal.

    season  the season's folder: every file in it, but for hidden ones and sites that were built inside it
    more    further files or folders that a build reads, such as an archive to compare with; None is passed over
    marks   whatever else makes a difference
    Of our own: every file of the package with layouts, content and shared tables, and the versions of the libraries.
    """
    return _digest([season, *more], (program(), *marks))


def program() -> str:
    """One name for the program as it is here: its files and the versions of what it stands on."""
    ours = [PACKAGE, *(PACKAGE.parent / name for name in ("layouts", "content", "shared"))]
    named = (f"{name} {version}" for name, version in versions(LIBRARIES).items())
    return _digest(ours, (__version__, sys.version.split()[0], *named))


def _digest(folders: Iterable[Path | None], marks: Iterable[str]) -> str:
    digest = hashlib.sha256()
    for mark in marks:
        _add(digest, b"mark", mark.encode())
    for place, folder in enumerate(folders):
        if folder is not None:
            _add(digest, b"folder", str(place).encode())
            for name, content in _contents(folder):
                _add(digest, os.fsencode(name), content)
    return digest.hexdigest()


def marker(made: str, folder: Path) -> bytes:
    """What the marker of a complete site in `folder` says. made: as `made_from` gives it, or "" where not known."""
    lines = f"{MADE_FROM}{made}\n{HOLDS}{_holds(folder)}\n" if made else ""
    return (MARKER_TEXT + lines).encode()


def is_current(out: Path, made: str) -> bool:
    """True when `out` holds, byte for byte, the site that was made from just this. Never raises."""
    try:
        said = (out / MARKER).read_text(encoding="utf-8").splitlines()
        if f"{MADE_FROM}{made}" not in said:
            return False
        return f"{HOLDS}{_holds(out)}" in said
    except (OSError, UnicodeDecodeError, ValueError):
        return False


def _holds(folder: Path) -> str:
    """One name for all files of a site but its marker."""
    digest = hashlib.sha256()
    for name, content in _contents(folder, hidden=True):
        if name != MARKER:
            _add(digest, os.fsencode(name), content)
    return digest.hexdigest()


def versions(libraries: Iterable[str]) -> dict[str, str]:
    """Version of each library as it is installed, or `none`."""
    found = {}
    for name in libraries:
        try:
            found[name] = importlib.metadata.version(name)
        except importlib.metadata.PackageNotFoundError:
            found[name] = "none"
    return found


def _contents(folder: Path, *, hidden: bool = False) -> Iterator[tuple[str, bytes]]:
    """Relative name and a digest of each file, sorted. A site inside, byte code and hidden names are passed over."""
    if not folder.is_dir():
        if folder.is_file():
            yield folder.name, _of_file(folder)
        return
    for path, folders, files in os.walk(folder):
        folders[:] = sorted(
            name for name in folders
            if (hidden or not name.startswith("."))
            and name != "__pycache__"
            and not (Path(path, name) / MARKER).is_file()
        )  # fmt: skip
        # a link to a folder is not walked into, but it counts
        links = [name for name in folders if Path(path, name).is_symlink()]
        for name in sorted([*files, *links]):
            if hidden or not name.startswith("."):
                file = Path(path, name)
                yield file.relative_to(folder).as_posix(), _of_file(file)


def _of_file(file: Path) -> bytes:
    """Digest of a file's content; of something else, what it is. Nothing but plain files is opened."""
    try:
        link = os.fsencode(os.readlink(file)) if file.is_symlink() else b""
        kind = file.stat().st_mode
        if not stat.S_ISREG(kind):
            return b"no file " + str(stat.S_IFMT(kind)).encode() + link
        with file.open("rb") as stream:
            return link + hashlib.file_digest(stream, "sha256").digest()
    except OSError as fault:
        return b"unreadable " + str(fault.errno).encode()


def _add(digest: hashlib._Hash, name: bytes, content: bytes) -> None:
    for part in (name, content):
        digest.update(len(part).to_bytes(8, "big"))
        digest.update(part)
