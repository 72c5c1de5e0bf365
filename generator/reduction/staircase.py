"""Staircase: throttle steps up and down; curves read at equal thrust, equal speed and equal throttle."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from typing import Annotated, Self

import numpy as np
from pydantic import Field, model_validator

from generator.intake.parts import Record, key
from generator.intake.quantities import Force, Ratio, Speed, Time
from generator.reduction import response_kinds as kinds
from generator.reduction.constants import constant_findings, fitted_constants
from generator.reduction.levels import EDGE_S, Stretch, matched, plateaus
from generator.reduction.measured import GF_PER_N, RigErrors, components
from generator.reduction.readings import (
    AXES,
    SOUND,
    Axis,
    KindReading,
    as_responses,
    hover_readings,
    preferred_readings,
    read_axis,
)
from generator.reduction.records import At, Finding, Outcome, PreparedRun, Procedure, RunResponse, Window
from generator.reduction.run_curves import Means, tabulate
from generator.reduction.steadiness import hysteresis, unsettled
from generator.reduction.steady import SteadyPoint, Way

# Throttle steps are told apart from each other within this, absolute. Our own choice, no source.
THROTTLE_TOLERANCE = 0.015
SHORTEST_STEP = 0.6  # share of the planned step time; our own choice, no source


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
    compare_at: CompareAt = Field(
        CompareAt.model_construct(), description="Conditions at which the treatments are compared."
    )

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
    errors = RigErrors.of(run)
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
    means = tabulate(steps)
    responses = [*_top(steps, plan), *read_curves(means, plan.compare_at, findings)]
    constants = fitted_constants(run, steps)
    findings += [*unsettled(steps), *hysteresis(means), *constant_findings(run, steps, constants)]
    return Outcome(
        responses=tuple(responses),
        windows=tuple(step.window for step in steps),
        steps=tuple(step.row() for step in steps),
        constants=constants,
        readings=(*preferred_readings(run, steps, means), *hover_readings(run, steps, means)),
        findings=tuple(findings),
    )


def _find_steps(run: PreparedRun, plan: StaircasePlan) -> tuple[list[tuple[Way, float, Stretch]], list[str]]:
    """Steps in the throttle in the order planned, and the words for those that are missing."""
    time = run.columns["time_s"]
    throttle = run.columns["throttle"]
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


def read_curves(
    means: Means, compare_at: CompareAt, findings: list[Finding], of: str = "steps"
) -> Iterator[RunResponse]:
    """Every response at every stated condition that both the plan and the channels allow.

    of  what the curves go through, for the findings about conditions outside them, which are added to `findings`
    """
    asked = {
        "thrust_gf": compare_at.thrust_n,
        "speed_rpm": compare_at.speed_rpm,
        "throttle_percent": compare_at.throttle,
    }
    for axis in AXES:
        conditions = tuple(dict.fromkeys(asked[axis.name]))
        if not conditions:
            continue
        at: list[At] = [((axis.name, round(x * axis.factor, 6)),) for x in conditions]
        more = () if axis.name == "throttle_percent" else (SOUND,)
        found: list[tuple[int, RunResponse]] = []
        for kind in read_axis(means, axis, np.array(conditions), more):
            found += as_responses(kind.kind, kind.reading, at, means.sources)
            if kind.column:
                outside = np.flatnonzero(~np.isfinite(kind.reading.values))
                findings += [_outside(kind, axis, conditions[place], of) for place in outside]
        yield from (response for _, response in sorted(found, key=lambda item: item[0]))


def _outside(kind: KindReading, axis: Axis, wanted: float, of: str) -> Finding:
    low, high = (bound * axis.factor for bound in kind.reaches)
    return Finding(
        kind="outside curve",
        channel=kind.column,
        grade="refused",
        sentence=(
            f"{kind.kind.label} at {wanted * axis.factor:.4g} {axis.unit}: outside the {of}, which reach from "
            f"{low:.4g} to {high:.4g} {axis.unit}. Not used."
        ),
    )


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
