"""A figure as a picture that stands by itself: for a video, a chat, a report; no page around it says what it is."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from xml.etree import ElementTree
from xml.etree.ElementTree import Element, SubElement

from generator.figures.records import Figure
from generator.figures.styles import Mark, marks, real_colours_in_text
from generator.intake.session import Season, Session
from generator.publication import navigation
from generator.publication.session_blocks import labels_of
from generator.publication.session_figures import DrawnFigures
from generator.publication.svg import legend_mark, svg_png

NAMESPACE = "http://www.w3.org/2000/svg"
EDGE = 14
TITLE_SIZE, TITLE_LINE = 16, 21
KEY_LINE, FOOT_SIZE, FOOT_LINE = 22, 11, 15
# A letter of the renderer's own sans serif is about so wide, as a share of its size; used to break lines.
LETTER = 0.52


@dataclass(frozen=True, slots=True, kw_only=True)
class Surroundings:
    """What a page says around a figure, to be said in the picture.

    marks    treatment label -> how it is drawn
    session  title of the session
    season   title of the season
    notices  that the season is invented, that its data are simulated, or nothing
    """

    marks: Mapping[str, Mark]
    session: str
    season: str
    notices: tuple[str, ...] = ()


def surroundings(season: Season, session: Session, simulated: str) -> Surroundings:
    """What the pages of a session say around each figure. simulated: the notice of simulated data, or ""."""
    labels = labels_of(session)
    looks = marks(tuple(labels), session.file.baseline)
    said = (season.file.notice or "", simulated)
    return Surroundings(
        marks={label: looks[name] for name, label in labels.items()},
        session=session.file.title,
        season=season.file.title,
        notices=tuple(text for text in said if text),
    )


def picture_files(drawn: DrawnFigures, figure: Figure, around: Surroundings) -> dict[str, bytes]:
    """Path -> bytes of the figure as a picture: SVG, and PNG at twice its size where it carries an answer."""
    svg = picture_svg(drawn.pictures[figure.name].wide, figure.title, around)
    files = {navigation.figure_file(drawn.session_id, figure.name, "svg"): svg.encode()}
    if figure.name in drawn.made.answers():
        files[navigation.figure_file(drawn.session_id, figure.name, "png")] = svg_png(svg, 2.0)
    return files


def picture_svg(svg: str, title: str, around: Surroundings) -> str:
    """An inline chart as a file of its own: on paper, in real colours, with title, key and notices.

    svg    as `generator.publication.svg.render_svg` gives it
    title  stands above it
    """
    chart = ElementTree.fromstring(svg)
    width, height = float(chart.get("width", "0")), float(chart.get("height", "0"))
    used = {name: mark for name, mark in around.marks.items() if f'"{mark.colour}"' in svg}
    key = used if len(used) > 1 else {}
    whole = max(width + 2 * EDGE, 360.0)
    titles = _lines(title, TITLE_SIZE, whole)
    rows = _rows(key, whole)
    said = (*around.notices, f"{around.session} {around.season}.")
    foot = [line for text in said for line in _lines(text, FOOT_SIZE, whole)]
    top = EDGE + TITLE_LINE * len(titles) + KEY_LINE * len(rows) + 6
    tall = top + height + FOOT_LINE * len(foot) + EDGE
    attributes = {key: str(value) for key, value in chart.attrib.items() if key not in ("class", "xmlns")}
    for name in ("width", "height", "viewBox"):
        attributes.pop(name, None)
    root = Element(
        f"{{{NAMESPACE}}}svg",
        {
            "width": f"{whole:g}",
            "height": f"{tall:g}",
            "viewBox": f"0 0 {whole:g} {tall:g}",
            "font-family": "sans-serif",
            **attributes,
        },
    )
    inside = list(chart)
    root.extend(child for child in inside if _is(child, "title"))
    _add(root, "rect", {"width": f"{whole:g}", "height": f"{tall:g}", "fill": "var(--paper)"})
    for place, line in enumerate(titles):
        _words(root, line, EDGE, EDGE + TITLE_SIZE + place * TITLE_LINE, TITLE_SIZE, "var(--ink)")
    for place, row in enumerate(rows):
        _key(root, row, EDGE + TITLE_LINE * len(titles) + KEY_LINE * place)
    moved = _add(root, "g", {"transform": f"translate({EDGE},{top:g})"})
    moved.extend(child for child in inside if not _is(child, "title"))
    for place, line in enumerate(foot):
        y = top + height + FOOT_SIZE + place * FOOT_LINE
        _words(root, line, EDGE, y, FOOT_SIZE, "var(--quiet)")
    ElementTree.register_namespace("", NAMESPACE)
    text = ElementTree.tostring(root, encoding="unicode")
    return real_colours_in_text(text) + "\n"


def _is(element: Element, name: str) -> bool:
    return bool(element.tag == f"{{{NAMESPACE}}}{name}")


def _lines(text: str, size: float, whole: float) -> list[str]:
    return textwrap.wrap(text, max(20, int((whole - 2 * EDGE) / (LETTER * size))))


def _rows(key: Mapping[str, Mark], whole: float) -> list[list[tuple[float, str, Mark]]]:
    """Entries of the key with the place where each begins, as many on a line as fit."""
    rows: list[list[tuple[float, str, Mark]]] = []
    x = whole
    for label, mark in key.items():
        wide = 34 + 6 + LETTER * 13 * len(label) + 18
        if not rows or x + wide > whole - EDGE:
            rows.append([])
            x = float(EDGE)
        rows[-1].append((x, label, mark))
        x += wide
    return rows


def _key(root: Element, row: Sequence[tuple[float, str, Mark]], y: float) -> None:
    for x, label, mark in row:
        drawn = ElementTree.fromstring(legend_mark(mark))
        place = _add(root, "g", {"transform": f"translate({x:.1f},{y + 4:g})"})
        place.extend(list(drawn))
        _words(root, label, x + 40, y + 16, 13, "var(--ink)")


def _words(root: Element, words: str, x: float, y: float, size: float, fill: str) -> None:
    place = {"x": f"{x:g}", "y": f"{y:g}", "font-size": f"{size:g}", "fill": fill}
    _add(root, "text", place).text = words


def _add(parent: Element, name: str, attributes: Mapping[str, str]) -> Element:
    return SubElement(parent, f"{{{NAMESPACE}}}{name}", dict(attributes))
