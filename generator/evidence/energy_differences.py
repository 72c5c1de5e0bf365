"""In which part of the energy balance two treatments differ. What both share cancels: the same propeller's coefficient,
the same motor's resistance."""

from __future__ import annotations

import math
from collections.abc import Sequence

from generator.evidence.contrast_statistics import coverage_factor, interval
from generator.evidence.contrasts import compared_pairs
from generator.evidence.energy import alike_runs
from generator.evidence.energy_notes import LABELS, REST_WITH_SHAFT
from generator.evidence.estimates import design_of, estimate
from generator.evidence.physics_records import LossDifference, Measured
from generator.evidence.summaries import Observation, gather, mean_shared
from generator.intake.session import Session
from generator.reduction.losses import ELECTRICAL, PARTS, REST, SHAFT
from generator.reduction.records import RunReduction

LEVEL = 0.95


def loss_differences(runs: Sequence[RunReduction], session: Session) -> tuple[LossDifference, ...]:
    """Differences of every pair the session compares, part by part, the electrical power first.

    Made as a contrast is: by the session's design, systematic parts signed, 95 % interval. Only where both sides
    give the same parts. They say where the estimates place a difference; they are no verdicts and are not adjusted
    for their number.
    """
    kept, _ = alike_runs(runs)
    gathered = gather(kept)
    found = []
    for at in sorted({at for _, at in gathered}, key=lambda at: [value for _, value in at]):
        here = {name: gathered[name, at] for name in (ELECTRICAL, *PARTS) if (name, at) in gathered}
        for treatment, baseline in compared_pairs(session):
            both = [name for name, sides in here.items() if treatment in sides and baseline in sides]
            either = [name for name, sides in here.items() if treatment in sides or baseline in sides]
            if both != either or REST not in both:
                continue
            for name in both:
                difference, same = _difference(here[name], treatment, baseline, session)
                label = (
                    REST_WITH_SHAFT
                    if name == REST and SHAFT not in both
                    else LABELS.get(name, "electrical power")
                )
                found.append(
                    LossDifference(
                        treatment=treatment, baseline=baseline, at=at, name=name, label=label,
                        difference=difference, same_estimate=same,
                    )
                )  # fmt: skip
    return tuple(found)


def _difference(
    sides: dict[str, tuple[Observation, ...]], treatment: str, baseline: str, session: Session
) -> tuple[Measured, bool]:
    design = design_of(session, sides[baseline][0].run.procedure)
    found = estimate(sides, treatment, baseline, design, relative=False, level=LEVEL)
    if found is not None:
        own = found.difference
        return Measured(
            value=own.difference, standard_uncertainty=own.standard_error, interval=interval(own, LEVEL)
        ), False
    # Estimates that use nothing measured do not scatter: what is left is what the sides do not share.
    means = [math.fsum(o.value for o in sides[side]) / len(sides[side]) for side in (treatment, baseline)]
    ours, base = mean_shared(sides[treatment]), mean_shared(sides[baseline])
    left = math.hypot(*(ours.get(source, 0.0) - base.get(source, 0.0) for source in sorted({*ours, *base})))
    value = means[0] - means[1]
    if left <= 1e-9 * abs(means[1]) and abs(value) <= 1e-9 * abs(means[1]):
        return Measured(value=0.0, standard_uncertainty=0.0, interval=(0.0, 0.0)), True
    half = coverage_factor(LEVEL, math.inf) * left
    return Measured(value=value, standard_uncertainty=left, interval=(value - half, value + half)), False
