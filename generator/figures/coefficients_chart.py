"""Thrust or power coefficient against speed, each with its interval, beside what the propeller's file states."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import altair as alt
import pandas as pd

from generator.evidence.physics_records import EffectiveConstant
from generator.evidence.wording import NBSP, decimals_for, listed, number, with_unit
from generator.figures.direct_labels import DirectLabel, direct_labels, label_room
from generator.figures.numbers import drawn, rounded, titled
from generator.figures.records import Figure
from generator.figures.styles import marks
from generator.figures.theme import AXIS_TITLE, NARROW, PAPER, QUIET, WIDE, Sheet, extent, narrowed, scales

HEIGHT = 280
FEWEST_SPEEDS = 3
COVERAGE = 2.0  # a stated value's line reaches two standard uncertainties to either side
# treatment -> (speed in rpm, stated coefficient, its standard uncertainty)
Stated = Mapping[str, Sequence[tuple[float, float, float]]]

SYMBOLS: Mapping[str, str] = {"thrust_coefficient": "CT", "power_coefficient": "CP"}


def coefficients(
    constants: Sequence[EffectiveConstant],
    labels: Mapping[str, str],
    *,
    which: str,
    baseline: str,
    stated: Stated | None = None,
    sources: Sequence[str] = (),
) -> Figure | None:
    """One coefficient of all treatments against speed; None where no treatment has it at FEWEST_SPEEDS speeds.

    constants  fitted constants of a session; others than `which` are passed over
    labels     treatment id -> label, all treatments in the order of the session
    which      "thrust_coefficient" or "power_coefficient"
    baseline   id of the baseline treatment
    stated     what the propellers' files state
    sources    log paths behind the points
    Raises     KeyError for another `which`
    """
    symbol = SYMBOLS[which]
    shown = [c for c in constants if c.name == which and c.treatment in labels and _finite(c)]
    shown.sort(key=lambda c: (list(labels).index(c.treatment), _speed(c)))
    speeds: dict[str, set[float]] = {}
    for constant in shown:
        speeds.setdefault(constant.treatment, set()).add(_speed(constant))
    if max((len(found) for found in speeds.values()), default=0) < FEWEST_SPEEDS:
        return None
    given = {name: points for name, points in (stated or {}).items() if name in speeds and points}
    places = decimals_for(min(_half(c) for c in shown) / 2.0, largest=max(abs(c.fitted.value) for c in shown))
    rows = [_row(constant, places) for constant in shown]
    marked = _stated_rows(given, places)
    title = titled(shown[0].label, shown[0].unit)
    y_range = extent([row[end] for row in (*rows, *marked) for end in ("low", "high")])
    x_range = extent([row["speed"] for row in (*rows, *marked)], pad=0.04)
    look, channels = marks(tuple(labels), baseline), scales(tuple(labels), baseline)
    ends = {row["treatment"]: row for row in rows}  # rows run by rising speed: the last one stays
    texts = [
        DirectLabel(
            text=labels[treatment],
            y=HEIGHT * (y_range[1] - row["value"]) / (y_range[1] - y_range[0]),
            colour=look[treatment].colour,
        )
        for treatment, row in ends.items()
    ]
    room = label_room(texts)
    x = alt.X(
        "speed:Q",
        title="Speed (rpm)",
        scale=alt.Scale(domain=list(x_range), nice=False, zero=False),
    )
    y = alt.Y("value:Q", title=title, scale=alt.Scale(domain=list(y_range), nice=False, zero=False))
    sheet = Sheet()
    fitted = sheet.rows(rows)
    layers = []
    if marked:
        crosses = sheet.rows(marked)
        mark = crosses.mark_point(shape="cross", size=46, stroke=QUIET, strokeWidth=1.4, opacity=1)
        layers += [
            crosses.mark_rule(strokeWidth=1, color=QUIET, strokeDash=[2, 2]).encode(
                x=x, y=alt.Y("low:Q"), y2=alt.Y2("high")
            ),
            mark.encode(x=x, y=y) if _alike(given) else mark.encode(x=x, y=y, stroke=channels.stroke),
        ]
    layers += [
        fitted.mark_line(strokeWidth=1.2).encode(
            x=x, y=y, order=alt.Order("speed:Q"), color=channels.colour, strokeDash=channels.dash
        ),
        fitted.mark_rule(strokeWidth=1.6).encode(
            x=x, y=alt.Y("low:Q"), y2=alt.Y2("high"), color=channels.colour
        ),
        fitted.mark_point(size=54, fill=PAPER, strokeWidth=2, opacity=1).encode(
            x=x, y=y, stroke=channels.stroke, shape=channels.shape
        ),
        *direct_labels(sheet, texts, HEIGHT),
    ]
    spec = sheet.finished(sheet.view(layers, width=WIDE - room, height=HEIGHT))
    note = f"Each marker is the mean over the runs of a treatment; its line is the 95{NBSP}% interval, "
    note += "with what the rig adds to all points alike."
    if marked:
        note += " Crosses are what the propeller's file states, their dotted lines two standard uncertainties of it."
    return Figure(
        name=f"{which}-against-speed",
        title=f"{shown[0].label} against speed",
        states=_states(shown, labels, symbol, places),
        note=note,
        spec=spec,
        narrow=narrowed(spec, width=NARROW - AXIS_TITLE - room),
        table=_table(shown, labels, symbol, places),
        sources=tuple(sources),
    )


def _speed(constant: EffectiveConstant) -> float:
    return dict(constant.at)["speed_rpm"]


def _finite(constant: EffectiveConstant) -> bool:
    numbers = (constant.fitted.value, *constant.fitted.interval)
    return "speed_rpm" in dict(constant.at) and all(math.isfinite(value) for value in numbers)


def _half(constant: EffectiveConstant) -> float:
    return (constant.fitted.interval[1] - constant.fitted.interval[0]) / 2.0


def _row(constant: EffectiveConstant, places: int) -> dict[str, Any]:
    low, high = constant.fitted.interval
    return {
        "treatment": constant.treatment,
        "speed": drawn(_speed(constant), 0),
        "value": drawn(constant.fitted.value, places),
        "low": drawn(low, places),
        "high": drawn(high, places),
    }


def _alike(stated: Stated) -> bool:
    """Whether all treatments have the same stated points, as with one propeller."""
    return len({tuple(points) for points in stated.values()}) == 1


def _stated_rows(stated: Stated, places: int) -> list[dict[str, Any]]:
    """Stated points, once where all treatments share them."""
    names = list(stated)[:1] if _alike(stated) else list(stated)
    return [
        {
            "treatment": name,
            "speed": drawn(speed, 0),
            "value": drawn(value, places),
            "low": drawn(value - COVERAGE * u, places),
            "high": drawn(value + COVERAGE * u, places),
        }
        for name in names
        for speed, value, u in stated[name]
    ]


def _states(shown: Sequence[EffectiveConstant], labels: Mapping[str, str], symbol: str, places: int) -> str:
    parts = []
    for treatment in dict.fromkeys(c.treatment for c in shown):
        own = [c for c in shown if c.treatment == treatment]
        text = f"{labels[treatment]} from {_point(own[0], places)}"
        text += f" to {_point(own[-1], places)}" if len(own) > 1 else ""
        compared = [c for c in own if c.departure is not None]
        departing = sum(c.outcome == "departs" for c in compared)
        if compared:
            text += f", {departing} of {len(compared)} points off the stated value"
        parts.append(text)
    return f"{symbol} against speed: {listed(parts)}."


def _point(constant: EffectiveConstant, places: int) -> str:
    speed = with_unit(number(_speed(constant), 0), "rpm")
    return f"{number(constant.fitted.value, places)} at {speed}"


def _table(
    shown: Sequence[EffectiveConstant], labels: Mapping[str, str], symbol: str, places: int
) -> pd.DataFrame:
    return pd.DataFrame(
        [
            {
                "Treatment": labels[c.treatment],
                "Speed (rpm)": rounded(_speed(c), 0),
                symbol: rounded(c.fitted.value, places),
                "Lower end": rounded(c.fitted.interval[0], places),
                "Upper end": rounded(c.fitted.interval[1], places),
                "Stated": math.nan if c.nominal is None else rounded(c.nominal, places),
                "Departure (%)": math.nan if c.departure is None else rounded(100.0 * c.departure.value, 1),
                "Runs": c.runs,
            }
            for c in shown
        ]
    )
