"""Text of a log -> where its table is and how it is written: lines, comments, header, delimiter."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from generator.intake.log_bytes import refusal
from generator.intake.log_cells import (
    find_columns,
    is_clock,
    is_empty,
    is_number,
    position_of,
    printable,
    split_line,
)
from generator.intake.log_records import SIMULATED_MARK
from generator.intake.rig import LogFormat

Indices = NDArray[np.int64]

MAX_LINE_BYTES = 1_000_000
MAX_COLUMNS = 10_000
MAX_REMARKS = 20
# The header is looked for this far into the sample lines; loggers put at most a page before it.
_HEADER_LINES = 200
_HEADER_CHARACTERS = 4_000_000
_DELIMITERS = (",", ";", "\t", "|", " ")
_SCAN_BYTES = 1 << 24


@dataclass(frozen=True, slots=True, kw_only=True)
class TextLines:
    """A log cut into lines.

    data    UTF-8, lines ended by \\n, the last one too
    starts  shape (n,), offset of each line's first byte
    stops   shape (n,), offset of each line's \\n
    ended   whether the last line had its line end in the file
    """

    data: bytes
    starts: Indices
    stops: Indices
    ended: bool

    def __len__(self) -> int:
        return len(self.starts)

    def line(self, index: int) -> str:
        """Text of one line, without its end."""
        return self.data[self.starts[index] : self.stops[index]].decode("utf-8", "replace")


@dataclass(frozen=True, slots=True, kw_only=True)
class Comments:
    """Comment lines: (0-based line, text after the mark), the first ones only; and what the log says of itself."""

    first: tuple[tuple[int, str], ...]
    simulated: str | None


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


def cut_lines(data: bytes, *, shown: str) -> TextLines:
    """Line ends of the whole text, found block by block to keep memory bounded.

    Raises SeasonProblems for a line over MAX_LINE_BYTES, which is no line of a table.
    """
    ended = data.endswith(b"\n")
    if not ended:
        data += b"\n"
    buffer = np.frombuffer(data, dtype=np.uint8)
    ends = [
        np.flatnonzero(buffer[start : start + _SCAN_BYTES] == ord("\n")) + start
        for start in range(0, len(buffer), _SCAN_BYTES)
    ]
    stops = np.concatenate(ends)
    starts = np.concatenate(([0], stops[:-1] + 1))
    too_long = np.flatnonzero(stops - starts > MAX_LINE_BYTES)
    if too_long.size:
        what = f"this line is longer than {MAX_LINE_BYTES:,} bytes."
        raise refusal(shown, what, "Store the log with one line for each sample.", line=int(too_long[0]) + 1)
    return TextLines(data=data, starts=starts, stops=stops, ended=ended)


def sort_lines(lines: TextLines, *, comment: str, skip_rows: int) -> tuple[Indices, Comments]:
    """0-based lines that are neither blank nor comment nor skipped; and the comments, skipped ones too.

    A comment inside quotation marks counts: spreadsheets quote a comment that holds a comma. A line of nothing
    but delimiters is blank: spreadsheets leave such lines below a table.
    """
    mark = comment.encode()
    hash_mark = b"#"
    suspicious = np.zeros(256, dtype=bool)
    suspicious[list({mark[0], hash_mark[0], *b'" \t,;|\n'})] = True
    buffer = np.frombuffer(lines.data, dtype=np.uint8)
    kept = np.ones(len(lines), dtype=bool)
    kept[:skip_rows] = False
    first: list[tuple[int, str]] = []
    simulated: str | None = None
    for index in np.flatnonzero(suspicious[buffer[lines.starts]]):
        piece = lines.data[lines.starts[index] : lines.stops[index]].strip(b" \t")
        bare = piece.removeprefix(b'"')
        if bare.startswith(mark):
            kept[index] = False
            text = _comment_text(piece, comment)
            if simulated is None and text.startswith(SIMULATED_MARK):
                simulated = printable(text, 300)
            if len(first) < _HEADER_LINES:
                first.append((int(index), text))
        elif bare.startswith(hash_mark):
            # A rehearsed log stays a rehearsed log whatever mark the rig states for comments.
            text = _comment_text(piece, "#")
            if simulated is None and text.startswith(SIMULATED_MARK):
                simulated = printable(text, 300)
        elif not piece.strip(b",;|\t "):
            kept[index] = False
    return np.flatnonzero(kept), Comments(first=tuple(first), simulated=simulated)


def _comment_text(piece: bytes, mark: str) -> str:
    text = piece.decode("utf-8", "replace")
    if text.startswith('"'):
        text = text.rstrip(",;|\t ").removeprefix('"').removesuffix('"').replace('""', '"')
    while text.startswith(mark):
        text = text.removeprefix(mark).lstrip()
    return text.rstrip(",;|\t ")


def row_fits(cells: Sequence[str], names: Sequence[str]) -> bool:
    """True when a line has a cell for each name; unnamed columns and empty cells at the end do not matter."""
    if len(cells) > len(names):
        return all(is_blank(cell) for cell in cells[len(names) :])
    return len(cells) >= least_cells(names)


def least_cells(names: Sequence[str]) -> int:
    """Number of columns up to the last one that has a name."""
    count = len(names)
    while count > 1 and is_blank(names[count - 1]):
        count -= 1
    return count


def is_blank(cell: str) -> bool:
    """True for a cell without any text."""
    return not cell.strip()


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
        return sum(bool(find_columns(column, names)) for column in self.wanted.values())


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
        raise refusal(shown, what, f"Check `log: comment` and `log: skip_rows` in {rig_file}, or copy the log again.")
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
    remarks: list[str] = []
    if header.line is None:
        remarks.append("The log has no line of column names; its columns are counted.")
    elif rows.size:
        text = search.lines.line(rows[0])
        cells = split_line(text, header.delimiter)
        if _is_units_line(cells, header.names, search.wanted):
            remarks.append(f"Line {int(rows[0]) + 1} was passed over as a line of units: {printable(text, 120)}")
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
    """True when the time is text and so are more of the wanted cells than are numbers.

    A single damaged cell in the first sample must not make that sample a line of units.
    """
    found = {channel: find_columns(column, names) for channel, column in wanted.items()}
    read = {channel: cells[at[0]] for channel, at in found.items() if len(at) == 1 and at[0] < len(cells)}
    time = read.get("time", "")
    if is_empty(time) or is_number(time) or is_clock(time):
        return False
    numbers = sum(is_number(cell) for cell in read.values())
    texts = sum(not is_empty(cell) and not is_number(cell) for cell in read.values())
    return texts > numbers and row_fits(cells, names) and (numbers == 0 or texts > 2)


def _header_by_name(search: _Search, comments: Comments) -> _Header:
    """First line with all names and a table below it; else one with all names; else the nearest to it."""
    complete: _Header | None = None
    partial: tuple[int, bool, _Header] | None = None
    for position, text in enumerate(search.head()):
        for delimiter in search.delimiters:
            names = split_line(text, delimiter)
            if len(names) > MAX_COLUMNS and delimiter == " ":
                continue
            found = search.matches(names)
            if not found:
                continue
            header = _Header(position + 1, int(search.kept[position]) + 1, tuple(names), delimiter)
            follows = search.follows(names, header.first, delimiter)
            if found == len(search.wanted):
                if follows:
                    return header
                complete = complete or header
            elif partial is None or (found, follows) > partial[:2]:
                partial = (found, follows, header)
    return complete or _header_in_comment(search, comments) or (partial and partial[2]) or _guessed_header(search)


def _header_in_comment(search: _Search, comments: Comments) -> _Header | None:
    """Some programs write the column names as a comment; taken only when all names are in it."""
    for index, text in comments.first:
        first = int(np.searchsorted(search.kept, index))
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
        raise refusal(shown, what, f"Correct `log: header_row` in {rig_file}, or leave it out to have it found.")
    first = int(np.searchsorted(search.kept, index, side="right"))
    trials = [(split_line(text, delimiter), delimiter) for delimiter in search.delimiters]
    names, delimiter = max(
        trials,
        key=lambda trial: (search.matches(trial[0]), search.follows(trial[0], first, trial[1]), len(trial[0])),
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
                share = sum(is_number(cell) or is_empty(cell) or is_clock(cell) for cell in cells) / len(cells)
                trials.append((share, len(cells), cells, delimiter))
        if not trials:
            continue
        _, width, _, delimiter = max(trials, key=lambda trial: trial[:2])
        counted = tuple(f"#{column + 1}" for column in range(width))
        if no_header:
            return _Header(0, None, counted, delimiter)
        header_at: int | None = None
        for above in range(at - 1, max(at - 3, -1), -1):
            names = split_line(texts[above], delimiter)
            if (not row_fits(names, counted) and not row_fits(counted, names)) or any(map(is_number, names)):
                break
            header_at = above
        if header_at is None:
            return _Header(at, None, counted, delimiter)
        names = split_line(texts[header_at], delimiter)
        return _Header(header_at + 1, int(search.kept[header_at]) + 1, tuple(names), delimiter)
    if no_header:
        guess = _guessed_header(search)
        return _Header(0, None, tuple(f"#{column + 1}" for column in range(len(guess.names))), guess.delimiter)
    return _guessed_header(search)


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
