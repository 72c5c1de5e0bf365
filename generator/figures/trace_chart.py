"""One run's raw trace about what was averaged of it: a row a channel, all in one plot, with means at level lines."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import altair as alt
import numpy as np

from generator.evidence.wording import counted, listed, number, spaced, with_unit
from generator.figures.numbers import drawn, lower_first, titled
from generator.figures.records import Figure
from generator.figures.theme import (
    CHARACTER,
    INK,
    NARROW,
    PAPER,
    QUIET,
    RULE,
    WIDE,
    ZONE,
    ZONE_EDGE,
    Sheet,
    narrowed,
    y2_at,
)
from generator.figures.trace_findings import ACROSS, NUMBER, Label, covered, finding_layers, labels_of, told
from generator.figures.trace_levels import MOVING, Level, Place, levels_of, numbered, with_number
from generator.figures.trace_panels import Array, Channel, channels_of, thinned_line, trace_table, values_of
from generator.reduction.records import RunReduction

NAMES = 112  # column of the names, left of the plot [px]
WIDTHS = (WIDE + 64 - NAMES, NARROW + 44 - NAMES)  # of the plot, wide and narrow [px]
STRIP = 15  # height of one line of the strip of windows [px]
BAR = 8  # height of a bar in it [px]
ROW = 53  # height of a row: room for a number, the trace, a gap [px]
TRACE_TOP, TRACE_BOTTOM = 14, 47  # of the trace in its row [px]
LINE = 14  # height of a line of text [px]
LETTERS = 14  # of a name on one line
USED = ("averaged", "step")
FAINT = ("rest", "transition", "on")
# order of the lines in the strip of windows; "off" is what lies between "on"
KINDS = ("rest", "averaged", "step", "transition", "on")
ONLY_WIDE = "numbers on a wide page only"
_TIME = titled("Time", "s")


@dataclass(frozen=True, slots=True, kw_only=True)
class _Row:
    """A channel as drawn: its readings in the published unit, shape (n,), its place, its level lines."""

    channel: Channel
    value: Array
    place: Place
    levels: tuple[Level, ...]


def run_trace(run: RunReduction, channels: Sequence[str] = ()) -> Figure | None:
    """The thinned raw trace over time, one row a channel; None for a run without readings.

    run       its `trace` has at most 1500 rows; what is drawn is thinned further, extremes kept
    channels  house columns to draw; all that have readings where empty
    """
    if run.trace.empty or "time_s" not in run.trace:
        return None
    found = channels_of(run.trace, channels)
    if not found:
        return None
    time = values_of(run.trace, "time_s")
    domain = (float(time[0]), float(time[-1]) if time[-1] > time[0] else float(time[0]) + 1.0)
    kinds = tuple(kind for kind in KINDS if any(window.kind == kind for window in run.windows))
    general = any(not f.channel and f.start_s is not None for f in run.findings)
    top = STRIP * max(len(kinds), int(general)) + 4.0
    labels = {c.column: labels_of(run, c.column, top + ROW * i, domain) for i, c in enumerate(found)}
    rows = _rows(run, found, time, domain, top, labels)
    height = top + ROW * len(rows)
    marks = [*labels_of(run, "", -3.0, domain), *(label for row in labels.values() for label in row)]

    sheet = Sheet()
    sheet_y = alt.Y("y:Q", axis=None, scale=alt.Scale(domain=[height, 0], nice=False))
    under = [*_windows(sheet, run, kinds, sheet_y), _between(sheet, rows, sheet_y)]
    lines = [_line(sheet, row, time, domain) for row in rows]
    over = [
        *_level_lines(sheet, rows, sheet_y),
        *finding_layers(sheet, marks, sheet_y),
        *_names(sheet, kinds, rows, sheet_y),
    ]
    view = sheet.view([*under, *over], width=WIDTHS[0], height=height)
    view["layer"][len(under) : len(under)] = lines
    # every row has its own range, all have one time
    spec = sheet.finished({**view, "resolve": {"scale": {"y": "independent"}}})
    return Figure(
        name=f"{run.run_id}-trace",
        title="The raw trace, with what was averaged marked on it",
        states=_states(run, found, domain),
        note=_note(run, rows),
        spec=spec,
        narrow=_narrow(spec),
        table=trace_table(run.trace, found),
        sources=(run.log,),
    )


def _narrow(spec: Mapping[str, Any]) -> dict[str, Any]:
    """For a phone: less wide, and without the numbers that have no room there."""
    made = narrowed(spec, width=WIDTHS[1])
    made["layer"] = [layer for layer in made["layer"] if layer.get("name") != ONLY_WIDE]
    return made


def _rows(
    run: RunReduction,
    channels: Sequence[Channel],
    time: Array,
    domain: tuple[float, float],
    top: float,
    labels: Mapping[str, Sequence[Label]],
) -> tuple[_Row, ...]:
    span = domain[1] - domain[0]
    apart = 2.5 * span / max(time.size - 1, 1)  # readings of the thinned trace stand up to two rows off
    values = [channel.convert(values_of(run.trace, channel.column)) for channel in channels]
    levels = [levels_of(run, c, time, v, apart) for c, v in zip(channels, values, strict=True)]
    wide = with_number(levels, channels, WIDTHS[0] / span)
    chosen = (wide, with_number(levels, channels, WIDTHS[1] / span, among=wide))
    made = []
    for i, (channel, value, own) in enumerate(zip(channels, values, levels, strict=True)):
        place = Place.of(value, top=top + ROW * i, inside=(TRACE_TOP, TRACE_BOTTOM, ROW))
        taken = [covered(label, span / WIDTHS[1]) for label in labels[channel.column]]
        shown = numbered(
            own, channel, place, (time, value), domain=domain, widths=WIDTHS, chosen=chosen, taken=taken
        )
        made.append(_Row(channel=channel, value=value, place=place, levels=shown))
    return tuple(made)


def _windows(sheet: Sheet, run: RunReduction, kinds: Sequence[str], y: alt.Y) -> list[alt.Chart]:
    """A line of bars for every kind of window, so that it can be told without colour, and their bands down all rows."""
    if not kinds:
        return []
    edges = [ZONE_EDGE if kind in USED else "transparent" for kind in kinds]
    rows = [
        {
            "start_s": drawn(w.start_s, 2),
            "stop_s": drawn(w.stop_s, 2),
            "kind": w.kind,
            "label": spaced(w.label),
            "y": STRIP * kinds.index(w.kind) + 3,
            "y2": STRIP * kinds.index(w.kind) + 3 + BAR,
        }
        for kind in sorted(kinds, key=lambda kind: kind in USED)
        for w in run.windows
        if w.kind == kind
    ]
    data = sheet.rows(rows)

    def by_kind(made: type[Any], values: Sequence[Any]) -> Any:
        return made("kind:O", scale=alt.Scale(domain=list(kinds), range=list(values)), legend=None)

    band = data.mark_rect(fill=ZONE, strokeWidth=1).encode(
        x=ACROSS,
        x2=alt.X2("stop_s"),
        y=y,
        y2=y2_at("height"),
        fillOpacity=by_kind(alt.FillOpacity, [1.0 if kind in USED else 0.5 for kind in kinds]),
        stroke=by_kind(alt.Stroke, edges),
    )
    bar = data.mark_rect(strokeWidth=1, stroke=INK).encode(
        x=ACROSS,
        x2=alt.X2("stop_s"),
        y=y,
        y2=alt.Y2("y2"),
        fill=by_kind(alt.Fill, [INK if kind in USED else PAPER for kind in kinds]),
    )
    return [band, bar]


def _between(sheet: Sheet, rows: Sequence[_Row], y: alt.Y) -> alt.Chart:
    """A hairline over every row, from its name to its end."""
    layer: alt.Chart = (
        sheet.rows([{"y": row.place.top} for row in rows])
        .mark_rule(color=RULE, strokeWidth=1, xOffset=-NAMES)
        .encode(x=alt.value(0), x2=alt.value("width"), y=y)
    )
    return layer


def _line(sheet: Sheet, row: _Row, time: Array, domain: tuple[float, float]) -> dict[str, Any]:
    """The raw trace of a row on its own range, lowest to highest reading.

    As Vega-Lite itself: there are ten of these in a figure, and Altair takes half a millisecond for each.
    """
    place, decimals = row.place, row.channel.decimals
    data = sheet.rows(
        [
            {"start_s": drawn(t, 2), "value": None if v is None else drawn(v, decimals)}
            for t, v in thinned_line(time, row.value)
        ]
    ).data
    value = {"field": "value", "type": "quantitative", "title": row.channel.title}
    across = {"field": "start_s", "type": "quantitative", "title": _TIME}
    own = {
        "domain": [place.low, place.high],
        "range": [place.low_y, place.high_y],
        "nice": False,
        "zero": False,
    }
    return {
        "data": {"name": data.name},
        "mark": {"type": "line", "color": QUIET, "strokeWidth": 1},
        "encoding": {
            "x": {
                **across,
                "scale": {"domain": list(domain), "nice": False, "zero": False},
                "axis": {"tickCount": 5, "labelFlush": True},
            },
            "y": {**value, "axis": None, "scale": own},
            "tooltip": [{**it, "format": NUMBER} for it in (across, value)],
        },
    }


def _level_lines(sheet: Sheet, rows: Sequence[_Row], y: alt.Y) -> list[alt.Chart]:
    """Means of the averaged stretches as strong level lines, with their numbers."""
    lines: list[dict[str, Any]] = []
    numbers: list[dict[str, Any]] = []
    more: list[dict[str, Any]] = []
    for row in rows:
        for level in row.levels:
            mean = drawn(level.mean, row.channel.decimals)
            lines.append(
                {
                    "channel": row.channel.title,
                    "mean": mean,
                    "start_s": drawn(level.window.start_s, 2),
                    "stop_s": drawn(level.window.stop_s, 2),
                    "y": round(row.place.y(level.mean), 1),
                }
            )
            if level.text:
                at = {"start_s": drawn(level.text_s, 2), "text": level.text, "y": round(level.text_y, 1)}
                (more if level.wide else numbers).append(at)
    layers = []
    if lines:
        layers.append(
            sheet.rows(lines)
            .mark_rule(color=INK, strokeWidth=2.5)
            .encode(
                x=ACROSS,
                x2=alt.X2("stop_s"),
                y=y,
                tooltip=[
                    alt.Tooltip("channel:N", title="Averaged"),
                    told("mean", "Mean"),
                    told("start_s", "From (s)"),
                    told("stop_s", "to (s)"),
                ],
            )
        )
    for texts, name in ((numbers, "numbers"), (more, ONLY_WIDE)):
        if texts:
            layers.append(
                sheet.rows(texts)
                .mark_text(baseline="middle", color=INK)
                .encode(x=ACROSS, y=y, text=alt.Text("text:N"))
                .properties(name=name)
            )
    return layers


def _names(sheet: Sheet, kinds: Sequence[str], rows: Sequence[_Row], y: alt.Y) -> list[alt.Chart]:
    """What opens a row: the channel's name, then its lowest and highest reading with the unit."""
    names = [{"text": [kind], "y": float(STRIP * i - 1)} for i, kind in enumerate(kinds)]
    ranges = []
    for row in rows:
        lines = textwrap.wrap(row.channel.label, LETTERS)
        names.append({"text": lines, "y": row.place.top + 5})
        ranges.append({"text": _range(row), "y": row.place.top + 5 + LINE * len(lines)})
    return [
        sheet.rows(texts)
        .mark_text(
            align="left", baseline="top", lineHeight=LINE, lineBreak="\n", x=0, dx=-NAMES, color=colour
        )
        .encode(y=y, text=alt.Text("text:N"))
        for texts, colour in ((names, INK), (ranges, QUIET))
    ]


def _range(row: _Row) -> str:
    """Lowest and highest reading in as many digits as tell them apart."""
    low, high = float(np.nanmin(row.value)), float(np.nanmax(row.value))
    most = row.channel.decimals
    decimals = min(max(1 - math.floor(math.log10(high - low)), 0), most) if high > low else most
    ends = ["0" if round(end, decimals) == 0.0 else number(end, decimals) for end in (low, high)]
    text = with_unit(" to ".join(dict.fromkeys(ends)), row.channel.unit)
    return "\n".join(textwrap.wrap(text, int(NAMES / CHARACTER)))


def _states(run: RunReduction, channels: Sequence[Channel], domain: tuple[float, float]) -> str:
    names = [lower_first(channel.label) for channel in channels]
    seconds = with_unit(number(domain[1] - domain[0], 1), "s")
    text = f"Raw trace of run {run.run_id} over {seconds}: {listed(names)}."
    used = [w for w in run.windows if w.kind in USED]
    if 0 < len(used) <= 4:
        spans = [
            f"{spaced(w.label)}, {number(w.start_s, 1)} to {with_unit(number(w.stop_s, 1), 's')}"
            for w in used
        ]
        text += f" Averaged: {'; '.join(spans)}."
    elif used:
        text += f" {counted(len(used), 'stretch', 'stretches')} were averaged."
    else:
        text += " Nothing was averaged."
    found = [f.sentence for f in run.findings]
    if found:
        text += f" Found: {' '.join(found[:4])}"
        if len(found) > 4:
            text += f" {counted(len(found) - 4, 'further finding')} in the list."
    return text


def _note(run: RunReduction, rows: Sequence[_Row]) -> str:
    parts = [
        "A row a channel, each on its own range, lowest to highest reading. The thin line is the raw trace."
    ]
    kinds = {window.kind for window in run.windows}
    if any(row.levels for row in rows):
        parts.append(
            "Shaded with edges: averaged; the thick line and its number are the mean of the thinned trace there, "
            "before the corrections that the results have."
        )
    elif kinds & set(USED):
        parts.append(
            "Shaded with edges: used as a whole, and no level."
            if run.procedure in MOVING
            else "Shaded with edges: averaged."
        )
    lighter = [kind for kind in FAINT if kind in kinds]
    if lighter:
        parts.append(f"Fainter: {listed(lighter)}.")
    if any(finding.start_s is not None for finding in run.findings):
        parts.append("A triangle marks something found in the data; a filled one weakens what rests on it.")
    parts.append("Lines are thinned for drawing, lowest and highest readings kept; nothing is smoothed.")
    return " ".join(parts)
