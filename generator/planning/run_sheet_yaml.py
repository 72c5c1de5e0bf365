"""The `runs:` list in session.yaml: written between two lines, every other byte of the file left as it is."""

from __future__ import annotations

import os
import re
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import yaml

from generator.intake.problems import Problem, SeasonProblems
from generator.intake.yaml_source import FAST_LOADER
from generator.planning.design_records import PlannedRun
from generator.planning.log_writer import is_simulated

MARKER = "# Written by whirlbook plan, which may replace this list as long as none of its logs exists."
_OWN_KEYS = {"log", "procedure", "treatment", "repeat", "block", "further_logs"}
# a line as plan and start write it: a log that is named after its place, procedure, treatment and repeat
_ITEM = re.compile(
    r"\s*- \{log: logs/\d+-(?P<p>[\w.-]+?)(-(?P<t>[\w.-]+))?-(?P<r>\d+)\.csv, procedure: (?P=p)"
    r"(?(t), treatment: '?(?P=t)'?), repeat: (?P=r)(, block: \d+)?"
    r"(, further_logs: \{('?[\w.-]+'?: \{log: logs/[\w.-]+\.csv\}(, )?)+\})?\}\s*$"
)
_EMPTY_VALUE = re.compile(r"^(runs\s*:)([ \t]+(?:\[[ \t]*\]|null|Null|NULL|~))?(?=[ \t]*(?:#|\r?\n|$))")


@dataclass(frozen=True, slots=True, kw_only=True)
class _Found:
    """Where the list stands now.

    first, last  its lines, counted from 0: first is that of the key, last the one after the list; both the place to
                 write at where there is no key
    has_key      whether `runs:` is there
    entries      what the list holds
    ours         whether every line of it is as plan and start write it, so that nobody's own words are lost with it
    """

    first: int
    last: int
    has_key: bool
    entries: tuple[dict[str, Any], ...]
    ours: bool


def with_runs(content: bytes, runs: Sequence[PlannedRun], shown: str, *, force: bool = False) -> bytes:
    """The content of a session.yaml with this list of runs in it.

    content  the file as it is, UTF-8, with or without a byte order mark, lines ended either way
    shown    its name as the user would type it
    force    replace a list that somebody typed; whether its logs exist is `require_no_logs`' business
    Returns  the new content: the same bytes but for the lines of the list. It is read again, and given only if it says
             the same as before in everything but `runs`
    Raises   SeasonProblems for a list that is not ours to replace, or a file whose shape does not allow it
    """
    mark = b"\xef\xbb\xbf" if content.startswith(b"\xef\xbb\xbf") else b""
    text = content[len(mark) :].decode("utf-8")
    found = _find(text, shown)
    if found.entries and not found.ours and not force:
        raise _refused(
            shown,
            found.first + 1,
            "holds a list that plan did not write, or that was changed since.",
            "Remove the list, or say --force to have it replaced.",
        )
    lines = text.splitlines(keepends=True)
    ending = "\r\n" if lines and lines[0].endswith("\r\n") else "\n"
    key_line = lines[found.first] if found.has_key else f"runs:{ending}"
    if found.has_key:
        key_line = _EMPTY_VALUE.sub(r"\1", key_line)
        if not key_line.endswith(("\n", "\r")):
            key_line += ending
    elif found.first and not lines[found.first - 1].endswith(("\n", "\r")):
        lines[found.first - 1] += ending
    made = [key_line, f"  {MARKER}{ending}", *(f"{_entry(run)}{ending}" for run in runs)]
    after = "".join([*lines[: found.first], *made, *lines[found.last :]])
    _require_same(text, after, runs, shown, found.first + 1)
    return mark + after.encode("utf-8")


def require_no_logs(content: bytes, folder: Path, shown: str, *, force: bool) -> None:
    """Refuse while logs exist that the list names: they are what the list tells of.

    force  simulated logs may be left without their list; measured ones never
    Raises SeasonProblems naming the first log in the way
    """
    text = content.decode("utf-8-sig")
    for log in [log for entry in _find(text, shown).entries for log in _logs(entry)]:
        file = folder / log
        if not (file.exists() or file.is_symlink()):
            continue
        simulated = is_simulated(file)
        if simulated and force:
            continue
        what = f"names {log}, which is there already{' and says it is simulated' if simulated else ''}."
        remedy = (
            "Say --force to plan anew all the same, or --dry-run to see a plan and write nothing."
            if simulated
            else "What has been measured is not planned anew: start a new session, or say --dry-run to see a plan."
        )
        raise _refused(shown, None, what, remedy)


def _logs(entry: dict[str, Any]) -> Iterator[str]:
    """Every log that an entry names: its own, and those of further loggers."""
    further = entry.get("further_logs")
    for group in (entry, *(further.values() if isinstance(further, dict) else ())):
        if isinstance(group, dict) and isinstance(group.get("log"), str):
            yield group["log"]


def replace_file(file: Path, content: bytes) -> None:
    """Whole or not at all: written beside, then renamed. Raises OSError where that cannot be."""
    file.parent.mkdir(parents=True, exist_ok=True)
    mode = file.stat().st_mode & 0o777 if file.exists() else 0o644
    handle, beside = tempfile.mkstemp(dir=file.parent, prefix=".plan-")
    try:
        with os.fdopen(handle, "wb") as out:
            out.write(content)
        os.chmod(beside, mode)
        os.replace(beside, file)
    except BaseException:
        Path(beside).unlink(missing_ok=True)
        raise


def _entry(run: PlannedRun) -> str:
    treatment = f", treatment: {_scalar(run.treatment)}" if run.treatment else ""
    block = f", block: {run.block}" if run.block is not None else ""
    boxes = ", ".join(f"{_scalar(box)}: {{log: {log}}}" for box, log in run.further_logs)
    further = f", further_logs: {{{boxes}}}" if boxes else ""
    what = f"log: {run.log}, procedure: {run.procedure}{treatment}, repeat: {run.repeat}{block}{further}"
    return f"  - {{{what}}}"


def _scalar(name: str) -> str:
    """A name as YAML reads it back: in quotes where it would be taken for a number, a date or a truth value."""
    return name if yaml.safe_load(name) == name else f"'{name}'"


def _find(text: str, shown: str) -> _Found:
    """The list's place by the marks of the parser, so that no word `runs:` inside a text is taken for it."""
    try:
        node = yaml.compose(text, Loader=FAST_LOADER)
    except yaml.YAMLError:
        node = None
    if not isinstance(node, yaml.MappingNode) or node.flow_style:
        raise _refused(shown, 1, "is not written as `key: value` lines.", "Write one key a line.")
    places = {str(key.value): (key, value) for key, value in node.value}
    lines = text.splitlines(keepends=True)
    if "runs" not in places:
        after = "procedures" if "procedures" in places else str(node.value[-1][0].value)
        line = _last_line(places[after][1], places[after][0].start_mark.line) + 1
        return _Found(
            first=min(line, len(lines)), last=min(line, len(lines)), has_key=False, entries=(), ours=True
        )
    key, value = places["runs"]
    first = key.start_mark.line
    entries = _plain(value)
    if key.start_mark.column != 0 or (entries and value.flow_style):
        raise _refused(
            shown, first + 1, "is not a list with one run a line.", "Write `runs:` and nothing after it."
        )
    last = (_last_line(value, first) if entries else first) + 1
    body = [line.rstrip("\r\n") for line in lines[first + 1 : last]]
    ours = all(line.strip() == MARKER or _ITEM.match(line) for line in body) and all(
        set(entry) <= _OWN_KEYS for entry in entries
    )
    # the marker of an emptied list goes with it
    if not entries and last < len(lines) and lines[last].strip() == MARKER:
        last += 1
    return _Found(first=first, last=last, has_key=True, entries=entries, ours=ours)


def _last_line(node: yaml.Node, at_least: int) -> int:
    """Line of the last character that belongs to a node; marks of block nodes run on over comments."""
    if isinstance(node, yaml.ScalarNode):
        if node.style in ("|", ">"):
            # the mark stands at the first line after the text and its blank lines
            return max(node.end_mark.line - 1, at_least)
        return max(node.end_mark.line if node.value or node.style else node.start_mark.line, at_least)
    assert isinstance(node, yaml.CollectionNode)
    if node.flow_style:
        return max(int(node.end_mark.line), at_least)
    children = [part for child in node.value for part in (child if isinstance(child, tuple) else (child,))]
    return max((_last_line(child, at_least) for child in children), default=at_least)


def _plain(value: yaml.Node) -> tuple[dict[str, Any], ...]:
    """Entries of the list as text values; anything else than a list of mappings counts as one strange entry."""
    if isinstance(value, yaml.ScalarNode) and value.tag == "tag:yaml.org,2002:null":
        return ()
    if not isinstance(value, yaml.SequenceNode):
        return ({"": value.value},)
    return tuple(
        {str(key.value): _held(inner) for key, inner in item.value}
        if isinstance(item, yaml.MappingNode)
        else {"": item.value}
        for item in value.value
    )


def _held(node: yaml.Node) -> Any:
    """Text of a plain value; groups as mappings."""
    if isinstance(node, yaml.MappingNode):
        return {str(key.value): _held(inner) for key, inner in node.value}
    return node.value


def _require_same(before: str, after: str, runs: Sequence[PlannedRun], shown: str, line: int) -> None:
    """The file says what it said, and the list what was planned; else nothing is written."""
    old, new = (yaml.load(text, Loader=yaml.BaseLoader) for text in (before, after))
    wanted = [
        {
            "log": run.log, "procedure": run.procedure, "repeat": str(run.repeat),
            **({"treatment": run.treatment} if run.treatment else {}),
            **({"block": str(run.block)} if run.block is not None else {}),
            **({"further_logs": {box: {"log": log} for box, log in run.further_logs}} if run.further_logs else {}),
        }
        for run in runs
    ]  # fmt: skip
    kept = {key: value for key, value in old.items() if key != "runs"}
    if new.get("runs") != wanted or {k: v for k, v in new.items() if k != "runs"} != kept:
        raise _refused(
            shown,
            line,
            "has a shape in which the list cannot be set safely.",
            "Write `runs:` on a line of its own.",
        )


def _refused(shown: str, line: int | None, what: str, remedy: str) -> SeasonProblems:
    return SeasonProblems([Problem(file=shown, line=line, key="runs", what=what, remedy=remedy)])
