"""The description of an archive for programs, held against RO-Crate 1.1 and read by an independent library."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import unquote

import pytest
from rocrate.rocrate import ROCrate

from generator.archiving import archive
from tests.bags import without_charts
from tests.conftest import ROOT
from tests.seasons import SEASON, write_season

TERMS = set((ROOT / "tests/data/ro_crate/terms_1.1.txt").read_text(encoding="utf-8").split())
AUTHOR = "author: An invented club\nlicence: CC BY 4.0, https://creativecommons.org/licenses/by/4.0/\n"


@pytest.fixture(scope="module")
def root(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Payload of an archive of a season that states author and licence, with a name that needs care."""
    folder = tmp_path_factory.mktemp("crate")
    season = write_season(folder / "season")
    (season / "season.yaml").write_text(SEASON + AUTHOR + "base_url: https://example.org/bench\n")
    (season / "q" / "a photo, 80 %.png").write_bytes(b"not looked at")
    with pytest.MonkeyPatch.context() as patch:
        without_charts(patch)
        archive(season, folder / "bag")
    return folder / "bag" / "data"


@pytest.fixture(scope="module")
def graph(root: Path) -> dict[str, dict[str, Any]]:
    """@id -> entity."""
    document = json.loads((root / "ro-crate-metadata.json").read_text(encoding="utf-8"))
    assert document["@context"] == "https://w3id.org/ro/crate/1.1/context"
    found = {entity["@id"]: entity for entity in document["@graph"]}
    assert len(found) == len(document["@graph"]), "an @id is used twice"
    return found


def references(value: Any) -> Iterator[str]:
    if isinstance(value, dict) and set(value) == {"@id"}:
        yield value["@id"]
    elif isinstance(value, list):
        for item in value:
            yield from references(item)


def test_the_descriptor_points_at_the_root(graph: dict[str, dict[str, Any]]) -> None:
    """RO-Crate 1.1, "RO-Crate Metadata File Descriptor"."""
    assert graph["ro-crate-metadata.json"] == {
        "@id": "ro-crate-metadata.json",
        "@type": "CreativeWork",
        "about": {"@id": "./"},
        "conformsTo": {"@id": "https://w3id.org/ro/crate/1.1"},
    }


def test_the_root_has_what_it_must_and_should(graph: dict[str, dict[str, Any]]) -> None:
    """RO-Crate 1.1, "Direct properties of the Root Data Entity"."""
    root = graph["./"]
    assert root["@type"] == "Dataset"
    assert root["name"] == "Test season"
    assert root["description"] == "Invented for tests. All data here are invented."
    assert root["datePublished"] == "2031-05-04"
    assert root["license"] == {"@id": "https://creativecommons.org/licenses/by/4.0/"}
    assert graph[root["license"]["@id"]]["name"].startswith("CC BY 4.0")
    assert graph[root["author"]["@id"]] == {
        "@id": "#author-1",
        "@type": "Organization",
        "name": "An invented club",
    }
    assert root["url"] == "https://example.org/bench"


def test_every_term_is_one_of_ro_crate_1_1(graph: dict[str, dict[str, Any]]) -> None:
    used = {key for entity in graph.values() for key in entity if not key.startswith("@")}
    types = {entity["@type"] for entity in graph.values()}
    assert used | types <= TERMS
    assert len(used) > 10


def test_every_reference_leads_somewhere(graph: dict[str, dict[str, Any]]) -> None:
    for entity in graph.values():
        for key, value in entity.items():
            if key != "conformsTo":
                assert set(references(value)) <= set(graph), (entity["@id"], key)


def test_what_is_described_is_there_and_within_the_root(root: Path, graph: dict[str, dict[str, Any]]) -> None:
    for name, entity in graph.items():
        if entity["@type"] == "File":
            file = root / unquote(name)
            assert file.stat().st_size == int(entity["contentSize"]), name
        elif entity["@type"] == "Dataset":
            assert name.endswith("/")
            assert (root / unquote(name)).is_dir()
    reached, waiting = set(), ["./"]
    while waiting:
        entity = graph[waiting.pop()]
        reached.add(entity["@id"])
        waiting += references(entity.get("hasPart", []))
    data = {name for name, entity in graph.items() if entity["@type"] in ("File", "Dataset")}
    assert data <= reached
    files = {f.relative_to(root).as_posix() for f in root.rglob("*") if f.is_file()}
    told = {unquote(name) for name, entity in graph.items() if entity["@type"] == "File"}
    assert {path for path in files if not path.startswith("site/")} - {"ro-crate-metadata.json"} == told


def test_how_the_results_came_about(graph: dict[str, dict[str, Any]]) -> None:
    """RO-Crate 1.1, "Provenance of entities": an action with instrument, object and result."""
    action = graph["#computed-q"]
    assert action["@type"] == "CreateAction"
    assert [it["@id"] for it in action["object"]] == [f"season/q/logs/0{n}.csv" for n in range(1, 5)]
    assert action["result"] == {"@id": "results/q/results.json"}
    assert graph[action["instrument"]["@id"]]["version"]
    assert graph["season/q/"]["name"] == "Does it matter?"


def test_an_independent_library_reads_it(root: Path) -> None:
    """rocrate (pypi.org/project/rocrate); it fails on a graph without root, or with a file that is not there."""
    crate = ROCrate(str(root))
    assert crate.name == "Test season"
    assert str(crate.datePublished)[:10] == "2031-05-04"
    log = crate.dereference("season/q/logs/01.csv")
    assert log is not None
    assert log["encodingFormat"] == "text/csv"
    photo = crate.dereference("season/q/a%20photo%2C%2080%20%25.png")
    assert photo is not None
    assert Path(str(photo.source)) == root / "season/q/a photo, 80 %.png"


def test_a_season_that_states_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    without_charts(monkeypatch)
    archive(write_season(tmp_path / "season"), tmp_path / "bag")
    document = json.loads((tmp_path / "bag/data/ro-crate-metadata.json").read_text(encoding="utf-8"))
    found = {entity["@id"]: entity for entity in document["@graph"]}
    assert found["#licence"]["name"] == "No licence stated"
    assert not {"author", "publisher", "url"} & set(found["./"])
