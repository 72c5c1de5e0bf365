"""One run's raw trace in stacked panels, with what was averaged and what was found marked on it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import altair as alt

from generator.evidence.wording import counted, listed, number, spaced, with_unit
from generator.figures.numbers import drawn, titled
from generator.figures.records import Figure
from generator.figures.theme import (
    INK,
    NARROW,
    PAPER,
    WIDE,
    ZONE,
    ZONE_EDGE,
    Sheet,
    extent,
    narrowed,
    y2_at,
    y_at,
)
from generator.figures.trace_panels import HEIGHT, Panel, panels_of, thinned_line, trace_table, values_of
from generator.reduction.records import Finding, RunReduction, Window

STRIP = 15  # height of one line of the window strip [px]
AXIS = 64  # width kept for the labels left of every panel, so that all panels line up [px]
SHADED = ("averaged", "step")
FAINT = ("rest", "transition", "on")
# order of the lines in the window strip; "off" is what lies between "on"
KINDS = ("rest", "averaged", "step", "transition", "on")
LABEL_GAP = 0.22  # labels of findings nearer than this share of the run are not repeated
TITLE_Y = -5
# how a dash is written beside its name
DASH_SIGNS: dict[tuple[int, ...], str] = {(1, 0): "——", (6, 3): "– –", (2, 2): "····", (8, 2, 2, 2): "–·–"}


def run_trace(run: RunReduction, channels: Sequence[str] = ()) -> Figure | None:
    """The thinned raw trace over time, one panel a quantity; None for a run without readings.

    run       its `trace` has at most 1500 rows; what is drawn is thinned further, extremes kept
    channels  house columns to draw; all that have readings where empty
    """
    if run.trace.empty or "time_s" not in run.trace:
        return None
    panels = panels_of(run.trace, channels)
    if not panels:
        return None
    time = values_of(run.trace, "time_s")
    domain = (float(time[0]), float(time[-1]) if time[-1] > time[0] else float(time[0]) + 1.0)
    sheet = Sheet()
    views = [
        *_strip(sheet, run, domain),
        *(_panel(sheet, run, panel, domain, last=panel is panels[-1]) for panel in panels),
    ]
    spec = sheet.stacked(views, spacing=10)
    return Figure(
        name=f"{run.run_id}-trace",
        title="The raw trace, with what was averaged marked on it",
        states=_states(run, panels, domain),
        note=_note(run),
        spec=spec,
        narrow=narrowed(spec, width=NARROW - 16),
        table=trace_table(run.trace, panels),
        sources=(run.log,),
    )


def _time_axis(domain: tuple[float, float], *, shown: bool) -> alt.X:
    axis = alt.Axis(tickCount=5) if shown else None
    scale = alt.Scale(domain=list(domain), nice=False, zero=False)
    return alt.X("start_s:Q", title=titled("Time", "s"), scale=scale, axis=axis)


def _strip(sheet: Sheet, run: RunReduction, domain: tuple[float, float]) -> list[dict[str, Any]]:
    """One line for every kind of window, so that what was used can be told without colour."""
    kinds = [kind for kind in KINDS if any(window.kind == kind for window in run.windows)]
    general = _marks(sheet, [f for f in run.findings if not f.channel], domain)
    if not kinds:
        return []
    rows = [
        {
            "start_s": drawn(w.start_s, 2),
            "stop_s": drawn(w.stop_s, 2),
            "kind": w.kind,
            "label": spaced(w.label),
        }
        for w in run.windows
        if w.kind in kinds
    ]
    x = _time_axis(domain, shown=False)
    y = alt.Y(
        "kind:N",
        title=None,
        scale=alt.Scale(domain=kinds, paddingInner=0.3, paddingOuter=0.15),
        axis=alt.Axis(grid=False, minExtent=AXIS, maxExtent=AXIS, labelColor=INK, labelLimit=AXIS - 6),
    )
    bars: alt.Chart = sheet.rows(rows).mark_rect(fill=ZONE, stroke=ZONE_EDGE, strokeWidth=1).encode(
        x=x, x2=alt.X2("stop_s"), y=y
    )  # fmt: skip
    return [sheet.view([bars, *general], width=WIDE, height=STRIP * len(kinds))]


def _panel(
    sheet: Sheet, run: RunReduction, panel: Panel, domain: tuple[float, float], *, last: bool
) -> dict[str, Any]:
    time = values_of(run.trace, "time_s")
    lines = {
        c.column: thinned_line(time, panel.convert(values_of(run.trace, c.column))) for c in panel.channels
    }
    low, high = extent([v for line in lines.values() for _, v in line if v is not None], pad=0.05)
    x = _time_axis(domain, shown=last)
    y = alt.Y(
        "value:Q",
        title=titled(panel.label, panel.unit),
        scale=alt.Scale(domain=[low, high], nice=False, zero=False),
        axis=alt.Axis(
            tickCount=3,
            minExtent=AXIS,
            maxExtent=AXIS,
            titleAngle=0,
            titleAlign="left",
            titleAnchor="end",
            titleBaseline="bottom",
            titleX=0,
            titleY=TITLE_Y,
        ),
    )
    layers = [
        *_shading(sheet, run.windows, x),
        *(
            sheet.rows(
                [
                    {"start_s": drawn(t, 2), "value": None if v is None else drawn(v, panel.decimals)}
                    for t, v in lines[channel.column]
                ]
            )
            .mark_line(color=INK, strokeWidth=1.2, strokeDash=list(channel.dash))
            .encode(x=x, y=y)
            for channel in panel.channels
        ),
        *_keys(sheet, panel),
        *_marks(sheet, [f for f in run.findings if f.channel in lines], domain),
    ]
    return sheet.view(layers, width=WIDE, height=HEIGHT)


def _shading(sheet: Sheet, windows: Sequence[Window], x: alt.X) -> list[alt.Chart]:
    """Averaged stretches with drawn edges; other used stretches fainter and without."""
    layers: list[alt.Chart] = []
    looks: tuple[tuple[tuple[str, ...], dict[str, Any]], ...] = (
        (FAINT, {"fill": ZONE, "fillOpacity": 0.5}),
        (SHADED, {"fill": ZONE, "stroke": ZONE_EDGE, "strokeWidth": 1}),
    )
    for kinds, look in looks:
        rows = [
            {"start_s": drawn(w.start_s, 2), "stop_s": drawn(w.stop_s, 2)} for w in windows if w.kind in kinds
        ]
        if rows:
            layers.append(
                sheet.rows(rows)
                .mark_rect(**look)
                .encode(x=x, x2=alt.X2("stop_s"), y=y_at(0), y2=y2_at("height"))
            )
    return layers


def _keys(
    sheet: Sheet,
    panel: Panel,
) -> list[alt.Chart]:
    """Names of the lines where a panel has several, above it at the right, each with its dash."""
    if len(panel.channels) < 2:
        return []
    text = "    ".join(f"{DASH_SIGNS[channel.dash]} {channel.label}" for channel in panel.channels)
    return [
        sheet.at()
        .mark_text(text=text, align="right", baseline="bottom", x="width", color=INK)
        .encode(y=y_at(TITLE_Y))
    ]


def _marks(sheet: Sheet, findings: Sequence[Finding], domain: tuple[float, float]) -> list[alt.Chart]:
    """A triangle at the top of the panel for each finding with a time, named where there is room."""
    layers: list[alt.Chart] = []
    last = -math.inf
    placed = sorted((f for f in findings if f.start_s is not None), key=lambda f: f.start_s or 0.0)
    for finding in placed:
        start = min(max(finding.start_s or 0.0, domain[0]), domain[1])
        share = (start - domain[0]) / (domain[1] - domain[0])
        point = sheet.at(start_s=drawn(start, 2)).encode(
            x=alt.X("start_s:Q"),
            y=y_at(5),
        )
        grave = finding.grade != "noted"
        layers.append(
            point.mark_point(
                shape="triangle-down",
                size=54,
                fill=INK if grave else PAPER,
                stroke=INK,
                strokeWidth=1.2,
                opacity=1,
            )
        )
        if share - last >= LABEL_GAP:
            last = share
            side: dict[str, Any] = (
                {"align": "right", "dx": -8} if share > 0.75 else {"align": "left", "dx": 8}
            )
            look: dict[str, Any] = {"text": finding.kind, "baseline": "middle", **side}
            layers += [
                point.mark_text(**look, stroke=PAPER, strokeWidth=3, strokeJoin="round"),
                point.mark_text(**look, color=INK),
            ]
    return layers


def _states(run: RunReduction, panels: Sequence[Panel], domain: tuple[float, float]) -> str:
    names = [panel.label.lower() for panel in panels]
    seconds = with_unit(number(domain[1] - domain[0], 1), "s")
    text = f"Raw trace of run {run.run_id} over {seconds}: {listed(names)}."
    used = [w for w in run.windows if w.kind in SHADED]
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


def _note(run: RunReduction) -> str:
    parts = []
    kinds = {window.kind for window in run.windows}
    if kinds & set(SHADED):
        parts.append("Shaded with edges: averaged.")
    lighter = [kind for kind in FAINT if kind in kinds]
    if lighter:
        parts.append(f"Fainter: {listed(lighter)}.")
    if any(finding.start_s is not None for finding in run.findings):
        parts.append("A triangle marks something found in the data; a filled one weakens what rests on it.")
    parts.append("Lines are thinned for drawing, lowest and highest readings kept; nothing is smoothed.")
    return " ".join(parts)
