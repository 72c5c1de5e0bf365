"""Checks of the rig's own health: its check standard's control chart, and calibrations that are due."""

from __future__ import annotations

from generator.evidence.check_input import POWER_RESPONSES, RESTS_ON, THRUST_RESPONSES, CheckInput
from generator.evidence.records import Check
from generator.evidence.rig_history import Chart, ChartPoint
from generator.evidence.wording import at_words, listed, number, percent
from generator.intake.calibrations import due_date
from generator.intake.rig import CHANNEL_KINDS

# What rests on a charted response.
WEAKENED = {
    "thrust": (*THRUST_RESPONSES, "figure_of_merit"),
    "torque": RESTS_ON["torque_nm"],
    "electrical_power": ("voltage", "current", "peak_current", *POWER_RESPONSES),
}


def rig_in_control(given: CheckInput) -> tuple[Check, ...]:
    """The rig reads its check standard as it did: by the newest check-standard runs that are not after the session.

    Nothing is listed while the baseline is gathered: there is nothing to judge by.
    """
    history = given.rig_history
    if history is None:
        return ()
    judged = [(chart, point) for chart, point in history.latest(given.session) if point.state != "baseline"]
    if not judged:
        return ()
    off = [(chart, point) for chart, point in judged if point.state == "out of control"]
    sentence = (
        " ".join(_signal(chart, point, given) for chart, point in off)
        if off
        else "The check standard reads within the limits that earlier sessions on this rig set."
    )
    resting = dict.fromkeys(name for chart, _ in off for name in WEAKENED[chart.response])
    return (
        Check(
            id="rig-in-control",
            title="The rig reads its check standard as before",
            outcome="warned" if off else "passed",
            sentence=sentence,
            threshold=f"a steady rig leaves its limits in at most {percent(history.rules.false_alarm)} of the sessions",
            reason="The same set-up is measured in every session. Where it reads otherwise than before, the rig has "
            "moved. A gain that moved alike for all treatments leaves shares between them, but not values.",
            source="NIST/SEMATECH e-Handbook 2.2.2, 6.3.2.4; limits by Student's t from the baseline sessions",
            weakens=given.present(tuple(resting), given.used) if resting else (),
        ),
    )


def _signal(chart: Chart, point: ChartPoint, given: CheckInput) -> str:
    """What a chart shows at a point out of control."""
    if point.limits is None or point.average is None or point.average_limits is None:
        raise ValueError("a point of the baseline is not out of control")
    low, high = point.limits
    alone = not low <= point.value <= high
    value, (low, high) = (point.value, point.limits) if alone else (point.average, point.average_limits)
    centre = 0.5 * (low + high)
    what = "taken by itself" if alone else "as a moving average over the sessions"
    away = f"{percent(abs(value / centre - 1.0))} {'above' if value > centre else 'below'}"
    when = "" if point.session == given.session.id else f" on {point.date}, and has not been seen back since"
    name = f"{chart.response.replace('_', ' ')} {at_words(chart.at)}".rstrip()
    digits = max(0, 4 - len(str(int(abs(centre)))))
    return (
        f"The {name} of the check standard is {away} its baseline {what}{when}: {number(value, digits)} {chart.unit}, "
        f"limits {number(low, digits)} to {number(high, digits)} {chart.unit}."
    )


def calibration_due(given: CheckInput) -> tuple[Check, ...]:
    """No channel with a stated `calibration_interval` was due for calibration before the session."""
    recorded = {str(column) for run in given.used for column in run.trace.columns}
    stated, late = [], []
    for name, channel in given.session.rig.channels.present().items():
        due = due_date(channel, channel.calibrated)
        if due is None or CHANNEL_KINDS[name][1] not in recorded:
            continue
        stated.append((due, name))
        if given.session.file.date > due:
            late.append((due, name))
    if not stated:
        return ()
    if late:
        told = listed([f"{name.replace('_', ' ')} on {due}" for due, name in sorted(late)])
        sentence = f"Calibration was due before the session: {told}."
    else:
        due, name = min(stated)
        sentence = (
            f"The next calibration due after the session is that of the {name.replace('_', ' ')}, {due}."
        )
    resting: dict[str, None] = {}
    for _, name in late:
        resting |= dict.fromkeys(given.present(RESTS_ON.get(CHANNEL_KINDS[name][1]), given.used))
    return (
        Check(
            id="calibration-due",
            title="No calibration overdue",
            outcome="warned" if late else "passed",
            sentence=sentence,
            threshold="the rig's own `calibration_interval`",
            reason="The owner of the rig says how long its calibrations hold; after that nothing vouches for them.",
            source="stated in the rig's file",
            weakens=tuple(resting),
        ),
    )
