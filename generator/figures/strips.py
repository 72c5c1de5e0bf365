"""One contrast as a strip: its interval against zero and the margin, with every run as a dot."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import altair as alt
import pandas as pd

from generator.evidence.records import Contrast, RunValue
from generator.evidence.sentences import margin_size
from generator.evidence.wording import (
    at_words,
    decimals_for,
    difference_unit,
    interval_decimals,
    interval_text,
    number,
    with_unit,
    written,
)
from generator.figures.numbers import drawn, rounded, titled
from generator.figures.records import Figure
from generator.figures.styles import Mark, marks
from generator.figures.theme import (
    CHARACTER,
    INK,
    NARROW,
    PAPER,
    QUIET,
    WIDE,
    ZONE,
    ZONE_EDGE,
    Sheet,
    extent,
    narrowed,
    side,
    title_lines,
    y2_at,
    y_at,
)
from generator.reduction.records import ResponseKind

HEIGHT = 118
INTERVAL_Y = 40
RUNS_Y = (58, 66, 74)  # runs step through three lines, so that equal values stay apart
CAP = 7
READING_Y = 14
ZONE_TOP = 26  # the zone begins below the reading
MARGIN_Y = 107  # below the lowest runs
CLEAR = 8  # between the reading and the place of the zero line [px]
BOLD = 1.08  # bold text is wider by this
X = alt.X("difference:Q")


def difference_strip(
    contrast: Contrast,
    labels: Mapping[str, str],
    kind: ResponseKind,
    *,
    per_run: Sequence[RunValue] = (),
    baseline_runs: Sequence[RunValue] = (),
) -> Figure:
    """The difference between a treatment and the baseline on one horizontal strip.

    contrast       treatment minus baseline, in the published unit
    labels         treatment id -> label, all treatments in the order of the session
    kind           the response
    per_run        the treatment's runs; each becomes a dot at its value minus the baseline's mean
    baseline_runs  the baseline's runs, for the log paths behind the figure and for their own dots
    Raises  KeyError for a treatment that labels does not have
    """
    treatment, baseline = labels[contrast.treatment], labels[contrast.baseline]
    decimals = _decimals(contrast)
    look = marks(tuple(labels), contrast.baseline)
    dots = [
        *_dots(per_run, contrast, decimals, lower=False),
        *_dots(baseline_runs, contrast, decimals, lower=True),
    ]
    margin = contrast.margin if contrast.margin is not None and contrast.margin > 0 else None
    zone = (-margin, margin) if margin is not None else ()
    domain = extent(
        [0.0, *zone, contrast.difference, *contrast.interval, *(dot["difference"] for dot in dots)]
    )

    unit = difference_unit(contrast.unit)
    title = titled(f"{kind.label}, {treatment} minus {baseline}", unit)
    pair = title_lines(f"{treatment} minus {baseline}", NARROW)
    short = [titled(kind.label, unit), *([pair] if isinstance(pair, str) else pair)]
    axis = alt.X(
        "difference:Q",
        title=title_lines(title, WIDE),
        scale=alt.Scale(domain=list(domain), nice=False, zero=False),
        axis=alt.Axis(tickCount=5, labelFlush=False),
    )
    sheet = Sheet()
    layers, narrow_layers = _ground(sheet, contrast, baseline, margin, domain)
    layers += _interval(sheet, contrast, axis, look[contrast.treatment])
    layers += [
        *_run_layer(sheet, [dot for dot in dots if not dot["baseline"]], axis, look[contrast.treatment]),
        *_run_layer(sheet, [dot for dot in dots if dot["baseline"]], axis, look[contrast.baseline]),
    ]
    text = _reading(contrast, decimals)
    share, zero = ((value - domain[0]) / (domain[1] - domain[0]) for value in (contrast.difference, 0.0))
    layers += _haloed(
        sheet, text, contrast.difference, READING_Y, "left", reading_dx(share, zero, text, WIDE)
    )
    beside = {"dx": reading_dx(share, zero, text, NARROW)}
    narrow_layers |= dict.fromkeys(("reading", "reading halo"), beside)
    spec = sheet.finished(sheet.view(layers, width=WIDE, height=HEIGHT))
    return Figure(
        name=f"{contrast.key}-difference",
        title=_heading(contrast, kind, treatment, baseline),
        states=_states(contrast, kind, treatment, baseline, decimals),
        note=_note(
            contrast, baseline, treatment, decimals, runs=bool(per_run), baseline_runs=bool(baseline_runs)
        ),
        spec=spec,
        narrow=narrowed(spec, layers=narrow_layers, titles={title: short}),
        table=_table(contrast, dots, treatment, baseline, decimals),
        sources=tuple(dict.fromkeys(run.log for run in (*per_run, *baseline_runs))),
    )


def _dots(
    runs: Sequence[RunValue], contrast: Contrast, decimals: int, *, lower: bool
) -> list[dict[str, Any]]:
    rows = []
    for place, run in enumerate(sorted(runs, key=lambda run: run.order)):
        if math.isfinite(run.value):
            rows.append(
                {
                    "run": run.run_id,
                    "baseline": lower,
                    "difference": drawn(run.value - contrast.baseline_value, decimals),
                    "value": drawn(run.value, decimals),
                    "y": RUNS_Y[place % len(RUNS_Y)] + (24 if lower else 0),
                }
            )
    return rows


def _ground(
    sheet: Sheet, contrast: Contrast, baseline: str, margin: float | None, domain: tuple[float, float]
) -> tuple[list[alt.Chart], dict[str, dict[str, Any]]]:
    """Margin zone with drawn edges, zero line, and their labels above the plot."""
    layers: list[alt.Chart] = []
    narrow: dict[str, dict[str, Any]] = {}
    zero = -domain[0] / (domain[1] - domain[0])
    if margin is not None:
        layers.append(
            sheet.at(low=-margin, high=margin)
            .mark_rect(fill=ZONE)
            .encode(x=alt.X("low:Q"), x2=alt.X2("high"), y=y_at(ZONE_TOP), y2=y2_at("height"))
        )
        layers.append(
            sheet.rows([{"difference": -margin}, {"difference": margin}])
            .mark_rule(color=ZONE_EDGE, strokeWidth=1)
            .encode(x=X, y=y_at(ZONE_TOP), y2=y2_at("height"))
        )
        text = f"margin ±{written(contrast.margin_text)}" if contrast.margin_text else "margin"
        anchor, wide_look = _beside(margin, domain, text, WIDE)
        narrow_anchor, narrow_look = _beside(margin, domain, text, NARROW)
        # one anchor serves both widths: where they differ, the wide chart's is moved by its distance
        wide_look["dx"] += (anchor - narrow_anchor) / (domain[1] - domain[0]) * WIDE
        layers.append(
            sheet.at(difference=narrow_anchor)
            .mark_text(text=text, baseline="middle", color=QUIET, **wide_look)
            .encode(x=X, y=y_at(MARGIN_Y))
            .properties(name="margin label")
        )
        narrow["margin label"] = narrow_look
    layers.append(
        sheet.at(difference=0.0)
        .mark_rule(color=INK, strokeWidth=1)
        .encode(x=X, y=y_at(ZONE_TOP), y2=y2_at("height"))
    )
    # a tick under the label and the line below the reading: it may not strike through a number
    layers.append(
        sheet.at(difference=0.0).mark_rule(color=INK, strokeWidth=1).encode(x=X, y=y_at(-3), y2=y2_at(4))
    )
    text = f"same as {baseline}"
    layers.append(_above(sheet, text, -7, side(zero, text, WIDE), "zero label", INK))
    narrow["zero label"] = {"align": side(zero, text, NARROW)}
    return layers, narrow


def _beside(
    margin: float, domain: tuple[float, float], text: str, width: float
) -> tuple[float, dict[str, Any]]:
    """Where the margin is named: outside its zone where there is room, else inside; never across the zero line."""
    pixels = width / (domain[1] - domain[0])
    needed = len(text) * CHARACTER + 5
    if (domain[1] - margin) * pixels >= needed:
        return margin, {"align": "left", "dx": 5.0}
    if (-margin - domain[0]) * pixels >= needed:
        return -margin, {"align": "right", "dx": -5.0}
    return margin, {"align": "right", "dx": -5.0}


def reading_dx(share: float, zero: float, text: str, width: float) -> float:
    """How far right of the estimate its reading begins [px]: over it, inside the plot, off the zero line if it can be.

    share, zero  places of the estimate and of zero, as shares of the plot's width
    """
    long = len(text) * CHARACTER * BOLD
    middle, line = share * width, zero * width
    start = min(max(middle - long / 2, 0.0), max(width - long, 0.0))
    if start - CLEAR < line < start + long + CLEAR:
        if share >= zero and line + CLEAR + long <= width:
            start = line + CLEAR
        elif share < zero and line - CLEAR - long >= 0.0:
            start = line - CLEAR - long
    return round(start - middle, 1)


def _above(sheet: Sheet, text: str, y: int, align: Any, name: str, colour: str) -> alt.Chart:
    layer: alt.Chart = (
        sheet.at(difference=0.0)
        .mark_text(text=text, align=align, baseline="bottom", color=colour)
        .encode(x=X, y=y_at(y))
        .properties(name=name)
    )
    return layer


def _interval(sheet: Sheet, contrast: Contrast, axis: alt.X, mark: Mark) -> list[alt.Chart]:
    """The interval as a thick line with end caps, the estimate as the treatment's marker."""
    layers = []
    low, high = contrast.interval
    if _has_interval(contrast):
        layers.append(
            sheet.at(low=low, high=high)
            .mark_rule(color=mark.colour, strokeWidth=5)
            .encode(x=alt.X("low:Q"), x2=alt.X2("high"), y=y_at(INTERVAL_Y))
        )
        layers.append(
            sheet.rows([{"difference": low}, {"difference": high}])
            .mark_rule(color=mark.colour, strokeWidth=2)
            .encode(x=X, y=y_at(INTERVAL_Y - CAP), y2=y2_at(INTERVAL_Y + CAP))
        )
    layers.append(
        sheet.at(difference=contrast.difference)
        .mark_point(shape=mark.shape, size=150, fill=PAPER, stroke=mark.colour, strokeWidth=2.5, opacity=1)
        .encode(x=axis, y=y_at(INTERVAL_Y))
    )
    return layers


def _run_layer(sheet: Sheet, dots: Sequence[dict[str, Any]], axis: alt.X, mark: Mark) -> list[alt.Chart]:
    if not dots:
        return []
    y = alt.Y("y:Q", axis=None, scale=alt.Scale(domain=[HEIGHT, 0], nice=False))
    tips = [alt.Tooltip("run:N", title="Run"), alt.Tooltip("difference:Q", title="Difference")]
    look: dict[str, Any] = {
        "shape": mark.shape,
        "size": 36,
        "filled": True,
        "color": mark.colour,
        "opacity": 1,
    }
    return [sheet.rows(dots).mark_point(**look).encode(x=axis, y=y, tooltip=tips)]


def _haloed(sheet: Sheet, text: str, x: float, y: int, align: str, dx: float) -> list[alt.Chart]:
    """Text that stays readable where the zero line or an edge of the zone crosses it."""
    point = sheet.at(difference=x).encode(x=X, y=y_at(y))
    look: dict[str, Any] = {
        "text": text,
        "align": align,
        "dx": dx,
        "baseline": "middle",
        "fontWeight": "bold",
    }
    return [
        point.mark_text(**look, stroke=PAPER, strokeWidth=5, strokeJoin="round").properties(
            name="reading halo"
        ),
        point.mark_text(**look, color=INK).properties(name="reading"),
    ]


def _decimals(contrast: Contrast) -> int:
    low, high = contrast.interval
    if math.isfinite(low) and math.isfinite(high):
        return interval_decimals(low, high)
    return decimals_for(math.nan, largest=contrast.difference)


def _has_interval(contrast: Contrast) -> bool:
    return all(math.isfinite(limit) for limit in contrast.interval)


def _reading(contrast: Contrast, decimals: int) -> str:
    """The finding beside the estimate: "+7.9 W (+6.1 to +9.7)"."""
    text = _amount(contrast, decimals)
    if not _has_interval(contrast):
        return text
    ends = (number(limit, decimals, signed=True) for limit in contrast.interval)
    return f"{text} ({' to '.join(ends)})"


def _amount(contrast: Contrast, decimals: int) -> str:
    return with_unit(number(contrast.difference, decimals, signed=True), difference_unit(contrast.unit))


def _condition(contrast: Contrast) -> str:
    words = at_words(contrast.at)
    return f" {words}" if words else ""


def _heading(contrast: Contrast, kind: ResponseKind, treatment: str, baseline: str) -> str:
    return f"{kind.label}{_condition(contrast)}: {treatment} against {baseline}"


def _states(contrast: Contrast, kind: ResponseKind, treatment: str, baseline: str, decimals: int) -> str:
    text = f"{kind.label}{_condition(contrast)}, {treatment} minus {baseline}: {_amount(contrast, decimals)}"
    if _has_interval(contrast):
        text += f", {100 * contrast.level:.0f} % interval {interval_text(*contrast.interval, contrast.unit)}"
    else:
        text += ", without an interval"
    if contrast.margin_text:
        text += f", against a margin of {written(contrast.margin_text)}"
    grade = ", indicative only" if contrast.indicative else ""
    return f"{text}. Verdict: {contrast.verdict}{grade}."


def _note(
    contrast: Contrast, baseline: str, treatment: str, decimals: int, *, runs: bool, baseline_runs: bool
) -> str:
    parts = []
    if _has_interval(contrast):
        parts.append(f"The thick line is the {100 * contrast.level:.0f} % interval of the mean difference.")
    if contrast.margin is None:
        parts.append("No margin was set.")
    else:
        size = margin_size(contrast)
        own = written(contrast.margin_text) if contrast.margin_text else size
        same = "" if contrast.relative is None or "%" not in own else f" ({size})"
        parts.append(f"The shaded zone is the margin, {own}{same}, set before the test.")
    if runs and baseline_runs:
        parts.append(
            f"Small markers are single runs minus the mean of {baseline}: {treatment} above, {baseline} below."
        )
    elif runs:
        parts.append(f"Small markers are single runs of {treatment} minus the mean of {baseline}.")
    if runs:
        parts.append("A single run lies further off than the mean of several.")
    if contrast.basis == "within one run":
        parts.append("One run each: the interval holds the scatter within a run only.")
    return " ".join(parts)


def _table(
    contrast: Contrast, dots: Sequence[dict[str, Any]], treatment: str, baseline: str, decimals: int
) -> pd.DataFrame:
    unit = difference_unit(contrast.unit)
    columns = [titled(name, unit) for name in ("Difference", "Lower limit", "Upper limit")]

    def row(what: str, *values: float) -> dict[str, Any]:
        return {"What": what, **{c: rounded(v, decimals) for c, v in zip(columns, values, strict=True)}}

    rows = [row(f"mean difference, {treatment} minus {baseline}", contrast.difference, *contrast.interval)]
    rows += [row(f"run {dot['run']}", dot["difference"], math.nan, math.nan) for dot in dots]
    if contrast.margin is not None:
        rows.append(row("margin", math.nan, -contrast.margin, contrast.margin))
    return pd.DataFrame(rows)
