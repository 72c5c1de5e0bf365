"""Corrections that every run gets before its procedure: health, zero, wiring, power."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from pydantic import BaseModel

from generator.intake.rig import CHANNEL_KINDS
from generator.reduction import health, repeats
from generator.reduction.levels import smoothed
from generator.reduction.records import Finding, PreparedRun, Setup, Window
from generator.reduction.zero import (
    NoRest,
    Rest,
    find_rest,
    measure_zero,
    remove_zero,
    standing_limit_rpm,
    zero_standard_uncertainty,
)

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
Columns = Mapping[str, Array]  # house column -> shape (n,)

# Channels whose reading at rest is zero by definition; a voltage or a temperature at rest is not.
ZEROED = ("thrust_n", "torque_nm", "current_a")
PROPELLERS = ("thrust_n", "torque_nm")
# A zero that moves by more than this share of the largest reading is doubtful. Our own choice, no source.
DOUBTFUL_DRIFT = 0.02
TOLD_DRIFT = 0.0005  # a smaller share is not worth a sentence; our own choice, no source
# So many findings of one kind in one channel are told one by one. Our own choice, no source.
MOST_ALIKE = 5
CHANNEL_WORDS = {column: name.replace("_", " ") for name, (_, column) in CHANNEL_KINDS.items()}
# Slow or stepped by nature: repeats of one reading there are not a fault.
NEVER_STUCK = (
    "throttle",
    "motor_temperature_k",
    "controller_temperature_k",
    "air_temperature_k",
    "pack_temperature_k",
    "sound_level_db",
)
SHOWN_UNITS = {"thrust_n": ("gf", 1000.0 / 9.80665), "torque_nm": ("N·m", 1.0), "current_a": ("A", 1.0)}


def prepare(frame: pd.DataFrame, setup: Setup, plan: BaseModel) -> PreparedRun:
    """A run's frame, checked and corrected.

    frame   house columns as `intake.logs` gives them; `time_s` strictly increasing
    plan    where its `rows_are_states`, no row is a sample beside others: nothing is a gap, a spike or a rest; where
            its `stand_at_rest`, nothing turns and loads are put on: no zero is taken off; where its `propeller_off`,
            nothing rests on thrust and torque
    Returns PreparedRun; its columns gain `tap_voltage_v`, `power_w` and, with torque, `shaft_power_w`
    """
    read = {str(name): frame[name].to_numpy(dtype=np.float64) for name in frame.columns}
    time, work = read["time_s"], dict(read)
    states = bool(getattr(plan, "rows_are_states", False))
    loaded = bool(getattr(plan, "stand_at_rest", False))
    found: list[health.HealthFinding] = [] if states else list(health.find_gaps(time))
    channels = setup.rig.channels.present().items()
    steps = {CHANNEL_KINDS[name][1]: float(channel.resolution or 0.0) for name, channel in channels}
    for column in () if states else _measured_columns(work):
        if column != "throttle":  # a throttle moves in steps on purpose
            spikes = health.find_spikes(time, work[column], column, steps.get(column, 0.0))
            if spikes:
                work[column] = health.mask_spikes(work[column], spikes)
                found += spikes
    rest = Rest(before=None, after=None) if states or loaded else _rest(time, work)
    if not states:
        still = np.ones(time.size, dtype=np.bool_) if loaded else _at_rest(time, rest, work)
        found += _health(time, read, work, still, setup)
    findings = [*_gathered(found), *_empty(read)]
    zero_u: dict[str, float] = {}
    zero_drift: dict[str, float] = {}
    for column in () if loaded else ZEROED:
        if column in work:
            zeroed = _zeroed(column, time, work[column], rest)
            work[column], zero_u[column] = zeroed.values, zeroed.standard_uncertainty
            # without a propeller nothing rests on thrust and torque
            idle = bool(getattr(plan, "propeller_off", False)) and column in PROPELLERS
            findings += [replace(f, grade="noted") for f in zeroed.findings] if idle else zeroed.findings
            if zeroed.drift is not None:
                zero_drift[column] = zeroed.drift
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
        setup=setup,
        plan=plan,
        columns=work,
        rests=rests,
        zero_u=zero_u,
        zero_drift=zero_drift,
        findings=tuple(findings),
    )


def _measured_columns(columns: Columns) -> list[str]:
    """Columns but the time that hold at least one reading."""
    return [name for name, values in columns.items() if name != "time_s" and bool(np.isfinite(values).any())]


def _rest(time: Array, work: Columns) -> Rest:
    """Rest before and after, from what was recorded of speed and throttle; none if neither was.

    A channel that misses samples is bridged first, else one empty cell would end the rest. Where the speed is
    missing for long, as from a sensor that reads nothing at standstill, the throttle decides.
    """
    recorded = _measured_columns(work)
    speed: Array | None = None
    throttle: Array | None = None
    if "throttle" in recorded:
        throttle = np.asarray(pd.Series(work["throttle"]).ffill().bfill(), dtype=np.float64)
    if "speed_rpm" in recorded:
        raw = work["speed_rpm"]
        speed = np.where(np.isfinite(raw), raw, smoothed(time, raw, 0.0))
    if speed is None and throttle is None:
        return Rest(before=None, after=None)
    return find_rest(time, speed, throttle)


def _at_rest(time: Array, rest: Rest, work: Columns) -> Mask:
    """Rows in which a channel may well repeat one value: both rests, and standstill in between."""
    mask = np.zeros(time.size, dtype=np.bool_)
    if "speed_rpm" in _measured_columns(work):
        raw = work["speed_rpm"]
        mask |= ~(np.abs(smoothed(time, raw)) > standing_limit_rpm(time, raw))
    if rest.before is not None:
        mask |= time <= rest.before[1]
    if rest.after is not None:
        mask |= time >= rest.after[0]
    return mask


def _health(
    time: Array, read: Columns, work: Columns, at_rest: Mask, setup: Setup
) -> list[health.HealthFinding]:
    """Dropouts of the columns as read; stuck and clipped stretches of the channels without their spikes."""
    found: list[health.HealthFinding] = []
    channels = setup.rig.channels.present().items()
    ranges = {CHANNEL_KINDS[name][1]: channel.range for name, channel in channels}
    leaders = _leaders(time, work)
    for column in _measured_columns(read):
        found += health.find_dropouts(time, read[column], column)
        values = work[column]
        if column not in NEVER_STUCK:
            found += repeats.find_stuck(time, values, column, ignore=at_rest, leader=leaders.get(column))
        if column != "throttle":  # a throttle at its stop is where it should be
            span = ranges.get(column)
            limits = None if span is None else (_limit(span[0]), _limit(span[1]))
            for item in repeats.find_clipped(time, values, column, limits, leader=leaders.get(column)):
                # a reading that sits still at rest, and some samples on, is not at its end
                if float(at_rest[item.first_row : item.first_row + item.count].mean()) < 0.5:
                    found.append(item)
    return found


def _leaders(time: Array, work: Columns) -> dict[str, Array]:
    """House column -> a quantity to which it is at least proportional: what it follows when it is not stuck.

    Thrust, torque and current go with a power of the speed of one or more; the speed goes with at least the
    fourth root of the current (P ∝ n³ and losses that grow no faster).
    """
    recorded = _measured_columns(work)
    leaders: dict[str, Array] = {}
    if "speed_rpm" in recorded:
        speed = smoothed(time, work["speed_rpm"])
        leaders = dict.fromkeys(ZEROED, speed)
    if "current_a" in recorded:
        current = smoothed(time, work["current_a"])
        leaders["speed_rpm"] = np.abs(current) ** 0.25
    return leaders


def _limit(value: object) -> float | None:
    return float(value) if isinstance(value, int | float) else None


def _gathered(found: list[health.HealthFinding]) -> Iterator[Finding]:
    """Findings in words; more than a few of one kind in one channel become one."""
    groups: dict[tuple[str, str], list[health.HealthFinding]] = {}
    for item in found:
        groups.setdefault((item.kind, item.channel), []).append(item)
    for items in groups.values():
        if len(items) <= MOST_ALIKE:
            yield from (_finding(item) for item in items)
            continue
        first, count = items[0], sum(item.count for item in items)
        name = CHANNEL_WORDS.get(first.channel, "log")
        start, stop = min(i.start_s for i in items), max(i.stop_s for i in items)
        what = {
            "gap": f"Samples are missing in {len(items)} places; the means leave them out.",
            "dropout": f"The {name} has no reading in {count} samples here and there; the means leave them out.",
            "spike": f"The {name} jumps at {len(items)} places; left out of all means.",
            "stuck": f"The {name} repeats one value for long at {len(items)} places; doubtful.",
        }.get(first.kind, f"The {name} sits at the end of its range at {len(items)} places; doubtful.")
        one = _finding(first)
        yield replace(one, start_s=start, stop_s=stop, count=count, sentence=what)


def _empty(read: Columns) -> Iterator[Finding]:
    """Channels of which nothing was recorded."""
    recorded, rows = _measured_columns(read), read["time_s"].size
    for column in (name for name in read if name != "time_s"):
        if column not in recorded and rows:
            yield Finding(
                kind="dropout",
                channel=column,
                count=rows,
                grade="doubtful",
                sentence=f"The {CHANNEL_WORDS.get(column, column)} has no reading in the whole log.",
            )


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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Zeroed:
    """Values with the zero taken off, the uncertainty this leaves, its drift if known, and what was found."""

    values: Array
    standard_uncertainty: float
    drift: float | None
    findings: tuple[Finding, ...]


def _zeroed(column: str, time: Array, values: Array, rest: Rest) -> _Zeroed:
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
        return _Zeroed(values=values, standard_uncertainty=0.0, drift=None, findings=(finding,))
    findings: list[Finding] = []
    corrected = remove_zero(time, values, zero)
    unit, factor = SHOWN_UNITS[column]
    finite = np.abs(corrected[np.isfinite(corrected)])
    largest = float(finite.max()) if finite.size else 0.0
    if zero.drift is None:
        findings.append(
            Finding(kind="one rest", channel=column, sentence=f"{name.capitalize()}: {zero.statement}.")
        )
    elif largest > 0.0 and (share := abs(zero.drift) / largest) > TOLD_DRIFT:
        findings.append(
            Finding(
                kind="zero drift",
                channel=column,
                grade="doubtful" if share > DOUBTFUL_DRIFT else "noted",
                sentence=(
                    f"The zero of the {name} moved by {_plain(zero.drift * factor, sign=True)} {unit} between the "
                    f"rests before and after the run, {_plain(100 * share)} % of the largest reading; "
                    "a straight line is taken off."
                ),
            )
        )
    return _Zeroed(
        values=corrected,
        standard_uncertainty=zero_standard_uncertainty(zero),
        drift=zero.drift,
        findings=tuple(findings),
    )


def _plain(value: float, *, sign: bool = False) -> str:
    """Two or three digits that matter, never with an exponent."""
    digits = 2 if value == 0.0 else max(0, min(6, 1 - math.floor(math.log10(abs(value)))))
    return f"{value:{'+' if sign else ''}.{digits}f}"
