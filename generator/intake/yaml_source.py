"""YAML with its line numbers kept: `yaml.safe_load` loses them, and an error without a line is no help."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import yaml

from generator.intake.outside import MAX_BYTES, UNSEEN
from generator.intake.problems import Problem

Path_ = tuple[str | int, ...]
MAX_NODES = 50_000
MAX_DEPTH = 40
MAX_KEY_CHARACTERS = 200
_SMALL = 200_000  # characters; a text of at most so many makes too few nodes to fill a machine's memory


@dataclass(frozen=True, slots=True)
class YamlSource:
    """A YAML file as plain data, and where each key stands.

    shown  the file's name as the user would type it
    data   mapping, or {} if the file could not be read
    lines  path of keys and indices -> 1-based line
    """

    shown: str
    data: dict[str, Any] = field(default_factory=dict)
    lines: Mapping[Path_, int] = field(default_factory=dict)

    def line(self, path: Path_) -> int | None:
        """Line of the deepest known part of `path`."""
        for end in range(len(path), -1, -1):
            if path[:end] in self.lines:
                return self.lines[path[:end]]
        return None


# The same nodes with the same marks, made by the C library where PyYAML was built with it: ten times as fast.
FAST_LOADER = getattr(yaml, "CSafeLoader", yaml.SafeLoader)


class _Builder:
    """Turns composed nodes into plain data. Times, dates and numbers stay what YAML 1.1 says, but
    sexagesimal numbers (`14:02`) stay text, since a start time is never meant as 842."""

    def __init__(self, shown: str) -> None:
        self.shown = shown
        self.lines: dict[Path_, int] = {}
        self.problems: list[Problem] = []
        self.nodes = 0
        self.scalars = yaml.SafeLoader("")

    def problem(self, node: yaml.Node, path: Path_, what: str, remedy: str) -> None:
        self.problems.append(
            Problem(
                file=self.shown, line=node.start_mark.line + 1, key=dotted(path), what=what, remedy=remedy
            )
        )

    def build(self, node: yaml.Node, path: Path_, depth: int = 0) -> Any:
        self.nodes += 1
        if self.nodes > MAX_NODES or depth > MAX_DEPTH:
            # an alias is counted each time it is used, so a few lines cannot stand for millions of values
            raise _TooLarge(node.start_mark.line + 1)
        self.lines.setdefault(path, node.start_mark.line + 1)
        if not isinstance(node, yaml.ScalarNode) and node.tag not in _PLAIN_COLLECTIONS:
            self.problem(node, path, f"The tag !{_tag(node)} is not allowed.", "Leave the tag out.")
        if isinstance(node, yaml.MappingNode):
            return self._mapping(node, path, depth)
        if isinstance(node, yaml.SequenceNode):
            return [self.build(child, (*path, i), depth + 1) for i, child in enumerate(node.value)]
        assert isinstance(node, yaml.ScalarNode)  # there are no other kinds
        return self._scalar(node, path)

    def _mapping(self, node: yaml.MappingNode, path: Path_, depth: int) -> dict[str, Any]:
        made: dict[str, Any] = {}
        for key_node, value_node in node.value:
            if not isinstance(key_node, yaml.ScalarNode):
                self.problem(key_node, path, "A key must be a plain word.", "Write `key: value`.")
                continue
            name = self._seen(key_node, path)
            if len(name) > MAX_KEY_CHARACTERS:
                what = f"A key of {len(name):,} characters stands here."
                self.problem(key_node, path, what, "Write `key: value`, with a short key.")
                continue
            if name in made:
                first = self.lines[(*path, name)]
                self.problem(
                    key_node, (*path, name), f"is given twice (first on line {first}).", "Keep one of them."
                )
                continue
            self.lines[(*path, name)] = key_node.start_mark.line + 1
            made[name] = self.build(value_node, (*path, name), depth + 1)
        return made

    def _scalar(self, node: yaml.ScalarNode, path: Path_) -> Any:
        tag, text = _tag(node), self._seen(node, path)
        if tag in {"int", "float"} and ":" in text:
            return text
        if tag in {"int", "float", "bool", "null", "timestamp"}:
            try:
                value = self.scalars.construct_object(node)
            except (ValueError, ArithmeticError, LookupError, AttributeError, yaml.YAMLError):
                return (
                    text  # such as `!!int ""`, a date that is none, or a whole number of thousands of digits
                )
            if isinstance(value, float) and not (value == 0.0 or _SMALLEST <= abs(value) <= _LARGEST):
                what = f"'{text[:40]}' is no number that anything at a bench has."
                self.problem(node, path, what, "Write a plain number.")
            elif isinstance(value, int) and abs(value) > _LARGEST:
                return text
            return value
        if tag != "str":
            self.problem(node, path, f"The tag !{tag} is not allowed.", "Write plain text or a number.")
        return text

    def _seen(self, node: yaml.ScalarNode, path: Path_) -> str:
        """The text of a node without characters that nobody sees; those are told."""
        text = str(node.value)
        found = UNSEEN.search(text)
        if found is None:
            return text
        what = f"holds the invisible character U+{ord(found.group()):04X}, which no text needs."
        self.problem(node, path, what, "Write the text anew without it.")
        return UNSEEN.sub("", text)


_PLAIN_COLLECTIONS = frozenset({"tag:yaml.org,2002:map", "tag:yaml.org,2002:seq"})
_SMALLEST, _LARGEST = 1e-18, 2**63 - 1  # what lies beyond is a slip or an attack


def _tag(node: yaml.Node) -> str:
    return str(node.tag).removeprefix("tag:yaml.org,2002:")[:60]


class _TooLarge(Exception):
    def __init__(self, line: int) -> None:
        self.line = line


def _count_first(text: str) -> None:
    """Raises _TooLarge before a text becomes nodes, each of which takes a hundred times its room."""
    for count, event in enumerate(yaml.parse(text, Loader=FAST_LOADER)):
        if count > 3 * MAX_NODES:
            raise _TooLarge(event.start_mark.line + 1 if event.start_mark else 1)


def dotted(path: Path_) -> str:
    """`("runs", 3, "log")` -> `runs[4].log`; people count from one."""
    text = ""
    for part in path:
        text += f"[{part + 1}]" if isinstance(part, int) else (f".{part}" if text else str(part))
    return text


def read_yaml(file: Path, shown: str) -> tuple[YamlSource, list[Problem]]:
    """Read one YAML file. Never raises for bad content; problems come back beside what could be read."""

    def failed(line: int | None, what: str, remedy: str) -> tuple[YamlSource, list[Problem]]:
        return YamlSource(shown), [Problem(file=shown, line=line, what=what, remedy=remedy)]

    try:
        if not file.is_file():
            return failed(None, "is missing.", "Create the file, or correct its name.")
        if file.stat().st_size > MAX_BYTES:
            return failed(
                None,
                "is larger than 2 MB.",
                "Keep measured data in logs; this file holds only the description.",
            )
        text = file.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError as error:
        return failed(None, f"is not UTF-8 text (byte {error.start}).", "Save it as UTF-8.")
    except OSError as error:
        return failed(
            None, f"cannot be read: {error.strerror}.", "Check that the file is there and may be read."
        )
    builder = _Builder(shown)
    try:
        if len(text) > _SMALL:
            _count_first(text)
        node = yaml.compose(text, Loader=FAST_LOADER)
        if node is None:
            return failed(1, "is empty.", "Fill it in, or remove it.")
        if not isinstance(node, yaml.MappingNode):
            return failed(1, "must hold `key: value` lines.", "Start with a key, for instance `title: ...`.")
        data = builder.build(node, ())
    except _TooLarge as large:
        return failed(
            large.line,
            "holds too much, or aliases that multiply.",
            "Write the values out, without aliases.",
        )
    except RecursionError:
        return failed(1, "is nested too deeply.", "Write it flat.")
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        reason = (error.problem or "is not readable YAML").strip()
        return failed(
            mark.line + 1 if mark else None,
            f"is not readable YAML: {reason}.",
            "Check indentation, colons and brackets on and above this line. Put text that holds a colon, a comma or a "
            "bracket in quotes, such as column: 'thrust [gf]'.",
        )
    except yaml.YAMLError as error:
        return failed(
            None, f"is not readable YAML: {str(error).splitlines()[0]}.", "Remove control characters."
        )
    return YamlSource(shown, data, builder.lines), builder.problems


def walk(data: Any, path: Path_ = ()) -> Iterator[tuple[Path_, Any]]:
    """Every value of plain data with its path."""
    yield path, data
    if isinstance(data, dict):
        for name, value in data.items():
            yield from walk(value, (*path, name))
    elif isinstance(data, list):
        for index, value in enumerate(data):
            yield from walk(value, (*path, index))
