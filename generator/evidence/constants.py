"""Fitted constants of motors and propellers against their nominal ones."""

from __future__ import annotations

from collections.abc import Sequence

from generator.evidence.records import EffectiveConstant
from generator.intake.session import Season, Session
from generator.reduction.records import RunReduction


def effective_constants(
    runs: Sequence[RunReduction], session: Session, season: Season
) -> tuple[EffectiveConstant, ...]:
    """Constants of every treatment's motor and propeller."""
    return ()
