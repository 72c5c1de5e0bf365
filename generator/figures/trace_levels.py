"""What a raw trace stood at while it was averaged: level lines, and where their numbers find room."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from generator.evidence.wording import number
from generator.figures.theme import CHARACTER
from generator.figures.trace_panels import Array, Channel
from generator.reduction.records import RunReduction, Window

# In these a used stretch is no level: one is run through from end to end, the other summed up.
MOVING = ("ramp", "drain")
NEAR = 8  # from a level line to the middle of its number [px]
HALF = 6  # half the height of a number [px]
BETWEEN = 7  # between two numbers beside each other [px]
OVER = 5  # of a number beyond the end of the plot, at most [px]


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """A row's place in the figure and its scale.

    top, bottom    of the row [px from the top of the figure]
    high_y, low_y  heights of `high` and `low` [px]
    low, high      ends of its scale: lowest and highest reading, or either side of a reading that never changes
    still          whether it never changes
    """

    top: float
    bottom: float
    high_y: float
    low_y: float
    low: float
    high: float
    still: bool

    @classmethod
    def of(cls, value: Array, *, top: float, inside: tuple[float, float, float]) -> Place:
        """Place of a row with a reading. inside: highest and lowest reading and the row's end, from its top [px]."""
        low, high = float(np.nanmin(value)), float(np.nanmax(value))
        still = high <= low
        if still:  # a level in the middle
            room = max(abs(high), 1.0)
            low, high = low - room, high + room
        high_y, low_y, bottom = (top + pixels for pixels in inside)
        return cls(top=top, bottom=bottom, high_y=high_y, low_y=low_y, low=low, high=high, still=still)

    def y(self, value: float) -> float:
        """Height of a value of the channel's published unit [px from the top]."""
        return self.low_y - (value - self.low) / (self.high - self.low) * (self.low_y - self.high_y)


@dataclass(frozen=True, slots=True, kw_only=True)
class Level:
    """One stretch of one row: its window, mean in the published unit, and its number with the place of it.

    text_s, text_y  middle of the number [s], [px]; text is "" where it has no room
    wide            whether the number has room on a wide page only
    """

    window: Window
    mean: float
    text: str = ""
    text_s: float = math.nan
    text_y: float = math.nan
    wide: bool = False


def levels_of(
    run: RunReduction, channel: Channel, time_s: Array, value: Array, resolution_s: float
) -> tuple[Level, ...]:
    """Mean of the thinned trace in each averaged window; what stood alone and was left out is left out here too.

    time_s, value  shape (n,), value in the published unit, NaN where there is no reading
    resolution_s   how far a reading may stand from its own time, since the trace is thinned [s]
    """
    if run.procedure in MOVING:
        return ()
    alone = [f for f in run.findings if f.kind == "spike" and f.channel == channel.column]
    kept = np.isfinite(value)
    for spike in alone:
        if spike.start_s is not None:
            stop = spike.start_s if spike.stop_s is None else spike.stop_s
            kept &= (time_s < spike.start_s - resolution_s) | (time_s > stop + resolution_s)
    found = []
    for window in run.windows:
        if window.kind == "averaged":
            inside = value[kept & (time_s >= window.start_s) & (time_s <= window.stop_s)]
            if inside.size:
                found.append(Level(window=window, mean=float(inside.mean())))
    return tuple(sorted(found, key=lambda level: level.window.start_s))


def with_number(
    rows: Sequence[Sequence[Level]],
    channels: Sequence[Channel],
    per_s: float,
    among: Sequence[float] | None = None,
) -> tuple[float, ...]:
    """Middles of the stretches that have their number [s], the same in all rows, so that they can be read down.

    per_s  width of a second [px]
    among  the stretches to choose from; all where None
    """
    middles = sorted({_middle(level.window) for levels in rows for level in levels})
    if not middles:
        return ()
    middles = middles if among is None else list(among)
    longest = max(
        len(number(level.mean, channel.decimals))
        for levels, channel in zip(rows, channels, strict=True)
        for level in levels
    )
    needed = (longest * CHARACTER + BETWEEN) / per_s
    step = 1
    while any(b - a < needed for a, b in pairwise(middles[::step])):
        step += 1
    return tuple(middles[::step])


def numbered(
    levels: Sequence[Level],
    channel: Channel,
    place: Place,
    trace: tuple[Array, Array],
    *,
    domain: tuple[float, float],
    widths: tuple[float, float],
    chosen: tuple[Sequence[float], Sequence[float]],
    taken: Sequence[tuple[float, float]],
) -> tuple[Level, ...]:
    """The levels with their numbers, each over its line or under it, where the trace leaves room.

    trace    time [s] and value, shape (n,)
    domain   first and last time of the figure [s]
    widths   of the plot, wide and narrow [px]
    chosen   middles of the stretches that have a number, wide and narrow [s]
    taken    stretches of the row's top that hold other words [s]
    """
    time_s, value = trace
    if place.still:  # the number stands beside the name
        return tuple(levels)
    made = []
    for level in levels:
        centre = _middle(level.window)
        if centre not in chosen[0]:
            made.append(level)
            continue
        text = number(level.mean, channel.decimals)
        wide = centre not in chosen[1]
        a_pixel = (domain[1] - domain[0]) / widths[0 if wide else 1]
        half = len(text) * CHARACTER / 2 * a_pixel
        inside = max(half - OVER * a_pixel, 0.0)
        middle = min(max(centre, domain[0] + inside), domain[1] - inside)
        near = value[(time_s >= middle - half) & (time_s <= middle + half) & np.isfinite(value)]
        low, high = (
            (min(float(near.min()), level.mean), max(float(near.max()), level.mean))
            if near.size
            else (level.mean,) * 2
        )
        over, under = place.y(high) - NEAR, place.y(low) + NEAR
        covered = any(start < middle + half and middle - half < stop for start, stop in taken)
        fits = [
            y
            for y in (over, under)
            if place.top + HALF <= y <= place.bottom - HALF and not (covered and y - HALF < place.high_y)
        ]
        if not fits:
            made.append(level)
            continue
        # over the line where it is nearly as near to it
        at = min(fits, key=lambda y: abs(y - place.y(level.mean)) - (3 if y < place.y(level.mean) else 0))
        made.append(replace(level, text=text, text_s=middle, text_y=at, wide=wide))
    return tuple(made)


def _middle(window: Window) -> float:
    return (window.start_s + window.stop_s) / 2
