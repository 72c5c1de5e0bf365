"""Tables as pages show them: headings and cells as text, with the links that lead to their source."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import pandas as pd

from generator.evidence.wording import MINUS, THIN


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


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """A table with its name.

    key      id of the table
    caption  what it lists, also the name of its scroll box
    columns  headings; `numeric` tells how the column lines up
    rows     rows of cells; the first cell of each heads its row
    """

    key: str
    caption: str
    columns: tuple[Cell, ...]
    rows: tuple[tuple[Cell, ...], ...]


def table(key: str, caption: str, columns: Sequence[str], rows: Sequence[Sequence[Cell]]) -> Table:
    """A table whose columns line up as their cells do."""
    aligned = tuple(
        Cell(text=name, numeric=bool(rows) and all(row[place].numeric for row in rows))
        for place, name in enumerate(columns)
    )
    return Table(key=key, caption=caption, columns=aligned, rows=tuple(tuple(row) for row in rows))


def frame_table(key: str, caption: str, frame: pd.DataFrame) -> Table:
    """A figure's data frame as a table; values as the figure rounded them, empty where there is none."""
    columns = [str(name) for name in frame.columns]
    numeric = [pd.api.types.is_numeric_dtype(frame[name]) for name in frame.columns]
    rows = [
        [Cell(text=_value(value), numeric=numeric[place]) for place, value in enumerate(row)]
        for row in frame.itertuples(index=False, name=None)
    ]
    return table(key, caption, columns, rows)


def _value(value: object) -> str:
    if value is None or value is pd.NA or (isinstance(value, float) and math.isnan(value)):
        return ""
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        return str(value)
    text = f"{value:,}" if isinstance(value, int) else f"{value:,.10g}"
    return text.replace(",", THIN).replace("-", MINUS)
