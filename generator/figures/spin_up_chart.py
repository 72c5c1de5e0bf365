"""Spin-up cycle by cycle: whether the first cycles differ from the later ones, and how much cycles scatter."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import altair as alt
import pandas as pd

from generator.evidence.wording import at_words, counted, decimals_for, listed, number, with_unit
from generator.figures.numbers import drawn, rounded, titled
from generator.figures.records import Figure
from generator.figures.theme import NARROW, PAPER, WIDE, Sheet, extent, narrowed, scales
from generator.reduction.records import At, ResponseKind, RunReduction

HEIGHT = 150
AXIS = 56  # width kept for the labels left of every panel, so that panels line up [px]


def spin_up_cycles(
    runs: Sequence[RunReduction],
    labels: Mapping[str, str],
    kind: ResponseKind,
    *,
    baseline: str,
    name: str = "",
) -> Figure | None:
    """A response of every cycle of every run, one panel a target speed; None without values of cycles.

    runs      one run or several; refused ones are left out
    labels    treatment id -> label, all treatments in the order of the session
    kind      the response, such as the rise time
    baseline  id of the baseline treatment
    name      file stem; of the response, or of the run where there is only one, where empty
    """
    rows = _rows([run for run in runs if run.refused is None], kind)
    if not rows:
        return None
    targets = sorted({row["at"] for row in rows}, key=lambda at: tuple(value for _, value in at))
    decimals = decimals_for(_spread(rows), largest=max(abs(row["value"]) for row in rows))
    present = list(dict.fromkeys(row["run"] for row in rows))
    sheet, channels = Sheet(), scales(tuple(labels), baseline)
    last_cycle = max(row["cycle"] for row in rows)
    views = []
    for target in targets:
        own = [row for row in rows if row["at"] == target]
        points = [
            {
                "treatment": row["treatment"],
                "run": row["run"],
                "cycle": row["cycle"],
                "value": drawn(row["value"], decimals),
            }
            for row in own
        ]
        x = alt.X(
            "cycle:Q",
            title="Cycle",
            scale=alt.Scale(domain=[0.4, last_cycle + 0.6], nice=False, zero=False),
            axis=alt.Axis(tickCount=min(5, last_cycle), tickMinStep=1, format="d")
            if target == targets[-1]
            else None,
        )
        y = alt.Y(
            "value:Q",
            title=_title(kind, target),
            scale=alt.Scale(domain=list(extent([row["value"] for row in own])), nice=False, zero=False),
            axis=alt.Axis(
                tickCount=4,
                minExtent=AXIS,
                maxExtent=AXIS,
                titleAngle=0,
                titleAlign="left",
                titleAnchor="end",
                titleBaseline="bottom",
                titleX=0,
                titleY=-6,
            ),
        )
        lines = sheet.rows(points)
        layers = [
            lines.mark_line(strokeWidth=1).encode(
                x=x, y=y, detail=alt.Detail("run:N"), color=channels.colour, strokeDash=channels.dash
            ),
            lines.mark_point(size=34, fill=PAPER, strokeWidth=1.5, opacity=1).encode(
                x=x, y=y, stroke=channels.stroke, shape=channels.shape
            ),
        ]
        views.append(sheet.view(layers, width=WIDE, height=HEIGHT))
    spec = sheet.stacked(views, spacing=14)
    stem = f"{present[0]}-{kind.name}-cycles" if len(present) == 1 else f"{kind.name}-cycles"
    logs = [run.log for run in runs if run.run_id in present]
    return Figure(
        name=name or stem,
        title=f"{kind.label}, cycle by cycle",
        states=_states(rows, targets, labels, kind, decimals),
        note=(
            "Each marker is one cycle; thin lines join the cycles of one run. "
            "Cycles within a run are not independent repeats."
        ),
        spec=spec,
        narrow=narrowed(spec, width=NARROW - 12),
        table=_table(rows, labels, kind, decimals),
        sources=tuple(dict.fromkeys(logs)),
    )


def _title(kind: ResponseKind, target: At) -> str:
    at = at_words(target)
    return f"{titled(kind.label, kind.unit)}{f', {at}' if at else ''}"


def _rows(runs: Sequence[RunReduction], kind: ResponseKind) -> list[dict[str, Any]]:
    return [
        {
            "treatment": run.treatment,
            "run": run.run_id,
            "at": response.at,
            "cycle": place,
            "value": value,
        }
        for run in runs
        for response in run.responses
        if response.response == kind.name
        for place, value in enumerate(response.per_cycle, start=1)
        if math.isfinite(value)
    ]


def _groups(rows: Sequence[dict[str, Any]]) -> dict[tuple[At, str], list[float]]:
    groups: dict[tuple[At, str], list[float]] = {}
    for row in rows:
        groups.setdefault((row["at"], row["treatment"]), []).append(row["value"])
    return groups


def _spread(rows: Sequence[dict[str, Any]]) -> float:
    """Smallest range of a treatment's cycles at one target; it sets the digits."""
    ranges = [max(values) - min(values) for values in _groups(rows).values()]
    known = [value for value in ranges if value > 0]
    return min(known) if known else math.nan


def _states(
    rows: Sequence[dict[str, Any]],
    targets: Sequence[At],
    labels: Mapping[str, str],
    kind: ResponseKind,
    decimals: int,
) -> str:
    groups = _groups(rows)
    sentences = []
    for target in targets:
        parts = []
        for treatment, label in labels.items():
            values = groups.get((target, treatment))
            if values:
                low, high = number(min(values), decimals), number(max(values), decimals)
                parts.append(
                    f"{label} {low} to {with_unit(high, kind.unit)} ({counted(len(values), 'cycle')})"
                )
        sentences.append(f"{at_words(target)}: {listed(parts)}".removeprefix(": "))
    return f"{kind.label} of single cycles, {'; '.join(sentences)}."


def _table(
    rows: Sequence[dict[str, Any]], labels: Mapping[str, str], kind: ResponseKind, decimals: int
) -> pd.DataFrame:
    return pd.DataFrame(
        [
            {
                "Run": row["run"],
                "Treatment": labels[row["treatment"]],
                "Condition": at_words(row["at"]),
                "Cycle": row["cycle"],
                titled(kind.label, kind.unit): rounded(row["value"], decimals),
            }
            for row in rows
        ]
    )
