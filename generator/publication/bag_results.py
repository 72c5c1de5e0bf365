"""What an archive says was found: its formats, the stored results of each session, and the versions behind them."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from generator.evidence.results_comparison import unreadable
from generator.publication import bag_layout as layout
from generator.publication.bag_check import info_of
from generator.publication.bag_source import BagRefused, BagSource, whole

_RESULTS = re.compile(rf"^{layout.RESULTS}/([^/]+)/results\.json$")


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredResults:
    """Results as they lie in a bag.

    version    of the Whirlbook that made the bag, or "" if it does not say
    date       Bagging-Date, as written
    contents   `season`, or `session ID`
    documents  session id -> its results.json
    refused    session id -> why its results cannot be read
    versions   versions.json, empty if there is none
    """

    version: str
    date: str
    contents: str
    documents: Mapping[str, Mapping[str, Any]]
    refused: Mapping[str, str]
    versions: Mapping[str, Any]


def not_ours(info: Mapping[str, str]) -> str:
    """Why the inside of a bag cannot be understood, one sentence, or "" where it can. info: of bag-info.txt."""
    told = info.get(layout.FORMAT_LABEL.lower(), "")
    if told == layout.FORMAT:
        return ""
    if not told:
        return f"is a bag, but not one of Whirlbook's: {layout.INFO} has no {layout.FORMAT_LABEL}."
    name, _, number = told.rpartition("/")
    known, _, ours = layout.FORMAT.rpartition("/")
    if name == known and number.isdigit() and int(number) > int(ours):
        version = info.get(layout.VERSION_LABEL.lower(), "")
        made = f"Whirlbook {version}" if version else "a newer Whirlbook"
        return (
            f"is in the format {told}, made by {made}; this version reads {layout.FORMAT}. Use the newer one."
        )
    return f"is in a format that is not known, {told}; this version reads {layout.FORMAT}."


def stored_results(source: BagSource) -> StoredResults:
    """The results of a bag of ours. Raises BagRefused, with the reason, for a bag that is not."""
    info = info_of(source)
    if why := not_ours(info):
        raise BagRefused(f"{source.shown} {why}")
    documents: dict[str, Mapping[str, Any]] = {}
    refused: dict[str, str] = {}
    for path in sorted(source.files):
        found = _RESULTS.match(path)
        if found is None:
            continue
        document = _json(source, path)
        why = "not JSON that can be read" if document is None else unreadable(document)
        if why:
            refused[found.group(1)] = why
        else:
            documents[found.group(1)] = document if isinstance(document, Mapping) else {}
    versions = _json(source, layout.VERSIONS)
    return StoredResults(
        version=info.get(layout.VERSION_LABEL.lower(), ""),
        date=info.get("bagging-date", ""),
        contents=info.get(layout.CONTENTS_LABEL.lower(), layout.WHOLE_SEASON),
        documents=documents,
        refused=refused,
        versions=versions if isinstance(versions, Mapping) else {},
    )


def _json(source: BagSource, path: str) -> Any:
    """A JSON file of the bag, or None if it is not there or none."""
    if path not in source.files:
        return None
    try:
        return json.loads(whole(source, path))
    except (ValueError, RecursionError, BagRefused):
        return None


def published_copy(source: BagSource, session_id: str) -> Any:
    """The results.json beside the session's page in the bag, or None if there is none that can be read."""
    return _json(source, f"{layout.SITE}/sessions/{session_id}/results.json")
