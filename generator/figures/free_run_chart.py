"""A free run: current that the motor takes without a propeller over speed, with the line through it."""

from __future__ import annotations

import math
from typing import Any

import altair as alt
import numpy as np
import pandas as pd

from generator.evidence.wording import counted, number, with_unit
from generator.figures.numbers import drawn, rounded, titled
from generator.figures.records import Figure
from generator.figures.theme import (
    AXIS_TITLE,
    INK,
    NARROW,
    PAPER,
    WIDE,
    ZONE_EDGE,
    Sheet,
    extent,
    narrowed,
)
from generator.figures.trace_panels import values_of
from generator.reduction.records import RunReduction

HEIGHT = 240
CURRENT, DOUBT, LINE = "free_run_current_a", "doubt_a", "line_a"
PLACES = 3


def free_run_line(run: RunReduction) -> Figure | None:
    """Points with twice their standard uncertainty and the line; None for a run that gave none.

    run  `fitted` has speed_rpm, free_run_current_a, doubt_a and line_a, by rising speed
    """
    if run.fitted is None or CURRENT not in run.fitted or run.fitted.empty:
        return None
    speed, current, doubt, line = (
        values_of(run.fitted, name) for name in ("speed_rpm", CURRENT, DOUBT, LINE)
    )
    sheet = Sheet()
    low, high = extent([*(current - 2.0 * doubt), *(current + 2.0 * doubt), 0.0], pad=0.05)
    x = alt.X(
        "speed:Q",
        title=titled("Speed", "rpm"),
        scale=alt.Scale(domain=list(extent([float(s) for s in speed], pad=0.05)), nice=False, zero=False),
    )
    span = alt.Scale(domain=[max(low, 0.0), high], nice=False, zero=True)
    y = alt.Y("current:Q", title=titled("Free-run current", "A"), scale=span)
    rows = [
        {
            "speed": drawn(float(n), 0),
            "current": drawn(float(i), PLACES),
            "low": drawn(max(float(i - 2.0 * u), 0.0), PLACES),
            "high": drawn(float(i + 2.0 * u), PLACES),
        }
        for n, i, u in zip(speed, current, doubt, strict=True)
    ]
    layers: list[Any] = []
    known = bool(np.isfinite(line).all())
    if known:
        through = [
            {"speed": drawn(float(n), 0), "current": drawn(float(i), PLACES)}
            for n, i in zip(speed, line, strict=True)
        ]
        layers.append(sheet.rows(through).mark_line(color=ZONE_EDGE, strokeWidth=4).encode(x=x, y=y))
    layers.append(
        sheet.rows(rows)
        .mark_rule(color=INK, strokeWidth=1.4)
        .encode(x=x, y=alt.Y("low:Q", scale=span), y2=alt.Y2("high"))
    )
    layers.append(
        sheet.rows(rows)
        .mark_point(size=50, fill=PAPER, stroke=INK, strokeWidth=1.6, opacity=1)
        .encode(x=x, y=y)
    )
    spec = sheet.finished(sheet.view(layers, width=WIDE, height=HEIGHT))
    return Figure(
        name=f"{run.run_id}-free-run",
        title="What the motor takes to turn itself",
        states=_states(speed, current, line if known else None),
        note="Dots are the speeds held, with twice their standard uncertainty."
        + (" The broad line goes through them." if known else "")
        + " No propeller was on; what switching takes at part throttle is in the current.",
        spec=spec,
        narrow=narrowed(spec, width=NARROW - AXIS_TITLE),
        table=pd.DataFrame(
            {
                titled("Speed", "rpm"): [rounded(float(n), 0) for n in speed],
                titled("Free-run current", "A"): [rounded(float(i), PLACES) for i in current],
                titled("Standard uncertainty", "A"): [rounded(float(u), 4) for u in doubt],
            }
        ),
        sources=(run.log,),
    )


def _states(speed: Any, current: Any, line: Any | None) -> str:
    text = (
        f"{counted(len(speed), 'speed')} from {number(float(speed[0]), 0)} to "
        f"{with_unit(number(float(speed[-1]), 0), 'rpm')}: the current goes from {number(float(current[0]), 2)} to "
        f"{with_unit(number(float(current[-1]), 2), 'A')}."
    )
    if line is not None:
        slope = 1e6 * float((line[-1] - line[0]) / (speed[-1] - speed[0]))
        standing = float(line[0]) - slope * float(speed[0]) / 1e6
        if math.isfinite(slope):
            text += (
                f" The line through it stands at {with_unit(number(standing, 2), 'A')} at standstill and changes by "
                f"{with_unit(number(slope, 1), 'mA')} for each 1000 rpm."
            )
    return text
