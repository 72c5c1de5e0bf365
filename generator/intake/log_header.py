"""Lines of a log -> where its table is: column names, delimiter, first sample."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from generator.intake.log_bytes import refusal
from generator.intake.log_cells import (
    count_found,
    find_columns,
    is_clock,
    is_empty,
    is_number,
    position_of,
    printable,
    split_line,
)
from generator.intake.log_text import Comments, Indices, TextLines, is_blank, row_fits
from generator.intake.rig import LogFormat

MAX_COLUMNS = 10_000
# The header is looked for this far into the sample lines; loggers put at most a page before it.
_HEADER_LINES = 200
_HEADER_CHARACTERS = 4_000_000
_PREAMBLE_REMARKS = 5
_DELIMITERS = (",", ";", "\t", "|", " ")


@dataclass(frozen=True, slots=True, kw_only=True)
class LocatedTable:
    """The table inside a log.

    rows         shape (n,), 0-based line of each sample
    names        column names as written; `#1`, `#2`, ... where the log has none
    header_line  1-based line of the names, or None
    remarks      what was passed over to get here
    """

    lines: TextLines
    rows: Indices
    names: tuple[str, ...]
    header_line: int | None
    delimiter: str
    remarks: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Header:
    """`first` is the position, among the kept lines, of the first line below the names."""

    first: int
    line: int | None
    names: tuple[str, ...]
    delimiter: str


@dataclass(frozen=True, slots=True)
class _Search:
    """What the searches below share: the lines, and the columns that the rig wants (channel -> column)."""

    lines: TextLines
    kept: Indices
    wanted: Mapping[str, str]
    delimiters: tuple[str, ...]

    def head(self) -> list[str]:
        texts: list[str] = []
        room = _HEADER_CHARACTERS
        for index in self.kept[:_HEADER_LINES]:
            texts.append(self.lines.line(index))
            room -= len(texts[-1])
            if room < 0:
                break
        return texts

    def follows(self, names: Sequence[str], first: int, delimiter: str) -> bool:
        """True when one of the two lines from position `first` on has the width of the header."""
        below = self.kept[first : first + 2]
        return not below.size or any(
            row_fits(split_line(self.lines.line(index), delimiter), names) for index in below
        )

    def matches(self, names: Sequence[str]) -> int:
        return count_found(self.wanted.values(), names)


def locate_table(
    lines: TextLines,
    kept: Indices,
    comments: Comments,
    *,
    wanted: Mapping[str, str],
    log: LogFormat,
    shown: str,
    rig_file: str,
) -> LocatedTable:
    """Find the column names, the delimiter and the first sample.

    wanted  channel -> the rig's column, a name or `#3`
    Raises SeasonProblems when there is no table at all. Columns that are missing are left to the caller.
    """
    if not kept.size:
        what = "holds no table, only comments, blank or skipped lines."
        raise refusal(
            shown, what, f"Check `log: comment` and `log: skip_rows` in {rig_file}, or copy the log again."
        )
    search = _Search(lines, kept, wanted, (log.delimiter,) if log.delimiter else _DELIMITERS)
    if log.header_row is not None and not log.no_header:
        header = _stated_header(search, log, comments, shown, rig_file)
    elif log.no_header or all(position_of(column) is not None for column in wanted.values()):
        header = _header_by_position(search, no_header=log.no_header)
    else:
        header = _header_by_name(search, comments)
    if len(header.names) > MAX_COLUMNS:
        what = f"has {len(header.names):,} columns; at most {MAX_COLUMNS:,} are read."
        raise refusal(shown, what, f"Check `log: delimiter` in {rig_file}.", line=header.line)
    return _below(search, header)


def _below(search: _Search, header: _Header) -> LocatedTable:
    rows = search.kept[header.first :]
    above = search.kept[: header.first]
    above = above if header.line is None else above[above < header.line - 1]
    remarks = [
        f"Line {int(index) + 1}, above the table: {printable(search.lines.line(index), 120)}"
        for index in above[:_PREAMBLE_REMARKS]
    ]
    if header.line is None:
        remarks.append("The log has no line of column names; its columns are counted.")
    elif rows.size:
        text = search.lines.line(rows[0])
        cells = split_line(text, header.delimiter)
        if _is_units_line(cells, header.names, search.wanted):
            remarks.append(
                f"Line {int(rows[0]) + 1} was passed over as a line of units: {printable(text, 120)}"
            )
            rows = rows[1:]
    return LocatedTable(
        lines=search.lines,
        rows=rows,
        names=header.names,
        header_line=header.line,
        delimiter=header.delimiter,
        remarks=tuple(remarks),
    )


def _is_units_line(cells: Sequence[str], names: Sequence[str], wanted: Mapping[str, str]) -> bool:
    """True when the time is no time and more of the wanted cells are text than are numbers.

    A single damaged cell in the first sample must not make that sample a line of units.
    """
    found = {channel: find_columns(column, names) for channel, column in wanted.items()}
    read = {channel: cells[at[0]] for channel, at in found.items() if len(at) == 1 and at[0] < len(cells)}
    time = read.get("time", "")
    if is_number(time) or is_clock(time):
        return False
    numbers = sum(is_number(cell) for cell in read.values())
    texts = sum(not is_empty(cell) and not is_number(cell) for cell in read.values())
    return texts > numbers and row_fits(cells, names) and (numbers == 0 or texts > 2)


def _header_by_name(search: _Search, comments: Comments) -> _Header:
    """First line with all names and a table below it; else one with all names; else the nearest to it."""
    complete: _Header | None = None
    partial: tuple[int, bool, _Header] | None = None
    too_wide: _Header | None = None
    for position, text in enumerate(search.head()):
        for delimiter in search.delimiters:
            names = split_line(text, delimiter)
            header = _Header(position + 1, int(search.kept[position]) + 1, tuple(names), delimiter)
            if len(names) > MAX_COLUMNS:
                too_wide = too_wide or header
                continue
            found = search.matches(names)
            if not found:
                continue
            follows = search.follows(names, header.first, delimiter)
            if found == len(search.wanted):
                if follows:
                    return header
                complete = complete or header
            elif partial is None or (found, follows) > partial[:2]:
                partial = (found, follows, header)
    nearest = too_wide or (partial[2] if partial else _guessed_header(search))
    return complete or _header_in_comment(search, comments) or nearest


def _header_in_comment(search: _Search, comments: Comments) -> _Header | None:
    """Some programs write the column names as a comment; taken only when all names are in it, above all samples."""
    for index, text in comments.first:
        first = int(np.searchsorted(search.kept, index))
        if first > 0:
            break
        for delimiter in search.delimiters:
            names = split_line(text, delimiter)
            if search.matches(names) == len(search.wanted) and search.follows(names, first, delimiter):
                return _Header(first, index + 1, tuple(names), delimiter)
    return None


def _guessed_header(search: _Search) -> _Header:
    """No name was found anywhere: the first line, cut in as many cells as the line below it, for the message."""
    text = search.lines.line(search.kept[0])
    trials = [(split_line(text, delimiter), delimiter) for delimiter in search.delimiters]
    fitting = [trial for trial in trials if search.follows(trial[0], 1, trial[1])]
    names, delimiter = max(fitting or trials, key=lambda trial: len(trial[0]))
    return _Header(1, int(search.kept[0]) + 1, tuple(names), delimiter)


def _stated_header(search: _Search, log: LogFormat, comments: Comments, shown: str, rig_file: str) -> _Header:
    """The line that the rig states as `header_row`, even when it is a comment."""
    assert log.header_row is not None
    index = log.header_row - 1
    text = dict(comments.first).get(index) or (search.lines.line(index) if index < len(search.lines) else "")
    if is_blank(text) or index < log.skip_rows:
        what = f"has no column names in line {log.header_row}, which `log: header_row` states."
        raise refusal(
            shown, what, f"Correct `log: header_row` in {rig_file}, or leave it out to have it found."
        )
    first = int(np.searchsorted(search.kept, index, side="right"))
    trials = [(split_line(text, delimiter), delimiter) for delimiter in search.delimiters]
    names, delimiter = max(
        trials,
        key=lambda trial: (
            search.matches(trial[0]),
            search.follows(trial[0], first, trial[1]),
            len(trial[0]),
        ),
    )
    return _Header(first, index + 1, tuple(names), delimiter)


def _header_by_position(search: _Search, *, no_header: bool) -> _Header:
    """Columns are counted: the first line with numbers in all of them is the first sample.

    A line of the same width just above it holds the names; above a line of units, the line before that.
    """
    positions = {channel: position_of(column) for channel, column in search.wanted.items()}
    texts = search.head()
    for at, text in enumerate(texts):
        trials: list[tuple[float, int, list[str], str]] = []
        for delimiter in search.delimiters:
            cells = split_line(text, delimiter)
            if _holds_sample(cells, positions):
                share = sum(is_number(cell) or is_empty(cell) or is_clock(cell) for cell in cells) / len(
                    cells
                )
                trials.append((share, len(cells), cells, delimiter))
        if not trials:
            continue
        _, _, sample, delimiter = max(trials, key=lambda trial: trial[:2])
        if no_header:
            return _Header(0, None, _counted(len(sample)), delimiter)
        return _named_above(search, texts, at, sample, delimiter)
    if no_header:
        guess = _guessed_header(search)
        return _Header(0, None, _counted(len(guess.names)), guess.delimiter)
    return _guessed_header(search)


def _named_above(
    search: _Search, texts: Sequence[str], at: int, sample: Sequence[str], delimiter: str
) -> _Header:
    """The line of names above the sample at position `at`, with or without a line of units between them.

    A line of the same width with a number in it is no name but a damaged sample: it becomes the first row,
    so that its fault is reported and not passed over.
    """
    names_at: int | None = None
    for above in range(at - 1, -1, -1):
        names = split_line(texts[above], delimiter)
        if not row_fits(sample, names):
            break
        if any(map(is_number, names)):
            if names_at is not None:
                break
            at = above
        elif at - above <= 2:
            names_at = above
    if names_at is None:
        return _Header(at, None, _counted(len(sample)), delimiter)
    names = split_line(texts[names_at], delimiter)
    return _Header(names_at + 1, int(search.kept[names_at]) + 1, tuple(names), delimiter)


def _counted(width: int) -> tuple[str, ...]:
    return tuple(f"#{column + 1}" for column in range(width))


def _holds_sample(cells: Sequence[str], positions: Mapping[str, int | None]) -> bool:
    for channel, at in positions.items():
        if at is None:
            continue
        if at >= len(cells):
            return False
        cell = cells[at]
        if channel == "time" and not (is_number(cell) or is_clock(cell)):
            return False
        if not (is_number(cell) or is_empty(cell) or is_clock(cell)):
            return False
    return True
