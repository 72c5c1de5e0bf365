"""Where each page is, and how one page points at another.

File names are spelled out and links are relative, so the site works from a disk and under any path of any host.
"""

from __future__ import annotations

import posixpath
import re
from dataclasses import dataclass
from urllib.parse import quote

FRONT = "index.html"
CLAIMS = "claims.html"
PARTS = "parts/index.html"
RIGS = "rigs/index.html"
SAFETY = "safety.html"
METHOD = "method.html"
STATISTICS = "statistics.html"
TUTORIAL = "tutorial.html"
GLOSSARY = "glossary.html"
ASSETS = "assets"
OVERLAY = "overlay/index.html"
FEED = "feed.xml"
SITE_MAP = "sitemap.xml"
CORRECTIONS = "corrections.html"
SEARCH = "search.html"
DOWNLOADS = "downloads.html"
RESULTS_SCHEMA = "results.schema.json"
CHECKSUM_NAME = "logs.sha256"


@dataclass(frozen=True, slots=True, kw_only=True)
class Link:
    """One place to go.

    text     words of the link
    href     relative address from the page that shows it
    current  whether it points at the page that shows it
    """

    text: str
    href: str
    current: bool = False


def session_folder(session_id: str) -> str:
    """Folder of a session's pages and files."""
    return f"sessions/{session_id}"


def session_page(session_id: str) -> str:
    """Page of a session."""
    return f"{session_folder(session_id)}/index.html"


def comparison_page(session_id: str, treatment: str, baseline: str) -> str:
    """Page of one treatment against the baseline: the page to share."""
    return f"{session_folder(session_id)}/{treatment}-against-{baseline}.html"


def embed_page(session_id: str, treatment: str, baseline: str) -> str:
    """A comparison in short, without anything around it, to be shown inside another page."""
    return f"{session_folder(session_id)}/embed/{treatment}-against-{baseline}.html"


def run_page(session_id: str, run_id: str) -> str:
    """Page of one run."""
    return f"{session_folder(session_id)}/runs/{run_id}.html"


def results_file(session_id: str) -> str:
    """The session's facts for machines."""
    return f"{session_folder(session_id)}/results.json"


def checksum_file(session_id: str) -> str:
    """Checksums of the session's raw logs, for a program that checks files against such a list."""
    return f"{session_folder(session_id)}/{CHECKSUM_NAME}"


def asset(name: str) -> str:
    """A script, style sheet or piece of an index that pages load."""
    return f"{ASSETS}/{name}"


def log_copy(session_id: str, log: str) -> str:
    """Copy of a raw log. File names are unique within a session, since runs are named after them."""
    return f"{session_folder(session_id)}/logs/{posixpath.basename(log)}"


def figure_file(session_id: str, name: str, ending: str) -> str:
    """Data (`csv`) or specification (`vl.json`) of a figure."""
    return f"{session_folder(session_id)}/figures/{name}.{ending}"


def thing_photo(kind: str, id_: str, name: str) -> str:
    """Photo of a part or rig, named after it. kind: `parts` or `rigs`."""
    return f"{kind}/photos/{id_}{posixpath.splitext(name)[1].lower()}"


def photo_copy(session_id: str, name: str) -> str:
    """Copy of a photo that the conclusion shows."""
    return f"{session_folder(session_id)}/photos/{name}"


def part_page(part_id: str) -> str:
    """Page of a part. A part called `index` must not take the place of the list of parts."""
    return f"parts/{part_id}.html" if part_id.lower() != "index" else "parts/index-.html"


def rig_page(rig_id: str) -> str:
    """Page of a rig, with the same care for the name `index`."""
    return f"rigs/{rig_id}.html" if rig_id.lower() != "index" else "rigs/index-.html"


def link(from_page: str, to_page: str, fragment: str = "") -> str:
    """Relative address of `to_page` as written on `from_page`; both are paths from the top of the site."""
    if from_page == to_page:
        return f"#{quote(fragment)}" if fragment else quote(posixpath.basename(to_page))
    relative = posixpath.relpath(to_page, posixpath.dirname(from_page) or ".")
    return quote(relative, safe="/") + (f"#{quote(fragment)}" if fragment else "")


def anchor(*words: str) -> str:
    """An id for a place on a page, from words that may hold anything: lower-case letters, digits, hyphens."""
    text = re.sub(r"[^a-z0-9]+", "-", " ".join(words).lower()).strip("-")
    return text or "place"
