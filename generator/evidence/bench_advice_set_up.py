"""Advice that takes the other runs or the plan to see: supply, pack, cap, warmth, air, order."""

from __future__ import annotations

import datetime
import math
from collections.abc import Iterator, Mapping, Sequence
from statistics import fmean, median

import numpy as np

from generator.evidence.bench_advice_findings import only
from generator.evidence.bench_advice_records import Advice, advice, alike, near
from generator.evidence.check_input import CheckInput, sustained_highest, sustained_lowest
from generator.evidence.constants import LIMITS
from generator.evidence.physics_checks import top_speed_equal
from generator.evidence.summaries import summarise
from generator.evidence.wording import at_words, listed, percent, plain
from generator.intake.parts import Pack, Supply
from generator.reduction.records import ResponseKind, RunReduction

HALF_DAY_S = 12 * 3600.0


# --- supply and pack ----------------------------------------------------------------------------------------


def set_voltages(given: CheckInput) -> Iterator[Advice]:
    """The voltage at rest is cells times volts per cell, as the treatment says.

    How far it falls under load is `supply-voltage`'s business; both share their limits.
    """
    warns, fails = "checks.supply_voltage_warns_percent", "checks.supply_voltage_fails_percent"
    for run in given.used:
        treatment = given.session.file.treatments.get(run.treatment)
        rest = _rest_voltage(run)
        if treatment is None or treatment.cells is None or treatment.volts_per_cell_v is None or rest is None:
            continue
        set_v = treatment.cells * treatment.volts_per_cell_v
        off = rest / set_v - 1.0
        if not isinstance(given.season.source(treatment), Supply) or abs(off) <= given.thresholds.share(
            warns
        ):
            continue
        yield advice(
            run,
            "repeat" if abs(off) > given.thresholds.share(fails) else "doubtful",
            "set voltage",
            f"Before the run the supply stood at {plain(rest, 'V')}, {percent(abs(off))} "
            f"{'above' if off > 0.0 else 'below'} the {plain(set_v, 'V')} of {treatment.label}.",
            "Set the supply to what session.yaml says, or correct it there, and repeat it.",
            channel="voltage_v",
        )


def _rest_voltage(run: RunReduction) -> float | None:
    """Median voltage at the tap in the rest before the run; None without a rest or a voltage."""
    if "voltage_v" not in run.trace:
        return None
    for window in run.windows:
        if window.label == "rest before":
            time = run.trace["time_s"].to_numpy(dtype=np.float64)
            values = run.trace["voltage_v"].to_numpy(dtype=np.float64)[
                (time >= window.start_s) & (time <= window.stop_s)
            ]
            values = values[np.isfinite(values)]
            return float(np.median(values)) if values.size else None
    return None


def packs(given: CheckInput) -> Iterator[Advice]:
    """No cell is drawn below its end of discharge, and each run starts on a pack charged as for the others.

    A `drain` is made to go to its own cut-off, so that it is not held to the first.
    """
    lowest, key = given.thresholds.value("cell.lowest_v"), "bench.pack_start_percent"
    rests: dict[tuple[str, str], list[tuple[RunReduction, float]]] = {}
    for run in given.used:
        treatment = given.session.file.treatments.get(run.treatment)
        source = None if treatment is None else given.season.source(treatment)
        if not isinstance(source, Pack):
            continue
        rest, sagged = _rest_voltage(run), sustained_lowest(run.trace, "voltage_v")
        if rest is not None:
            rests.setdefault((run.procedure, source.id), []).append((run, rest))
        if run.procedure != "drain" and sagged is not None and sagged / source.cells < lowest:
            yield advice(
                run,
                "repeat",
                "pack sag",
                f"{source.label} fell to {plain(sagged / source.cells, 'V', digits=3)} a cell; "
                f"{plain(lowest, 'V')} is where a cell is empty.",
                "Charge the pack, or take one that bears the current, and repeat it.",
                channel="voltage_v",
            )
    limit = given.thresholds.share(key)
    for found in rests.values():
        group = {found[i][0].run_id for i in alike(found, lambda a, b: near(a[1], b[1], limit))}
        usual = median(rest for run, rest in found if run.run_id in group)
        for run, rest in found:
            off = rest / usual - 1.0
            if run.run_id in group or abs(off) <= limit:
                continue
            yield advice(
                run,
                "repeat",
                "pack charge",
                f"The pack stood at {plain(rest, 'V')} before the run, {percent(abs(off))} "
                f"{'above' if off > 0.0 else 'below'} the {plain(usual, 'V')} of the other {run.procedure} runs.",
                "Start each run on a pack charged alike, and repeat it.",
                channel="voltage_v",
            )


# --- output cap ---------------------------------------------------------------------------------------------


def caps(given: CheckInput, kinds: Mapping[str, ResponseKind]) -> Iterator[Advice]:
    """Runs of a capped treatment that behave as if nothing capped them.

    Their throttle for a speed, or their top speed, is nearer to that without the cap than to the other runs of the
    treatment; or they turn faster than the capped voltage allows; or their top speed is not the baseline's where the
    cap is to make it so.
    """
    for name, treatment in given.session.file.treatments.items():
        own = [run for run in given.used if run.treatment == name]
        if treatment.output_cap < 1.0:
            yield from _unlike_capped(given, name, own)
        if name != given.baseline:
            base = [run for run in given.used if run.treatment == given.baseline]
            for run in own:
                yield from _top_speed(given, run, base, kinds)


def _unlike_capped(given: CheckInput, name: str, own: Sequence[RunReduction]) -> Iterator[Advice]:
    treatment = given.treatment(name)
    cap, words = treatment.output_cap, percent(treatment.output_cap)
    remedy = (
        "Look at the cap in the controller before you spin up again, and repeat it. A lost cap can overspeed."
    )
    told: set[str] = set()
    kv = given.motor(name).kv_rpm_per_v * (1.0 + LIMITS["kv"].share)
    for run in own:
        speed, volts = sustained_highest(run.trace, "speed_rpm"), sustained_highest(run.trace, "voltage_v")
        if speed is not None and volts is not None and speed > kv * volts * cap:
            told.add(run.run_id)
            sentence = (
                f"{plain(speed, 'rpm')} on {plain(volts, 'V')} is more than KV and a cap of {words} allow."
            )
            yield advice(run, "repeat", "cap lost", sentence, remedy, channel="throttle")
    # with a cap that scales, a lost one takes less throttle for a speed; with any, more speed at full throttle
    for response, lost, what in (("throttle", cap, "throttle"), ("top_speed", 1.0 / cap, "top speed")):
        values: dict[tuple[str, object], list[tuple[RunReduction, float]]] = {}
        for run in own:
            for r in run.responses:
                if r.response == response and r.value > 0.0 and math.isfinite(r.value):
                    values.setdefault((run.procedure, r.at), []).append((run, r.value))
        for found in values.values():
            half = abs(lost - 1.0) / 2.0
            group = {found[i][0].run_id for i in alike(found, lambda a, b: near(a[1], b[1], half))}  # noqa: B023
            usual = median(value for run, value in found if run.run_id in group)
            for run, value in found:
                ratio = value / usual
                if run.run_id in told | group or abs(ratio - lost) >= abs(ratio - 1.0):
                    continue
                told.add(run.run_id)
                at = next((r.at for r in run.responses if r.response == response and r.value == value), ())
                where = f" {at_words(at)}" if at else ""
                sentence = (
                    f"The {what}{where} is {percent(abs(ratio - 1.0))} {'below' if ratio < 1.0 else 'above'} that of "
                    f"the other runs of {treatment.label}, as without its cap of {words}."
                )
                yield advice(run, "repeat", "cap lost", sentence, remedy, channel="throttle")


def _top_speed(
    given: CheckInput, run: RunReduction, base: Sequence[RunReduction], kinds: Mapping[str, ResponseKind]
) -> Iterator[Advice]:
    if not any(response.response == "top_speed" for response in run.responses):
        return
    like = [other for other in base if other.procedure == run.procedure]
    one = only(given, run, *like, summaries=summarise([run, *like], kinds))
    for check in top_speed_equal(one):
        if check.outcome != "passed":
            remedy = "Set the cap so that both reach the same top speed, and repeat it."
            yield advice(
                run,
                "repeat" if check.outcome == "failed" else "doubtful",
                check.id,
                check.sentence,
                remedy,
                check=check.id,
            )


# --- warmth and air -----------------------------------------------------------------------------------------


def start_temperatures(given: CheckInput) -> Iterator[Advice]:
    """Each run starts as warm as the runs of the other treatments in its procedure."""
    limit = given.thresholds.value("checks.start_temperature_equal_k")
    for procedure in dict.fromkeys(run.procedure for run in given.used):
        found = [
            (run, run.start_motor_temperature_k)
            for run in given.used
            if run.procedure == procedure
            and run.start_motor_temperature_k is not None
            and run.treatment not in ("", given.session.file.check_standard)
        ]
        group = {found[i][0].run_id for i in alike(found, lambda a, b: abs(a[1] - b[1]) <= limit)}
        for run, start in found:
            others = [k for r, k in found if r.run_id in group and r.treatment != run.treatment]
            gap = start - fmean(others) if others else 0.0
            if run.run_id in group or abs(gap) <= limit:
                continue
            warmer = "warmer" if gap > 0.0 else "cooler"
            yield advice(
                run,
                "repeat",
                "start temperature",
                f"The motor started {plain(abs(gap), 'K', digits=2)} {warmer} than in the {procedure} runs of the "
                "other treatments.",
                "Let the motor come to the same temperature as before the others, and repeat it.",
                check="start-temperature",
                channel="motor_temperature_k",
            )


def air(given: CheckInput) -> Iterator[Advice]:
    """The air that the log shows is that of the session."""
    limit = given.thresholds.value("bench.air_temperature_k")
    for run in given.runs:
        if "air_temperature_k" not in run.trace:
            continue
        values = run.trace["air_temperature_k"].to_numpy(dtype=np.float64)
        values = values[np.isfinite(values)]
        gap = float(np.median(values)) - given.air.temperature_k if values.size else 0.0
        if abs(gap) > limit:
            yield advice(
                run,
                "doubtful",
                "air changed",
                f"The air was {plain(abs(gap), 'K', digits=2)} {'warmer' if gap > 0.0 else 'cooler'} than session.yaml "
                "says.",
                "Measure the air again. If it changed during the session, let it settle and repeat what came after.",
                channel="air_temperature_k",
            )


# --- order --------------------------------------------------------------------------------------------------


def order(
    given: CheckInput, to_come: Sequence[str], written_s: Mapping[str, float] | None
) -> Iterator[Advice]:
    """The runs were made in the order of the list: by `started`, by what is not there yet, by the times of the logs.

    to_come    ids of runs whose logs are not there yet
    written_s  log -> when its file was last written; None where that tells nothing, as in a copied season
    """
    remedy = "Make the runs in the order planned, or put the list into the order made."
    there = {run.run_id: run for run in given.runs}
    listed_ids = [run.id for run in given.session.file.runs]
    last: tuple[float, RunReduction] | None = None
    written: tuple[float, RunReduction] | None = None
    skipped: list[str] = []
    for place, run_id in enumerate(listed_ids):
        run = there.get(run_id)
        if run is None:
            skipped += [run_id] if run_id in to_come else []
            continue
        if skipped:
            one = len(skipped) == 1
            verbs = ("stands", "is") if one else ("stand", "are")
            sentence = f"{listed(skipped)} {verbs[0]} before it in the list and {verbs[1]} not made yet."
            yield advice(run, "doubtful", "order", sentence, remedy)
            skipped = []
        clock = given.session.file.runs[place].started
        if clock is not None:
            now = _seconds(clock)
            if last is not None and 0.0 < last[0] - now < HALF_DAY_S:  # a session may run past midnight
                sentence = f"It started at {run.started}, before {last[1].run_id}, which stands above it in the list."
                yield advice(run, "doubtful", "order", sentence, remedy)
            else:
                last = (now, run)
        when = (written_s or {}).get(run.log)
        if when is not None:
            if written is not None and when < written[0] - 1.0:
                sentence = f"Its log was written before that of {written[1].run_id}, which stands above it in the list."
                yield advice(run, "doubtful", "order", sentence, remedy)
            else:
                written = (when, run)


def _seconds(clock: datetime.time) -> float:
    return clock.hour * 3600.0 + clock.minute * 60.0 + clock.second
