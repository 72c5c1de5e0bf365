"""One caution text: front matter, then hazard, consequence and avoidance."""

from __future__ import annotations

import re
import string
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Annotated, Any, Literal

import yaml
from pydantic import Field

from generator.intake.parts import Record, Text
from generator.intake.problems import Problem, nearest, suggestion
from generator.intake.validation import validated
from generator.intake.yaml_source import YamlSource

SignalWord = Literal["DANGER", "WARNING", "CAUTION", "NOTICE"]

ALWAYS_ON = ("guard", "eyes", "ears", "power-off", "packs", "supply")
_OF_TEMPERATURE = frozenset({"part", "temperature_c", "limit_c", "basis", "treatment"})
_OF_CURRENT = frozenset({"part", "current_a", "rating_a", "treatment"})
# Caution id -> places its text may hold; whoever raises it fills exactly these.
CAUTION_PLACES: Mapping[str, frozenset[str]] = MappingProxyType(
    {
        **{name: frozenset[str]() for name in ALWAYS_ON},
        "cells-over-motor": frozenset({"cells", "rated", "part"}),
        "cells-over-controller": frozenset({"cells", "rated", "part"}),
        "cap-lost-overspeed": frozenset({"treatment", "cap_percent", "speed_rpm", "limit_rpm", "part"}),
        "current-over-rating": _OF_CURRENT,
        "pack-current-over-rating": _OF_CURRENT,
        "temperature-over-limit": _OF_TEMPERATURE,
        "temperature-near-limit": _OF_TEMPERATURE,
        "winding-class": frozenset({"class", "limit_c", "temperature_c"}),
        "magnet-limit": frozenset({"grade", "limit_c", "temperature_c"}),
        "hot-surface": frozenset({"temperature_c", "part"}),
        "tip-mach": frozenset({"mach", "treatment", "speed_rpm"}),
        "sound-level": frozenset({"level_db", "allowed", "distance"}),
        "supply-cannot-absorb": frozenset({"supply"}),
        "pack-over-discharge": frozenset({"part", "cut_off_v"}),
        "pack-below-limit": frozenset({"treatment", "part", "lowest_v", "limit_v"}),
        "pack-cold": frozenset({"part", "temperature_c", "limit_c"}),
        "bare-motor": frozenset(),
        "free-run-overspeed": frozenset({"speed_rpm", "limit_rpm", "part"}),
        "speed-over-propeller-limit": frozenset({"speed_rpm", "limit_rpm", "part"}),
    }
)
# Heading in the file -> field of CautionText, in the order hazard, consequence, avoidance of ANSI Z535.6.
CAUTION_HEADINGS: Mapping[str, str] = MappingProxyType(
    {"Hazard": "hazard", "Consequence": "consequence", "Avoid": "avoidance"}
)
_CAUTION_ID = re.compile(r"^[a-z0-9]+(-[a-z0-9]+)*$")


@dataclass(frozen=True, slots=True, kw_only=True)
class CautionText:
    """A caution as written in content/cautions/ID.md, plain text.

    title, hazard, consequence, avoidance and threshold may hold {named} places for facts, filled with
    `str.format_map`; they are checked when loaded, so that filling reaches nothing but the facts themselves.
    """

    id: str
    signal: SignalWord
    title: str
    hazard: str
    consequence: str
    avoidance: str
    threshold: str
    source: str
    always_on: bool


class _FrontMatter(Record):
    signal: SignalWord
    title: Text = Field(description="A few words that say what to look out for.")
    threshold: Text = Field(description="When the caution is raised.")
    source: Text = Field(description="Where the rule and its numbers come from.")
    always_on: Annotated[bool, Field(strict=True, description="`true` to show it with every session.")]


def read_caution(name: str, text: str, shown: str, problems: list[Problem]) -> CautionText | None:
    """The caution of one file, or None with its faults added to `problems`.

    name   id: the file's name without `.md`
    text   the file's content
    shown  the file's name as the user would type it
    """
    known_before = len(problems)
    if not _CAUTION_ID.match(name):
        remedy = "Use small letters, digits and single hyphens, such as my-caution.md."
        problems.append(Problem(file=shown, what="The file name is no caution id.", remedy=remedy))
    lines = text.split("\n")
    close = next((at for at, line in enumerate(lines) if at > 0 and line.rstrip() == "---"), None)
    if close is None or lines[0].rstrip() != "---":
        what = "does not open with front matter."
        remedy = "Begin the file with a line ---, then signal, title, threshold, source, always_on, then ---."
        problems.append(Problem(file=shown, line=1, what=what, remedy=remedy))
        return None
    source = _front_matter(lines[1:close], shown, problems)
    head = validated(source, _FrontMatter, problems) if source is not None else None
    parts = _parts(lines, close + 1, shown, problems)
    if head is None or source is None or len(problems) > known_before:
        return None
    _check_id(name, head.always_on, source, problems)
    allowed = CAUTION_PLACES.get(name, frozenset())
    for key, words in (("title", head.title), ("threshold", head.threshold)):
        _check_places(words, allowed, source.shown, source.line((key,)), key, problems)
    for key, (line, words) in parts.items():
        _check_places(words, allowed, source.shown, line, key, problems)
    if len(problems) > known_before:
        return None
    return CautionText(
        id=name,
        signal=head.signal,
        title=head.title,
        hazard=parts["hazard"][1],
        consequence=parts["consequence"][1],
        avoidance=parts["avoidance"][1],
        threshold=head.threshold,
        source=head.source,
        always_on=head.always_on,
    )


def _front_matter(lines: Sequence[str], shown: str, problems: list[Problem]) -> YamlSource | None:
    """Flat `key: value` front matter that starts on line 2 of its file."""

    def fault(line: int | None, what: str, remedy: str, key: str = "") -> None:
        problems.append(Problem(file=shown, line=line, key=key, what=what, remedy=remedy))

    flat = "Write one `key: value` for each of signal, title, threshold, source, always_on."
    text = "\n" + "\n".join(lines)  # the empty line stands for the opening ---
    try:
        node = yaml.compose(text, Loader=yaml.SafeLoader)
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        fault(
            mark.line + 1 if mark else None,
            f"is not readable YAML: {(error.problem or 'unknown fault').strip()}.",
            "Check this line and the one above it; put text with a colon in quotes.",
        )
        return None
    except (yaml.YAMLError, RecursionError):
        fault(2, "is not readable YAML.", "Remove control characters and nested brackets.")
        return None
    if not isinstance(node, yaml.MappingNode):
        fault(2, "The front matter is not a list of keys.", flat)
        return None
    data: dict[str, Any] = {}
    places: dict[tuple[str | int, ...], int] = {(): 2}
    for key_node, value_node in node.value:
        line, key = key_node.start_mark.line + 1, str(key_node.value)
        if not (isinstance(key_node, yaml.ScalarNode) and isinstance(value_node, yaml.ScalarNode)):
            fault(line, "The front matter holds more than plain keys and values.", flat)
        elif key in data:
            fault(line, f"is given twice (first on line {places[(key,)]}).", "Keep one of them.", key)
        else:
            truth = value_node.tag == "tag:yaml.org,2002:bool"
            data[key] = value_node.value.lower() in ("true", "yes", "on") if truth else value_node.value
            places[(key,)] = line
    return YamlSource(shown, data, places)


def _parts(
    lines: Sequence[str], first: int, shown: str, problems: list[Problem]
) -> dict[str, tuple[int, str]]:
    """Field -> (line of its heading, its text on one line) of the three parts below the front matter."""
    order = "Write the three parts as ## Hazard, ## Consequence, ## Avoid, in this order."
    found: dict[str, tuple[int, list[str]]] = {}
    current: list[str] | None = None
    for number, line in enumerate(lines[first:], start=first + 1):
        if line.startswith("#"):
            heading = line.removeprefix("##").strip()
            field = CAUTION_HEADINGS.get(heading) if line.startswith("## ") else None
            if field is None or field in found:
                what = (
                    f"'{line.strip()}' is given twice."
                    if field
                    else f"'{line.strip()}' is no part of a caution."
                )
                problems.append(Problem(file=shown, line=number, key=heading, what=what, remedy=order))
                current = []
                continue
            current = []
            found[field] = (number, current)
        elif current is not None:
            current.append(line)
        elif line.strip():
            what = "Text stands before the first part."
            problems.append(Problem(file=shown, line=number, what=what, remedy=order))
            current = []
    texts = {field: (number, " ".join(" ".join(words).split())) for field, (number, words) in found.items()}
    for heading, field in CAUTION_HEADINGS.items():
        if field not in texts:
            problems.append(Problem(file=shown, key=heading, what="This part is missing.", remedy=order))
        elif not texts[field][1]:
            number = texts[field][0]
            remedy = "Write one short paragraph under it."
            problems.append(
                Problem(file=shown, line=number, key=heading, what="This part is empty.", remedy=remedy)
            )
    if set(texts) == set(CAUTION_HEADINGS.values()) and tuple(texts) != tuple(CAUTION_HEADINGS.values()):
        problems.append(Problem(file=shown, what="The parts are out of order.", remedy=order))
    return texts


def _check_id(name: str, always_on: bool, source: YamlSource, problems: list[Problem]) -> None:
    line = source.line(("always_on",))
    if name in ALWAYS_ON and not always_on:
        what, remedy = f"The caution '{name}' is shown with every session.", "Write always_on: true."
    elif name in CAUTION_PLACES and name not in ALWAYS_ON and always_on:
        what, remedy = f"The caution '{name}' is raised from the data only.", "Write always_on: false."
    elif name not in CAUTION_PLACES and not always_on:
        match = nearest(name, list(CAUTION_PLACES))
        what = f"Nothing raises a caution called '{name}'."
        remedy = (
            f"Did you mean '{match}'?" if match else "Write always_on: true to show it with every session."
        )
    else:
        return
    problems.append(Problem(file=source.shown, line=line, key="always_on", what=what, remedy=remedy))


def _check_places(
    words: str, allowed: Iterable[str], shown: str, line: int | None, key: str, problems: list[Problem]
) -> None:
    """Only bare {names} from the allowed list: an attribute or index would reach into the program."""
    known = sorted(allowed)

    def fault(what: str, remedy: str) -> None:
        problems.append(Problem(file=shown, line=line, key=key, what=what, remedy=remedy))

    try:
        places = [found[1:] for found in string.Formatter().parse(words) if found[1] is not None]
    except ValueError as error:
        fault(f"A brace does not match: {error}.", "Write {{ or }} for a brace that is meant as one.")
        return
    for name, layout, conversion in places:
        if layout or conversion:
            fault(
                f"'{{{name}}}' carries a layout.", f"Write only {{{name}}}; the value comes ready for print."
            )
        elif name not in known:
            remedy = suggestion(str(name), known) if known else "Write this text without braces."
            fault(f"'{{{name}}}' is no place of this caution.", remedy)
