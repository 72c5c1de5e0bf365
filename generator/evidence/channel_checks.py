"""Checks of single channels of the rig: room within their range, and the age of their calibrations."""

from __future__ import annotations

import math

from generator.evidence.check_input import (
    RESTS_ON,
    CheckInput,
    channel_words,
    graded,
    run_ids,
    sustained_ends,
    treatments_of,
    worst,
)
from generator.evidence.records import Check
from generator.evidence.wording import counted, listed, percent, plain, sentence_case
from generator.intake.rig import CHANNEL_KINDS
from generator.reduction.records import RunReduction

NOT_CALIBRATED = ("time", "throttle")  # a clock and a command have no calibration to speak of


def channel_range(given: CheckInput) -> tuple[Check, ...]:
    """No channel comes near the end of its stated range, and none is cut off there.

    One check for each channel that does, or one passed check for all. Near warns; readings cut off fail.
    """
    key = "checks.range_used_percent"
    limit = given.thresholds.share(key)
    used: list[tuple[float, float, float, str]] = []  # share, reading, end of the range, column
    made = []
    for column, ends in given.ranges().items():
        reached = [
            (*found, run)
            for run in given.used
            for found in [_fullest(run, column, ends)]
            if found is not None
        ]
        if not reached:
            continue
        share, reading, end, run = max(reached, key=lambda item: item[0])
        cut = [(r, f) for r in given.used for f in r.findings if f.kind == "clipped" and f.channel == column]
        if share <= limit and not cut:
            used.append((share, reading, end, column))
            continue
        off = list(
            {
                r.run_id: r for r in [*(r for s, _, _, r in reached if s > limit), *(r for r, _ in cut)]
            }.values()
        )
        words = channel_words(column)
        sentence = (
            f"The {words} reads up to {_reading(column, reading)} in {run.log}, {percent(share)} of its range to "
            f"{_reading(column, end)}."
        )
        if cut:
            runs = counted(len({r.run_id for r, _ in cut}), "run")
            sentence += f" In {runs} it is cut off: {cut[0][1].sentence.split(';')[0].rstrip('.')}."
        made.append(
            Check(
                id=f"range-{words.replace(' ', '-')}",
                title=f"{sentence_case(words)} within its range",
                outcome="failed" if cut else "warned",
                sentence=sentence,
                threshold=given.thresholds.text(key),
                reason="What lies beyond a channel's range is lost, and a mean of cut-off readings is too small.",
                source=given.thresholds.source(key),
                treatments=treatments_of(off),
                runs=run_ids(off),
                weakens=given.present(RESTS_ON.get(column), off),
            )
        )
    if made or not used:
        return tuple(made)
    share, reading, end, column = max(used)
    return (
        Check(
            id="channel-range",
            title="Channels within their range",
            outcome="passed",
            sentence=f"The fullest channel is {channel_words(column)}: {_reading(column, reading)}, {percent(share)} "
            f"of its range to {_reading(column, end)}.",
            threshold=given.thresholds.text(key),
            reason="What lies beyond a channel's range is lost, and a mean of cut-off readings is too small.",
            source=given.thresholds.source(key),
        ),
    )


def _fullest(
    run: RunReduction, column: str, ends: tuple[float | None, float | None]
) -> tuple[float, float, float] | None:
    """(share of the range used, reading, end of the range) at the fuller end; None if nothing was measured.

    A share counts from zero where the range holds it, else (temperatures) from the other end. A lower end of
    zero is where a channel rests.
    """
    low, high = ends
    lowest, highest = sustained_ends(run.trace, column) or (None, None)
    if column == "current_a":
        peaks = [r.value for r in run.responses if r.response == "peak_current" and math.isfinite(r.value)]
        highest = max([*peaks, *([] if highest is None else [highest])], default=None)
    found: list[tuple[float, float, float]] = []
    above_zero = low is not None and low > 0.0
    if high is not None and highest is not None and high > 0.0:
        start = low if above_zero and low is not None else 0.0
        found.append(((highest - start) / (high - start), highest, high))
    if low is not None and lowest is not None and low != 0.0 and (high is not None or not above_zero):
        start = high if above_zero and high is not None else 0.0
        found.append(((lowest - start) / (low - start), lowest, low))
    return max(found, default=None)


def _reading(column: str, value: float) -> str:
    """A house value as a page shows it."""
    kind = next(kind for kind, house in CHANNEL_KINDS.values() if house == column)
    match kind:
        case "temperature":
            return plain(value - 273.15, "°C", digits=3)
        case "force":
            return plain(value / 9.80665e-3, "gf")  # standard gravity, 3rd CGPM (1901)
        case "ratio":
            return plain(100.0 * value, "%", digits=3)
    units = {"speed": "rpm", "torque": "N·m", "voltage": "V", "current": "A", "sound_level": "dB",
             "acceleration": "m/s²"}  # fmt: skip
    return plain(value, units.get(kind, ""))


def calibration_age(given: CheckInput) -> tuple[Check, ...]:
    """Calibrations are not too old, and not made after the session.

    Channels without a date are told and weaken nothing: their owner may know why. A channel whose largest drift
    a year is stated has its age in its uncertainty; it is told and weakens nothing either.
    """
    key = "checks.calibration_age_d"
    limit = given.thresholds.value(key)
    recorded = {str(column) for run in given.used for column in run.trace.columns}
    day = given.session.file.date
    ages: list[tuple[float, str]] = []  # days, channel; negative for one made after the session
    budgeted, undated = [], []
    for name, channel in given.session.rig.channels.present().items():
        if name in NOT_CALIBRATED or CHANNEL_KINDS[name][1] not in recorded:
            continue
        words = name.replace("_", " ")
        if channel.calibrated is None:
            undated.append(words)
            continue
        age = float((day - channel.calibrated).days)
        if age >= 0.0 and channel.calibration_interval_s is not None:
            continue  # its owner says how long it holds: `calibration_due` judges it
        if channel.gain_drift > 0.0 and age > limit:
            budgeted.append(words)
        else:
            ages.append((age, name))
    if not (ages or budgeted or undated):
        return ()
    outcomes = {name: graded(age, limit, 3.0 * limit) if age >= 0.0 else "warned" for age, name in ages}
    off = [name for name, outcome in outcomes.items() if outcome != "passed"]
    sentences = [_calibrated(given, age, name) for age, name in sorted(ages, reverse=True) if name in off]
    if ages and not off:
        oldest, name = max(ages)
        sentences.append(
            f"The oldest calibration is that of the {name.replace('_', ' ')}, {_days(oldest)} before the session."
        )
    if budgeted:
        sentences.append(f"Older, with the drift since then in the uncertainty: {listed(budgeted)}.")
    if undated:
        sentences.append(f"No date of calibration is stated for {listed(undated)}.")
    if not (ages or budgeted):
        return (
            Check(
                id="calibration-date",
                title="Dates of calibration are stated",
                outcome="warned",
                sentence=f"Not checked how old the calibrations are: {' '.join(sentences)}",
                threshold=given.thresholds.text(key),
                reason="Nothing tells how old a calibration without a date is.",
                source=given.thresholds.source(key),
                weakens=(),
            ),
        )
    resting: dict[str, None] = {}
    for name in off:
        resting |= dict.fromkeys(given.present(RESTS_ON.get(CHANNEL_KINDS[name][1]), given.used))
    return (
        Check(
            id="calibration-age",
            title="Calibrations are recent",
            outcome=worst(list(outcomes.values())),
            sentence=" ".join(sentences),
            threshold=f"{given.thresholds.text(key)}, and before the session",
            reason="Gains drift with age. A calibration after the session may have followed an adjustment, so it says "
            "nothing of the session.",
            source=given.thresholds.source(key),
            weakens=tuple(resting),
        ),
    )


def _calibrated(given: CheckInput, age: float, name: str) -> str:
    words = name.replace("_", " ")
    channel = given.session.rig.channels.present()[name]
    when = f"{_days(abs(age))} {'before' if age >= 0.0 else 'after'} the session ({channel.calibrated})"
    return f"The {words} was calibrated {when}."


def _days(days: float) -> str:
    return counted(round(days), "day")
