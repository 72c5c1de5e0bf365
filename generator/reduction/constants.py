"""Constants of motor and propeller fitted to the steady stretches of one run."""

from __future__ import annotations

from collections.abc import Sequence

from generator.reduction.records import PreparedRun, RunResponse
from generator.reduction.steady import SteadyPoint


def fitted_constants(run: PreparedRun, points: Sequence[SteadyPoint]) -> tuple[RunResponse, ...]:
    """Constants of motor and propeller fitted to the steady stretches of one run."""
    return ()
