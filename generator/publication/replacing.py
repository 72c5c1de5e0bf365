"""A new folder in the place of an old one, at once; whatever happens meanwhile, one complete folder stands there.

Where the system can exchange two folders in one step (Linux), there is no moment without one. Elsewhere there are two
renames; a cut between them leaves the old folder aside, and the next use puts it back first.
"""

from __future__ import annotations

import ctypes
import errno
import os
import secrets
import shutil
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import BinaryIO

if sys.platform != "win32":
    import fcntl

# Linux: renameat2(2), linux/fs.h
_AT_FDCWD = -100
_RENAME_EXCHANGE = 2
_CANNOT = {errno.ENOSYS, errno.EINVAL, errno.ENOTSUP, errno.EPERM}


@contextmanager
def replacement(target: Path) -> Iterator[Path]:
    """A new empty folder beside `target`, which takes its place when the block ends well, and goes if it does not.

    target  absolute; may not exist yet
    What a killed program left beside it is cleared away first. Several programs may do this at once: the last one's
    folder stays.
    """
    target.parent.mkdir(parents=True, exist_ok=True)
    _clear_leftovers(target)
    building, held = _begun(target)
    try:
        building.chmod(0o755)
        yield building
        _put(building, target)
    finally:
        _remove(building)  # the old one, once they have changed places
        _lock_of(building).unlink(missing_ok=True)
        held.close()


def folder_within(top: Path, folder: Path) -> None:
    """Make a folder and those above it, but never `top`: what has gone meanwhile must not come again half empty.

    Raises  FileNotFoundError where `top` is not there
    """
    if folder != top and not folder.is_dir():
        folder_within(top, folder.parent)
        folder.mkdir(exist_ok=True)


def _begun(target: Path) -> tuple[Path, BinaryIO]:
    """A new folder whose lock is held before it exists, so that nobody takes it for a leftover."""
    while True:
        building = target.with_name(f"{_prefix(target, 'building')}{secrets.token_hex(6)}")
        lock = _lock_of(building)
        held = lock.open("xb")
        _hold(held)
        if lock.exists():  # else somebody who cleared away took it between these two lines
            building.mkdir()
            return building, held
        held.close()


def _prefix(target: Path, word: str) -> str:
    return f".{target.name}.{word}-"


def _lock_of(building: Path) -> Path:
    """Held as long as somebody works on the folder; the system lets go of it whatever ends the program."""
    return building.with_name(f"{building.name}.lock")


def _put(building: Path, target: Path) -> None:
    if not target.exists():
        with suppress(OSError):
            os.rename(building, target)
            return
    if _exchanged(building, target):
        return
    aside = building.with_name(building.name.replace(".building-", ".old-"))
    os.rename(target, aside)
    try:
        os.rename(building, target)
    except BaseException:
        os.rename(aside, target)
        raise
    _remove(aside)


def _exchanged(one: Path, other: Path) -> bool:
    """The two folders have changed places in one step; False where the system cannot. Raises OSError."""
    if not sys.platform.startswith("linux"):
        return False
    try:
        rename = ctypes.CDLL(None, use_errno=True).renameat2
    except (OSError, AttributeError):
        return False
    if rename(_AT_FDCWD, os.fsencode(one), _AT_FDCWD, os.fsencode(other), _RENAME_EXCHANGE) == 0:
        return True
    code = ctypes.get_errno()
    if code in _CANNOT:
        return False
    raise OSError(code, os.strerror(code), str(other))


def _clear_leftovers(target: Path) -> None:
    """Put back an old folder that lost its place, and remove what nobody works on any more."""
    olds = sorted(target.parent.glob(f"{_prefix(target, 'old')}*"))
    if olds and not target.exists():
        with suppress(OSError):
            os.rename(olds[0], target)
    names = {left.name.replace(".old-", ".building-") for left in olds}
    names |= {
        left.name.removesuffix(".lock") for left in target.parent.glob(f"{_prefix(target, 'building')}*")
    }
    for name in sorted(names):
        building = target.with_name(name)
        with _ours(_lock_of(building)) as ours:
            if ours:
                _remove(building)
                _remove(target.with_name(name.replace(".building-", ".old-")))


def _remove(folder: Path) -> None:
    shutil.rmtree(folder, ignore_errors=True)
    if folder.is_dir():  # a folder set to read-only keeps what is in it
        for path, _, _ in os.walk(folder):
            with suppress(OSError):
                os.chmod(path, 0o700)
        shutil.rmtree(folder, ignore_errors=True)


@contextmanager
def _ours(lock: Path) -> Iterator[bool]:
    """Whether nobody else holds a lock; it is gone after the block if so."""
    try:
        with lock.open("ab") as held:
            if _hold(held, wait=False):
                yield True
                lock.unlink(missing_ok=True)
            else:
                yield False
    except PermissionError:  # Windows: an open file cannot be removed
        yield False


if sys.platform == "win32":

    def _hold(held: BinaryIO, *, wait: bool = True) -> bool:
        """The open file itself is the lock there."""
        return True

else:

    def _hold(held: BinaryIO, *, wait: bool = True) -> bool:
        try:
            fcntl.flock(held.fileno(), fcntl.LOCK_EX | (0 if wait else fcntl.LOCK_NB))
        except BlockingIOError:
            return False
        return True
