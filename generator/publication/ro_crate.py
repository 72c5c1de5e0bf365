"""The archive described for programs: RO-Crate 1.1, JSON-LD with the payload folder as its root.

Source: RO-Crate Metadata Specification 1.1, w3id.org/ro/crate/1.1 ("Root data entity", "Data entities", "Contextual
entities", "Provenance of entities", and "Adding RO-Crate to BagIt" in its implementation notes).
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from pathlib import PurePosixPath
from typing import Any
from urllib.parse import quote

from generator.intake.session import Session
from generator.publication import bag_layout as layout
from generator.publication.bag_manifest import Sums
from generator.publication.bag_words import Archived

CONTEXT = "https://w3id.org/ro/crate/1.1/context"
CONFORMS = "https://w3id.org/ro/crate/1.1"
ADDRESS = re.compile(r"https?://[^\s<>\"]+")
# by ending; media types of IANA where there is one
FORMATS: Mapping[str, str] = {
    ".yaml": "application/yaml",
    ".json": "application/json",
    ".csv": "text/csv",
    ".txt": "text/plain",
    ".log": "text/plain",
    ".md": "text/markdown",
    ".html": "text/html",
    ".gz": "application/gzip",
    ".zst": "application/zstd",
    ".parquet": "application/vnd.apache.parquet",
    ".jpg": "image/jpeg",
    ".jpeg": "image/jpeg",
    ".png": "image/png",
    ".webp": "image/webp",
}
Entity = dict[str, Any]


def crate_document(archived: Archived, files: Mapping[str, Sums]) -> bytes:
    """ro-crate-metadata.json: every file of the season and every results.json, the site as one folder.

    files  of the payload but this one, path from the top of the bag -> size and sums
    """
    inside = {path.removeprefix(f"{layout.PAYLOAD}/"): sums for path, sums in files.items()}
    folders = {name for path in inside for name in map(str, PurePosixPath(path).parents) if name != "."}
    sites = f"{layout.SITE.removeprefix(layout.PAYLOAD + '/')}"
    told = {path: sums for path, sums in inside.items() if not path.startswith(f"{sites}/")}
    described = {name for name in folders if name == sites or not name.startswith(f"{sites}/")}
    graph = [
        {
            "@id": layout.CRATE_NAME,
            "@type": "CreativeWork",
            "about": {"@id": "./"},
            "conformsTo": {"@id": CONFORMS},
        },
        _root(archived, described, told),
        *(_folder(name, archived, described, told) for name in sorted(described)),
        *(_file(path, told[path]) for path in sorted(told)),
        *_people(archived),
        _licence(archived),
        *_software(archived),
        *(_made(session, told) for session in archived.sessions),
    ]
    document = {"@context": CONTEXT, "@graph": [_stated(entity) for entity in graph]}
    return f"{json.dumps(document, ensure_ascii=False, indent=1)}\n".encode()


def _stated(entity: Mapping[str, Any]) -> Entity:
    """Without what is not known; a list of one as that one, as the specification's notes on JSON-LD want it."""
    kept = {key: value for key, value in entity.items() if value not in ("", None, [])}
    return {
        key: value[0] if isinstance(value, list) and len(value) == 1 else value for key, value in kept.items()
    }


def _id(path: str, *, folder: bool = False) -> str:
    """Relative address of a file, or of a folder with its slash."""
    return quote(path) + ("/" if folder else "")


def _within(name: str, folders: set[str], files: Mapping[str, Sums]) -> list[dict[str, str]]:
    """What lies directly in a folder ("" for the root)."""
    top = name or "."
    found = [_id(path, folder=True) for path in sorted(folders) if str(PurePosixPath(path).parent) == top]
    found += [_id(path) for path in sorted(files) if str(PurePosixPath(path).parent) == top]
    return [{"@id": path} for path in found]


def _root(archived: Archived, folders: set[str], files: Mapping[str, Sums]) -> Entity:
    file = archived.season.file
    return {
        "@id": "./",
        "@type": "Dataset",
        "name": archived.title,
        "description": " ".join(f"{file.about} {file.notice or ''}".split()),
        "datePublished": archived.date.isoformat(),
        "license": {"@id": _licence(archived)["@id"]},
        "author": [{"@id": person["@id"]} for person in _people(archived)],
        "publisher": [{"@id": person["@id"]} for person in _people(archived)[:1]],
        "url": file.base_url or "",
        "inLanguage": file.language,
        "hasPart": _within("", folders, files),
        "mentions": [{"@id": _made_id(session)} for session in archived.sessions],
    }


def _folder(name: str, archived: Archived, folders: set[str], files: Mapping[str, Sums]) -> Entity:
    entity: Entity = {"@id": _id(name, folder=True), "@type": "Dataset", "name": name}
    words = {
        "season": "What the tester wrote and measured; the raw logs as the logger wrote them.",
        "results": "Every figure of each session, with unit and uncertainty.",
        "site": "The published pages; index.html is the first.",
        "schemas": "JSON Schemas of the YAML files and of results.json.",
        "software": "Versions of everything that computed the results.",
    }
    if name in words:
        entity["description"] = words[name]
    for session in archived.season.sessions:
        if name == f"season/{session.id}":
            entity |= {
                "name": session.file.title,
                "description": " ".join(session.file.question.split()),
                "dateCreated": session.file.date.isoformat(),
            }
    return entity | {"hasPart": [] if name == "site" else _within(name, folders, files)}


def _file(path: str, sums: Sums) -> Entity:
    return {
        "@id": _id(path),
        "@type": "File",
        "name": PurePosixPath(path).name,
        "contentSize": str(sums.size),
        "encodingFormat": FORMATS.get(PurePosixPath(path).suffix.lower(), ""),
    }


def _people(archived: Archived) -> list[Entity]:
    """Who answers for it. The season's file does not say whether that is a person; the wider word is taken."""
    names = dict.fromkeys(
        [archived.season.file.author, *(session.file.tester for session in archived.sessions)]
    )
    found = [name for name in names if name]
    return [
        {"@id": f"#author-{n}", "@type": "Organization", "name": name}
        for n, name in enumerate(found, start=1)
    ]


def _licence(archived: Archived) -> Entity:
    text = archived.season.file.licence
    if not text:
        return {
            "@id": "#licence",
            "@type": "CreativeWork",
            "name": "No licence stated",
            "description": "The season states no licence. Ask its author before you use it elsewhere.",
        }
    address = ADDRESS.search(text)
    return {
        "@id": address.group() if address else "#licence",
        "@type": "CreativeWork",
        "name": text,
        "description": f"Licence of data and texts, as the season states it: {text}",
    }


def _software(archived: Archived) -> list[Entity]:
    versions = archived.versions
    return [
        {
            "@id": "#whirlbook",
            "@type": "SoftwareApplication",
            "name": "Whirlbook",
            "version": archived.version,
            "softwareRequirements": [{"@id": "#python"}, {"@id": _id(_inside(layout.REQUIREMENTS))}],
        },
        {
            "@id": "#python",
            "@type": "ComputerLanguage",
            "name": f"Python ({versions['implementation']})",
            "version": versions["python"],
        },
    ]


def _made_id(session: Session) -> str:
    return f"#computed-{quote(session.id)}"


def _made(session: Session, files: Mapping[str, Sums]) -> Entity:
    """That this program made these results from those logs."""
    folder = f"{_inside(layout.SEASON)}/{session.id}"
    logs = [
        f"{folder}/{log}"
        for run in session.file.runs
        for log in (run.log, *(further.log for further in run.further_logs.values()))
    ]
    return {
        "@id": _made_id(session),
        "@type": "CreateAction",
        "name": f"Results of {session.id} computed from its raw logs",
        "instrument": {"@id": "#whirlbook"},
        "object": [{"@id": _id(path)} for path in dict.fromkeys(logs) if path in files],
        "result": {"@id": _id(_inside(layout.results_file(session.id)))},
    }


def _inside(path: str) -> str:
    return path.removeprefix(f"{layout.PAYLOAD}/")
