"""Specifications to files: clean SVG for a page, the specification and the numbers for whoever wants to check.

One function renders, so that another renderer changes one place. What it gives depends on the specification
alone: not on installed fonts, not on what was rendered before, not on the process.
"""

from __future__ import annotations

import csv
import io
import json
import math
import os
import re
import sys
import tempfile
from collections.abc import Mapping
from functools import lru_cache
from importlib.metadata import version
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import numpy as np
import vl_convert
from PIL import Image

from generator.figures.records import Figure
from generator.figures.styles import COLOURS, Mark, real_colours, real_colours_in_text
from generator.publication.csv_cells import text_cell
from generator.publication.svg_cleaning import clean_svg

VEGA_LITE_VERSION = "6.4"
# What the renderer is, for the key of any cache of its output.
RENDERER = f"vl-convert {version('vl-convert-python')}, Vega-Lite {VEGA_LITE_VERSION}"

MOST_DECIMALS = 9
PNG_COLOURS = 128
_EMPTY: Mapping[str, Any] = {"data": {"values": [{}]}, "mark": {"type": "text", "text": "0"}}
_MARKERS: Mapping[str, str] = {
    "circle": "M13.5,7a3.5,3.5,0,1,0,7,0a3.5,3.5,0,1,0,-7,0Z",
    "square": "M13.7,3.7h6.6v6.6h-6.6Z",
    "triangle-up": "M17,2.8l4.2,7.4h-8.4Z",
    "triangle-down": "M17,11.2l4.2,-7.4h-8.4Z",
    "diamond": "M17,2.2l4,4.8l-4,4.8l-4,-4.8Z",
}


@lru_cache(maxsize=1)
def prepare_renderer() -> None:
    """First conversion of a process, with no font files in sight; to be called before any other use of the renderer.

    The renderer reads the font configuration once, at its first conversion. With none found it measures text by
    its own table: twice as fast, and the same on every machine. Linux only; elsewhere installed fonts are used.
    """
    if not sys.platform.startswith("linux"):
        return
    before = os.environ.get("FONTCONFIG_FILE")
    with tempfile.TemporaryDirectory() as folder:
        fonts = Path(folder, "no-fonts")
        fonts.mkdir()
        configuration = Path(folder, "fonts.conf")
        configuration.write_text(
            f'<?xml version="1.0"?>\n<fontconfig><dir>{fonts}</dir></fontconfig>\n', encoding="utf-8"
        )
        os.environ["FONTCONFIG_FILE"] = str(configuration)
        try:
            vl_convert.vegalite_to_svg(dict(_EMPTY), vl_version=VEGA_LITE_VERSION, allowed_base_urls=[])
        finally:
            if before is None:
                del os.environ["FONTCONFIG_FILE"]
            else:
                os.environ["FONTCONFIG_FILE"] = before


def render_svg(figure_name: str, spec: Mapping[str, Any], title_text: str) -> str:
    """A specification as SVG to be placed inside a page; same input, same bytes.

    figure_name  prefix of all ids inside, so that two charts on one page never share one
    spec         complete Vega-Lite specification with its data inside; any address in it is refused
    title_text   what the chart shows, for readers who do not see it
    Raises  ValueError if the renderer refuses the specification, or if its SVG holds an element of no use here
    """
    prepare_renderer()
    svg = vl_convert.vegalite_to_svg(dict(spec), vl_version=VEGA_LITE_VERSION, allowed_base_urls=[])
    return clean_svg(svg, figure_name, title_text)


def svg_png(svg: str, scale: float = 1.0) -> bytes:
    """A picture that stands by itself as PNG; its text is drawn in the renderer's own sans serif.

    Charts have few colours, about a hundred with the soft edges of letters: with a palette the file is an eighth as
    large, and looks the same. An octree finds the palette four times as fast as a median cut.
    """
    prepare_renderer()
    out = io.BytesIO()
    with Image.open(io.BytesIO(vl_convert.svg_to_png(svg, scale=scale)), formats=("PNG",)) as drawn:
        few = drawn.convert("RGB").quantize(
            PNG_COLOURS, method=Image.Quantize.FASTOCTREE, dither=Image.Dither.NONE
        )
    few.save(out, "PNG", compress_level=6)  # 9 takes six times as long for a twentieth less
    return out.getvalue()


def vega_lite_document(figure: Figure) -> dict[str, Any]:
    """The wide specification in the colours of the light ground, so that it opens anywhere. For NAME.vl.json.

    What is different on a phone stands in its `usermeta`, which Vega-Lite leaves to those who know of it.
    """
    return real_colours(_vega_lite(figure))


def _vega_lite(figure: Figure) -> dict[str, Any]:
    document = dict(figure.spec)
    document["background"] = COLOURS["--paper"][0]
    document["description"] = figure.states
    document["title"] = {"text": figure.title, "anchor": "start", "fontWeight": "normal", "fontSize": 14}
    if figure.narrow is not None:
        document["usermeta"] = {"narrow": narrow_parts(figure)}
    return document


def narrow_parts(figure: Figure) -> dict[str, Any]:
    """What the phone version of a figure has otherwise than the wide one, by top-level key; {} where there is none."""
    narrow = figure.narrow if figure.narrow is not None else figure.spec
    return {
        key: value for key, value in narrow.items() if key != "datasets" and figure.spec.get(key) != value
    }


def vega_lite_text(figure: Figure) -> str:
    """`vega_lite_document` as JSON with sorted keys and a line end.

    Raises  ValueError for a number that JSON cannot hold
    """
    document = _vega_lite(figure)
    text = json.dumps(document, ensure_ascii=False, sort_keys=True, allow_nan=False)
    return real_colours_in_text(text) + "\n"  # rows are most of it, and have no colours


def figure_csv(figure: Figure) -> str:
    """The figure's numbers as comma-separated text (RFC 4180, but lines end in a line feed).

    Numbers are rounded as published, with the same decimals all down a column; a missing value is an empty cell. A
    text that a spreadsheet would calculate has an apostrophe before it.
    """
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow([text_cell(str(name)) for name in figure.table.columns])
    columns = [_cells(figure.table.iloc[:, place].tolist()) for place in range(figure.table.shape[1])]
    writer.writerows(zip(*columns, strict=True))
    return text.getvalue()


def _cells(values: list[Any]) -> list[str]:
    """One column as text; without decimals where all its numbers are whole."""
    numbers = np.array([v for v in values if isinstance(v, float) and math.isfinite(v)])
    places = next((n for n in range(MOST_DECIMALS) if (np.round(numbers, n) == numbers).all()), MOST_DECIMALS)
    layout = f"%.{places}f"
    return [(layout % v if math.isfinite(v) else "") if isinstance(v, float) else _text(v) for v in values]


def _text(value: Any) -> str:
    if isinstance(value, str):
        return text_cell(value)
    return "" if value is None else str(value)


def legend_mark(mark: Mark) -> str:
    """How a treatment is drawn, as a small picture to stand before its name: its line with its marker on it.

    Decoration beside text, so readers who do not see it lose nothing.
    """
    if mark.shape not in _MARKERS or not re.fullmatch(r"var\(--[a-z0-9-]+\)|#[0-9a-fA-F]{6}", mark.colour):
        raise ValueError(f"no legend for the marker {mark.shape!r} in {mark.colour!r}")
    svg = ElementTree.Element(
        "svg",
        {
            "xmlns": "http://www.w3.org/2000/svg",
            "class": "legend-mark",
            "width": "34",
            "height": "14",
            "viewBox": "0 0 34 14",
            "aria-hidden": "true",
        },
    )
    line = {"d": "M0,7H34", "fill": "none", "stroke": mark.colour, "stroke-width": "2"}
    if mark.dash != (1, 0):
        line["stroke-dasharray"] = " ".join(str(length) for length in mark.dash)
    ElementTree.SubElement(svg, "path", line)
    ElementTree.SubElement(svg, "path", {"d": _MARKERS[mark.shape], "fill": mark.colour})
    return ElementTree.tostring(svg, encoding="unicode")
