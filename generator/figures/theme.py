"""What all charts share: sizes, configuration, labels, and the narrow version derived from the wide one.

Titles, legends and notes stand in HTML, where they can be read, searched and translated; a chart carries axis
titles with units and a few direct labels. Text is the costly part of rendering, so axes have about five ticks.
"""

from __future__ import annotations

import copy
import math
import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import altair as alt

from generator.figures.numbers import NARROW_SPACE
from generator.figures.styles import marks

WIDE = 640  # plot width on a wide page [px]
NARROW = 290  # plot width on a phone; with axis and padding it fits a 358 px column [px]
TEXT_SIZE = 12
CHARACTER = 6.6  # room for one character at 12 px in the widest of the fonts tried [px]
INK, QUIET, RULE = "var(--ink)", "var(--quiet)", "var(--rule)"
PAPER, ZONE, ZONE_EDGE = "var(--paper)", "var(--zone)", "var(--zone-edge)"

Align = Literal["left", "center", "right"]
Rows = Sequence[Mapping[str, Any]]

CONFIG: Mapping[str, Any] = {
    "font": "sans-serif",
    "padding": 4,
    "view": {"stroke": None},
    "concat": {"spacing": 28},
    "axis": {
        "labelColor": QUIET,
        "titleColor": INK,
        "gridColor": RULE,
        "domainColor": ZONE_EDGE,
        "tickColor": ZONE_EDGE,
        "labelFontSize": TEXT_SIZE,
        "titleFontSize": TEXT_SIZE,
        "titleFontWeight": "normal",
        "titlePadding": 8,
        "tickCount": 5,
    },
    "axisY": {"domain": False, "ticks": False, "labelPadding": 6},
    "axisX": {"grid": False},
    "text": {"fontSize": TEXT_SIZE, "color": INK},
    "rule": {"color": ZONE_EDGE},
    "line": {"invalid": "break-paths-show-domains"},
    "locale": {
        "number": {"decimal": ".", "thousands": NARROW_SPACE, "grouping": [3], "currency": ["", ""]}
    },
}


def themed(chart: alt.LayerChart | alt.VConcatChart) -> dict[str, Any]:
    """The chart as a complete specification in the one look; no schema check here, tests make it."""
    spec: dict[str, Any] = chart.to_dict(validate=False)
    spec["config"] = copy.deepcopy(dict(CONFIG))
    spec["background"] = "transparent"
    spec["autosize"] = {"type": "pad", "contains": "content"}
    return spec


def narrowed(
    spec: Mapping[str, Any],
    *,
    width: int = NARROW,
    height: int | None = None,
    layers: Mapping[str, Mapping[str, Any]] | None = None,
    titles: Mapping[str, str | list[str]] | None = None,
) -> dict[str, Any]:
    """The same chart for a phone: other sizes, the same data.

    width, height  of every plot [px]; height None leaves it
    layers         name of a layer -> properties of its mark to change
    titles         axis title -> its narrow form
    """

    def walk(value: Any) -> Any:
        if isinstance(value, list):
            return [walk(inner) for inner in value]
        if not isinstance(value, dict):
            return value
        changed = {name: inner if name in ("data", "datasets") else walk(inner) for name, inner in value.items()}
        if "width" in changed and ("layer" in changed or "mark" in changed):
            changed["width"] = width
            if height is not None and "height" in changed:
                changed["height"] = height
        if titles and isinstance(changed.get("title"), str):
            changed["title"] = titles.get(changed["title"], changed["title"])
        if layers and changed.get("name") in layers:
            changed["mark"] = {**changed["mark"], **layers[changed["name"]]}
        return changed

    result: dict[str, Any] = walk(copy.deepcopy(dict(spec)))
    return result


def base(rows: Rows) -> alt.Chart:
    """A chart over inline rows."""
    return alt.Chart(alt.InlineData(values=[dict(row) for row in rows]))


@dataclass(frozen=True, slots=True, kw_only=True)
class Scales:
    """The channels that tell treatments apart: colour, marker and dash, all three on the field `treatment`."""

    colour: alt.Color
    stroke: alt.Stroke
    fill: alt.Fill
    shape: alt.Shape
    dash: alt.StrokeDash


def scales(treatments: Sequence[str], baseline: str) -> Scales:
    """Scales for these treatments, ids in the order of the session; without legend, which stands in HTML."""
    look = marks(treatments, baseline)
    domain = list(treatments)
    colours = alt.Scale(domain=domain, range=[look[name].colour for name in domain])
    shapes = alt.Scale(domain=domain, range=[look[name].shape for name in domain])
    dashes = alt.Scale(domain=domain, range=[list(look[name].dash) for name in domain])
    return Scales(
        colour=alt.Color("treatment:N", scale=colours, legend=None),
        stroke=alt.Stroke("treatment:N", scale=colours, legend=None),
        fill=alt.Fill("treatment:N", scale=colours, legend=None),
        shape=alt.Shape("treatment:N", scale=shapes, legend=None),
        dash=alt.StrokeDash("treatment:N", scale=dashes, legend=None),
    )


def side(share: float, text: str, width: float) -> Align:
    """Where a label anchored at this share of the plot's width goes so that it stays inside the plot."""
    half = len(text) * CHARACTER / 2
    if share * width < half:
        return "left"
    return "right" if (1 - share) * width < half else "center"


def extent(values: Sequence[float], *, pad: float = 0.06) -> tuple[float, float]:
    """Lowest and highest finite value with room at both ends; (-1, 1) where there is none."""
    finite = [value for value in values if math.isfinite(value)]
    if not finite:
        return (-1.0, 1.0)
    low, high = min(finite), max(finite)
    room = (high - low) * pad if high > low else max(abs(high) * pad, 1.0)
    return (low - room, high + room)


def spread(places: Sequence[float], gaps: Sequence[float], low: float, high: float) -> list[float]:
    """Places of labels pushed apart, as near as may be to where they belong.

    places  shape (n,), wanted centres [px]
    gaps    shape (n,), height each label needs [px]
    Returns shape (n,), in the order given; inside low..high where there is room for all
    """
    order = sorted(range(len(places)), key=lambda i: (places[i], i))
    result = list(places)
    floor = low
    for i in order:
        result[i] = max(result[i], floor + gaps[i] / 2)
        floor = result[i] + gaps[i] / 2
    ceiling = high
    for i in reversed(order):
        result[i] = min(result[i], ceiling - gaps[i] / 2)
        ceiling = result[i] - gaps[i] / 2
    return result


def wrapped(label: str, characters: int = 14) -> list[str]:
    """A direct label in lines; the third line and what follows it are cut, the legend has it whole."""
    lines = textwrap.wrap(label, characters) or [""]
    return lines if len(lines) <= 2 else [lines[0], lines[1][: characters - 1].rstrip() + "…"]
