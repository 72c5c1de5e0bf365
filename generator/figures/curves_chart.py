"""Treatments' mean curves laid over each other: power against thrust, thrust per watt, speed against throttle."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import Any

import altair as alt
import pandas as pd

from generator.evidence.records import CurvePoint
from generator.evidence.wording import listed, number, with_unit
from generator.figures.direct_labels import DirectLabel, direct_labels, label_room
from generator.figures.numbers import drawn, lower_first, rounded, titled
from generator.figures.records import Figure
from generator.figures.styles import marks
from generator.figures.theme import AXIS_TITLE, NARROW, PAPER, WIDE, Sheet, extent, narrowed, scales

HEIGHT = 300
MARKERS = 16  # markers on a line; a finer curve carries one on every so many points

# field of CurvePoint -> name, unit, decimals as published
QUANTITIES: Mapping[str, tuple[str, str, int]] = {
    "throttle_percent": ("Throttle", "%", 0),
    "speed_rpm": ("Speed", "rpm", 0),
    "thrust_gf": ("Thrust", "gf", 0),
    "power_w": ("Electrical power", "W", 1),
    "thrust_per_power_gf_w": ("Thrust per watt", "gf/W", 2),
}


def curves(
    points: Sequence[CurvePoint],
    labels: Mapping[str, str],
    *,
    x: str,
    y: str,
    baseline: str,
    sources: Sequence[str] = (),
) -> Figure | None:
    """Mean curves of all treatments; None where no point has both quantities.

    points    points of all treatments and directions
    labels    treatment id -> label, all treatments in the order of the session
    x, y      fields of CurvePoint, one of QUANTITIES each
    baseline  id of the baseline treatment
    sources   log paths behind the points
    Raises    KeyError for a field that is no quantity
    """
    (x_name, x_unit, x_places), (y_name, y_unit, y_places) = QUANTITIES[x], QUANTITIES[y]
    rows = _rows(points, labels, x, y)
    if not rows:
        return None
    x_range, y_range = _range(rows, x), _range(rows, y)
    look, channels = marks(tuple(labels), baseline), scales(tuple(labels), baseline)
    texts = [
        DirectLabel(
            text=labels[treatment],
            y=HEIGHT * (y_range[1] - end[y]) / (y_range[1] - y_range[0]),
            colour=look[treatment].colour,
        )
        for treatment, end in _ends(rows, x).items()
    ]
    room = label_room(texts)
    x_axis = alt.X(
        f"{x}:Q",
        title=titled(x_name, x_unit),
        scale=alt.Scale(domain=list(x_range), nice=False, zero=False),
    )
    y_axis = alt.Y(
        f"{y}:Q",
        title=titled(y_name, y_unit),
        scale=alt.Scale(domain=list(y_range), nice=False, zero=False),
    )
    order = alt.Order("step:Q")
    up, down = ([row for row in rows if row["down"] is way] for way in (False, True))
    sheet = Sheet()
    layers = []
    if down:
        returning = sheet.rows(down)
        layers += [
            returning.mark_line(strokeWidth=1).encode(
                x=x_axis, y=y_axis, order=order, color=channels.colour, strokeDash=channels.dash
            ),
            sheet.rows([row for row in down if row["marker"]])
            .mark_point(size=34, fill=PAPER, strokeWidth=1.2, opacity=1)
            .encode(x=x_axis, y=y_axis, stroke=channels.stroke, shape=channels.shape),
        ]
    layers += [
        sheet.rows(up)
        .mark_line(strokeWidth=2.2)
        .encode(x=x_axis, y=y_axis, order=order, color=channels.colour, strokeDash=channels.dash),
        sheet.rows([row for row in up if row["marker"]])
        .mark_point(size=44, filled=True, opacity=1)
        .encode(x=x_axis, y=y_axis, color=channels.colour, shape=channels.shape),
        *direct_labels(sheet, texts, HEIGHT),
    ]
    spec = sheet.finished(sheet.view(layers, width=WIDE - room, height=HEIGHT))
    note = "Each point is the mean over the runs of a treatment."
    if down and up:
        note += (
            " Bold lines with filled markers: throttle going up. Thin lines with open markers: coming down."
        )
    return Figure(
        name=f"{_stem(y)}-against-{_stem(x)}",
        title=f"{y_name} against {lower_first(x_name)}",
        states=_states(rows, labels, x, y),
        note=note,
        spec=spec,
        narrow=narrowed(spec, width=NARROW - AXIS_TITLE - room),
        table=_table(rows, labels, x, y, (x_places, y_places)),
        sources=tuple(sources),
    )


def _stem(field: str) -> str:
    """Field without its unit, for a file name."""
    return {
        "throttle_percent": "throttle",
        "speed_rpm": "speed",
        "thrust_gf": "thrust",
        "power_w": "electrical_power",
        "thrust_per_power_gf_w": "thrust_per_power",
    }[field]


def _rows(points: Sequence[CurvePoint], labels: Mapping[str, str], x: str, y: str) -> list[dict[str, Any]]:
    """Drawn points in drawing order: treatment by treatment, up before down, by rising throttle."""
    rows: list[dict[str, Any]] = []
    for treatment in labels:
        for down in (False, True):
            own = [p for p in points if p.treatment == treatment and (p.direction == "down") is down]
            own = [p for p in own if _finite(getattr(p, x)) and _finite(getattr(p, y))]
            own.sort(key=lambda p: p.throttle_percent if _finite(p.throttle_percent) else getattr(p, x))
            every = max(1, math.ceil(len(own) / MARKERS))
            for step, point in enumerate(own):
                rows.append(
                    {
                        "treatment": treatment,
                        "down": down,
                        "step": step,
                        "marker": step % every == 0 or step == len(own) - 1,
                        "runs": point.runs,
                        "direction": point.direction,
                        x: drawn(getattr(point, x), QUANTITIES[x][2]),
                        y: drawn(getattr(point, y), QUANTITIES[y][2]),
                    }
                )
    return rows


def _finite(value: float | None) -> bool:
    return value is not None and math.isfinite(value)


def _range(rows: Sequence[dict[str, Any]], field: str) -> tuple[float, float]:
    """Range of an axis: from zero where the values come near to it, so that ratios can be seen."""
    low, high = extent([row[field] for row in rows], pad=0.04)
    smallest = min(row[field] for row in rows)
    return (0.0 if 0 <= smallest < 0.5 * high else low, high)


def _ends(rows: Sequence[dict[str, Any]], x: str) -> dict[str, dict[str, Any]]:
    """The point at the right end of each treatment's curve."""
    ends: dict[str, dict[str, Any]] = {}
    for row in rows:
        best = ends.get(row["treatment"])
        if best is None or (not row["down"], row[x]) > (not best["down"], best[x]):
            ends[row["treatment"]] = row
    return ends


def _states(rows: Sequence[dict[str, Any]], labels: Mapping[str, str], x: str, y: str) -> str:
    """Values of all treatments at the middle and at the top of the range they have in common."""
    (x_name, x_unit, x_places), (y_name, y_unit, y_places) = QUANTITIES[x], QUANTITIES[y]
    lines: dict[str, list[dict[str, Any]]] = {}
    for row in rows:
        lines.setdefault(row["treatment"], [])
    for treatment, line in lines.items():
        own = [row for row in rows if row["treatment"] == treatment]
        line += [row for row in own if not row["down"]] or own
        line.sort(key=lambda row: row[x])
    low = max(line[0][x] for line in lines.values())
    high = min(line[-1][x] for line in lines.values())
    text = f"{y_name} against {lower_first(x_name)}"
    if high <= low:
        return f"{text}; the treatments have no range in common."
    sentences = []
    for place in ((low + high) / 2, high):
        parts = [
            f"{labels[treatment]} {with_unit(number(_between(line, x, y, place), y_places), y_unit)}"
            for treatment, line in lines.items()
        ]
        sentences.append(f"at {with_unit(number(place, x_places), x_unit)}: {listed(parts)}")
    return f"{text}, throttle going up; {'; '.join(sentences)}."


def _between(line: Sequence[dict[str, Any]], x: str, y: str, place: float) -> float:
    """Height of the drawn polyline at this place of the x axis, as the eye reads it."""
    for left, right in pairwise(line):
        if left[x] <= place <= right[x]:
            share = (place - left[x]) / (right[x] - left[x]) if right[x] > left[x] else 0.0
            return float(left[y] + share * (right[y] - left[y]))
    return float(line[-1][y])


def _table(
    rows: Sequence[dict[str, Any]], labels: Mapping[str, str], x: str, y: str, places: tuple[int, int]
) -> pd.DataFrame:
    (x_name, x_unit, _), (y_name, y_unit, _) = QUANTITIES[x], QUANTITIES[y]
    return pd.DataFrame(
        [
            {
                "Treatment": labels[row["treatment"]],
                "Direction": row["direction"],
                titled(x_name, x_unit): rounded(row[x], places[0]),
                titled(y_name, y_unit): rounded(row[y], places[1]),
                "Runs": row["runs"],
            }
            for row in rows
        ]
    )
