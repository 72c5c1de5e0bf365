"""One look for all charts: each treatment has one colour, one dash and one marker everywhere.

Colours are CSS custom properties, so that one SVG serves light, dark and print; `real_colours` replaces them
where no page surrounds the picture. Contrast of each against both grounds is computed in a test.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

_VARIABLE = re.compile(r"var\((--[a-z0-9-]+)\)")


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """How a treatment is drawn: CSS variable of its colour, dash pattern, marker shape."""

    colour: str
    dash: tuple[int, ...]
    shape: str


# The baseline is neutral; treatments follow in the order of session.yaml.
BASELINE_MARK = Mark(colour="var(--baseline)", dash=(1, 0), shape="circle")
TREATMENT_MARKS: tuple[Mark, ...] = (
    Mark(colour="var(--treatment-1)", dash=(7, 3), shape="square"),
    Mark(colour="var(--treatment-2)", dash=(2, 2), shape="triangle-up"),
    Mark(colour="var(--treatment-3)", dash=(9, 3, 2, 3), shape="diamond"),
    Mark(colour="var(--treatment-4)", dash=(5, 2), shape="triangle-down"),
)

# light ground, dark ground
COLOURS: Mapping[str, tuple[str, str]] = {
    "--paper": ("#fcfbf8", "#151716"),
    "--ink": ("#1d1f1e", "#eceae4"),
    "--quiet": ("#5c605d", "#a7aaa4"),
    "--rule": ("#d9d6cd", "#3a3d3b"),
    "--zone": ("#e9e5d8", "#2b2e2c"),
    "--zone-edge": ("#8d8771", "#8f9189"),
    "--baseline": ("#5f6461", "#b4b7b0"),
    "--treatment-1": ("#0067a3", "#4aa8e0"),
    "--treatment-2": ("#b84c00", "#f0904a"),
    "--treatment-3": ("#00795a", "#3cc39b"),
    "--treatment-4": ("#9c4a80", "#dc93bd"),
}


def marks(treatments: Sequence[str], baseline: str) -> dict[str, Mark]:
    """Treatment id -> mark, in the order of the session; the baseline neutral. Beyond four, marks repeat."""
    others = [name for name in treatments if name != baseline]
    table = {baseline: BASELINE_MARK}
    table.update({name: TREATMENT_MARKS[i % len(TREATMENT_MARKS)] for i, name in enumerate(others)})
    return table


def real_colours(spec: Mapping[str, Any], *, dark: bool = False) -> dict[str, Any]:
    """The specification with every `var(--name)` replaced by its colour on the light (or dark) ground.

    Raises  KeyError for a name that COLOURS does not have
    """

    def walk(value: Any) -> Any:
        # rows are most of it, and numbers most of them
        if value is None or isinstance(value, float | int):
            return value
        if isinstance(value, str):
            return real_colours_in_text(value, dark=dark) if "var(" in value else value
        if isinstance(value, Mapping):
            return {name: walk(inner) for name, inner in value.items()}
        if isinstance(value, list | tuple):
            return [walk(inner) for inner in value]
        return value

    return {name: walk(value) for name, value in spec.items()}


def real_colours_in_text(text: str, *, dark: bool = False) -> str:
    """As `real_colours`, for an SVG or a JSON text. Colours need no escaping in either."""
    return _VARIABLE.sub(lambda found: COLOURS[found.group(1)][int(dark)], text)
