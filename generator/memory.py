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
    from generator.assessing import Assessed
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
    """Things of one kind by the fingerprint of what they are made from: with a store on disk, else in memory.

    store  where things are kept from one process to the next; then nothing of them stays in this one
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
        """Whether something is kept. On disk it may still prove to be damaged when it is wanted."""
        if self._store is not None:
            return self._store.has(self._kind, self._name(key))
        return key in self._kept

    def find(self, key: str) -> T | None:
        """What is kept under `key`, or None where nothing usable is."""
        if self._store is not None:
            return self._fetched(key, self._store)
        if key not in self._kept:
            return None
        self._used[key] = self._build
        return self._kept[key]

    def put(self, key: str, made: T) -> T:
        """Keep what has been made; gives it back."""
        self.made += 1
        if self._store is not None:
            self._store.put(self._kind, self._name(key), pickle.dumps(made, protocol=5))
        else:
            self._kept[key] = made
            self._used[key] = self._build
        return made

    def count(self, key: str, made: T) -> T:
        """As `put`, of what another process has made and put on disk already where there is a store."""
        if self._store is None:
            return self.put(key, made)
        self.made += 1
        return made

    def _name(self, key: str) -> str:
        return fingerprint(self._code, key)

    def _fetched(self, key: str, store: Store) -> T | None:
        kept = store.get(self._kind, self._name(key))
        if kept is None:
            return None
        try:
            found: T = pickle.loads(kept)
            return found
        except Exception:  # whatever an old pickle ends in, the thing is then made again
            return None

    def turn(self) -> None:
        """A build is done: what none has used for long is dropped from memory."""
        self._build += 1
        for key in [key for key, build in self._used.items() if build < self._build - KEPT_BUILDS]:
            del self._used[key]
            del self._kept[key]


class Memory:
    """What is kept of a season that is built again and again: runs, pictures, files and pages of sessions.

    store, code  as those of a shelf
    """

    def __init__(self, store: Store | None = None, code: str = "") -> None:
        self.runs: Shelf[RunReduction] = Shelf(store, "runs", code)
        self.assessments: Shelf[Assessed] = Shelf(store, "assessments", code)
        self.pictures: Shelf[Picture] = Shelf(store, "pictures", code)
        self.sessions: Shelf[SessionFiles] = Shelf(store, "sessions", code)
        self.pages: Shelf[tuple[tuple[str, bytes], ...]] = Shelf(store, "pages", code)
        self.libraries: Shelf[bytes] = Shelf(store, "libraries", code)
        self._store, self._code = store, code

    def elsewhere(self) -> Memory | None:
        """What another process that sees the same disk can have of it: the store. None without one."""
        return None if self._store is None else Memory(self._store, self._code)

    def is_new(self) -> bool:
        """Whether nothing at all has been kept on disk yet, so that a build will have everything to make."""
        return self._store is None or self._store.is_empty()

    def turn(self) -> None:
        """A build is done: what none has used for long is dropped."""
        for shelf in (
            self.runs, self.assessments, self.pictures, self.sessions, self.pages, self.libraries,
        ):  # fmt: skip
            shelf.turn()
        if self._store is not None:
            self._store.tidy()
