"""JSON Schema of `results.json`."""

from __future__ import annotations

from typing import Any, get_args

from generator.evidence.records import Basis, SignalWord, Verdict
from generator.intake.session import Expectation

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
EXPECTATIONS = get_args(Expectation)


def results_schema(format_: str) -> Schema:
    """Schema (draft 2020-12) of the document, strict: no key may be missing, none added.

    format_  the value of `format`
    """
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "results.json",
        "description": "All that one session says, for machines. Units: gf, N·m, rpm, W, gf/W, ms, s, min, V, A, dB, "
        "K for a rise or a difference of temperature, %, m/s².",
        **_object(
            {
                "format": {"const": format_},
                "session": ID,
                "generator": _object({"name": TEXT, "version": TEXT}),
                "season": TEXT,
                "title": TEXT,
                "question": TEXT,
                "date": {"type": "string", "format": "date"},
                "simulated": {**FLAG, "description": "True if any log is simulated and not measured."},
                "headline": TEXT,
                "baseline": ID,
                "treatments": _list(_treatment()),
                "inputs": _list(
                    _object(
                        {
                            "path": TEXT,
                            "sha256": {"type": "string", "pattern": "^[0-9a-f]{64}$"},
                            "rows": COUNT,
                        }
                    )
                ),
                "runs": _list(_run()),
                "responses": _list(_response()),
                "contrasts": _list(_contrast()),
                "claims": _list(_claim()),
                "checks": _list(_check()),
                "cautions": _list(_caution()),
                "curves": _list(_curve_point()),
                "notes": _list(TEXT),
            }
        ),
    }


def _treatment() -> Schema:
    return _object(
        {
            "id": ID,
            "label": TEXT,
            "motor": ID,
            "controller": ID,
            "propeller": ID,
            "supply": ID,
            "cells": _or_null(COUNT),
            "output_cap": SHARE,
        }
    )


def _run() -> Schema:
    return _object(
        {
            "id": ID,
            "log": TEXT,
            "procedure": TEXT,
            "treatment": ID,
            "repeat": COUNT,
            "block": {**COUNT, "description": "0 where the session names no block."},
            "order": COUNT,
            "started": _or_null(TEXT),
            "refused": {
                **_or_null(TEXT),
                "description": "Why nothing of the run is used; null if it is used.",
            },
        }
    )


def _response() -> Schema:
    return _object(
        {
            "key": ID,
            "response": ID,
            "treatment": ID,
            "at": AT,
            "value": NUMBER,
            "unit": TEXT,
            "standard_uncertainty": {**POSITIVE, "description": "Of the mean, all parts together, k = 1."},
            "dof": {**_or_null(POSITIVE), "description": "Degrees of freedom; null where infinite."},
            "runs": COUNT,
            "per_run": _list(NUMBER),
            "from": _list(TEXT),
            "budget": _list(
                _object({"source": TEXT, "standard_uncertainty": POSITIVE, "share": SHARE, "shared": FLAG})
            ),
        }
    )


def _contrast() -> Schema:
    return _object(
        {
            "key": ID,
            "response": ID,
            "at": AT,
            "treatment": ID,
            "baseline": ID,
            "treatment_value": NUMBER,
            "baseline_value": NUMBER,
            "difference": {**NUMBER, "description": "Treatment minus baseline."},
            "standard_uncertainty": POSITIVE,
            "dof": _or_null(POSITIVE),
            "interval": {**PAIR, "description": "Of the difference, at `level`."},
            "unit": TEXT,
            "relative": {**_or_null(NUMBER), "description": "Share of the baseline: 0.02 is 2 %."},
            "relative_interval": _or_null(PAIR),
            "level": SHARE,
            "margin": {
                **_or_null(POSITIVE),
                "description": "Smallest difference that would matter, set before the test.",
            },
            "margin_text": _or_null(TEXT),
            "verdict": {"enum": list(get_args(Verdict))},
            "indicative": {**FLAG, "description": "One run on a side: never stronger than indicative."},
            "primary": FLAG,
            "p_value": _or_null(SHARE),
            "p_adjusted": {**_or_null(SHARE), "description": "Holm's, over all exploratory contrasts."},
            "p_equivalence": {**_or_null(SHARE), "description": "Of the two one-sided tests."},
            "basis": {"enum": list(get_args(Basis))},
            "method": TEXT,
            "runs": _object({"treatment": COUNT, "baseline": COUNT}),
            "repeats_to_settle": _or_null(COUNT),
            "sentence": TEXT,
            "weakened_by": {**_list(ID), "description": "Ids of checks."},
        }
    )


def _claim() -> Schema:
    return _object(
        {
            "says": TEXT,
            "by": TEXT,
            "response": ID,
            "treatment": ID,
            "expects": {"enum": list(EXPECTATIONS)},
            "outcome": {"enum": ["supported", "contradicted", "left open"]},
            "sentence": TEXT,
            "contrasts": {**_list(ID), "description": "Keys of contrasts."},
        }
    )


def _check() -> Schema:
    return _object(
        {
            "id": ID,
            "title": TEXT,
            "outcome": {"enum": ["passed", "warned", "failed"]},
            "sentence": TEXT,
            "threshold": TEXT,
            "reason": TEXT,
            "source": TEXT,
            "treatments": _list(ID),
            "runs": _list(ID),
            "weakens": {**_list(ID), "description": "Responses whose verdicts it weakens."},
            "at": _or_null(AT),
        }
    )


def _caution() -> Schema:
    return _object(
        {
            "id": ID,
            "signal": {"enum": list(get_args(SignalWord))},
            "title": TEXT,
            "hazard": TEXT,
            "consequence": TEXT,
            "avoidance": TEXT,
            "threshold": TEXT,
            "source": TEXT,
            "always_on": FLAG,
            "applies_to": _list(ID),
        }
    )


def _curve_point() -> Schema:
    return _object(
        {
            "treatment": ID,
            "direction": {"enum": ["up", "down"]},
            "throttle_percent": NUMBER,
            "speed_rpm": NUMBER,
            "thrust_gf": _or_null(NUMBER),
            "power_w": NUMBER,
            "thrust_per_power_gf_w": _or_null(NUMBER),
            "runs": COUNT,
        }
    )


def _object(properties: Schema) -> Schema:
    return {
        "type": "object",
        "properties": properties,
        "required": list(properties),
        "additionalProperties": False,
    }


def _list(items: Schema) -> Schema:
    return {"type": "array", "items": items}


def _or_null(schema: Schema) -> Schema:
    return {"anyOf": [schema, {"type": "null"}]}
