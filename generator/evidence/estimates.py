"""One contrast's difference with its standard error, by the method that the design allows."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import Literal

from generator.evidence import ratio
from generator.evidence.basis import Basis
from generator.evidence.contrast_statistics import (
    DriftFit,
    Estimate,
    NoScatter,
    block_means,
    from_block_means,
    from_standard_errors,
    treatments_with_linear_drift,
    welch,
    with_systematic,
)
from generator.evidence.contrast_statistics import summarise as mean_and_sd
from generator.evidence.records import BudgetRow
from generator.evidence.repeatability import RunScatter
from generator.evidence.summaries import Observation, mean_shared, root_mean_square
from generator.intake.session import Session

Design = Literal["unpaired", "blocks", "drift"]
Observations = Sequence[Observation]
# What the scatter in a budget of a difference is called, by where it comes from.
SCATTER_OF: Mapping[Basis, str] = {
    "between runs": "scatter between runs",
    "within one run": "scatter within the run",
    "rig repeatability": "scatter of the check standard",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimated:
    """A contrast before it is held against anything.

    difference        treatment minus baseline with all its uncertainty
    relative          the same as a share of the baseline, None where it cannot be computed
    treatment_value, baseline_value  means of the runs that entered, unit of the response
    runs              runs that entered: treatment, baseline
    scatter           standard error of the difference from scatter alone
    left_over         source -> signed standard uncertainty of the difference from what of it does not cancel
    run_sd            scatter of one run (of one block's difference, if paired); None with one run
    u_systematic      standard uncertainty of the difference that repeats do not lessen: all of left_over
    paired            whether run_sd is that of block differences
    """

    difference: Estimate
    relative: ratio.Relative | None
    treatment_value: float
    baseline_value: float
    runs: tuple[int, int]
    basis: Basis
    method: str
    scatter: float
    left_over: Mapping[str, float]
    run_sd: float | None
    u_systematic: float
    paired: bool

    @property
    def budget(self) -> tuple[BudgetRow, ...]:
        """Of the difference: scatter, and what of each shared source does not cancel."""
        return _budget_of(SCATTER_OF[self.basis], self.scatter, self.left_over)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Asked:
    """Level of the intervals that are asked for, and whether a percentage of the baseline has a meaning."""

    level: float
    relative: bool


def design_of(session: Session, procedure: str) -> Design:
    """The design of a session's runs of one procedure, as declared or as planned, never from what came out.

    Declared designs are taken as they are. Without one, runs count as made in blocks if every run of the
    procedure that the tester did not leave out names its block, there are at least two blocks, and each of them
    holds every treatment of the procedure. Else they are unpaired. Runs of the check standard are not compared and
    stand in no block.
    """
    if session.file.design is not None:
        return session.file.design
    standard = session.file.check_standard
    planned = [
        run
        for run in session.file.runs
        if run.procedure == procedure and run.left_out is None and run.treatment != standard
    ]
    blocks: dict[int, set[str]] = {}
    for run in planned:
        if run.block is None:
            return "unpaired"
        blocks.setdefault(run.block, set()).add(run.treatment)
    treatments = {run.treatment for run in planned}
    complete = all(found == treatments for found in blocks.values())
    return "blocks" if len(blocks) >= 2 and complete else "unpaired"


def estimate(
    by_treatment: Mapping[str, Observations],
    treatment: str,
    baseline: str,
    design: Design,
    *,
    relative: bool,
    level: float = 0.95,
    history: RunScatter | None = None,
) -> Estimated | None:
    """Treatment minus baseline.

    by_treatment  observations of one response at one condition; a drift is fitted to all treatments at once
    relative      whether a percentage of the baseline has a meaning
    history       scatter of single runs of the rig, from its check standard; used where a side has one run

    A design that the runs at hand no longer carry (too few whole blocks, too few runs for a drift) falls back on
    Welch, said in `method`. With one run on a side its scatter is that of the rig's check standard if there is a
    history of it; else that within the run, or between the runs of the other side if it is larger. Said in `basis`
    and `method`.
    Returns None if the runs agree to the last digit and nothing says how well a run is known.
    """
    t, b = tuple(by_treatment[treatment]), tuple(by_treatment[baseline])
    asked = _Asked(level=level, relative=relative)
    try:
        if min(len(t), len(b)) < 2:
            return _single(t, b, asked, history)
        found, fallback = None, ""
        if design == "blocks":
            found, fallback = _blocks(t, b, asked), " (too few whole blocks to pair)"
        elif design == "drift":
            found = _drift(by_treatment, treatment, baseline, asked)
            fallback = " (the order of the runs does not let a drift be told from the treatment)"
        return found or _welch(t, b, asked, f"Welch{fallback}")
    except NoScatter:
        return None


# --- the methods --------------------------------------------------------------------------------------------


def _welch(t: Observations, b: Observations, asked: _Asked, method: str) -> Estimated:
    x, y = _values(t), _values(b)
    return _finished(
        t,
        b,
        _floored(t, b, lambda floor: welch(x, y, resolution_sd=floor)),
        lambda floor, systematic, level: ratio.relative_welch(
            x, y, level=level, resolution_sd=floor, systematic=systematic
        ),
        asked,
        method,
    )


def _blocks(t: Observations, b: Observations, asked: _Asked) -> Estimated | None:
    """Paired in the blocks that hold both sides; None below two of them."""
    whole = {o.run.block for o in t} & {o.run.block for o in b}
    if len(whole) < 2:
        return None
    kept_t, kept_b = ([o for o in side if o.run.block in whole] for side in (t, b))
    lost = len(t) + len(b) - len(kept_t) - len(kept_b)
    pairs = block_means(_in_blocks(kept_t), _in_blocks(kept_b))
    return _finished(
        kept_t,
        kept_b,
        _floored(kept_t, kept_b, lambda floor: from_block_means(pairs, resolution_sd=floor)),
        lambda floor, systematic, level: ratio.relative_from_block_means(
            pairs, level=level, resolution_sd=floor, systematic=systematic
        ),
        asked,
        "paired in blocks" + (f" ({lost} without a partner in its block left out)" if lost else ""),
        blocks=len(whole),
        means=tuple(mean_and_sd(side).mean for side in pairs.T),
    )


def _drift(
    by_treatment: Mapping[str, Observations], treatment: str, baseline: str, asked: _Asked
) -> Estimated | None:
    """With a straight line over run order taken out; None where the runs do not allow it."""
    everything = [(name, o) for name, observations in by_treatment.items() for o in observations]
    values = [o.value for _, o in everything]
    names = [name for name, _ in everything]
    order = [float(o.run.order) for _, o in everything]
    t, b = by_treatment[treatment], by_treatment[baseline]

    def fitted(floor: float) -> Estimate:
        return fit(floor).effect

    def fit(floor: float) -> DriftFit:
        return treatments_with_linear_drift(values, names, baseline, order, resolution_sd=floor)[treatment]

    try:
        effect, floor = _floored(t, b, fitted)
    except NoScatter:
        raise
    except ValueError:  # too few runs, or order and treatment are the same thing
        return None
    base = fit(floor).baseline_mean
    return _finished(
        t,
        b,
        (effect, floor),
        lambda floor, systematic, level: ratio.relative_with_drift(
            fit(floor), level=level, systematic=systematic
        ),
        asked,
        "straight-line drift over run order taken out",
        means=(base + effect.difference, base),
    )


def _single(t: Observations, b: Observations, asked: _Asked, history: RunScatter | None) -> Estimated:
    """One run on at least one side."""
    (u_t, dof_t), (u_b, dof_b) = _standard_error(t, b, history), _standard_error(b, t, history)
    if history is not None and dof_t == dof_b == history.dof and len(t) == len(b) == 1:
        # One estimate of the scatter serves both sides. Welch-Satterthwaite takes them for two and would count its
        # degrees of freedom twice; with these it arrives at those of the history.
        dof_t = dof_b = history.dof * (u_t**4 + u_b**4) / (u_t**2 + u_b**2) ** 2
    mean_t, mean_b = mean_and_sd(_values(t)).mean, mean_and_sd(_values(b)).mean
    found = from_standard_errors(mean_t, u_t, dof_t, mean_b, u_b, dof_b)
    method = "one run each" if len(t) == len(b) == 1 else "one run on one side"
    if history is not None:
        method += (
            f"; scatter of single runs from {history.runs} runs of the check standard "
            f"in {history.sessions} session{'' if history.sessions == 1 else 's'}"
        )
    return _finished(
        t,
        b,
        (found, 0.0),
        lambda floor, systematic, level: ratio.relative_from_standard_errors(
            mean_t, u_t, dof_t, mean_b, u_b, dof_b, level=level, systematic=systematic
        ),
        asked,
        method,
        basis="within one run" if history is None else "rig repeatability",
    )


def _standard_error(
    side: Observations, other: Observations, history: RunScatter | None
) -> tuple[float, float]:
    """Standard error of one side's mean and its degrees of freedom, when one side is a single run."""
    own = mean_and_sd(_values(side))
    if own.runs > 1:
        return max(own.sd / math.sqrt(own.runs), root_mean_square([o.resolution for o in side])), own.runs - 1
    (only,) = side
    if history is not None and history.at(only.value) > only.within_run:
        return history.at(only.value), history.dof
    between = mean_and_sd(_values(other))
    if between.runs > 1 and between.sd > only.within_run:
        return between.sd, between.runs - 1
    return only.within_run, only.within_run_dof


# --- what they have in common -------------------------------------------------------------------------------


def _floored(t: Observations, b: Observations, make: Callable[[float], Estimate]) -> tuple[Estimate, float]:
    """An estimate and the floor of scatter it needed.

    The floor is the resolution of the channels. Only where that leaves no scatter at all does it become what the
    runs tell of themselves, so that agreement to the last digit is never taken for certainty.
    Raises  NoScatter if that is zero too
    """
    everything = (*t, *b)
    try:
        floor = root_mean_square([o.resolution for o in everything])
        return make(floor), floor
    except NoScatter:
        floor = root_mean_square([o.within_run for o in everything]) / math.sqrt(min(len(t), len(b)))
        return make(floor), floor


def _finished(
    t: Observations,
    b: Observations,
    found: tuple[Estimate, float],
    share: Callable[[float, ratio.Systematic, float], ratio.Relative],
    asked: _Asked,
    method: str,
    *,
    basis: Basis = "between runs",
    blocks: int | None = None,
    means: tuple[float, ...] | None = None,
) -> Estimated:
    """The statistical estimate with what repeats do not lessen.

    What both sides share adds signed within a source before the sources are squared: a common offset cancels in
    the difference, a common gain in the percentage, and nothing cancels where it does not.
    """
    statistical, floor = found
    mean_t, mean_b = means or (mean_and_sd(_values(t)).mean, mean_and_sd(_values(b)).mean)
    shared_t, shared_b = mean_shared(t), mean_shared(b)
    sides = {s: (shared_t.get(s, 0.0), shared_b.get(s, 0.0)) for s in sorted({*shared_t, *shared_b})}
    left_over = {source: ours - base for source, (ours, base) in sides.items()}
    u_systematic = math.hypot(*left_over.values())
    relative = None
    if asked.relative and mean_b != 0.0:
        factor = mean_t / mean_b
        systematic = ratio.Systematic(
            treatment=math.hypot(*(ours - factor * base for ours, base in sides.values()))
        )
        # A percentage without any scatter of its own is left out; the difference stands.
        with suppress(NoScatter):
            relative = share(floor, systematic, asked.level)
    single = basis != "between runs"
    per_run = 1.0 / blocks if blocks else 1.0 / len(t) + 1.0 / len(b)
    return Estimated(
        difference=with_systematic(statistical, u_systematic, asked.level),
        relative=relative,
        treatment_value=mean_t,
        baseline_value=mean_b,
        runs=(len(t), len(b)),
        basis=basis,
        method=method,
        scatter=statistical.standard_error,
        left_over=left_over,
        run_sd=None if single else statistical.standard_error / math.sqrt(per_run),
        u_systematic=u_systematic,
        paired=blocks is not None,
    )


def _budget_of(scatter: str, standard_error: float, left: Mapping[str, float]) -> tuple[BudgetRow, ...]:
    """Budget of a difference, largest share first; what cancels to nothing is kept with a share of zero."""
    parts = [(scatter, standard_error, False), *((source, abs(size), True) for source, size in left.items())]
    variance = math.fsum(size**2 for _, size, _ in parts)
    rows = [
        BudgetRow(
            source=source,
            standard_uncertainty=size,
            share=size**2 / variance if variance > 0.0 else 0.0,
            shared=shared,
        )
        for source, size, shared in parts
    ]
    return tuple(sorted(rows, key=lambda row: (-row.share, row.source)))


def _values(observations: Observations) -> list[float]:
    return [o.value for o in observations]


def _in_blocks(observations: Observations) -> dict[int, list[float]]:
    blocks: dict[int, list[float]] = {}
    for o in observations:
        blocks.setdefault(o.run.block, []).append(o.value)
    return dict(sorted(blocks.items()))
