"""The picture that a chat or a video description shows for a comparison: answer, interval, conditions."""

from __future__ import annotations

import hashlib
import textwrap
from dataclasses import dataclass
from xml.etree import ElementTree

from generator.evidence.records import Contrast, SessionAnalysis
from generator.evidence.wording import sentence_case
from generator.figures.styles import COLOURS
from generator.intake.session import Season, Session
from generator.publication import navigation, texts
from generator.publication.facts import date_text
from generator.publication.navigation import anchor
from generator.publication.page_frame import shortened
from generator.publication.session_blocks import against, labels_of
from generator.publication.svg import svg_png
from generator.publication.verdict_rows import (
    STRIP_WIDTH,
    WEAKENED,
    SmallStrip,
    small_strip,
    sureness,
    verdict_word,
)

WIDTH, HEIGHT = 1200, 630  # what previews are cut to; the Open Graph convention
MARGIN = 64
STRIP_LEFT, STRIP_RIGHT, STRIP_TOP, STRIP_HEIGHT = MARGIN, WIDTH - MARGIN, 432, 72
# A letter of the renderer's own sans serif is about so wide, as a share of its size; used to break lines.
LETTER = 0.52


@dataclass(frozen=True, slots=True, kw_only=True)
class ShareCard:
    """A picture to share. path: of the PNG, from the top of the site; alt: what it shows, in words."""

    path: str
    png: bytes
    svg: str
    alt: str


def share_card(contrast: Contrast, analysis: SessionAnalysis, session: Session, season: Season) -> ShareCard:
    """The card of a contrast. Its name holds a hash of its content, so that a preview never shows an old one."""
    labels = labels_of(session)
    svg = card_svg(contrast, analysis, session, season)
    pair = anchor(contrast.treatment, "against", contrast.baseline)
    mark = hashlib.sha256(svg.encode()).hexdigest()[:10]
    told = " Simulated data." if analysis.simulated else ""
    return ShareCard(
        path=f"{navigation.session_folder(session.id)}/cards/{pair}-{mark}.png",
        png=svg_png(svg),
        svg=svg,
        alt=f"{against(labels, contrast.treatment, contrast.baseline)}: {contrast.sentence}{told}",
    )


def card_svg(contrast: Contrast, analysis: SessionAnalysis, session: Session, season: Season) -> str:
    """The card as SVG in real colours: title, response, difference with its interval on a strip, conditions."""
    labels = labels_of(session)
    colour = {name.removeprefix("--"): pair[0] for name, pair in COLOURS.items()}
    root = ElementTree.Element(
        "svg",
        {
            "xmlns": "http://www.w3.org/2000/svg",
            "width": str(WIDTH),
            "height": str(HEIGHT),
            "viewBox": f"0 0 {WIDTH} {HEIGHT}",
        },
    )
    _rect(root, 0, 0, WIDTH, HEIGHT, colour["paper"])
    _rect(root, 0, 0, WIDTH, 14, colour["ink"])
    _text(root, season.file.title, MARGIN, 66, 26, colour["quiet"], room=760)
    _text(root, date_text(session.file.date), WIDTH - MARGIN, 66, 26, colour["quiet"], end=True)
    title = against(labels, contrast.treatment, contrast.baseline)
    size = 54 if len(title) <= 36 else 42 if len(title) <= 46 else 36
    lines = _wrapped(title, size, 2)
    for place, line in enumerate(lines):
        _text(root, line, MARGIN, 142 + place * (size + 8), size, colour["ink"], bold=True)
    below = 142 + (len(lines) - 1) * (size + 8)
    kind = analysis.kinds[contrast.response]
    _text(root, texts.place_text(kind, contrast.at), MARGIN, below + 54, 34, colour["ink"], room=1072)
    verdict = (
        f"Indicative only: {verdict_word(contrast, analysis)}"
        if contrast.indicative
        else sentence_case(verdict_word(contrast, analysis))
    )
    weak = sureness(contrast, analysis)
    if weak in (WEAKENED["failed"], WEAKENED["warned"]):
        verdict = f"{weak}: {verdict[:1].lower()}{verdict[1:]}"
    _text(root, verdict, MARGIN, below + (118 if len(lines) == 1 else 104), 36, colour["ink"], bold=True)
    amount = texts.difference_text(contrast)
    _text(root, amount, MARGIN, 372, 88 if len(lines) == 1 else 72, colour["ink"], bold=True)
    relative = texts.relative_text(contrast, labels).split(" (")[0]
    _text(root, relative, WIDTH - MARGIN, 372, 32, colour["quiet"], end=True, room=560)
    _strip(root, small_strip(contrast), colour)
    interval = f"{texts.level_text(contrast)} interval {texts.interval_text(contrast)}"
    _text(root, interval, MARGIN, 548, 32, colour["ink"])
    _text(root, _conditions(contrast), WIDTH - MARGIN, 548, 26, colour["quiet"], end=True)
    warning = _warning(contrast, analysis)
    if warning:
        _rect(root, 0, HEIGHT - 52, WIDTH, 52, colour["zone"])
        _text(root, warning, MARGIN, HEIGHT - 17, 26, colour["ink"], bold=True, room=1072)
    return ElementTree.tostring(root, encoding="unicode")


def _conditions(contrast: Contrast) -> str:
    treatment, baseline = contrast.runs
    runs = f"{treatment} runs each" if treatment == baseline != 1 else f"{treatment} against {baseline} runs"
    if treatment == baseline == 1:
        runs = "one run each"
    return f"{runs}, {'decided before the test' if contrast.primary else 'exploratory'}"


def _warning(contrast: Contrast, analysis: SessionAnalysis) -> str:
    parts = []
    if analysis.simulated:
        parts.append("Simulated data, not measured.")
    if contrast.weakened_by:
        parts.append("A check of the data weakens this.")
    return " ".join(parts)


def _strip(root: ElementTree.Element, strip: SmallStrip, colour: dict[str, str]) -> None:
    """The small strip of the pages, drawn large: zero, margin zone, interval, difference."""
    factor = (STRIP_RIGHT - STRIP_LEFT) / STRIP_WIDTH

    def x(value: float) -> float:
        return round(STRIP_LEFT + factor * value, 1)

    middle = STRIP_TOP + STRIP_HEIGHT / 2
    if strip.zone_x is not None and strip.zone_width is not None:
        _rect(
            root,
            x(strip.zone_x),
            STRIP_TOP,
            round(factor * strip.zone_width, 1),
            STRIP_HEIGHT,
            colour["zone"],
        )
        for edge in (strip.zone_x, strip.zone_x + strip.zone_width):
            _line(root, x(edge), STRIP_TOP, x(edge), STRIP_TOP + STRIP_HEIGHT, colour["zone-edge"], 2)
    _line(
        root,
        x(strip.zero_x),
        STRIP_TOP - 10,
        x(strip.zero_x),
        STRIP_TOP + STRIP_HEIGHT + 10,
        colour["ink"],
        3,
    )
    _line(root, x(strip.low_x), middle, x(strip.high_x), middle, colour["treatment-1"], 8)
    for end in (strip.low_x, strip.high_x):
        _line(root, x(end), middle - 18, x(end), middle + 18, colour["treatment-1"], 6)
    ring = {"cx": str(x(strip.dot_x)), "cy": str(middle), "r": "15", "fill": colour["paper"]}
    ElementTree.SubElement(root, "circle", {**ring, "stroke": colour["treatment-1"], "stroke-width": "7"})


def _wrapped(text: str, size: float, most: int) -> list[str]:
    """Lines of a title, at most so many; the last is cut at a word."""
    letters = int((WIDTH - 2 * MARGIN) / (LETTER * size))
    lines = textwrap.wrap(text, letters, break_long_words=True) or [""]
    if len(lines) > most:
        lines = [*lines[: most - 1], shortened(" ".join(lines[most - 1 :]), letters)]
    return lines


def _text(
    root: ElementTree.Element,
    words: str,
    x: float,
    y: float,
    size: float,
    fill: str,
    *,
    bold: bool = False,
    end: bool = False,
    room: float | None = None,
) -> None:
    if not words:
        return
    shown = words if room is None else shortened(words, int(room / (LETTER * size)))
    element = ElementTree.SubElement(
        root,
        "text",
        {
            "x": str(x),
            "y": str(y),
            "font-family": "sans-serif",
            "font-size": str(size),
            "fill": fill,
            "font-weight": "bold" if bold else "normal",
            "text-anchor": "end" if end else "start",
        },
    )
    element.text = shown


def _rect(root: ElementTree.Element, x: float, y: float, width: float, height: float, fill: str) -> None:
    place = {"x": str(x), "y": str(y), "width": str(width), "height": str(height), "fill": fill}
    ElementTree.SubElement(root, "rect", place)


def _line(
    root: ElementTree.Element, x1: float, y1: float, x2: float, y2: float, stroke: str, width: float
) -> None:
    ends = {"x1": str(x1), "y1": str(y1), "x2": str(x2), "y2": str(y2)}
    ElementTree.SubElement(root, "line", {**ends, "stroke": stroke, "stroke-width": str(width)})
