"""Numbers, units and conditions as sentences and tables show them: digits follow the uncertainty."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence

from generator.reduction.records import At

THIN = "\u202f"  # narrow no-break space between thousands
NBSP = "\u00a0"  # between number and unit, so that a line never breaks there
MINUS = "\u2212"
# More digits than this are never shown, however small the uncertainty of simulated data may be.
MOST_DIGITS = 6
# So many conditions of one kind are named one by one.
NAMED_TOGETHER = 3
# Digits of a number whose uncertainty is not known. Our own choice.
DIGITS_WITHOUT_UNCERTAINTY = 4


def decimals_for(uncertainty: float, digits: int = 2, largest: float | None = None) -> int:
    """Decimal places that show an uncertainty with `digits` significant digits; negative for tens and more.

    uncertainty  standard uncertainty or half-width of an interval, any unit
    largest      size of the largest number to be shown: it gets at most MOST_DIGITS digits, and
                 DIGITS_WITHOUT_UNCERTAINTY where the uncertainty is zero or not finite
    Source  JCGM 100:2008 (GUM), 7.2.6: an uncertainty is given to at most two significant digits
    """
    places = None
    if uncertainty > 0.0 and math.isfinite(uncertainty):
        places = digits - 1 - math.floor(math.log10(uncertainty))
        # 0.0996 rounds up to 0.10: the digit gained by the carry is dropped again
        if round(uncertainty, places) >= 10.0 ** (digits - places):
            places -= 1
    if largest is None or largest == 0.0 or not math.isfinite(largest):
        return 2 if places is None else places
    head = math.floor(math.log10(abs(largest)))
    if places is None:
        return DIGITS_WITHOUT_UNCERTAINTY - 1 - head
    return min(places, MOST_DIGITS - 1 - head)


def number(value: float, decimals: int, *, signed: bool = False) -> str:
    """A number with thin spaces between thousands and a true minus; `signed` writes the plus too.

    What rounds to zero carries no sign. Raises ValueError for a value that is not finite.
    """
    if not math.isfinite(value):
        raise ValueError(f"a sentence cannot show {value}")
    rounded = round(value, decimals)
    text = f"{abs(rounded):,.{max(decimals, 0)}f}".replace(",", THIN)
    if rounded == 0.0:
        return text
    return (MINUS if rounded < 0.0 else "+" if signed else "") + text


def with_unit(text: str, unit: str) -> str:
    """A number's text with its unit; the unit 1 is not written."""
    return text if unit in ("", "1") else f"{text}{NBSP}{unit}"


def measured(value: float, unit: str, standard_uncertainty: float) -> str:
    """A value with its unit, its digits following its standard uncertainty."""
    return with_unit(number(value, decimals_for(standard_uncertainty, largest=value)), unit)


def plain(value: float, unit: str = "", digits: int = 4) -> str:
    """A number to so many significant digits, for figures that carry no uncertainty of their own."""
    if value == 0.0:
        return with_unit("0", unit)
    places = digits - 1 - math.floor(math.log10(abs(value)))
    text = number(value, places)
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    return with_unit(text, unit)


def difference_unit(unit: str) -> str:
    """Unit of a difference: a difference of two percentages is in percentage points."""
    return "percentage points" if unit == "%" else unit


def interval_text(low: float, high: float, unit: str) -> str:
    """An interval of a difference, such as `+1.2 to +5.0 W`; two digits of its half-width."""
    places = interval_decimals(low, high)
    ends = f"{number(low, places, signed=True)} to {number(high, places, signed=True)}"
    return with_unit(ends, difference_unit(unit))


def interval_words(
    low: float,
    high: float,
    unit: str,
    words: tuple[str, str],
    *,
    places: int | None = None,
    to: str = "to",
    named: str = "",
) -> str:
    """An interval whose side is a word, for sentences: `1.2 to 5.0 W more`, `1.5 W less to 0.9 W more`.

    words   what more and less are called, as `ResponseKind.words`
    places  decimal places; two significant digits of the half-width where None
    to      what stands between the ends
    named   the unit as it is written, where that is not the unit of a difference in `unit`
    """
    places = interval_decimals(low, high) if places is None else places
    named = named or difference_unit(unit)
    near, far = sorted((low, high), key=abs)
    if low * high >= 0.0 or round(near, places) == 0.0:
        ends = f"{number(abs(near), places)} {to} {number(abs(far), places)}"
        return f"{with_unit(ends, named)} {words[0] if far >= 0.0 else words[1]}"
    return (
        f"{with_unit(number(-low, places), named)} {words[1]} {to} "
        f"{with_unit(number(high, places), named)} {words[0]}"
    )


def interval_decimals(low: float, high: float) -> int:
    """Decimal places of a difference and its interval: two significant digits of the half-width."""
    return decimals_for((high - low) / 2.0, largest=max(abs(low), abs(high)))


def percent(share: float, interval: tuple[float, float] | None = None, *, signed: bool = False) -> str:
    """A share as a percentage: two significant digits, fewer where its interval bears fewer.

    From 1 % on there is one decimal at most, so that percentages of one list are alike.
    """
    # with an interval, its larger end tells the digits, so that the ends are written alike
    size = 100.0 * max(abs(share), *(abs(end) for end in interval or (0.0,)))
    head = math.floor(math.log10(size)) if size > 0.0 else 0
    places = 1 - head if interval is None else decimals_for(50.0 * (interval[1] - interval[0]))
    most = 1 if size >= 1.0 else 2
    return with_unit(number(100.0 * share, max(min(places, 2 - head, most), 0), signed=signed), "%")


def p_text(p: float) -> str:
    """A p-value: `p = 0.21`, and `p < 0.001` for all below."""
    return "p < 0.001" if p < 0.001 else f"p = {number(p, min(decimals_for(p), 3))}"


def written(text: str) -> str:
    """A quantity as the tester wrote it, kept together on one line, its unit as it is printed."""
    return unit_text(re.sub(r"\s+", NBSP, text.strip()))


def spaced(text: str) -> str:
    """A text with its speeds written as pages write them: `16000 rpm` as `16 000 rpm`, kept together."""
    return re.sub(r"(?<![\d.])(\d{4,6}) rpm\b", lambda m: with_unit(number(int(m[1]), 0), "rpm"), text)


def unit_text(unit: str) -> str:
    """A unit as it is printed: `m/s^2` of a file is `m/s²`, `degC` is `°C`, `mohm` is `mΩ`."""
    unit = unit.replace("^2", "²").replace("^3", "³")
    return re.sub(r"(?<![A-Za-z])([mk]?)ohms?\b", r"\1Ω", re.sub(r"\bdeg([CF])\b", r"°\1", unit))


# --- conditions ---------------------------------------------------------------------------------------------

_CONDITIONS = {
    "speed_rpm": (f"at {{}}{NBSP}rpm", "rpm"),
    "thrust_gf": (f"at {{}}{NBSP}gf thrust", "gf"),
    "throttle_percent": (f"at {{}}{NBSP}% throttle", "percent"),
}


def at_words(at: At) -> str:
    """A condition in words: `at 16 000 rpm`, `at 250 gf thrust`, `at 60 % throttle`; empty where there is none."""
    parts = []
    for name, value in at:
        template = _CONDITIONS[name][0] if name in _CONDITIONS else f"at {name.replace('_', ' ')} {{}}"
        parts.append(template.format(plain(value, digits=MOST_DIGITS)))
    return " and ".join(parts)


def places_words(places: Sequence[At]) -> str:
    """Several conditions in words: `at 9 000 and 16 000 rpm`, `at 200 gf thrust and at 9 000 rpm`; "" for none.

    More than `NAMED_TOGETHER` of one kind are told by their ends.
    """
    told: list[str] = []
    alike: dict[str, list[float]] = {}
    for at in dict.fromkeys(places):
        if len(at) == 1 and at[0][0] in _CONDITIONS:
            alike.setdefault(at[0][0], []).append(at[0][1])
        elif at:
            told.append(at_words(at))
    for name, values in alike.items():
        shown = [plain(value, digits=MOST_DIGITS) for value in sorted(values)]
        many = len(shown) > NAMED_TOGETHER
        text = f"{shown[0]} to {shown[-1]}" if many else listed(shown)
        told.append(_CONDITIONS[name][0].format(text) + (f" ({len(shown)} conditions)" if many else ""))
    return listed(told)


def at_key(at: At) -> str:
    """A condition as part of an id: `16000rpm`, `250gf`, `60percent`; empty where there is none."""
    return "-".join(f"{value:.6g}{_CONDITIONS.get(name, ('', name))[1]}" for name, value in at)


def response_key(response: str, at: At, treatment: str) -> str:
    """Stable id of a response of a treatment, such as `electrical_power-16000rpm-four-cell`."""
    return "-".join(part for part in (response, at_key(at), treatment) if part)


# --- words --------------------------------------------------------------------------------------------------


def listed(items: Sequence[str]) -> str:
    """Items as a sentence lists them: `a`, `a and b`, `a, b and c`."""
    if len(items) < 2:
        return "".join(items)
    return f"{', '.join(items[:-1])} and {items[-1]}"


def counted(count: int, noun: str, plural: str | None = None) -> str:
    """A count with its noun: `1 run`, `4 runs`."""
    return f"{count} {noun if count == 1 else plural or noun + 's'}"


def either_way(more: str, less: str) -> str:
    """Both clauses of a kind in one, without amount: `draws more or less power`, `runs hotter or cooler`."""
    up, down = without_amount(more).split(), without_amount(less).split()
    if len(up) == len(down) and sum(a != b for a, b in zip(up, down, strict=True)) == 1:
        return " ".join(a if a == b else f"{a} or {b}" for a, b in zip(up, down, strict=True))
    return f"{' '.join(up)} or {' '.join(down)}"


def without_amount(clause: str) -> str:
    """A clause of a kind with its {amount} left out: `draws more electrical power`."""
    return re.sub(r"\s+", " ", clause.replace("{amount}", "")).strip()


def same_as(clause: str, label: str) -> str:
    """A clause without a difference, against a label: `draws the same power as 4S`, `runs as hot as 4S`."""
    clause = re.sub(r"\bequally (\w+)$", r"as \1", clause)
    clause = re.sub(r"\bequally$", "as much", clause)
    return f"{clause} as {label}"


def sentence_case(text: str) -> str:
    """First letter large, the rest as it is."""
    return text[:1].upper() + text[1:]
