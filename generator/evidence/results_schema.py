"""JSON Schema of `results.json`."""

from __future__ import annotations

from typing import get_args

from generator.evidence.basis import Basis
from generator.evidence.physics_schema import physics_properties
from generator.evidence.records import Family, SignalWord, Verdict
from generator.evidence.schema_words import (
    AT,
    COUNT,
    FLAG,
    ID,
    NUMBER,
    PAIR,
    POSITIVE,
    SHARE,
    TEXT,
    Schema,
    list_of,
    object_of,
    or_null,
)
from generator.intake.session import Expectation

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
        **object_of(
            {
                "format": {"const": format_},
                "session": ID,
                "generator": object_of({"name": TEXT, "version": TEXT}),
                "season": TEXT,
                "title": TEXT,
                "question": TEXT,
                "date": {"type": "string", "format": "date"},
                "simulated": {**FLAG, "description": "True if any log is simulated and not measured."},
                "headline": TEXT,
                "baseline": ID,
                "treatments": list_of(_treatment()),
                "inputs": list_of(
                    object_of(
                        {
                            "path": TEXT,
                            "sha256": {"type": "string", "pattern": "^[0-9a-f]{64}$"},
                            "rows": COUNT,
                        }
                    )
                ),
                "runs": list_of(_run()),
                "responses": list_of(_response()),
                "contrasts": list_of(_contrast()),
                "claims": list_of(_claim()),
                "checks": list_of(_check()),
                "cautions": list_of(_caution()),
                "curves": list_of(_curve_point()),
                **physics_properties(),
                "notes": list_of(TEXT),
            }
        ),
    }


def _treatment() -> Schema:
    return object_of(
        {
            "id": ID,
            "label": TEXT,
            "motor": ID,
            "controller": ID,
            "propeller": ID,
            "supply": ID,
            "cells": or_null(COUNT),
            "output_cap": SHARE,
        }
    )


def _run() -> Schema:
    return object_of(
        {
            "id": ID,
            "log": TEXT,
            "procedure": TEXT,
            "treatment": {**TEXT, "description": "Empty for a run of the stand alone, such as zero."},
            "repeat": COUNT,
            "block": {**COUNT, "description": "0 where the session names no block."},
            "order": COUNT,
            "started": or_null(TEXT),
            "refused": {
                **or_null(TEXT),
                "description": "Why nothing of the run is used; null if it is used.",
            },
        }
    )


def _response() -> Schema:
    return object_of(
        {
            "key": ID,
            "response": ID,
            "treatment": ID,
            "at": AT,
            "value": NUMBER,
            "unit": TEXT,
            "standard_uncertainty": {**POSITIVE, "description": "Of the mean, all parts together, k = 1."},
            "dof": {**or_null(POSITIVE), "description": "Degrees of freedom; null where infinite."},
            "runs": COUNT,
            "per_run": list_of(NUMBER),
            "from": list_of(TEXT),
            "budget": list_of(_budget_row()),
        }
    )


def _budget_row() -> Schema:
    return object_of({"source": TEXT, "standard_uncertainty": POSITIVE, "share": SHARE, "shared": FLAG})


def _contrast() -> Schema:
    return object_of(
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
            "dof": or_null(POSITIVE),
            "interval": {**PAIR, "description": "Of the difference, at `level`."},
            "unit": TEXT,
            "relative": {**or_null(NUMBER), "description": "Share of the baseline: 0.02 is 2 %."},
            "relative_interval": or_null(PAIR),
            "level": SHARE,
            "margin": {
                **or_null(POSITIVE),
                "description": "Smallest difference that would matter, set before the test.",
            },
            "margin_text": or_null(TEXT),
            "verdict": {"enum": list(get_args(Verdict))},
            "indicative": {**FLAG, "description": "One run on a side: never stronger than indicative."},
            "primary": FLAG,
            "p_value": or_null(SHARE),
            "p_adjusted": {**or_null(SHARE), "description": "Holm's, over the contrasts of its family."},
            "p_equivalence": {**or_null(SHARE), "description": "Of the two one-sided tests."},
            "basis": {"enum": list(get_args(Basis))},
            "method": TEXT,
            "runs": object_of({"treatment": COUNT, "baseline": COUNT}),
            "repeats_to_settle": or_null(COUNT),
            "sentence": TEXT,
            "jointly": {
                **COUNT,
                "description": "Comparisons whose intervals hold together at `level` (Bonferroni).",
            },
            "family": {"enum": list(get_args(Family)), "description": "What p_adjusted was adjusted within."},
            "family_size": COUNT,
            "budget": {**list_of(_budget_row()), "description": "Of the difference, after what cancels."},
            "weakened_by": {**list_of(ID), "description": "Ids of checks."},
        }
    )


def _claim() -> Schema:
    return object_of(
        {
            "says": TEXT,
            "by": TEXT,
            "response": ID,
            "treatment": ID,
            "expects": {"enum": list(EXPECTATIONS)},
            "outcome": {"enum": ["supported", "contradicted", "left open"]},
            "sentence": TEXT,
            "contrasts": {**list_of(ID), "description": "Keys of contrasts."},
        }
    )


def _check() -> Schema:
    return object_of(
        {
            "id": ID,
            "title": TEXT,
            "outcome": {"enum": ["passed", "warned", "failed"]},
            "sentence": TEXT,
            "threshold": TEXT,
            "reason": TEXT,
            "source": TEXT,
            "treatments": list_of(ID),
            "runs": list_of(ID),
            "weakens": {**list_of(ID), "description": "Responses whose verdicts it weakens."},
            "at": or_null(AT),
        }
    )


def _caution() -> Schema:
    return object_of(
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
            "applies_to": list_of(ID),
        }
    )


def _curve_point() -> Schema:
    return object_of(
        {
            "treatment": ID,
            "direction": {"enum": ["up", "down"]},
            "throttle_percent": NUMBER,
            "speed_rpm": NUMBER,
            "thrust_gf": or_null(NUMBER),
            "power_w": NUMBER,
            "thrust_per_power_gf_w": or_null(NUMBER),
            "runs": COUNT,
        }
    )
