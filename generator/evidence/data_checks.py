"""Checks of how the data were taken: zeros, faults of channels, missing runs, order, supply, sampling."""

from __future__ import annotations

import math
from collections.abc import Sequence

from generator.evidence.check_input import (
    OWN_CHOICE,
    POWER_RESPONSES,
    TEMPERATURE_RESPONSES,
    THRUST_RESPONSES,
    TIME_RESPONSES,
    CheckInput,
    graded,
    step_means,
    sustained_highest,
)
from generator.evidence.records import Check
from generator.evidence.wording import counted, percent, plain
from generator.intake.parts import Supply
from generator.intake.rig import CHANNEL_KINDS
from generator.reduction.records import Finding, RunReduction

N_PER_GF = 9.80665e-3  # standard gravity, 3rd CGPM (1901)
# All limits below are our own choices, no source, with their reasons in the checks that use them.
ZERO_DRIFT_WARNS = 0.02
ZERO_DRIFT_FAILS = 0.10
SUPPLY_WARNS = 0.90
SUPPLY_FAILS = 0.98
SAMPLING_WARNS = 0.20
SAMPLING_FAILS = 0.50

LEFT_OUT = "Left out by the tester"
NOT_REACHED = ("speed missed", "not reached", "step missing", "unclear step")
# House column -> responses that rest on it; a column that is not here is one of time or unknown: everything.
RESTS_ON = {
    "thrust_n": (*THRUST_RESPONSES, "figure_of_merit"),
    "torque_nm": ("torque", "shaft_power", "system_efficiency", "figure_of_merit"),
    "voltage_v": ("voltage", *POWER_RESPONSES),
    "current_a": ("current", "peak_current", *POWER_RESPONSES),
    "throttle": ("throttle", "delay_time"),
    "motor_temperature_k": tuple(
        name
        for name in TEMPERATURE_RESPONSES
        if name not in ("controller_temperature_rise", "controller_rise")
    ),
    "controller_temperature_k": ("controller_temperature_rise", "controller_rise"),
    "air_temperature_k": TEMPERATURE_RESPONSES,
    "sound_level_db": ("sound_level",),
    "vibration_m_s2": ("vibration",),
}
# House column -> responses whose smallest value a drifted zero is held against, and their unit in house units.
_DRIFTING = {
    "thrust_n": (("thrust", "top_thrust"), N_PER_GF, ("thrust", "thrust_per_power"), "thrust"),
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
    off = [item for item in found if item[0] > ZERO_DRIFT_WARNS]
    weakens = dict.fromkeys(name for _, c, _ in off for name in _DRIFTING[c][2])
    return (
        Check(
            id="zero-drift",
            title="Zeros stay where they are",
            outcome=graded(share, ZERO_DRIFT_WARNS, ZERO_DRIFT_FAILS),
            sentence=f"The zero of the {_DRIFTING[column][3]} moved by at most {percent(share)} of the smallest "
            f"value measured, in {run.log}.",
            threshold=plain(100.0 * ZERO_DRIFT_WARNS, "%"),
            reason="A straight line between the zeros before and after takes most of a drift away, and the rest enters "
            "the uncertainty; a large drift need not have been straight.",
            source=OWN_CHOICE,
            treatments=_treatments([r for _, _, r in off]),
            runs=tuple(dict.fromkeys(r.run_id for _, _, r in off)),
            weakens=_present(given, weakens, [r for _, _, r in off]),
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
    for run in given.used:
        for finding in run.findings:
            told_elsewhere = finding.kind in NOT_REACHED or (
                finding.kind == "zero drift"
                and any(column == finding.channel and _drift_share(run, column, drift) is not None
                        for column, drift in run.zero_drift)
            )  # fmt: skip
            if finding.grade == "doubtful" and not told_elsewhere:
                by_channel.setdefault(finding.channel, []).append((run, finding))
    checks = []
    for channel, found in sorted(by_channel.items()):
        runs = [run for run, _ in found]
        words = _channel_words(channel)
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
                treatments=_treatments(runs),
                runs=tuple(dict.fromkeys(run.run_id for run in runs)),
                weakens=_present(given, RESTS_ON.get(channel), runs),
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
            treatments=_treatments(refused),
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
            treatments=_treatments([run for run, _ in missed]),
            runs=tuple(dict.fromkeys(run.run_id for run, _ in missed)),
            weakens=_present(given, None, doubtful) if doubtful else (),
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
            sentence=f"Before the {procedure} runs the motor of {given.label(name)} was "
            f"{plain(abs(gap), 'K', digits=2)} {warmer} than that of {given.label(given.baseline)}, on average.",
            threshold=given.thresholds.text(key),
            reason="A motor that starts warmer ends warmer and has more resistance.",
            source=given.thresholds.source(key),
            treatments=tuple(dict.fromkeys(n for _, _, n in off)),
            runs=tuple(run.run_id for run in runs),
            weakens=_present(given, TEMPERATURE_RESPONSES, runs) if runs else (),
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


def supply_limit(given: CheckInput) -> tuple[Check, ...]:
    """A supply at its current limit gives less voltage than set, and the test becomes one of the supply."""
    shares: list[tuple[float, float, str, Supply]] = []
    for name, treatment in given.session.file.treatments.items():
        source = given.season.source(treatment)
        current = highest_current(given, name)
        if isinstance(source, Supply) and current is not None:
            shares.append((current / source.current_limit_a, current, name, source))
    if not shares:
        return ()
    share, current, name, source = max(shares, key=lambda item: item[0])
    off = tuple(n for s, _, n, _ in shares if s > SUPPLY_WARNS)
    return (
        Check(
            id="supply-limit",
            title="Supply below its current limit",
            outcome=graded(share, SUPPLY_WARNS, SUPPLY_FAILS),
            sentence=f"{given.label(name)} drew up to {plain(current, 'A', digits=3)}; {source.label} gives at most "
            f"{plain(source.current_limit_a, 'A')}.",
            threshold=plain(100.0 * SUPPLY_WARNS, "%"),
            reason="At its limit a supply lowers the voltage, so the treatment is no longer the one that was meant.",
            source=OWN_CHOICE,
            treatments=off,
            weakens=(
                *POWER_RESPONSES,
                "voltage",
                "current",
                "peak_current",
                "top_speed",
                "top_thrust",
                "rise_time",
            )
            if off
            else (),
        ),
    )


def highest_current(given: CheckInput, treatment: str) -> float | None:
    """Highest sustained or peak current of a treatment [A], None if it was not measured."""
    found: list[float] = []
    for run in given.used:
        if run.treatment != treatment:
            continue
        found += [r.value for r in run.responses if r.response in ("current", "peak_current")]
        found += step_means(run, "current_a")
        sustained = sustained_highest(run.trace, "current_a")
        found += [] if sustained is None else [sustained]
    return max((value for value in found if math.isfinite(value)), default=None)


def sampling(given: CheckInput) -> tuple[Check, ...]:
    """Samples must come often enough to see a spin-up."""
    shares: list[tuple[float, float, float, RunReduction]] = []
    for run in given.used:
        times = [r.value for r in run.responses if r.response in ("rise_time", "fall_time") and r.value > 0.0]
        if times and run.sampling_hz:
            interval_ms = 1000.0 / run.sampling_hz
            shares.append((interval_ms / min(times), interval_ms, min(times), run))
    if not shares:
        return ()
    share, interval_ms, shortest, _ = max(shares, key=lambda item: item[0])
    off = [run for s, _, _, run in shares if s > SAMPLING_WARNS]
    return (
        Check(
            id="sampling-interval",
            title="Sampling fast enough for the spin-up",
            outcome=graded(share, SAMPLING_WARNS, SAMPLING_FAILS),
            sentence=f"The longest sampling interval is {plain(interval_ms, 'ms', digits=2)}, {percent(share)} "
            f"of the shortest transition ({plain(shortest, 'ms', digits=3)}).",
            threshold=plain(100.0 * SAMPLING_WARNS, "%"),
            reason="Crossings are interpolated between samples; with fewer than five samples in a transition the shape "
            "between them decides the time.",
            source=OWN_CHOICE,
            treatments=_treatments(off),
            runs=tuple(run.run_id for run in off),
            weakens=_present(given, TIME_RESPONSES, off) if off else (),
        ),
    )


def _channel_words(channel: str) -> str:
    """A house column in words: `motor_temperature_k` is the motor temperature; no column is the time."""
    names = {column: name.replace("_", " ") for name, (_, column) in CHANNEL_KINDS.items()}
    return names.get(channel, channel.replace("_", " ")) if channel else "time"


def _treatments(runs: Sequence[RunReduction]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(run.treatment for run in runs))


def _present(
    given: CheckInput, wanted: Sequence[str] | dict[str, None] | None, runs: Sequence[RunReduction]
) -> tuple[str, ...]:
    """Responses of these runs, only those wanted unless None."""
    found = given.responses_of(runs)
    return tuple(name for name in found if wanted is None or name in wanted)
