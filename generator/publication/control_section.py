"""The health of a rig as its page shows it: state today, control charts, repeatability and reproducibility."""

from __future__ import annotations

import datetime
from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace

from generator.evidence.rig_history import CHARTED, Chart, ChartPoint, RigHistory, Scatter
from generator.evidence.wording import counted, decimals_for, listed, number, p_text, percent, with_unit
from generator.figures.control_chart import control_chart
from generator.figures.records import Figure
from generator.intake.rig import Rig
from generator.publication import interactive
from generator.publication.facts import Fact, date_text
from generator.publication.figure_blocks import FigureBlock, figure_block, order_of, picture
from generator.publication.navigation import Link, link, rig_page, session_page
from generator.publication.svg import figure_csv, vega_lite_text
from generator.reduction.procedures import response_kinds


@dataclass(frozen=True, slots=True, kw_only=True)
class ControlBlock:
    """One chart on the rig's page, with what its scatter is."""

    figure: FigureBlock
    facts: tuple[Fact, ...]


# The standard's term sounds like danger to who does not know it.
MEANS = (
    "The words are those of control charts: its readings have left the limits that its first sessions set, so what it "
    "measures may be off. They do not say that the stand is unsafe."
)


def state_word(history: RigHistory | None) -> str:
    """State of a rig in a word or two, "" without a check standard."""
    state = None if history is None else history.state
    words = {
        None: "",
        "baseline": "too few sessions to judge",
        "out of control": "out of control: reads outside its usual limits",
    }
    return words.get(state, state or "")


@dataclass(frozen=True, slots=True, kw_only=True)
class RigState:
    """State of a rig today, that is after the newest session with runs of its check standard.

    css_class  class of its label: `off`, `steady` or `early`
    word       `Out of control`, `In control`, `Too few sessions to judge`
    since      (what is out of control, ` since `, link to the session, ` of ` its date), one for each session
    rest       what else there is to say, as a sentence, or ""
    means      what the word means and does not mean, as a sentence, or ""
    """

    css_class: str
    word: str
    since: tuple[tuple[str, Link, str], ...]
    rest: str
    means: str = ""


def rig_state(history: RigHistory | None, titles: Mapping[str, str], page: str) -> RigState | None:
    """State of a rig for its page `page`; None without a check standard. titles: session id -> title."""
    if history is None or history.state is None:
        return None
    newest = max(
        (chart.points[-1] for chart in history.charts), key=lambda point: (point.date, point.session)
    )
    measured = f"Last measured {date_text(newest.date)}."
    if history.state == "baseline":
        most = min(_in_stretch(chart) for chart, point in history.newest() if point.state == "baseline")
        told = f"{most} of the {history.rules.baseline} that set the limits are there. {measured}"
        return RigState(css_class="early", word="Too few sessions to judge", since=(), rest=told)
    off = [chart for chart, point in history.newest() if point.state == "out of control"]
    if not off:
        told = f"The check standard reads as in its baseline. {measured}"
        return RigState(css_class="steady", word="In control", since=(), rest=told)
    kinds = response_kinds()
    found: dict[str, tuple[list[str], datetime.date]] = {}
    for chart in off:
        since = off_since(chart)
        found.setdefault(since.session, ([], since.date))[0].append(kinds[chart.response].label.lower())
    told_once = {date for _, date in found.values()} == {newest.date}
    return RigState(
        css_class="off",
        word="Out of control",
        since=tuple(
            (
                listed(names),
                Link(text=titles.get(session, session), href=link(page, session_page(session))),
                date_text(date),
            )
            for session, (names, date) in found.items()
        ),
        rest="That was the last time it was measured." if told_once else measured,
        means=MEANS,
    )


def off_since(chart: Chart) -> ChartPoint:
    """The first of the points out of control that a chart ends with; its newest point must be one."""
    return next(
        point
        for place, point in enumerate(chart.points)
        if all(later.state == "out of control" for later in chart.points[place:])
    )


def gone_off_since(
    history: RigHistory | None, channels: Collection[str], date: datetime.date
) -> tuple[tuple[str, datetime.date], ...]:
    """(what, since when) a rig is out of control today that rests on these channels as they were calibrated on `date`.

    Sorted by day. What was out of control before that day is left out: a calibration since is not its own doubt.
    """
    if history is None:
        return ()
    kinds = response_kinds()
    off = [
        (kinds[chart.response].label.lower(), off_since(chart).date)
        for chart, point in history.newest()
        if point.state == "out of control" and set(CHARTED[chart.response]) & set(channels)
    ]
    return tuple(sorted({it for it in off if it[1] > date}, key=lambda it: (it[1], it[0])))


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
    charts = list(history.charts) if history is not None else []
    off = [chart for chart, point in history.newest() if point.state == "out of control"] if history else []
    charts.sort(key=lambda chart: chart not in off)  # what is amiss first
    for chart in charts:
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
