"""Every run of one response in the order made, so that drift, order and single odd runs show."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import altair as alt
import pandas as pd

from generator.evidence.records import ResponseSummary, RunValue
from generator.figures.direct_labels import DirectLabel, direct_labels, label_room
from generator.figures.numbers import condition, decimals_for, listed, quantity
from generator.figures.records import Figure
from generator.figures.styles import marks
from generator.figures.theme import NARROW, PAPER, WIDE, base, extent, narrowed, scales, themed
from generator.reduction.records import ResponseKind

HEIGHT = 240
COVERAGE = 2.0  # a run's line reaches two standard uncertainties to either side


def run_values(
    summaries: Sequence[ResponseSummary],
    labels: Mapping[str, str],
    kind: ResponseKind,
    *,
    baseline: str,
) -> Figure | None:
    """Values of single runs by treatment, over their place in the order made; None without any finite value.

    summaries  one a treatment, all of the same response and condition
    labels     treatment id -> label, all treatments in the order of the session
    kind       the response
    baseline   id of the baseline treatment
    Raises     ValueError if the summaries are of several responses or conditions
    """
    if len({(summary.response, summary.at) for summary in summaries}) > 1:
        raise ValueError("run values are drawn for one response at one condition")
    shown = [s for s in summaries if any(math.isfinite(run.value) for run in s.per_run)]
    if not shown:
        return None
    first = shown[0]
    decimals = decimals_for(_scatter(shown))
    rows = [_row(summary, run, decimals) for summary in shown for run in summary.per_run]
    rows = [row for row in rows if row is not None]
    means = [{"treatment": s.treatment, "mean": round(s.value, decimals + 1)} for s in shown]
    reach = extent([*(row[end] for row in rows for end in ("low", "high")), *(m["mean"] for m in means)])

    look = marks(tuple(labels), baseline)
    texts = [
        DirectLabel(
            text=labels[s.treatment],
            value=quantity(s.value, first.unit, decimals),
            y=HEIGHT * (reach[1] - s.value) / (reach[1] - reach[0]),
            colour=look[s.treatment].colour,
        )
        for s in shown
    ]
    room = label_room(texts)
    channels = scales(tuple(labels), baseline)
    orders = [row["order"] for row in rows]
    y = alt.Y(
        "value:Q",
        title=f"{kind.label} ({first.unit})",
        scale=alt.Scale(domain=list(reach), nice=False, zero=False),
    )
    x = alt.X(
        "order:Q",
        title="Place in the order made",
        scale=alt.Scale(domain=[min(orders) - 0.7, max(orders) + 0.7], nice=False, zero=False),
        axis=alt.Axis(tickCount=min(5, len(set(orders))), tickMinStep=1, format="d"),
    )
    runs = base(rows)
    layers = [
        base(means)
        .mark_rule(strokeWidth=1.5, x=0, x2="width")
        .encode(y=alt.Y("mean:Q"), color=channels.colour, strokeDash=channels.dash),
        runs.mark_rule(strokeWidth=2).encode(
            x=x, y=alt.Y("low:Q"), y2=alt.Y2("high"), color=channels.colour
        ),
        runs.mark_point(size=70, fill=PAPER, strokeWidth=2, opacity=1).encode(
            x=x, y=y, stroke=channels.stroke, shape=channels.shape
        ),
        *direct_labels(texts, HEIGHT),
    ]
    spec = themed(alt.layer(*layers).properties(width=WIDE - room, height=HEIGHT))
    at = condition(first.at)
    logs = (run.log for summary in shown for run in summary.per_run)
    return Figure(
        name=f"{first.response}{_suffix(first)}-runs",
        title=f"{kind.label}{f' at {at}' if at else ''}: every run in the order made",
        states=_states(shown, labels, kind, decimals),
        note=(
            "Each marker is one run; its line reaches two standard uncertainties within the run to either side. "
            "The long lines are the means of the treatments. A slope common to all treatments is drift."
        ),
        spec=spec,
        narrow=narrowed(spec, width=NARROW - room),
        table=_table(shown, labels, kind, decimals),
        sources=tuple(dict.fromkeys(logs)),
    )


def _suffix(summary: ResponseSummary) -> str:
    """Condition as part of a file name: "-16000rpm"."""
    units = {"speed_rpm": "rpm", "thrust_gf": "gf", "throttle_percent": "percent"}
    return "".join(f"-{value:g}{units.get(name, '')}" for name, value in summary.at)


def _scatter(summaries: Sequence[ResponseSummary]) -> float:
    """What sets the number of digits: the smallest within-run uncertainty that is known, else the mean's."""
    known = [run.within_run_uncertainty for summary in summaries for run in summary.per_run]
    known += [summary.standard_uncertainty for summary in summaries]
    finite = [value for value in known if math.isfinite(value) and value > 0]
    return min(finite) if finite else math.nan


def _row(summary: ResponseSummary, run: RunValue, decimals: int) -> dict[str, Any] | None:
    if not math.isfinite(run.value):
        return None
    reach = COVERAGE * run.within_run_uncertainty if math.isfinite(run.within_run_uncertainty) else 0.0
    return {
        "treatment": summary.treatment,
        "run": run.run_id,
        "order": run.order,
        "value": round(run.value, decimals + 1),
        "low": round(run.value - reach, decimals + 1),
        "high": round(run.value + reach, decimals + 1),
    }


def _states(
    shown: Sequence[ResponseSummary], labels: Mapping[str, str], kind: ResponseKind, decimals: int
) -> str:
    unit = shown[0].unit
    at = condition(shown[0].at)
    parts = []
    for summary in shown:
        values = [run.value for run in summary.per_run if math.isfinite(run.value)]
        text = f"{labels[summary.treatment]} {quantity(summary.value, unit, decimals)}"
        if len(values) > 1:
            low, high = quantity(min(values), unit, decimals), quantity(max(values), unit, decimals)
            text += f" ({len(values)} runs, from {low} to {high})"
        else:
            text += " (one run)"
        parts.append(text)
    return f"{kind.label}{f' at {at}' if at else ''}, means: {listed(parts)}."


def _table(
    shown: Sequence[ResponseSummary], labels: Mapping[str, str], kind: ResponseKind, decimals: int
) -> pd.DataFrame:
    unit = shown[0].unit
    rows = [
        {
            "Order": run.order,
            "Run": run.run_id,
            "Treatment": labels[summary.treatment],
            "Block": run.block,
            f"{kind.label} ({unit})": round(run.value, decimals),
            f"Standard uncertainty within the run ({unit})": round(run.within_run_uncertainty, decimals + 1),
        }
        for summary in shown
        for run in summary.per_run
    ]
    return pd.DataFrame(sorted(rows, key=lambda row: (row["Order"], row["Run"])))
