"""The run sheet as Markdown: the same words as the page, for a printer, an editor or a repository."""

from __future__ import annotations

import re
from collections.abc import Iterator

from generator.planning.run_sheet_records import (
    Block,
    Cautions,
    Facts,
    Runs,
    RunSheet,
    Table,
    Ticks,
    Words,
)

_SPECIAL = re.compile(r"([\\`*_\[\]<>#|~])")
_LEADING = re.compile(r"^(\s*)([-+]|\d+[.)])(\s)")


def markdown(sheet: RunSheet) -> str:
    """The sheet as CommonMark with pipe tables and task lists; ends with a line break."""
    lines = [f"# {_text(sheet.title)}", "", _text(sheet.question), ""]
    lines += [f"- {_text(line)}" for line in sheet.meta] + [""]
    if sheet.notice:
        lines += [f"> {_text(sheet.notice)}", ""]
    for warning in sheet.warned:
        lines += [f"> **{_text(warning)}**", ""]
    lines += [f"**{_text(sheet.local_codes)}**", ""]
    for section in sheet.sections:
        lines += [f"## {_text(section.title)}", ""]
        for block in section.blocks:
            lines += [*_block(block), ""]
    lines.append(f"Made by Whirlbook {sheet.version} from session.yaml of {_text(sheet.session)}.")
    return re.sub(r"\n{3,}", "\n\n", "\n".join(lines)) + "\n"


def _block(block: Block) -> Iterator[str]:
    match block:
        case Words():
            for text in block.texts:
                yield from (_text(text), "")
        case Facts():
            for name, value in block.pairs:
                yield f"- **{_text(name)}:** {_text(value)}"
        case Ticks():
            for item in block.items:
                yield f"- [ ] {_text(item)}"
        case Table():
            yield from _table(block)
        case Cautions():
            for it in block.items:
                said = " ".join(part for part in (it.hazard, it.consequence) if part)
                yield f"- **{_text(it.signal)}: {_text(it.title)}.** {_text(said)}"
                if it.avoidance:
                    yield f"  *{_text(it.avoidance)}*"
        case Runs():
            yield from _runs(block)


def _table(table: Table) -> Iterator[str]:
    yield from (f"*{_text(table.caption)}*", "")
    yield _row(table.head)
    yield _row(["---:" if right else "---" for right in table.numeric], plain=True)
    for row in table.rows:
        yield _row(row)
    for note in table.notes:
        yield from ("", _text(note))


def _runs(runs: Runs) -> Iterator[str]:
    room = " · ".join(f"{_text(what)} \\_\\_\\_\\_\\_\\_" for what in runs.write)
    for run in runs.items:
        block = f", block {run.block}" if run.block else ""
        head = f"{run.procedure}, {run.treatment}, repeat {run.repeat}{block}"
        yield f"- [ ] **{_text(run.place)} {_text(head)}** (starts about {_text(run.starts)}, lasts {_text(run.lasts)})"
        yield "  log " + ", ".join(f"`{log}`" for log in (run.log, *run.further_logs)) + "  "
        for step in run.before:
            yield f"  {_text(step)}  "
        yield f"  {room}"


def _row(cells: tuple[str, ...] | list[str], plain: bool = False) -> str:
    return "| " + " | ".join(cell if plain else _text(cell) for cell in cells) + " |"


def _text(text: str) -> str:
    """Text with what Markdown would take for marks made plain, on one line."""
    flat = " ".join(text.split("\n"))
    return _LEADING.sub(r"\1\\\2\3", _SPECIAL.sub(r"\\\1", flat))
