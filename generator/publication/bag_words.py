"""What an archive says of itself in words: bag-info.txt, and README.txt for whoever opens it in ten years."""

from __future__ import annotations

import datetime
import os
import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from generator.evidence.results_document import FORMAT as RESULTS_FORMAT
from generator.evidence.wording import counted
from generator.intake.problems import WhirlbookError
from generator.intake.season import season_date
from generator.intake.session import Season, Session
from generator.publication import bag_layout as layout
from generator.publication.downloads_page import size_text
from generator.publication.facts import date_text

EPOCH = "SOURCE_DATE_EPOCH"
WIDE = 78


@dataclass(frozen=True, slots=True, kw_only=True)
class Archived:
    """What one bag is about.

    season     the season as it lies in the bag
    sessions   those whose results are in it
    whole      whether it is the whole season, and not one session with what it needs
    number     place of this bag among those made with it, from 1
    of         how many were made together
    date       of the bag
    version    of Whirlbook
    versions   of everything, as in versions.json
    simulated  ids of sessions that rest on simulated logs
    photos     whether it holds photos
    """

    season: Season
    sessions: tuple[Session, ...]
    whole: bool
    number: int
    of: int
    date: datetime.date
    version: str
    versions: Mapping[str, Any]
    simulated: frozenset[str]
    photos: bool

    @property
    def title(self) -> str:
        """`Title of the season`, or `Title of the session (Title of the season)`."""
        title = self.season.file.title
        return title if self.whole or not self.sessions else f"{self.sessions[0].file.title} ({title})"

    @property
    def contents(self) -> str:
        """What bag-info.txt says it holds: `season`, or `session ID`."""
        return layout.WHOLE_SEASON if self.whole else f"session {self.sessions[0].id}"


def bag_date(season: Season, environment: Mapping[str, str] = os.environ) -> datetime.date:
    """Date of a bag: SOURCE_DATE_EPOCH where it is set, else the newest session's, so that bytes do not change.

    Source  reproducible-builds.org, SOURCE_DATE_EPOCH: seconds since 1970 in UTC
    Raises  WhirlbookError if it is set to something else
    """
    told = environment.get(EPOCH, "").strip()
    if not told:
        return season_date(season)
    try:
        return datetime.datetime.fromtimestamp(int(told), datetime.UTC).date()
    except (ValueError, OverflowError, OSError):
        raise WhirlbookError(
            f"{EPOCH} is '{told}', not a count of seconds since 1970. Unset it, or mend it."
        ) from None


def bag_info(archived: Archived, size: int) -> list[tuple[str, str]]:
    """Labels and values of bag-info.txt; what the season does not state is left out. size: bytes of the payload.

    Source  RFC 8493, 2.2.2, reserved labels
    """
    file = archived.season.file
    about = f"{archived.title}. {file.notice or ''} {file.about}"
    return [
        ("Source-Organization", file.author or ""),
        ("External-Description", about),
        ("Bagging-Date", archived.date.isoformat()),
        ("Bag-Size", size_text(size).replace("\u00a0", " ").replace("\u202f", " ")),
        ("Bag-Group-Identifier", file.title if archived.of > 1 else ""),
        ("Bag-Count", f"{archived.number} of {archived.of}" if archived.of > 1 else ""),
        ("Internal-Sender-Identifier", archived.contents if not archived.whole else ""),
        ("Internal-Sender-Description", file.base_url or ""),
        ("Bag-Software-Agent", f"Whirlbook {archived.version}"),
        (layout.FORMAT_LABEL, layout.FORMAT),
        (layout.VERSION_LABEL, archived.version),
        (layout.RESULTS_LABEL, RESULTS_FORMAT),
        (layout.CONTENTS_LABEL, archived.contents),
        (layout.LICENCE_LABEL, file.licence or ""),
    ]


def readme(archived: Archived) -> str:
    """README.txt: what this is, how to read it without this program, how to compute it again with it."""
    file = archived.season.file
    newest = archived.date
    parts = [
        _heading(archived.title),
        _told(
            "Bench tests of small electric propulsion: motor, controller, propeller and battery or supply on a thrust "
            "stand, set-ups compared at equal conditions. This folder is an archive of "
            + (
                f"a whole season of {counted(len(archived.sessions), 'session')}."
                if archived.whole
                else "one session with everything that its figures rest on."
            )
        ),
        _told(file.about),
        _told(file.notice or ""),
        _told(_simulated(archived)),
        _facts(
            [
                ("Who answers for it", file.author or "not stated"),
                ("Licence", file.licence or "not stated; ask before you use it elsewhere"),
                ("Dated", date_text(newest).replace("\u00a0", " ")),
                ("Made with", f"Whirlbook {archived.version}"),
                ("On the web", file.base_url or "not stated"),
            ]
        ),
        _heading("What is where", "-"),
        _facts(
            [
                (
                    "data/season/",
                    "what the tester wrote and measured: YAML files, conclusions, photos, and the raw "
                    "logs in each session's folder, byte for byte as the logger wrote them",
                ),
                ("data/results/", "results.json of each session: every figure with its unit and uncertainty"),
                ("data/site/", "the pages that were published"),
                (
                    "data/schemas/",
                    "JSON Schemas that explain every key of the YAML files and of results.json",
                ),
                ("data/software/", "versions of the program and of all that it used"),
                ("data/ro-crate-metadata.json", "the same for programs (RO-Crate 1.1)"),
                ("manifest-*.txt", "a checksum of every file in data/ (BagIt 1.0, RFC 8493)"),
                ("tagmanifest-*.txt", "a checksum of the files beside data/, this one among them"),
            ]
        ),
        _heading("To read it without the program", "-"),
        _told(
            "Open data/site/index.html in a web browser; it needs no server and no network. The YAML files, the "
            "conclusions and most logs are plain text; logs that end in .gz or .zst are packed text, .parquet is an "
            "open table format. The rig's file in data/season/rigs/ says which column of a log is which quantity, in "
            "which unit. Units in results.json: gf, gf/W, N m, rpm, W, V, A, ms, degrees Celsius, and K for a rise "
            "or a difference."
        ),
        _told(_sessions(archived)),
        _heading("To see that nothing has changed", "-"),
        _told(
            "Any program that reads BagIt bags will do. So will this command, given in the folder that holds this "
            "file; it names every file that differs:"
        ),
        "    sha512sum --quiet --check manifest-sha512.txt\n",
        _told(
            "The checksums find damage. They do not show who made the archive: whoever changes a file can write new "
            "checksums. To hold against that, keep the checksum of tagmanifest-sha512.txt somewhere else."
        ),
        _heading("To compute every figure again", "-"),
        _told(
            f"It was computed with Python {archived.versions['python']} and the versions listed in "
            "data/software/requirements.txt. With Whirlbook of that version or a later one:"
        ),
        "    whirlbook verify FOLDER_OF_THIS_FILE\n    whirlbook build FOLDER_OF_THIS_FILE/data/season --out site\n",
        _told(
            "The first command checks every file, computes every figure again from the raw logs, and tells each that "
            "differs beyond rounding with both values. The second makes the pages again, outside of the archive."
        ),
    ]
    if archived.photos:
        parts += [
            _heading("Photos", "-"),
            _told(
                "Photos are kept as they were. A camera may have written into them where and when they were taken, "
                "and with what. Remove that from a copy before you pass a photo on, if it matters."
            ),
        ]
    parts += [
        _heading("Safety", "-"),
        _told(
            "These are records, not instructions. Propellers cut, batteries burn, noise deafens. Before repeating a "
            "test follow local codes, the makers' instructions, and the advice of a licensed practitioner where one "
            "is required."
        ),
    ]
    return "\n".join(part for part in parts if part.strip())


def _simulated(archived: Archived) -> str:
    told = [session.file.title for session in archived.sessions if session.id in archived.simulated]
    if not told:
        return ""
    if len(told) == len(archived.sessions):
        return "Simulated data: the logs in this archive were made by a rehearsal, not measured."
    return "Simulated, made by a rehearsal and not measured, are the logs of: " + "; ".join(told) + "."


def _sessions(archived: Archived) -> str:
    if archived.whole:
        return ""
    others = [s.file.title for s in archived.season.sessions if s.id != archived.sessions[0].id]
    if not others:
        return ""
    return (
        "Other sessions lie in data/season/ because the figures of this one rest on them too, by the runs of the "
        "rig's check standard: " + "; ".join(others) + ". Their own results are in their own archives."
    )


def _heading(text: str, line: str = "=") -> str:
    wrapped = textwrap.wrap(" ".join(text.split()), WIDE)
    return "\n".join([*wrapped, line * max(map(len, wrapped), default=1)]) + "\n"


def _told(text: str) -> str:
    lines = textwrap.wrap(" ".join(text.split()), WIDE, break_long_words=False, break_on_hyphens=False)
    return "\n".join(lines) + "\n" if lines else ""


def _facts(pairs: Sequence[tuple[str, str]]) -> str:
    wide = max(len(name) for name, _ in pairs) + 2
    lines = [
        textwrap.fill(
            " ".join(value.split()), WIDE, initial_indent=name.ljust(wide), subsequent_indent=" " * wide,
            break_long_words=False, break_on_hyphens=False,
        )
        for name, value in pairs
    ]  # fmt: skip
    return "\n".join(lines) + "\n"
