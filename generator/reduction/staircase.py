"""Staircase: throttle steps up and down; curves read at equal thrust, equal speed and equal throttle."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence
from typing import Annotated, Self

import numpy as np
import uncertainties
from numpy.typing import NDArray
from pydantic import Field, model_validator

from generator.intake.parts import Record, key
from generator.intake.quantities import Force, Ratio, Speed, Time
from generator.reduction import response_kinds as kinds
from generator.reduction.constants import fitted_constants
from generator.reduction.curves import FEWEST_POINTS, interpolate, interpolate_power_law, make_curve
from generator.reduction.levels import EDGE_S, Stretch, matched, plateaus
from generator.reduction.measured import (
    GF_PER_N,
    Number,
    RigErrors,
    components,
    nominal,
    variable,
)
from generator.reduction.readings import hover_readings, preferred_readings
from generator.reduction.records import (
    At,
    Finding,
    Outcome,
    PreparedRun,
    Procedure,
    ResponseKind,
    RunResponse,
    Window,
)
from generator.reduction.steady import SteadyPoint, Way

Array = NDArray[np.float64]
# Throttle steps are told apart from each other within this, absolute. Our own choice, no source.
THROTTLE_TOLERANCE = 0.015
SHORTEST_STEP = 0.6  # share of the planned step time; our own choice, no source
LOGARITHMIC = ("sound_level_db",)
CLEAR_OF_ZERO = 3.0  # times its standard uncertainty a value must be to stand on a power law; our own choice
SAME_X = 0.003  # steps whose speed or thrust differs by less are one point; our own choice, no source
Points = list[tuple[Number, Number]]  # (x, y) with their uncertainties, in the order of x


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

    @model_validator(mode="after")
    def _steps_rise(self) -> Self:
        if any(upper - lower < THROTTLE_TOLERANCE for lower, upper in itertools.pairwise(self.throttle)):
            raise ValueError(
                f"throttle: each step must be at least {100 * THROTTLE_TOLERANCE:g} % above the one before"
            )
        if not 0.0 <= self.throttle[0] <= self.throttle[-1] <= 1.0:
            raise ValueError("throttle: steps go from 0 % to 100 %")
        return self


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
    errors = RigErrors(run.setup.rig, run.zero_u)
    steps = [
        SteadyPoint(
            run, errors, _window(direction, throttle, stretch, plan), way=direction, throttle=throttle
        )
        for direction, throttle, stretch in found
    ]
    if len([step for step in steps if step.way == "up"]) < 3:
        sentence = "Fewer than three steps of the way up were found, so there is no curve. Not used."
        return Outcome(
            findings=(
                *findings,
                Finding(kind="not reached", channel="throttle", grade="refused", sentence=sentence),
            )
        )
    responses = [*_top(steps, plan), *_read_curves(steps, plan, findings)]
    return Outcome(
        responses=tuple(responses),
        windows=tuple(step.window for step in steps),
        steps=tuple(step.row() for step in steps),
        constants=fitted_constants(run, steps),
        readings=(*preferred_readings(run, steps), *hover_readings(run, steps)),
        findings=tuple(findings),
    )


def _find_steps(run: PreparedRun, plan: StaircasePlan) -> tuple[list[tuple[Way, float, Stretch]], list[str]]:
    """Steps in the throttle in the order planned, and the words for those that are missing."""
    time = run.frame["time_s"].to_numpy(dtype=np.float64)
    throttle = run.frame["throttle"].to_numpy(dtype=np.float64)
    found = plateaus(
        time, throttle, tolerance=THROTTLE_TOLERANCE / 2.0, min_duration_s=SHORTEST_STEP * plan.step_s
    )
    ways: list[tuple[Way, float]] = [("up", level) for level in plan.throttle]
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


def _window(direction: Way, throttle: float, stretch: Stretch, plan: StaircasePlan) -> Window:
    stop = stretch.stop_s - EDGE_S
    start = max(stretch.start_s, stop - plan.average_s)
    return Window(kind="averaged", label=f"{direction} {100 * throttle:.0f} %", start_s=start, stop_s=stop)


def _top(steps: Sequence[SteadyPoint], plan: StaircasePlan) -> Iterator[RunResponse]:
    """Speed and thrust of the highest planned step, both ways averaged; nothing if it was not found."""
    top = [step for step in steps if step.planned == max(plan.throttle)]
    for kind, column, factor in (
        (kinds.TOP_SPEED, "speed_rpm", 1.0),
        (kinds.TOP_THRUST, "thrust_n", GF_PER_N),
    ):
        values = [step.measured(column) * factor for step in top if step.means.has(column)]
        if values:
            centre, parts = components(sum(values) / len(values))
            yield RunResponse(response=kind.name, at=(), value=centre, components=parts, window=top[0].window)


def _read_curves(
    steps: Sequence[SteadyPoint], plan: StaircasePlan, findings: list[Finding]
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
        for x in dict.fromkeys(conditions):
            here: At = ((name, round(x * x_factor, 6)),)
            values: dict[str, Number] = {}
            for kind, y_column, factor in wanted:
                ways = _ways(steps, x_column, y_column)
                if not ways:
                    continue
                read = [_interpolated(points, y_column, x) for points in ways if _covers(points, x)]
                if not read:
                    findings.append(_outside(kind, y_column, ways, (x, x_factor, name)))
                    continue
                values[kind.name] = _averaged(read) * factor
                yield _response(kind, here, values[kind.name])
            power = values.get(kinds.ELECTRICAL_POWER.name)
            thrust = x * GF_PER_N if name == "thrust_gf" else values.get(kinds.THRUST.name)
            if power is not None and thrust is not None:
                yield _response(kinds.THRUST_PER_POWER, here, thrust / power)


def _outside(
    kind: ResponseKind, column: str, ways: Sequence[Points], wanted: tuple[float, float, str]
) -> Finding:
    x, factor, axis = wanted
    unit = {"thrust_gf": "gf", "speed_rpm": "rpm", "throttle_percent": "% throttle"}[axis]
    low, high = (
        bound(nominal(point[0]) for points in ways for point in points) * factor for bound in (min, max)
    )
    return Finding(
        kind="outside curve",
        channel=column,
        grade="refused",
        sentence=(
            f"{kind.label} at {x * factor:.4g} {unit}: outside the steps, which reach from {low:.4g} to "
            f"{high:.4g} {unit}. Not used."
        ),
    )


def _response(kind: ResponseKind, at: At, value: Number) -> RunResponse:
    centre, parts = components(value)
    return RunResponse(response=kind.name, at=at, value=centre, components=parts)


def _ways(steps: Sequence[SteadyPoint], x_column: str, y_column: str) -> list[Points]:
    """Points of the way up and of the way down, each with three at least; empty if not measured.

    Power laws need values above zero: steps at which the motor stands, or a channel does not stand out of
    its own uncertainty, are left out.
    """
    ways: list[Points] = []
    tops = {
        way: max((s.planned or 0.0 for s in steps if s.way == way), default=0.0) for way in ("up", "down")
    }
    for direction in ("up", "down"):
        # a top step held once belongs to both ways, so that the way down reaches as far as the way up
        own = [
            step
            for step in steps
            if step.way == direction
            or (direction == "down" and 0.0 < tops["down"] < tops["up"] == step.planned)
        ]
        points = [(s.measured(x_column), s.measured(y_column)) for s in sorted(own, key=_throttle_of)]
        points = [(x, y) for x, y in points if _clear(x, "") and _clear(y, y_column)]
        points = _joined(points)
        if len(points) >= FEWEST_POINTS:
            ways.append(points)
    return ways


def _throttle_of(step: SteadyPoint) -> float:
    return step.planned or 0.0


def _clear(value: Number, column: str) -> bool:
    """Whether a value can stand on a curve: known, and for a power law clearly above zero."""
    size, doubt = nominal(value), float(getattr(value, "std_dev", 0.0))
    return math.isfinite(size) and (column in LOGARITHMIC or size > CLEAR_OF_ZERO * doubt)


def _joined(points: Points) -> Points:
    """Points in the order of throttle, neighbours of nearly the same x averaged.

    Above a cap the throttle changes and the speed does not: such steps differ by noise alone, and a curve
    through them would follow the noise.
    """
    groups: list[Points] = []
    for point in points:
        if groups and nominal(point[0]) <= nominal(groups[-1][0][0]) * (1.0 + SAME_X):
            groups[-1].append(point)
        else:
            groups.append([point])
    return [
        (sum(x for x, _ in group) / len(group), sum(y for _, y in group) / len(group)) for group in groups
    ]


def _covers(points: Points, x: float) -> bool:
    """Whether x lies on the curve, a rounding error at its ends allowed."""
    first, last = nominal(points[0][0]), nominal(points[-1][0])
    return first * (1.0 - 1e-9) <= x <= last * (1.0 + 1e-9)


def _averaged(ways: Sequence[Number]) -> Number:
    """Mean of the way up and the way down, half of their difference as a rectangular width for hysteresis."""
    if len(ways) == 1:
        return ways[0]
    half = abs(nominal(ways[0]) - nominal(ways[1])) / 2.0
    return (ways[0] + ways[1]) / 2.0 + variable(0.0, half / math.sqrt(3.0), "hysteresis")


def _interpolated(points: Points, y_column: str, x: float) -> Number:
    """The curve at x, carrying the uncertainty of every step, shared errors shared.

    A level in dB is a logarithm already and is interpolated as it is; everything else as a power law.
    Source  interpolation as in `curves`: between two steps it depends on these and one more on either side,
            so only those are used. Derivatives by each step's mean numerically, through `uncertainties.wrap`
            (JCGM 100:2008, note 2 to 5.1.3). A derivative at an end of the curve moves that end, so x is held
            inside it.
    """
    right = min(max(sum(nominal(point[0]) <= x for point in points), 1), len(points) - 1)
    near = points[max(right - 2, 0) : right + 2]
    count = len(near)

    def plain(*numbers: float) -> float:
        curve = make_curve(np.array(numbers[:count]), np.array(numbers[count:]), np.zeros(count))
        inside = min(max(x, curve.lowest), curve.highest)
        return float((interpolate if y_column in LOGARITHMIC else interpolate_power_law)(curve, inside)[0])

    value: Number = uncertainties.wrap(plain)(*(point[0] for point in near), *(point[1] for point in near))
    return value


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
