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

from generator.evidence.wording import THIN
from generator.figures.styles import marks

WIDE = 640  # plot width on a wide page [px]
NARROW = 288  # plot width on a phone; with axis and padding it fits a 358 px column [px]
AXIS_TITLE = 16  # what a turned title left of the y axis takes from a phone's plot [px]
TEXT_SIZE = 12
CHARACTER = 6.6  # room for one character at 12 px in the widest of the fonts tried [px]
INK, QUIET, RULE = "var(--ink)", "var(--quiet)", "var(--rule)"
PAPER, ZONE, ZONE_EDGE = "var(--paper)", "var(--zone)", "var(--zone-edge)"

Align = Literal["left", "center", "right"]
Rows = Sequence[Mapping[str, Any]]

CONFIG: Mapping[str, Any] = {
    "font": "sans-serif",
    # room for readers' fonts, which run up to 15 % wider than the renderer measures
    "padding": {"left": 6, "right": 12, "top": 4, "bottom": 4},
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
        # on a phone long numbers would run into each other
        "labelOverlap": True,
        "labelSeparation": 6,
    },
    "axisY": {"domain": False, "ticks": False, "labelPadding": 6, "titlePadding": 13},
    "axisX": {"grid": False},
    "text": {"fontSize": TEXT_SIZE, "color": INK},
    "rule": {"color": ZONE_EDGE},
    "line": {"invalid": "break-paths-show-domains"},
    "locale": {"number": {"decimal": ".", "thousands": THIN, "grouping": [3], "currency": ["", ""]}},
}


class Sheet:
    """Collects the rows of one figure while its layers are built, then puts both together.

    Altair copies inline rows over and over while layers are combined (0.7 s for a trace of seven panels);
    here a layer only carries the name of its rows, and layers are joined as plain dictionaries.
    """

    def __init__(self) -> None:
        self._datasets: dict[str, list[dict[str, Any]]] = {}

    def rows(self, rows: Rows) -> alt.Chart:
        """A chart over these rows."""
        name = f"rows-{len(self._datasets) + 1}"
        self._datasets[name] = [dict(row) for row in rows]
        return alt.Chart(alt.NamedData(name=name))

    def at(self, **place: float) -> alt.Chart:
        """A chart over one row, for a line or a label; without a place, for one that needs none."""
        return self.rows([place])

    def view(self, layers: Sequence[alt.Chart], *, width: float, height: float) -> dict[str, Any]:
        """Layers over each other, for `finished` or `stacked`."""
        return {"layer": [_layer(layer) for layer in layers], "width": width, "height": height}

    def finished(self, view: Mapping[str, Any]) -> dict[str, Any]:
        """The complete specification in the one look; no schema check here, tests make it."""
        return {
            "$schema": alt.SCHEMA_URL,
            "config": copy.deepcopy(dict(CONFIG)),
            "background": "transparent",
            "autosize": {"type": "pad", "contains": "content"},
            **view,
            "datasets": self._datasets,
        }

    def stacked(self, views: Sequence[Mapping[str, Any]], *, spacing: int) -> dict[str, Any]:
        """Views below each other, each with scales of its own."""
        apart = {"scale": {"x": "independent", "y": "independent"}}
        return self.finished({"vconcat": list(views), "spacing": spacing, "resolve": apart})


def _layer(chart: alt.Chart) -> dict[str, Any]:
    """What a layer draws, as its chart's own `to_dict` gives it, which spends most of its time on what a sheet has not:
    data of its own, themes and other charts inside it."""
    drawn: dict[str, Any] = {}
    for key in ("name", "data", "mark", "encoding"):
        part = getattr(chart, key)
        if part is alt.Undefined:
            continue
        told = (
            part.to_dict(validate=False, context={"data": chart.data}) if hasattr(part, "to_dict") else part
        )
        if key == "mark" and isinstance(told, str):
            told = {"type": told}
        if told or key != "encoding":
            drawn[key] = told
    return drawn


def y_at(pixels: float) -> alt.YValue:
    """A fixed height, in pixels from the top of the plot."""
    return alt.YValue(pixels)  # type: ignore[no-untyped-call]


def y2_at(pixels: float | str) -> alt.Y2Value:
    """The other end of a mark of fixed height; "height" is the bottom of the plot."""
    return alt.Y2Value(pixels)  # type: ignore[no-untyped-call]


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
    titles         axis title (its lines joined by spaces) -> its narrow form
    """

    def walk(value: Any) -> Any:
        if isinstance(value, list):
            return [walk(inner) for inner in value]
        if not isinstance(value, dict):
            return value
        changed = {
            name: inner if name in ("data", "datasets") else walk(inner) for name, inner in value.items()
        }
        if "width" in changed and ("layer" in changed or "mark" in changed):
            changed["width"] = width
            if height is not None and "height" in changed:
                changed["height"] = height
        title = changed.get("title")
        if titles and isinstance(title, str | list):
            changed["title"] = titles.get(title if isinstance(title, str) else " ".join(title), title)
        if layers and changed.get("name") in layers:
            changed["mark"] = {**changed["mark"], **layers[changed["name"]]}
        return changed

    # every list and dictionary on the way is made anew; only the rows, which nobody changes, are shared
    result: dict[str, Any] = walk(dict(spec))
    return result


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


def title_lines(text: str, width: float) -> str | list[str]:
    """An axis title in as many lines as it needs at this width; plain text where one is enough."""
    lines = textwrap.wrap(text, max(10, int(width / (1.1 * CHARACTER))))
    return text if len(lines) <= 1 else lines


def wrapped(label: str, characters: int = 16, most: int = 3) -> list[str]:
    """A direct label in lines; what is beyond the last line is cut, the legend has it whole."""
    lines = textwrap.wrap(label, characters, break_on_hyphens=False) or [""]
    if len(lines) <= most:
        return lines
    return [*lines[: most - 1], lines[most - 1][: characters - 1].rstrip() + "…"]
