"""A soak: the measured rise of a temperature above the air, and the first-order fit to it."""

from __future__ import annotations

import math
from typing import Any

import altair as alt
import numpy as np
import pandas as pd

from generator.evidence.wording import number, plain, with_unit
from generator.figures.direct_labels import DirectLabel, direct_labels, label_room
from generator.figures.numbers import drawn, rounded, titled
from generator.figures.records import Figure
from generator.figures.theme import (
    AXIS_TITLE,
    INK,
    NARROW,
    QUIET,
    WIDE,
    ZONE,
    ZONE_EDGE,
    Sheet,
    extent,
    narrowed,
    y2_at,
    y_at,
)
from generator.figures.trace_panels import Array, thinned_line, values_of
from generator.reduction.records import RunReduction

HEIGHT = 260
FAR_LIMIT = 2.5  # a limit further away than this many times the highest rise is told, not drawn


def soak_fit(
    run: RunReduction,
    *,
    air_temperature_k: float,
    limit_k: float | None = None,
    limit_label: str = "limit",
    channel: str = "motor_temperature_k",
) -> Figure | None:
    """Measured and fitted rise over time; None for a run without that temperature.

    run                trace with the channel; `fitted` (time_s and a column of rises in K, or of temperatures in K
                       named as the channel) may be None
    air_temperature_k  air of the session; the trace's own air temperature is taken instead where it has one
    limit_k            the part's limit as a temperature, None where it has none
    limit_label        what the limit is, for the label beside its line
    """
    if run.trace.empty or channel not in run.trace:
        return None
    air = _air(run.trace, air_temperature_k)
    time = values_of(run.trace, "time_s")
    rise = values_of(run.trace, channel) - air
    finite = rise[np.isfinite(rise)]
    if finite.size == 0:
        return None
    fitted = _fitted(run, air)
    highest = float(max(finite.max(), fitted["rise"].max() if len(fitted) else -math.inf))
    limit = None if limit_k is None else limit_k - air
    drawn_limit = limit if limit is not None and limit <= FAR_LIMIT * max(highest, 1.0) else None

    low, high = extent([0.0, float(finite.min()), highest, *([drawn_limit] if drawn_limit else [])], pad=0.05)
    part = channel.removesuffix("_temperature_k")
    title = titled(f"Rise of the {part} above the air", "K")
    start, stop = float(time[0]), float(time[-1])
    x = alt.X(
        "time_s:Q",
        title=titled("Time", "s"),
        scale=alt.Scale(domain=[start, max(stop, start + 1.0)], nice=False, zero=False),
    )
    y = alt.Y("rise_k:Q", title=title, scale=alt.Scale(domain=[low, high], nice=False, zero=False))
    sheet = Sheet()
    texts = [_label("measured", float(finite[-1]), low, high)]
    layers = _on_periods(sheet, run, x)
    if len(fitted):
        rows = [{"time_s": drawn(t, 2), "rise_k": drawn(v, 1)} for t, v in _thinned_fit(fitted)]
        layers.append(sheet.rows(rows).mark_line(color=ZONE_EDGE, strokeWidth=5).encode(x=x, y=y))
        texts.append(_label("fitted", float(fitted["rise"].iloc[-1]), low, high, QUIET))
    line = [
        {"time_s": drawn(t, 2), "rise_k": None if v is None else drawn(v, 1)}
        for t, v in thinned_line(time, rise)
    ]
    layers.append(sheet.rows(line).mark_line(color=INK, strokeWidth=1.2).encode(x=x, y=y))
    if drawn_limit is not None:
        layers.append(
            sheet.at(rise_k=drawn(drawn_limit, 1))
            .mark_rule(color=INK, strokeWidth=1.5, x=0, x2="width")
            .encode(y=alt.Y("rise_k:Q"))
        )
        texts.append(_label(limit_label, drawn_limit, low, high))
    room = label_room(texts)
    layers += direct_labels(sheet, texts, HEIGHT)
    spec = sheet.finished(sheet.view(layers, width=WIDE - room, height=HEIGHT))
    return Figure(
        name=f"{run.run_id}-soak",
        title=f"Temperature rise of the {part}, measured and fitted",
        states=_states(run, part, finite, limit, limit_label),
        note=_note(run, limit, drawn_limit, limit_label, fitted=bool(len(fitted))),
        spec=spec,
        narrow=narrowed(spec, width=NARROW - AXIS_TITLE - room),
        table=_table(time, rise, fitted, title),
        sources=(run.log,),
    )


def _air(trace: pd.DataFrame, given_k: float) -> float:
    if "air_temperature_k" in trace:
        readings = values_of(trace, "air_temperature_k")
        if np.isfinite(readings).any():
            return float(np.nanmean(readings))
    return given_k


def _fitted(run: RunReduction, air_k: float) -> pd.DataFrame:
    """Columns time_s and rise; empty without a fit. A fit in temperatures is turned into rises."""
    empty = pd.DataFrame({"time_s": [], "rise": []})
    if run.fitted is None or run.fitted.empty:
        return empty
    columns = [str(name) for name in run.fitted.columns if name != "time_s"]
    if not columns:
        return empty
    values = values_of(run.fitted, columns[0])
    if "rise" not in columns[0]:
        values = values - air_k
    found = pd.DataFrame({"time_s": values_of(run.fitted, "time_s"), "rise": values})
    usable: pd.DataFrame = found[np.isfinite(found["rise"])].reset_index(drop=True)
    return usable


def _thinned_fit(fitted: pd.DataFrame) -> list[tuple[float, float]]:
    line = thinned_line(values_of(fitted, "time_s"), values_of(fitted, "rise"), 200)
    return [(t, v) for t, v in line if v is not None]


def _label(text: str, rise: float, low: float, high: float, colour: str = INK) -> DirectLabel:
    return DirectLabel(text=text, y=HEIGHT * (high - rise) / (high - low), colour=colour)


def _on_periods(sheet: Sheet, run: RunReduction, x: alt.X) -> list[alt.Chart]:
    rows = [
        {"time_s": drawn(w.start_s, 2), "stop_s": drawn(w.stop_s, 2)} for w in run.windows if w.kind == "on"
    ]
    if not rows:
        return []
    layer: alt.Chart = (
        sheet.rows(rows)
        .mark_rect(fill=ZONE, fillOpacity=0.6)
        .encode(x=x, x2=alt.X2("stop_s"), y=y_at(0), y2=y2_at("height"))
    )
    return [layer]


def _states(run: RunReduction, part: str, measured: Array, limit: float | None, limit_label: str) -> str:
    text = (
        f"The {part} rose from {number(float(measured[0]), 1)} to "
        f"{with_unit(number(float(measured[-1]), 1), 'K')} above the air, "
        f"at most {with_unit(number(float(measured.max()), 1), 'K')}."
    )
    figures = dict(run.fits)
    constant = figures.get("time_constant_s", math.nan)
    if math.isfinite(constant):
        text += f" The fit has a time constant of {plain(constant, 's', 3)}."
    if limit is not None:
        text += f" The {limit_label} lies {with_unit(number(limit, 1), 'K')} above the air."
    return text


def _note(
    run: RunReduction, limit: float | None, drawn_limit: float | None, limit_label: str, *, fitted: bool
) -> str:
    parts = ["The thin line is measured."]
    if fitted:
        parts.append("The broad line is a first-order fit over the on and off pattern.")
    else:
        parts.append("No first-order fit was possible.")
    if any(window.kind == "on" for window in run.windows):
        parts.append("Shaded: the motor is on.")
    if limit is not None and drawn_limit is None:
        parts.append(
            f"The {limit_label} lies above the chart, {with_unit(number(limit, 0), 'K')} over the air."
        )
    return " ".join(parts)


def _table(time: Array, rise: Array, fitted: pd.DataFrame, title: str) -> pd.DataFrame:
    """Measured rise at each drawn instant, and the fit read off there."""
    table: dict[str, Any] = {titled("Time", "s"): [rounded(t, 2) for t in time]}
    table[title] = [rounded(v, 1) for v in rise]
    if len(fitted):
        at = np.interp(
            time, values_of(fitted, "time_s"), values_of(fitted, "rise"), left=math.nan, right=math.nan
        )
        table[titled("Fitted rise", "K")] = [rounded(v, 1) for v in at]
    return pd.DataFrame(table)
