"""Quantities in finished texts, in the units a reader likes: gf, N or ozf; °C or °F.

Results are computed, kept and published in gf, gf/W, °C and K. Sentences and cells arrive here as text. What this
module converts is a number, a no-break space and one of those units, the way `evidence.wording` writes it; what a
person typed with a plain space, such as a label, is a name and stays as it is.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import ROUND_HALF_EVEN, Context, Decimal

from generator.evidence.wording import MINUS, NBSP, THIN, decimals_for
from generator.intake.session import DisplayUnits

# Exact by definition: standard gravity 9.80665 m/s², avoirdupois pound 0.45359237 kg of 16 ounces.
# Source: NIST SP 811 (2008), appendix B.8.
NEWTON_PER_GF = Decimal("0.00980665")
OZF_PER_GF = 16 / Decimal("453.59237")
# t/°F = 1.8 t/°C + 32, and a difference of 1 K is one of 1.8 °F. Source: NIST SP 811 (2008), appendix B.8.
FAHRENHEIT_PER_KELVIN = Decimal("1.8")
FAHRENHEIT_AT_ZERO_CELSIUS = Decimal(32)
LAST_PLACE_MAY_GROW = 1.03
ALL_DIGITS = Context(prec=400)  # the largest number of a program has 309 before its point


@dataclass(frozen=True, slots=True, kw_only=True)
class Scale:
    """One unit of a kind. factor: how many of it make one published unit; zero: what it reads at the published zero."""

    suffix: str
    factor: Decimal = Decimal(1)
    zero: Decimal = Decimal(0)


# published unit -> key of a choice -> its unit. The keys are those of the pages' `data-` attributes.
SCALES: Mapping[str, Mapping[str, Scale]] = {
    "gf": {
        "gf": Scale(suffix="gf"),
        "n": Scale(suffix="N", factor=NEWTON_PER_GF),
        "ozf": Scale(suffix="ozf", factor=OZF_PER_GF),
    },
    "gf/W": {
        "gf": Scale(suffix="gf/W"),
        "n": Scale(suffix="N/W", factor=NEWTON_PER_GF),
        "ozf": Scale(suffix="ozf/W", factor=OZF_PER_GF),
    },
    "°C": {
        "c": Scale(suffix="°C"),
        "f": Scale(suffix="°F", factor=FAHRENHEIT_PER_KELVIN, zero=FAHRENHEIT_AT_ZERO_CELSIUS),
    },
    "K": {"c": Scale(suffix="K"), "f": Scale(suffix="°F", factor=FAHRENHEIT_PER_KELVIN)},
}
KEYS: Mapping[str, str] = {"gf": "gf", "N": "n", "ozf": "ozf", "°C": "c", "°F": "f"}  # of `season.units`

_NUMBER = rf"(?:\d{{1,3}}(?:{THIN}\d{{3}})+|\d+)(?:\.\d+)?"
QUANTITY = re.compile(
    rf"(?<![\w.,+\-{MINUS}±{THIN}/·×])(?P<pair>(?<=etween ))?"
    rf"(?P<sign>[+{MINUS}±]?)(?P<number>{_NUMBER})"
    rf"(?:(?P<between> to | ± |(?(pair) and |(?!)))(?P<sign2>[+{MINUS}]?)(?P<number2>{_NUMBER}))?"
    rf"{NBSP}(?P<unit>gf/W|gf|°C|K)(?![\w/·²³^°%])"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Quantity:
    """A number, or two that belong together, with its unit. texts: key of a choice -> the whole as text."""

    published: str
    texts: Mapping[str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """The units a page shows as long as its reader has chosen no others: keys of thrust and temperature."""

    thrust: str = "gf"
    temperature: str = "c"

    def of(self, quantity: Quantity) -> str:
        """Key of the choice that shows this quantity."""
        return self.thrust if self.thrust in quantity.texts else self.temperature


def choice_of(units: DisplayUnits) -> Choice:
    """The season's own units as a choice."""
    return Choice(thrust=KEYS[units.thrust], temperature=KEYS[units.temperature])


def decimals_in(factor: Decimal, decimals: int) -> int:
    """Decimal places of a converted number: as few as keep what the published places say.

    factor    how many of the new unit make one of the old
    decimals  places of the published number; negative where it was rounded to tens and more
    The last place may grow by 2 %, since 0.01 N is 1.02 gf; for our units it shrinks 3.5 times (ozf) or 1.8 (°F).
    Source    NIST SP 811 (2008), B.7.2: the rounding of a converted number is to be consistent with the rounding
              already in it, and must not lose what the number held: 36 ft is 11.0 m, not 11 m
    """
    return math.ceil(decimals - math.log10(factor) - math.log10(LAST_PLACE_MAY_GROW))


def pieces(text: str) -> tuple[str | Quantity, ...]:
    """The text as plain stretches and quantities, in order; no stretch is empty."""
    made: list[str | Quantity] = []
    end = 0
    for match in QUANTITY.finditer(text):
        if match.start() > end:
            made.append(text[end : match.start()])
        made.append(_quantity(match))
        end = match.end()
    if end < len(text):
        made.append(text[end:])
    return tuple(made)


def in_units(text: str, choice: Choice) -> str:
    """The text with every quantity in the chosen units."""
    return "".join(
        piece if isinstance(piece, str) else piece.texts[choice.of(piece)] for piece in pieces(text)
    )


def _quantity(match: re.Match[str]) -> Quantity:
    published = match.group()
    texts = {
        key: published if scale.factor == 1 else _converted(match, scale)
        for key, scale in SCALES[match["unit"]].items()
    }
    return Quantity(published=published, texts=texts)


def _converted(match: re.Match[str], scale: Scale) -> str:
    first, second = _value(match["sign"], match["number"]), match["number2"]
    places = decimals_in(scale.factor, _decimals(match))
    # ± alone is a half-width: no zero of a scale belongs to it
    shown = _shown(first * scale.factor + (0 if match["sign"] == "±" else scale.zero), places, match["sign"])
    if second is not None:
        other = _value(match["sign2"], second) * scale.factor
        if match["between"] != " ± ":
            other += scale.zero
        shown += match["between"] + _shown(other, places, match["sign2"])
    return f"{shown}{NBSP}{scale.suffix}"


def _value(sign: str, digits: str) -> Decimal:
    size = Decimal(digits.replace(THIN, ""))
    return -size if sign == MINUS else size


def _decimals(match: re.Match[str]) -> int:
    """Decimal places the published numbers were rounded to; both share them.

    A whole number hides whether it was rounded to ones or to tens. Beside its own half-width it tells: that has two
    significant digits, by the rule it was written with.
    """
    numbers = [digits for digits in (match["number"], match["number2"]) if digits is not None]
    places = max(len(digits.partition(".")[2]) for digits in numbers)
    signed = match["sign"] in (MINUS, "+") or match["sign2"] in (MINUS, "+") or match["between"] == " ± "
    if places or len(numbers) < 2 or not signed:
        return places
    low, high = _value(match["sign"], numbers[0]), _value(match["sign2"], numbers[1])
    half_width = high if match["between"] == " ± " else abs(high - low) / 2
    zeros = min((len(digits) - len(digits.rstrip("0")) for digits in numbers if digits != "0"), default=0)
    return min(0, max(decimals_for(float(half_width)), -zeros)) if half_width else 0


def _shown(value: Decimal, places: int, sign: str) -> str:
    """A number as `evidence.wording.number` writes it. sign: of the published number, which tells whether to sign."""
    rounded = value.quantize(Decimal(1).scaleb(-places), rounding=ROUND_HALF_EVEN, context=ALL_DIGITS)
    text = f"{abs(rounded):,.{max(places, 0)}f}".replace(",", THIN)
    if sign == "±":
        return f"±{text}"
    if rounded.is_zero():
        return text
    return (MINUS if rounded < 0 else "+" if sign == "+" else "") + text
