"""Where the electrical power of each held stretch went, part by part."""

from __future__ import annotations

from collections.abc import Sequence

from generator.reduction.records import PreparedRun, RunResponse
from generator.reduction.steady import SteadyPoint


def losses(run: PreparedRun, points: Sequence[SteadyPoint]) -> tuple[RunResponse, ...]:
    """Where the electrical power of each held stretch went, part by part."""
    return ()
