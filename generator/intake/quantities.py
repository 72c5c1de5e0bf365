"""Values with a dimension: text with its unit in, a float in the house unit out.

House units: SI, with three exceptions that every rating, setpoint and result of the trade uses and that
are spelled in each name: speed in rpm, capacity in A·h, sound level in dB.
"""

from __future__ import annotations

import functools
import math
import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Annotated, Any

import pint
from pydantic import BeforeValidator, GetJsonSchemaHandler
from pydantic_core import CoreSchema, PydanticCustomError

_NUMBER_AND_UNIT = re.compile(r"^\s*([+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d{1,3})?)\s*(.*?)\s*$")
_UNIT_TEXT = re.compile(r"^[A-Za-zµμΩ°%·²³][A-Za-z0-9µμΩ°%·²³*/^()_ .-]{0,39}$")
# A power of a unit is one digit, and no power stands on another: `m**9**9**9` would be worked out for hours.
_POWER = re.compile(r"\*\*|\^")
_SMALL_POWER = re.compile(r"(?:\*\*|\^)\s*-?[1-9](?![\d.]|\s*(?:\*\*|\^))")


@functools.cache
def units() -> pint.UnitRegistry[Any]:
    """The one unit registry of the process, made on first use because it is slow to make."""
    registry: pint.UnitRegistry[Any] = pint.UnitRegistry(cache_folder=None)
    registry.define("rev_per_volt = revolution / minute / volt = rpm_per_V")
    return registry


@dataclass(frozen=True, slots=True)
class Dimension:
    """A house unit and how to write a value of this kind.

    unit      pint expression of the house unit
    example   what a bench tester would write
    suffixes  spellings pint would read otherwise, with the pint spelling meant
    """

    unit: str
    example: str
    suffixes: tuple[tuple[str, str], ...] = ()


# "Hz" and "1/s" for a speed mean turns a second; pint alone would read radians and be 2π off.
_TURNS = (
    ("Hz", "rpm*60"),
    ("hertz", "rpm*60"),
    ("1/s", "rpm*60"),
    ("rev/s", "rpm*60"),
    ("1/min", "rpm"),
    ("rpm", "rpm"),
)
_CELSIUS = (("°C", "degC"), ("C", "degC"), ("K", "kelvin"), ("°F", "degF"), ("F", "degF"))

DIMENSIONS: dict[str, Dimension] = {
    "voltage": Dimension("volt", "24 V"),
    "current": Dimension("ampere", "35 A"),
    "power": Dimension("watt", "120 W"),
    "resistance": Dimension("ohm", "12 mohm"),
    "inductance": Dimension("henry", "18 uH"),
    "temperature": Dimension("kelvin", "18.4 degC", _CELSIUS),
    "temperature_difference": Dimension(
        "kelvin", "5 K", (("K", "kelvin"), ("°C", "kelvin"), ("degC", "kelvin"))
    ),
    "pressure": Dimension("pascal", "1004 hPa"),
    "ratio": Dimension("dimensionless", "2 %", (("%", "percent"),)),
    "speed": Dimension("rpm", "16000 rpm", _TURNS),
    "speed_constant": Dimension("rpm/volt", "1750 rpm/V", (("rpm/V", "rpm/volt"),)),
    "force": Dimension(
        "newton", "250 gf", (("g", "gram_force"), ("gf", "gram_force"), ("kgf", "kilogram_force"))
    ),
    "torque": Dimension(
        "newton*meter",
        "0.12 N*m",
        (("Nm", "N*m"), ("mNm", "mN*m"), ("N·m", "N*m"), ("gf*cm", "gram_force*cm")),
    ),
    "mass": Dimension("kilogram", "32 g"),
    "length": Dimension("meter", "5.1 in"),
    "time": Dimension("second", "3 s"),
    "frequency": Dimension("hertz", "48 kHz"),
    "angle": Dimension("degree", "15 deg"),
    "capacity": Dimension("ampere*hour", "1300 mAh"),
    "inertia": Dimension("kilogram*meter**2", "12 g*cm^2"),
    "acceleration": Dimension("meter/second**2", "3 m/s^2"),
    "energy": Dimension("joule", "20 Wh", (("Wh", "watt*hour"), ("mWh", "milliwatt*hour"))),
    "sound_level": Dimension(
        "decibel", "92 dB", (("dB(A)", "decibel"), ("dBA", "decibel"), ("dB", "decibel"))
    ),
}


# Smallest and largest size of a value, in house units. Our own choice, no source: farther out than anything at a bench,
# and far enough from where powers of it leave the range of numbers.
SMALLEST, LARGEST = 1e-15, 1e15


def within_reason(value: float) -> bool:
    """Whether a number can be a value at a bench: zero, or from SMALLEST to LARGEST in size."""
    return value == 0.0 or SMALLEST <= abs(value) <= LARGEST


class UnreadableQuantity(ValueError):
    """A text that is not a number with a fitting unit; carries what is wrong and the remedy."""

    def __init__(self, what: str, remedy: str) -> None:
        super().__init__(what)
        self.what = what
        self.remedy = remedy


def _unit_named(text: str, dimension: Dimension) -> str:
    for spelling, meant in dimension.suffixes:
        if text == spelling:
            return meant
    return (
        text.replace("µ", "u")
        .replace("μ", "u")
        .replace("Ω", "ohm")
        .replace("·", "*")
        .replace("²", "**2")
        .replace("³", "**3")
        .replace("%", "percent")
    )


@functools.lru_cache(maxsize=512)
def conversion(unit_text: str, kind: str) -> Callable[[Any], Any]:
    """A function from numbers in `unit_text` to the house unit of `kind`; works on arrays.

    unit_text  a unit, or what 1 stands for where the numbers are counts or the volts of a sensor: `0.34 gf`
    Raises UnreadableQuantity when the unit is unknown, measures something else, or 1 stands for nothing.
    """
    match = _NUMBER_AND_UNIT.match(unit_text)
    if match is None or not match.group(2) or match.group(2).startswith(("/", "*", "^")):
        return _unit_conversion(unit_text, kind)
    convert, one = _unit_conversion(match.group(2), kind), float(match.group(1))
    if not (one > 0.0 and within_reason(one)):
        raise UnreadableQuantity(
            f"'{unit_text[:40]}' is not what a reading of 1 can stand for.",
            "Write a number above zero with its unit; `sign: -1` turns a reading round.",
        )
    return lambda number: convert(number * one)


@functools.lru_cache(maxsize=512)
def _unit_conversion(unit_text: str, kind: str) -> Callable[[Any], Any]:
    """As `conversion`, for a bare unit."""
    dimension = DIMENSIONS[kind]
    example = f"Write it like this: {dimension.example}."
    readable = _UNIT_TEXT.match(unit_text) or unit_text in ("1/s", "1/min")
    if not readable or len(_POWER.findall(unit_text)) != len(_SMALL_POWER.findall(unit_text)):
        comma = " Write a decimal point, not a comma." if unit_text.startswith(",") else ""
        raise UnreadableQuantity(f"'{unit_text[:40]}' is not a unit.", example + comma)
    meant = _unit_named(unit_text, dimension)
    if kind == "sound_level":
        if meant != "decibel":
            raise UnreadableQuantity(f"'{unit_text}' is not a sound level.", example)
        return lambda number: number
    if meant == "rpm*60":
        return lambda number: number * 60.0
    registry = units()
    try:
        source = registry.parse_units(meant)
        zero = float(registry.Quantity(0.0, source).to(dimension.unit).magnitude)
        one = float(registry.Quantity(1.0, source).to(dimension.unit).magnitude)
    except pint.DimensionalityError:
        raise UnreadableQuantity(
            f"'{unit_text}' is not a unit of {kind.replace('_', ' ')}.", example
        ) from None
    except Exception:  # pint raises many kinds for unknown or malformed unit text
        raise UnreadableQuantity(f"'{unit_text}' is not a known unit.", example) from None
    scale = one - zero
    if not (1e-30 <= abs(scale) <= 1e30 and math.isfinite(zero)):
        raise UnreadableQuantity(f"'{unit_text}' is not a usable unit.", example)
    return lambda number: number * scale + zero


def parse_quantity(found: object, kind: str) -> float:
    """`'24 V'` -> 24.0 in the house unit of `kind`.

    Raises UnreadableQuantity for a bare number, an unknown unit, a wrong dimension or no number at all.
    """
    dimension = DIMENSIONS[kind]
    unit_of_example = dimension.example.split(" ", 1)[1]
    if isinstance(found, bool) or not isinstance(found, (str, int, float)):
        raise UnreadableQuantity(
            f"{_short(found)} is not a value with a unit.", f"Write it like this: {dimension.example}."
        )
    if isinstance(found, (int, float)):
        raise UnreadableQuantity(
            f"{found} has no unit.",
            f"Write the unit with the number, for instance: {found} {unit_of_example}.",
        )
    match = _NUMBER_AND_UNIT.match(found)
    if match is None:
        raise UnreadableQuantity(
            f"'{_short(found)}' does not start with a number.", f"Write it like this: {dimension.example}."
        )
    number, unit_text = float(match.group(1)), match.group(2)
    if not unit_text:
        raise UnreadableQuantity(
            f"'{found}' has no unit.",
            f"Write the unit with the number, for instance: {match.group(1)} {unit_of_example}.",
        )
    value = float(_unit_conversion(unit_text, kind)(number))
    if not math.isfinite(value):
        raise UnreadableQuantity(
            f"'{_short(found)}' is not a finite value.", f"Write it like this: {dimension.example}."
        )
    if not within_reason(value):
        raise UnreadableQuantity(
            f"'{_short(found)}' is beyond anything a bench measures.", "Correct the number or its unit."
        )
    return value


def _short(found: object) -> str:
    text = str(found)
    return text if len(text) <= 40 else text[:37] + "..."


@dataclass(frozen=True, slots=True)
class _QuantitySchema:
    """Shows a quantity in the JSON Schema as text with an example, as it is written in the YAML."""

    kind: str

    def __get_pydantic_json_schema__(self, core: CoreSchema, handler: GetJsonSchemaHandler) -> dict[str, Any]:
        dimension = DIMENSIONS[self.kind]
        return {
            "type": "string",
            "pattern": r"^\s*[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?\s*\S+.*$",
            "description": f"A {self.kind.replace('_', ' ')} with its unit.",
            "examples": [dimension.example],
        }


def _validator(kind: str) -> Callable[[object], float]:
    def validate(found: object) -> float:
        try:
            return parse_quantity(found, kind)
        except UnreadableQuantity as fault:
            raise PydanticCustomError(
                "quantity", "{what}", {"what": fault.what, "remedy": fault.remedy}
            ) from None

    return validate


def _field(kind: str) -> tuple[BeforeValidator, _QuantitySchema]:
    return BeforeValidator(_validator(kind)), _QuantitySchema(kind)


Voltage = Annotated[float, *_field("voltage")]
Current = Annotated[float, *_field("current")]
Resistance = Annotated[float, *_field("resistance")]
Inductance = Annotated[float, *_field("inductance")]
Temperature = Annotated[float, *_field("temperature")]
TemperatureDifference = Annotated[float, *_field("temperature_difference")]
Pressure = Annotated[float, *_field("pressure")]
Ratio = Annotated[float, *_field("ratio")]
Speed = Annotated[float, *_field("speed")]
SpeedConstant = Annotated[float, *_field("speed_constant")]
Force = Annotated[float, *_field("force")]
Mass = Annotated[float, *_field("mass")]
Length = Annotated[float, *_field("length")]
Time = Annotated[float, *_field("time")]
Frequency = Annotated[float, *_field("frequency")]
Angle = Annotated[float, *_field("angle")]
Capacity = Annotated[float, *_field("capacity")]
Inertia = Annotated[float, *_field("inertia")]
Acceleration = Annotated[float, *_field("acceleration")]

# published unit -> (kind, factor from the house unit of that kind to the published unit)
PUBLISHED_UNITS: dict[str, tuple[str, float]] = {
    "W": ("power", 1.0),
    "gf": ("force", 1000.0 / 9.80665),  # standard gravity, 3rd CGPM (1901)
    "N·m": ("torque", 1.0),
    "rpm": ("speed", 1.0),
    "V": ("voltage", 1.0),
    "A": ("current", 1.0),
    "ms": ("time", 1000.0),
    "s": ("time", 1.0),
    "min": ("time", 1.0 / 60.0),
    "K": ("temperature_difference", 1.0),
    "°C": ("temperature", 1.0),
    "%": ("ratio", 100.0),
    "dB": ("sound_level", 1.0),
    "m/s²": ("acceleration", 1.0),
    "mΩ": ("resistance", 1000.0),
    "mAh": ("capacity", 1000.0),
    "Wh": ("energy", 1.0 / 3600.0),
    "gf/W": ("thrust_per_power", 1000.0 / 9.80665),
}
DIMENSIONS["thrust_per_power"] = Dimension(
    "newton/watt", "0.1 gf/W", (("gf/W", "gram_force/watt"), ("g/W", "gram_force/watt"))
)


def parse_published(found: object, unit: str) -> float:
    """`'10 ms'` for a response published in ms -> 10.0. Raises UnreadableQuantity."""
    kind, factor = PUBLISHED_UNITS[unit]
    return parse_quantity(found, kind) * factor
