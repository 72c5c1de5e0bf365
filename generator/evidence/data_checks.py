"""Checks of what was recorded: zeros, faults of channels, missing runs, setpoints, temperatures at the start."""

from __future__ import annotations

import math

from generator.evidence.check_input import (
    OWN_CHOICE,
    POWER_RESPONSES,
    RESTS_ON,
    TEMPERATURE_RESPONSES,
    CheckInput,
    channel_words,
    graded,
    run_ids,
    treatments_of,
)
from generator.evidence.records import Check
from generator.evidence.wording import counted, percent, plain
from generator.reduction.records import Finding, RunReduction

N_PER_GF = 9.80665e-3  # standard gravity, 3rd CGPM (1901)
LEFT_OUT = "Left out by the tester"
NOT_REACHED = ("speed missed", "not reached", "step missing", "unclear step")
# House column -> responses whose smallest value a drifted zero is held against, and their unit in house units.
_DRIFTING = {
    "thrust_n": (("thrust", "top_thrust"), N_PER_GF, ("thrust", "thrust_per_power", "top_thrust"), "thrust"),
    "torque_nm": (("torque",), 1.0, ("torque", "shaft_power", "system_efficiency"), "torque"),
    "current_a": (("current", "peak_current"), 1.0, ("current", *POWER_RESPONSES), "current"),
}


def zero_drift(given: CheckInput) -> tuple[Check, ...]:
    """How far the zeros of thrust, torque and current moved, against the smallest value measured in the run."""
    found: list[tuple[float, str, RunReduction]] = []
    for run in given.used:
        for column, drift in run.zero_drift:
            share = _drift_share(run, column, drift)
            if share is not None:
                found.append((share, column, run))
    if not found:
        return ()
    share, column, run = max(found, key=lambda item: item[0])
    warns, fails = "checks.zero_drift_warns_percent", "checks.zero_drift_fails_percent"
    limit = given.thresholds.share(warns)
    off = [item for item in found if item[0] > limit]
    weakens = dict.fromkeys(name for _, c, _ in off for name in _DRIFTING[c][2])
    return (
        Check(
            id="zero-drift",
            title="Zeros stay where they are",
            outcome=graded(share, limit, given.thresholds.share(fails)),
            sentence=f"The zero of the {_DRIFTING[column][3]} moved by at most {percent(share)} of the smallest "
            f"value measured, in {run.log}.",
            threshold=given.thresholds.text(warns),
            reason="A straight line between the zeros before and after takes most of a drift away, and the rest enters "
            "the uncertainty; a large drift need not have been straight.",
            source=given.thresholds.source(warns),
            treatments=treatments_of([r for _, _, r in off]),
            runs=run_ids([r for _, _, r in off]),
            weakens=given.present(weakens, [r for _, _, r in off]),
        ),
    )


def _drift_share(run: RunReduction, column: str, drift: float) -> float | None:
    if column not in _DRIFTING:
        return None
    names, unit, _, _ = _DRIFTING[column]
    values = [abs(r.value) * unit for r in run.responses if r.response in names and r.value]
    return abs(drift) / min(values) if values and math.isfinite(drift) else None


def doubtful_channels(given: CheckInput) -> tuple[Check, ...]:
    """Faults of channels that weaken what rests on them, one check a channel; what was harmless is not repeated."""
    by_channel: dict[str, list[tuple[RunReduction, Finding]]] = {}
    ranged = given.ranges()  # whether they are full is a check of its own
    for run in given.used:
        for finding in run.findings:
            told_elsewhere = finding.kind in NOT_REACHED or (
                finding.kind == "zero drift"
                and any(column == finding.channel and _drift_share(run, column, drift) is not None
                        for column, drift in run.zero_drift)
            ) or (finding.kind == "clipped" and finding.channel in ranged)  # fmt: skip
            if finding.grade == "doubtful" and not told_elsewhere:
                by_channel.setdefault(finding.channel, []).append((run, finding))
    checks = []
    for channel, found in sorted(by_channel.items()):
        runs = [run for run, _ in found]
        words = channel_words(channel)
        first = found[0][1].sentence.rstrip(".")
        concerned = counted(len({run.run_id for run in runs}), "run")
        more = f"; {counted(len(found) - 1, 'more finding')} like it" if len(found) > 1 else ""
        checks.append(
            Check(
                id=f"data-{words.replace(' ', '-')}",
                title=f"Readings of {words}",
                outcome="warned",
                sentence=f"In {concerned}: {first}{more}.",
                threshold="none that weaken a figure",
                reason="What rests on a doubtful reading is doubtful itself.",
                source="the finding itself, shown on the run's page",
                treatments=treatments_of(runs),
                runs=run_ids(runs),
                weakens=given.present(RESTS_ON.get(channel), runs),
            )
        )
    if checks or not given.used:
        return tuple(checks)
    return (
        Check(
            id="data-channels",
            title="Readings of all channels",
            outcome="passed",
            sentence=f"No channel of {counted(len(given.used), 'run')} is stuck, cut off or otherwise doubtful.",
            threshold="none that weaken a figure",
            reason="What rests on a doubtful reading is doubtful itself.",
            source=OWN_CHOICE,
        ),
    )


def refused_runs(given: CheckInput) -> tuple[Check, ...]:
    """Runs that were not used, with the reason of each."""
    if not given.runs:
        return ()
    refused = [run for run in given.runs if run.refused is not None]
    reasons = [f"{run.log}: {(run.refused or '').rstrip('.')}" for run in refused]
    sentence = (
        f"{counted(len(refused), 'run')} of {len(given.runs)} {'was' if len(refused) == 1 else 'were'} not used. "
        + " ".join(f"{reason}." for reason in reasons)
        if refused
        else f"All {counted(len(given.runs), 'run')} were used."
        if len(given.runs) > 1
        else "The one run was used."
    )
    chosen = any((run.refused or "").startswith(LEFT_OUT) for run in refused)
    return (
        Check(
            id="runs-used",
            title="Runs that were not used",
            outcome="warned" if refused else "passed",
            sentence=sentence,
            threshold="none left unsaid",
            reason="A run that is left out in silence can turn a result."
            + (" Runs that the tester left out deserve a second look at the reason." if chosen else ""),
            source=OWN_CHOICE,
            treatments=treatments_of(refused),
            runs=tuple(run.run_id for run in refused),
        ),
    )


def setpoints(given: CheckInput) -> tuple[Check, ...]:
    """Speeds and steps that were not reached: refused ones are told, doubtful ones weaken what they gave."""
    if not given.runs:
        return ()
    missed = [
        (run, f)
        for run in given.runs
        for f in run.findings
        if f.kind in NOT_REACHED and f.grade != "noted"
    ]  # fmt: skip
    doubtful = [run for run, f in missed if f.grade == "doubtful" and run.refused is None]
    where = given.thresholds.text("hold.speed_miss_percent")
    if missed:
        first = missed[0]
        more = f" {counted(len(missed) - 1, 'further miss', 'further misses')}." if len(missed) > 1 else ""
        sentence = f"{first[0].log}: {first[1].sentence.rstrip('.')}.{more}"
    else:
        sentence = "Every setpoint was reached."
    return (
        Check(
            id="setpoints",
            title="Setpoints reached",
            outcome="warned" if missed else "passed",
            sentence=sentence,
            threshold=where,
            reason="A speed that misses its setpoint by 1 % shifts power by about 3 %; small misses are corrected, "
            "larger ones are not used.",
            source=given.thresholds.source("hold.speed_miss_percent"),
            treatments=treatments_of([run for run, _ in missed]),
            runs=run_ids([run for run, _ in missed]),
            weakens=given.present(None, doubtful) if doubtful else (),
        ),
    )


def start_temperatures(given: CheckInput) -> tuple[Check, ...]:
    """Motors start equally warm in both treatments, procedure by procedure."""
    key = "checks.start_temperature_equal_k"
    limit = given.thresholds.value(key)
    gaps: list[tuple[float, str, str]] = []
    for procedure in dict.fromkeys(run.procedure for run in given.used):
        base = _mean_start(given, procedure, given.baseline)
        for name in given.others:
            ours = _mean_start(given, procedure, name)
            if ours is not None and base is not None:
                gaps.append((ours - base, procedure, name))
    if not gaps:
        return ()
    gap, procedure, name = max(gaps, key=lambda item: abs(item[0]))
    off = [item for item in gaps if abs(item[0]) > limit]
    runs = [run for run in given.used if (run.procedure, run.treatment) in {(p, n) for _, p, n in off}]
    warmer = "warmer" if gap >= 0.0 else "cooler"
    return (
        Check(
            id="start-temperature",
            title="Equal temperature at the start",
            outcome=graded(abs(gap), limit, 3.0 * limit),
            sentence=f"Before the {procedure} runs the motor was {plain(abs(gap), 'K', digits=2)} {warmer} with "
            f"{given.label(name)} than with {given.label(given.baseline)}, on average.",
            threshold=given.thresholds.text(key),
            reason="A motor that starts warmer ends warmer and has more resistance.",
            source=given.thresholds.source(key),
            treatments=tuple(dict.fromkeys(n for _, _, n in off)),
            runs=tuple(run.run_id for run in runs),
            weakens=given.present(TEMPERATURE_RESPONSES, runs) if runs else (),
        ),
    )


def _mean_start(given: CheckInput, procedure: str, treatment: str) -> float | None:
    found = [
        run.start_motor_temperature_k
        for run in given.used
        if run.procedure == procedure
        and run.treatment == treatment
        and run.start_motor_temperature_k is not None
    ]
    return math.fsum(found) / len(found) if found else None
