"""`results.json` of a session: everything the analysis says, as plain data for machines, and its schema."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from generator.evidence import results_schema as schema
from generator.evidence.physics_document import physics_parts
from generator.evidence.records import BudgetRow, Check, Contrast, ResponseSummary, SessionAnalysis
from generator.intake.session import Season, Session
from generator.reduction.records import At, RunReduction

FORMAT = "whirlbook-results/1"
# Far finer than any bench, and coarse enough that another machine's last digits do not show.
SIGNIFICANT_DIGITS = 10


def results_document(
    analysis: SessionAnalysis, session: Session, season: Season, version: str
) -> dict[str, Any]:
    """The facts of one session in the order of its public contract; the same analysis gives the same document.

    version  of the generator
    Numbers carry ten significant digits; what is not finite is null (infinite degrees of freedom, for one).
    Units are the published ones: gf, N·m, rpm, W, gf/W, ms, K for a rise, V, A, dB. `results_schema` describes it.
    """
    return {
        "format": FORMAT,
        "session": analysis.session_id,
        "generator": {"name": "Whirlbook", "version": version},
        "season": season.file.title,
        "title": session.file.title,
        "question": session.file.question,
        "date": session.file.date.isoformat(),
        "simulated": analysis.simulated,
        "headline": analysis.headline,
        "baseline": session.file.baseline,
        "treatments": [
            {"id": name, "label": treatment.label, "motor": treatment.motor, "controller": treatment.controller,
             "propeller": treatment.propeller, "supply": treatment.supply, "cells": treatment.cells,
             "output_cap": _number(treatment.output_cap)}
            for name, treatment in session.file.treatments.items()
        ],
        "inputs": [
            {"path": log.path, "sha256": log.sha256, "rows": log.rows}
            for run in analysis.runs
            for log in run.logs
        ],
        "runs": [_run(run) for run in analysis.runs],
        "responses": [_response(summary) for summary in analysis.responses],
        "contrasts": [_contrast(contrast) for contrast in analysis.contrasts],
        "claims": [
            {"says": c.says, "by": c.by, "response": c.response, "treatment": c.treatment, "expects": c.expects,
             "outcome": c.outcome, "sentence": c.sentence, "contrasts": list(c.contrasts)}
            for c in analysis.claims
        ],
        "checks": [_check(check) for check in analysis.checks],
        "cautions": [
            {"id": c.id, "signal": c.signal, "title": c.title, "hazard": c.hazard, "consequence": c.consequence,
             "avoidance": c.avoidance, "threshold": c.threshold, "source": c.source, "always_on": c.always_on,
             "applies_to": list(c.applies_to)}
            for c in analysis.cautions
        ],
        "curves": [
            {"treatment": p.treatment, "direction": p.direction, "throttle_percent": _number(p.throttle_percent),
             "speed_rpm": _number(p.speed_rpm), "thrust_gf": _number(p.thrust_gf), "power_w": _number(p.power_w),
             "thrust_per_power_gf_w": _number(p.thrust_per_power_gf_w), "runs": p.runs}
            for p in analysis.curves
        ],
        **physics_parts(analysis, _number, _at),
        "notes": list(analysis.notes),
    }  # fmt: skip


def results_schema() -> dict[str, Any]:
    """JSON Schema (draft 2020-12) of the document, strict: no key may be missing, none added."""
    return schema.results_schema(FORMAT)


def _run(run: RunReduction) -> dict[str, Any]:
    return {
        "id": run.run_id,
        "log": run.log,
        "procedure": run.procedure,
        "treatment": run.treatment,
        "repeat": run.repeat,
        "block": run.block,
        "order": run.order,
        "started": run.started,
        "refused": run.refused,
    }


def _response(summary: ResponseSummary) -> dict[str, Any]:
    return {
        "key": summary.key,
        "response": summary.response,
        "treatment": summary.treatment,
        "at": _at(summary.at),
        "value": _number(summary.value),
        "unit": summary.unit,
        "standard_uncertainty": _number(summary.standard_uncertainty),
        "dof": _number(summary.dof),
        "runs": summary.runs,
        "per_run": [_number(run.value) for run in summary.per_run],
        "from": [run.log for run in summary.per_run],
        "budget": _budget(summary.budget),
    }


def _contrast(contrast: Contrast) -> dict[str, Any]:
    return {
        "key": contrast.key,
        "response": contrast.response,
        "at": _at(contrast.at),
        "treatment": contrast.treatment,
        "baseline": contrast.baseline,
        "treatment_value": _number(contrast.treatment_value),
        "baseline_value": _number(contrast.baseline_value),
        "difference": _number(contrast.difference),
        "standard_uncertainty": _number(contrast.standard_uncertainty),
        "dof": _number(contrast.dof),
        "interval": _interval(contrast.interval),
        "unit": contrast.unit,
        "relative": _number(contrast.relative),
        "relative_interval": _interval(contrast.relative_interval),
        "level": contrast.level,
        "margin": _number(contrast.margin),
        "margin_text": contrast.margin_text,
        "verdict": contrast.verdict,
        "indicative": contrast.indicative,
        "primary": contrast.primary,
        "p_value": _number(contrast.p_value),
        "p_adjusted": _number(contrast.p_adjusted),
        "p_equivalence": _number(contrast.p_equivalence),
        "basis": contrast.basis,
        "method": contrast.method,
        "runs": {"treatment": contrast.runs[0], "baseline": contrast.runs[1]},
        "repeats_to_settle": contrast.repeats_to_settle,
        "sentence": contrast.sentence,
        "jointly": contrast.jointly,
        "family": contrast.family,
        "family_size": contrast.family_size,
        "budget": _budget(contrast.budget),
        "weakened_by": list(contrast.weakened_by),
    }


def _budget(rows: Sequence[BudgetRow]) -> list[dict[str, Any]]:
    return [
        {
            "source": row.source,
            "standard_uncertainty": _number(row.standard_uncertainty),
            "share": _number(row.share),
            "shared": row.shared,
        }
        for row in rows
    ]


def _check(check: Check) -> dict[str, Any]:
    return {
        "id": check.id,
        "title": check.title,
        "outcome": check.outcome,
        "sentence": check.sentence,
        "threshold": check.threshold,
        "reason": check.reason,
        "source": check.source,
        "treatments": list(check.treatments),
        "runs": list(check.runs),
        "weakens": list(check.weakens),
        "at": None if check.at is None else _at(check.at),
    }


def _at(at: At) -> dict[str, float | None]:
    return {name: _number(value) for name, value in at}


def _interval(pair: tuple[float, float] | None) -> list[float | None] | None:
    if pair is None or not all(math.isfinite(value) for value in pair):
        return None
    return [_number(value) for value in pair]


def _number(value: float | None) -> float | None:
    """The value to ten significant digits; None for what is missing or not finite. A zero has no sign."""
    if value is None or not math.isfinite(value):
        return None
    return float(f"{value:.{SIGNIFICANT_DIGITS}g}") + 0.0
