"""What a check that did not pass says went wrong, in a few words: the name of a check says what should be so."""

from __future__ import annotations

import re
from collections.abc import Mapping

from generator.evidence.records import Check
from generator.evidence.wording import NBSP

# Beginning of a check's id -> what went wrong. {away} is how far off the check's own sentence says it is.
WRONG: Mapping[str, str] = {
    "same-thrust": "the thrust differs{by} at the same speed with the same propeller",
    "rig-in-control": "the rig reads its check standard{away} its baseline; doubt the amounts more than the "
    "percentages",
    "calibration-due": "a calibration was overdue",
    "calibration-date": "no date of calibration is stated",
    "calibration-age": "a calibration is old",
    "range-": "a channel was read at the end of its range",
    "channel-range": "a channel was read at the end of its range",
    "zero-drift": "a zero drifted",
    "data-": "the log has gaps, spikes or stuck readings",
    "runs-used": "some runs are not used",
    "setpoints": "a setpoint was not reached",
    "start-temperature": "the runs began at different temperatures",
    "repeats": "there is one run on a side only",
    "equal-repeats": "the treatments have unequally many runs",
    "run-order": "the treatments did not take turns",
    "warm-up-": "the results drift with the order of the runs",
    "thrust-coefficient-as-stated": "the thrust coefficient lies{away} the stated one",
    "power-coefficient-as-stated": "the power coefficient lies{away} the stated one",
    "kv-as-stated": "KV lies{away} the stated one",
    "thrust-exponent": "the thrust does not go with the square of the speed",
    "shaft-power-exponent": "the shaft power does not go with the cube of the speed",
    "electrical-power-exponent": "the electrical power does not follow the speed as it should",
    "shaft-below-electrical": "more shaft power than electrical power was read",
    "figure-of-merit": "a figure of merit above 1 was found",
    "speed-below-kv": "the speed lies above KV times voltage",
    "top-speed-": "the top speeds under the cap differ",
    "supply-limit": "the supply came near its current limit",
    "supply-voltage": "the voltage of the supply did not hold",
    "sampling-interval": "sampling is too slow for the spin-up",
    "speed-lag": "the speed sensor is too slow for the spin-up",
    "current-lag": "the current sensor is too slow for the spin-up",
    "energy-": "the losses add up to more than the electrical power",
}


def went_wrong(check: Check) -> str:
    """What went wrong, as a clause without a full stop: `the rig reads its check standard 3.9 % below its baseline`.

    The check's own sentence where its id is not known here.
    """
    known = known_wrong(check)
    if not known:
        first = check.sentence.partition(". ")[0].rstrip(".")
        return first[:1].lower() + first[1:] if first[1:2].islower() else first or check.title
    return known


def name_of(check: Check) -> str:
    """The check's name inside a sentence: `same thrust at the same speed`, `KV as stated`."""
    title = check.title
    return title[:1].lower() + title[1:] if title[1:2].islower() else title


def known_wrong(check: Check) -> str:
    """The same where the check's id is known here; "" where it is not, or the check passed."""
    known = next((text for begins, text in WRONG.items() if check.id.startswith(begins)), "")
    if not known or check.outcome == "passed":
        return ""
    far = re.search(rf"(\d[\d.]*{NBSP}%) (above|below)", check.sentence)
    gap = re.search(rf"[+\u2212](\d[\d.]*{NBSP}%) of", check.sentence)
    return known.format(
        away=f" {far[1]} {far[2]}" if far else " away from", by=f" by {gap[1]}" if gap else ""
    )
