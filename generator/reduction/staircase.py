"""Staircase: throttle steps up and down; curves read at equal thrust, equal speed and equal throttle."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from typing import Annotated, Literal

import numpy as np
import uncertainties
from numpy.typing import NDArray
from pydantic import Field

from generator.intake.parts import Record, key
from generator.intake.quantities import Force, Ratio, Speed, Time
from generator.reduction import response_kinds as kinds
from generator.reduction.curves import OutsideCurve, interpolate, interpolate_power_law, make_curve
from generator.reduction.levels import EDGE_S, Stretch, matched, plateaus
from generator.reduction.measured import (
    GF_PER_N,
    Number,
    RigErrors,
    StretchMeans,
    components,
    mean_and_error,
    nominal,
    variable,
)
from generator.reduction.records import (
    At,
    Finding,
    Outcome,
    PreparedRun,
    Procedure,
    ResponseKind,
    RunResponse,
    StepRow,
    Window,
)

Array = NDArray[np.float64]
Direction = Literal["up", "down"]
# Throttle steps are told apart from each other within this, absolute. Our own choice, no source.
THROTTLE_TOLERANCE = 0.015
SHORTEST_STEP = 0.6  # share of the planned step time; our own choice, no source
KEPT = ("speed_rpm", "thrust_n", "torque_nm", "power_w", "voltage_v", "current_a",
        "motor_temperature_k", "controller_temperature_k", "sound_level_db")  # fmt: skip


class CompareAt(Record):
    """Conditions at which the curves of the treatments are read."""

    speed_rpm: tuple[Speed, ...] = key("speed", "Equal speeds.", default=())
    thrust_n: tuple[Force, ...] = key("thrust", "Equal thrusts.", default=())
    throttle: tuple[Ratio, ...] = key("throttle", "Equal throttles.", default=())


class StaircasePlan(Record):
    """`staircase:` in session.yaml."""

    throttle: Annotated[tuple[Ratio, ...], Field(min_length=3, max_length=100)] = Field(
        description="Throttle of each step on the way up."
    )
    step_s: Time = key("step", "How long each step lasts.", gt=0)
    average_s: Time = key("average", "Averaged at the end of each step.", gt=0)
    down: bool = Field(True, description="Whether the same steps are run down again.")
    compare_at: CompareAt = CompareAt.model_construct()


class StepMeans:
    """One step with its means; those with the rig's errors on them feed the curves."""

    def __init__(
        self, run: PreparedRun, errors: RigErrors, direction: Direction, throttle: float, window: Window
    ) -> None:
        time = run.frame["time_s"].to_numpy(dtype=np.float64)
        self.means = StretchMeans(run, errors, (time >= window.start_s) & (time <= window.stop_s))
        self.direction: Direction = direction
        self.throttle = throttle
        self.window = window

    def measured(self, column: str) -> Number:
        """Mean of a column with scatter and the rig's errors; NaN where it was not measured."""
        if not self.means.has(column):
            return math.nan
        scatter = mean_and_error(self.means.samples(column))[1]
        value = self.means.power() if column == "power_w" else self.means.mean(column)
        return value + variable(0.0, scatter, "scatter")

    def row(self) -> StepRow:
        """The step as a plain record."""
        return StepRow(
            direction=self.direction,
            throttle=self.throttle,
            start_s=self.window.start_s,
            stop_s=self.window.stop_s,
            means=tuple(
                (column, *mean_and_error(self.means.samples(column)))
                for column in KEPT
                if self.means.has(column)
            ),
        )


def reduce_staircase(run: PreparedRun) -> Outcome:
    """Step means, and what the curves through them say at the stated conditions.

    The way up and the way down are read apart and averaged; half of their difference, as a rectangular
    width, is the uncertainty that the settling leaves (component "hysteresis").
    """
    plan = run.plan
    assert isinstance(plan, StaircasePlan)
    found, missing = _find_steps(run, plan)
    findings: list[Finding] = []
    if missing:
        listed = ", ".join(missing)
        findings.append(
            Finding(kind="step missing", channel="throttle", grade="doubtful", count=len(missing),
                    sentence=f"Steps not found in the throttle: {listed}.")
        )  # fmt: skip
    errors = RigErrors(run.setup.rig)
    steps = [
        StepMeans(run, errors, direction, throttle, _window(direction, throttle, stretch, plan))
        for direction, throttle, stretch in found
    ]
    if len([step for step in steps if step.direction == "up"]) < 3:
        sentence = "Fewer than three steps of the way up were found, so there is no curve. Not used."
        return Outcome(
            findings=(
                *findings,
                Finding(kind="not reached", channel="throttle", grade="refused", sentence=sentence),
            )
        )
    responses = [*_top(steps), *_read_curves(steps, plan, findings)]
    return Outcome(
        responses=tuple(responses),
        windows=tuple(step.window for step in steps),
        steps=tuple(step.row() for step in steps),
        findings=tuple(findings),
    )


def _find_steps(
    run: PreparedRun, plan: StaircasePlan
) -> tuple[list[tuple[Direction, float, Stretch]], list[str]]:
    """Steps in the throttle in the order planned, and the words for those that are missing."""
    time = run.frame["time_s"].to_numpy(dtype=np.float64)
    throttle = run.frame["throttle"].to_numpy(dtype=np.float64)
    found = plateaus(
        time, throttle, tolerance=THROTTLE_TOLERANCE / 2.0, min_duration_s=SHORTEST_STEP * plan.step_s
    )
    ways: list[tuple[Direction, float]] = [("up", level) for level in plan.throttle]
    if plan.down:
        back = plan.throttle[::-1]
        # the top step is often held once and counted for both ways
        tops = [s for s in found if abs(s.level - back[0]) <= THROTTLE_TOLERANCE]
        ways += [("down", level) for level in (back if len(tops) > 1 else back[1:])]
    hits = matched(found, [level for _, level in ways], THROTTLE_TOLERANCE)
    steps = [(way, level, hit) for (way, level), hit in zip(ways, hits, strict=True) if hit is not None]
    missing = [
        f"{way} {100 * level:.0f} %" for (way, level), hit in zip(ways, hits, strict=True) if hit is None
    ]
    return steps, missing


def _window(direction: Direction, throttle: float, stretch: Stretch, plan: StaircasePlan) -> Window:
    stop = stretch.stop_s - EDGE_S
    start = max(stretch.start_s, stop - plan.average_s)
    return Window(kind="averaged", label=f"{direction} {100 * throttle:.0f} %", start_s=start, stop_s=stop)


def _top(steps: Sequence[StepMeans]) -> Iterator[RunResponse]:
    """Speed and thrust of the highest step, both ways averaged."""
    highest = max(step.throttle for step in steps)
    top = [step for step in steps if step.throttle == highest]
    for kind, column, factor in (
        (kinds.TOP_SPEED, "speed_rpm", 1.0),
        (kinds.TOP_THRUST, "thrust_n", GF_PER_N),
    ):
        values = [step.measured(column) * factor for step in top if step.means.has(column)]
        if values:
            centre, parts = components(sum(values) / len(values))
            yield RunResponse(response=kind.name, at=(), value=centre, components=parts, window=top[0].window)


def _read_curves(
    steps: Sequence[StepMeans], plan: StaircasePlan, findings: list[Finding]
) -> Iterator[RunResponse]:
    """Every response at every stated condition that both the plan and the channels allow."""
    at = plan.compare_at
    axes: tuple[tuple[str, str, float, tuple[float, ...], tuple[tuple[ResponseKind, str, float], ...]], ...] = (
        ("thrust_gf", "thrust_n", GF_PER_N, at.thrust_n,
         ((kinds.ELECTRICAL_POWER, "power_w", 1.0), (kinds.SPEED, "speed_rpm", 1.0),
          (kinds.SOUND_LEVEL, "sound_level_db", 1.0))),
        ("speed_rpm", "speed_rpm", 1.0, at.speed_rpm,
         ((kinds.ELECTRICAL_POWER, "power_w", 1.0), (kinds.THRUST, "thrust_n", GF_PER_N),
          (kinds.SOUND_LEVEL, "sound_level_db", 1.0))),
        ("throttle_percent", "throttle", 100.0, at.throttle,
         ((kinds.ELECTRICAL_POWER, "power_w", 1.0), (kinds.THRUST, "thrust_n", GF_PER_N),
          (kinds.SPEED, "speed_rpm", 1.0))),
    )  # fmt: skip
    for name, x_column, x_factor, conditions, wanted in axes:
        for x in conditions:
            here: At = ((name, round(x * x_factor, 6)),)
            values: dict[str, Number] = {}
            for kind, y_column, factor in wanted:
                value = _both_ways(steps, x_column, y_column, x)
                if isinstance(value, str):
                    findings.append(
                        Finding(
                            kind="outside curve",
                            channel=y_column,
                            sentence=f"{kind.label} at {x * x_factor:g} {_words(name)}: {value}.",
                        )
                    )
                    break
                if value is not None:
                    values[kind.name] = value * factor
                    yield _response(kind, here, values[kind.name])
            if kinds.ELECTRICAL_POWER.name in values:
                thrust = x * GF_PER_N if name == "thrust_gf" else values.get(kinds.THRUST.name)
                if thrust is not None:
                    yield _response(
                        kinds.THRUST_PER_POWER, here, thrust / values[kinds.ELECTRICAL_POWER.name]
                    )


def _words(axis: str) -> str:
    return {"thrust_gf": "gf", "speed_rpm": "rpm", "throttle_percent": "% throttle"}[axis]


def _response(kind: ResponseKind, at: At, value: Number) -> RunResponse:
    centre, parts = components(value)
    return RunResponse(response=kind.name, at=at, value=centre, components=parts)


def _both_ways(steps: Sequence[StepMeans], x_column: str, y_column: str, x: float) -> Number | str | None:
    """Value of the curve at x, up and down averaged; why not, if it is not covered; None if not measured."""
    ways: list[Number] = []
    reason = ""
    for direction in ("up", "down"):
        # the top step belongs to both ways, so that the way down reaches as far as the way up
        highest = max(step.throttle for step in steps)
        own = [
            s for s in steps if s.direction == direction or (direction == "down" and s.throttle == highest)
        ]
        own = [s for s in own if s.means.has(y_column) and (x_column == "throttle" or s.means.has(x_column))]
        if len(own) < 3:
            continue
        xs: list[Number] = [s.throttle if x_column == "throttle" else s.measured(x_column) for s in own]
        ys: list[Number] = [s.measured(y_column) for s in own]
        try:
            ways.append(_interpolated(xs, ys, already_logarithmic=y_column == "sound_level_db")(x))
        except (OutsideCurve, ValueError) as error:
            reason = str(error)
    if not ways:
        return reason or None
    if len(ways) == 1:
        return ways[0]
    half = abs(nominal(ways[0]) - nominal(ways[1])) / 2.0
    return (ways[0] + ways[1]) / 2.0 + variable(0.0, half / math.sqrt(3.0), "hysteresis")


def _interpolated(
    xs: Sequence[Number], ys: Sequence[Number], *, already_logarithmic: bool
) -> Callable[[float], Number]:
    """The curve as a function whose result carries the uncertainty of every step, shared errors shared.

    already_logarithmic  True for a level in dB: its logarithm means nothing, so it is interpolated as it is

    Source  interpolation as in `curves.interpolate_power_law`; derivatives by each step's mean numerically,
            through `uncertainties.wrap` (JCGM 100:2008, note 2 to 5.1.3)
    """
    count = len(xs)

    def plain(x: float, *numbers: float) -> float:
        knots, values = np.array(numbers[:count]), np.array(numbers[count:])
        order = np.argsort(knots)
        curve = make_curve(knots[order], values[order], np.zeros(count))
        return float((interpolate if already_logarithmic else interpolate_power_law)(curve, x)[0])

    wrapped = uncertainties.wrap(plain)
    return lambda x: wrapped(x, *xs, *ys)


STAIRCASE = Procedure(
    name="staircase",
    plan=StaircasePlan,
    needs=("throttle", "speed"),
    responses=(
        kinds.ELECTRICAL_POWER,
        kinds.THRUST,
        kinds.THRUST_PER_POWER,
        kinds.SPEED,
        kinds.TOP_SPEED,
        kinds.TOP_THRUST,
        kinds.SOUND_LEVEL,
    ),
    reduce=reduce_staircase,
    about="The throttle climbs in steps and comes down again; curves through the steps are read at equal conditions.",
)
