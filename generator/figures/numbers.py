"""How figures write numbers: as many digits as the uncertainty bears, a true minus, narrow spaces in thousands."""

from __future__ import annotations

import math

from generator.reduction.records import At

NARROW_SPACE = "\u202f"  # narrow no-break space
UNIT_SPACE = "\u00a0"  # no-break space
MINUS = "\u2212"

_CONDITION_UNITS = {"speed_rpm": "rpm", "thrust_gf": "gf", "throttle_percent": "% throttle"}


def decimals_for(uncertainty: float, digits: int = 2) -> int:
    """Decimal places that leave `digits` significant digits of an uncertainty; 0 to 6.

    uncertainty  in the unit of the value; where it is zero or not finite, 2 places
    Source       JCGM 100 (GUM) 7.2.6: uncertainties to at most two significant digits, values to match
    """
    if not (math.isfinite(uncertainty) and uncertainty > 0):
        return 2
    places = digits - 1 - math.floor(math.log10(uncertainty))
    # 0.996 to two digits is 1.0, one place fewer than 0.99 asks for
    if round(uncertainty, places) >= 10.0 ** (math.floor(math.log10(uncertainty)) + 1):
        places -= 1
    return min(max(places, 0), 6)


def number(value: float, decimals: int, *, sign: bool = False) -> str:
    """A number as text; "no value" for NaN or infinity, never "−0"."""
    if not math.isfinite(value):
        return "no value"
    rounded = round(value, decimals)
    text = f"{abs(rounded):,.{decimals}f}".replace(",", NARROW_SPACE)
    if rounded < 0:
        return MINUS + text
    return "+" + text if sign and rounded > 0 else text


def quantity(value: float, unit: str, decimals: int, *, sign: bool = False) -> str:
    """A number with its unit, which stays on the same line."""
    return f"{number(value, decimals, sign=sign)}{UNIT_SPACE}{unit}" if unit else number(value, decimals, sign=sign)


def span(low: float, high: float, unit: str, decimals: int) -> str:
    """An interval as text: "6.1 to 9.7 W"."""
    return f"{number(low, decimals)} to {quantity(high, unit, decimals)}"


def condition(at: At) -> str:
    """What was held equal, as text: "16 000 rpm"; "" where there is no condition."""
    parts = []
    for name, value in at:
        decimals = 0 if float(value).is_integer() else 1
        parts.append(quantity(value, _CONDITION_UNITS.get(name, ""), decimals))
    return ", ".join(parts)


def listed(parts: list[str]) -> str:
    """Parts as a list in a sentence: "a, b and c"."""
    return parts[0] if len(parts) == 1 else ", ".join(parts[:-1]) + " and " + parts[-1] if parts else ""
