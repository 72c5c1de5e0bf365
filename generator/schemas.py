"""JSON Schemas of the YAML files and of results.json, written from the models that read and write them.

    python -m generator.schemas shared

A test holds the files in `shared/` against this, so that an editor never completes what intake refuses.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

from pydantic import BaseModel

from generator.check_records import check_schema
from generator.evidence.results_document import results_schema
from generator.intake.calibrations import CalibrationRecord
from generator.intake.parts import PART_MODELS
from generator.intake.rig import Rig
from generator.intake.season import session_model
from generator.intake.session import SeasonFile
from generator.reduction.procedures import contracts

DIALECT = "https://json-schema.org/draft/2020-12/schema"


def schemas() -> dict[str, dict[str, Any]]:
    """File name -> schema."""
    return {
        "season.schema.json": _of(SeasonFile, "season.yaml"),
        "session.schema.json": _of(session_model(contracts()), "session.yaml"),
        "rig.schema.json": _of(Rig, "rigs/*.yaml"),
        "calibration.schema.json": _of(CalibrationRecord, "rigs/calibrations/*.yaml"),
        "part.schema.json": _parts(),
        "results.schema.json": results_schema(),
        "check.schema.json": check_schema(),
    }


def _of(model: type[BaseModel], title: str) -> dict[str, Any]:
    schema = model.model_json_schema(by_alias=True)
    _without_id(schema)
    return {"$schema": DIALECT, **schema, "title": title}


def _without_id(schema: dict[str, Any]) -> None:
    """`id` is taken from the file's name and never written."""
    if {"kind", "channels", "from_scatter"} & schema.get("properties", {}).keys():
        schema["properties"].pop("id", None)
        schema["required"] = [name for name in schema.get("required", []) if name != "id"]


def _parts() -> dict[str, Any]:
    """One schema for all parts, chosen by `kind`, so that an editor offers only that kind's keys."""
    choices, shared = [], {}
    for kind, model in PART_MODELS.items():
        schema = model.model_json_schema(by_alias=True)
        _without_id(schema)
        shared.update(schema.pop("$defs", {}))
        choices.append(
            {"if": {"properties": {"kind": {"const": kind}}, "required": ["kind"]}, "then": schema}
        )
    schema = {"$schema": DIALECT, "title": "parts/*.yaml", "type": "object", "required": ["kind"],
              "properties": {"kind": {"enum": list(PART_MODELS)}}, "allOf": choices}  # fmt: skip
    return {**schema, "$defs": shared} if shared else schema


def as_text(schema: dict[str, Any]) -> str:
    """A schema as it stands in its file."""
    return json.dumps(schema, indent=2, ensure_ascii=False) + "\n"


if __name__ == "__main__":
    for name, schema in schemas().items():
        (Path(sys.argv[1]) / name).write_text(as_text(schema), encoding="utf-8")
