"""Every run of one response in the order made, so that drift, order and single odd runs show."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import altair as alt
import pandas as pd

from generator.evidence.records import ResponseSummary, RunValue
from generator.evidence.wording import (
    at_words,
    counted,
    decimals_for,
    listed,
    number,
    response_key,
    with_unit,
)
from generator.figures.direct_labels import DirectLabel, direct_labels, label_room
from generator.figures.numbers import drawn, rounded, titled
from generator.figures.records import Figure
from generator.figures.styles import marks
from generator.figures.theme import AXIS_TITLE, NARROW, PAPER, WIDE, Sheet, extent, narrowed, scales
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
    shown = [
        s for s in summaries if math.isfinite(s.value) and any(math.isfinite(run.value) for run in s.per_run)
    ]
    if not shown:
        return None
    first = shown[0]
    decimals = decimals_for(_scatter(shown), largest=max(abs(s.value) for s in shown))
    rows = [
        _row(summary, run, decimals)
        for summary in shown
        for run in summary.per_run
        if math.isfinite(run.value)
    ]
    means = [{"treatment": s.treatment, "mean": drawn(s.value, decimals)} for s in shown]
    ends = [float(row[end]) for row in rows for end in ("low", "high")]
    reach = extent([*ends, *(summary.value for summary in shown)])

    look = marks(tuple(labels), baseline)
    texts = [
        DirectLabel(
            text=labels[s.treatment],
            value=with_unit(number(s.value, decimals), first.unit),
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
        title=titled(kind.label, first.unit),
        scale=alt.Scale(domain=list(reach), nice=False, zero=False),
    )
    x = alt.X(
        "order:Q",
        title="Place in the order made",
        scale=alt.Scale(domain=[min(orders) - 0.7, max(orders) + 0.7], nice=False, zero=False),
        axis=alt.Axis(tickCount=min(5, len(set(orders))), tickMinStep=1, format="d"),
    )
    sheet = Sheet()
    runs = sheet.rows(rows)
    layers = [
        sheet.rows(means)
        .mark_rule(strokeWidth=1.5, x=0, x2="width")
        .encode(y=alt.Y("mean:Q"), color=channels.colour, strokeDash=channels.dash),
        runs.mark_rule(strokeWidth=2).encode(x=x, y=alt.Y("low:Q"), y2=alt.Y2("high"), color=channels.colour),
        runs.mark_point(size=70, fill=PAPER, strokeWidth=2, opacity=1).encode(
            x=x,
            y=y,
            stroke=channels.stroke,
            shape=channels.shape,
            tooltip=[alt.Tooltip("run:N", title="Run"), alt.Tooltip("value:Q", title=kind.label)],
        ),
        *direct_labels(sheet, texts, HEIGHT),
    ]
    spec = sheet.finished(sheet.view(layers, width=WIDE - room, height=HEIGHT))
    logs = (run.log for summary in shown for run in summary.per_run)
    return Figure(
        name=f"{response_key(first.response, first.at, '')}-runs",
        title=f"{_subject(kind, first)}: every run in the order made",
        states=_states(shown, labels, kind, decimals),
        note=(
            "Each marker is one run; its line reaches two standard uncertainties within the run to either side. "
            "The long lines are the means of the treatments. A slope common to all treatments is drift."
        ),
        spec=spec,
        narrow=narrowed(spec, width=NARROW - AXIS_TITLE - room),
        table=_table(shown, labels, kind, decimals),
        sources=tuple(dict.fromkeys(logs)),
    )


def _scatter(summaries: Sequence[ResponseSummary]) -> float:
    """What sets the number of digits: the smallest within-run uncertainty that is known, else the mean's."""
    known = [run.within_run_uncertainty for summary in summaries for run in summary.per_run]
    known += [summary.standard_uncertainty for summary in summaries]
    finite = [value for value in known if math.isfinite(value) and value > 0]
    return min(finite) if finite else math.nan


def _row(summary: ResponseSummary, run: RunValue, decimals: int) -> dict[str, Any]:
    reach = COVERAGE * run.within_run_uncertainty if math.isfinite(run.within_run_uncertainty) else 0.0
    return {
        "treatment": summary.treatment,
        "run": run.run_id,
        "order": run.order,
        "value": drawn(run.value, decimals),
        "low": drawn(run.value - reach, decimals),
        "high": drawn(run.value + reach, decimals),
    }


def _subject(kind: ResponseKind, summary: ResponseSummary) -> str:
    return f"{kind.label} {at_words(summary.at)}".rstrip()


def _states(
    shown: Sequence[ResponseSummary], labels: Mapping[str, str], kind: ResponseKind, decimals: int
) -> str:
    parts = []
    for summary in shown:
        values = [run.value for run in summary.per_run if math.isfinite(run.value)]
        text = f"{labels[summary.treatment]} {with_unit(number(summary.value, decimals), summary.unit)}"
        text += f" ({counted(len(values), 'run')}"
        if len(values) > 1:
            text += f", from {number(min(values), decimals)} to {number(max(values), decimals)}"
        parts.append(f"{text})")
    return f"{_subject(kind, shown[0])}, means: {listed(parts)}."


def _table(
    shown: Sequence[ResponseSummary], labels: Mapping[str, str], kind: ResponseKind, decimals: int
) -> pd.DataFrame:
    unit = shown[0].unit
    rows: list[dict[str, Any]] = [
        {
            "Order": run.order,
            "Run": run.run_id,
            "Treatment": labels[summary.treatment],
            "Block": run.block,
            titled(kind.label, unit): rounded(run.value, decimals),
            titled("Standard uncertainty within the run", unit): rounded(
                run.within_run_uncertainty, decimals + 1
            ),
        }
        for summary in shown
        for run in summary.per_run
    ]
    rows.sort(key=_made)
    return pd.DataFrame(rows)


def _made(row: dict[str, Any]) -> tuple[int, str]:
    return row["Order"], row["Run"]
