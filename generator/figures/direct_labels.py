"""Labels that stand at the right end of what they name, pushed apart where they would collide."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import altair as alt

from generator.figures.theme import CHARACTER, Sheet, spread, wrapped, y_at

LINE = 15  # height of a line of text [px]
DISTANCE = 8  # from the plot's right edge [px]


@dataclass(frozen=True, slots=True, kw_only=True)
class DirectLabel:
    """One label: the treatment's name, a value under it or "", the wanted height [px from the top]."""

    text: str
    value: str = ""
    y: float
    colour: str

    def lines(self) -> list[str]:
        """Text as drawn."""
        return [*wrapped(self.text), *([self.value] if self.value else [])]


def label_room(labels: Sequence[DirectLabel]) -> int:
    """Width that the labels take at the right of the plot [px]."""
    longest = max((len(line) for label in labels for line in label.lines()), default=0)
    return math.ceil(longest * CHARACTER) + DISTANCE


def direct_labels(sheet: Sheet, labels: Sequence[DirectLabel], height: float) -> list[alt.Chart]:
    """One text layer a label, right of a plot of this height [px]."""
    gaps = [len(label.lines()) * LINE + 4.0 for label in labels]
    places = spread([label.y for label in labels], gaps, -8.0, height + 8.0)
    layers = []
    for label, place, gap in zip(labels, places, gaps, strict=True):
        top = place - (gap - 4.0) / 2
        layers.append(
            sheet.at()
            .mark_text(
                text=label.lines(),
                align="left",
                baseline="top",
                lineHeight=LINE,
                x="width",
                dx=DISTANCE,
                color=label.colour,
            )
            .encode(y=y_at(round(top, 1)))
        )
    return layers
