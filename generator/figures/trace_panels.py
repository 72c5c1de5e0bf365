"""Panels of a raw trace: which channels stand together, in which unit, and how they are thinned for drawing."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from generator.figures.numbers import rounded_column, titled

Array = NDArray[np.float64]
GRAVITY = 9.80665  # standard acceleration of free fall [m/s²], exact; 3rd CGPM 1901
ZERO_CELSIUS_K = 273.15  # exact; SI brochure
POINTS = 300  # points of a line at most, holes not counted
HEIGHT = 64


def _same(value: Array) -> Array:
    return value


def _gf(value: Array) -> Array:
    return value / (GRAVITY * 1e-3)


def _percent(value: Array) -> Array:
    return value * 100.0


def _celsius(value: Array) -> Array:
    return value - ZERO_CELSIUS_K


@dataclass(frozen=True, slots=True, kw_only=True)
class PanelChannel:
    """One line in a panel: house column, its name beside others in the panel, and its dash."""

    column: str
    label: str
    dash: tuple[int, ...] = (1, 0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Panel:
    """Channels of one quantity; published unit, decimals, and the way from house units to it."""

    label: str
    unit: str
    decimals: int
    channels: tuple[PanelChannel, ...]
    convert: Callable[[Array], Array] = _same


def _single(
    column: str, label: str, unit: str, decimals: int, convert: Callable[[Array], Array] = _same
) -> Panel:
    return Panel(
        label=label,
        unit=unit,
        decimals=decimals,
        channels=(PanelChannel(column=column, label=label),),
        convert=convert,
    )


PANELS: tuple[Panel, ...] = (
    _single("throttle", "Throttle", "%", 1, _percent),
    _single("speed_rpm", "Speed", "rpm", 0),
    _single("power_w", "Electrical power", "W", 1),
    _single("current_a", "Current", "A", 2),
    _single("voltage_v", "Voltage", "V", 2),
    _single("thrust_n", "Thrust", "gf", 1, _gf),
    _single("torque_nm", "Torque", "N·m", 4),
    Panel(
        label="Temperature",
        unit="°C",
        decimals=1,
        convert=_celsius,
        channels=(
            PanelChannel(column="motor_temperature_k", label="motor"),
            PanelChannel(column="controller_temperature_k", label="controller", dash=(6, 3)),
            PanelChannel(column="pack_temperature_k", label="pack", dash=(8, 2, 2, 2)),
            PanelChannel(column="air_temperature_k", label="air", dash=(2, 2)),
        ),
    ),
    _single("sound_level_db", "Sound level", "dB", 1),
    _single("vibration_m_s2", "Vibration", "m/s²", 2),
)


def panels_of(trace: pd.DataFrame, channels: Sequence[str] = ()) -> tuple[Panel, ...]:
    """Panels with at least one reading, each with only its channels that have one.

    trace     columns time_s [s] and house columns
    channels  house columns to draw; all where empty
    """
    found = []
    for panel in PANELS:
        present = tuple(
            c
            for c in panel.channels
            if c.column in trace
            and (not channels or c.column in channels)
            and bool(np.isfinite(values_of(trace, c.column)).any())
        )
        if present:
            label = panel.label
            if len(present) == 1 and len(panel.channels) > 1:
                label = f"{present[0].label.capitalize()} {panel.label.lower()}"
            found.append(
                Panel(
                    label=label,
                    unit=panel.unit,
                    decimals=panel.decimals,
                    channels=present,
                    convert=panel.convert,
                )
            )
    return tuple(found)


def values_of(trace: pd.DataFrame, column: str) -> Array:
    """A column as floats, shape (n,)."""
    return trace[column].to_numpy(dtype=np.float64)


def thinned_line(time_s: Array, value: Array, points: int = POINTS) -> list[tuple[float, float | None]]:
    """A line for drawing: lowest and highest reading of each bucket, holes kept as None.

    time_s   shape (n,), rising [s]
    value    shape (n,), any unit; NaN where there is no reading
    Returns  at most `points` readings and one None a bucket with a hole; every extreme of the line is in it
    """
    if time_s.size == 0:
        return []
    buckets = max(1, min(points // 2, time_s.size))
    edges = np.linspace(0, time_s.size, buckets + 1).astype(np.int64).tolist()
    line: list[tuple[float, float | None]] = []
    whole = bool(np.isfinite(value).all())
    for start, stop in pairwise(edges):
        part = value[start:stop]
        if whole and stop - start > 2:  # nearly always; a third of the time
            for i in sorted({start + int(part.argmin()), start + int(part.argmax())}):
                line.append((float(time_s[i]), float(value[i])))
            continue
        read = np.flatnonzero(np.isfinite(part))
        if stop - start <= 2:
            kept = list(range(stop - start))
        else:
            kept = (
                [] if read.size == 0 else [int(read[np.argmin(part[read])]), int(read[np.argmax(part[read])])]
            )
            holes = np.flatnonzero(~np.isfinite(part))
            kept += [int(holes[holes.size // 2])] if holes.size else []
        for i in sorted(set(kept)):
            reading = float(part[i])
            line.append((float(time_s[start + i]), reading if np.isfinite(reading) else None))
    return line


def trace_table(trace: pd.DataFrame, panels: Sequence[Panel]) -> pd.DataFrame:
    """The trace in published units, one row a sample of it, columns titled with their units."""
    table: dict[str, Any] = {titled("Time", "s"): rounded_column(values_of(trace, "time_s"), 3)}
    for panel in panels:
        for channel in panel.channels:
            name = (
                panel.label
                if len(panel.channels) == 1
                else f"{channel.label.capitalize()} {panel.label.lower()}"
            )
            values = panel.convert(values_of(trace, channel.column))
            table[titled(name, panel.unit)] = rounded_column(values, panel.decimals)
    return pd.DataFrame(table)
