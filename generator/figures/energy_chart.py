"""Where the electrical power goes: one bar a treatment, and below it what does not reach the propeller."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import altair as alt
import pandas as pd

from generator.evidence.energy_notes import SHAFT_UNKNOWN
from generator.evidence.physics_records import EnergyBalance, LossPart
from generator.evidence.wording import (
    at_key,
    at_words,
    decimals_for,
    number,
    percent,
    sentence_case,
    with_unit,
)
from generator.figures.numbers import drawn, rounded
from generator.figures.records import Figure
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
    narrowed,
    spread,
    y2_at,
    y_at,
)
from generator.reduction.losses import COPPER, FREE_RUN, PATH, REST, RIPPLE, SHAFT
from generator.reduction.records import At

# A name short enough to stand under its piece on a phone, and the fill of the piece. Neighbours differ in lightness,
# so that they part without hue too; every piece is named.
NAMES: Mapping[str, str] = {
    SHAFT: "into the propeller",
    COPPER: "copper",
    FREE_RUN: "free run",
    RIPPLE: "ripple",
    PATH: "controller",
    REST: "the rest",
}
FILLS: Mapping[str, str] = {
    SHAFT: ZONE,
    COPPER: INK,
    FREE_RUN: ZONE_EDGE,
    RIPPLE: INK,
    PATH: ZONE_EDGE,
    REST: ZONE,
}
EXPLAINED: Mapping[str, str] = {
    COPPER: "Copper: heat in the windings.",
    FREE_RUN: "Free run: what turning the motor itself takes, in its iron, bearings and air.",
    RIPPLE: "Ripple: what the switching adds in copper.",
    PATH: "Controller: heat in its conductors.",
    REST: "The rest: switching, iron, and what the estimates miss.",
}
LOST, LOST_NAME, LOST_FILL = "heat", "heat", ZONE_EDGE
REST_WITH_SHAFT_NAME = "propeller and the rest"

ROW = 96  # height of a treatment's row [px]
BAR_TOP, BAR_BOTTOM = 20, 42  # of the bar in its row
LEADER = 12  # from the bar to its labels [px]
LINE = 15  # height of a line of text [px]
GAP = 10  # between two labels in a row [px]
SPACING = 26  # between the two plots [px]
DECIMALS = 2  # hundredths of a watt are enough here
SAID = 4  # treatments that the text alternative reads out part by part


@dataclass(frozen=True, slots=True, kw_only=True)
class _Piece:
    """A piece of a bar from start_w to stop_w, with what is written under it."""

    name: str
    text: str
    value: str
    fill: str
    start_w: float
    stop_w: float


@dataclass(frozen=True, slots=True, kw_only=True)
class _Bar:
    """One treatment's bar: what is written over it, its pieces from left to right."""

    heading: str
    pieces: tuple[_Piece, ...]


def energy_name(at: At) -> str:
    """Name of the figure of one condition."""
    return "-".join(part for part in ("energy", at_key(at)) if part)


def energy_bars(
    balances: Sequence[EnergyBalance], labels: Mapping[str, str], *, sources: Sequence[str] = ()
) -> Figure | None:
    """Where the electrical power of each treatment goes at one condition; None without a balance.

    balances  one a treatment, all at the same condition, in the order to be drawn
    labels    treatment id -> label
    sources   log paths behind them

    Two plots over each other, each bar from zero: all of the electrical power, split into what goes into the
    propeller and what does not; then that second piece alone, on a scale of its own, part by part. Where the
    power into the propeller is not known there is one plot with all parts.
    Raises  ValueError for balances of several conditions; KeyError for a treatment that labels does not have
    """
    if not balances:
        return None
    if len({balance.at for balance in balances}) > 1:
        raise ValueError("an energy balance is drawn for one condition")
    sheet = Sheet()
    known = all(balance.shaft_from != SHAFT_UNKNOWN for balance in balances)
    if known:
        whole = [_whole_bar(balance, labels) for balance in balances]
        lost = [_parts_bar(_lost(balance), _lost_heading(balance, labels)) for balance in balances]
        plots = [("Electrical power (W)", whole), ("Of that, heat (W)", lost)]
    else:
        bars = [_parts_bar(balance.parts, _total_heading(balance, labels)) for balance in balances]
        plots = [("Electrical power (W)", bars)]
    drawings = [_plot(sheet, bars, title, place) for place, (title, bars) in enumerate(plots)]
    spec = sheet.stacked([drawing.view for drawing in drawings], spacing=SPACING)
    where = at_words(balances[0].at)
    return Figure(
        name=energy_name(balances[0].at),
        title=f"Where the electrical power goes {where}".rstrip(),
        states=_states(balances, labels),
        note=_note(balances, known),
        spec=spec,
        narrow=_narrow(spec, drawings),
        table=_table(balances, labels),
        sources=tuple(sources),
    )


# --- bars ---------------------------------------------------------------------------------------------------


def _amount(watts: float, standard_uncertainty: float) -> str:
    return with_unit(number(watts, _places(watts, standard_uncertainty)), "W")


def _places(watts: float, standard_uncertainty: float) -> int:
    return min(decimals_for(standard_uncertainty, largest=watts), DECIMALS)


def _watts(part: LossPart) -> str:
    return _amount(part.power_w.value, part.power_w.standard_uncertainty)


def _total(balance: EnergyBalance) -> str:
    return _amount(balance.electrical_w.value, balance.electrical_w.standard_uncertainty)


def _lost(balance: EnergyBalance) -> tuple[LossPart, ...]:
    return tuple(part for part in balance.parts if part.name != SHAFT)


def _lost_text(balance: EnergyBalance) -> str:
    """What does not go into the propeller, with the digits that the power into it bears."""
    shaft = next(part for part in balance.parts if part.name == SHAFT)
    return _amount(
        balance.electrical_w.value - shaft.power_w.value,
        math.hypot(balance.electrical_w.standard_uncertainty, shaft.power_w.standard_uncertainty),
    )


def _total_heading(balance: EnergyBalance, labels: Mapping[str, str]) -> str:
    return f"{sentence_case(labels[balance.treatment])}: {_total(balance)}"


def _lost_heading(balance: EnergyBalance, labels: Mapping[str, str]) -> str:
    return f"{sentence_case(labels[balance.treatment])}: {_lost_text(balance)} of heat"


def _whole_bar(balance: EnergyBalance, labels: Mapping[str, str]) -> _Bar:
    """Power into the propeller, and all the rest as one piece."""
    shaft = next(part for part in balance.parts if part.name == SHAFT)
    total, into = balance.electrical_w.value, shaft.power_w.value
    return _Bar(
        heading=_total_heading(balance, labels),
        pieces=(
            _Piece(name=SHAFT, text=NAMES[SHAFT], value=_watts(shaft), fill=FILLS[SHAFT], start_w=0.0, stop_w=into),
            _Piece(
                name=LOST, text=LOST_NAME, value=_lost_text(balance), fill=LOST_FILL,
                start_w=min(into, total), stop_w=max(into, total),
            ),
        ),
    )  # fmt: skip


def _parts_bar(parts: Sequence[LossPart], heading: str) -> _Bar:
    """Parts one after the other from zero; one below zero stands to the left of it."""
    pieces, reached = [], 0.0
    has_shaft = any(part.name == SHAFT for part in parts)
    for part in parts:
        size = part.power_w.value
        start = reached if size >= 0.0 else 0.0
        pieces.append(
            _Piece(
                name=part.name,
                text=REST_WITH_SHAFT_NAME if _holds_shaft(part, has_shaft) else NAMES[part.name],
                value=_watts(part),
                fill=FILLS[part.name],
                start_w=min(start, start + size),
                stop_w=max(start, start + size),
            )
        )
        reached = max(reached, start + size)
    return _Bar(heading=heading, pieces=tuple(pieces))


def _holds_shaft(part: LossPart, has_shaft: bool) -> bool:
    return part.name == REST and not has_shaft and part.label.startswith("into the propeller")


# --- drawing ------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class _Drawing:
    """One plot, and where its labels and their leaders stand on a phone: name of a layer -> pixels."""

    view: dict[str, Any]
    labels: dict[str, float]
    leaders: dict[str, tuple[float, float]]


def _plot(sheet: Sheet, bars: Sequence[_Bar], title: str, place: int) -> _Drawing:
    low = min(0.0, *(piece.start_w for bar in bars for piece in bar.pieces))
    high = max(piece.stop_w for bar in bars for piece in bar.pieces)
    domain = [drawn(low * 1.02, 3), drawn(high * 1.02, 3)]
    x = alt.X(
        "start:Q",
        title=title,
        scale=alt.Scale(domain=domain, nice=False, zero=False),
        axis=alt.Axis(tickCount=5),
    )
    layers: list[alt.Chart] = []
    drawing = _Drawing(view={}, labels={}, leaders={})
    for row, bar in enumerate(bars):
        top = row * ROW
        layers += [_rectangle(sheet, piece, x, top) for piece in bar.pieces]
        if low < 0.0:
            zero = sheet.at(start=0.0).mark_rule(color=INK, strokeWidth=2).encode(x=alt.X("start:Q"))
            layers.append(zero.encode(y=y_at(top + BAR_TOP - 3), y2=y2_at(top + BAR_BOTTOM + 3)))
        layers.append(_text(sheet, bar.heading, 0, top + 4, name=f"heading {place} {row}", fontWeight="bold"))
        wide, small = (_placed(bar, domain, width) for width in (WIDE, NARROW))
        for piece, (middle, at), (near, there) in zip(bar.pieces, wide, small, strict=True):
            name = f"{place} {row} {piece.name}"
            below = top + BAR_BOTTOM + LEADER
            layers.append(
                sheet.at()
                .mark_rule(color=ZONE_EDGE, strokeWidth=1)
                .encode(x=_x(middle), x2=_x2(at), y=y_at(top + BAR_BOTTOM), y2=y2_at(below))
                .properties(name=f"leader {name}")
            )
            drawing.leaders[f"leader {name}"] = (near, there)
            for line, text, colour in (("name", piece.text, QUIET), ("value", piece.value, INK)):
                y = below + 2 + (LINE if line == "value" else 0)
                layers.append(_text(sheet, text, at, y, name=f"{line} {name}", align="center", color=colour))
                drawing.labels[f"{line} {name}"] = there
    view = sheet.view(layers, width=WIDE, height=ROW * len(bars) - 2)
    return replace(drawing, view=view)


def _rectangle(sheet: Sheet, piece: _Piece, x: alt.X, top: float) -> alt.Chart:
    row = {
        "part": piece.text,
        "power": piece.value,
        "start": drawn(piece.start_w, 3),
        "stop": drawn(piece.stop_w, 3),
    }
    edge = ZONE_EDGE if piece.fill == ZONE else PAPER
    layer: alt.Chart = (
        sheet.rows([row])
        .mark_rect(fill=piece.fill, stroke=edge, strokeWidth=1)
        .encode(
            x=x,
            x2=alt.X2("stop"),
            y=y_at(top + BAR_TOP),
            y2=y2_at(top + BAR_BOTTOM),
            tooltip=[alt.Tooltip("part:N", title="Part"), alt.Tooltip("power:N", title="Power")],
        )
    )
    return layer


def _narrow(spec: Mapping[str, Any], drawings: Sequence[_Drawing]) -> dict[str, Any]:
    """The chart for a phone: labels and leaders at their own places."""
    labels = {name: {"x": x} for drawing in drawings for name, x in drawing.labels.items()}
    leaders = {name: ends for drawing in drawings for name, ends in drawing.leaders.items()}
    result = narrowed(spec, layers=labels)
    for layer in (layer for view in result["vconcat"] for layer in view["layer"]):
        if layer.get("name") in leaders:
            start, stop = leaders[layer["name"]]
            layer["encoding"] = {**layer["encoding"], "x": {"value": start}, "x2": {"value": stop}}
    return result


def _x(pixels: float) -> alt.XValue:
    return alt.XValue(pixels)  # type: ignore[no-untyped-call]


def _x2(pixels: float) -> alt.X2Value:
    return alt.X2Value(pixels)  # type: ignore[no-untyped-call]


def _text(sheet: Sheet, text: str, x: float, y: float, *, name: str, **look: Any) -> alt.Chart:
    mark = {"text": text, "x": x, "align": "left", "baseline": "top", **look}
    layer: alt.Chart = sheet.at().mark_text(**mark).encode(y=y_at(y)).properties(name=name)
    return layer


def _placed(bar: _Bar, domain: Sequence[float], width: float) -> list[tuple[float, float]]:
    """Middle of each piece and of the label under it [px], labels pushed apart and kept inside the plot."""
    low, high = domain
    middles = [((piece.start_w + piece.stop_w) / 2.0 - low) / (high - low) * width for piece in bar.pieces]
    widths = [max(len(piece.text), len(piece.value)) * CHARACTER + GAP for piece in bar.pieces]
    places = spread(middles, widths, -GAP / 2, width + GAP / 2)
    return [(round(m, 1), round(p, 1)) for m, p in zip(middles, places, strict=True)]


# --- words --------------------------------------------------------------------------------------------------


def _part_words(part: LossPart) -> str:
    return f"{_watts(part)} {part.label}"


def _states(balances: Sequence[EnergyBalance], labels: Mapping[str, str]) -> str:
    sentences = []
    for balance in balances:
        parts = balance.parts if len(balances) <= SAID else balance.parts[:1]
        words = "; ".join(_part_words(part) for part in parts)
        sentences.append(f"{sentence_case(labels[balance.treatment])} takes {_total(balance)}: {words}.")
    return " ".join(sentences)


def _note(balances: Sequence[EnergyBalance], known: bool) -> str:
    parts = []
    if known:
        parts.append(
            "Above, all of the electrical power; below, what does not go into the propeller, on a scale of its own."
        )
    parts.append("Every bar begins at zero.")
    drawn_parts = dict.fromkeys(part.name for balance in balances for part in balance.parts)
    parts += [EXPLAINED[name] for name in drawn_parts if name in EXPLAINED]
    if any(part.power_w.value < 0.0 for balance in balances for part in balance.parts):
        parts.append(
            "A rest to the left of zero: the other parts come to more than the electrical power, so they are "
            "estimated too high by that much, or the electrical power reads too low."
        )
    parts.append("How sure each part is stands in the table.")
    return " ".join(parts)


def _table(balances: Sequence[EnergyBalance], labels: Mapping[str, str]) -> pd.DataFrame:
    rows = []
    for balance in balances:
        every = [
            (
                "electrical power",
                balance.electrical_w,
                1.0,
                "measured: voltage times current at the controller",
            )
        ]
        every += [(part.label, part.power_w, part.share, part.how) for part in balance.parts]
        for label, power, share, how in every:
            places = _places(power.value, power.standard_uncertainty)
            low, high = power.interval
            rows.append(
                {
                    "Treatment": labels[balance.treatment],
                    "Part": label,
                    "Power (W)": rounded(power.value, places),
                    "Lower limit (W)": rounded(low, places),
                    "Upper limit (W)": rounded(high, places),
                    "Share of the electrical power": percent(share),
                    "How it was found": how,
                }
            )
    return pd.DataFrame(rows)
