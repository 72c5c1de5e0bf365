"""Responses of single runs gathered into one value a treatment; the run is the unit."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from generator.evidence.budget import Contribution, combine
from generator.evidence.contrast_statistics import dof_beside_systematic, effective_dof
from generator.evidence.contrast_statistics import summarise as mean_and_sd
from generator.evidence.records import BudgetRow, ResponseSummary, RunValue
from generator.evidence.wording import response_key
from generator.reduction.records import At, Component, ResponseKind, RunReduction, RunResponse

Condition = tuple[str, At]  # response and condition

# Where several procedures give one response at one condition, the first of these is taken, unless another
# covers more treatments: a hold measures it, a staircase interpolates it, a soak or a spin-up passes by it.
SCATTER = "scatter"  # source of what varies within a run
PROCEDURE_ORDER = ("hold", "soak", "spin-up", "free-run", "drain", "staircase", "ramp")


@dataclass(frozen=True, slots=True, kw_only=True)
class Observation:
    """One run's value of one response, in the response's unit.

    within_run  standard uncertainty from all that is new in each run, its degrees of freedom in within_run_dof;
                scatter_dof are those of its scatter alone: cycles less one, infinite where there are none
    resolution  its part from the resolution of the channels
    shared      source -> signed standard uncertainty of what is the same in every run of the session
    own         source -> standard uncertainty of what is new in each run
    """

    run: RunReduction
    value: float
    within_run: float
    within_run_dof: float
    scatter_dof: float
    resolution: float
    shared: Mapping[str, float]
    own: Mapping[str, float]


Gathered = dict[Condition, dict[str, tuple[Observation, ...]]]


def gather(runs: Sequence[RunReduction]) -> Gathered:
    """Observations by response and condition, then by treatment, in the order the runs were made.

    Refused runs and values that are not finite are left out. A response that one run gives twice at one
    condition is averaged within the run. Where several procedures give the same response at the same
    condition, one of them is taken (`several_procedures` tells which), since they measure in different ways.
    """
    by_procedure: dict[Condition, dict[str, dict[str, list[Observation]]]] = {}
    for run in sorted(runs, key=lambda run: (run.order, run.run_id)):
        if run.refused is not None:
            continue
        same: dict[Condition, list[RunResponse]] = {}
        for response in run.responses:
            if math.isfinite(response.value):
                same.setdefault((response.response, _rounded(response.at)), []).append(response)
        for condition, responses in same.items():
            procedures = by_procedure.setdefault(condition, {})
            treatments = procedures.setdefault(run.procedure, {})
            treatments.setdefault(run.treatment, []).append(_observation(run, responses))
    return {
        condition: {
            treatment: tuple(found)
            for treatment, found in procedures[_preferred(procedures)].items()
        }
        for condition, procedures in by_procedure.items()
    }  # fmt: skip


def several_procedures(runs: Sequence[RunReduction]) -> tuple[tuple[str, str, tuple[str, ...]], ...]:
    """(response, procedure taken, procedures left out of its value), for responses that several procedures give."""
    givers: dict[Condition, dict[str, set[str]]] = {}
    for run in runs:
        for response in run.responses if run.refused is None else ():
            if math.isfinite(response.value):
                found = givers.setdefault((response.response, _rounded(response.at)), {})
                found.setdefault(run.procedure, set()).add(run.treatment)
    told: dict[tuple[str, str, tuple[str, ...]], None] = {}
    for (name, _), procedures in givers.items():
        if len(procedures) > 1:
            taken = _preferred(procedures)
            told[(name, taken, tuple(sorted(set(procedures) - {taken})))] = None
    return tuple(told)


def summarise(runs: Sequence[RunReduction], kinds: Mapping[str, ResponseKind]) -> tuple[ResponseSummary, ...]:
    """Mean over runs of every response at every condition, treatment by treatment.

    runs   reduced runs; refused ones give nothing
    kinds  response name -> kind, for the unit

    From two runs on, the statistical part is the scatter between runs over the root of their number, but not
    below the resolution; with one run it is what that run tells of itself. What is the same in every run of the
    session (gains, offsets, wiring) is added signed within a source, the sources in quadrature.
    Raises  KeyError for a response without a kind
    Source  JCGM 100:2008 (GUM), 4.2.3, 5.1.2, 5.2.2 and G.4.1 (Welch-Satterthwaite)
    """
    return summarise_gathered(gather(runs), kinds)


def summarise_gathered(gathered: Gathered, kinds: Mapping[str, ResponseKind]) -> tuple[ResponseSummary, ...]:
    """`summarise` for runs that have been gathered already. Raises KeyError for a response without a kind"""
    return tuple(
        _summary(name, at, treatment, observations, kinds[name].unit)
        for (name, at), treatments in gathered.items()
        for treatment, observations in treatments.items()
    )


def mean_shared(observations: Sequence[Observation]) -> dict[str, float]:
    """Signed mean over runs of each shared source; a run without a source counts as zero."""
    shares = [o.shared for o in observations]
    sources = dict.fromkeys(itertools.chain.from_iterable(shares))
    return {
        source: math.fsum([share.get(source, 0.0) for share in shares]) / len(shares) for source in sources
    }


def resolution_floor(observations: Sequence[Observation]) -> float:
    """Standard uncertainty below which no mean of these runs is known.

    It is their resolution. Where none is stated and all runs agree to the last digit, it is what the runs tell
    of themselves, so that agreement by rounding is never taken for certainty; else zero.
    """
    floor = root_mean_square([o.resolution for o in observations])
    values = [o.value for o in observations]
    if floor == 0.0 and len(values) > 1 and max(values) == min(values):
        floor = root_mean_square([o.within_run for o in observations]) / math.sqrt(len(values))
    return floor


def _preferred(procedures: Mapping[str, Mapping[str, object] | set[str]]) -> str:
    def rank(name: str) -> tuple[int, int, str]:
        place = PROCEDURE_ORDER.index(name) if name in PROCEDURE_ORDER else len(PROCEDURE_ORDER)
        return -len(procedures[name]), place, name

    return min(procedures, key=rank)


def _rounded(at: At) -> At:
    """The condition to ten digits, so that rounding in a unit conversion does not part equal setpoints."""
    return tuple((name, float(f"{value:.10g}")) for name, value in at)


def _observation(run: RunReduction, responses: Sequence[RunResponse]) -> Observation:
    count = len(responses)
    components = [component for response in responses for component in response.components]
    shared: dict[str, float] = {}
    own: dict[str, float] = {}
    for component in components:
        source, size = component.source, component.contribution / count
        if component.shared:
            shared[source] = shared.get(source, 0.0) + size
        else:
            own[source] = math.hypot(own.get(source, 0.0), size)
    cycles = sum(max(len(response.per_cycle) - 1, 0) for response in responses)
    # Cycles are repeats within the run, so they give the scatter degrees of freedom; the rest is judged, not counted.
    scatter_dof = float(cycles) if cycles else math.inf
    dofs = [scatter_dof if source == SCATTER else math.inf for source in own]
    return Observation(
        run=run,
        value=math.fsum(response.value for response in responses) / count,
        within_run=math.hypot(*own.values()),
        within_run_dof=effective_dof(tuple(own.values()), dofs),
        scatter_dof=scatter_dof,
        resolution=_resolution(components, count),
        shared=shared,
        own=own,
    )


def _resolution(components: Sequence[Component], count: int) -> float:
    """The resolution's part; averaging does not lessen it, since repeats may fall on one step."""
    parts = [c.contribution for c in components if c.source == "resolution" and not c.shared]
    return math.hypot(*parts) / math.sqrt(count)


def _summary(
    name: str, at: At, treatment: str, observations: Sequence[Observation], unit: str
) -> ResponseSummary:
    values = mean_and_sd([o.value for o in observations])
    contributions: list[Contribution] = []
    if values.runs > 1:
        scatter = max(values.sd / math.sqrt(values.runs), resolution_floor(observations))
        contributions.append(
            Contribution(
                name="scatter between runs", standard_uncertainty=scatter, dof=values.runs - 1, kind="A"
            )
        )
    else:
        (only,) = observations
        for source, size in only.own.items():
            repeated = source == SCATTER
            contributions.append(
                Contribution(
                    name=f"{source} within the run" if repeated else source,
                    standard_uncertainty=size,
                    dof=only.scatter_dof if repeated else math.inf,
                    kind="A" if repeated else "B",
                )
            )
    runs_alone = combine(contributions)
    for source, size in mean_shared(observations).items():
        contributions.append(Contribution(name=source, standard_uncertainty=size, shared=source))
    budget = combine(contributions)
    systematic = math.hypot(*mean_shared(observations).values())
    rows = tuple(
        BudgetRow(
            source=line.name,
            standard_uncertainty=abs(line.contribution),
            share=line.share,
            shared=line.shared,
        )
        for line in sorted(budget.rows, key=lambda line: (-line.share, line.name))
    )
    return ResponseSummary(
        key=response_key(name, at, treatment),
        response=name,
        treatment=treatment,
        at=at,
        value=values.mean,
        unit=unit,
        standard_uncertainty=budget.standard_uncertainty,
        dof=dof_beside_systematic(runs_alone.standard_uncertainty, runs_alone.dof, systematic),
        per_run=tuple(
            RunValue(
                run_id=o.run.run_id,
                log=o.run.log,
                repeat=o.run.repeat,
                block=o.run.block,
                order=o.run.order,
                value=o.value,
                within_run_uncertainty=o.within_run,
            )
            for o in observations
        ),
        budget=rows,
    )


def root_mean_square(values: Sequence[float]) -> float:
    """Root of the mean of the squares."""
    return math.sqrt(math.fsum(v * v for v in values) / len(values))
