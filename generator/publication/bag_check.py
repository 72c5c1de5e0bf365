"""Whether a bag is whole: every file there that should be, none that should not, every checksum right.

Source: RFC 8493, 3 ("Complete and valid bags").
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from generator.progress import Progress, counter, quiet
from generator.publication import bag_layout as layout
from generator.publication.bag_manifest import (
    MANIFEST_NAME,
    READABLE,
    Manifest,
    Sums,
    by_spelling,
    read_manifest,
    spelled,
    sums_of,
)
from generator.publication.bag_source import READ_ERRORS, READ_ERRORS_OF_ZIP, BagRefused, BagSource, whole

VERSIONS_READ = ("0.97", "1.0")
Kind = Literal["missing", "extra", "altered", "unreadable", "wrong", "doubtful"]


@dataclass(frozen=True, slots=True, kw_only=True)
class BagFault:
    """One thing wrong with a bag.

    kind  missing, extra, altered, unreadable: of a file; wrong: of the bag's own description; doubtful: allowed, but
          not by us
    path  file in the bag
    what  one clause that follows the path, such as `is missing.`
    """

    kind: Kind
    path: str
    what: str

    def __str__(self) -> str:
        return f"{self.path}: {self.what}"


@dataclass(frozen=True, slots=True, kw_only=True)
class BagState:
    """What was found.

    info        label -> value of bag-info.txt; of a label given twice the first
    faults      everything wrong, file by file
    algorithms  checksums that were computed
    files       files of the payload that are there
    size        their bytes
    sha256      path -> checksum, of files that were read with it
    """

    info: Mapping[str, str]
    faults: tuple[BagFault, ...]
    algorithms: tuple[str, ...]
    files: int
    size: int
    sha256: Mapping[str, str]

    @property
    def sound(self) -> bool:
        """Whether the bag is complete and valid."""
        return all(fault.kind == "doubtful" for fault in self.faults)


def check_bag(source: BagSource, progress: Progress = quiet) -> BagState:
    """Completeness and every checksum, each file read once. Raises BagRefused if a tag file is too large to read."""
    faults = [BagFault(kind="unreadable", path=path, what=what) for path, what in source.faults.items()]
    _check_declaration(source, faults)
    manifests = _manifests(source, faults)
    info = info_of(source)
    used = tuple(dict.fromkeys(m.algorithm for m in manifests if m.algorithm in READABLE))
    sums = _sums(source, manifests, used, faults, progress)
    for manifest in manifests:
        _compare(source, manifest, sums, faults)
    _tell_extras(source, manifests, faults)
    payload = [path for path in source.files if path.startswith(f"{layout.PAYLOAD}/")]
    size = sum(source.files[path] for path in payload)
    told = info.get("payload-oxum", "")
    if told and told != f"{size}.{len(payload)}":
        what = f"Payload-Oxum says {told} (bytes, files); there are {size}.{len(payload)}."
        faults.append(BagFault(kind="wrong", path=layout.INFO, what=what))
    if layout.FETCH in source.files:
        what = "names files to be fetched from elsewhere; nothing is fetched here."
        faults.append(BagFault(kind="doubtful", path=layout.FETCH, what=what))
    return BagState(
        info=info,
        faults=tuple(dict.fromkeys(faults)),
        algorithms=used,
        files=len(payload),
        size=size,
        sha256={path: found.by["sha256"] for path, found in sums.items() if "sha256" in found.by},
    )


def _check_declaration(source: BagSource, faults: list[BagFault]) -> None:
    text = whole(source, layout.DECLARATION).decode("utf-8", "replace").replace("\r\n", "\n")
    found = re.fullmatch(r"BagIt-Version: (\d+\.\d+)\nTag-File-Character-Encoding: (\S+)\n?", text)
    if found is None:
        what = "does not say version and encoding as RFC 8493 wants it."
    elif found.group(1) not in VERSIONS_READ:
        what = f"says BagIt {found.group(1)}; this program reads {' and '.join(VERSIONS_READ)}."
    elif found.group(2).upper() != "UTF-8":
        what = f"says that its texts are in {found.group(2)}; this program reads UTF-8."
    else:
        return
    faults.append(BagFault(kind="wrong", path=layout.DECLARATION, what=what))


def _manifests(source: BagSource, faults: list[BagFault]) -> list[Manifest]:
    names = sorted(path for path in source.files if MANIFEST_NAME.match(path))
    found = []
    for name in names:
        try:
            found.append(read_manifest(name, whole(source, name)))
        except BagRefused as refused:  # a damaged one is told, and the others still count
            faults.append(BagFault(kind="unreadable", path=name, what=str(refused).partition(f"{name} ")[2]))
    for manifest in found:
        faults += [BagFault(kind="wrong", path=manifest.name, what=what) for what in manifest.faults]
        if manifest.algorithm not in READABLE:
            what = f"{manifest.algorithm} is not known here; its checksums were not compared."
            faults.append(BagFault(kind="doubtful", path=manifest.name, what=what))
    if not any(not manifest.tags and manifest.algorithm in READABLE for manifest in found):
        what = "is missing: no manifest of the payload that can be read."
        faults.append(BagFault(kind="missing", path="manifest-sha512.txt", what=what))
    return found


def info_of(source: BagSource) -> dict[str, str]:
    """bag-info.txt: label in small letters -> value. Empty if there is none, or it cannot be read."""
    if layout.INFO not in source.files:
        return {}
    try:
        text = whole(source, layout.INFO).decode("utf-8", "replace")
    except BagRefused:
        return {}
    found: dict[str, str] = {}
    # a line that begins with a space goes on with the value before it (RFC 8493, 2.2.2)
    for line in re.sub(r"(?:\r\n|\r|\n)[ \t]+", " ", text).splitlines():
        label, colon, value = line.partition(":")
        if colon:
            found.setdefault(label.strip().lower(), value.strip())
    return found


def _sums(
    source: BagSource,
    manifests: list[Manifest],
    algorithms: tuple[str, ...],
    faults: list[BagFault],
    progress: Progress,
) -> dict[str, Sums]:
    """Checksums of every file that a manifest or the payload holds, each read once."""
    listed = {path for manifest in manifests for path in manifest.entries}
    spelling = by_spelling(source.files)
    wanted = {spelling[path] for path in by_spelling(listed) if path in spelling}
    found: dict[str, Sums] = {}
    one_more = counter(progress, "checking files", len(wanted))
    for path in sorted(wanted):
        one_more()
        try:
            with source.open(path) as stream:
                found[path] = sums_of(stream, algorithms)
        except READ_ERRORS as error:
            damaged = isinstance(error, READ_ERRORS_OF_ZIP)
            what = f"is damaged and cannot be read: {error}." if damaged else f"cannot be read: {error}."
            faults.append(BagFault(kind="altered" if damaged else "unreadable", path=path, what=what))
    return found


def _compare(source: BagSource, manifest: Manifest, sums: Mapping[str, Sums], faults: list[BagFault]) -> None:
    """Each line of one manifest against the file it names."""
    spelling = by_spelling(source.files)
    for listed, wanted in manifest.entries.items():
        path = spelling.get(spelled(listed))
        if path is None:
            if listed not in source.faults:
                faults.append(BagFault(kind="missing", path=listed, what="is missing."))
        elif (
            path in sums
            and manifest.algorithm in sums[path].by
            and sums[path].by[manifest.algorithm] != wanted
        ):
            faults.append(BagFault(kind="altered", path=path, what="has been altered: its checksum differs."))


def _tell_extras(source: BagSource, manifests: list[Manifest], faults: list[BagFault]) -> None:
    """Files of the payload must be in every manifest; tag files need not, but ours all are."""
    spelling = by_spelling(source.files)
    listings = {m.name: set(by_spelling(m.entries)) for m in manifests}
    payload_lists = [m.name for m in manifests if not m.tags]
    tag_lists = [m.name for m in manifests if m.tags]
    for spelling_of, path in spelling.items():
        inside = path.startswith(f"{layout.PAYLOAD}/")
        names = payload_lists if inside else tag_lists
        without = [name for name in names if spelling_of not in listings[name]]
        if inside and without:
            what = (
                "is extra: no manifest lists it."
                if len(without) == len(names)
                else f"is not listed in {', '.join(without)}."
            )
            faults.append(BagFault(kind="extra", path=path, what=what))
        elif not inside and names and len(without) == len(names) and not path.startswith("tagmanifest-"):
            what = "is extra: it lies beside the payload, where RFC 8493 allows it, but no manifest lists it."
            faults.append(BagFault(kind="doubtful", path=path, what=what))
