"""JSON Schema of what `physics_document` writes."""

from __future__ import annotations

from typing import get_args

from generator.evidence.basis import Basis
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

MEASURED = object_of({"value": NUMBER, "standard_uncertainty": POSITIVE, "interval": PAIR})


def physics_properties() -> Schema:
    """Properties of the document, key by key."""
    return {
        "curve_contrasts": {
            **list_of(_curve()),
            "description": "Differences along whole curves, with a band that holds over the whole range at once.",
        },
        "energy": {**list_of(_balance()), "description": "Where the electrical power goes, W."},
        "heat": {**list_of(_heat()), "description": "Extra electrical power at equal propeller and speed."},
        "loss_differences": {
            **list_of(_loss_difference()),
            "description": "Treatment minus baseline in each part of the electrical power, W.",
        },
        "constants": {
            **list_of(_constant()),
            "description": "Constants of motor and propeller fitted from the session's own runs.",
        },
        "in_the_air": {**list_of(_flight()), "description": "Each treatment hovering on each aircraft."},
        "in_the_air_differences": list_of(
            object_of(
                {
                    "aircraft": ID,
                    "treatment": ID,
                    "baseline": ID,
                    "hover_power_w": or_null(MEASURED),
                    "minutes": or_null(MEASURED),
                    "effects": {
                        **list_of(_effect()),
                        "description": "What the difference is made of, one part after the other.",
                    },
                    "runs": object_of({"treatment": COUNT, "baseline": COUNT}),
                    "method": TEXT,
                    "indicative": FLAG,
                    "sentence": TEXT,
                }
            )
        ),
    }


def _effect() -> Schema:
    return object_of({"name": ID, "hover_power_w": or_null(MEASURED), "minutes": or_null(MEASURED)})


def _curve() -> Schema:
    return object_of(
        {
            "key": ID,
            "response": ID,
            "axis": {"enum": ["thrust_gf", "speed_rpm", "throttle_percent"]},
            "treatment": ID,
            "baseline": ID,
            "unit": TEXT,
            "axis_unit": TEXT,
            "points": list_of(
                object_of(
                    {
                        "x": NUMBER,
                        "treatment_value": NUMBER,
                        "baseline_value": NUMBER,
                        "difference": NUMBER,
                        "low": {**NUMBER, "description": "Lower edge of the band."},
                        "high": NUMBER,
                        "relative": {**or_null(NUMBER), "description": "Share of the baseline."},
                        "relative_low": or_null(NUMBER),
                        "relative_high": or_null(NUMBER),
                        "margin": or_null(POSITIVE),
                    }
                )
            ),
            "level": SHARE,
            "margin": or_null(POSITIVE),
            "margin_text": or_null(TEXT),
            "method": TEXT,
            "basis": {"enum": list(get_args(Basis))},
            "runs": object_of({"treatment": COUNT, "baseline": COUNT}),
            "ranges": list_of(
                object_of({"low": NUMBER, "high": NUMBER, "direction": {"enum": [-1, 0, 1]}}),
            ),
            "crossings": list_of(PAIR),
            "primary": FLAG,
            "sentence": TEXT,
        }
    )


def _balance() -> Schema:
    part = object_of({"name": ID, "label": TEXT, "power_w": MEASURED, "share": NUMBER, "how": TEXT})
    return object_of(
        {
            "key": ID,
            "treatment": ID,
            "at": AT,
            "electrical_w": MEASURED,
            "parts": {**list_of(part), "description": "They add up to the electrical power."},
            "shaft_from": TEXT,
            "notes": list_of(TEXT),
        }
    )


def _loss_difference() -> Schema:
    return object_of(
        {
            "treatment": ID,
            "baseline": ID,
            "at": AT,
            "name": ID,
            "label": TEXT,
            "difference": MEASURED,
            "same_estimate": {
                **FLAG,
                "description": "Estimated alike on both sides, so that it cannot differ.",
            },
        }
    )


def _heat() -> Schema:
    return object_of(
        {
            "treatment": ID,
            "baseline": ID,
            "at": AT,
            "contrast": {**ID, "description": "Key of the contrast in electrical power."},
            "rises": {**list_of(ID), "description": "Keys of the contrasts in temperature rise."},
            "sentence": TEXT,
        }
    )


def _constant() -> Schema:
    return object_of(
        {
            "key": ID,
            "name": ID,
            "label": TEXT,
            "treatment": ID,
            "part": ID,
            "at": AT,
            "unit": TEXT,
            "fitted": MEASURED,
            "runs": COUNT,
            "nominal": or_null(NUMBER),
            "departure": {**or_null(MEASURED), "description": "Fitted over nominal, less one."},
            "outcome": {"enum": ["agrees", "departs", "no nominal value"]},
            "sentence": TEXT,
        }
    )


def _flight() -> Schema:
    return object_of(
        {
            "key": ID,
            "aircraft": ID,
            "label": TEXT,
            "treatment": ID,
            "pack": TEXT,
            "cells": COUNT,
            "energy_wh": POSITIVE,
            "mass_kg": or_null(POSITIVE),
            "thrust_per_motor_gf": or_null(POSITIVE),
            "hover_power_w": or_null(MEASURED),
            "minutes": or_null(MEASURED),
            "thrust_to_weight": or_null(MEASURED),
            "indicative": FLAG,
            "from": list_of(TEXT),
            "notes": list_of(TEXT),
            "sentence": TEXT,
        }
    )
