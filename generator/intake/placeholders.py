"""Values that `start` invented and nobody has replaced yet: nothing that rests on them should be published.

In YAML a line that ends in the remark `# replace` still holds such a value; in a conclusion, `<!-- replace -->`
stands before words that are only a model. Who puts an own value there takes the remark away.
"""

from __future__ import annotations

import re
from pathlib import Path

from generator.intake.outside import MAX_BYTES
from generator.intake.problems import Problem

MARK = "# replace"
PROSE_MARK = "<!-- replace -->"
_LIST_DASH = re.compile(r"^-\s+")
SHOWN = 6  # keys named in one problem


def placeholders(folder: Path, shown: str) -> list[Problem]:
    """One doubtful problem for each file of a season that still holds invented values.

    folder  the season's folder
    shown   the same, as the user named it
    """
    found: list[Problem] = []
    for pattern in ("season.yaml", "rigs/*.yaml", "parts/*.yaml", "*/session.yaml", "*/conclusion.md"):
        for file in sorted(folder.glob(pattern)):
            place = f"{shown}/{file.relative_to(folder).as_posix()}"
            if not any(part.startswith(".") for part in file.relative_to(folder).parts):
                found += _of_prose(file, place) if file.suffix == ".md" else _of_yaml(file, place)
    return found


def _lines(file: Path) -> list[str]:
    """Lines of a text; none where it cannot be read, which is told elsewhere."""
    try:
        if not file.is_file() or file.stat().st_size > MAX_BYTES:
            return []
        return file.read_text(encoding="utf-8-sig").splitlines()
    except (OSError, UnicodeDecodeError):
        return []


def _marked_key(line: str) -> str | None:
    """The key of a line that ends in the remark, or None. No pattern: one over a long line would take its time."""
    before, mark, after = line.rpartition(MARK)
    if not mark or after.strip() or not before[-1:].isspace():
        return None
    key, colon, _ = _LIST_DASH.sub("", before.strip()).partition(":")
    return key.strip(" {'\"") if colon and key.strip() and "#" not in key else None


def _of_yaml(file: Path, place: str) -> list[Problem]:
    marked = [
        (number, key)
        for number, line in enumerate(_lines(file), start=1)
        if (key := _marked_key(line)) is not None
    ]
    if not marked:
        return []
    keys = list(dict.fromkeys(key for _, key in marked))
    named = ", ".join(keys[:SHOWN]) + (", ..." if len(keys) > SHOWN else "")
    many = "holds an invented value" if len(marked) == 1 else f"holds {len(marked)} invented values"
    what = f"{many}, from when the file was started: {named}."
    remedy = f"Put your own values there, and take `{MARK}` away from each of these lines."
    return [Problem(file=place, line=marked[0][0], what=what, remedy=remedy, severity="warning")]


def _of_prose(file: Path, place: str) -> list[Problem]:
    marked = [number for number, line in enumerate(_lines(file), start=1) if PROSE_MARK in line]
    if not marked:
        return []
    what = "holds words that are only a model."
    remedy = f"Write your own words there, and take {PROSE_MARK} away."
    return [Problem(file=place, line=marked[0], what=what, remedy=remedy, severity="warning")]
