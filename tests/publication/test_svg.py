"""Rendering and cleaning: the same bytes whatever went before, ids of its own, nothing a page must not hold."""

from __future__ import annotations

import csv
import dataclasses
import io
import json
import math
import os
import re
import subprocess
import sys
from pathlib import Path
from xml.etree import ElementTree

import pandas as pd
import pytest

from generator.figures.overview_chart import difference_overview
from generator.figures.records import Figure
from generator.figures.runs_chart import run_values
from generator.figures.strips import difference_strip
from generator.figures.styles import BASELINE_MARK, TREATMENT_MARKS, Mark
from generator.figures.trace_chart import run_trace
from generator.publication.svg import (
    figure_csv,
    legend_mark,
    prepare_renderer,
    render_svg,
    vega_lite_document,
    vega_lite_text,
)
from generator.publication.svg_cleaning import clean_svg
from tests.factories import BASELINE, LABELS, make_analysis, make_contrast, make_kinds

ROOT = Path(__file__).resolve().parents[2]
KINDS = make_kinds()
SVG = "{http://www.w3.org/2000/svg}"


CLIPPED = {
    "data": {"values": [{"a": 1, "b": 2}, {"a": 2, "b": 3}]},
    "mark": {"type": "line", "clip": True},
    "encoding": {
        "x": {"field": "a", "type": "quantitative"},
        "y": {"field": "b", "type": "quantitative"},
    },
}


def strip() -> Figure:
    return difference_strip(make_contrast(), LABELS, KINDS["electrical_power"])


def figures() -> list[Figure]:
    analysis = make_analysis()
    power = [s for s in analysis.responses if s.response == "electrical_power"][:3]
    found = [
        strip(),
        difference_overview(analysis.contrasts, LABELS, KINDS),
        run_values(power, LABELS, KINDS["electrical_power"], baseline=BASELINE),
        run_trace(analysis.runs[0]),
    ]
    return [figure for figure in found if figure is not None]


DRAWN = {figure.name: (figure, render_svg(figure.name, figure.spec, figure.states)) for figure in figures()}


def raw(inside: str, defs: str = "") -> str:
    """A chart as the renderer writes it, in small."""
    return (
        '<svg xmlns="http://www.w3.org/2000/svg" version="1.1" class="marks" width="90" height="40" '
        f'viewBox="0 0 90 40"><g fill="none" role="graphics-object">{inside}</g>{defs}</svg>'
    )


# --- rendering ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", DRAWN)
def test_a_rendered_chart_holds_nothing_a_page_must_not_hold(name: str) -> None:
    _, svg = DRAWN[name]
    root = ElementTree.fromstring(svg)
    assert root.get("role") == "img"
    title = root.find(f"{SVG}title")
    assert title is not None
    assert root.get("aria-labelledby") == title.get("id")
    assert str(title.get("id")).endswith(f"{re.sub('[^A-Za-z0-9_-]+', '-', name)}-title")
    for element in root.iter():
        assert "style" not in element.attrib
        assert not any(key.startswith("on") for key in element.attrib)
        if element is not root:
            assert "role" not in element.attrib
            assert "class" not in element.attrib
            assert not any(key.startswith("aria-") for key in element.attrib)
    assert {element.tag.removeprefix(SVG) for element in root.iter()} <= {
        "svg",
        "title",
        "g",
        "path",
        "line",
        "text",
        "tspan",
    }
    assert not re.search(r"\d\.\d\d", re.sub(r"<(text|title)\b[^>]*>.*?</\1>", "", svg)), "more than 0.1 px"


@pytest.mark.parametrize("name", DRAWN)
def test_colours_are_variables_of_the_page(name: str) -> None:
    _, svg = DRAWN[name]
    drawn = set(re.findall(r'(?:fill|stroke)="([^"]+)"', svg))
    assert drawn - {"none"} == {colour for colour in drawn if colour.startswith("var(--")}
    assert "font-family" not in svg


@pytest.mark.parametrize("name", DRAWN)
def test_a_chart_is_small_and_keeps_its_shape(name: str) -> None:
    _, svg = DRAWN[name]
    root = ElementTree.fromstring(svg)
    assert len(svg.encode()) < 60_000
    assert root.get("viewBox") == f"0 0 {root.get('width')} {root.get('height')}"


def test_axis_titles_and_labels_are_text() -> None:
    words = "".join(ElementTree.fromstring(DRAWN[strip().name][1]).itertext())
    for text in ("Electrical power, 5S capped minus 4S (W)", "same as 4S", "margin ±2\u00a0%", "+7.9\u00a0W"):
        assert text in words


def test_a_phone_chart_is_narrow_enough_for_a_phone() -> None:
    for figure in figures():
        assert figure.narrow is not None
        width = ElementTree.fromstring(render_svg("n", figure.narrow, "n")).get("width")
        # a phone of 390 px with margins of 16 px
        assert width is not None
        assert float(width) <= 358, figure.name


def test_the_same_chart_twice_is_the_same_bytes() -> None:
    for figure, svg in DRAWN.values():
        assert render_svg(figure.name, figure.spec, figure.states) == svg


def test_clip_paths_counted_on_by_the_renderer_do_not_show() -> None:
    first, second = (render_svg("one", CLIPPED, "t") for _ in range(2))
    assert first == second
    assert 'id="one-1"' in first
    assert "url(#one-1)" in first
    assert 'id="two-1"' in render_svg("two", CLIPPED, "t")


SCRIPT = """
import json, sys
from generator.publication.svg import render_svg
specs = json.load(sys.stdin)
for name in sys.argv[1:]:
    sys.stdout.write(render_svg(name, specs[name], "t") + "\\n")
"""


def test_other_processes_give_the_same_bytes() -> None:
    specs = {"strip": strip().spec, "clipped": CLIPPED}
    wanted = {name: render_svg(name, spec, "t") for name, spec in specs.items()}
    for seed, names in (("1", ("strip", "clipped")), ("2", ("clipped", "strip", "clipped"))):
        done = subprocess.run(
            [sys.executable, "-c", SCRIPT, *names],
            cwd=ROOT,
            env={**os.environ, "PYTHONHASHSEED": seed, "PYTHONPATH": str(ROOT)},
            input=json.dumps(specs).encode(),
            capture_output=True,
            check=True,
        )
        assert done.stdout.decode().splitlines() == [wanted[name] for name in names]


def test_preparing_leaves_the_environment_as_it_was(monkeypatch: pytest.MonkeyPatch) -> None:
    for value in (None, "/nowhere/fonts.conf"):
        if value is None:
            monkeypatch.delenv("FONTCONFIG_FILE", raising=False)
        else:
            monkeypatch.setenv("FONTCONFIG_FILE", value)
        prepare_renderer.cache_clear()
        prepare_renderer()
        assert os.environ.get("FONTCONFIG_FILE") == value


def test_an_address_in_a_specification_is_refused() -> None:
    spec = {"data": {"url": "https://example.org/rows.json"}, "mark": "point", "encoding": {}}
    with pytest.raises(ValueError, match="External data url not allowed"):
        render_svg("far", spec, "t")


def test_words_of_the_season_cannot_become_markup() -> None:
    figure = difference_strip(
        make_contrast(),
        {**LABELS, BASELINE: "<script>4S</script>", "five-cell": '5S & "more"'},
        KINDS["electrical_power"],
    )
    svg = render_svg(figure.name, figure.spec, figure.states)
    root = ElementTree.fromstring(svg)
    assert "<script" not in svg
    assert "same as <script>4S</script>" in "".join(root.itertext())
    with pytest.raises(ValueError, match="<script>, which no page needs"):
        clean_svg(raw("<script>1</script>"), "x", "t")


@pytest.mark.parametrize(("name", "prefix"), [("09-hold-a", "chart-09-hold-a"), ("a", "a"), ("—", "chart")])
def test_ids_are_names_of_xml_whatever_a_run_is_called(name: str, prefix: str) -> None:
    assert f'<title id="{prefix}-title">' in clean_svg(raw('<path d="M0,0h9" stroke="red"/>'), name, "t")


# --- cleaning -----------------------------------------------------------------------------------------------


def test_cleaning_by_hand() -> None:
    given = raw(
        '<g class="mark-group" aria-hidden="true"><path class="background" d="M0,0h9v9h-9Z"/>'
        '<path d="" fill="#fff"/><text fill="red" opacity="0">hidden</text>'
        '<g><path d="M1.0499,2.9501L-0.04,7e-7" stroke="red" stroke-width="1.25" aria-label="a"/>'
        '<path d="M3,4h5" stroke="red" stroke-width="2" style="stroke-dasharray: 3 1; pointer-events: none"/></g>'
        "</g>"
    )
    assert clean_svg(given, "a b", "Power & thrust") == (
        '<svg xmlns="http://www.w3.org/2000/svg" class="chart" width="90" height="40" viewBox="0 0 90 40" '
        'role="img" aria-labelledby="a-b-title"><title id="a-b-title">Power &amp; thrust</title>'
        '<g fill="none"><g stroke="red"><path d="M1,3L0,0" stroke-width="1.2" />'
        '<path d="M3,4h5" stroke-width="2" stroke-dasharray="3 1" /></g></g></svg>'
    )


def test_ids_are_counted_in_order_of_appearance_and_unused_ones_go() -> None:
    given = raw(
        '<g clip-path="url(#clip42)"><path d="M0,0h9" stroke="red"/></g>'
        '<g clip-path="url(#clip7)"><path d="M0,0h9" stroke="red"/></g>',
        '<defs><clipPath id="clip7"><rect width="9" height="9"/></clipPath>'
        '<clipPath id="clip42"><rect width="8" height="8"/></clipPath>'
        '<clipPath id="clip99"><rect width="7" height="7"/></clipPath></defs>',
    )
    svg = clean_svg(given, "x", "t")
    assert re.findall(r"url\(#([^)]+)\)", svg) == ["x-1", "x-2"]
    assert re.findall(r'clipPath id="([^"]+)"', svg) == ["x-2", "x-1"]
    assert 'width="7"' not in svg


def test_an_element_of_no_use_is_refused() -> None:
    for element in ("<image/>", "<a/>", "<foreignObject/>", "<script/>"):
        with pytest.raises(ValueError, match="which no page needs"):
            clean_svg(raw(element), "x", "t")


# --- specification, numbers, legend -------------------------------------------------------------------------


def test_the_specification_opens_anywhere() -> None:
    figure = strip()
    text = vega_lite_text(figure)
    document = json.loads(text)
    assert document == json.loads(json.dumps(vega_lite_document(figure)))
    assert "var(--" not in text
    assert document["$schema"].startswith("https://vega.github.io/schema/vega-lite/v6")
    assert document["background"] == "#fcfbf8"
    assert document["description"] == figure.states
    assert list(document) == sorted(document)
    assert document["datasets"] == figure.spec["datasets"]


def test_a_hole_in_a_trace_is_valid_json() -> None:
    figure = run_trace(make_analysis().runs[0])
    assert figure is not None
    assert "NaN" not in vega_lite_text(figure)


def test_numbers_as_text_have_one_number_of_decimals_a_column_and_no_word_for_missing() -> None:
    table = pd.DataFrame(
        {"What": ["a, b", "c"], "P (W)": [262.0, 270.31], "n (rpm)": [9000.0, math.nan], "Runs": [4, 3]}
    )
    figure = dataclasses.replace(strip(), table=table)
    assert figure_csv(figure) == 'What,P (W),n (rpm),Runs\n"a, b",262.00,9000,4\nc,270.31,,3\n'


def test_every_figure_gives_a_table_that_reads_back() -> None:
    for figure, _ in DRAWN.values():
        text = figure_csv(figure)
        assert "\r" not in text
        rows = list(csv.reader(io.StringIO(text)))
        assert rows[0] == list(figure.table.columns)
        assert len(rows) == len(figure.table) + 1
        assert "nan" not in text.lower().replace("finance", "")


@pytest.mark.parametrize("mark", [BASELINE_MARK, *TREATMENT_MARKS], ids=lambda mark: mark.shape)
def test_a_legend_shows_colour_dash_and_marker(mark: Mark) -> None:
    svg = legend_mark(mark)
    line, marker = ElementTree.fromstring(svg)
    assert line.get("stroke") == marker.get("fill") == mark.colour
    assert line.get("stroke-dasharray", "1 0") == " ".join(str(length) for length in mark.dash)
    assert "style" not in svg


def test_legends_differ_in_shape_without_colour() -> None:
    shapes = {
        ElementTree.fromstring(legend_mark(mark))[1].get("d") for mark in (BASELINE_MARK, *TREATMENT_MARKS)
    }
    assert len(shapes) == 5


def test_a_marker_without_a_picture_is_refused() -> None:
    with pytest.raises(ValueError, match="no legend for the marker 'star'"):
        legend_mark(Mark(colour="var(--ink)", dash=(1, 0), shape="star"))
