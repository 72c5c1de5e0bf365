"""Checks of the design: enough runs, equally many, in an order that tells a drift from a difference."""

from __future__ import annotations

from collections.abc import Mapping

from generator.evidence.check_input import OWN_CHOICE, CheckInput
from generator.evidence.records import Check
from generator.evidence.wording import counted, listed
from generator.reduction.records import RunReduction


def repeats(given: CheckInput) -> tuple[Check, ...]:
    """At least two runs of every treatment; one run tells nothing of how runs differ."""
    counts = _by_procedure(given)
    if not counts:
        return ()
    single = [
        (procedure, name, runs[0])
        for procedure, treatments in counts.items()
        for name, runs in treatments.items()
        if len(runs) == 1
    ]
    words = [
        f"{procedure} ({listed([given.label(n) for p, n, _ in single if p == procedure])})"
        for procedure in dict.fromkeys(p for p, _, _ in single)
    ]
    return (
        Check(
            id="repeats",
            title="More than one run",
            outcome="warned" if single else "passed",
            sentence=f"There is only one run each of: {'; '.join(words)}."
            if single
            else "Every treatment was run at least twice.",
            threshold="2 runs",
            reason="The scatter within a run leaves out all that changes when the bench is set up again.",
            source=OWN_CHOICE,
            treatments=tuple(dict.fromkeys(name for _, name, _ in single)),
            runs=tuple(run.run_id for _, _, run in single),
            weakens=given.responses_of([run for _, _, run in single]),
        ),
    )


def equal_repeats(given: CheckInput) -> tuple[Check, ...]:
    """Equally many runs of every treatment; told, since fewer runs than planned may have a reason."""
    unequal = [
        f"{procedure}: {listed([f'{len(runs)} of {given.label(name)}' for name, runs in treatments.items()])}"
        for procedure, treatments in _by_procedure(given).items()
        if len({len(runs) for runs in treatments.values()}) > 1
    ]
    if not given.used:
        return ()
    return (
        Check(
            id="equal-repeats",
            title="Equally many runs",
            outcome="warned" if unequal else "passed",
            sentence=f"The treatments have different numbers of runs. {'; '.join(unequal)}."
            if unequal
            else "All treatments have equally many runs in each procedure.",
            threshold="equal",
            reason="The interval allows for it, but runs that are missing for a reason can bias what is left.",
            source=OWN_CHOICE,
        ),
    )


def run_order(given: CheckInput) -> tuple[Check, ...]:
    """Treatments must alternate: if all runs of one come after all of the other, a drift looks like a difference."""
    apart: list[tuple[str, str, list[RunReduction]]] = []
    judged = False
    for procedure, treatments in _by_procedure(given).items():
        base = treatments.get(given.baseline, [])
        for name, runs in treatments.items():
            if name == given.baseline or min(len(runs), len(base)) < 2:
                continue
            judged = True
            ours, theirs = [r.order for r in runs], [r.order for r in base]
            if min(ours) > max(theirs) or max(ours) < min(theirs):
                apart.append((procedure, name, runs))
    if not judged:
        return ()
    words = [
        f"{counted(len(runs), 'run')} of {procedure} of {given.label(n)}" for procedure, n, runs in apart
    ]
    return (
        Check(
            id="run-order",
            title="Treatments take turns",
            outcome="warned" if apart else "passed",
            sentence=f"Made in one go, before or after all of {given.label(given.baseline)}: {listed(words)}."
            if apart
            else f"The runs of {given.label(given.baseline)} and of the other treatments take turns.",
            threshold="alternating",
            reason="Air, supply, bearings and magnets drift through a session; only treatments that take turns tell "
            "a drift from a difference.",
            source="common practice, no source",
            treatments=tuple(dict.fromkeys(name for _, name, _ in apart)),
            runs=tuple(run.run_id for _, _, runs in apart for run in runs),
            weakens=given.responses_of([run for _, _, runs in apart for run in runs]),
        ),
    )


def _by_procedure(given: CheckInput) -> Mapping[str, Mapping[str, list[RunReduction]]]:
    """Used runs by procedure and treatment, treatments in the session's order."""
    counts: dict[str, dict[str, list[RunReduction]]] = {}
    for procedure in dict.fromkeys(run.procedure for run in given.used):
        for name in given.session.file.treatments:
            if name == given.session.file.check_standard:
                continue  # it belongs to the rig and is not compared
            runs = [r for r in given.used if (r.procedure, r.treatment) == (procedure, name)]
            if runs:
                counts.setdefault(procedure, {})[name] = runs
    return counts
