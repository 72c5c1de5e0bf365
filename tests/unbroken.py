"""Whether a site on disk is whole: python -m tests.unbroken ONE OTHER tells whether two folders hold the same bytes."""

from __future__ import annotations

import hashlib
import sys
from collections.abc import Mapping
from pathlib import Path


def contents(folder: Path) -> dict[str, str]:
    """Relative name of every file below a folder -> SHA-256 of what it holds; folders count by their names."""
    found = {}
    for path in sorted(folder.rglob("*")):
        name = path.relative_to(folder).as_posix()
        found[name] = "folder" if path.is_dir() else hashlib.sha256(path.read_bytes()).hexdigest()
    return found


def version_of(folder: Path, holds: Mapping[str, Mapping[str, str]]) -> str | None:
    """The version whose contents stand in a folder, byte for byte; None where it is none of them.

    holds  version -> its `contents`
    """
    found = contents(folder)
    return next((version for version, holding in holds.items() if holding == found), None)


if __name__ == "__main__":
    same = contents(Path(sys.argv[1])) == contents(Path(sys.argv[2]))
    print("the same" if same else "different")
    raise SystemExit(0 if same else 1)
