"""Two `results.json` of one session held against each other: every figure that differs beyond rounding.

What counts as rounding: results carry ten significant digits, and another machine or another version of a numerical
library may move the last of them; taking one figure from a nearly equal one makes that larger. So two numbers are
the same if they differ by at most RELATIVE of the larger of them, or by at most FLOOR of the figure that they belong
to (the mean behind an uncertainty, the two means behind a difference; 1 for probabilities and shares). Pages show six
digits at most, so nothing that a reader can see passes for rounding. Both limits are our own choice.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal, TypeGuard

from generator.evidence.results_document import FORMAT
from generator.evidence.wording import at_words

LARGEST = 1e300  # what is larger, infinite or no number is compared as it stands
RELATIVE = 1e-6
FLOOR = 1e-9

Document = Mapping[str, Any]
Kind = Literal["figure", "decision", "words", "gone", "new"]

# What makes an entry of a list the same entry in both documents.
IDENTITY: Mapping[str, tuple[str, ...]] = {
    "treatments": ("id",),
    "inputs": ("path",),
    "runs": ("id",),
    "responses": ("response", "treatment", "at"),
    "contrasts": ("response", "treatment", "baseline", "at"),
    "claims": ("says", "by", "response", "treatment"),
    "checks": ("id", "treatments", "runs", "at"),
    "cautions": ("id", "applies_to"),
    "curves": ("treatment", "direction", "throttle_percent"),
    "curve_contrasts": ("response", "axis", "treatment", "baseline"),
    "energy": ("treatment", "at"),
    "heat": ("treatment", "baseline", "at"),
    "loss_differences": ("treatment", "baseline", "name", "at"),
    "constants": ("name", "treatment", "at"),
    "in_the_air": ("aircraft", "treatment"),
    "in_the_air_differences": ("aircraft", "treatment", "baseline"),
    "budget": ("source",),
    "parts": ("name",),
    "effects": ("name",),
}
NAMES = ("key", "id", "name")  # of entries that a later version may add
SIZE = ("value", "treatment_value", "baseline_value")  # the figure that others of the same entry belong to
OF_ONE = re.compile(r"^(p_.*|.*share|relative.*|departure)$")  # probabilities, shares of a value
# Words that say something; all other text may be worded anew.
DECISIONS = frozenset(
    {"verdict", "outcome", "basis", "unit", "axis_unit", "baseline", "treatment", "response", "sha256", "path", "date",
     "family", "log", "procedure", "expects", "signal", "shaft_from", "started"}
)  # fmt: skip
# Fields that are in the unit of their entry.
IN_UNIT = re.compile(
    r"^(value|.*_value|difference|interval.*|margin|nominal|per_run.*|fitted.*|.*standard_uncertainty)$"
)
NOT_COMPARED = frozenset({"format", "generator"})
NUMBERS = re.compile(r"\d+(?:[.,]\d+)?")


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One thing in which two documents differ.

    kind       figure: a number; decision: a verdict, an outcome, a flag; words: a sentence; gone: only the first
               document holds it; new: only the second does
    session    id of the session
    part       list of the document it stands in, such as `contrasts`, or "" for the document itself
    response   response, constant, check or other name of the entry, or ""
    treatment  treatment, or ""
    baseline   what it is compared with, or ""
    at         condition of the entry, such as {"speed_rpm": 16000}
    field      key inside the entry, such as `interval[0]`, or "" for the whole entry
    unit       unit of the two values, or ""
    before     in the first document; None also for what is not there
    after      in the second
    """

    kind: Kind
    session: str
    part: str
    response: str = ""
    treatment: str = ""
    baseline: str = ""
    at: tuple[tuple[str, float], ...] = ()
    field: str = ""
    unit: str = ""
    before: Any = None
    after: Any = None

    @property
    def place(self) -> str:
        """`contrasts: electrical_power of five-cell against four-cell at 16 000 rpm, interval[0]`."""
        who = f" of {self.treatment}" if self.treatment else ""
        against = f" against {self.baseline}" if self.baseline else ""
        what = f"{self.response}{who}{against} {at_words(self.at)}".strip()
        return ", ".join(part for part in (": ".join(p for p in (self.part, what) if p), self.field) if part)

    @property
    def numbers_differ(self) -> bool:
        """Whether two texts hold different numbers, and not only different words."""
        return NUMBERS.findall(str(self.before)) != NUMBERS.findall(str(self.after))


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """One session's two documents compared.

    session   its id
    changes   everything that differs beyond rounding, in the order of the document
    added     keys that only the second document has, such as `contrasts.jointly`: a later version writes more
    compared  numbers held against each other
    """

    session: str
    changes: tuple[Change, ...]
    added: tuple[str, ...]
    compared: int


def unreadable(document: Any) -> str:
    """Why results cannot be compared, one clause, or "" where they can."""
    written = document.get("format") if isinstance(document, Mapping) else None
    if written == FORMAT:
        return ""
    name, _, number = str(written).rpartition("/")
    known, _, ours = FORMAT.rpartition("/")
    if name == known and number.isdigit() and int(number) > int(ours):
        return f"written in {written}, of a newer Whirlbook; this one reads {FORMAT}"
    return f"not in {FORMAT}" if written is None else f"written in {written}; this version reads {FORMAT}"


def compare(first: Document, second: Document) -> Comparison:
    """What differs between two documents of one session.

    first   as stored
    second  as computed now
    Raises  ValueError if either is not in a format that `unreadable` accepts
    """
    for document in (first, second):
        if why := unreadable(document):
            raise ValueError(why)
    work = _Work(str(first.get("session", "")))
    work.mapping(_without(first), _without(second), _Place(part="", entry={}, field=""), scale=0.0)
    return Comparison(
        session=work.session,
        changes=tuple(work.changes),
        added=tuple(sorted(work.added)),
        compared=work.compared,
    )


def same_number(first: float, second: float, scale: float) -> bool:
    """Whether two numbers are the same but for rounding; scale: size of the figure they belong to."""
    if first == second:
        return True
    if not (math.isfinite(first) and math.isfinite(second)):
        return False
    return abs(first - second) <= max(RELATIVE * max(abs(first), abs(second)), FLOOR * scale)


def _without(document: Document) -> Document:
    return {key: value for key, value in document.items() if key not in NOT_COMPARED}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Place:
    """Where in the document the work stands: list, entry of the list, key inside the entry."""

    part: str
    entry: Document
    field: str

    def inside(self, key: str) -> _Place:
        return _Place(part=self.part, entry=self.entry, field=f"{self.field}.{key}" if self.field else key)

    def item(self, words: str) -> _Place:
        return _Place(part=self.part, entry=self.entry, field=f"{self.field}[{words}]")


class _Work:
    def __init__(self, session: str) -> None:
        self.session = session
        self.changes: list[Change] = []
        self.added: set[str] = set()
        self.compared = 0

    def told(self, kind: Kind, place: _Place, before: Any, after: Any) -> None:
        entry = place.entry
        name = next(
            (entry[k] for k in ("response", "name", "aircraft", "id", "says", "path") if k in entry), ""
        )
        at = entry.get("at")
        unit = entry.get("unit", "")
        self.changes.append(
            Change(
                kind=kind,
                session=self.session,
                part=place.part,
                response=str(name),
                treatment=_word(entry.get("treatment")),
                baseline=_word(entry.get("baseline")),
                at=tuple((k, v) for k, v in at.items() if is_number(v)) if isinstance(at, Mapping) else (),
                field=place.field,
                unit=_word(unit) if IN_UNIT.match(place.field) else "",
                before=before,
                after=after,
            )
        )

    def mapping(self, first: Document, second: Document, place: _Place, scale: float) -> None:
        sizes = [abs(d[k]) for d in (first, second) for k in SIZE if is_number(d.get(k))]
        scale = max([scale, *sizes])
        for key in first:
            if key not in second:
                self.told("gone", place.inside(key), first[key], None)
                continue
            inside = place.inside(key)
            if not place.part and isinstance(first[key], Sequence) and not isinstance(first[key], str):
                inside = _Place(part=key, entry={}, field="")
            self.value(key, first[key], second[key], inside, max(scale, 1.0) if OF_ONE.match(key) else scale)
        path = re.sub(r"\[[^\]]*\]", "", ".".join(p for p in (place.part, place.field) if p))
        self.added |= {".".join(p for p in (path, key) if p) for key in second if key not in first}

    def value(self, key: str, first: Any, second: Any, place: _Place, scale: float) -> None:
        if isinstance(first, Mapping) and isinstance(second, Mapping):
            self.mapping(first, second, place, scale)
        elif _is_list(first) and _is_list(second):
            if any(isinstance(item, Mapping) for item in (*first, *second)):
                self.entries(key, first, second, place, scale)
            else:
                self.items(key, first, second, place, scale)
        elif is_number(first) and is_number(second):
            self.compared += 1
            if not same_number(first, second, scale):
                self.told("figure", place, first, second)
        elif first != second and not (first != first and second != second):
            text = isinstance(first, str) and isinstance(second, str)
            kind: Kind = "words" if text and key not in DECISIONS else "decision"
            if not text and any(
                isinstance(v, (int, float)) and not isinstance(v, bool) for v in (first, second)
            ):
                kind = "figure"
            self.told(kind, place, first, second)

    def items(
        self, key: str, first: Sequence[Any], second: Sequence[Any], place: _Place, scale: float
    ) -> None:
        """Lists of numbers, lists of numbers or words: place by place, if they are of one length."""
        if len(first) != len(second):
            numbers = any(map(is_number, (*first, *second)))
            self.told("figure" if numbers else "words", place, list(first), list(second))
            return
        for count, (one, other) in enumerate(zip(first, second, strict=True)):
            self.value(key, one, other, place.item(str(count)), scale)

    def entries(
        self, key: str, first: Sequence[Any], second: Sequence[Any], place: _Place, scale: float
    ) -> None:
        """Lists of entries: each with the entry of the same identity, whatever their order."""
        pairs, gone, new = matched(first, second, key)
        top = place.part == key and not place.field
        for one, other in pairs:
            if not (isinstance(one, Mapping) and isinstance(other, Mapping)):
                self.value(key, one, other, place, scale)
                continue
            name = next(
                (str(one[k]) for k in (*IDENTITY.get(key, ()), *NAMES) if isinstance(one.get(k), str)), ""
            )
            inside = _Place(part=key, entry=one, field="") if top else place.item(name)
            self.mapping(one, other, inside, scale)
        kinds: tuple[tuple[Kind, list[Any]], ...] = (("gone", gone), ("new", new))
        for kind, left in kinds:
            for entry in left:
                known = entry if isinstance(entry, Mapping) else {}
                at = _Place(part=key, entry=known, field="") if top else place.item(_word(known.get("name")))
                self.told(kind, at, *((entry, None) if kind == "gone" else (None, entry)))


def matched(
    first: Sequence[Any], second: Sequence[Any], key: str
) -> tuple[list[tuple[Any, Any]], list[Any], list[Any]]:
    """Entries of two lists in pairs, those only in the first, those only in the second.

    A condition that was computed may be rounded otherwise, so numbers of an identity need only be nearly equal; of what
    is then left, entries that agree in all but such numbers are paired in their order.
    """
    rows = [entry for entry in (*first, *second) if isinstance(entry, Mapping)]
    names = IDENTITY.get(key) or next(((n,) for n in NAMES if all(n in row for row in rows)), ())
    left = list(second)
    pairs: list[tuple[Any, Any]] = []
    waiting: list[Any] = []
    by_words: dict[str, list[Any]] = {}
    for entry in left:
        by_words.setdefault(_words(entry, names), []).append(entry)
    for entry in first:
        rivals = by_words.get(_words(entry, names), [])
        place = next((i for i, other in enumerate(rivals) if _near(entry, other, names)), None)
        if place is None:
            waiting.append(entry)
        else:
            pairs.append((entry, rivals.pop(place)))
    gone = []
    for entry in waiting:
        rivals = by_words.get(_words(entry, names), [])
        if rivals:
            pairs.append((entry, rivals.pop(0)))
        else:
            gone.append(entry)
    kept = {id(entry) for rivals in by_words.values() for entry in rivals}
    return pairs, gone, [entry for entry in left if id(entry) in kept]


def _words(entry: Any, names: Sequence[str]) -> str:
    """The part of an identity that is not a number."""
    if not isinstance(entry, Mapping):
        return ""
    found = []
    for name in names:
        value = entry.get(name)
        found.append(sorted(value) if isinstance(value, Mapping) else None if is_number(value) else value)
    return repr(found)


def _near(first: Any, second: Any, names: Sequence[str]) -> bool:
    return all(
        same_number(one, other, 0.0)
        for one, other in zip(_figures(first, names), _figures(second, names), strict=True)
    )


def _figures(entry: Any, names: Sequence[str]) -> list[float]:
    found: list[float] = []
    for name in names:
        value = entry.get(name) if isinstance(entry, Mapping) else None
        inside = [value[key] for key in sorted(value)] if isinstance(value, Mapping) else [value]
        found += [float(number) if is_number(number) else 0.0 for number in inside]
    return found


def is_number(value: Any) -> TypeGuard[float]:
    """Whether a value of a document is a number, and one that this machine can compute with."""
    return isinstance(value, (int, float)) and not isinstance(value, bool) and -LARGEST <= value <= LARGEST


def _is_list(value: Any) -> bool:
    return isinstance(value, Sequence) and not isinstance(value, str)


def _word(value: Any) -> str:
    return value if isinstance(value, str) else ""
