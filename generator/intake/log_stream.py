"""Long text logs, read a block at a time: what stays in memory is the columns that are wanted, not the text.

Only where every block is plainly sound; the slightest doubt gives None, and the log is read whole, which takes more
memory and finds the line of each fault.
"""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Iterable, Iterator, Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from itertools import chain
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from generator.intake.log_blocks import read_block, width_of
from generator.intake.log_bytes import OpenedText, opened_text, text_of
from generator.intake.log_channels import choose_columns, is_clock_time, rig_file, wanted_columns
from generator.intake.log_header import LocatedTable, locate_table
from generator.intake.log_numbers import RawColumns, ReadResult, decimal_trials, without_cut_end
from generator.intake.log_text import MAX_LINES, Comments, cut_lines, sort_lines
from generator.intake.rig import Rig

BLOCK_BYTES = 1 << 22
STREAMED_FROM = 4 * BLOCK_BYTES  # bytes as stored; what is shorter is soon read whole
_THREADS = min(4, os.cpu_count() or 1)
# One byte a character, the same as in ASCII where it is ASCII: what the head is read as holds for the rest.
_LIKE_ASCII = frozenset({"utf-8", "utf-8-sig", "cp1252", "latin-1", "iso-8859-1", "ascii"})

Block = tuple[dict[int, NDArray[Any]], int, tuple[str, ...]]  # columns, lines of text, remarks


@dataclass(frozen=True, slots=True, kw_only=True)
class StreamedLog:
    """What reading a text log gives before units.

    table   where the table was found, with the lines of the log's beginning only
    chosen  channel -> 0-based column
    """

    container: str
    sha256: str
    encoding: str
    comments: Comments
    table: LocatedTable
    chosen: Mapping[str, int]
    result: ReadResult
    remarks: tuple[str, ...]


def read_streamed(file: Path, *, shown: str, rig: Rig, max_bytes: int) -> StreamedLog | None:
    """A long text log, or None where it is short, no text, or anything about it is in doubt.

    Raises SeasonProblems for a file that cannot be opened, is damaged, or opens to more than `max_bytes`
    """
    with opened_text(file, shown=shown, max_bytes=max_bytes, at_least=STREAMED_FROM) as opened:
        return None if opened is None else _read(opened, shown, rig)


def _read(opened: OpenedText, shown: str, rig: Rig) -> StreamedLog | None:
    blocks = _whole_lines(opened.pieces)
    text, encoding, said = text_of(next(blocks), rig.log.encoding, shown=shown, rig_file=rig_file(rig))
    if encoding.lower() not in _LIKE_ASCII or is_clock_time(rig) or said:
        return None
    if text.count(b"\n") > len(text) // 4:  # hardly anything but line ends
        return None
    lines = cut_lines(text, shown=shown)
    kept, comments = sort_lines(lines, comment=rig.log.comment, skip_rows=rig.log.skip_rows)
    if not kept.size or not lines.ended:
        return None
    table = locate_table(
        lines, kept, comments, wanted=wanted_columns(rig), log=rig.log, shown=shown, rig_file=rig_file(rig)
    )
    chosen, problems = choose_columns(table.names, rig=rig, shown=shown, header_line=table.header_line)
    width = width_of(table, chosen.values()) if table.rows.size else None
    if problems or "time" not in chosen or width is None:
        return None
    for decimal in (rig.log.decimal,) if rig.log.decimal else decimal_trials(table, chosen, clock=False):
        read = partial(
            read_block,
            table=table,
            numbers=sorted(set(chosen.values())),
            texts=[],
            decimal=decimal,
            width=width,
        )
        head = read(table.rows)
        if head is None:
            continue
        whole = opened.stored_bytes / len(text) if opened.container == "text" else 1.0
        # rows are about as long further down; a little more room costs nothing until it is used
        expected = min(int(1.01 * whole * len(table.rows)) + 1, MAX_LINES)
        result = _all_blocks(
            table, chosen, head, partial(_block, table, chosen, rig, shown, read), blocks, expected
        )
        if result is None:
            return None
        for _ in opened.pieces:  # so that the checksum is of all bytes
            pass
        return StreamedLog(
            container=opened.container, sha256=opened.sha256(), encoding=encoding, comments=comments, table=table,
            chosen=chosen, result=replace(result, decimal=decimal), remarks=(*table.remarks, *result.remarks),
        )  # fmt: skip
    return None


def _whole_lines(pieces: Iterator[bytes]) -> Iterator[bytes]:
    """Blocks of about BLOCK_BYTES that end with a line; the last one as the file ends."""
    waiting: list[bytes] = []
    size = 0
    for piece in pieces:
        waiting.append(piece)
        size += len(piece)
        if size < BLOCK_BYTES:
            continue
        block = b"".join(waiting)
        end = block.rfind(b"\n") + 1
        if end:
            yield block[:end]
        waiting, size = [block[end:]], len(block) - end
    rest = b"".join(waiting)
    if rest:
        yield rest


def _block(
    table: LocatedTable,
    chosen: Mapping[str, int],
    rig: Rig,
    shown: str,
    read: partial[Any],
    data: bytes,
    before: int,
) -> Block | None:
    """Columns of one block after the first, or None. before: lines above it, unknown (-1) but for the last block."""
    if not data.isascii():
        return None
    if b"\r" in data:
        data = data.replace(b"\r\n", b"\n")
    if b"\r" in data or b"\0" in data:
        return None
    lines = cut_lines(data, shown=shown)
    if (lines.stops <= lines.starts).any():  # an empty line
        return None
    rows, _ = sort_lines(lines, comment=rig.log.comment, skip_rows=0)
    if len(rows) != len(lines):
        return None
    own = replace(table, lines=lines, rows=rows)
    remarks: tuple[str, ...] = ()
    if before >= 0:
        own, remarks = without_cut_end(own, chosen, clock=False, before=before)
        if not own.rows.size:
            return {column: np.empty(0) for column in chosen.values()}, len(lines), remarks
    columns = read(own.rows, table=own)
    return None if columns is None else (columns, len(lines), remarks)


class _Growing:
    """Columns that grow, each in one piece: many small ones would leave holes in memory that nothing else fits into."""

    def __init__(self, columns: Iterable[int], expected: int) -> None:
        """expected: rows there is room for from the start, so that nothing is moved; not a limit"""
        self.rows, self._room = 0, expected
        self._columns: dict[int, NDArray[np.float64]] = {column: np.empty(expected) for column in columns}

    def add(self, block: Mapping[int, NDArray[Any]]) -> None:
        """More rows, the same number in each column."""
        more = len(next(iter(block.values())))
        if self.rows + more > self._room:
            self._resize(max(self.rows + more, self._room + self._room // 4))
        for column, values in block.items():
            self._columns[column][self.rows : self.rows + more] = values
        self.rows += more

    def _resize(self, rows: int) -> None:
        for values in self._columns.values():
            values.resize(rows, refcheck=False)  # nobody else holds them yet
        self._room = rows

    def taken(self) -> dict[int, NDArray[np.float64]]:
        """The columns, as long as they are."""
        self._resize(self.rows)
        return self._columns


def _all_blocks(
    table: LocatedTable, chosen: Mapping[str, int], head: Mapping[int, NDArray[Any]], block: partial[Block | None],
    blocks: Iterator[bytes], expected: int,
) -> ReadResult | None:  # fmt: skip
    """The columns of all blocks, some of them read at once; the last one by itself, since its end may be cut."""
    columns = _Growing(head, expected)
    columns.add(head)
    count = len(table.lines)
    waiting: bytes | None = None
    with ThreadPoolExecutor(_THREADS) as threads:
        under_way: deque[Future[Block | None]] = deque()
        for data in chain(blocks, (None,)):
            if waiting is not None and data is not None:
                under_way.append(threads.submit(block, waiting, -1))
            while under_way and (data is None or len(under_way) > _THREADS):
                done = under_way.popleft().result()
                if done is None or count > MAX_LINES:
                    return None
                columns.add(done[0])
                count += done[1]
            waiting = waiting if data is None else data
    end = block(waiting, count) if waiting is not None else None
    if end is None:
        return None
    columns.add(end[0])
    below = np.arange(columns.rows - len(table.rows)) + len(table.lines) + 1
    whole = columns.taken()
    raw = RawColumns(
        numbers={name: whole[at] for name, at in chosen.items()},
        clock=None,
        lines=np.concatenate((table.rows + 1, below)),
        rows=columns.rows,
    )
    return ReadResult(raw=raw, decimal=".", remarks=end[2])
