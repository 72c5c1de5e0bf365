"""Advice from what the reduction of a single run has found, and from the checks, asked of that run alone."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from generator.evidence import data_checks, physics_checks, rig_checks
from generator.evidence.bench_advice_records import Advice, AdviceSeverity, advice
from generator.evidence.channel_checks import channel_range
from generator.evidence.check_input import RESTS_ON, CheckInput, channel_words
from generator.evidence.data_checks import LEFT_OUT, NOT_REACHED
from generator.evidence.records import Check, ResponseSummary
from generator.evidence.wording import percent
from generator.reduction.records import Finding, RunReduction, Window

# What a repeat cures, of the findings that are only doubtful. The others follow from the plan, the rig or a part.
CURED = (
    "stuck", "clipped", "dropout", "no rest", "step missing", "speed missed", "cycles", "not settled", "braked",
    "one way", "load missing",
)  # fmt: skip
# Refused for what the plan asks of a set-up, not for how the run was made.
NOT_CURED = ("outside curve",)
MISSING = ("gap", "dropout")
TOLD_WHEN_NOTED = ("gap", "dropout", "spike", "unclear step", "cycles")
LOOK = "Look at the raw trace on the run's page; repeat the run if it cannot be explained."
REMEDIES = {
    "stuck": "See to the sensor, its plug and the logger, then repeat it.",
    "clipped": "Give the channel more range, then repeat it.",
    "gap": "See to the logger: its card, its buffer, its cable. Then repeat it.",
    "dropout": "See to the sensor, its plug and the logger, then repeat it.",
    "no rest": "Record some seconds at rest before and after, and repeat it.",
    "step missing": "Drive the steps as planned, and repeat it.",
    "unclear step": "Let each step stand as long as planned.",
    "speed missed": "Hold the speed longer, or find out what kept it away, and repeat it.",
    "not reached": "Repeat it as planned; if the set-up cannot get there, change the plan.",
    "not settled": "Let each step stand longer, and repeat it.",
    "cycles": "Drive as many cycles as planned, and repeat it.",
    "braked": "Let it run down without a brake, and repeat it.",
    "one way": "Go up and down again, and repeat it.",
    "ramp too fast": "Ramp more slowly.",
    "lag": "Use a faster sensor, or do not rest on these times.",
    "outside curve": "Plan conditions that the set-up reaches.",
    "propeller on": "Take the propeller off, and repeat it.",
    "load missing": "Put on every load that is planned, and repeat it.",
    "zero drift": "See to the load cell: warmth, creep, a cable that pulls. Let it rest, and repeat it.",
    "simulated calibration": "Make a calibration from a measured log.",
}
ZERO_REMEDY = REMEDIES["zero drift"]


def of_findings(run: RunReduction, given: CheckInput) -> Iterator[Advice]:
    """What the reduction found in one run, and why it was not used.

    A run that was left out by its tester is noted and nothing more. Where the whole run is refused, what led to it
    is in the reason and is not told twice.
    """
    if run.refused is not None and run.refused.startswith(LEFT_OUT):
        yield advice(run, "noted", "left out", _stop(run.refused), "Nothing need be done.", check="runs-used")
        return
    if run.refused is not None:
        refusing = [f for f in run.findings if f.grade == "refused"]
        kind = refusing[0].kind if refusing else "refused"
        remedy = REMEDIES.get(kind, "Read the reason, mend it, and repeat it.")
        yield advice(run, "repeat", kind, _stop(run.refused), remedy, check="runs-used")
    for finding in run.findings:
        if finding.grade == "refused" and run.refused is not None:
            continue
        if finding.kind == "zero drift" and data_checks.zero_drift(given):
            continue  # told by the check, against what rests on it
        severity = _severity(run, finding, given)
        if severity is None:
            continue
        cured = REMEDIES.get(finding.kind, LOOK)
        yield advice(
            run,
            severity,
            finding.kind,
            _stop(finding.sentence) + _lost(run, finding, severity),
            "Nothing need be done." if severity == "noted" else cured,
            check=_check_of(finding, given),
            channel=finding.channel,
        )


def _severity(run: RunReduction, finding: Finding, given: CheckInput) -> AdviceSeverity | None:
    if finding.grade == "refused":
        return "doubtful" if finding.kind in NOT_CURED else "repeat"
    if finding.kind in MISSING and _serves(run, finding):
        limit = given.thresholds.share("bench.window_missing_percent")
        if missing_share(run, finding) > limit:
            return "repeat"
    if finding.grade == "doubtful":
        return "repeat" if finding.kind in CURED else "doubtful"
    return "noted" if finding.kind in TOLD_WHEN_NOTED else None


def _serves(run: RunReduction, finding: Finding) -> bool:
    """Whether a response of the run rests on the channel; without a channel it is the time, on which all rest."""
    resting = RESTS_ON.get(finding.channel)
    return resting is None or any(response.response in resting for response in run.responses)


def missing_share(run: RunReduction, finding: Finding) -> float:
    """Largest share of an averaged window that a gap or a dropout takes away, 0 to 1.

    Several dropouts told as one count with the samples they lack, spread over their whole stretch.
    """
    if finding.start_s is None or finding.stop_s is None:
        return 0.0
    start, stop = finding.start_s, finding.stop_s
    thin = 1.0
    if finding.kind == "dropout" and run.sampling_hz and stop > start:
        thin = min(1.0, finding.count / run.sampling_hz / (stop - start))
    shares = (thin * _overlap(window, start, stop) for window in run.windows if window.kind == "averaged")
    return max(shares, default=0.0)


def _overlap(window: Window, start_s: float, stop_s: float) -> float:
    """Share of a window that a stretch covers."""
    length = window.stop_s - window.start_s
    covered = min(window.stop_s, stop_s) - max(window.start_s, start_s)
    return max(covered, 0.0) / length if length > 0.0 else 0.0


def _lost(run: RunReduction, finding: Finding, severity: str) -> str:
    share = missing_share(run, finding) if finding.kind in MISSING else 0.0
    return f" That is {percent(share)} of what is averaged." if share > 0.0 and severity == "repeat" else ""


def _check_of(finding: Finding, given: CheckInput) -> str:
    """Id of the check of the whole session that tells the same."""
    if finding.grade == "noted":
        return ""
    if finding.kind in NOT_REACHED:
        return "setpoints"
    words = channel_words(finding.channel).replace(" ", "-")
    if finding.kind == "clipped" and finding.channel in given.ranges():
        return f"range-{words}"
    return f"data-{words}" if finding.grade == "doubtful" else "setpoints"


# --- checks of one run --------------------------------------------------------------------------------------


def of_checks(run: RunReduction, given: CheckInput) -> Iterator[Advice]:
    """What the checks say of a run by itself; where they fail, the run is to be repeated once that is mended.

    given  with this run alone, and its summaries
    A sensor that is too slow stays too slow, so that is only doubtful however much it is.
    """
    cut = {f.channel for f in run.findings if f.kind == "clipped"}
    for check in data_checks.zero_drift(given):
        yield from _graded(run, check, ZERO_REMEDY)
    for check in rig_checks.supply_limit(given):
        yield from _graded(run, check, "Raise the supply's current limit, or take less out of it.")
    for check in rig_checks.supply_voltage(given):
        yield from _graded(run, check, "Set the supply again under load, and see to its limit and its leads.")
    for check in rig_checks.sampling(given):
        yield from _graded(run, check, "Log faster.")
    for check in rig_checks.sensor_lag(given):
        yield from _graded(
            run, check, "Use a faster sensor, or do not rest on these times.", fails="doubtful"
        )
    for check in channel_range(given):
        if not any(check.id == f"range-{channel_words(column).replace(' ', '-')}" for column in cut):
            yield from _graded(run, check, "Give the channel more range.")
    wrong = "Look for a wrong propeller, gain, unit, pole pairs or KV before you go on."
    for make in (
        physics_checks.shaft_below_electrical,
        physics_checks.figure_of_merit,
        physics_checks.speed_below_kv,
    ):
        for check in make(given):
            yield from _graded(run, check, wrong)


def _graded(
    run: RunReduction, check: Check, remedy: str, *, fails: AdviceSeverity = "repeat"
) -> Iterator[Advice]:
    if check.outcome == "passed":
        return
    severity: AdviceSeverity = fails if check.outcome == "failed" else "doubtful"
    again = " Then repeat it." if severity == "repeat" and "repeat it" not in remedy else ""
    sentence = check.sentence.replace(f", in {run.log}", "").replace(f" in {run.log}", "")
    yield advice(run, severity, check.id, sentence, remedy + again, check=check.id)


def only(given: CheckInput, *runs: RunReduction, summaries: tuple[ResponseSummary, ...]) -> CheckInput:
    """The same input with some of its runs; nothing is known of the rig's history, of balances or constants."""
    return replace(given, runs=runs, summaries=summaries, balances=None, constants=None, rig_history=None)


def _stop(sentence: str) -> str:
    return f"{sentence.rstrip('. ')}."
