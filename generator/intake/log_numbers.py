"""A located table -> its wanted columns as numbers in the logger's own units.

Two ways to the same numbers: in blocks (`log_blocks`) where every line is sound; else line by line, which is
slow but knows the line of each fault.
"""

from __future__ import annotations

from array import array
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from generator.intake.log_blocks import read_sound_blocks
from generator.intake.log_cells import (
    PLACES_LISTED,
    is_empty,
    is_number,
    number_in,
    printable,
    shortened,
    split_line,
    split_quoted,
    text_remedy,
)
from generator.intake.log_header import LocatedTable
from generator.intake.log_text import Indices, least_cells, row_fits
from generator.intake.problems import Problem

Floats = NDArray[np.float64]

_SAMPLE_ROWS = 200


@dataclass(frozen=True, slots=True, kw_only=True)
class RawColumns:
    """Columns of a log before units.

    numbers  channel -> shape (n,), in the logger's unit; NaN where a cell was empty
    clock    shape (n,), texts of the time column where its unit is `clock`, else None
    lines    shape (n,), 1-based line of each sample; None for a file without lines
    rows     n
    """

    numbers: Mapping[str, Floats]
    clock: NDArray[np.object_] | None
    lines: Indices | None
    rows: int


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadResult:
    """Raw columns with what was found on the way; `faults` counts them all, `problems` lists the first."""

    raw: RawColumns
    decimal: str
    faults: int = 0
    problems: tuple[Problem, ...] = ()
    remarks: tuple[str, ...] = ()


def read_columns(
    table: LocatedTable,
    chosen: Mapping[str, int],
    *,
    clock: bool,
    decimal: str | None,
    shown: str,
    rig_file: str,
) -> ReadResult:
    """Numbers of the chosen columns.

    chosen   channel -> 0-based column
    clock    whether the time column holds clock times, which are kept as text
    decimal  as the rig states it, else found: the sign under which every chosen cell is a number
    Faulty cells and rows come back as problems with their lines; nothing is raised.
    """
    table, remarks = without_cut_end(table, chosen, clock)
    trials = (decimal,) if decimal else decimal_trials(table, chosen, clock)
    times = {chosen["time"]} if clock else set()
    numeric = {column for channel, column in chosen.items() if not (clock and channel == "time")}
    if table.rows.size and not times & numeric:
        for trial in trials:
            columns = read_sound_blocks(table, numbers=numeric, texts=times, decimal=trial)
            if columns is not None:
                raw = RawColumns(
                    numbers={name: columns[at] for name, at in chosen.items() if at in numeric},
                    clock=columns[chosen["time"]] if clock else None,
                    lines=table.rows + 1,
                    rows=len(table.rows),
                )
                return ReadResult(raw=raw, decimal=trial, remarks=remarks)
    results = []
    for trial in trials:
        results.append(_LineReader(table, chosen, clock, trial, shown, rig_file).read())
        if not results[-1].faults:
            break
    best = min(results, key=lambda result: result.faults)
    return replace(best, remarks=remarks)


def without_cut_end(
    table: LocatedTable, chosen: Mapping[str, int], clock: bool, before: int = 0
) -> tuple[LocatedTable, tuple[str, ...]]:
    """Leave out a last line that stops early: a logger that loses power ends in the middle of a line.

    before  lines of the log above those of the table
    """
    if not table.rows.size:
        return table, ()
    last = int(table.rows[-1])
    cells, closed = split_quoted(table.lines.line(last), table.delimiter)
    cut = not closed or len(cells) < least_cells(table.names)
    at_end = last == len(table.lines) - 1 and not table.lines.ended
    if not cut and at_end:
        numbers = [index for channel, index in chosen.items() if not (clock and channel == "time")]
        read = [cells[index] for index in numbers if index < len(cells)]
        cut = any(not is_empty(cell) and not is_number(cell) for cell in read)
    if cut:
        remark = f"Line {before + last + 1}, the last one, is incomplete and was left out."
        return replace(table, rows=table.rows[:-1]), (remark,)
    if at_end and len(cells) - 1 in chosen.values() and len(table.rows) > 1:
        return table, (f"Line {before + last + 1} has no line end; its last value may have been cut short.",)
    return table, ()


def decimal_trials(table: LocatedTable, chosen: Mapping[str, int], clock: bool) -> tuple[str, ...]:
    """Decimal signs to try, the likelier first, judged by the cells of the first samples."""
    points = commas = 0
    for index in table.rows[:_SAMPLE_ROWS]:
        cells = split_line(table.lines.line(index), table.delimiter)
        for channel, column in chosen.items():
            if column < len(cells) and not (clock and channel == "time"):
                cell = cells[column]
                points += "." in cell and is_number(cell, ".")
                commas += "," in cell and is_number(cell, ",")
    return (",", ".") if commas > points else (".", ",")


@dataclass(slots=True)
class _LineReader:
    """Reads one line at a time and keeps the first places of each kind of fault."""

    table: LocatedTable
    chosen: Mapping[str, int]
    clock: bool
    decimal: str
    shown: str
    rig_file: str
    faults: dict[str, list[Problem]] = field(default_factory=dict)
    counts: dict[str, int] = field(default_factory=dict)

    def read(self) -> ReadResult:
        table, numbers = self.table, {name: array("d") for name in self.chosen}
        times: list[str] = []
        lines = array("q")
        least, header = least_cells(table.names), [name.strip() for name in table.names]
        for index in table.rows:
            line = int(index) + 1
            cells, closed = split_quoted(table.lines.line(index), table.delimiter)
            if not closed:
                self._fault(
                    "quote", line, "", "a quotation mark is not closed on this line.", "Close or delete it."
                )
                continue
            if not least <= len(cells) <= len(header) and not row_fits(cells, table.names):
                self._ragged(line, len(cells))
                continue
            if cells[0].strip() == header[0] and [cell.strip() for cell in cells] == header:
                what = "the column names come a second time, so the logger was started again here."
                self._fault("names", line, "", what, "Split the log at this line.")
                continue
            read = {name: self._cell(name, line, cells) for name in self.chosen}
            if read.get("time", 0.0) is None:
                continue
            lines.append(line)
            for name, value in read.items():
                numbers[name].append(np.nan if value is None else value)
            if self.clock:
                times.append(cells[self.chosen["time"]].strip())
        raw = RawColumns(
            numbers={
                name: np.array(values, dtype=np.float64)
                for name, values in numbers.items()
                if not (self.clock and name == "time")
            },
            clock=np.array(times, dtype=object) if self.clock else None,
            lines=np.array(lines, dtype=np.int64),
            rows=len(lines),
        )
        problems = [one for key, listed in self.faults.items() for one in shortened(listed, self.counts[key])]
        faults = sum(self.counts.values())
        return ReadResult(raw=raw, decimal=self.decimal, faults=faults, problems=tuple(problems))

    def _cell(self, name: str, line: int, cells: Sequence[str]) -> float | None:
        """The number in a cell; None after a fault; 0 for a clock time, which is read later."""
        column = self.chosen[name]
        cell = cells[column] if column < len(cells) else ""
        if self.clock and name == "time":
            return 0.0
        value = number_in(cell, self.decimal)
        if value is None:
            remedy = text_remedy(cell, self.decimal, self.rig_file)
            self._fault(
                f"cell {name}", line, self._column(name), f"'{printable(cell)}' is not a number.", remedy
            )
        return value

    def _column(self, name: str) -> str:
        return printable(self.table.names[self.chosen[name]]) or name

    def _ragged(self, line: int, cells: int) -> None:
        expected = len(self.table.names)
        what = f"has {cells} cell{'s' if cells != 1 else ''}; the table has {expected} columns."
        remedy = "Complete this line, or delete it."
        if cells > expected and self.table.delimiter == ",":
            remedy += " If the logger writes decimal commas, let it part the columns with ';' or a tab."
        self._fault("ragged", line, "", what, remedy)

    def _fault(self, kind: str, line: int, key: str, what: str, remedy: str) -> None:
        self.counts[kind] = self.counts.get(kind, 0) + 1
        listed = self.faults.setdefault(kind, [])
        if len(listed) < PLACES_LISTED:
            listed.append(Problem(file=self.shown, line=line, key=key, what=what, remedy=remedy))
