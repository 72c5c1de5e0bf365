"""What a difference means in the air: hover power, minutes, margin of thrust."""

from __future__ import annotations

from collections.abc import Sequence

from generator.evidence.records import InTheAir, InTheAirDifference
from generator.intake.session import Season, Session
from generator.reduction.records import RunReduction


def hover_thrusts_n(session: Session, season: Season) -> tuple[float, ...]:
    """Thrusts a motor gives in the hover [N], of every aircraft of the session with the pack of every treatment."""
    return ()


def in_the_air(
    runs: Sequence[RunReduction], session: Session, season: Season
) -> tuple[tuple[InTheAir, ...], tuple[InTheAirDifference, ...]]:
    """Every treatment on every aircraft of the session, and the differences from the baseline."""
    return (), ()
