"""What the runs of a session say, as a task of its own that any process can do."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from generator import __version__
from generator.evidence.assess import assess
from generator.evidence.records import SessionAnalysis
from generator.evidence.repeatability import History
from generator.evidence.results_document import results_document
from generator.evidence.rig_history import RigHistory
from generator.executors import Workers
from generator.intake.caution_texts import CautionText
from generator.intake.reference_texts import Thresholds
from generator.intake.session import Season, Session
from generator.memory import Memory, fingerprint
from generator.reduction.procedures import response_kinds
from generator.reduction.records import RunReduction
from generator.reduction.run import air_state


@dataclass(frozen=True, slots=True, kw_only=True)
class AssessOrder:
    """A session to be assessed, with all that this takes; as `evidence.assess.assess`.

    season  with this session alone: what others lend it is in `scatter` and `rig_history`
    """

    season: Season
    session: Session
    runs: tuple[RunReduction, ...]
    texts: Mapping[str, CautionText]
    thresholds: Thresholds
    scatter: History
    rig_history: RigHistory | None

    def key(self, runs: Sequence[str]) -> str:
        """One name for all that goes in. runs: the keys by which its runs were read (`RunOrder.key`)"""
        lent = (sorted(self.scatter.items()), self.rig_history)
        return fingerprint(list(runs), self.season, sorted(self.texts.items()), self.thresholds, *lent)


@dataclass(frozen=True, slots=True, kw_only=True)
class Assessed:
    """What is said of a session, without its runs, which whoever asked has.

    refused   of each run, why nothing of it is used
    document  `results.json`
    """

    analysis: SessionAnalysis
    refused: tuple[str | None, ...]
    document: dict[str, Any]

    def with_runs(self, runs: tuple[RunReduction, ...]) -> SessionAnalysis:
        """The whole analysis. runs: those of the order."""
        told = tuple(
            run if run.refused == refused else replace(run, refused=refused)
            for run, refused in zip(runs, self.refused, strict=True)
        )
        return replace(self.analysis, runs=told)


def assess_runs(order: AssessOrder) -> Assessed:
    """Everything that is said of a session."""
    analysis = assess(
        order.session,
        order.season,
        order.runs,
        response_kinds(),
        order.texts,
        order.thresholds,
        air_state(order.session.file.air),
        order.scatter,
        order.rig_history,
    )
    document = results_document(analysis, order.session, order.season, __version__)
    refused = tuple(run.refused for run in analysis.runs)
    return Assessed(analysis=replace(analysis, runs=()), refused=refused, document=document)


def assessed(
    orders: Sequence[AssessOrder], runs: Sequence[Sequence[str]], workers: Workers, memory: Memory | None
) -> Iterator[Assessed]:
    """Each session, assessed, or remembered, in order.

    runs     the keys of each session's runs; not looked at where there is no memory
    workers  who does it
    """
    if memory is None:
        yield from workers.map(assess_runs, ((order,) for order in orders))
        return
    keys = [order.key(read) for order, read in zip(orders, runs, strict=True)]
    kept = [memory.assessments.find(key) for key in keys]
    fresh = [order for order, known in zip(orders, kept, strict=True) if known is None]
    made = workers.map(assess_runs, ((order,) for order in fresh))
    for key, known in zip(keys, kept, strict=True):
        yield memory.assessments.put(key, next(made)) if known is None else known
