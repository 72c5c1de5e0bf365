"""The quick way from a located table to numbers: blocks of lines given to pandas, several at a time.

A block is only read this way where the result is certain; the slightest doubt sends the whole table the slow
way, line by line, in `log_numbers`.
"""

from __future__ import annotations

import io
import os
from collections.abc import Collection, Iterable
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from generator.intake.log_cells import EMPTY_WORDS, split_line
from generator.intake.log_header import LocatedTable
from generator.intake.log_text import Indices, TextLines, row_fits

Column = NDArray[Any]

# Small enough for a processor's cache, large enough that starting pandas does not count.
_BLOCK_BYTES = 1 << 22
_THREADS = min(4, os.cpu_count() or 1)
_TRUTH_WORDS = (b"true", b"True", b"TRUE", b"false", b"False", b"FALSE")


def read_sound_blocks(
    table: LocatedTable, *, numbers: Collection[int], texts: Collection[int], decimal: str
) -> dict[int, Column] | None:
    """Columns of a table whose every line is sound, or None where any doubt is left.

    numbers  0-based columns to read as floats; NaN where a cell is empty
    texts    0-based columns to read as text; "" where a cell is empty
    Each column has shape (n,) for the n rows of the table.
    """
    width = width_of(table, (*numbers, *texts))
    if width is None:
        return None
    read = partial(
        read_block, table=table, numbers=sorted(numbers), texts=sorted(texts), decimal=decimal, width=width
    )
    last, first = table.rows[-1], table.rows[0]
    line_bytes = (table.lines.stops[last] - table.lines.starts[first] + 1) / len(table.rows)
    step = max(1, int(_BLOCK_BYTES / line_bytes))
    blocks = [table.rows[start : start + step] for start in range(0, len(table.rows), step)]
    head = read(blocks[0])  # alone, since a wrong decimal sign shows at once
    if head is None:
        return None
    parts = [head]
    if len(blocks) > 1:
        with ThreadPoolExecutor(_THREADS) as threads:
            for part in threads.map(read, blocks[1:]):
                if part is None:
                    threads.shutdown(wait=False, cancel_futures=True)
                    return None
                parts.append(part)
    return {column: np.concatenate([part[column] for part in parts]) for column in head}


def width_of(table: LocatedTable, wanted: Iterable[int]) -> int | None:
    """Cells of the first sample's line, or None where they do not fit the names or lack a wanted column."""
    cells = split_line(table.lines.line(int(table.rows[0])), table.delimiter)
    width = len(cells)
    fits = row_fits(cells, table.names) and width <= len(table.names) + 1 and max((*wanted, 0)) < width
    return width if fits else None


def _block_of(lines: TextLines, rows: Indices) -> bytes:
    """The bytes of some lines, one after another, without what stands between them."""
    breaks = np.flatnonzero(np.diff(rows) > 1)
    firsts = rows[np.concatenate(([0], breaks + 1))]
    lasts = rows[np.concatenate((breaks, [len(rows) - 1]))]
    return b"".join(
        lines.data[lines.starts[first] : lines.stops[last] + 1]
        for first, last in zip(firsts, lasts, strict=True)
    )


def read_block(
    rows: Indices, *, table: LocatedTable, numbers: list[int], texts: list[int], decimal: str, width: int
) -> dict[int, Column] | None:
    """Columns of some lines of a table, or None. width: cells that each line must have; the rest as above."""
    body = _block_of(table.lines, rows)
    # A cell in quotation marks may hold a delimiter, so there the count is left to pandas: a line that is too
    # long is an error when all columns are read, and one that is too short lacks its last cell.
    quoted = b'"' in body
    if not quoted and not _cells_agree(body, table.delimiter, width):
        return None
    watched = {width - 1} if quoted or width > len(table.names) else set()
    types: dict[int, type] = dict.fromkeys(range(width), str) | dict.fromkeys(numbers, np.float64)
    first_cells = split_line(table.lines.line(int(rows[0])), table.delimiter)
    if len(first_cells) != width:  # pandas takes the first line as the measure of the others
        return None
    try:
        frame = pd.read_csv(
            io.BytesIO(body),
            sep=r"\s+" if table.delimiter == " " else table.delimiter,
            header=None,
            names=list(range(width)),
            index_col=False,
            usecols=None if quoted else sorted({*texts, *numbers, *watched}),
            dtype=types,
            decimal=decimal,
            keep_default_na=False,
            na_values=list(EMPTY_WORDS),
            # one byte is sought far faster than two
            skipinitialspace=b" " in body and table.delimiter.encode() + b" " in body,
            low_memory=False,
            encoding="utf-8",
        )
    except (ValueError, OverflowError):
        return None
    if len(frame) != len(rows):
        return None
    if width > len(table.names):
        if not frame[width - 1].isna().all():
            return None
    elif quoted and frame[width - 1].isna().any():
        return None
    read: dict[int, Column] = {column: frame[column].to_numpy(dtype=np.float64) for column in numbers}
    if any(map(_may_be_truth_values, read.values())) and any(word in body for word in _TRUTH_WORDS):
        return None  # pandas reads True as 1
    return read | {column: frame[column].fillna("").to_numpy(dtype=object) for column in texts}


def _cells_agree(body: bytes, delimiter: str, width: int) -> bool:
    """True when each line of the block has `width` cells, counted by delimiters."""
    codes = np.frombuffer(body, dtype=np.uint8)
    ends = np.flatnonzero(codes == ord("\n"))
    if delimiter == " ":
        blank = (codes == ord(" ")) | (codes == ord("\t")) | (codes == ord("\n"))
        marks = np.flatnonzero(~blank & np.concatenate(([True], blank[:-1])))
        each = width
    else:
        marks = np.flatnonzero(codes == ord(delimiter))
        each = width - 1
    if len(marks) != each * len(ends):
        return False
    if not each:
        return True
    by_line = marks.reshape(-1, each)
    return bool((by_line[:, -1] < ends).all() and (by_line[1:, 0] > ends[:-1]).all())


def _may_be_truth_values(values: Column) -> bool:
    return bool(np.all((values == 0.0) | (values == 1.0) | np.isnan(values)))
