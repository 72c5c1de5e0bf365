"""How far single runs of a rig scatter, from the runs of its check standard."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
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


@dataclass(frozen=True, slots=True, kw_only=True)
class StandardRuns:
    """What the check-standard runs of one session say of the scatter between runs, condition by condition.

    conditions  (response, sum of squared deviations from the condition's mean, runs); shares of the mean where the
                response is compared as a ratio
    """

    session: Session
    conditions: tuple[tuple[str, float, int], ...]


def standard_runs(sessions: Sessions, kinds: Mapping[str, ResponseKind]) -> tuple[StandardRuns, ...]:
    """The check-standard runs of each session that has some, for `pooled_scatter`.

    sessions  reduced sessions of a season, any rig
    """
    return tuple(
        StandardRuns(session=session, conditions=tuple(_conditions(session.file.check_standard, runs, kinds)))
        for session, runs in sessions
        if session.file.check_standard is not None
    )


def _conditions(
    standard: str, runs: Sequence[RunReduction], kinds: Mapping[str, ResponseKind]
) -> Iterator[tuple[str, float, int]]:
    for (response, _), treatments in gather([run for run in runs if run.treatment == standard]).items():
        values = [o.value for o in treatments.get(standard, ())]
        kind = kinds.get(response)
        if kind is None or len(values) < 2:
            continue
        mean = math.fsum(values) / len(values)
        unit = abs(mean) if kind.relative else 1.0
        if unit != 0.0:
            deviations = [(value - mean) / unit for value in values]
            yield response, math.fsum(d * d for d in deviations), len(values)


def run_scatter(sessions: Sessions, session: Session, kinds: Mapping[str, ResponseKind]) -> History:
    """`pooled_scatter` for one session only. sessions: reduced sessions of the season, any rig"""
    return pooled_scatter(standard_runs(sessions, kinds), session, kinds)


def pooled_scatter(
    standards: Sequence[StandardRuns], session: Session, kinds: Mapping[str, ResponseKind]
) -> History:
    """Repeatability of a session's rig, from all sessions on it up to the session's own date.

    standards  of the sessions of the season, any rig
    Each session and condition has its own mean, so that a rig that drifts from day to day, or a check standard
    held at several speeds, does not pass for scatter between runs.
    Source  pooled standard deviation of a check standard, NIST/SEMATECH e-Handbook, 2.3.3 and 2.6.2 (read in part)
    """
    squares: dict[str, float] = {}
    dof: dict[str, int] = {}
    runs: dict[str, int] = {}
    made: dict[str, set[str]] = {}
    for other in standards:
        of = other.session
        if of.rig.id != session.rig.id or of.file.date > session.file.date:
            continue
        for response, own_squares, own_runs in other.conditions:
            squares[response] = squares.get(response, 0.0) + own_squares
            dof[response] = dof.get(response, 0) + own_runs - 1
            runs[response] = runs.get(response, 0) + own_runs
            made.setdefault(response, set()).add(of.id)
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
