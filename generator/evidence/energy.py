"""Where the energy goes: parts of the electrical power, and extra power as heat."""

from __future__ import annotations

from collections.abc import Sequence

from generator.evidence.records import Contrast, EnergyBalance, HeatDifference
from generator.intake.session import Season, Session
from generator.reduction.records import RunReduction


def energy_balances(
    runs: Sequence[RunReduction], session: Session, season: Season
) -> tuple[EnergyBalance, ...]:
    """Parts of the electrical power of every treatment at every held speed."""
    return ()


def heat_differences(
    contrasts: Sequence[Contrast], session: Session, season: Season
) -> tuple[HeatDifference, ...]:
    """Extra electrical power at equal propeller and speed, said as heat."""
    return ()
