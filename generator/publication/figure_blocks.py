"""Figures on pages: the picture, its numbers as a table, its files, and the logs it comes from."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from markupsafe import Markup

from generator.executors import HERE, Workers
from generator.figures.records import Figure
from generator.figures.styles import marks
from generator.memory import Memory, fingerprint
from generator.progress import Progress, counter, quiet
from generator.publication import interactive, navigation
from generator.publication.navigation import Link, anchor, link
from generator.publication.svg import figure_csv, legend_mark, render_svg, vega_lite_text
from generator.publication.tables import Table, frame_table

# Figures of a session's mean curves, which the overlay page has too.
CURVES = ("electrical_power-against-thrust", "thrust_per_power-against-thrust", "thrust-against-throttle")


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """A figure rendered: inline SVG for a wide page, and for a phone or None where one serves both."""

    wide: str
    narrow: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class LegendItem:
    """A treatment in a legend: its mark as inline SVG, its label."""

    mark: Markup
    label: str


@dataclass(frozen=True, slots=True, kw_only=True)
class FigureBlock:
    """One figure as a page shows it.

    key      id of the figure
    title    heading
    wide     inline SVG for a wide page
    narrow   the same for a phone, or None where `wide` serves both
    legend   marks of the treatments with their labels, where the picture shows several
    note     how to read it, or ""
    table    what is drawn, as numbers
    files    links to its data and its specification
    sources  links to the raw logs behind it
    overlay  link to its session's curves on the overlay page, or "" where it shows no curves
    """

    key: str
    title: str
    wide: Markup
    narrow: Markup | None
    legend: tuple[LegendItem, ...]
    note: str
    table: Table
    files: tuple[Link, ...]
    sources: tuple[Link, ...]
    overlay: str = ""


def title_of_picture(figure: Figure) -> str:
    """What a reader without eyes hears: what it shows, and that its numbers follow."""
    return f"{figure.title}. {figure.states} A table with the numbers follows."


Order = tuple[str, Mapping[str, Any], Mapping[str, Any] | None, str]


def picture(order: Order) -> Picture:
    """Both renderings of a figure, from its stem, wide and narrow specification and title.

    Their names differ, so that ids inside them never meet on a page.
    """
    stem, wide, narrow, title = order
    return Picture(
        wide=render_svg(f"{stem}-wide", wide, title),
        narrow=None if narrow is None else render_svg(f"{stem}-narrow", narrow, title),
    )


def order_of(figure: Figure) -> Order:
    """What rendering a figure needs, and no more, since it may travel to another process."""
    return anchor(figure.name), figure.spec, figure.narrow, title_of_picture(figure)


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawing:
    """How figures are rendered.

    workers   who renders
    runs_worth_workers  from so many runs on, starting workers repays; a run gives about two charts
    progress  is told how many have been rendered
    memory    pictures of an earlier build, or None
    """

    workers: Workers = HERE
    runs_worth_workers: int = 1
    progress: Progress = quiet
    memory: Memory | None = None


def rendered(drawing: Drawing, what: str, figures: Iterable[Figure]) -> list[Picture]:
    """Pictures of the figures, in order. Those of an earlier build are taken from memory.

    what  is told with the progress: what the figures are of
    """
    orders = [order_of(figure) for figure in figures]
    shelf = None if drawing.memory is None else drawing.memory.pictures
    keys = [
        str(place) if shelf is None else fingerprint(json.dumps(order).encode())
        for place, order in enumerate(orders)
    ]
    drawn: dict[str, Picture] = {}
    for key in keys:
        kept = None if shelf is None else shelf.find(key)
        if kept is not None:
            drawn[key] = kept
    fresh = {key: order for key, order in zip(keys, orders, strict=True) if key not in drawn}
    worth = drawing.workers.worth(len(fresh) / 2, drawing.runs_worth_workers)
    made = (drawing.workers if worth else HERE).map(picture, ((order,) for order in fresh.values()), ahead=4)
    one_drawn = counter(drawing.progress, what, len(fresh))
    for key, one in zip(fresh, made, strict=True):
        one_drawn()
        drawn[key] = one if shelf is None else shelf.put(key, one)
    return [drawn[key] for key in keys]


def legend(labels: Mapping[str, str], baseline: str) -> tuple[LegendItem, ...]:
    """Every treatment with the mark it has in all figures of its session."""
    looks = marks(tuple(labels), baseline)
    return tuple(
        LegendItem(mark=Markup(legend_mark(looks[name])), label=label) for name, label in labels.items()
    )


def figure_block(
    figure: Figure,
    drawn: Picture,
    session_id: str,
    page: str,
    *,
    legend: tuple[LegendItem, ...] = (),
    png: bool = False,
) -> FigureBlock:
    """A figure for the page `page`, with links to its files and logs. png: whether there is such a picture of it."""

    def to(ending: str) -> str:
        return link(page, navigation.figure_file(session_id, figure.name, ending))

    key = f"figure-{anchor(figure.name)}"
    return FigureBlock(
        key=key,
        title=figure.title,
        wide=Markup(drawn.wide),
        narrow=None if drawn.narrow is None else Markup(drawn.narrow),
        legend=legend,
        note=figure.note,
        table=frame_table(f"{key}-numbers", f"The numbers of: {figure.title}", figure.table),
        files=(
            Link(text="Data (CSV)", href=to("csv")),
            Link(text="Chart specification (Vega-Lite)", href=to("vl.json")),
            Link(text="Picture (SVG)", href=to("svg")),
            *((Link(text="Picture (PNG)", href=to("png")),) if png else ()),
        ),
        sources=tuple(
            Link(text=log.rsplit("/", 1)[-1], href=link(page, navigation.log_copy(session_id, log)))
            for log in figure.sources
        ),
        overlay=f"{link(page, navigation.OVERLAY)}?open={session_id}" if figure.name in CURVES else "",
    )


def figure_files(figure: Figure, session_id: str) -> dict[str, bytes]:
    """Path -> bytes of a figure's data, its specification, and its form to explore."""
    return {
        navigation.figure_file(session_id, figure.name, "csv"): figure_csv(figure).encode(),
        navigation.figure_file(session_id, figure.name, "vl.json"): vega_lite_text(figure).encode(),
        interactive.piece_path(session_id, figure.name): interactive.piece(figure).encode(),
    }
