"""Drain: a pack emptied by the motor down to a cut-off voltage; what it gives, and what its resistance takes."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Annotated, Any, Self

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from pydantic import BeforeValidator, Field, WithJsonSchema, model_validator

from generator.intake.parts import Pack, Record, key
from generator.intake.quantities import Ratio, Speed, Time, Voltage
from generator.reduction import response_kinds as kinds
from generator.reduction.drain_load import (
    CUT_OFF_SMOOTHING_S,
    LAST_S,
    LAST_SHARE,
    Load,
    find_load,
    integral,
)
from generator.reduction.drain_steps import (
    LoadStep,
    Regression,
    bending,
    fall_v,
    load_steps,
    regression,
    resistance,
)
from generator.reduction.levels import smoothed
from generator.reduction.measured import (
    Number,
    RigErrors,
    components,
    mean_and_error,
    nominal,
    trend_per_s,
    variable,
)
from generator.reduction.prepare import CHANNEL_WORDS
from generator.reduction.records import (
    Finding,
    Outcome,
    PreparedRun,
    Procedure,
    ResponseKind,
    RunResponse,
    Window,
    fits_of,
)

Array = NDArray[np.float64]

# A cell of the usual lithium kind rests above this when it was charged in full. Common practice, no source.
FULL_CELL_V = 4.1
OTHER_WAY = 0.10  # a regression this far from the steps is told; our own choice, no source
SHOWN_ROWS = 400
MOST_SHOWN_STEPS = 4  # of which the stretches are marked on the trace; more would cover it

Levels = BeforeValidator(lambda found: found if isinstance(found, (list, tuple)) else [found])


def _listed() -> WithJsonSchema:
    return WithJsonSchema({"anyOf": [{"type": "string"}, {"type": "array", "items": {"type": "string"}}]})


class DrainPlan(Record):
    """`drain:` in session.yaml."""

    throttle: Annotated[tuple[Ratio, ...], Levels, _listed(), Field(max_length=20)] = Field(
        (), description="Throttle, one level or several that are repeated: `[70 %, 30 %]`."
    )
    speed_rpm: Annotated[tuple[Speed, ...], Levels, _listed(), Field(max_length=20)] = key(
        "speed", "Speed instead of throttle, one or several that are repeated.", default=()
    )
    each_s: Time | None = key(
        "each", "How long each level lasts, where there are several.", default=None, gt=0
    )
    cut_off_v: Voltage = key(
        "cut_off",
        "Voltage of a cell, under load, at which the motor is switched off. Never below what the pack's maker allows.",
        gt=0,
    )
    settle_s: Time = key(
        "settle", "Left out after a change of the load, for the motor to reach its speed.", default=0.5, ge=0
    )
    window_s: Time = key(
        "window", "Taken on either side of a change of the load, for the resistance.", default=2.0, gt=0
    )

    @model_validator(mode="after")
    def _one_pattern(self) -> Self:
        if bool(self.throttle) == bool(self.speed_rpm):
            raise ValueError("give either `throttle` or `speed`")
        levels = self.throttle or self.speed_rpm
        if any(not level > 0.0 for level in levels) or max(self.throttle, default=0.0) > 1.0:
            raise ValueError("levels lie above zero, a throttle at most at 100 %")
        if len(levels) > 1 and self.each_s is None:
            raise ValueError("each: is missing; say how long each level lasts")
        if self.each_s is not None and self.each_s < self.settle_s + 2.0 * self.window_s:
            raise ValueError("each: a level must last longer than `settle` and twice `window`")
        return self


def reduce_drain(run: PreparedRun) -> Outcome:
    """Charge, energy and time to the cut-off, internal resistance, sag and warming of the pack.

    Everything is the pack's, so the voltage is that at the tap: the wiring correction leads to the controller. Leads
    between pack and tap count as part of the pack.
    """
    plan, source = run.plan, run.setup.source
    assert isinstance(plan, DrainPlan)
    if not isinstance(source, Pack):
        return _refused("voltage_v", f"{source.label} is a supply; only a pack can be drained")
    time, voltage, current = (run.columns[name] for name in ("time_s", "tap_voltage_v", "current_a"))
    limit_v = source.cells * plan.cut_off_v
    load = find_load(time, voltage, current, limit_v)
    if load is None:
        return _refused("current_a", "The pack was never under load")
    errors = RigErrors.of(run)
    steps = load_steps(time, voltage, current, settle_s=plan.settle_s, window_s=plan.window_s)
    by_step = [resistance(step, errors) for step in steps]
    values: list[tuple[ResponseKind, Number]] = []
    if by_step:
        mean = sum(by_step) / len(by_step) + variable(0.0, bending(steps), "scatter")
        values.append((kinds.INTERNAL_RESISTANCE, 1000.0 * mean))
    values += _given(run, errors, load, limit_v)
    first = next((step for step in steps if step.after_a > step.before_a), None)
    if first is not None and first.start_s <= load.start_s + plan.settle_s:
        values.append((kinds.SAG, fall_v(first, errors)))
    values += _warming(run, errors, load)
    other = regression(time, voltage, current, steps, settle_s=plan.settle_s)
    used = Window(
        kind="averaged",
        label="under load, to the cut-off" if load.cut_off_s is not None else "under load",
        start_s=load.start_s,
        stop_s=min(load.stop_s, load.cut_off_s or load.stop_s),
    )
    responses = []
    for kind, value in values:
        centre, parts = components(value)
        if math.isfinite(centre):
            responses.append(
                RunResponse(
                    response=kind.name,
                    at=(),
                    value=centre,
                    components=parts,
                    window=used,
                )
            )
    figures = _figures(run, load, plan, other)
    return Outcome(
        responses=tuple(responses),
        constants=tuple(_constants(responses, figures, source.cells)),
        windows=(used, *(_sides(steps) if len(steps) <= MOST_SHOWN_STEPS else ())),
        fits=fits_of(figures),
        fitted=_open_circuit(time, voltage, current, steps),
        findings=tuple(_findings(load, limit_v, steps, by_step, other)),
    )


def _refused(channel: str, why: str) -> Outcome:
    return Outcome(
        findings=(
            Finding(kind="not reached", channel=channel, grade="refused", sentence=f"{why}. Not used."),
        )
    )


def _given(
    run: PreparedRun, errors: RigErrors, load: Load, limit_v: float
) -> Iterator[tuple[ResponseKind, Number]]:
    """Charge, energy and time to the cut-off.

    An error of the voltage shifts the instant of the cut-off by as much as the voltage needs to fall that far. Energy
    is the pack's own: voltage at the tap times current, in full.
    """
    if load.cut_off_s is None:
        return
    time, voltage, current = (run.columns[name] for name in ("time_s", "tap_voltage_v", "current_a"))
    end = min(load.cut_off_s, load.stop_s)
    charge_c, doubt_c = integral(time, current, load.start_s, end)
    energy_j, _ = integral(time, voltage * current, load.start_s, end)
    beyond_s = load.cut_off_s - end
    charge_c, energy_j = charge_c + beyond_s * load.last_a, energy_j + beyond_s * load.last_a * limit_v
    lasts = load.cut_off_s - load.start_s
    if not (charge_c > 0.0 and lasts > 0.0):
        return
    at_end = errors.apply("tap_voltage_v", limit_v)
    noise = mean_and_error(_last_voltage(run, load), remove_trend=True)[1]
    shift: Number = 0.0
    if load.slope_v_s < 0.0:
        shift = (at_end - limit_v + variable(0.0, noise, "scatter")) / -load.slope_v_s
    clock = errors.gain("time_s")
    mean_a, mean_v = charge_c / lasts, energy_j / charge_c
    charge = errors.apply("current_a", mean_a) * lasts * clock + shift * load.last_a
    charge = charge + variable(0.0, doubt_c, "sampling")
    volts = errors.apply("tap_voltage_v", mean_v)
    energy = volts * errors.apply("current_a", mean_a) * lasts * clock + shift * load.last_a * limit_v
    energy = energy + variable(0.0, doubt_c * mean_v, "sampling")
    yield kinds.DELIVERED_CHARGE, charge / 3.6
    yield kinds.DELIVERED_ENERGY, energy / 3600.0
    yield kinds.TIME_TO_CUT_OFF, lasts * clock + shift


def _last_voltage(run: PreparedRun, load: Load) -> Array:
    time = run.columns["time_s"]
    end = min(load.cut_off_s or load.stop_s, load.stop_s)
    rows = (time >= end - CUT_OFF_SMOOTHING_S) & (time <= end)
    return run.columns["tap_voltage_v"][rows]


def _warming(run: PreparedRun, errors: RigErrors, load: Load) -> Iterator[tuple[ResponseKind, Number]]:
    """Rise of the pack's temperature from before the load to the end of it."""
    ends = _temperatures(run, load)
    if ends is None:
        return
    (start, u_start), (end, u_end), trend = ends
    column = "pack_temperature_k"
    rise = errors.apply(column, end, trend=trend) - errors.apply(column, start)
    yield kinds.PACK_TEMPERATURE_RISE, rise + variable(0.0, math.hypot(u_start, u_end), "scatter")


def _temperatures(
    run: PreparedRun, load: Load
) -> tuple[tuple[float, float], tuple[float, float], float] | None:
    """Pack temperature before the load and at the end of it [K], each with its error, and how fast it climbs there.

    The end is read off a line through the last part of the load: a temperature is slow, its sensor noisy.
    Source  a line's value at its end has twice the standard error of its mean (textbook, many samples)
    """
    if "pack_temperature_k" not in run.columns:
        return None
    time, values = run.columns["time_s"], run.columns["pack_temperature_k"]
    end = min(load.cut_off_s or load.stop_s, load.stop_s)
    lasts = max(LAST_S, LAST_SHARE * (end - load.start_s))
    last = (time >= end - lasts) & (time <= end)
    before = mean_and_error(values[time <= load.start_s], remove_trend=True)
    middle, error = mean_and_error(values[last], remove_trend=True)
    if not (math.isfinite(before[0]) and math.isfinite(middle)):
        return None
    trend = trend_per_s(time[last], values[last])
    return before, (middle + 0.5 * lasts * trend, 2.0 * error), trend


def _figures(run: PreparedRun, load: Load, plan: DrainPlan, other: Regression | None) -> dict[str, float]:
    """What the run page tells besides the responses, house units; what is not known is left out."""
    time, voltage = run.columns["time_s"], run.columns["tap_voltage_v"]
    before = mean_and_error(voltage[(time < load.start_s) & (time >= load.start_s - plan.window_s)])[0]
    rest = time > load.stop_s + plan.settle_s
    after = mean_and_error(voltage[rest & (time >= float(time[-1]) - plan.window_s)])[0]
    ends = _temperatures(run, load)
    lowest = smoothed(time, voltage, CUT_OFF_SMOOTHING_S)
    made = {
        "open_circuit_before_v": before,
        "open_circuit_after_v": after,
        "lowest_v": float(np.nanmin(lowest)) if bool(np.isfinite(lowest).any()) else math.nan,
        "cut_off_v": plan.cut_off_v * getattr(run.setup.source, "cells", 1),
        "mean_current_a": mean_and_error(run.columns["current_a"][_under(time, load)])[0],
        "pack_start_temperature_k": math.nan if ends is None else ends[0][0],
        "regression_resistance_ohm": math.nan if other is None else other.resistance_ohm,
    }
    return {name: value for name, value in made.items() if math.isfinite(value)}


def _under(time: Array, load: Load) -> Any:
    return (time >= load.start_s) & (time <= load.stop_s)


def _constants(
    responses: Sequence[RunResponse], figures: dict[str, float], cells: int
) -> Iterator[RunResponse]:
    """Constants of the pack: its resistance, and its charge where it was full at the start."""
    full = figures.get("open_circuit_before_v", 0.0) >= FULL_CELL_V * cells
    for response in responses:
        if response.response == kinds.INTERNAL_RESISTANCE.name:
            yield response
        elif response.response == kinds.DELIVERED_CHARGE.name and full:
            yield replace(response, response="pack_charge")


def _sides(steps: Sequence[LoadStep]) -> Iterator[Window]:
    for place, step in enumerate(steps, start=1):
        for (start, stop), word in zip(step.sides, ("before", "after"), strict=True):
            yield Window(kind="step", label=f"{word} step {place}", start_s=start, stop_s=stop)


def _open_circuit(
    time: Array, voltage: Array, current: Array, steps: Sequence[LoadStep]
) -> pd.DataFrame | None:
    """For the run's chart: voltage with the mean resistance taken out, V + R·I, and the resistance at each step."""
    if not steps:
        return None
    mean = math.fsum(step.resistance_ohm for step in steps) / len(steps)
    rows = np.unique(np.linspace(0, time.size - 1, SHOWN_ROWS).astype(np.int64))
    smooth_v, smooth_a = smoothed(time, voltage), smoothed(time, current)
    by_step = np.full(rows.size, np.nan)
    for step in steps:
        nearest = int(np.argmin(np.abs(time[rows] - 0.5 * (step.start_s + step.stop_s))))
        by_step[nearest] = step.resistance_ohm
    return pd.DataFrame(
        {
            "time_s": time[rows],
            "open_circuit_v": smooth_v[rows] + mean * smooth_a[rows],
            "resistance_ohm": by_step,
        }
    )


def _findings(
    load: Load,
    limit_v: float,
    steps: Sequence[LoadStep],
    by_step: Sequence[Number],
    other: Regression | None,
) -> Iterator[Finding]:
    name = CHANNEL_WORDS["voltage_v"]
    if load.cut_off_s is None:
        yield Finding(
            kind="not reached",
            channel="voltage_v",
            grade="refused",
            sentence=f"The {name} did not fall to the cut-off of {limit_v:.2f} V, so charge, energy and time to it are "
            "not known. Not used.",
        )
    elif load.carried:
        yield Finding(
            kind="carried on",
            channel="voltage_v",
            start_s=load.stop_s,
            sentence=f"The run ended a little above the cut-off of {limit_v:.2f} V; the last "
            f"{load.cut_off_s - load.stop_s:.1f} s are carried on along its last slope.",
        )
    if not steps:
        yield Finding(
            kind="no step",
            channel="current_a",
            grade="refused",
            sentence="No change of the load has a steady stretch on either side, so there is no resistance. Rest "
            "before and after the run, or use two levels.",
        )
    if other is not None and by_step:
        found = 1000.0 * nominal(sum(by_step) / len(by_step))
        share = 1000.0 * other.resistance_ohm / found - 1.0
        if abs(share) > OTHER_WAY:
            yield Finding(
                kind="two ways differ",
                channel="voltage_v",
                sentence=f"Regression over the whole run gives {1000.0 * other.resistance_ohm:.3g} mΩ where the steps "
                f"give {found:.3g} mΩ: the voltage goes on settling after a change of the load.",
            )


DRAIN = Procedure(
    name="drain",
    plan=DrainPlan,
    needs=("voltage", "current"),
    responses=(
        kinds.INTERNAL_RESISTANCE,
        kinds.DELIVERED_CHARGE,
        kinds.DELIVERED_ENERGY,
        kinds.TIME_TO_CUT_OFF,
        kinds.SAG,
        kinds.PACK_TEMPERATURE_RISE,
    ),
    reduce=reduce_drain,
    about="The motor empties a pack down to a cut-off voltage; what the pack gives and its resistance are found.",
)
