"""The JSON Schemas in shared/ are what the models say, and the demo season's files fit them."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest
import yaml
from jsonschema import Draft202012Validator

from generator.schemas import as_text, schemas

ROOT = Path(__file__).resolve().parents[1]
DEMO = ROOT / "demo_sessions"


class _AsEditorsRead(yaml.SafeLoader):
    """YAML 1.2 as editors read it: `on` is a word, dates and times of day are text."""


KEPT = {
    "tag:yaml.org,2002:int": re.compile(r"^[-+]?[0-9]+$"),
    "tag:yaml.org,2002:float": re.compile(r"^[-+]?[0-9]*\.[0-9]+$"),
    "tag:yaml.org,2002:bool": re.compile(r"^(true|false)$"),
}
_AsEditorsRead.yaml_implicit_resolvers = {}
for tag, pattern in KEPT.items():
    _AsEditorsRead.add_implicit_resolver(tag, pattern, None)


@pytest.mark.parametrize("name", sorted(schemas()))
def test_shared_schema_is_current(name: str) -> None:
    written = (ROOT / "shared" / name).read_text(encoding="utf-8")
    assert written == as_text(schemas()[name]), "run: python -m generator.schemas shared"


@pytest.mark.parametrize("name", sorted(schemas()))
def test_schema_is_itself_valid(name: str) -> None:
    Draft202012Validator.check_schema(schemas()[name])


def validator(name: str) -> Draft202012Validator:
    return Draft202012Validator(
        json.loads((ROOT / "shared" / f"{name}.schema.json").read_text(encoding="utf-8"))
    )


def data(file: Path) -> Any:
    return yaml.load(file.read_text(encoding="utf-8"), Loader=_AsEditorsRead)


FILES = [
    ("season", DEMO / "season.yaml"),
    *(("rig", file) for file in sorted((DEMO / "rigs").glob("*.yaml"))),
    *(("part", file) for file in sorted((DEMO / "parts").glob("*.yaml"))),
    *(("session", file) for file in sorted(DEMO.glob("*/session.yaml"))),
]


@pytest.mark.parametrize(("name", "file"), FILES, ids=lambda value: getattr(value, "stem", value))
def test_demo_files_fit_their_schema(name: str, file: Path) -> None:
    errors = [f"{list(e.absolute_path)}: {e.message}" for e in validator(name).iter_errors(data(file))]
    assert errors == []


@pytest.mark.parametrize(
    ("name", "change"),
    [
        ("session", {"basline": "a"}),
        ("session", {"air": {"temperature": 18}}),
        ("part", {"kind": "motor", "label": "x", "kv": 1750, "pole_pairs": 7}),
        ("part", {"kind": "engine", "label": "x"}),
        ("rig", {"label": "x", "channels": {"time": {"colum": "t"}}}),
        ("season", {"title": "x"}),
    ],
)
def test_schema_refuses_what_intake_refuses(name: str, change: dict[str, Any]) -> None:
    base = data(next(file for kind, file in FILES if kind == name)) if name == "session" else {}
    assert list(validator(name).iter_errors({**base, **change}))
