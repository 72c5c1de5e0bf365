"""A difference between two `results.json` in words: both values, with the digits that tell them apart."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from generator.evidence.results_comparison import Change, is_number
from generator.evidence.wording import number, plain, with_unit

LONGEST = 1000  # characters of a text that is shown


def shown(value: Any, unit: str = "") -> str:
    """A value of a document in words; "none" for None."""
    if value is None:
        return "none"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if is_number(value):
        return plain(value, unit, 6)
    if isinstance(value, Mapping):
        return "an entry"
    if isinstance(value, Sequence) and not isinstance(value, str):
        return "[" + ", ".join(shown(item) for item in value) + "]"
    text = str(value)
    return text if len(text) <= LONGEST else f"{text[: LONGEST - 1]}…"


def shown_apart(first: Any, second: Any, unit: str = "", *, signed: bool = False) -> tuple[str, str]:
    """Two values in words. Numbers get as many decimal places as tell them apart, both the same.

    signed  whether a plus is written
    """
    if not (is_number(first) and is_number(second)):
        return shown(first, unit), shown(second, unit)
    places = digits_apart(first, second) - 1 - math.floor(math.log10(max(abs(first), abs(second)) or 1.0))
    one, other = (with_unit(number(value, places, signed=signed), unit) for value in (first, second))
    return one, other


def digits_apart(first: float, second: float, least: int = 4) -> int:
    """Significant digits of the larger number from which the two read differently: from `least` to ten."""
    head = math.floor(math.log10(max(abs(first), abs(second)) or 1.0))
    return next(
        (d for d in range(least, 10) if round(first, d - 1 - head) != round(second, d - 1 - head)), 10
    )


def sentence(change: Change) -> str:
    """`cells: contrasts: thrust of b against a at 9 000 rpm, difference: stored 4.2 gf, computed now 4.3 gf.`"""
    place = f"{change.session}: {change.place}"
    if change.kind == "gone":
        what = "the whole entry" if not change.field else shown(change.before, change.unit)
        return f"{place}: stored {what}; computed now: nothing."
    if change.kind == "new":
        what = "an entry" if not change.field else shown(change.after, change.unit)
        return f"{place}: stored nothing; computed now: {what}."
    before, after = shown_apart(change.before, change.after, change.unit)
    if change.kind == "words":
        return f"{place}: stored “{before}”; computed now “{after}”."
    return f"{place}: stored {before}; computed now {after}."
