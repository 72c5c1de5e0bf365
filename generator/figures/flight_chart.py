"""How long an aircraft hovers with each treatment: one row each, a dot and its interval."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import altair as alt
import pandas as pd

from generator.evidence.flight_sentences import named, range_text, value_text
from generator.evidence.physics_records import InTheAir, Measured
from generator.evidence.wording import interval_decimals
from generator.figures.numbers import drawn, rounded
from generator.figures.records import Figure
from generator.figures.theme import (
    CHARACTER,
    NARROW,
    PAPER,
    QUIET,
    WIDE,
    Sheet,
    extent,
    narrowed,
    scales,
    side,
    y2_at,
    y_at,
)

STEP, NARROW_STEP = 46, 64  # height of a row, wide and on a phone [px]
READING = 170  # room for the reading at the right of a row [px]
TITLE = "Minutes of hover"
X = alt.X("minutes:Q")


def flight_strip(flights: Sequence[InTheAir], labels: Mapping[str, str], baseline: str) -> Figure | None:
    """Minutes that one aircraft hovers with each treatment; None where they are known for none.

    flights   of one aircraft; those without minutes are left out, and the note names them
    labels    treatment id -> label, all treatments in the order of the session
    baseline  drawn neutral, with a line down through all rows
    Raises    ValueError for flights of several aircraft
    """
    if len({flight.aircraft for flight in flights}) > 1:
        raise ValueError("one strip shows one aircraft")
    shown = [(flight, flight.minutes) for flight in flights if flight.minutes is not None]
    if not shown:
        return None
    aircraft = shown[0][0].label
    rows = [_row(place, *pair, labels) for place, pair in enumerate(shown)]
    domain = extent([row[end] for row in rows for end in ("low", "high")])
    axis = alt.X(
        "minutes:Q",
        title=f"{TITLE} (min)",
        scale=alt.Scale(domain=list(domain), nice=False, zero=False),
        axis=alt.Axis(tickCount=5),
    )
    sheet = Sheet()
    layers, narrow_layers = _ground(sheet, rows, labels, baseline, domain)
    layers += _layers(sheet, rows, axis, labels, baseline)
    spec = sheet.finished(sheet.view(layers, width=WIDE, height=STEP * len(rows)))
    left_out = [labels[flight.treatment] for flight in flights if flight.minutes is None]
    return Figure(
        name=f"air-{shown[0][0].aircraft}",
        title=f"{TITLE}, {aircraft}",
        states=f"{TITLE} of {named(aircraft)} with 95 % intervals. "
        + "; ".join(f"{row['label']}: {row['reading']}" for row in rows)
        + ".",
        note=_note([flight for flight, _ in shown], left_out),
        spec=spec,
        narrow=narrowed(
            spec,
            height=NARROW_STEP * len(rows),
            layers={
                **narrow_layers,
                **{f"row label{halo}": {"dy": -24, "limit": NARROW} for halo in ("", " halo")},
                **{f"row reading{halo}": {"dy": -8, "x": 0, "align": "left"} for halo in ("", " halo")},
                **{part: {"yOffset": 13} for part in ("interval", "caps", "estimate")},
            },
        ),
        table=_table(shown, labels),
        sources=tuple(dict.fromkeys(log for flight, _ in shown for log in flight.logs)),
    )


def _row(place: int, flight: InTheAir, minutes: Measured, labels: Mapping[str, str]) -> dict[str, Any]:
    places = interval_decimals(*minutes.interval)
    low, high = minutes.interval
    return {
        "treatment": flight.treatment,
        "label": labels[flight.treatment],
        "reading": f"{value_text(minutes, 'min')} ({range_text(minutes, 'min')})",
        "row": place + 0.5,
        "minutes": drawn(minutes.value, places),
        "low": drawn(low, places),
        "high": drawn(high, places),
    }


def _ground(
    sheet: Sheet,
    rows: Sequence[Mapping[str, Any]],
    labels: Mapping[str, str],
    baseline: str,
    domain: tuple[float, float],
) -> tuple[list[alt.Chart], dict[str, dict[str, Any]]]:
    """The baseline's time as a line through all rows, with its name above; nothing where it is not known."""
    own = next((row["minutes"] for row in rows if row["treatment"] == baseline), None)
    if own is None or len(rows) < 2:
        return [], {}
    share = (own - domain[0]) / (domain[1] - domain[0])
    text = f"as long as with {labels[baseline]}"
    point = sheet.at(minutes=own)
    name = point.mark_text(
        text=text, align=side(share, text, WIDE), baseline="bottom", color=QUIET, limit=WIDE
    )
    layers = [
        point.mark_rule(color=QUIET, strokeWidth=1, strokeDash=[2, 3]).encode(
            x=X, y=y_at(-4), y2=y2_at("height")
        ),
        name.encode(x=X, y=y_at(-8)).properties(name="baseline label"),
    ]
    return layers, {"baseline label": {"align": side(share, text, NARROW), "limit": NARROW}}


def _layers(
    sheet: Sheet, rows: Sequence[dict[str, Any]], axis: alt.X, labels: Mapping[str, str], baseline: str
) -> list[alt.Chart]:
    look = scales(tuple(labels), baseline)
    y = alt.Y("row:Q", axis=None, scale=alt.Scale(domain=[len(rows), 0], nice=False))
    line = sheet.rows(rows)
    caps = [
        {"treatment": row["treatment"], "row": row["row"], "minutes": row[end]}
        for row in rows
        for end in ("low", "high")
    ]
    longest = max(len(row["reading"]) for row in rows)
    room = WIDE - max(READING, round(longest * CHARACTER) + 20)
    texts: tuple[tuple[str, str, dict[str, Any]], ...] = (
        ("row label", "label:N", {"align": "left", "x": 0, "dy": -12, "limit": room}),
        ("row reading", "reading:N", {"align": "right", "x": "width", "dy": -12, "fontWeight": "bold"}),
    )
    layers = []
    for name, field, look_of in texts:
        # text stays readable where the baseline's line crosses it
        layers += [
            line.mark_text(**look_of, stroke=PAPER, strokeWidth=5, strokeJoin="round")
            .encode(y=y, text=alt.Text(field))
            .properties(name=f"{name} halo"),
            line.mark_text(**look_of).encode(y=y, text=alt.Text(field)).properties(name=name),
        ]
    return [
        *layers,
        line.mark_rule(strokeWidth=5, yOffset=9)
        .encode(x=alt.X("low:Q"), x2=alt.X2("high"), y=y, color=look.colour)
        .properties(name="interval"),
        sheet.rows(caps)
        .mark_tick(orient="vertical", size=13, thickness=2, yOffset=9, opacity=1)
        .encode(x=X, y=y, color=look.colour)
        .properties(name="caps"),
        line.mark_point(size=75, fill=PAPER, strokeWidth=2.5, yOffset=9, opacity=1)
        .encode(x=axis, y=y, stroke=look.stroke, shape=look.shape)
        .properties(name="estimate"),
    ]


def _note(shown: Sequence[InTheAir], left_out: Sequence[str]) -> str:
    parts = ["Each line is the 95 % interval of the mean."]
    if len(shown) > 1:
        parts.append(
            "Do not judge a difference by whether two lines overlap: part of their length is common to both. "
            "Each difference has an interval of its own, in the text."
        )
    if all(flight.indicative for flight in shown):
        parts.append("One run each: a line holds the scatter within a run only.")
    elif any(flight.indicative for flight in shown):
        parts.append("Where there is one run, the line holds the scatter within it only.")
    if left_out:
        parts.append(f"Not known: {', '.join(left_out)}.")
    return " ".join(parts)


def _table(shown: Sequence[tuple[InTheAir, Measured]], labels: Mapping[str, str]) -> pd.DataFrame:
    rows = []
    for flight, minutes in shown:
        places = interval_decimals(*minutes.interval)
        rows.append(
            {
                "Treatment": labels[flight.treatment],
                f"{TITLE} (min)": rounded(minutes.value, places),
                "Lower limit (min)": rounded(minutes.interval[0], places),
                "Upper limit (min)": rounded(minutes.interval[1], places),
                "Runs": len(flight.logs),
            }
        )
    return pd.DataFrame(rows)
