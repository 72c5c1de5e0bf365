"""Curves of one run read at preferred numbers."""

from __future__ import annotations

from collections.abc import Sequence

from generator.reduction.records import PreparedRun, RunResponse
from generator.reduction.steady import SteadyPoint


def preferred_readings(run: PreparedRun, points: Sequence[SteadyPoint]) -> tuple[RunResponse, ...]:
    """Curves of one run read at preferred numbers."""
    return ()


def hover_readings(run: PreparedRun, points: Sequence[SteadyPoint]) -> tuple[RunResponse, ...]:
    """Curves of one run read at the hover thrusts."""
    return ()
