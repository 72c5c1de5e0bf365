"""A drain: voltage of the pack over time, with its resistance taken out, down to the cut-off; resistance by step."""

from __future__ import annotations

import math
from typing import Any

import altair as alt
import numpy as np
import pandas as pd

from generator.evidence.wording import number, with_unit
from generator.figures.direct_labels import DirectLabel, direct_labels, label_room
from generator.figures.numbers import drawn, rounded, titled
from generator.figures.records import Figure
from generator.figures.theme import (
    AXIS_TITLE,
    INK,
    NARROW,
    PAPER,
    QUIET,
    WIDE,
    ZONE_EDGE,
    Sheet,
    extent,
    narrowed,
)
from generator.figures.trace_panels import thinned_line, values_of
from generator.reduction.records import RunReduction

HEIGHT, SMALL = 260, 130
OPEN_CIRCUIT, RESISTANCE = "open_circuit_v", "resistance_ohm"


def drain_course(run: RunReduction) -> Figure | None:
    """Voltage at the tap and without the resistance's part, over time; None for a run that gave no resistance.

    run  `fitted` has time_s, open_circuit_v and, at each step of the load, resistance_ohm
    """
    if run.fitted is None or OPEN_CIRCUIT not in run.fitted or "voltage_v" not in run.trace:
        return None
    figures = dict(run.fits)
    time, volts = values_of(run.trace, "time_s"), values_of(run.trace, "voltage_v")
    fitted_t, without = values_of(run.fitted, "time_s"), values_of(run.fitted, OPEN_CIRCUIT)
    ohms = values_of(run.fitted, RESISTANCE) if RESISTANCE in run.fitted else np.full(fitted_t.size, np.nan)
    cut_off = figures.get("cut_off_v", math.nan)
    finite = volts[np.isfinite(volts)]
    if finite.size == 0:
        return None
    shown = without[np.isfinite(without)]
    low, high = extent([float(finite.min()), float(finite.max()), *shown.tolist(), cut_off], pad=0.05)
    start, stop = float(time[0]), float(time[-1])
    span = alt.Scale(domain=[start, max(stop, start + 1.0)], nice=False, zero=False)
    x = alt.X("time_s:Q", title=titled("Time", "s"), scale=span)
    y = alt.Y(
        "voltage_v:Q",
        title=titled("Voltage at the tap", "V"),
        scale=alt.Scale(domain=[low, high], nice=False, zero=False),
    )
    sheet = Sheet()

    def label(text: str, value: float, colour: str = INK) -> DirectLabel:
        return DirectLabel(text=text, y=HEIGHT * (high - value) / (high - low), colour=colour)

    texts = [label("measured", float(finite[-1]))]
    layers = []
    if shown.size:
        rows = [
            {"time_s": drawn(t, 2), "voltage_v": None if v is None else drawn(v, 3)}
            for t, v in thinned_line(fitted_t, without, 300)
        ]
        layers.append(sheet.rows(rows).mark_line(color=ZONE_EDGE, strokeWidth=4).encode(x=x, y=y))
        texts.append(label("without the resistance", float(shown[shown.size // 2]), QUIET))
    line = [
        {"time_s": drawn(t, 2), "voltage_v": None if v is None else drawn(v, 3)}
        for t, v in thinned_line(time, volts)
    ]
    layers.append(sheet.rows(line).mark_line(color=INK, strokeWidth=1.1).encode(x=x, y=y))
    if math.isfinite(cut_off):
        layers.append(
            sheet.at(voltage_v=drawn(cut_off, 3))
            .mark_rule(color=INK, strokeWidth=1.5, strokeDash=[6, 3], x=0, x2="width")
            .encode(y=alt.Y("voltage_v:Q"))
        )
        texts.append(label("cut-off", cut_off))
    room = label_room(texts)
    layers += direct_labels(sheet, texts, HEIGHT)
    views = [sheet.view(layers, width=WIDE - room, height=HEIGHT)]
    steps = np.flatnonzero(np.isfinite(ohms))
    if steps.size > 2:
        views.append(_by_step(sheet, fitted_t[steps], 1000.0 * ohms[steps], span, WIDE - room))
    spec = sheet.stacked(views, spacing=24) if len(views) > 1 else sheet.finished(views[0])
    return Figure(
        name=f"{run.run_id}-drain",
        title="Voltage of the pack down to the cut-off",
        states=_states(figures, ohms[steps]),
        note="The thin line is measured at the tap. The broad line is what the pack would show without its resistance, "
        "V + R·I." + (" Below: the resistance at each change of the load." if steps.size > 2 else ""),
        spec=spec,
        narrow=narrowed(spec, width=NARROW - AXIS_TITLE - room),
        table=_table(fitted_t, without, time, volts, ohms),
        sources=(run.log,),
    )


def _by_step(sheet: Sheet, time: Any, milliohm: Any, span: alt.Scale, width: float) -> dict[str, Any]:
    rows = [
        {"time_s": drawn(float(t), 2), "resistance": drawn(float(r), 2)}
        for t, r in zip(time, milliohm, strict=True)
    ]
    low, high = extent([float(r) for r in milliohm], pad=0.15)
    layer = (
        sheet.rows(rows)
        .mark_point(size=40, fill=PAPER, stroke=INK, strokeWidth=1.4, opacity=1)
        .encode(
            x=alt.X("time_s:Q", title=titled("Time", "s"), scale=span),
            y=alt.Y(
                "resistance:Q",
                title=titled("Resistance", "mΩ"),
                scale=alt.Scale(domain=[low, high], nice=False, zero=False),
                axis=alt.Axis(tickCount=3),
            ),
        )
    )
    return sheet.view([layer], width=width, height=SMALL)


def _states(figures: dict[str, float], ohms: Any) -> str:
    parts = []
    before, lowest = figures.get("open_circuit_before_v"), figures.get("lowest_v")
    if before is not None and lowest is not None:
        parts.append(
            f"From {with_unit(number(before, 2), 'V')} at rest the voltage fell to {with_unit(number(lowest, 2), 'V')}"
        )
    if "cut_off_v" in figures:
        parts.append(f"the cut-off lies at {with_unit(number(figures['cut_off_v'], 2), 'V')}")
    text = "; ".join(parts) + "." if parts else ""
    if ohms.size:
        text += f" The resistance is {with_unit(number(1000.0 * float(np.mean(ohms)), 1), 'mΩ')} on average."
    return text.strip()


def _table(fitted_t: Any, without: Any, time: Any, volts: Any, ohms: Any) -> pd.DataFrame:
    good = np.isfinite(volts)
    measured = np.interp(fitted_t, time[good], volts[good])
    return pd.DataFrame(
        {
            titled("Time", "s"): [rounded(float(t), 2) for t in fitted_t],
            titled("Voltage at the tap", "V"): [rounded(float(v), 3) for v in measured],
            titled("Without the resistance", "V"): [rounded(float(v), 3) for v in without],
            titled("Resistance at this step", "mΩ"): [rounded(1000.0 * float(r), 1) for r in ohms],
        }
    )
