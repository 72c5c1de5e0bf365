"""Corrections that every run gets before its procedure: health, zero, wiring, power."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from pydantic import BaseModel

from generator.intake.rig import CHANNEL_KINDS
from generator.reduction import health
from generator.reduction.records import Finding, PreparedRun, Setup, Window
from generator.reduction.zero import (
    NoRest,
    Rest,
    find_rest,
    measure_zero,
    remove_zero,
    zero_standard_uncertainty,
)

Array = NDArray[np.float64]

# Channels whose reading at rest is zero by definition; a voltage or a temperature at rest is not.
ZEROED = ("thrust_n", "torque_nm", "current_a")
# A zero that moves by more than this share of the largest reading is doubtful. Our own choice, no source.
DOUBTFUL_DRIFT = 0.02
CHANNEL_WORDS = {column: name.replace("_", " ") for name, (_, column) in CHANNEL_KINDS.items()}
# Slow or stepped by nature: repeats of one reading there are not a fault.
NEVER_STUCK = (
    "throttle",
    "motor_temperature_k",
    "controller_temperature_k",
    "air_temperature_k",
    "sound_level_db",
)
SHOWN_UNITS = {"thrust_n": ("gf", 1000.0 / 9.80665), "torque_nm": ("N·m", 1.0), "current_a": ("A", 1.0)}


def prepare(frame: pd.DataFrame, setup: Setup, plan: BaseModel) -> PreparedRun:
    """A run's frame, checked and corrected.

    frame   house columns as `intake.logs` gives them; `time_s` strictly increasing
    Returns PreparedRun; the frame gains `tap_voltage_v`, `power_w` and, with torque, `shaft_power_w`
    """
    time = frame["time_s"].to_numpy(dtype=np.float64)
    work = frame.copy()
    findings = list(_health(time, work, setup))
    speed = work["speed_rpm"].to_numpy(dtype=np.float64) if "speed_rpm" in work else None
    throttle = work["throttle"].to_numpy(dtype=np.float64) if "throttle" in work else None
    rest = Rest(before=None, after=None)
    if speed is not None or throttle is not None:
        rest = find_rest(time, speed, throttle)
    zero_u: dict[str, float] = {}
    for column in ZEROED:
        if column in work:
            work[column], zero_u[column], found = _zeroed(
                column, time, work[column].to_numpy(dtype=np.float64), rest
            )
            findings += found
    if "voltage_v" in work:
        work["tap_voltage_v"] = work["voltage_v"]
        if "current_a" in work:
            work["voltage_v"] = work["tap_voltage_v"] - work["current_a"] * setup.rig.wiring.resistance_ohm
            work["power_w"] = work["voltage_v"] * work["current_a"]
    if "torque_nm" in work and "speed_rpm" in work:
        work["shaft_power_w"] = work["torque_nm"] * work["speed_rpm"] * (2.0 * math.pi / 60.0)
    rests = tuple(
        Window(kind="rest", label=label, start_s=stretch[0], stop_s=stretch[1])
        for label, stretch in (("rest before", rest.before), ("rest after", rest.after))
        if stretch is not None
    )
    return PreparedRun(
        setup=setup, plan=plan, frame=work, raw=frame, rests=rests, zero_u=zero_u, findings=tuple(findings)
    )


def _health(time: Array, work: pd.DataFrame, setup: Setup) -> list[Finding]:
    """Findings about the channels; spikes are masked in `work`."""
    found: list[health.HealthFinding] = list(health.find_gaps(time))
    ranges = {CHANNEL_KINDS[name][1]: c.range for name, c in setup.rig.channels.present().items()}
    for column in [name for name in work.columns if name != "time_s"]:
        values = work[column].to_numpy(dtype=np.float64)
        found += health.find_dropouts(time, values, column)
        if column not in NEVER_STUCK:
            found += health.find_stuck(time, values, column)
        span = ranges.get(column)
        limits = None if span is None or None in span else (float(span[0]), float(span[1]))
        if column != "throttle":  # a throttle at its stop is where it should be
            found += health.find_clipped(time, values, column, limits)
            spikes = health.find_spikes(time, values, column)
            if spikes:
                work[column] = health.mask_spikes(values, spikes)
                found += spikes
    return [_finding(item) for item in found]


def _finding(item: health.HealthFinding) -> Finding:
    name = CHANNEL_WORDS.get(item.channel, "log")
    lasts = item.stop_s - item.start_s
    samples = "1 sample" if item.count == 1 else f"{item.count} samples"
    match item.kind:
        case "gap":
            what = f"No samples for {lasts:.2f} s from {item.start_s:.2f} s on; the means leave it out."
        case "dropout":
            what = (
                f"The {name} is missing in {samples} from {item.start_s:.2f} s on; the means leave them out."
            )
        case "spike":
            what = f"The {name} jumps for {samples} at {item.start_s:.2f} s; left out of all means."
        case "stuck":
            what = f"The {name} repeats one value for {lasts:.2f} s from {item.start_s:.2f} s on; doubtful."
        case _:
            what = f"The {name} sits at the end of its range in {samples} from {item.start_s:.2f} s on; doubtful."
    return Finding(
        kind=item.kind,
        channel=item.channel,
        start_s=item.start_s,
        stop_s=item.stop_s,
        count=item.count,
        grade="doubtful" if item.kind in ("stuck", "clipped") else "noted",
        sentence=what,
    )


def _zeroed(column: str, time: Array, values: Array, rest: Rest) -> tuple[Array, float, list[Finding]]:
    """Values with the zero taken off, the uncertainty this leaves, and what was found."""
    name = CHANNEL_WORDS[column]
    try:
        zero = measure_zero(time, values, rest)
    except NoRest:
        finding = Finding(
            kind="no rest",
            channel=column,
            grade="doubtful",
            sentence=f"No rest before or after the run: the zero of the {name} is taken as the logger gives it.",
        )
        return values, 0.0, [finding]
    findings: list[Finding] = []
    corrected = remove_zero(time, values, zero)
    unit, factor = SHOWN_UNITS[column]
    largest = float(np.nanmax(np.abs(corrected))) if np.isfinite(corrected).any() else 0.0
    if zero.drift is None:
        findings.append(
            Finding(kind="one rest", channel=column, sentence=f"{name.capitalize()}: {zero.statement}.")
        )
    elif largest > 0.0:
        share = abs(zero.drift) / largest
        findings.append(
            Finding(
                kind="zero drift",
                channel=column,
                grade="doubtful" if share > DOUBTFUL_DRIFT else "noted",
                sentence=(
                    f"The zero of the {name} moved by {zero.drift * factor:+.3g} {unit} between the rests before "
                    f"and after the run, {100 * share:.2g} % of the largest reading; a straight line is taken off."
                ),
            )
        )
    return corrected, zero_standard_uncertainty(zero), findings


def zero_drifts(run: PreparedRun, raw: Mapping[str, Array]) -> tuple[tuple[str, float], ...]:
    """House column -> how far its zero moved over the run, house unit; channels with both rests only."""
    if len(run.rests) != 2:
        return ()
    time = raw["time_s"]
    drifts = []
    for column in ZEROED:
        if column in raw:
            before, after = (
                float(np.nanmean(raw[column][(time >= w.start_s) & (time <= w.stop_s)])) for w in run.rests
            )
            drifts.append((column, after - before))
    return tuple(drifts)
