"""Invented aircraft, packs and curves for the tests of flights. No number here was measured.

Every curve is the power law P = a · T^1.5, so that what an aircraft needs can be worked out by hand.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from generator.evidence.aircraft import hover_thrusts_n
from generator.intake.parts import Pack
from generator.intake.session import Season, SeasonFile, Session
from generator.reduction.measured import GF_PER_N
from generator.reduction.records import RunReduction, RunResponse
from tests.evidence.invented_bench import (
    BASE,
    OTHER,
    make_run,
    make_season,
    make_session,
    response,
    treatment,
)

EXPONENT = 1.5
SCALE = 0.006  # W at 1 gf: 15 W at 184 gf
PACKS = {
    "pond-4s": {"label": "Pond 4S", "cells": 4, "capacity": "1500 mAh", "mass": "180 g", "volts_per_cell": "3.7 V"},
    "pond-5s": {"label": "Pond 5S", "cells": 5, "capacity": "1500 mAh", "mass": "240 g", "volts_per_cell": "3.7 V"},
    "unknown": {"label": "Pond X", "cells": 4, "capacity": "1500 mAh"},
}  # fmt: skip
AIRCRAFT = {
    "mapper": {"label": "Mapper", "mass_without_pack": "560 g", "motors": 4, "pack": "pond-4s"},
    "lifter": {"label": "Lifter", "mass_without_pack": "1000 g", "motors": 6, "pack": "pond-5s"},
    "mystery": {"label": "Mystery", "mass_without_pack": "500 g", "motors": 4, "pack": "unknown"},
}


def flying_season(**packs: Mapping[str, Any]) -> Season:
    """A season with aircraft; `**{"pond-4s": {...}}` changes keys of a pack as its YAML file has them."""
    season = make_season()
    made = {
        name: Pack.model_validate({"id": name, "kind": "pack", **keys, **packs.get(name, {})})
        for name, keys in PACKS.items()
    }
    file = SeasonFile.model_validate(
        {"title": "Invented season", "about": "Invented for tests.", "aircraft": AIRCRAFT}
    )
    return Season.model_construct(
        folder="season", file=file, rigs={}, sessions=(),
        parts={part.id: part for part in season.parts.values()} | made,
    )  # fmt: skip


def flying_session(
    setups: Mapping[str, Mapping[str, Any]] | None = None, aircraft: Sequence[str] = ("mapper",), **more: Any
) -> Session:
    """A session with treatments that fly; setups: treatment -> further keys of it."""
    found = setups or {BASE: {"cells": 4}, OTHER: {"cells": 4}}
    labels = {BASE: "4S", OTHER: "5S capped"}
    return make_session(
        treatments={name: treatment(labels.get(name, name), **keys) for name, keys in found.items()},
        aircraft=list(aircraft),
        **more,
    )


def power_law(scale: float, thrust_gf: float) -> float:
    """Power of one motor [W]."""
    return scale * thrust_gf**EXPONENT


def curve(
    scale: float,
    thrusts_gf: Sequence[float],
    *,
    reach: float = np.inf,
    gain: float = 0.0,
    scatter: float = 0.0,
) -> tuple[RunResponse, ...]:
    """Readings of a run's curve at these thrusts, as far as it reaches; gain, scatter: relative uncertainties."""
    made = []
    for thrust in thrusts_gf:
        if thrust <= reach:
            power = power_law(scale, thrust)
            shared = {"voltage gain": gain * power} if gain else {}
            at = (("thrust_gf", thrust),)
            made.append(response("electrical_power", power, at, shared=shared, scatter=scatter * power))
    return tuple(made)


def thrusts_of(session: Session, season: Season) -> tuple[float, ...]:
    """Hover thrusts as the reduction writes them into the condition: gf to ten digits."""
    return tuple(float(f"{thrust * GF_PER_N:.10g}") for thrust in hover_thrusts_n(session, season))


def flying_runs(
    session: Session,
    season: Season,
    scales: Mapping[str, Sequence[float]],
    *,
    procedure: str = "staircase",
    top_gf: float | None = 600.0,
    reach: float = np.inf,
    gain: float = 0.0,
    scatter: float = 0.002,
    blocks: bool = True,
) -> tuple[RunReduction, ...]:
    """Runs that take turns; scales: treatment -> scale of the power law of each of its runs."""
    thrusts = thrusts_of(session, season)
    made: list[RunReduction] = []
    for place in range(max(len(found) for found in scales.values())):
        for name, found in scales.items():
            if place < len(found):
                readings = curve(found[place], thrusts, reach=reach, gain=gain, scatter=scatter)
                top = () if top_gf is None else (response("top_thrust", top_gf + place, scatter=1.0),)
                block = place + 1 if blocks else 0
                made.append(
                    make_run(name, len(made) + 1, *top, procedure=procedure, block=block, readings=readings)
                )
    return tuple(made)
