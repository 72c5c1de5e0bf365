"""What an uncertainty budget says in words: which source dominates, and what to do about it first."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from generator.evidence.records import BudgetRow
from generator.evidence.wording import percent, sentence_case


@dataclass(frozen=True, slots=True, kw_only=True)
class Advice:
    """A source of uncertainty as a sentence names it, and what lessens it, as a clause in the imperative."""

    what: str
    do: str


def _always(what: str, do: str) -> Callable[[re.Match[str]], Advice]:
    return lambda _: Advice(what=what, do=do)


def _with_name(what: str, do: str) -> Callable[[re.Match[str]], Advice]:
    """Advice in whose words {0}, {1} are the groups of the pattern."""
    return lambda match: Advice(what=what.format(*match.groups()), do=do.format(*match.groups()))


# Pattern of a source's whole name -> advice. The first that fits counts. A test holds that every source that
# `reduction` and `evidence` can name is here.
_RULES: tuple[tuple[str, Callable[[re.Match[str]], Advice]], ...] = (
    (
        r"scatter between runs",
        _always("the scatter between runs", "make more repeats; four times as many halve it"),
    ),
    (
        r"scatter(?: within the run)?",
        _always(
            "the scatter within the run", "average over a longer window, and repeat the run: one run does not "
            "tell how runs differ",
        ),
    ),
    (
        r"scatter of the check standard",
        _always("the scatter that the check standard shows", "make more repeats of each treatment"),
    ),
    (
        r"time gain|time calibration age",
        _always("the clock of the logger", "compare the logger's clock with a better one over an hour"),
    ),
    (
        r"(.+) logger clock",
        _with_name(
            "how well the clock of the {0} logger is known",
            "state the offset of its clock from a common mark, such as a switch that both loggers record",
        ),
    ),
    (r"(.+) gain", _with_name("the gain of the {0}", "calibrate the {0} channel")),
    (
        r"(.+) offset",
        _with_name("the offset of the {0}", "compare the {0} channel with a known value near the reading"),
    ),
    (
        r"(.+) calibration age",
        _with_name(
            "the age of the {0} calibration", "calibrate the {0} channel again shortly before the next session"
        ),
    ),
    (
        r"(.+) calibration residual",
        _with_name(
            "what the calibration of the {0} left over",
            "calibrate the {0} channel with more loads near the reading, and look for friction in the stand",
        ),
    ),
    (
        r"(.+) lag",
        _with_name(
            "the lag of the {0}",
            "use a faster {0} sensor or a shorter filter, or wait until the reading stands still",
        ),
    ),
    (
        r"(.+) zero drift",
        _with_name(
            "the drift of the {0} zero", "let the rig warm up first and keep the runs short between their rests"
        ),
    ),
    (
        r"zero drift",
        _always("the drift of the zeros", "let the rig warm up first and keep the runs short between their rests"),
    ),
    (r"zero noise", _always("the noise of the zeros", "rest longer before and after each run")),
    (
        r"resolution",
        _always("the resolution of the readings", "let the logger write more digits, or choose a finer range"),
    ),
    (
        r"wiring resistance",
        _always(
            "the resistance of the wiring", "measure it with four wires, or tap the voltage at the controller"
        ),
    ),
    (
        r"air temperature",
        _always(
            "the air temperature stated for the session", "log the air temperature beside the motor in every run"
        ),
    ),
    (
        r"air density",
        _always("the density of the air", "measure temperature, pressure and humidity at the bench more closely"),
    ),
    (
        r"setpoint miss(?: \((.+)\))?",
        _always("the correction to the setpoint", "hold the speed closer to the setpoint"),
    ),
    (
        r"sampling",
        _always("the instants between samples", "sample faster, and run more cycles"),
    ),
    (r"interpolation", _always("the straight lines between samples", "sample faster")),
    (
        r"state levels",
        _always("levels that were not reached", "dwell longer at each level, until the speed stands still"),
    ),
    (
        r"(.+) noise",
        _with_name("the noise of the {0}", "read the {0} with a quieter sensor, or filter it less coarsely than "
                   "the step needs"),
    ),
    (
        r"hysteresis",
        _always("the gap between the way up and the way down", "hold each step longer before it is averaged"),
    ),
    (
        r"thermal fit",
        _always("the fit of the heating", "soak for longer, until the temperature hardly climbs any more"),
    ),
    (
        r"winding temperature",
        _always("the temperature of the winding", "measure the motor's temperature, as close to the winding as can be"),
    ),
    (
        r"bridge loss",
        _always("what switching takes in the controller", "add a step at full output, where nothing switches"),
    ),
    (
        r"throttle as duty",
        _always("how well the throttle is the duty", "add a step at full output, where the duty is one"),
    ),
    (
        r"model misfit",
        _always("what the model of the motor leaves out", "take the constants from fewer and closer speeds"),
    ),
    (
        r"(.+) of (?:the free run of )?(\S+)",
        _with_name("the {0} of {1}, as its part file states it", "measure the {0} of this very part"),
    ),
)  # fmt: skip


def advice(source: str) -> Advice:
    """A source of the budget in words, with what lessens it.

    Raises  KeyError for a source that has none
    """
    for pattern, make in _RULES:
        match = re.fullmatch(pattern, source)
        if match is not None:
            return make(match)
    raise KeyError(f"no advice for the source '{source}'")


def dominating(budget: Sequence[BudgetRow]) -> BudgetRow | None:
    """The row with the largest share of a budget; None where there is no uncertainty at all."""
    rows = [row for row in budget if row.share > 0.0]
    return max(rows, key=lambda row: (row.share, row.source), default=None)


def improve_first(budget: Sequence[BudgetRow]) -> str:
    """One sentence: which source dominates the uncertainty, its share, and what to do about it first.

    budget  of a mean or of a difference

    The share is of the variance, as in the budget's table. Of a source that all runs of the session share it says
    that repeats do not lessen it.
    """
    row = dominating(budget)
    if row is None:
        return "The budget names no uncertainty, so nothing can be said to come first."
    told = advice(row.source)
    start = f"{sentence_case(told.what)} dominates the uncertainty"
    if row.share < 0.5:
        start = f"{sentence_case(told.what)} is the largest part of the uncertainty"
    same = "; it is the same in every run of the session, so repeats do not lessen it" if row.shared else ""
    return f"{start}, with {percent(row.share)} of the variance: {told.do}{same}."
