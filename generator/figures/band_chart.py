"""A difference curve with its band: where along the whole range a difference is settled, and where curves cross."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from statistics import median
from typing import Any

import altair as alt
import pandas as pd

from generator.evidence.curve_sentences import band_of, is_share, range_words
from generator.evidence.physics_records import CurveContrast
from generator.evidence.wording import (
    decimals_for,
    difference_unit,
    interval_text,
    listed,
    sentence_case,
    with_unit,
    written,
)
from generator.figures.direct_labels import DirectLabel, direct_labels, label_room
from generator.figures.numbers import drawn, lower_first, rounded, titled
from generator.figures.records import Figure
from generator.figures.styles import Mark, marks
from generator.figures.theme import (
    AXIS_TITLE,
    CHARACTER,
    INK,
    NARROW,
    PAPER,
    QUIET,
    WIDE,
    ZONE,
    ZONE_EDGE,
    Sheet,
    extent,
    narrowed,
    title_lines,
    y_at,
)
from generator.reduction.records import ResponseKind

HEIGHT = 280
BAR_Y = -10  # bars of settled ranges, above the plot
LABEL_Y = -16
# A band that is very wide at one end would press the rest flat: beyond so many times its median it is cut.
CUT = 4.0
AXES: Mapping[str, tuple[str, str]] = {
    "thrust_gf": ("Thrust", "gf"),
    "speed_rpm": ("Speed", "rpm"),
    "throttle_percent": ("Throttle", "%"),
}
WAYS = {1: ("more", "+"), -1: ("less", "−"), 0: ("within the margin", "=")}


def difference_band(
    contrast: CurveContrast,
    labels: Mapping[str, str],
    kind: ResponseKind,
    *,
    baseline: str,
    sources: Sequence[str] = (),
) -> Figure:
    """A difference curve with the band that holds over the whole of it, in per cent of the other side if it can be.

    contrast  at least two points
    labels    treatment id -> label, all treatments in the order of the session
    kind      the response
    baseline  the session's baseline, for the marks of the treatments
    sources   log paths behind it
    Raises    KeyError for a treatment that labels does not have
    """
    share = is_share(contrast.points, contrast.unit)
    rows = _rows(contrast, share)
    unit = f"% of {labels[contrast.baseline]}" if share else difference_unit(contrast.unit)
    low, high, cut = _domain(rows)
    look = marks(tuple(labels), baseline)[contrast.treatment]
    axis_name, axis_unit = AXES[contrast.axis]
    x = alt.X(
        "x:Q",
        title=titled(axis_name, axis_unit),
        scale=alt.Scale(domain=list(_x_domain(contrast)), nice=False, zero=False),
    )
    y_title = title_lines(titled("Difference", unit), HEIGHT * 1.1)
    y = alt.Y(
        "difference:Q", title=y_title, scale=alt.Scale(domain=[low, high], nice=False, zero=False, clamp=True)
    )
    texts = [DirectLabel(text=f"same as {labels[contrast.baseline]}", y=_height(0.0, low, high), colour=INK)]
    if contrast.margin_text is not None:
        edge = rows[-1]["margin"]
        if edge < high:
            texts.append(
                DirectLabel(
                    text=f"margin ±{written(contrast.margin_text)}", y=_height(edge, low, high), colour=QUIET
                )
            )
    room = label_room(texts)
    sheet = Sheet()
    layers = [
        *_margin(sheet, rows, x, low, high),
        *_crossings(sheet, contrast, x),
        sheet.at(difference=0.0).mark_rule(color=INK, strokeWidth=1).encode(y=y),
        *_curve(sheet, rows, x, y, look),
    ]
    bars, short = _settled(sheet, contrast, x, WIDE - room)
    named = [
        layer.properties(name=f"label {i}") for i, layer in enumerate(direct_labels(sheet, texts, HEIGHT))
    ]
    # a phone has no room beside the plot; the note says what the line and the zone are
    short |= {layer.name: {"text": ""} for layer in named}
    layers += [*bars, *named]
    spec = sheet.finished(sheet.view(layers, width=WIDE - room, height=HEIGHT))
    spec["padding"] = {"left": 6, "right": 12, "top": 22, "bottom": 4}
    taken = AXIS_TITLE * (1 if isinstance(y_title, str) else len(y_title))
    return Figure(
        name=f"{contrast.key}-band",
        title=f"{kind.label} at equal {lower_first(axis_name)}: {labels[contrast.treatment]} against "
        f"{labels[contrast.baseline]}",
        states=_states(contrast, labels, kind, share),
        note=_note(contrast, labels, cut=cut),
        spec=spec,
        narrow=narrowed(spec, width=NARROW - taken, layers=short),
        table=_table(contrast, labels, share),
        sources=tuple(sources),
    )


def _rows(contrast: CurveContrast, share: bool) -> list[dict[str, Any]]:
    """Points as drawn, with margin edges in the drawn unit."""
    places = _places(contrast, share)
    rows = []
    for point in contrast.points:
        difference, low, high = band_of(point, share=share)
        margin = point.margin
        if margin is not None and share:
            margin = 100.0 * margin / abs(point.baseline_value)
        rows.append(
            {
                "x": point.x,
                "difference": drawn(difference, places),
                "low": drawn(low, places),
                "high": drawn(high, places),
                **(
                    {}
                    if margin is None
                    else {"margin": drawn(margin, places), "below": -drawn(margin, places)}
                ),
            }
        )
    return rows


def _places(contrast: CurveContrast, share: bool) -> int:
    """Decimals that show the narrowest part of the band with two digits."""
    bands = [band_of(point, share=share) for point in contrast.points]
    narrowest = min((high - low) / 2.0 for _, low, high in bands)
    largest = max(abs(value) for band in bands for value in band)
    return max(decimals_for(narrowest, largest=largest), 0)


def _domain(rows: Sequence[Mapping[str, Any]]) -> tuple[float, float, bool]:
    """Range of the y axis, and whether part of the band lies outside it."""
    usual = CUT * median((row["high"] - row["low"]) / 2.0 for row in rows)
    values = [0.0]
    for row in rows:
        values += [row["difference"], max(row["low"], row["difference"] - usual)]
        values += [min(row["high"], row["difference"] + usual)]
        margin = row.get("margin")
        # a margin far outside says enough by not being there
        values += [] if margin is None or margin > 3.0 * usual else [margin, -margin]
    low, high = extent(values)
    cut = any(row["low"] < low or row["high"] > high for row in rows)
    return low, high, cut


def _x_domain(contrast: CurveContrast) -> tuple[float, float]:
    first, last = contrast.points[0].x, contrast.points[-1].x
    room = 0.015 * (last - first)
    return (0.0, last + room) if first < 0.15 * last else (first - room, last + room)


def _height(value: float, low: float, high: float) -> float:
    return HEIGHT * (high - value) / (high - low)


def _margin(sheet: Sheet, rows: list[dict[str, Any]], x: alt.X, low: float, high: float) -> list[alt.Chart]:
    """The margin as a zone with drawn edges."""
    if "margin" not in rows[0]:
        return []
    zone = sheet.rows(
        [{"x": row["x"], "margin": min(row["margin"], high), "below": max(row["below"], low)} for row in rows]
    )
    made = [
        zone.mark_area(color=ZONE, opacity=1).encode(x=x, y=alt.Y("below:Q"), y2=alt.Y2("margin")),
    ]
    if rows[-1]["margin"] < high:
        made += [
            zone.mark_line(color=ZONE_EDGE, strokeWidth=1).encode(x=x, y=alt.Y(f"{edge}:Q"))
            for edge in ("margin", "below")
        ]
    return made


def _crossings(sheet: Sheet, contrast: CurveContrast, x: alt.X) -> list[alt.Chart]:
    """Where the curves cross, between two dashed lines."""
    if not contrast.crossings:
        return []
    ends = [{"x": end} for crossing in contrast.crossings for end in crossing]
    return [
        sheet.rows(ends).mark_rule(color=INK, strokeWidth=1, strokeDash=[2, 3]).encode(x=x),
        sheet.rows([{"x": (low + high) / 2.0} for low, high in contrast.crossings])
        .mark_text(text="cross", align="center", baseline="bottom", color=INK)
        .encode(x=x, y=y_at(HEIGHT - 4)),
    ]


def _curve(sheet: Sheet, rows: list[dict[str, Any]], x: alt.X, y: alt.Y, look: Mark) -> list[alt.Chart]:
    """Band with drawn edges, difference with markers."""
    band = sheet.rows(rows)
    edges = [
        band.mark_line(color=look.colour, strokeWidth=1.2, clip=True).encode(x=x, y=alt.Y(f"{edge}:Q"))
        for edge in ("low", "high")
    ]
    tips = [alt.Tooltip("x:Q", title="At"), alt.Tooltip("difference:Q", title="Difference")]
    return [
        band.mark_area(color=look.colour, opacity=0.16, clip=True).encode(
            x=x, y=alt.Y("low:Q"), y2=alt.Y2("high")
        ),
        *edges,
        band.mark_line(color=look.colour, strokeWidth=2.4, clip=True).encode(x=x, y=y),
        band.mark_point(
            shape=look.shape, size=40, fill=PAPER, stroke=look.colour, strokeWidth=1.6, opacity=1, clip=True
        ).encode(x=x, y=y, tooltip=tips),
    ]


def _settled(
    sheet: Sheet, contrast: CurveContrast, x: alt.X, width: float
) -> tuple[list[alt.Chart], dict[str, dict[str, Any]]]:
    """Bars above the plot over the settled ranges, named; their names as signs where there is no room."""
    layers: list[alt.Chart] = []
    short: dict[str, dict[str, Any]] = {}
    first, last = _x_domain(contrast)
    for place, found in enumerate(contrast.ranges):
        word, sign = WAYS[found.direction]
        # a single point gets a bar that can be seen
        reach = max(found.high - found.low, 0.012 * (last - first)) / 2.0
        middle = (found.low + found.high) / 2.0
        layers.append(
            sheet.at(x=middle - reach, stop=middle + reach)
            .mark_rule(color=INK, strokeWidth=4)
            .encode(x=x, x2=alt.X2("stop"), y=y_at(BAR_Y))
        )
        fits = len(word) * CHARACTER < width * 2.0 * reach / (last - first)
        name = f"settled {place + 1}"
        layers.append(
            sheet.at(x=middle)
            .mark_text(text=word if fits else sign, align="center", baseline="bottom", color=INK)
            .encode(x=x, y=y_at(LABEL_Y))
            .properties(name=name)
        )
        if len(word) * CHARACTER >= (NARROW / WIDE) * 0.8 * width * 2.0 * reach / (last - first):
            short[name] = {"text": sign}
    return layers, short


def _states(contrast: CurveContrast, labels: Mapping[str, str], kind: ResponseKind, share: bool) -> str:
    """The band at both ends and in the middle, then what is settled where."""
    points = contrast.points
    unit = "%" if share else contrast.unit
    parts = []
    for point in dict.fromkeys((points[0], points[len(points) // 2], points[-1])):
        _, low, high = band_of(point, share=share)
        ends = with_unit(interval_text(low, high, ""), unit if share else difference_unit(unit))
        parts.append(f"{range_words(contrast.axis, point.x, point.x)} {ends}")
    found = [
        f"{WAYS[r.direction][0]} {range_words(contrast.axis, r.low, r.high)}" for r in contrast.ranges
    ] + [f"curves cross {range_words(contrast.axis, low, high)}" for low, high in contrast.crossings]
    settled = f"Settled: {listed(found)}." if found else "Nothing is settled."
    who = f"{labels[contrast.treatment]} minus {labels[contrast.baseline]}"
    return f"{kind.label}, {who}, band {listed(parts)}. {settled}"


def _note(contrast: CurveContrast, labels: Mapping[str, str], *, cut: bool) -> str:
    parts = [
        f"Zero is the same as {labels[contrast.baseline]}.",
        f"The band holds over the whole curve at once with {100.0 * contrast.level:.0f} %, so it is wider than "
        "intervals of single points.",
    ]
    if contrast.margin_text is not None:
        parts.append(
            f"The shaded zone is the margin of {written(contrast.margin_text)}, set before the test."
        )
    else:
        parts.append("No margin was set.")
    if contrast.ranges:
        used = dict.fromkeys(found.direction for found in contrast.ranges)
        words = listed([f"{WAYS[way][1]} {WAYS[way][0]}" for way in used])
        parts.append(f"Bars above the plot mark where the difference is settled ({words}).")
    else:
        parts.append("Nowhere is the difference settled.")
    if any(found.direction == 0 for found in contrast.ranges):
        parts.append(
            "Within the margin is tested from one side at a time at 5 %, so the band may stand out a little."
        )
    if contrast.crossings:
        parts.append("The curves cross between the dotted lines.")
    if cut:
        parts.append("The band is cut where it is far wider than elsewhere; the table has all of it.")
    if contrast.basis != "between runs":
        parts.append(f"{sentence_case('one run each')}: the band holds the scatter within a run only.")
    return " ".join(parts)


def _table(contrast: CurveContrast, labels: Mapping[str, str], share: bool) -> pd.DataFrame:
    axis_name, axis_unit = AXES[contrast.axis]
    places, percents = _places(contrast, False), _places(contrast, True) if share else 0
    unit = difference_unit(contrast.unit)
    rows = []
    for point in contrast.points:
        row: dict[str, Any] = {
            titled(axis_name, axis_unit): point.x,
            titled(labels[contrast.baseline], contrast.unit): rounded(point.baseline_value, places),
            titled(labels[contrast.treatment], contrast.unit): rounded(point.treatment_value, places),
            titled("Difference", unit): rounded(point.difference, places),
            titled("Lower limit", unit): rounded(point.low, places),
            titled("Upper limit", unit): rounded(point.high, places),
        }
        if share:
            difference, low, high = band_of(point, share=True)
            row |= {
                "Difference (%)": rounded(difference, percents),
                "Lower limit (%)": rounded(low, percents),
                "Upper limit (%)": rounded(high, percents),
            }
        ways = [found.direction for found in contrast.ranges if found.low <= point.x <= found.high]
        row["Settled"] = WAYS[ways[0]][0] if ways else "no"
        rows.append(row)
    return pd.DataFrame(rows)
