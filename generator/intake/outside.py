"""What a season may not hold: links that lead out of it, things that are no plain file, names that hide something.

A season may come from somebody else. A link in it could publish any file of the reader's machine, a device never ends,
and two folders whose names look the same are one folder on some disks.
"""

from __future__ import annotations

import os
import re
import stat
import unicodedata
from collections.abc import Iterable, Iterator
from pathlib import Path

from generator.intake.problems import Problem

# Characters that no text of a season needs: control characters, which steer a terminal and are no XML; and marks that
# turn the order of letters round, so that a line reads as something it does not say (UAX #9, explicit formatting).
UNSEEN = re.compile(
    "[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x84\x86-\x9f\u202a-\u202e\u2066-\u2069\ud800-\udfff\ufffe\uffff]"
)
READ_WHOLE = ("rigs", "parts", "content", "layouts", "shared")
READ_OF_SESSION = ("session.yaml", "rehearsal.yaml")
MAX_BYTES = 2_000_000  # of a YAML file
DEEPEST = 12  # folders within folders; layouts has three
# What some disk or other takes in no name, and what nobody sees.
NOT_IN_NAMES = re.compile(
    r"[<>:\"/\\|?*\x00-\x1f\x7f-\x9f\u200b-\u200f\u2028-\u202e\u2060-\u206f\ufeff\ud800-\udfff]"
)
_LONGEST_NAME = 100  # bytes; names of pages are made of it and more


def odd_files(folder: Path, shown: str, sessions: Iterable[str]) -> list[Problem]:
    """A problem for each link out of the season, and for each thing that is no plain file, where files are read.

    sessions  names of the session folders; their logs, photos and conclusions are looked at where they are read
    """
    home = folder.resolve()
    places = [folder / "season.yaml", *(folder / name for name in READ_WHOLE)]
    places += [folder / session / name for session in sessions for name in READ_OF_SESSION]
    problems = []
    for place in (inner for outer in places for inner in _within(outer, DEEPEST)):
        name = f"{shown}/{place.relative_to(folder).as_posix()}"
        kind = place.lstat().st_mode
        if stat.S_ISLNK(kind):
            if not is_inside(place, home):
                what, remedy = "is a link that leads out of the season.", "Put the file itself there."
                problems.append(Problem(file=name, what=what, remedy=remedy))
        elif not (stat.S_ISREG(kind) or stat.S_ISDIR(kind)):
            what, remedy = "is no plain file.", "Put a plain file there, or take it away."
            problems.append(Problem(file=name, what=what, remedy=remedy))
    return problems


def _within(place: Path, depth: int) -> Iterator[Path]:
    """A place and all that is in it; links are not followed."""
    if not os.path.lexists(place):
        return
    yield place
    if depth and place.is_dir() and not place.is_symlink():
        for entry in sorted(os.listdir(place)):
            yield from _within(place / entry, depth - 1)


def is_inside(place: Path, home: Path) -> bool:
    """Whether a place is in the folder `home` (resolved), links followed; never raises."""
    try:
        return place.resolve().is_relative_to(home)
    except (OSError, ValueError, RuntimeError):  # a link to itself
        return False


def as_it_looks(text: str) -> str:
    """A text as readers see it: without marks that show nothing, one form for letters that look alike composed."""
    plain = unicodedata.normalize("NFKC", text)
    return " ".join("".join(mark for mark in plain if unicodedata.category(mark) != "Cf").split())


def odd_names(names: Iterable[str], shown: str) -> dict[str, Problem]:
    """Name of a session folder -> why it cannot be one."""
    odd: dict[str, Problem] = {}
    taken: dict[str, str] = {}
    for name in names:
        plain = unicodedata.normalize("NFC", name).casefold()
        found = NOT_IN_NAMES.search(name)
        if found is not None:
            what = f"has the character U+{ord(found.group()):04X} in its name."
        elif len(os.fsencode(name)) > _LONGEST_NAME:
            what = f"has a name of more than {_LONGEST_NAME} bytes."
        elif name != name.strip(" .") or name.startswith("-"):
            what = "has a name that begins or ends with a blank, a dot or a hyphen."
        elif plain in taken:
            what = f"has the same name as '{taken[plain]}', letters large and small counted alike."
        else:
            taken[plain] = name
            continue
        remedy = "Rename it; letters, digits and hyphens are safe everywhere."
        odd[name] = Problem(file=f"{shown}/{name}", what=what, remedy=remedy)
    return odd
