"""Curves of one run read at given thrusts, speeds and throttles, as responses with their components."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from generator.reduction import response_kinds as kinds
from generator.reduction.measured import GF_PER_N, INDEPENDENT
from generator.reduction.records import At, Component, PreparedRun, ResponseKind, RunResponse
from generator.reduction.run_curves import Means, Reading, averaged, quotient, reach, read, tabulate, ways
from generator.reduction.steady import SteadyPoint

Array = NDArray[np.float64]

# ISO 3, series R20 (from memory): twenty numbers a decade, each 12 % above the one before.
R20 = (
    1.0,
    1.12,
    1.25,
    1.4,
    1.6,
    1.8,
    2.0,
    2.24,
    2.5,
    2.8,
    3.15,
    3.55,
    4.0,
    4.5,
    5.0,
    5.6,
    6.3,
    7.1,
    8.0,
    9.0,
)
THROTTLE_EVERY = 5  # per cent
HYSTERESIS = "hysteresis"


@dataclass(frozen=True, slots=True, kw_only=True)
class Axis:
    """What curves are read at.

    name    key of a condition in results.json
    column  house column, factor its published unit over the house one, unit in words
    wanted  (kind, house column, factor) of what is read there
    """

    name: str
    column: str
    factor: float
    unit: str
    wanted: tuple[tuple[ResponseKind, str, float], ...]


_POWER = (kinds.ELECTRICAL_POWER, "power_w", 1.0)
_THRUST = (kinds.THRUST, "thrust_n", GF_PER_N)
_SPEED = (kinds.SPEED, "speed_rpm", 1.0)
SOUND = (kinds.SOUND_LEVEL, "sound_level_db", 1.0)
AXES = (
    Axis(name="thrust_gf", column="thrust_n", factor=GF_PER_N, unit="gf", wanted=(_POWER, _SPEED)),
    Axis(name="speed_rpm", column="speed_rpm", factor=1.0, unit="rpm", wanted=(_POWER, _THRUST)),
    Axis(name="throttle_percent", column="throttle", factor=100.0, unit="% throttle",
         wanted=(_POWER, _THRUST, _SPEED)),
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class KindReading:
    """One response along an axis.

    kind     the response; reading  in its published unit
    column   house column it was read from
    reaches  lowest and highest x of its curves, house unit
    """

    kind: ResponseKind
    reading: Reading
    column: str
    reaches: tuple[float, float]


def read_axis(
    means: Means, axis: Axis, x: Array, more: Sequence[tuple[ResponseKind, str, float]] = ()
) -> tuple[KindReading, ...]:
    """Everything that an axis asks for, at every x; thrust per power with it where both are known.

    x     shape (k,), house unit
    more  (kind, house column, factor) besides what the axis asks for
    """
    found: dict[str, KindReading] = {}
    for kind, column, factor in (*axis.wanted, *more):
        own = ways(means, axis.column, column)
        if own:
            found[kind.name] = KindReading(
                kind=kind,
                reading=averaged([read(way, x) for way in own]).times(factor),
                column=column,
                reaches=reach(own),
            )
    power, thrust = found.get(kinds.ELECTRICAL_POWER.name), found.get(kinds.THRUST.name)
    if power is not None and axis.name == "thrust_gf":
        exact = np.zeros_like(power.reading.parts)
        known = Reading(values=x * GF_PER_N, parts=exact, hysteresis=np.zeros_like(x))
        thrust = replace(power, reading=known)
    if power is not None and thrust is not None:
        per_power = quotient(thrust.reading, power.reading)
        found[kinds.THRUST_PER_POWER.name] = KindReading(
            kind=kinds.THRUST_PER_POWER,
            reading=per_power,
            column="",
            reaches=(max(power.reaches[0], thrust.reaches[0]), min(power.reaches[1], thrust.reaches[1])),
        )
    return tuple(found.values())


def as_responses(
    kind: ResponseKind, reading: Reading, at: Sequence[At], sources: Sequence[str]
) -> Iterator[tuple[int, RunResponse]]:
    """(place, response) of every reading that has a value; its errors gathered by source as in `measured`."""
    shared, own = _by_source(reading, sources)
    listed = [
        (source, is_shared, column.tolist())
        for sizes, is_shared in ((shared, True), (own, False))
        for source, column in sizes.items()
    ]
    for place in np.flatnonzero(np.isfinite(reading.values)).tolist():
        parts = [
            Component(source=source, contribution=size, shared=is_shared)
            for source, is_shared, column in listed
            if (size := column[place]) != 0.0 and math.isfinite(size)
        ]
        parts.sort(key=lambda part: (-abs(part.contribution), part.source))
        yield (
            place,
            RunResponse(
                response=kind.name, at=at[place], value=float(reading.values[place]), components=tuple(parts)
            ),
        )


def _by_source(reading: Reading, sources: Sequence[str]) -> tuple[dict[str, Array], dict[str, Array]]:
    """Contributions by source, shape (k,) each: shared ones added with their sign, independent ones squared."""
    rows: dict[str, list[int]] = {}
    for column, tag in enumerate(sources):
        rows.setdefault(tag, []).append(column)
    shared: dict[str, Array] = {}
    own: dict[str, Array] = {}
    for tag, columns in rows.items():
        sizes = reading.parts[:, columns]
        if tag.startswith(f"{INDEPENDENT}:"):
            own[tag.removeprefix(f"{INDEPENDENT}:")] = np.sqrt((sizes**2).sum(axis=1))
        else:
            shared[tag] = sizes.sum(axis=1)
    own[HYSTERESIS] = np.hypot(own.get(HYSTERESIS, 0.0), reading.hysteresis)
    return shared, own


# --- what is read -------------------------------------------------------------------------------------------


def preferred_numbers(low: float, high: float) -> tuple[float, ...]:
    """Numbers of series R20 from low to high, both above zero; empty where there is none between them.

    Source  ISO 3, preferred numbers, series R20 (from memory)
    """
    if not 0.0 < low <= high < math.inf:
        return ()
    decades = range(math.floor(math.log10(low)), math.floor(math.log10(high)) + 1)
    numbers = (float(f"{mantissa}e{decade}") for decade in decades for mantissa in R20)
    return tuple(number for number in numbers if low <= number <= high)


def is_preferred(axis: str, x: float) -> bool:
    """Whether x is one of the numbers at which curves are compared along this axis."""
    if axis == "throttle_percent":
        return x % THROTTLE_EVERY == 0.0
    return x > 0.0 and x in preferred_numbers(x, x)


def axis_numbers(axis: Axis, low: float, high: float) -> tuple[float, ...]:
    """Numbers of an axis from low to high, published unit."""
    if axis.name == "throttle_percent":
        return tuple(float(x) for x in range(0, 101, THROTTLE_EVERY) if x > 0 and low <= x <= high)
    return preferred_numbers(low, high)


def preferred_readings(
    run: PreparedRun, points: Sequence[SteadyPoint], means: Means | None = None
) -> tuple[RunResponse, ...]:
    """Curves of a staircase read at preferred numbers inside its range, at equal thrust, speed and throttle.

    means  what `tabulate` made of the points, where it was called already

    Electrical power, thrust, speed and thrust per power, each with its signed components; nothing where fewer
    than three points make no curve.
    """
    means = tabulate(points) if means is None else means
    found: list[RunResponse] = []
    for axis in AXES:
        own = [way for _, column, _ in axis.wanted for way in ways(means, axis.column, column)]
        if not own:
            continue
        low, high = (bound * axis.factor for bound in reach(own))
        numbers = axis_numbers(axis, low, high)
        at = [((axis.name, number),) for number in numbers]
        for kind in read_axis(means, axis, np.array(numbers) / axis.factor):
            found += [made for _, made in as_responses(kind.kind, kind.reading, at, means.sources)]
    return tuple(found)


def hover_readings(
    run: PreparedRun, points: Sequence[SteadyPoint], means: Means | None = None
) -> tuple[RunResponse, ...]:
    """Electrical power and speed at the hover thrusts of the set-up, from a staircase or from holds.

    Holds need thrust at three speeds at least; a power law goes through them. Nothing is given where the curve
    does not reach, nor for a staircase where the thrust is a preferred number, which `preferred_readings` has.
    """
    axis = AXES[0]
    stairs = any(point.planned is not None for point in points)
    wanted: dict[float, float] = {}
    for thrust_n in run.setup.hover_thrusts_n:
        thrust_gf = float(f"{thrust_n * GF_PER_N:.10g}")
        if not (stairs and is_preferred(axis.name, thrust_gf)):
            wanted.setdefault(thrust_gf, thrust_n)
    if not wanted:
        return ()
    means = tabulate(points) if means is None else means
    at = [((axis.name, thrust_gf),) for thrust_gf in wanted]
    return tuple(
        made
        for kind in read_axis(means, axis, np.array(list(wanted.values())))
        if kind.kind in (kinds.ELECTRICAL_POWER, kinds.SPEED)
        for _, made in as_responses(kind.kind, kind.reading, at, means.sources)
    )
