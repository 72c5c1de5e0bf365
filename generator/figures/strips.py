"""One contrast as a strip: its interval against zero and the margin, with every run as a dot."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import altair as alt
import pandas as pd

from generator.evidence.records import Contrast, RunValue
from generator.figures.numbers import condition, decimals_for, number, quantity, span
from generator.figures.records import Figure
from generator.figures.styles import Mark, marks
from generator.figures.theme import (
    INK,
    NARROW,
    PAPER,
    QUIET,
    WIDE,
    ZONE,
    ZONE_EDGE,
    base,
    extent,
    narrowed,
    side,
    themed,
)
from generator.reduction.records import ResponseKind

HEIGHT = 104
INTERVAL_Y = 40
RUNS_Y = (58, 66, 74)  # runs step through three lines, so that equal values stay apart
CAP = 7
READING_Y = 14
ZONE_TOP = 26  # the zone begins below the reading
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
    low, high = contrast.interval
    decimals = decimals_for((high - low) / 2)
    look = marks(tuple(labels), contrast.baseline)
    dots = [
        *_dots(per_run, contrast, decimals, lower=False),
        *_dots(baseline_runs, contrast, decimals, lower=True),
    ]
    margin = contrast.margin if contrast.margin is not None and contrast.margin > 0 else None
    zone = (-margin, margin) if margin is not None else ()
    domain = extent([0.0, *zone, contrast.difference, low, high, *(dot["difference"] for dot in dots)])

    title = f"Difference in {kind.label.lower()}, {treatment} minus {baseline} ({contrast.unit})"
    short = [f"Difference in {kind.label.lower()} ({contrast.unit})", f"{treatment} minus {baseline}"]
    axis = alt.X(
        "difference:Q",
        title=title,
        scale=alt.Scale(domain=list(domain), nice=False, zero=False),
        axis=alt.Axis(tickCount=5, labelFlush=False),
    )
    layers, narrow_layers = _ground(contrast, baseline, margin, domain)
    layers += _interval(contrast, axis, look[contrast.treatment])
    layers += [
        _run_layer([dot for dot in dots if not dot["baseline"]], axis, look[contrast.treatment]),
        _run_layer([dot for dot in dots if dot["baseline"]], axis, look[contrast.baseline]),
    ]
    text = _reading(contrast, decimals)
    place = (contrast.difference - domain[0]) / (domain[1] - domain[0])
    layers += _haloed(text, contrast.difference, READING_Y, side(place, text, WIDE))
    narrow_layers |= {name: {"align": side(place, text, NARROW)} for name in ("reading", "reading halo")}
    spec = themed(alt.layer(*layers).properties(width=WIDE, height=HEIGHT))
    return Figure(
        name=f"{contrast.key}-difference",
        title=_heading(contrast, kind, treatment, baseline),
        states=_states(contrast, kind, treatment, baseline, decimals),
        note=_note(contrast, baseline, treatment, decimals, bool(per_run), bool(baseline_runs)),
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
                    "difference": round(run.value - contrast.baseline_value, decimals + 1),
                    "value": round(run.value, decimals + 1),
                    "y": RUNS_Y[place % len(RUNS_Y)] + (24 if lower else 0),
                }
            )
    return rows


def _ground(
    contrast: Contrast, baseline: str, margin: float | None, domain: tuple[float, float]
) -> tuple[list[alt.Chart], dict[str, dict[str, Any]]]:
    """Margin zone with drawn edges, zero line, and their labels above the plot."""
    layers: list[alt.Chart] = []
    narrow: dict[str, dict[str, Any]] = {}
    zero = -domain[0] / (domain[1] - domain[0])
    if margin is not None:
        layers.append(
            base([{"low": -margin, "high": margin}])
            .mark_rect(fill=ZONE)
            .encode(x=alt.X("low:Q"), x2=alt.X2("high"), y=alt.YValue(ZONE_TOP), y2=alt.Y2Value(HEIGHT))
        )
        layers.append(
            base([{"difference": -margin}, {"difference": margin}])
            .mark_rule(color=ZONE_EDGE, strokeWidth=1)
            .encode(x=X, y=alt.YValue(ZONE_TOP), y2=alt.Y2Value(HEIGHT))
        )
        text = f"margin ±{contrast.margin_text}" if contrast.margin_text else "margin"
        layers.append(_above(text, -21, side(zero, text, WIDE), "margin label", QUIET))
        narrow["margin label"] = {"align": side(zero, text, NARROW)}
    layers.append(
        base([{"difference": 0.0}])
        .mark_rule(color=INK, strokeWidth=1)
        .encode(x=X, y=alt.YValue(-3), y2=alt.Y2Value(HEIGHT))
    )
    text = f"same as {baseline}"
    layers.append(_above(text, -7, side(zero, text, WIDE), "zero label", INK))
    narrow["zero label"] = {"align": side(zero, text, NARROW)}
    return layers, narrow


def _above(text: str, y: int, align: Any, name: str, colour: str) -> alt.Chart:
    return (
        base([{"difference": 0.0}])
        .mark_text(text=text, align=align, baseline="bottom", color=colour)
        .encode(x=X, y=alt.YValue(y))
        .properties(name=name)
    )


def _interval(contrast: Contrast, axis: alt.X, mark: Mark) -> list[alt.Chart]:
    """The interval as a thick line with end caps, the estimate as the treatment's marker."""
    layers = []
    low, high = contrast.interval
    if math.isfinite(low) and math.isfinite(high):
        layers.append(
            base([{"low": low, "high": high}])
            .mark_rule(color=mark.colour, strokeWidth=5)
            .encode(x=alt.X("low:Q"), x2=alt.X2("high"), y=alt.YValue(INTERVAL_Y))
        )
        layers.append(
            base([{"difference": low}, {"difference": high}])
            .mark_rule(color=mark.colour, strokeWidth=2)
            .encode(x=X, y=alt.YValue(INTERVAL_Y - CAP), y2=alt.Y2Value(INTERVAL_Y + CAP))
        )
    layers.append(
        base([{"difference": contrast.difference}])
        .mark_point(shape=mark.shape, size=150, fill=PAPER, stroke=mark.colour, strokeWidth=2.5, opacity=1)
        .encode(x=axis, y=alt.YValue(INTERVAL_Y))
    )
    return layers


def _run_layer(dots: Sequence[dict[str, Any]], axis: alt.X, mark: Mark) -> alt.Chart:
    return (
        base(dots)
        .mark_point(shape=mark.shape, size=36, filled=True, color=mark.colour, opacity=1)
        .encode(x=axis, y=alt.Y("y:Q", axis=None, scale=alt.Scale(domain=[HEIGHT, 0], nice=False)))
    )


def _haloed(text: str, x: float, y: int, align: Any) -> list[alt.Chart]:
    """Text that stays readable where the zero line or an edge of the zone crosses it."""
    point = base([{"difference": x}]).encode(x=X, y=alt.YValue(y))
    look = {"text": text, "align": align, "baseline": "middle", "fontWeight": "bold"}
    return [
        point.mark_text(**look, stroke=PAPER, strokeWidth=5, strokeJoin="round").properties(
            name="reading halo"
        ),
        point.mark_text(**look, color=INK).properties(name="reading"),
    ]


def _reading(contrast: Contrast, decimals: int) -> str:
    low, high = contrast.interval
    text = quantity(contrast.difference, contrast.unit, decimals, sign=True)
    if not (math.isfinite(low) and math.isfinite(high)):
        return text
    return f"{text} ({number(low, decimals)} to {number(high, decimals)})"


def _heading(contrast: Contrast, kind: ResponseKind, treatment: str, baseline: str) -> str:
    at = condition(contrast.at)
    return f"{kind.label}{f' at {at}' if at else ''}: {treatment} against {baseline}"


def _percent(contrast: Contrast) -> str:
    """The difference as a share of the baseline, in words; "" where a share has no meaning."""
    if contrast.relative is None or contrast.relative_interval is None:
        return ""
    low, high = (100 * share for share in contrast.relative_interval)
    if not (math.isfinite(low) and math.isfinite(high)):
        return ""
    places = decimals_for((high - low) / 2)
    return f"{number(100 * contrast.relative, places, sign=True)} % ({span(low, high, '%', places)})"


def _states(contrast: Contrast, kind: ResponseKind, treatment: str, baseline: str, decimals: int) -> str:
    low, high = contrast.interval
    at = condition(contrast.at)
    level = f"{100 * contrast.level:.0f} %"
    text = f"{kind.label}{f' at {at}' if at else ''}, {treatment} minus {baseline}: "
    text += quantity(contrast.difference, contrast.unit, decimals, sign=True)
    if math.isfinite(low) and math.isfinite(high):
        text += f", {level} interval {span(low, high, contrast.unit, decimals)}"
    if contrast.margin_text:
        text += f", against a margin of {contrast.margin_text}"
    return f"{text}. Verdict: {contrast.verdict}."


def _note(
    contrast: Contrast, baseline: str, treatment: str, decimals: int, has_runs: bool, has_baseline_runs: bool
) -> str:
    parts = [f"The thick line is the {100 * contrast.level:.0f} % interval of the mean difference."]
    if contrast.margin is not None:
        size = quantity(contrast.margin, contrast.unit, decimals)
        written = contrast.margin_text or size
        same = "" if written.replace(" ", "") == size.replace("\u00a0", "") else f" ({size})"
        parts.append(f"The shaded zone is the margin, {written}{same}, set before the test.")
    else:
        parts.append("No margin was set.")
    if has_runs and has_baseline_runs:
        parts.append(
            f"Small markers are single runs minus the mean of {baseline}: {treatment} above, {baseline} below. "
            "One next run scatters more than a mean."
        )
    elif has_runs:
        parts.append(
            f"Small markers are single runs of {treatment} minus the mean of {baseline}. "
            "One next run scatters more than a mean."
        )
    share = _percent(contrast)
    if share:
        parts.append(f"As a share of {baseline}: {share}.")
    if contrast.basis == "within one run":
        parts.append("One run each: the interval holds the scatter within a run only.")
    return " ".join(parts)


def _table(
    contrast: Contrast, dots: Sequence[dict[str, Any]], treatment: str, baseline: str, decimals: int
) -> pd.DataFrame:
    unit = contrast.unit
    low, high = contrast.interval
    rows: list[dict[str, Any]] = [
        {
            "What": f"mean difference, {treatment} minus {baseline}",
            f"Difference ({unit})": round(contrast.difference, decimals),
            f"Lower limit ({unit})": round(low, decimals) if math.isfinite(low) else math.nan,
            f"Upper limit ({unit})": round(high, decimals) if math.isfinite(high) else math.nan,
        }
    ]
    for dot in dots:
        rows.append({"What": f"run {dot['run']}", f"Difference ({unit})": round(dot["difference"], decimals)})
    if contrast.margin is not None:
        rows.append(
            {
                "What": "margin",
                f"Lower limit ({unit})": round(-contrast.margin, decimals),
                f"Upper limit ({unit})": round(contrast.margin, decimals),
            }
        )
    return pd.DataFrame(rows)
