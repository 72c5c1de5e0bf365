"""The health of a rig as its page shows it: state today, control charts, repeatability and reproducibility."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from generator.evidence.rig_history import Chart, RigHistory, Scatter
from generator.evidence.wording import counted, decimals_for, listed, number, p_text, percent, with_unit
from generator.figures.control_chart import control_chart
from generator.figures.records import Figure
from generator.intake.rig import Rig
from generator.publication import interactive
from generator.publication.facts import Fact, date_text
from generator.publication.figure_blocks import FigureBlock, figure_block, order_of, picture
from generator.publication.navigation import Link, link, rig_page
from generator.publication.svg import figure_csv, vega_lite_text
from generator.reduction.procedures import response_kinds


@dataclass(frozen=True, slots=True, kw_only=True)
class ControlBlock:
    """One chart on the rig's page, with what its scatter is."""

    figure: FigureBlock
    facts: tuple[Fact, ...]


def state_word(history: RigHistory | None) -> str:
    """State of a rig in a word or two, "" without a check standard."""
    state = None if history is None else history.state
    return {None: "", "baseline": "too few sessions to judge"}.get(state, state or "")


def state_sentence(history: RigHistory | None, titles: Mapping[str, str]) -> str:
    """State of a rig today, that is after the newest session with runs of its check standard."""
    if history is None or history.state is None:
        return ""
    newest = max(
        (chart.points[-1] for chart in history.charts), key=lambda point: (point.date, point.session)
    )
    day = date_text(newest.date)
    if history.state == "baseline":
        most = min(_in_stretch(chart) for chart, point in history.newest() if point.state == "baseline")
        return (
            f"Too few sessions to judge: {most} of the {history.rules.baseline} that set the limits "
            f"(last measured {day})."
        )
    kinds = response_kinds()
    off = [chart for chart, point in history.newest() if point.state == "out of control"]
    if not off:
        return f"In control: the check standard reads as in its baseline (last measured {day})."
    told = []
    for chart in off:
        since = next(
            point
            for place, point in enumerate(chart.points)
            if all(later.state == "out of control" for later in chart.points[place:])
        )
        label = kinds[chart.response].label.lower()
        told.append(f"{label} since {titles.get(since.session, since.session)}, {date_text(since.date)}")
    return f"Out of control: {listed(told)} (last measured {day})."


def _in_stretch(chart: Chart) -> int:
    """Sessions since the calibration that began the chart's newest stretch."""
    places = [place for place, point in enumerate(chart.points) if point.restarts]
    return len(chart.points) - (places[-1] if places else 0)


def control_blocks(
    rig: Rig, history: RigHistory | None, titles: Mapping[str, str], page: str
) -> tuple[tuple[ControlBlock, ...], dict[str, bytes]]:
    """Charts of a rig for its page `page`, and their files: path -> bytes. titles: session id -> title."""
    made: list[ControlBlock] = []
    files: dict[str, bytes] = {}
    kinds = response_kinds()
    for chart in history.charts if history is not None else ():
        figure = control_chart(chart, kinds[chart.response], titles)
        if figure is None or history is None:
            continue
        paths = {ending: _file(rig, figure, ending) for ending in ("csv", "vl.json", "vl.js")}
        files[paths["csv"]] = figure_csv(figure).encode()
        files[paths["vl.json"]] = vega_lite_text(figure).encode()
        files[paths["vl.js"]] = interactive.piece(figure).encode()
        block = replace(
            figure_block(figure, picture(order_of(figure)), rig.id, page),
            files=(
                Link(text="Data (CSV)", href=link(page, paths["csv"])),
                Link(text="Chart specification (Vega-Lite)", href=link(page, paths["vl.json"])),
            ),
        )
        made.append(ControlBlock(figure=block, facts=_facts(chart, history)))
    return tuple(made), files


def _file(rig: Rig, figure: Figure, ending: str) -> str:
    return f"{rig_page(rig.id).removesuffix('.html')}/{figure.name}.{ending}"


def _facts(chart: Chart, history: RigHistory) -> tuple[Fact, ...]:
    facts = []
    if chart.repeatability is not None:
        facts.append(
            Fact(name="Repeatability, one run within a session", value=_scatter(chart, chart.repeatability))
        )
    if chart.reproducibility is not None:
        facts.append(
            Fact(
                name="Reproducibility, one run of any session in control",
                value=_scatter(chart, chart.reproducibility),
            )
        )
    if chart.trend_p is not None:
        facts.append(
            Fact(
                name="Trend since the chart began (Kendall\u2019s test)",
                value=f"{p_text(chart.trend_p)}, {counted(_in_stretch(chart), 'session')}",
            )
        )
    share = percent(history.rules.false_alarm)
    facts.append(
        Fact(name="Chance of a false alarm in one session, all charts together", value=f"at most {share}")
    )
    return tuple(facts)


def _scatter(chart: Chart, found: Scatter) -> str:
    """A standard deviation with its own standard uncertainty."""
    places = decimals_for(found.u, largest=found.sd)
    return (
        f"standard deviation {number(found.sd, places)} ± {with_unit(number(found.u, places), chart.unit)}, "
        f"{counted(round(found.dof), 'degree of freedom', 'degrees of freedom')}"
    )
