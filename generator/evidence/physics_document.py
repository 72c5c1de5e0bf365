"""The part of `results.json` that physics gives: whole curves, energy, constants, flight; with its schema."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from generator.evidence.physics_records import (
    CurveContrast,
    EffectiveConstant,
    EnergyBalance,
    HeatDifference,
    InTheAir,
    InTheAirDifference,
    LossDifference,
    Measured,
)
from generator.evidence.records import SessionAnalysis
from generator.reduction.records import At

Number = Callable[[float | None], float | None]
Condition = Callable[[At], dict[str, float | None]]


def physics_parts(analysis: SessionAnalysis, number: Number, at: Condition) -> dict[str, Any]:
    """Keys of the document and their plain values; number rounds, at writes a condition."""
    writer = _Writer(number, at)
    return {
        "curve_contrasts": [writer.curve(c) for c in analysis.curve_contrasts],
        "energy": [writer.balance(b) for b in analysis.energy],
        "heat": [writer.heat(h) for h in analysis.heat],
        "loss_differences": [writer.loss(d) for d in analysis.loss_differences],
        "constants": [writer.constant(c) for c in analysis.constants],
        "in_the_air": [writer.flight(f) for f in analysis.in_the_air],
        "in_the_air_differences": [writer.flight_difference(d) for d in analysis.in_the_air_differences],
    }


class _Writer:
    def __init__(self, number: Number, at: Condition) -> None:
        self.number = number
        self.at = at

    def measured(self, found: Measured | None) -> dict[str, Any] | None:
        if found is None:
            return None
        return {
            "value": self.number(found.value),
            "standard_uncertainty": self.number(found.standard_uncertainty),
            "interval": [self.number(end) for end in found.interval],
        }

    def curve(self, c: CurveContrast) -> dict[str, Any]:
        n = self.number
        return {
            "key": c.key,
            "response": c.response,
            "axis": c.axis,
            "treatment": c.treatment,
            "baseline": c.baseline,
            "unit": c.unit,
            "axis_unit": c.axis_unit,
            "points": [
                {"x": n(p.x), "treatment_value": n(p.treatment_value), "baseline_value": n(p.baseline_value),
                 "difference": n(p.difference), "low": n(p.low), "high": n(p.high), "relative": n(p.relative),
                 "relative_low": n(p.relative_low), "relative_high": n(p.relative_high), "margin": n(p.margin)}
                for p in c.points
            ],
            "level": c.level,
            "margin": n(c.margin),
            "margin_text": c.margin_text,
            "method": c.method,
            "basis": c.basis,
            "runs": {"treatment": c.runs[0], "baseline": c.runs[1]},
            "ranges": [{"low": n(r.low), "high": n(r.high), "direction": r.direction} for r in c.ranges],
            "crossings": [[n(low), n(high)] for low, high in c.crossings],
            "primary": c.primary,
            "sentence": c.sentence,
        }  # fmt: skip

    def balance(self, b: EnergyBalance) -> dict[str, Any]:
        return {
            "key": b.key,
            "treatment": b.treatment,
            "at": self.at(b.at),
            "electrical_w": self.measured(b.electrical_w),
            "parts": [
                {"name": p.name, "label": p.label, "power_w": self.measured(p.power_w),
                 "share": self.number(p.share), "how": p.how}
                for p in b.parts
            ],
            "shaft_from": b.shaft_from,
            "notes": list(b.notes),
        }  # fmt: skip

    def heat(self, h: HeatDifference) -> dict[str, Any]:
        return {
            "treatment": h.treatment,
            "baseline": h.baseline,
            "at": self.at(h.at),
            "contrast": h.contrast,
            "rises": list(h.rises),
            "sentence": h.sentence,
        }

    def loss(self, d: LossDifference) -> dict[str, Any]:
        return {
            "treatment": d.treatment,
            "baseline": d.baseline,
            "at": self.at(d.at),
            "name": d.name,
            "label": d.label,
            "difference": self.measured(d.difference),
            "same_estimate": d.same_estimate,
        }

    def constant(self, c: EffectiveConstant) -> dict[str, Any]:
        return {
            "key": c.key,
            "name": c.name,
            "label": c.label,
            "treatment": c.treatment,
            "part": c.part,
            "at": self.at(c.at),
            "unit": c.unit,
            "fitted": self.measured(c.fitted),
            "runs": c.runs,
            "nominal": self.number(c.nominal),
            "departure": self.measured(c.departure),
            "outcome": c.outcome,
            "sentence": c.sentence,
        }

    def flight(self, f: InTheAir) -> dict[str, Any]:
        return {
            "key": f.key,
            "aircraft": f.aircraft,
            "label": f.label,
            "treatment": f.treatment,
            "pack": f.pack,
            "cells": f.cells,
            "energy_wh": self.number(f.energy_wh),
            "mass_kg": self.number(f.mass_kg),
            "thrust_per_motor_gf": self.number(f.thrust_per_motor_gf),
            "hover_power_w": self.measured(f.hover_power_w),
            "minutes": self.measured(f.minutes),
            "thrust_to_weight": self.measured(f.thrust_to_weight),
            "indicative": f.indicative,
            "from": list(f.logs),
            "notes": list(f.notes),
            "sentence": f.sentence,
        }

    def flight_difference(self, d: InTheAirDifference) -> dict[str, Any]:
        return {
            "aircraft": d.aircraft,
            "treatment": d.treatment,
            "baseline": d.baseline,
            "hover_power_w": self.measured(d.hover_power_w),
            "minutes": self.measured(d.minutes),
            "effects": [
                {
                    "name": e.name,
                    "hover_power_w": self.measured(e.hover_power_w),
                    "minutes": self.measured(e.minutes),
                }
                for e in d.effects
            ],
            "runs": {"treatment": d.runs[0], "baseline": d.runs[1]},
            "method": d.method,
            "indicative": d.indicative,
            "sentence": d.sentence,
        }
