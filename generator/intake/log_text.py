"""Text of a log -> its lines, and which of them are comments."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from generator.intake.log_bytes import refusal
from generator.intake.log_cells import printable
from generator.intake.log_records import SIMULATED_MARK

Indices = NDArray[np.int64]

MAX_LINE_BYTES = 1_000_000
MAX_LINES = 50_000_000  # each takes 16 bytes and more beside its own; a day at 500 samples a second
MAX_REMARKS = 20
_COMMENTS_KEPT = 200
_COMMENT_CHARACTERS = 100_000
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
    if sum(map(len, ends)) > MAX_LINES:
        what = f"holds more than {MAX_LINES:,} lines."
        raise refusal(shown, what, "Split the log, or store it at a lower sampling rate.")
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
            if len(first) < _COMMENTS_KEPT:
                first.append((int(index), text[:_COMMENT_CHARACTERS]))
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
