"""Whole curves of a treatment against those of the baseline, with a band that holds everywhere at once."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from generator.evidence.records import CurveContrast
from generator.intake.session import Session
from generator.reduction.records import ResponseKind, RunReduction


def curve_contrasts(
    runs: Sequence[RunReduction], session: Session, kinds: Mapping[str, ResponseKind]
) -> tuple[CurveContrast, ...]:
    """Difference curves of every treatment, from the readings of the runs."""
    return ()
