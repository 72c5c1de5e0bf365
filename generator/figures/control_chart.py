"""Control chart of a rig: session means of its check standard with the limits that earlier sessions set."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import altair as alt
import pandas as pd

from generator.evidence.rig_history import Chart, ChartPoint
from generator.evidence.wording import (
    at_words,
    counted,
    decimals_for,
    listed,
    number,
    response_key,
    with_unit,
)
from generator.figures.numbers import drawn, lower_first, rounded, titled
from generator.figures.records import Figure
from generator.figures.theme import (
    AXIS_TITLE,
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
)
from generator.reduction.records import ResponseKind

HEIGHT = 240
STATES = ("baseline", "in control", "out of control")
SHAPES = ["circle", "circle", "diamond"]
FILLS = [PAPER, INK, INK]


def control_chart(chart: Chart, kind: ResponseKind, titles: Mapping[str, str]) -> Figure | None:
    """Values, their moving average and limits, session by session; None without a session.

    kind    the response charted
    titles  session id -> title, for the table
    """
    points = chart.points
    if not points:
        return None
    spread = math.nan if chart.reproducibility is None else chart.reproducibility.sd
    values = [point.value for point in points]
    if not math.isfinite(spread) or spread <= 0.0:
        spread = max(max(values) - min(values), 1e-3 * max(abs(v) for v in values), 1e-12)
    places = decimals_for(spread, largest=max(abs(v) for v in values))
    ends = [end for point in points for end in (point.limits or ())]
    reach = list(extent([*values, *ends], pad=0.08))
    sheet = Sheet()
    span = alt.Scale(domain=[0.4, len(points) + 0.6], nice=False, zero=False)
    x = alt.X(
        "place:Q",
        title="Sessions by date",
        scale=span,
        axis=alt.Axis(
            values=list(range(1, len(points) + 1)),
            labelExpr=f"{[_day(point) for point in points]}[datum.value - 1]",
            labelOverlap="greedy",
        ),
    )
    scale = alt.Scale(domain=reach, nice=False, zero=False)
    y = alt.Y("value:Q", title=titled(kind.label, chart.unit), scale=scale)
    rows = [
        {"place": place, "value": drawn(point.value, places), "state": point.state}
        for place, point in enumerate(points, start=1)
    ]
    judged = [
        {
            "left": place - 0.5,
            "right": place + 0.5,
            "place": place,
            "low": drawn(point.limits[0], places),
            "high": drawn(point.limits[1], places),
            "least": drawn(point.average_limits[0], places),
            "most": drawn(point.average_limits[1], places),
            "average": drawn(point.average, places),
            "stretch": _stretch(points, place),
        }
        for place, point in enumerate(points, start=1)
        if point.limits is not None and point.average_limits is not None and point.average is not None
    ]
    wide_x = alt.X("left:Q", scale=span)
    layers: list[alt.Chart] = []
    if judged:
        steps = sheet.rows(judged)
        layers += [
            steps.mark_rect(color=ZONE, opacity=0.7).encode(
                x=wide_x, x2=alt.X2("right"), y=alt.Y("least:Q", scale=scale), y2=alt.Y2("most")
            ),
            *(
                steps.mark_rule(color=ZONE_EDGE, strokeWidth=1.5).encode(
                    x=wide_x, x2=alt.X2("right"), y=alt.Y(f"{end}:Q", scale=scale)
                )
                for end in ("low", "high")
            ),
            steps.mark_line(color=QUIET, strokeWidth=2, strokeDash=[5, 3]).encode(
                x=x, y=alt.Y("average:Q", scale=scale), detail=alt.Detail("stretch:N")
            ),
        ]
    restarts = [{"left": place - 0.5} for place, point in enumerate(points, start=1) if point.restarts]
    if restarts:
        layers.append(
            sheet.rows(restarts).mark_rule(color=INK, strokeWidth=1, y=0, y2="height").encode(x=wide_x)
        )
    layers.append(
        sheet.rows(rows)
        .mark_point(size=70, strokeWidth=1.8, stroke=INK, opacity=1)
        .encode(
            x=x,
            y=y,
            shape=alt.Shape("state:N", scale=alt.Scale(domain=list(STATES), range=SHAPES), legend=None),
            fill=alt.Fill("state:N", scale=alt.Scale(domain=list(STATES), range=FILLS), legend=None),
        )
    )
    off = [row for row in rows if row["state"] == "out of control"]
    if off:
        layers.append(
            sheet.rows([{"place": r["place"], "value": r["value"], "says": "out of control"} for r in off])
            .mark_text(align="right", dx=-10, fontWeight="bold", color=INK)
            .encode(x=x, y=y, text=alt.Text("says:N"))
        )
    spec = sheet.finished(sheet.view(layers, width=WIDE, height=HEIGHT))
    return Figure(
        name=f"{response_key(chart.response, chart.at, '')}-control-chart",
        title=f"{kind.label} {at_words(chart.at)} of the check standard".replace("  ", " "),
        states=_states(chart, kind, places, titles),
        note=_note(points),
        spec=spec,
        narrow=narrowed(spec, width=NARROW - AXIS_TITLE),
        table=_table(chart, kind, places, titles),
    )


def _day(point: ChartPoint) -> str:
    """`17 May`, with the year where it is January: short enough for an axis."""
    return f"{point.date.day} {point.date:%b}{f' {point.date.year}' if point.date.month == 1 else ''}"


def _note(points: tuple[ChartPoint, ...]) -> str:
    """What is drawn, and of that only what there is."""
    states = {point.state for point in points}
    judged = sum(point.limits is not None for point in points)
    told = ["Each mark is the mean of one session’s runs of the check standard, in air of 1.225 kg/m³."]
    if "baseline" in states:
        told.append("Open circles are the sessions that set the limits.")
    if "in control" in states:
        told.append("Filled circles lie within their limits.")
    if "out of control" in states:
        told.append("Diamonds are out of control: the session or the moving average left its limits.")
    if judged:
        average = " (dashed)" if judged > 1 else ""
        told.append(
            "Each session has limits of its own: the lines for its mean alone, which show a step, and the zone for "
            f"the moving average over the sessions{average}, which shows a drift. They come from the scatter of the "
            "sessions that set them, so that a steady rig seldom leaves them."
        )
    if any(point.restarts for point in points):
        told.append("An upright line is a calibration that starts the chart anew.")
    return " ".join(told)


def _stretch(points: tuple[ChartPoint, ...], place: int) -> int:
    """Number of the stretch between calibrations that a place, counted from 1, lies in."""
    return sum(bool(point.restarts) for point in points[:place])


def _states(chart: Chart, kind: ResponseKind, places: int, titles: Mapping[str, str]) -> str:
    points = chart.points
    values = [point.value for point in points]
    text = (
        f"{counted(len(points), 'session')}: the {lower_first(kind.label)} of the check standard lies between "
        f"{number(min(values), places)} and {with_unit(number(max(values), places), chart.unit)}. "
    )
    off = [titles.get(point.session, point.session) for point in points if point.state == "out of control"]
    if off:
        return f"{text}Out of control: {listed(off)}."
    if all(point.state == "baseline" for point in points):
        return f"{text}Too few sessions yet to set limits."
    return f"{text}No session is out of control."


def _table(chart: Chart, kind: ResponseKind, places: int, titles: Mapping[str, str]) -> pd.DataFrame:
    def of(value: float | None) -> float:
        return math.nan if value is None else rounded(value, places)

    unit = chart.unit
    rows: list[dict[str, Any]] = [
        {
            "Session": titles.get(point.session, point.session),
            "Date": point.date.isoformat(),
            "Runs": point.runs,
            titled(kind.label, unit): rounded(point.value, places),
            titled("Between its runs", unit): rounded(point.run_sd, places + 1),
            titled("Lower limit", unit): of(None if point.limits is None else point.limits[0]),
            titled("Upper limit", unit): of(None if point.limits is None else point.limits[1]),
            titled("Moving average", unit): of(point.average),
            titled("Its lower limit", unit): of(
                None if point.average_limits is None else point.average_limits[0]
            ),
            titled("Its upper limit", unit): of(
                None if point.average_limits is None else point.average_limits[1]
            ),
            "State": f"{point.state}; {point.restarts}" if point.restarts else point.state,
        }
        for point in chart.points
    ]
    return pd.DataFrame(rows)
