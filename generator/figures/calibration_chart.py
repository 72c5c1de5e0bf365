"""What a calibration line leaves over: load less corrected reading at each load, on the way up and on the way down."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import altair as alt
import pandas as pd

from generator.evidence.wording import counted, number, with_unit
from generator.figures.numbers import drawn, rounded, titled
from generator.figures.records import Figure
from generator.figures.theme import (
    AXIS_TITLE,
    INK,
    NARROW,
    PAPER,
    QUIET,
    WIDE,
    ZONE,
    Sheet,
    extent,
    narrowed,
)

HEIGHT = 220
SHAPES = {"up": "triangle-up", "down": "triangle-down"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Residual:
    """One load in the unit shown: the load itself, what the line leaves over, and the line's own uncertainty there."""

    load: float
    left_over: float
    line_u: float
    way: Literal["up", "down"]


def calibration_residuals(
    points: Sequence[Residual],
    *,
    name: str,
    channel: str,
    unit: str,
    residual_sd: float,
    sources: Sequence[str] = (),
) -> Figure | None:
    """Residuals against load with the band of the line; None without points.

    name         file stem
    channel      in words
    unit         of loads and residuals; residual_sd is in it too
    """
    if not points:
        return None
    places = max(0, min(6, 2 - math.floor(math.log10(residual_sd)))) if residual_sd > 0.0 else 3
    loads = [point.load for point in points]
    load_places = max(0, min(6, 2 - math.floor(math.log10(max(max(loads) - min(loads), 1e-9)))))
    reach = [2.0 * point.line_u for point in points]
    left = [point.left_over for point in points]
    low, high = extent([*left, *reach, *(-r for r in reach), 0.0], pad=0.1)
    sheet = Sheet()
    span = alt.Scale(domain=[low, high], nice=False, zero=False)
    x = alt.X(
        "load:Q",
        title=titled(f"Load on the {channel} channel", unit),
        scale=alt.Scale(domain=list(extent(loads, pad=0.04)), nice=False, zero=False),
    )
    y = alt.Y(
        "left_over:Q",
        title=titled("Load less corrected reading", unit),
        scale=span,
    )
    band = sorted({(p.load, 2.0 * p.line_u) for p in points})
    edges = [
        {"load": drawn(load, load_places), "low": drawn(-u, places), "high": drawn(u, places)}
        for load, u in band
    ]
    rows = [
        {
            "load": drawn(p.load, load_places),
            "left_over": drawn(p.left_over, places),
            "way": p.way,
        }
        for p in points
    ]
    shapes = alt.Scale(domain=list(SHAPES), range=list(SHAPES.values()))
    colours = alt.Scale(domain=list(SHAPES), range=[INK, QUIET])
    layers = [
        sheet.rows(edges)
        .mark_area(color=ZONE, opacity=0.7)
        .encode(x=x, y=alt.Y("low:Q", scale=span), y2=alt.Y2("high")),
        sheet.at(left_over=0.0).mark_rule(color=INK, strokeWidth=1, x=0, x2="width").encode(y=y),
        sheet.rows(rows)
        .mark_point(size=60, fill=PAPER, strokeWidth=1.6, opacity=1)
        .encode(
            x=x,
            y=y,
            shape=alt.Shape("way:N", scale=shapes, legend=None),
            stroke=alt.Stroke("way:N", scale=colours, legend=None),
        ),
    ]
    spec = sheet.finished(sheet.view(layers, width=WIDE, height=HEIGHT))
    largest = max(points, key=lambda point: abs(point.left_over))
    return Figure(
        name=name,
        title=f"What the calibration of the {channel} leaves over",
        states=(
            f"{counted(len(points), 'load')} from {number(min(loads), load_places)} to "
            f"{with_unit(number(max(loads), load_places), unit)}. The largest residual is "
            f"{with_unit(number(largest.left_over, places), unit)} at "
            f"{with_unit(number(largest.load, load_places), unit)}; they scatter by "
            f"{with_unit(number(residual_sd, places), unit)}."
        ),
        note="Triangles point up on the way up and down on the way down. The zone is twice the standard uncertainty of "
        "the line. A bow means that the channel is not straight; a gap between the two ways, that the stand has "
        "friction.",
        spec=spec,
        narrow=narrowed(spec, width=NARROW - AXIS_TITLE),
        table=_table(points, channel, unit, load_places, places),
        sources=tuple(sources),
    )


def _table(
    points: Sequence[Residual], channel: str, unit: str, load_places: int, places: int
) -> pd.DataFrame:
    rows: list[dict[str, Any]] = [
        {
            titled("Load", unit): rounded(point.load, load_places),
            "Way": point.way,
            titled("Load less corrected reading", unit): rounded(point.left_over, places),
            titled("Standard uncertainty of the line", unit): rounded(point.line_u, places),
        }
        for point in points
    ]
    return pd.DataFrame(rows)
