"""What is kept from one build of a season to the next.

Everything is kept by the content it was made from, never by name or date, so that nothing stale can be used. With a
store it outlives the process; the name of the program that made it is then part of the key.
"""

from __future__ import annotations

import hashlib
import pickle
from typing import TYPE_CHECKING, Generic, TypeVar

from generator.store import Store

if TYPE_CHECKING:
    from generator.publication.figure_blocks import Picture
    from generator.publication.session_files import SessionFiles
    from generator.reduction.records import RunReduction

T = TypeVar("T")


def fingerprint(*parts: object) -> str:
    """One name for the content of all parts. A part is bytes, or is told apart by its `repr`."""
    digest = hashlib.sha256()
    for part in parts:
        content = part if isinstance(part, bytes) else repr(part).encode()
        digest.update(len(content).to_bytes(8, "big"))
        digest.update(content)
    return digest.hexdigest()


KEPT_BUILDS = 20  # so long a thing that no build used is kept: an edit is often taken back


class Shelf(Generic[T]):
    """Things of one kind by the fingerprint of what they are made from, in memory and, with a store, on disk too.

    store  where things are kept from one process to the next
    kind   name of the things there
    code   one name for the program that makes them: what another program made is not found
    """

    def __init__(self, store: Store | None = None, kind: str = "", code: str = "") -> None:
        self._store, self._kind, self._code = store, kind, code
        self._kept: dict[str, T] = {}
        self._used: dict[str, int] = {}  # number of the last build that used it
        self._build = 0
        self.made = 0  # things put here since the beginning

    def __contains__(self, key: str) -> bool:
        return key in self._kept or self._found(key)

    def get(self, key: str) -> T:
        """What is kept under `key`. Raises KeyError."""
        if key not in self._kept:
            self._found(key)
        self._used[key] = self._build
        return self._kept[key]

    def put(self, key: str, made: T) -> T:
        """Keep what has been made; gives it back."""
        self._kept[key] = made
        self._used[key] = self._build
        self.made += 1
        if self._store is not None:
            self._store.put(self._kind, fingerprint(self._code, key), pickle.dumps(made, protocol=5))
        return made

    def _found(self, key: str) -> bool:
        """Fetch a thing from the store; False where there is none that can be used."""
        kept = None if self._store is None else self._store.get(self._kind, fingerprint(self._code, key))
        if kept is None:
            return False
        try:
            self._kept[key] = pickle.loads(kept)
        except Exception:  # whatever an old pickle ends in, the thing is then made again
            return False
        self._used.setdefault(key, self._build)
        return True

    def turn(self) -> None:
        """A build is done: what none has used for long is dropped from memory."""
        self._build += 1
        for key in [key for key, build in self._used.items() if build < self._build - KEPT_BUILDS]:
            del self._used[key]
            del self._kept[key]


class Memory:
    """Reduced runs, rendered pictures and all files of sessions, of a season that is built again and again.

    store, code  as those of a shelf
    """

    def __init__(self, store: Store | None = None, code: str = "") -> None:
        self.runs: Shelf[RunReduction] = Shelf(store, "runs", code)
        self.pictures: Shelf[Picture] = Shelf(store, "pictures", code)
        self.sessions: Shelf[SessionFiles] = Shelf(store, "sessions", code)
        self._store, self._code = store, code

    def elsewhere(self) -> Memory:
        """What another process can have of it: the store, and nothing of what lies in this one."""
        return Memory(self._store, self._code)

    def turn(self) -> None:
        """A build is done: what none has used for long is dropped."""
        for shelf in (self.runs, self.pictures, self.sessions):
            shelf.turn()
        if self._store is not None:
            self._store.tidy()
