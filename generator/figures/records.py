"""What a figure is before it is drawn."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import pandas as pd


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """One chart with all that a reader without eyes, scripts or trust needs.

    name     file stem and id, unique within its page's folder: "electrical_power-difference"
    title    what is drawn, for the heading above it
    states   text alternative: what the chart shows, in one or two sentences with the numbers
    note     how to read it ("The line is the 95 % interval; the shaded zone is the margin set before the test."), or ""
    spec     complete Vega-Lite specification with its data inlined (width for a wide page)
    narrow   the same for a phone (plot about 300 px wide, text 12 px), or None where one serves both
    table    what is drawn, column names with units, values rounded as published
    sources  log paths behind it
    """

    name: str
    title: str
    states: str
    note: str
    spec: Mapping[str, Any]
    narrow: Mapping[str, Any] | None
    table: pd.DataFrame
    sources: tuple[str, ...] = ()
