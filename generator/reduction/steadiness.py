"""Whether a staircase stood still: steps that still moved while they were averaged, ways up and down that differ."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.polynomial import legendre
from numpy.typing import NDArray

from generator.reduction.correlation import mean_with_standard_error
from generator.reduction.levels import LARGEST_TREND
from generator.reduction.readings import AXES, Axis, axis_numbers
from generator.reduction.records import Finding
from generator.reduction.run_curves import Means, Reading, read, ways
from generator.reduction.steady import SteadyPoint

Array = NDArray[np.float64]

# A change in speed over the averaging window that is told: half a per cent, as for holds (`levels`). What follows
# the speed is told at the change that goes with it, n² and n³. Three times as much is doubtful: the power then
# moves by 4.5 % while it is averaged, more than the margins that are usually set. Our own choice, no source.
TOLD = {"speed_rpm": LARGEST_TREND, "thrust_n": 2.0 * LARGEST_TREND, "power_w": 3.0 * LARGEST_TREND}
DOUBTFUL = 3.0  # times the told change
# A change must be this many times its own standard error: some fifty are looked at in a run, thousands in a season,
# and the error comes from few samples. Our own choice.
CLEAR = 5.0
FEWEST_SAMPLES = 12
SETTLING_DEGREE = 5
# Up and down may differ by this share before it is told: half of it, as a rectangular width, adds 0.6 % to the
# standard uncertainty. Beyond the second it is doubtful which of the two ways a set-up would follow in use: half of
# it is already more than a margin of 2 %. Our own choice, no source.
HYSTERESIS_TOLD = 0.02
HYSTERESIS_DOUBTFUL = 0.05
WORDS = {"speed_rpm": "speed", "thrust_n": "thrust", "power_w": "electrical power"}
# An unsteady power is one of the current; it weakens what rests on the current.
CHANNEL = {"speed_rpm": "speed_rpm", "thrust_n": "thrust_n", "power_w": "current_a"}
# What is compared up against down: name of the axis, house column, unit in the sentence's condition.
COMPARED = (
    ("thrust_gf", "power_w", "gf of thrust"),
    ("speed_rpm", "power_w", "rpm"),
    ("speed_rpm", "thrust_n", "rpm"),
    ("throttle_percent", "speed_rpm", "% throttle"),
)


# --- settling -----------------------------------------------------------------------------------------------


def tapered_change(time_s: Array, values: Array) -> float:
    """Change along a line over the span of the samples, blind to vibration.

    time_s, values  shape (n,), missing values allowed
    Returns         unit of the values; NaN with fewer than twelve samples

    A plain line through a few cycles of a vibration has a slope, which depends on where the window cuts them.
    Here the samples count less towards both ends (Blackman's window), so that what swings three times or more
    within the window leaves less than 3 % of its amplitude, and eight times or more less than 0.5 %.
    Source  weighted least squares; F. J. Harris, Proc. IEEE 66 (1978) 51-83, for the window (from memory)
    """
    good = np.isfinite(values)
    if int(good.sum()) < FEWEST_SAMPLES:
        return math.nan
    return float(_kernel(time_s[good]) @ values[good])


def change_error(time_s: Array, values: Array, degree: int = SETTLING_DEGREE) -> float:
    """Standard error of `tapered_change` from what is faster than the movement looked for; NaN where that is.

    degree  of the curve that is taken out before the samples' scatter and their correlation are judged, since a
            settling is no noise; 1 where nothing can settle, so that what wanders slowly counts as noise
    """
    good = np.isfinite(values)
    if int(good.sum()) < FEWEST_SAMPLES:
        return math.nan
    kernel = _kernel(time_s[good])
    place = 2.0 * (time_s[good] - time_s[good][0]) / np.ptp(time_s[good]) - 1.0
    slow = legendre.legval(place, legendre.legfit(place, values[good], degree))
    of_mean = mean_with_standard_error(values[good] - slow).standard_error
    # white samples: s/sqrt(n) for the mean, s times the kernel's length for the change; correlation widens both
    return of_mean * math.sqrt(kernel.size * float(kernel @ kernel))


def _kernel(time_s: Array) -> Array:
    """Weights that give the change from samples: of a tapered straight-line fit, shape of time_s."""
    place = (time_s - time_s[0]) / (time_s[-1] - time_s[0]) - 0.5
    weights = 0.42 + 0.5 * np.cos(2.0 * math.pi * place) + 0.08 * np.cos(4.0 * math.pi * place)
    place = place - float(weights @ place) / float(weights.sum())
    kernel: Array = weights * place / float(weights @ place**2)
    return kernel


@dataclass(frozen=True, slots=True, kw_only=True)
class _Moving:
    """A step that moved while it was averaged: share of the mean over the window, size against what is told."""

    step: SteadyPoint
    column: str
    share: float
    size: float


def unsettled(steps: Sequence[SteadyPoint]) -> tuple[Finding, ...]:
    """Steps of which speed, power or thrust still moved over the averaging window, told in one finding.

    Thrust alone, at a speed and power that stand still, is no unsettled step: thrust follows speed. Such a change
    is one of the stand (it swings slowly, or the load cell creeps) and is told as that, never as doubtful.
    """
    moving = [worst for step in steps if (worst := _moving(step, ("speed_rpm", "power_w"))) is not None]
    found = []
    if moving:
        found.append(_told(moving, "unsettled step", "still moved while they were averaged"))
    known = {id(item.step) for item in moving}
    swaying = [
        worst
        for step in steps
        if id(step) not in known and (worst := _moving(step, ("thrust_n",))) is not None
    ]
    if swaying:
        words = "changed in thrust alone while they were averaged, so the stand moved and not the propeller"
        found.append(_told(swaying, "swaying stand", words, doubtful=False))
    return tuple(found)


def _moving(step: SteadyPoint, columns: Sequence[str]) -> _Moving | None:
    """The largest change of a step that is told, None if it stood still."""
    worst: _Moving | None = None
    time: Array | None = None
    for column in columns:
        if not step.means.has(column):
            continue
        time = step.means.samples("time_s") if time is None else time
        samples = step.means.samples(column)
        mean, change = float(np.nanmean(samples)), tapered_change(time, samples)
        if not (mean > 0.0 and abs(change) > mean * TOLD[column]):
            continue
        size = abs(change) / mean / TOLD[column]
        larger = worst is None or size > worst.size
        # a load cell's own noise wanders slowly; thrust by itself does not settle
        error = change_error(time, samples, 1 if column == "thrust_n" else SETTLING_DEGREE)
        if larger and abs(change) > CLEAR * error:
            worst = _Moving(step=step, column=column, share=change / mean, size=size)
    return worst


def _told(moving: Sequence[_Moving], kind: str, words: str, *, doubtful: bool = True) -> Finding:
    worst = max(moving, key=lambda item: item.size)
    window = worst.step.window
    count = "1 step" if len(moving) == 1 else f"{len(moving)} steps"
    rose = "rose" if worst.share > 0.0 else "fell"
    if len(moving) == 1:
        words = words.replace("they were", "it was")
    most = "there" if len(moving) == 1 else "most at"
    return Finding(
        kind=kind,
        channel=CHANNEL[worst.column],
        start_s=window.start_s,
        stop_s=window.stop_s,
        count=len(moving),
        grade="doubtful" if doubtful and worst.size > DOUBTFUL else "noted",
        sentence=(
            f"{count} {words}: {most} {window.label} the {WORDS[worst.column]} {rose} by "
            f"{100.0 * abs(worst.share):.2g} % over {window.stop_s - window.start_s:.2g} s."
        ),
    )


# --- hysteresis ---------------------------------------------------------------------------------------------


def hysteresis(means: Means, *, moving: bool = False) -> tuple[Finding, ...]:
    """Where the way up and the way down differ by more than HYSTERESIS_TOLD and beyond their noise.

    moving  of a ramp: a rotor that speeds up takes power and lags behind its throttle, and gives it back on the way
            down. A difference of that sign is told, but is not doubtful: it cancels in the mean.

    Errors that both ways share, such as gains and the zero, cancel in the difference. Power at equal speed is
    looked at only where there is no thrust.
    """
    axes = {axis.name: axis for axis in AXES}
    found: list[Finding] = []
    by_thrust = False
    for name, column, unit in COMPARED:
        axis = axes[name]
        if name == "speed_rpm" and column == "power_w" and by_thrust:
            continue
        both = ways(means, axis.column, column)
        if len(both) < 2:
            continue
        by_thrust = by_thrust or name == "thrust_gf"
        low = max(way.x[0] for way in both) * axis.factor
        high = min(way.x[-1] for way in both) * axis.factor
        places = np.array(axis_numbers(axis, low, high))
        if places.size:
            up, down = (read(way, places / axis.factor) for way in both)
            found += _widest(axis, column, unit, places, up, down, moving=moving)
    return tuple(found)


def _widest(
    axis: Axis, column: str, unit: str, places: Array, up: Reading, down: Reading, *, moving: bool
) -> list[Finding]:
    """The largest difference between the ways as a finding, if it is told."""
    share = (down.values - up.values) / ((down.values + up.values) / 2.0)
    noise = np.sqrt(((down.parts - up.parts) ** 2).sum(axis=1))
    beyond = np.abs(down.values - up.values) > CLEAR * noise
    sizes = np.where(beyond & np.isfinite(share), np.abs(share), 0.0)
    worst = int(np.argmax(sizes))
    if not sizes[worst] > HYSTERESIS_TOLD:
        return []
    more = "more" if share[worst] > 0.0 else "less"
    inertia = moving and (
        (column == "power_w" and more == "less") or (column == "speed_rpm" and more == "more")
    )
    limit = HYSTERESIS_DOUBTFUL if sizes[worst] > HYSTERESIS_DOUBTFUL else HYSTERESIS_TOLD
    return [
        Finding(
            kind="hysteresis",
            channel="throttle" if axis.name == "throttle_percent" else CHANNEL[column],
            grade="doubtful" if limit == HYSTERESIS_DOUBTFUL and not inertia else "noted",
            sentence=(
                f"At {places[worst]:.4g} {unit} the way down had {100.0 * sizes[worst]:.2g} % {more} {WORDS[column]} "
                f"than the way up, more than {100.0 * limit:.2g} %. The mean of both is used, and half of the "
                "difference goes into the uncertainty."
                + (
                    " So does a rotor that speeds up and slows down; a slower ramp lessens it."
                    if inertia
                    else ""
                )
            ),
        )
    ]
