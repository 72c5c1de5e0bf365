"""What tests read out of a figure's specification."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import altair as alt

from generator.figures.records import Figure


def assert_sound(figure: Figure) -> None:
    """Both specifications are valid Vega-Lite by Altair's schema, draw the same rows, and the figure says something."""
    assert figure.narrow is not None
    for spec in (figure.spec, figure.narrow):
        top = alt.LayerChart if "layer" in spec else alt.VConcatChart
        # rows may be anything by the schema; one of each is enough, and quicker
        few = {name: rows[:1] for name, rows in spec["datasets"].items()}
        top.validate({**spec, "datasets": few})
    assert figure.spec["datasets"] == figure.narrow["datasets"]
    assert all(plot["width"] < 400 for plot in views(figure.narrow))
    assert all(plot["width"] > 500 for plot in views(figure.spec))
    assert figure.title
    assert figure.states.endswith(".")
    assert len(figure.table) > 0


def views(spec: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    """The plots of a specification."""
    return list(spec["vconcat"]) if "vconcat" in spec else [spec]


def layers(spec: Mapping[str, Any]) -> Iterator[Mapping[str, Any]]:
    """Every layer of every plot."""
    for view in views(spec):
        yield from view["layer"]


def axis_titles(spec: Mapping[str, Any]) -> set[str]:
    """Titles of the position channels."""
    return {
        channel["title"]
        for layer in layers(spec)
        for name, channel in layer.get("encoding", {}).items()
        if name in ("x", "y") and isinstance(channel.get("title"), str)
    }


def texts(spec: Mapping[str, Any]) -> list[str]:
    """Fixed texts drawn as marks, lines joined."""
    found = [layer["mark"].get("text") for layer in layers(spec) if isinstance(layer["mark"], dict)]
    return ["\n".join(text) if isinstance(text, list) else text for text in found if text]


def rows_of(spec: Mapping[str, Any], mark: str, field: str) -> list[Mapping[str, Any]]:
    """Rows of all layers with this kind of mark that hold this field."""
    names = [layer["data"]["name"] for layer in layers(spec) if layer["mark"]["type"] == mark]
    return [row for name in dict.fromkeys(names) for row in spec["datasets"][name] if field in row]


def x_domain(spec: Mapping[str, Any]) -> tuple[float, float]:
    """The domain that the layers set for x."""
    for layer in layers(spec):
        domain = layer.get("encoding", {}).get("x", {}).get("scale", {}).get("domain")
        if domain:
            return (domain[0], domain[1])
    raise AssertionError("no layer sets the domain of x")
