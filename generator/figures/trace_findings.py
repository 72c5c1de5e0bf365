"""What was found in a run's data, as triangles at the top of the rows of its trace."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import altair as alt

from generator.figures.numbers import drawn, titled
from generator.figures.theme import CHARACTER, INK, PAPER, Sheet
from generator.reduction.records import RunReduction

LABEL_GAP = 0.22  # labels of findings nearer than this share of the run are not repeated
LABEL_DX = 8  # from a triangle to its label [px]
NUMBER = ",.5~r"  # of a number as it is told
ACROSS = alt.X("start_s:Q")  # range, axis and title are the lines'


@dataclass(frozen=True, slots=True, kw_only=True)
class Label:
    """A finding's triangle, with its word where there is room; y of both [px]."""

    start_s: float
    kind: str
    grave: bool
    word: str
    left: bool
    y: float


def told(field: str, title: str) -> alt.Tooltip:
    """A number of a point as it is told to whoever explores the chart."""
    return alt.Tooltip(f"{field}:Q", title=title, format=NUMBER)


def labels_of(run: RunReduction, column: str, top: float, domain: tuple[float, float]) -> list[Label]:
    """Findings with a time of one channel, or of none; each kind's word where there is room for it."""
    made: list[Label] = []
    last = -math.inf
    placed = [(f.start_s, f) for f in run.findings if f.channel == column and f.start_s is not None]
    for start_s, finding in sorted(placed, key=lambda it: it[0]):
        start = min(max(start_s, domain[0]), domain[1])
        share = (start - domain[0]) / (domain[1] - domain[0])
        named = share - last >= LABEL_GAP
        last = share if named else last
        made.append(
            Label(
                start_s=start,
                kind=finding.kind,
                grave=finding.grade != "noted",
                word=finding.kind if named else "",
                left=share > 0.7,
                y=top + 8,
            )
        )
    return made


def covered(label: Label, a_pixel: float) -> tuple[float, float]:
    """The stretch of time that a triangle and its word take [s]. a_pixel: seconds of one."""
    mark, word = LABEL_DX, LABEL_DX + len(label.word) * CHARACTER
    before, after = (word, mark) if label.left else (mark, word)
    return (label.start_s - before * a_pixel, label.start_s + after * a_pixel)


def finding_layers(sheet: Sheet, labels: Sequence[Label], y: alt.Y) -> list[alt.Chart]:
    """A triangle at the top of the row for each finding with a time, and their words."""
    layers = []
    for grave in (False, True):
        own = [label for label in labels if label.grave is grave]
        if own:
            layers.append(
                sheet.rows(
                    [{"start_s": drawn(label.start_s, 2), "y": label.y, "kind": label.kind} for label in own]
                )
                .mark_point(
                    shape="triangle-down",
                    size=54,
                    fill=INK if grave else PAPER,
                    stroke=INK,
                    strokeWidth=1.2,
                    opacity=1,
                )
                .encode(
                    x=ACROSS,
                    y=y,
                    tooltip=[alt.Tooltip("kind:N", title="Found"), told("start_s", titled("Time", "s"))],
                )
            )
    for left in (False, True):
        words = [
            {"start_s": drawn(label.start_s, 2), "text": label.word, "y": label.y}
            for label in labels
            if label.word and label.left is left
        ]
        if words:
            data = sheet.rows(words).encode(x=ACROSS, y=y, text=alt.Text("text:N"))
            look: dict[str, Any] = {
                "align": "right" if left else "left",
                "dx": -LABEL_DX if left else LABEL_DX,
                "baseline": "middle",
            }
            layers += [
                data.mark_text(**look, stroke=PAPER, strokeWidth=3, strokeJoin="round"),
                data.mark_text(**look, color=INK),
            ]
    return layers
