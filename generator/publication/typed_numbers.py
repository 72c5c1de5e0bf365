"""Numbers with a unit that a conclusion types and no result carries."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from generator.intake.problems import Problem

# as typed -> published unit, and how many of those one is
UNITS: Mapping[str, tuple[str, float]] = {
    "gf/W": ("gf/W", 1.0), "g/W": ("gf/W", 1.0), "N/W": ("gf/W", 1.0 / 9.80665e-3),
    "gf": ("gf", 1.0), "g": ("gf", 1.0), "kgf": ("gf", 1e3), "kg": ("gf", 1e3), "N": ("gf", 1.0 / 9.80665e-3),
    "N·m": ("N·m", 1.0), "Nm": ("N·m", 1.0), "mNm": ("N·m", 1e-3), "mN·m": ("N·m", 1e-3),
    "rpm": ("rpm", 1.0), "rpm/V": ("rpm/V", 1.0),
    "W": ("W", 1.0), "kW": ("W", 1e3), "watts": ("W", 1.0), "watt": ("W", 1.0),
    "ms": ("ms", 1.0), "milliseconds": ("ms", 1.0), "s": ("ms", 1e3), "seconds": ("ms", 1e3),
    "min": ("min", 1.0), "minutes": ("min", 1.0), "minute": ("min", 1.0),
    "°C": ("°C", 1.0), "degC": ("°C", 1.0), "degrees": ("°C", 1.0), "K": ("K", 1.0),
    "V": ("V", 1.0), "volts": ("V", 1.0), "mV": ("V", 1e-3),
    "A": ("A", 1.0), "amps": ("A", 1.0), "amperes": ("A", 1.0), "mA": ("A", 1e-3),
    "dB": ("dB", 1.0), "%": ("%", 1.0), "percent": ("%", 1.0), "per cent": ("%", 1.0),
    "mΩ": ("mΩ", 1.0), "mohm": ("mΩ", 1.0), "mAh": ("mAh", 1.0), "Ah": ("mAh", 1e3), "Wh": ("Wh", 1.0),
}  # fmt: skip
# Units of one quantity that a person may mix; published ones come out of the results in any of them.
SAME: Mapping[str, tuple[str, ...]] = {
    "°C": ("°C", "K"),
    "K": ("K", "°C"),
    "ms": ("ms", "s"),
    "min": ("min",),
}
ENDINGS = {
    "rpm": "rpm", "gf": "gf", "percent": "%", "w": "W", "ms": "ms", "s": "s", "minutes": "min", "min": "min",
    "c": "°C", "k": "K", "v": "V", "a": "A", "db": "dB", "share": "share", "wh": "Wh", "mah": "mAh",
}  # fmt: skip
SHARES = ("relative", "relative_interval", "level")
_NUMBER = r"\d{1,3}(?:[ \u00a0\u202f,]\d{3})+(?:\.\d+)?|\d+(?:\.\d+)?"
_NAMES = "|".join(sorted(map(re.escape, UNITS), key=len, reverse=True))
QUANTITY = re.compile(rf"(?<![\w.,\-/#])(?P<number>{_NUMBER})[ \u00a0]?(?P<unit>{_NAMES})(?![\w/·°])")
# what is no prose of the author, or takes its numbers from the results; bounded, since of many that never close each
# would be sought to the end of the text
_PASSED_OVER = re.compile(
    r"\{\{.{0,1000}?\}\}|<!--.{0,3000}?-->|```.{0,5000}?```|`[^`\n]*`|\]\([^)\n]{0,1000}\)|https?://\S+",
    re.DOTALL,
)


def typed_numbers(
    source: str, file: str, results: Mapping[str, Any], stated: Iterable[str]
) -> tuple[Problem, ...]:
    """Every number with a unit in a conclusion that neither a result nor an input carries, as a doubtful problem.

    source   the Markdown
    file     as the user would type it
    results  the session's `results.json`
    stated   texts of the input files: what they state may be repeated
    A number is carried if a value, rounded to as many decimals, is that number; signs do not count.
    """
    prose = _PASSED_OVER.sub(lambda found: re.sub(r"[^\n]", " ", found.group()), source)
    carried: dict[str, set[float]] = {}
    for unit, value in (*_numbers(results), *_stated(stated)):
        carried.setdefault(unit, set()).add(abs(value))
    problems = []
    for found in QUANTITY.finditer(prose):
        plural = found.group().endswith(f"{found.group('number')}s")  # the 9000s
        if not plural and not _is_carried(found, carried):
            problems.append(
                Problem(
                    file=file,
                    line=prose.count("\n", 0, found.start()) + 1,
                    what=f"'{found.group()}' is typed, and no result carries it.",
                    remedy="Take it from the results by a function in double braces, or leave the number out.",
                    severity="warning",
                )
            )
    return tuple(problems)


def _value(found: re.Match[str]) -> tuple[float, int]:
    """The number typed, and its decimals."""
    text = re.sub(r"[ \u00a0\u202f,]", "", found.group("number"))
    return float(text), len(text.partition(".")[2])


def _is_carried(found: re.Match[str], carried: Mapping[str, set[float]]) -> bool:
    value, decimals = _value(found)
    unit, factor = UNITS[found.group("unit")]
    half = 0.5 * 10.0**-decimals * factor * (1.0 + 1e-9)
    wanted = value * factor
    units = SAME.get(unit, (unit,))
    return any(
        abs(one * (1e3 if other == "s" else 1.0) - wanted) <= half
        for other in units
        for one in carried.get(other, ())
    )


def _stated(texts: Iterable[str]) -> Iterator[tuple[str, float]]:
    for text in texts:
        for found in QUANTITY.finditer(text):
            unit, factor = UNITS[found.group("unit")]
            yield unit, _value(found)[0] * factor


def _numbers(found: Any, unit: str = "", key: str = "") -> Iterator[tuple[str, float]]:
    """(unit, value) of every number of a document: its unit stands beside it, or at the end of its key."""
    if isinstance(found, Mapping):
        own = found.get("unit")
        beside = own if isinstance(own, str) else unit
        for name, inside in found.items():
            yield from _numbers(inside, beside, str(name))
    elif isinstance(found, list):
        for inside in found:
            yield from _numbers(inside, unit, key)
    elif isinstance(found, (int, float)) and not isinstance(found, bool) and math.isfinite(found):
        ending = ENDINGS.get(key.rsplit("_", 1)[-1], "") if "_" in key else ENDINGS.get(key, "")
        if key in SHARES or ending == "share":
            yield "%", 100.0 * found
        else:
            yield ending or unit, float(found)
