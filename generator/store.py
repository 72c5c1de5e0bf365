"""Things kept on disk from one build to the next, by the content they were made from.

A store is only ever a saving: an entry that is damaged, cut off, of another version or gone is made again. It lies in
the user's own cache folder, never in a season, since a season may come from somebody else and its bytes are not to be
trusted; entries of runs are unpickled.
"""

from __future__ import annotations

import hashlib
import os
import secrets
import sys
from contextlib import suppress
from pathlib import Path

MAGIC = b"whirlbook-store/1\n"
MOST_BYTES = 2_000_000_000  # kept at most; the entries not used for longest go first
DIGEST = 32


def cache_folder() -> Path:
    """Where the user's caches lie: WHIRLBOOK_CACHE, else XDG_CACHE_HOME, else the system's usual place.

    Source  XDG Base Directory Specification 0.8; on macOS ~/Library/Caches, on Windows LOCALAPPDATA
    """
    named = os.environ.get("WHIRLBOOK_CACHE")
    if named:
        return Path(named)
    if sys.platform == "win32":
        return Path(os.environ.get("LOCALAPPDATA") or Path.home() / "AppData/Local") / "whirlbook"
    if sys.platform == "darwin":
        return Path.home() / "Library/Caches/whirlbook"
    home = os.environ.get("XDG_CACHE_HOME", "")
    return (Path(home) if Path(home).is_absolute() else Path.home() / ".cache") / "whirlbook"


class Store:
    """Bytes under a kind and a key, in one folder that nobody else can write to.

    Where the folder cannot be made or is open to others, nothing is kept and nothing is found.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.usable = _private(folder)

    def get(self, kind: str, key: str) -> bytes | None:
        """What is kept, or None where nothing whole is."""
        if not self.usable:
            return None
        file = self._file(kind, key)
        try:
            content = file.read_bytes()
        except OSError:
            return None
        body = content[len(MAGIC) + DIGEST :]
        if content[: len(MAGIC)] != MAGIC or hashlib.sha256(body).digest() != content[len(MAGIC) :][:DIGEST]:
            with suppress(OSError):
                file.unlink()
            return None
        with suppress(OSError):
            os.utime(file)  # used just now
        return body

    def has(self, kind: str, key: str) -> bool:
        """Whether there is an entry, whole or not."""
        return self.usable and self._file(kind, key).is_file()

    def is_empty(self) -> bool:
        """Whether there is no entry at all."""
        return not self.usable or next(self.folder.glob("*/*"), None) is None

    def put(self, kind: str, key: str, body: bytes) -> None:
        """Keep bytes. A full or vanished disk is no fault: then they are not kept."""
        if not self.usable:
            return
        file = self._file(kind, key)
        beside = file.with_name(f".{file.name}.{secrets.token_hex(6)}")
        try:
            file.parent.mkdir(mode=0o700, exist_ok=True)
            beside.write_bytes(MAGIC + hashlib.sha256(body).digest() + body)
            os.replace(beside, file)
        except OSError:
            with suppress(OSError):
                beside.unlink()

    def tidy(self, most_bytes: int = MOST_BYTES) -> None:
        """Let the entries go that have not been used for longest, until at most so many bytes are kept."""
        if not self.usable:
            return
        entries: list[tuple[float, int, Path]] = []
        for file in self.folder.glob("*/*"):
            with suppress(OSError):
                facts = file.stat()
                entries.append((facts.st_mtime, facts.st_size, file))
        kept = sum(size for _, size, _ in entries)
        for _, size, file in sorted(entries):
            if kept <= most_bytes:
                break
            with suppress(OSError):
                file.unlink()
            kept -= size

    def _file(self, kind: str, key: str) -> Path:
        return self.folder / kind / key


def _private(folder: Path) -> bool:
    """The folder is there, is ours, and nobody else may write to it."""
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        if sys.platform == "win32":
            return folder.is_dir()
        facts = folder.stat()
        return folder.is_dir() and facts.st_uid == os.getuid() and not facts.st_mode & 0o022
    except OSError:
        return False
