"""How far single runs of a rig scatter, from the runs of its check standard."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from generator.evidence.summaries import gather
from generator.intake.session import Session
from generator.reduction.records import ResponseKind, RunReduction


@dataclass(frozen=True, slots=True, kw_only=True)
class RunScatter:
    """Scatter of one run about the mean of its session, pooled over the check-standard runs of a rig.

    sd        standard deviation of one run: a share of the value if `relative`, else in the response's unit
    dof       degrees of freedom: runs less sessions and conditions
    runs      check-standard runs behind it
    sessions  sessions they were made in
    """

    sd: float
    relative: bool
    dof: int
    runs: int
    sessions: int

    def at(self, value: float) -> float:
        """Standard deviation of one run at a value of the response, in the response's unit."""
        return self.sd * abs(value) if self.relative else self.sd


History = Mapping[str, RunScatter]  # response -> its scatter on one rig
Sessions = Sequence[tuple[Session, Sequence[RunReduction]]]


def run_scatter(sessions: Sessions, session: Session, kinds: Mapping[str, ResponseKind]) -> History:
    """Repeatability of a session's rig, from all sessions on it up to the session's own date.

    sessions  reduced sessions of the season, any rig
    Each session and condition has its own mean, so that a rig that drifts from day to day, or a check standard
    held at several speeds, does not pass for scatter between runs.
    Source  pooled standard deviation of a check standard, NIST/SEMATECH e-Handbook, 2.3.3 and 2.6.2 (read in part)
    """
    squares: dict[str, float] = {}
    dof: dict[str, int] = {}
    runs: dict[str, int] = {}
    made: dict[str, set[str]] = {}
    for other, reduced in sessions:
        standard = other.file.check_standard
        same_rig = other.rig.id == session.rig.id
        if standard is None or not same_rig or other.file.date > session.file.date:
            continue
        for (response, _), treatments in gather(
            [run for run in reduced if run.treatment == standard]
        ).items():
            values = [o.value for o in treatments.get(standard, ())]
            kind = kinds.get(response)
            if kind is None or len(values) < 2:
                continue
            mean = math.fsum(values) / len(values)
            unit = abs(mean) if kind.relative else 1.0
            if unit == 0.0:
                continue
            deviations = [(value - mean) / unit for value in values]
            squares[response] = squares.get(response, 0.0) + math.fsum(d * d for d in deviations)
            dof[response] = dof.get(response, 0) + len(values) - 1
            runs[response] = runs.get(response, 0) + len(values)
            made.setdefault(response, set()).add(other.id)
    return {
        response: RunScatter(
            sd=math.sqrt(squares[response] / dof[response]),
            relative=kinds[response].relative,
            dof=dof[response],
            runs=runs[response],
            sessions=len(made[response]),
        )
        for response in dof
        if squares[response] > 0.0
    }
