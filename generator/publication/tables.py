"""Tables as pages show them: headings and cells as text, with the links that lead to their source."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import pandas as pd

from generator.evidence.wording import MINUS, number

LONGEST = 60  # rows of a figure's table on a page
WORDY = 18  # characters from which a cell of words needs room, so that it does not become a column of single words


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """One cell.

    text     what it says
    href     where it leads, or ""
    numeric  whether it lines up on the right
    key      id of the cell, so that a number can be pointed at, or ""
    note     a second, quieter line, or ""
    """

    text: str
    href: str = ""
    numeric: bool = False
    key: str = ""
    note: str = ""

    @property
    def css_class(self) -> str:
        """`number`, `wordy`, or "" for a cell that needs no care."""
        if self.numeric:
            return "number"
        return "wordy" if max(len(self.text), len(self.note)) > WORDY else ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """A table with its name.

    key      id of the table
    caption  what it lists, also the name of its scroll box
    columns  headings; `numeric` tells how the column lines up
    rows     rows of cells; the first cell of each heads its row
    note     what was left out of it, or ""
    """

    key: str
    caption: str
    columns: tuple[Cell, ...]
    rows: tuple[tuple[Cell, ...], ...]
    note: str = ""


def table(key: str, caption: str, columns: Sequence[str], rows: Sequence[Sequence[Cell]]) -> Table:
    """A table whose columns line up as their cells do."""
    aligned = tuple(
        Cell(text=name, numeric=bool(rows) and all(row[place].numeric for row in rows))
        for place, name in enumerate(columns)
    )
    return Table(key=key, caption=caption, columns=aligned, rows=tuple(tuple(row) for row in rows))


def frame_table(key: str, caption: str, frame: pd.DataFrame) -> Table:
    """A figure's data frame as a table; values as the figure rounded them, empty where there is none.

    A page shows at most LONGEST rows; of a longer frame every n-th, and says so. Its CSV has them all.
    """
    step = math.ceil(len(frame) / LONGEST)
    shown = frame.iloc[:: max(step, 1)]
    columns = [str(name) for name in frame.columns]
    numeric = [pd.api.types.is_numeric_dtype(frame[name]) for name in frame.columns]
    decimals = [
        _decimals(shown.iloc[:, place]) if is_number else 0 for place, is_number in enumerate(numeric)
    ]
    rows = [
        [Cell(text=_value(value, decimals[place]), numeric=numeric[place]) for place, value in enumerate(row)]
        for row in shown.itertuples(index=False, name=None)
    ]
    made = table(key, caption, columns, rows)
    if step < 2:
        return made
    return replace(
        made, note=f"One row in {step} of {number(len(frame), 0)} is shown; the CSV file has them all."
    )


def _decimals(column: pd.Series[Any]) -> int:
    """Most decimal places any value of a column was rounded to, so that the points stand below each other."""
    texts = (f"{value:.10g}" for value in column if not pd.isna(value) and math.isfinite(value))
    return max((len(text.partition(".")[2]) for text in texts if "e" not in text), default=0)


def _value(value: object, decimals: int) -> str:
    if value is None or value is pd.NA or (isinstance(value, float) and math.isnan(value)):
        return ""
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        return str(value)
    return number(value, decimals) if math.isfinite(value) else str(value).replace("-", MINUS)
