"""Pieces that the JSON Schemas of results are made of."""

from __future__ import annotations

from typing import Any

Schema = dict[str, Any]

TEXT: Schema = {"type": "string"}
ID: Schema = {"type": "string", "minLength": 1}
NUMBER: Schema = {"type": "number"}
POSITIVE: Schema = {"type": "number", "minimum": 0}
SHARE: Schema = {"type": "number", "minimum": 0, "maximum": 1}
COUNT: Schema = {"type": "integer", "minimum": 0}
FLAG: Schema = {"type": "boolean"}
PAIR: Schema = {"type": "array", "items": NUMBER, "minItems": 2, "maxItems": 2}
AT: Schema = {
    "type": "object",
    "description": "Condition of the comparison; empty where there is none.",
    "properties": {"speed_rpm": NUMBER, "thrust_gf": NUMBER, "throttle_percent": NUMBER},
    "additionalProperties": False,
}


def object_of(properties: Schema) -> Schema:
    return {
        "type": "object",
        "properties": properties,
        "required": list(properties),
        "additionalProperties": False,
    }


def list_of(items: Schema) -> Schema:
    return {"type": "array", "items": items}


def or_null(schema: Schema) -> Schema:
    return {"anyOf": [schema, {"type": "null"}]}
