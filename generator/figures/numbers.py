"""Numbers in tables and titles of figures; how they are written is `evidence.wording`'s."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray


def rounded(value: float, places: int) -> float | int:
    """A value as published: a whole number where no decimals are shown; NaN and infinity become NaN."""
    if not math.isfinite(value):
        return math.nan
    # adding zero turns -0.0 into 0.0
    return round(value, places) + 0.0 if places > 0 else int(round(value, places))


def rounded_column(values: NDArray[np.float64], places: int) -> NDArray[Any]:
    """`rounded` of a whole column, shape (n,), a hundred times as fast; whole numbers as such where none is missing."""
    finite = np.isfinite(values)
    made = np.where(finite, np.round(np.where(finite, values, 0.0), max(places, 0)) + 0.0, np.nan)
    return made.astype(np.int64) if places <= 0 and bool(finite.all()) else made


def drawn(value: float, places: int) -> float:
    """A value as drawn: one digit more than published, so that rounding moves no mark visibly."""
    return round(float(value), places + 1) + 0.0


def titled(label: str, unit: str) -> str:
    """A label with its unit, for an axis or a column: "Thrust (gf)"; the unit 1 is not written."""
    return label if unit in ("", "1") else f"{label} ({unit})"


def lower_first(label: str) -> str:
    """A label inside a sentence: "electrical power"."""
    return label[:1].lower() + label[1:]
