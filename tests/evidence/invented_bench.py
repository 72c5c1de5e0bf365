"""Invented parts, sessions and reduced runs for the tests of `evidence`. No number here was measured."""

from __future__ import annotations

import datetime
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from generator.intake.parts import Controller, Motor, Pack, Propeller, Supply
from generator.intake.reference_texts import load_caution_texts, load_thresholds
from generator.intake.rig import Rig
from generator.intake.session import Margin, Season, SeasonFile, Session, SessionFile
from generator.reduction import response_kinds
from generator.reduction.records import AirState, At, Component, ResponseKind, RunReduction, RunResponse

ROOT = Path(__file__).parents[2]
THRESHOLDS = load_thresholds([ROOT / "shared"])
TEXTS = load_caution_texts([ROOT / "content" / "cautions"])
KINDS: dict[str, ResponseKind] = {
    kind.name: kind for kind in vars(response_kinds).values() if isinstance(kind, ResponseKind)
}
AIR = AirState(
    temperature_k=293.15, pressure_pa=101325.0, humidity=0.4, density_kg_m3=1.2, density_u_kg_m3=0.003
)
AT: At = (("speed_rpm", 16000.0),)
BASE, OTHER = "four-cell", "five-cell"
LABELS = {BASE: "4S", OTHER: "5S capped"}

MOTOR = {"id": "heron", "kind": "motor", "label": "Heron 1806", "kv": "2000 rpm/V", "pole_pairs": 7}
CONTROLLER = {"id": "drive", "kind": "controller", "label": "Drive 35"}
PROPELLER = {
    "id": "tri", "kind": "propeller", "label": "Tri 5.1", "diameter": "130 mm", "blades": 3,
}  # fmt: skip
SUPPLY = {
    "id": "bench", "kind": "supply", "label": "Bench supply", "voltage": "30 V", "current_limit": "40 A",
}  # fmt: skip
PACK = {"id": "pack", "kind": "pack", "label": "Pack 4S", "cells": 4, "capacity": "1300 mAh"}


def at_speed(speed_rpm: float) -> At:
    """Condition of a speed."""
    return (("speed_rpm", float(speed_rpm)),)


def make_season(**parts: Mapping[str, Any]) -> Season:
    """A season of one part a kind; `motor={...}` and the like add or replace keys as the YAML file has them."""
    made = (
        Motor.model_validate({**MOTOR, **parts.get("motor", {})}),
        Controller.model_validate({**CONTROLLER, **parts.get("controller", {})}),
        Propeller.model_validate({**PROPELLER, **parts.get("propeller", {})}),
        Propeller.model_validate({**PROPELLER, "id": "duo", "label": "Duo 5.1", "blades": 2}),
        Supply.model_validate({**SUPPLY, **parts.get("supply", {})}),
        Pack.model_validate({**PACK, **parts.get("pack", {})}),
    )
    return Season.model_construct(
        folder="season",
        file=SeasonFile.model_validate({"title": "Invented season", "about": "Invented for tests."}),
        rigs={},
        parts={part.id: part for part in made},
        sessions=(),
    )


def treatment(label: str, **more: Any) -> dict[str, Any]:
    """A treatment as the YAML file has it."""
    return {
        "label": label,
        "motor": "heron",
        "controller": "drive",
        "propeller": "tri",
        "supply": "bench",
        **more,
    }


def make_session(
    *,
    treatments: Mapping[str, Mapping[str, Any]] | None = None,
    margins: Mapping[str, Margin] | None = None,
    sound_distance: str | None = None,
    **more: Any,
) -> Session:
    """A session; further keywords are keys of `session.yaml`."""
    rig = {"id": "stand", "label": "Stand", "channels": {"time": {"column": "t", "unit": "s"}}}
    if sound_distance is not None:
        rig["sound_distance"] = sound_distance  # type: ignore[assignment]
    file = SessionFile.model_validate(
        {
            "title": "Invented session",
            "question": "Invented for tests?",
            "date": datetime.date(2031, 5, 4),
            "rig": "stand",
            "air": {"temperature": "20 degC", "pressure": "1013.25 hPa", "humidity": "40 %"},
            "baseline": BASE,
            "treatments": treatments or {name: treatment(label) for name, label in LABELS.items()},
            "procedures": {},
            **more,
        }
    )
    return Session.model_construct(
        id="invented",
        file=file,
        plans={},
        margins=dict(margins or {}),
        rig=Rig.model_validate(rig),
        conclusion=None,
        conclusion_path=None,
        photos=(),
    )


def percent_margin(share: float) -> Margin:
    """A relative margin."""
    return Margin(text=f"{100 * share:g} %", relative=share)


def unit_margin(size: float, unit: str) -> Margin:
    """A margin in a unit."""
    return Margin(text=f"{size:g} {unit}", absolute=size)


def response(
    name: str,
    value: float,
    at: At = (),
    *,
    scatter: float = 0.0,
    shared: Mapping[str, float] | None = None,
    own: Mapping[str, float] | None = None,
    per_cycle: Sequence[float] = (),
) -> RunResponse:
    """One response of a run: scatter within it, shared and own contributions by source."""
    parts = [
        Component(source=source, contribution=size, shared=True) for source, size in (shared or {}).items()
    ]
    parts += [
        Component(source=source, contribution=size, shared=False) for source, size in (own or {}).items()
    ]
    if scatter:
        parts.append(Component(source="scatter", contribution=scatter, shared=False))
    return RunResponse(response=name, at=at, value=value, components=tuple(parts), per_cycle=tuple(per_cycle))


def make_run(
    treatment: str,
    order: int,
    *responses: RunResponse,
    procedure: str = "hold",
    block: int = 0,
    trace: Mapping[str, Sequence[float]] | None = None,
    **more: Any,
) -> RunReduction:
    """One reduced run."""
    run_id = f"{order:02d}-{procedure}-{treatment}"
    return RunReduction(
        **{
            "run_id": run_id,
            "log": f"logs/{run_id}.csv",
            "sha256": f"{order:064x}",
            "rows": 1000,
            "procedure": procedure,
            "treatment": treatment,
            "repeat": order,
            "block": block,
            "order": order,
            "started": None,
            "simulated": None,
            "refused": None,
            "responses": responses,
            "trace": pd.DataFrame({name: np.asarray(v, dtype=float) for name, v in (trace or {}).items()}),
            **more,
        }
    )


def runs_of(
    values: Mapping[str, Sequence[float]],
    name: str = "electrical_power",
    at: At = AT,
    *,
    blocks: bool = False,
    shared_gain: float = 0.0,
    shared_offset: float = 0.0,
    **more: Any,
) -> tuple[RunReduction, ...]:
    """Runs that take turns, one value each; a gain error is a share of each value, an offset one number."""
    made, order = [], 0
    longest = max(len(v) for v in values.values())
    for place in range(longest):
        for treatment, found in values.items():
            if place >= len(found):
                continue
            order += 1
            shared = {}
            if shared_gain:
                shared["voltage gain"] = shared_gain * found[place]
            if shared_offset:
                shared["current offset"] = shared_offset
            one = response(name, found[place], at, scatter=0.1, shared=shared)
            made.append(make_run(treatment, order, one, block=place + 1 if blocks else 0, **more))
    return tuple(made)
