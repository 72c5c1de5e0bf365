"""Channels of a raw trace: in which order and unit they are drawn, and how they are thinned for drawing."""

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


def _same(value: Array) -> Array:
    return value


def _gf(value: Array) -> Array:
    return value / (GRAVITY * 1e-3)


def _percent(value: Array) -> Array:
    return value * 100.0


def _celsius(value: Array) -> Array:
    return value - ZERO_CELSIUS_K


@dataclass(frozen=True, slots=True, kw_only=True)
class Channel:
    """One row of the figure: house column, name, published unit, decimals, and the way from house units to it."""

    column: str
    label: str
    unit: str
    decimals: int
    convert: Callable[[Array], Array] = _same

    @property
    def title(self) -> str:
        """Name with unit, as over a column of the table."""
        return titled(self.label, self.unit)


def _channel(
    column: str, label: str, unit: str, decimals: int, convert: Callable[[Array], Array] = _same
) -> Channel:
    return Channel(column=column, label=label, unit=unit, decimals=decimals, convert=convert)


CHANNELS: tuple[Channel, ...] = (
    _channel("throttle", "Throttle", "%", 1, _percent),
    _channel("speed_rpm", "Speed", "rpm", 0),
    _channel("power_w", "Electrical power", "W", 1),
    _channel("current_a", "Current", "A", 2),
    _channel("voltage_v", "Voltage", "V", 2),
    _channel("thrust_n", "Thrust", "gf", 1, _gf),
    _channel("torque_nm", "Torque", "N·m", 4),
    _channel("motor_temperature_k", "Motor temperature", "°C", 1, _celsius),
    _channel("controller_temperature_k", "Controller temperature", "°C", 1, _celsius),
    _channel("pack_temperature_k", "Pack temperature", "°C", 1, _celsius),
    _channel("air_temperature_k", "Air temperature", "°C", 1, _celsius),
    _channel("sound_level_db", "Sound level", "dB", 1),
    _channel("vibration_m_s2", "Vibration", "m/s²", 2),
)


def channels_of(trace: pd.DataFrame, wanted: Sequence[str] = ()) -> tuple[Channel, ...]:
    """Channels with at least one reading, in the order drawn.

    trace   columns time_s [s] and house columns
    wanted  house columns to draw; all where empty
    """
    return tuple(
        channel
        for channel in CHANNELS
        if channel.column in trace
        and (not wanted or channel.column in wanted)
        and bool(np.isfinite(values_of(trace, channel.column)).any())
    )


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


def trace_table(trace: pd.DataFrame, channels: Sequence[Channel]) -> pd.DataFrame:
    """The trace in published units, one row a sample of it, columns titled with their units."""
    table: dict[str, Any] = {titled("Time", "s"): rounded_column(values_of(trace, "time_s"), 3)}
    for channel in channels:
        values = channel.convert(values_of(trace, channel.column))
        table[channel.title] = rounded_column(values, channel.decimals)
    return pd.DataFrame(table)
