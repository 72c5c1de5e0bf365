"""Charts that can be explored where scripts run: the same chart with ranges and series that a reader can change.

The picture on the page is the chart; nothing here is loaded before a reader asks for it. A figure's exploring
form comes as a script beside its specification, since a page opened from disk may load scripts but not fetch
data. It keeps the specification's marks and numbers, and adds what exploring needs.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from importlib.metadata import version
from typing import Any

import vl_convert

from generator.figures.records import Figure
from generator.memory import Memory, fingerprint
from generator.publication import navigation
from generator.publication.svg import RENDERER, VEGA_LITE_VERSION, prepare_renderer

LIBRARY = f"{navigation.ASSETS}/charts.js"
LICENCES = "charts-licences.txt"  # beside it, from the layouts
READABLE = ("line", "point", "bar")  # marks with values a reader can be told; and intervals across
NUMBER = ",.5~r"
HIDDEN = "indexof(hidden, datum.treatment) < 0"
# Columns that say more of a point than its place does -> their names.
BESIDE: Mapping[str, str] = {
    "low": "Interval from",
    "high": "Interval to",
    "run": "Run",
    "direction": "Direction",
    "runs": "Runs",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Axis:
    """A range that a reader can change.

    name    of its parameters, which are this with `_low` and `_high`
    low     of the whole
    high    of the whole
    along   for an upright axis, the axis across that it follows; "" for one across
    series  for an upright axis, (data set, field across, field upright) of all it must hold
    """

    name: str
    low: float
    high: float
    along: str = ""
    series: tuple[tuple[str, str, str], ...] = ()


def explorable(spec: Mapping[str, Any]) -> tuple[dict[str, Any], tuple[Axis, ...], tuple[str, ...]]:
    """A specification with parameters for its ranges and its hidden series.

    spec     complete, of layers, or of such views below each other
    Returns  the specification, its axes, and the treatments that can be hidden (none where there is but one)
    Views whose range across is the same share it. Labels at a fixed place hide with the parameter `whole`, since
    they stand beside what they name only while everything is shown.
    """
    # the rows are most of it, and stay as they are
    made: dict[str, Any] = {key: _copied(value) for key, value in spec.items() if key != "datasets"}
    if "datasets" in spec:
        made["datasets"] = spec["datasets"]
    treatments = _treatments(made)
    axes: dict[str, Axis] = {}
    for place, view in enumerate(_views(made)):
        x, y = _domain(view, "x"), _domain(view, "y")
        if x is None:
            continue
        same = [axis.name for axis in axes.values() if not axis.along and (axis.low, axis.high) == x]
        across = same[0] if same else f"x{place}"
        if not same:
            axes[across] = Axis(name=across, low=x[0], high=x[1])
        upright = f"y{place}" if y is not None else ""
        if y is not None:
            series = tuple(_series(view))
            axes[upright] = Axis(name=upright, low=y[0], high=y[1], along=across, series=series)
        for layer in view["layer"]:
            _open_layer(layer, view, {"x": across, "y": upright}, hides=bool(treatments))
    values: dict[str, Any] = {"hidden": [], "whole": True}
    for axis in axes.values():
        values |= {f"{axis.name}_low": axis.low, f"{axis.name}_high": axis.high}
    made["params"] = [{"name": name, "value": value} for name, value in values.items()]
    return made, tuple(axes.values()), treatments


def _copied(value: Any) -> Any:
    """A plain value anew, lists and dictionaries at every depth."""
    if isinstance(value, dict):
        return {key: _copied(inner) for key, inner in value.items()}
    return [_copied(inner) for inner in value] if isinstance(value, list | tuple) else value


def _views(spec: Mapping[str, Any]) -> list[dict[str, Any]]:
    return [view for view in spec.get("vconcat", [spec]) if "layer" in view]


def _encodings(view: Mapping[str, Any], channel: str) -> Iterator[dict[str, Any]]:
    for layer in view["layer"]:
        encoding = layer.get("encoding", {}).get(channel)
        if isinstance(encoding, dict):
            yield encoding


def _domain(view: Mapping[str, Any], channel: str) -> tuple[float, float] | None:
    """Range of a view's axis, where it is one of rising numbers; rows that are only places have none."""
    for encoding in _encodings(view, channel):
        domain = encoding.get("scale", {}).get("domain") if isinstance(encoding.get("scale"), dict) else None
        if encoding.get("type") == "quantitative" and isinstance(domain, list) and len(domain) == 2:
            low, high = domain
            return (float(low), float(high)) if low < high else None
    return None


def _title(view: Mapping[str, Any], channel: str) -> str:
    for encoding in _encodings(view, channel):
        title = encoding.get("title")
        if title:
            return title if isinstance(title, str) else " ".join(title)
    return ""


def _treatments(spec: Mapping[str, Any]) -> tuple[str, ...]:
    """Treatments of the chart in their order, where there are several."""
    for view in _views(spec):
        for channel in ("color", "stroke"):
            for encoding in _encodings(view, channel):
                domain = encoding.get("scale", {}).get("domain", [])
                if encoding.get("field") == "treatment" and len(domain) > 1:
                    return tuple(domain)
    return ()


def _series(view: Mapping[str, Any]) -> Iterator[tuple[str, str, str]]:
    """What an upright axis must hold: (data set, field across, field upright)."""
    for layer in view["layer"]:
        encoding = layer.get("encoding", {})
        x, data = encoding.get("x", {}).get("field"), layer.get("data", {}).get("name")
        for channel in ("y", "y2"):
            y = encoding.get(channel, {}).get("field")
            if x and y and data:
                yield data, x, y


def _open_layer(
    layer: dict[str, Any], view: Mapping[str, Any], names: Mapping[str, str], *, hides: bool
) -> None:
    """One layer, changed in place: its ranges, its edges, its readings, its filter."""
    encoding = layer.get("encoding", {})
    mark = layer["mark"] if isinstance(layer["mark"], dict) else {"type": layer["mark"]}
    layer["mark"] = mark
    for channel, name in names.items():
        scale = encoding.get(channel, {}).get("scale")
        if name and isinstance(scale, dict) and isinstance(scale.get("domain"), list):
            scale["domain"] = [{"expr": f"{name}_low"}, {"expr": f"{name}_high"}]
    filters = []
    field = encoding.get("x", {}).get("field")
    if mark["type"] != "text":
        mark["clip"] = True
    elif field:
        # words stand outside the plot and cannot be clipped, so those whose place is out of range go
        filters.append(f"datum['{field}'] >= {names['x']}_low && datum['{field}'] <= {names['x']}_high")
    if not field and _at_fixed_place(mark, encoding):
        mark["opacity"] = {"expr": "whole ? 1 : 0"}
    channels = ("color", "stroke", "fill", "shape", "strokeDash", "detail")
    if hides and any(_field(encoding, channel) == "treatment" for channel in channels):
        filters.append(HIDDEN)
    if filters:
        layer["transform"] = [*layer.get("transform", []), *({"filter": text} for text in filters)]
    interval = mark["type"] == "rule" and _field(encoding, "x2")
    if (mark["type"] in READABLE or interval) and "tooltip" not in encoding:
        readings = _readings(encoding, view)
        if readings:
            encoding["tooltip"] = readings


def _at_fixed_place(mark: Mapping[str, Any], encoding: Mapping[str, Any]) -> bool:
    """Whether words or a leader stand at so many pixels, where their value was when everything was shown."""
    if mark["type"] not in ("text", "rule"):
        return False
    fixed = encoding.get("x", {}).get("value", mark.get("x"))
    return bool(fixed) if isinstance(fixed, int | float) else fixed == "width" and mark.get("align") == "left"


def _field(encoding: Mapping[str, Any], channel: str) -> str:
    found = encoding.get(channel, {})
    return str(found.get("field", "")) if isinstance(found, dict) else ""


def _readings(encoding: Mapping[str, Any], view: Mapping[str, Any]) -> list[dict[str, Any]]:
    """What a reader is told of a point: its place on the axes that have a title."""
    told = []
    for channel in ("x", "y"):
        title, field = _title(view, channel), _field(encoding, channel)
        if title and field:
            kind = encoding[channel].get("type", "quantitative")
            told.append({"field": field, "type": kind, "title": title})
    end = _field(encoding, "x2")
    if end and told:
        told[0]["title"] += ", from"
        told.insert(1, {"field": end, "type": "quantitative", "title": "to"})
    return [{**it, "format": NUMBER} if it["type"] == "quantitative" else it for it in told]


def _with_columns(
    layers: Sequence[dict[str, Any]], datasets: Mapping[str, Sequence[Mapping[str, Any]]]
) -> None:
    """Readings of layers whose rows carry more: an interval, a run, a direction; or a reading already in words."""
    for layer in layers:
        told = layer.get("encoding", {}).get("tooltip")
        rows = datasets.get(layer.get("data", {}).get("name", ""), ())
        if not told or not rows or not isinstance(told, list):
            continue
        if {"label", "reading"} <= rows[0].keys():
            told[:] = [{"field": name, "type": "nominal"} for name in ("label", "reading")]
            told[0]["title"], told[1]["title"] = "Difference", "Reading"
            continue
        known = {it["field"] for it in told}
        for field, title in BESIDE.items():
            if field in rows[0] and field not in known:
                number = isinstance(rows[0][field], int | float)
                kind = {"type": "quantitative", "format": NUMBER} if number else {"type": "nominal"}
                told.append({"field": field, "title": title, **kind})


# --- as files -------------------------------------------------------------------------------------------------


def piece_path(session_id: str, figure_name: str) -> str:
    """Path of a figure's exploring form: beside its specification, `.vl.js` for `.vl.json`."""
    return navigation.figure_file(session_id, figure_name, "vl.js")


def piece(figure: Figure) -> str:
    """A figure's exploring form as a script that hands itself over; ASCII, so that no reader needs to guess.

    Raises  ValueError for a number that JSON cannot hold
    """
    wide, axes, treatments = explorable(figure.spec)
    datasets: Mapping[str, list[dict[str, Any]]] = wide.pop("datasets", {})
    narrow = explorable(figure.narrow)[0] if figure.narrow is not None else dict(wide)
    for spec in (wide, narrow):
        for view in _views(spec):
            _with_columns(view["layer"], datasets)
    document = {
        "wide": wide,
        "narrow": {
            key: value for key, value in narrow.items() if key != "datasets" and wide.get(key) != value
        },
        "datasets": {name: _by_column(rows) for name, rows in datasets.items()},
        "axes": [
            {
                "name": axis.name,
                "low": axis.low,
                "high": axis.high,
                "along": axis.along,
                "series": [list(one) for one in axis.series],
            }
            for axis in axes
        ],
        "treatments": list(treatments),
    }
    return f"whirlbookChart({json.dumps(document, separators=(',', ':'), allow_nan=False)});\n"


def _by_column(rows: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    """Rows as columns, half the size; a column has None where a row lacks it."""
    names = list(dict.fromkeys(name for row in rows for name in row))
    return {"rows": len(rows), "columns": {name: [row.get(name) for row in rows] for name in names}}


def explore_assets(memory: Memory | None = None) -> dict[str, bytes]:
    """Path -> bytes of what is not in the layouts: the chart library. memory: where an earlier build kept it"""
    if memory is None:
        return {LIBRARY: chart_library()}
    key = fingerprint(RENDERER)
    kept = memory.libraries.find(key)
    return {LIBRARY: kept if kept is not None else memory.libraries.put(key, chart_library())}


@lru_cache(maxsize=1)
def chart_library() -> bytes:
    """The libraries that draw the figures, for the browser, from the renderer's own copy; the same on every machine.

    Wrapped, since its short global names would meet those of a page. It gives the page one function,
    `whirlbookDraw`. Takes about 3 s, once a process.
    """
    prepare_renderer()
    bundle = vl_convert.javascript_bundle("window.whirlbookDraw = vegaEmbed;", vl_version=VEGA_LITE_VERSION)
    made_by = f"vl-convert {version('vl-convert-python')}"
    head = (
        f"/* Vega {vl_convert.get_vega_version()}, Vega-Lite {VEGA_LITE_VERSION}, "
        f"Vega-Embed {vl_convert.get_vega_embed_version()} and what they build on, as bundled by {made_by}.\n"
        f"   Licences: {LICENCES} beside this file. */\n"
    )
    return f"{head}(function () {{\n{bundle}\n}})();\n".encode()
