"""Facts of a rig, a part or a plan in units a reader uses: from the unit in a field's name."""

from __future__ import annotations

import datetime
from collections.abc import Iterable
from dataclasses import dataclass

from pydantic import BaseModel

from generator.evidence.wording import NBSP, listed, number

# end of the field's name -> (factor, unit shown); longest ending first
SHOWN: tuple[tuple[str, float, str], ...] = (
    ("_rpm_per_v", 1.0, "rpm/V"),
    ("_kg_m2", 1e7, "g·cm²"),
    ("_m_s2", 1.0, "m/s²"),
    ("_rpm_s", 1.0, "rpm/s"),
    ("_rpm", 1.0, "rpm"),
    ("_ohm", 1000.0, "mΩ"),
    ("_deg", 1.0, "°"),
    ("_kg", 1000.0, "g"),
    ("_ah", 1000.0, "mAh"),
    ("_n", 1000.0 / 9.80665, "gf"),
    ("_hz", 0.001, "kHz"),
    ("_pa", 0.01, "hPa"),
    ("_db", 1.0, "dB"),
    ("_m", 1000.0, "mm"),
    ("_a", 1.0, "A"),
    ("_v", 1.0, "V"),
    ("_h", 1e6, "µH"),
    ("_w", 1.0, "W"),
    ("_s", 1.0, "s"),
    ("_k", 1.0, "K"),
)
SHARES = (
    "coefficients_uncertainty",
    "gain_",
    "share",
    "humidity",
    "throttle",
    "cap",
    "ratio",
    "duty",
    "tolerance",
)
ZERO_CELSIUS_K = 273.15


@dataclass(frozen=True, slots=True, kw_only=True)
class Fact:
    """One line of a list of facts.

    name   what it is
    value  as text with its unit
    href   where the value leads, or ""
    sum    whether it is a checksum, which is broken in two equal lines
    """

    name: str
    value: str
    href: str = ""
    sum: bool = False


def plain(value: float) -> str:
    """A number as somebody would write it: six significant digits at most, no trailing zeros."""
    text = f"{value:.6g}"
    if "e" in text:
        return text
    decimals = len(text.split(".")[1]) if "." in text else 0
    return number(value, decimals)


def shown(name: str, value: object) -> str:
    """The value of a field with the unit that its name carries."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, datetime.date):
        return date_text(value)
    if isinstance(value, BaseModel):
        return ", ".join(f"{fact.name.lower()} {fact.value}" for fact in facts_of(value))
    if isinstance(value, (tuple, list)):
        if any(isinstance(inner, BaseModel) for inner in value):
            return "; ".join(shown(name, inner) for inner in value)
        return listed([shown(name, inner) for inner in value])
    if not isinstance(value, (int, float)):
        return str(value)
    if name.endswith("_k") and "temperature" in name and "uncertainty" not in name and "rise" not in name:
        return quantity_plain(value - ZERO_CELSIUS_K, "°C")
    for ending, factor, unit in SHOWN:
        if name.endswith(ending):
            if unit == "mm" and abs(value) >= 1.0:
                return quantity_plain(value, "m")
            return quantity_plain(value * factor, unit)
    if isinstance(value, float) and any(word in name for word in SHARES):
        return quantity_plain(100 * value, "%")
    return plain(value)


def quantity_plain(value: float, unit: str) -> str:
    """A number with its unit and no more digits than it has. Degrees of angle stand close to their number."""
    return f"{plain(value)}{'' if unit == '°' else NBSP}{unit}"


def facts_of(record: BaseModel, *, leave_out: Iterable[str] = ()) -> tuple[Fact, ...]:
    """The keys of a record that its file gives, in the order of the record, as its owner would read them."""
    hidden = set(leave_out)
    found: list[Fact] = []
    for name, field in type(record).model_fields.items():
        value = getattr(record, name)
        if name in hidden or name not in record.model_fields_set or value is None or value == ():
            continue
        text = shown(name, value)
        found.append(Fact(name=key_text(field.alias or name), value=text))
    return tuple(found)


def key_text(key: str) -> str:
    """`terminal_resistance` -> `Terminal resistance`."""
    return {"kv": "KV"}.get(key, key.replace("_", " ").replace("-", " ").capitalize())


MONTHS = (
    "January", "February", "March", "April", "May", "June",
    "July", "August", "September", "October", "November", "December",
)  # fmt: skip


def archive_date(written: str) -> str:
    """Date of an archive, written out; as it stands where it is no date."""
    try:
        return date_text(datetime.date.fromisoformat(written))
    except ValueError:
        return written or "unknown date"


def date_text(date: datetime.date) -> str:
    """`4 May 2031`, whatever the machine's language."""
    return f"{date.day}\u00a0{MONTHS[date.month - 1]} {date.year}"
