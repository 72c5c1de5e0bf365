"""One contrast's difference with its standard error, by the method that the design allows."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from generator.evidence import contrast_statistics as statistics
from generator.evidence import ratio
from generator.evidence.contrast_statistics import Estimate, NoScatter, TooFewRuns
from generator.evidence.records import Basis
from generator.evidence.summaries import Observation, mean_shared, resolution_floor
from generator.intake.session import Session

Design = Literal["unpaired", "blocks", "drift"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimated:
    """A contrast before it is held against anything.

    difference        treatment minus baseline with all its uncertainty
    relative          the same as a share of the baseline, None where it cannot be computed
    treatment_value, baseline_value  means of the runs that entered, unit of the response
    runs              runs that entered: treatment, baseline
    run_sd            scatter of one run (of one block's difference, if paired); None with one run
    u_systematic      standard uncertainty of the difference that repeats do not lessen
    paired            whether run_sd is that of block differences
    """

    difference: Estimate
    relative: ratio.Relative | None
    treatment_value: float
    baseline_value: float
    runs: tuple[int, int]
    basis: Basis
    method: str
    run_sd: float | None
    u_systematic: float
    paired: bool


def design_of(session: Session, procedure: str) -> Design:
    """The design of a session's runs of one procedure, as declared or as planned, never from what came out.

    Declared designs are taken as they are. Without one, runs count as made in blocks if every run of the
    procedure that the tester did not leave out names its block, there are at least two blocks, and each of them
    holds every treatment of the procedure. Else they are unpaired.
    """
    if session.file.design is not None:
        return session.file.design
    planned = [run for run in session.file.runs if run.procedure == procedure and run.left_out is None]
    blocks: dict[int, set[str]] = {}
    for run in planned:
        if run.block is None:
            return "unpaired"
        blocks.setdefault(run.block, set()).add(run.treatment)
    treatments = {run.treatment for run in planned}
    complete = all(found == treatments for found in blocks.values())
    return "blocks" if len(blocks) >= 2 and complete else "unpaired"


def estimate(
    by_treatment: Mapping[str, Sequence[Observation]],
    treatment: str,
    baseline: str,
    design: Design,
    *,
    relative: bool,
    level: float = 0.95,
) -> Estimated | None:
    """Treatment minus baseline.

    by_treatment  observations of one response at one condition; a drift is fitted to all treatments at once
    relative      whether a percentage of the baseline has a meaning

    A design that the runs at hand no longer carry (too few blocks left, too few runs for a drift) falls back on
    Welch, said in `method`. With one run on a side the scatter is that within the runs, or that between the runs
    of the other side if it is larger, said in `basis` and `method`.
    Returns None if the runs agree to the last digit and nothing says how well a run is known.
    """
    t, b = by_treatment[treatment], by_treatment[baseline]
    attempts = []
    if min(len(t), len(b)) < 2:
        attempts.append(_single)
    else:
        if design == "blocks":
            attempts.append(_blocks)
        if design == "drift":
            rest = dict(by_treatment)

            def _with_all(t: Sequence[Observation], b: Sequence[Observation], *, relative: bool, level: float) -> Estimated:
                return _drift(rest, treatment, baseline, relative=relative, level=level)

            attempts.append(_with_all)
        attempts.append(_welch)
    for attempt in attempts:
        try:
            return attempt(t, b, relative=relative, level=level)
        except TooFewRuns:
            continue
        except NoScatter:
            return None
    return None
