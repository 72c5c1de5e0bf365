"""Free run: the motor without a propeller at several throttles or speeds; its KV and what it takes to turn itself."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence
from typing import Annotated, ClassVar, Self

import pandas as pd
from pydantic import Field, model_validator

from generator.intake.parts import Record, key
from generator.intake.quantities import Ratio, Speed, Time
from generator.reduction import response_kinds as kinds
from generator.reduction.free_run_fit import FreeRun, FreeRunPoint, free_run_points, kv_of, line_of
from generator.reduction.levels import EDGE_S, last_steady, matched, plateaus
from generator.reduction.measured import GF_PER_N, Number, RigErrors, components, nominal
from generator.reduction.motor_fit import clear
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
from generator.reduction.staircase import SHORTEST_STEP, THROTTLE_TOLERANCE
from generator.reduction.steady import SteadyPoint

# Largest miss of a held speed; the free-run current changes little over it. Our own choice, no source.
SPEED_TOLERANCE = 0.03
# A reading this far outside the line's ends is still on it; our own choice, no source.
AT_END = 0.01
# A load cell that shows more than this, clear of its noise, says that a propeller is on. Our own choice, no source.
PROPELLER_THRUST_GF = 5.0
# A motor without a propeller takes a small part of what one with it takes; so many times the stated free-run current
# says that something brakes it. Our own choice, no source.
BRAKED = 4.0


class FreeRunPlan(Record):
    """`free-run:` in session.yaml."""

    propeller_off: ClassVar[bool] = True

    throttle: Annotated[tuple[Ratio, ...], Field(max_length=40)] = Field(
        (),
        description="Throttles to hold one after the other; 100 % is worth having, since nothing switches there.",
    )
    speed_rpm: Annotated[tuple[Speed, ...], Field(max_length=40)] = key(
        "speed", "Speeds to hold, instead of throttles.", default=()
    )
    read_at_rpm: Annotated[tuple[Speed, ...], Field(max_length=40)] = key(
        "read_at",
        "Speeds at which runs by throttle are compared, read off the line through them.",
        default=(),
    )
    hold_s: Time = key("hold", "How long each throttle or speed is held.", default=3.0, gt=0)
    average_s: Time = key("average", "Averaged at the end of each.", default=1.5, gt=0)

    @model_validator(mode="after")
    def _one_pattern(self) -> Self:
        if bool(self.throttle) == bool(self.speed_rpm):
            raise ValueError("give either `throttle` or `speed`")
        if any(
            upper - lower < THROTTLE_TOLERANCE for lower, upper in itertools.pairwise(sorted(self.throttle))
        ):
            raise ValueError(f"throttle: levels must be at least {100 * THROTTLE_TOLERANCE:g} % apart")
        if any(not 0.0 < level <= 1.0 for level in self.throttle):
            raise ValueError("throttle: levels lie above 0 % and at most at 100 %")
        if self.average_s >= self.hold_s:
            raise ValueError("average: must be shorter than `hold`")
        return self


def reduce_free_run(run: PreparedRun) -> Outcome:
    """Responses and constants of one run without a propeller.

    Electrical power less copper loss is what the motor turns with: drag torque = that over angular speed, free-run
    current = that over back-EMF n/KV. What switching takes in controller and iron at part throttle is in both; the
    constants, which are the motor's own, have it taken out with its doubt (`free_run_fit`).
    """
    plan = run.plan
    assert isinstance(plan, FreeRunPlan)
    errors = RigErrors.of(run)
    held, findings = _held(run, plan, errors)
    points = free_run_points(run, held)
    if not points:
        return _refused([*findings, _gone("speed_rpm", "No throttle or speed was held with speed, voltage and current"
                                          " clear of their noise. Not used.")])  # fmt: skip
    propeller = _propeller_on(points)
    if propeller is not None:
        return _refused([*findings, propeller])
    kv, kv_findings = kv_of(run, points)
    findings += kv_findings
    free = FreeRun(points=points, kv_rpm_v=kv.value)
    findings += _braked(run, free)
    responses = [*_responses(run, plan, free, findings)]
    if kv.fitted:
        responses.insert(0, _response(kinds.EFFECTIVE_KV.name, (), kv.value))
    return Outcome(
        responses=tuple(responses),
        constants=tuple(_constants(free, fitted_kv=kv.fitted)),
        windows=tuple(point.steady.window for point in points),
        fitted=_drawn(free),
        findings=tuple(findings),
    )


def _refused(findings: Sequence[Finding]) -> Outcome:
    return Outcome(findings=tuple(findings))


def _gone(channel: str, sentence: str) -> Finding:
    return Finding(kind="not reached", channel=channel, grade="refused", sentence=sentence)


def _held(run: PreparedRun, plan: FreeRunPlan, errors: RigErrors) -> tuple[list[SteadyPoint], list[Finding]]:
    """Stretches in the order planned, and those that were not held."""
    time, made, findings = run.columns["time_s"], [], []
    if plan.throttle:
        if "throttle" not in run.columns:
            return [], [_gone("throttle", "The plan holds throttles, but the log has no throttle. Not used.")]
        found = plateaus(
            time, run.columns["throttle"],
            tolerance=THROTTLE_TOLERANCE / 2.0, min_duration_s=SHORTEST_STEP * plan.hold_s,
        )  # fmt: skip
        for level, hit in zip(plan.throttle, matched(found, plan.throttle, THROTTLE_TOLERANCE), strict=True):
            if hit is None:
                words = f"Throttle {100.0 * level:.0f} % was not found in the log. Left out."
                findings.append(
                    Finding(kind="step missing", channel="throttle", grade="doubtful", sentence=words)
                )
                continue
            stop = hit.stop_s - EDGE_S
            window = Window(
                kind="averaged", label=f"{100.0 * level:.0f} %",
                start_s=max(hit.start_s, stop - plan.average_s), stop_s=stop,
            )  # fmt: skip
            made.append(SteadyPoint(run, errors, window, throttle=level))
        return made, findings
    targets = tuple(dict.fromkeys(plan.speed_rpm))
    for target in targets:
        near = min((abs(other / target - 1.0) / 2.0 for other in targets if other != target), default=1.0)
        steady = last_steady(
            time, run.columns["speed_rpm"], target,
            tolerance=min(SPEED_TOLERANCE, near), settle_s=0.0, window_s=plan.average_s,
        )  # fmt: skip
        if steady is None:
            words = f"{target:.0f} rpm was not held for {plan.average_s:g} s without a propeller. Not used."
            findings.append(
                Finding(kind="speed missed", channel="speed_rpm", grade="refused", sentence=words)
            )
            continue
        window = Window(
            kind="averaged", label=f"{target:.0f} rpm", start_s=steady.start_s, stop_s=steady.stop_s
        )
        made.append(SteadyPoint(run, errors, window, at=(("speed_rpm", float(target)),)))
    return made, findings


def _propeller_on(points: Sequence[FreeRunPoint]) -> Finding | None:
    """Thrust where there must be none."""
    fastest = max(points, key=lambda point: nominal(point.speed_rpm)).steady
    thrust = fastest.measured("thrust_n")
    if not clear(thrust) or nominal(thrust) * GF_PER_N < PROPELLER_THRUST_GF:
        return None
    return Finding(
        kind="propeller on",
        channel="thrust_n",
        grade="refused",
        sentence=f"The load cell shows {nominal(thrust) * GF_PER_N:.3g} gf at {fastest.window.label}: a propeller "
        "seems to be on, so this is no free run. Not used.",
    )  # fmt: skip


def _braked(run: PreparedRun, free: FreeRun) -> Iterator[Finding]:
    stated = run.setup.motor.free_run_current_a
    fastest = max(free.points, key=lambda point: nominal(point.speed_rpm))
    current = nominal(free.current_a(fastest))
    if stated is not None and current > BRAKED * stated:
        yield Finding(
            kind="braked",
            channel="current_a",
            grade="doubtful",
            sentence=f"At {nominal(fastest.speed_rpm):.0f} rpm the motor takes {current:.3g} A, more than {BRAKED:g} "
            f"times the stated free-run current of {stated:.3g} A: something rubs, or a propeller is on.",
        )


def _responses(
    run: PreparedRun, plan: FreeRunPlan, free: FreeRun, findings: list[Finding]
) -> Iterator[RunResponse]:
    """Current, power and drag torque at every speed: at those held, else off the line through the points."""
    line = line_of(free, [free.current_a(point) for point in free.points])
    if plan.speed_rpm:
        for point in free.points:
            ((_, target),) = point.steady.at
            current = free.current_a(point)
            if line is not None:  # a small miss of the speed follows the line's slope
                current = current + nominal(line.slope_a_rpm) * (target - point.speed_rpm)
            yield from _at_speed(free, target, current, point, point.steady.window)
        return
    speeds = [nominal(point.speed_rpm) for point in free.points]
    for target in dict.fromkeys(plan.read_at_rpm):
        if line is None or not min(speeds) * (1.0 - AT_END) <= target <= max(speeds) * (1.0 + AT_END):
            findings.append(
                Finding(
                    kind="outside curve", channel="current_a", grade="refused",
                    sentence=f"Free-run current at {target:.0f} rpm: outside the speeds held, which reach from "
                    f"{min(speeds):.0f} to {max(speeds):.0f} rpm, or fewer than three of them. Not used.",
                )
            )  # fmt: skip
            continue
        nearest = min(free.points, key=lambda point: abs(nominal(point.speed_rpm) - target))
        yield from _at_speed(free, float(target), line.at(target), nearest, None)


def _at_speed(
    free: FreeRun, target: float, current: Number, point: FreeRunPoint, window: Window | None
) -> Iterator[RunResponse]:
    at: At = (("speed_rpm", float(target)),)
    emf = target / free.kv_rpm_v
    copper = point.resistance_ohm * free.winding_a(point) ** 2
    values: tuple[tuple[ResponseKind, Number], ...] = (
        (kinds.FREE_RUN_CURRENT, current),
        (kinds.FREE_RUN_POWER, emf * current + copper),
        (kinds.DRAG_TORQUE, emf * current / (target * 2.0 * math.pi / 60.0)),
    )
    for kind, value in values:
        yield _response(kind.name, at, value, window)


def _constants(free: FreeRun, *, fitted_kv: bool) -> Iterator[RunResponse]:
    """KV; the motor's own free-run current at every point; and the line through it over speed."""
    if fitted_kv:
        yield _response("kv", (), free.kv_rpm_v)
    currents = [free.own_current_a(point) for point in free.points]
    for point, current in zip(free.points, currents, strict=True):
        at = point.steady.at
        if not at:
            at = (("throttle_percent", round(100.0 * (point.steady.planned or 0.0), 6)),)
            yield _response("speed", at, point.speed_rpm)
        yield _response("free_run_current", at, current, point.steady.window)
    line = line_of(free, currents)
    if line is not None:
        yield _response("free_run_current_standing", (), line.standing_a)
        yield _response("free_run_current_slope", (), 1e6 * line.slope_a_rpm)


def _drawn(free: FreeRun) -> pd.DataFrame:
    """For the run's chart: current of every point with its uncertainty, and the line through them, by rising speed."""
    currents = [free.current_a(point) for point in free.points]
    line = line_of(free, currents)
    made = pd.DataFrame(
        {
            "time_s": [0.5 * (p.steady.window.start_s + p.steady.window.stop_s) for p in free.points],
            "speed_rpm": [nominal(p.speed_rpm) for p in free.points],
            "free_run_current_a": [nominal(current) for current in currents],
            "doubt_a": [float(getattr(current, "std_dev", 0.0)) for current in currents],
            "line_a": [
                math.nan if line is None else nominal(line.at(nominal(p.speed_rpm))) for p in free.points
            ],
        }
    )
    return made.sort_values("speed_rpm", ignore_index=True)


def _response(name: str, at: At, value: Number, window: Window | None = None) -> RunResponse:
    centre, parts = components(value)
    return RunResponse(response=name, at=at, value=centre, components=parts, window=window)


FREE_RUN = Procedure(
    name="free-run",
    plan=FreeRunPlan,
    needs=("speed", "voltage", "current"),
    responses=(kinds.EFFECTIVE_KV, kinds.FREE_RUN_CURRENT, kinds.FREE_RUN_POWER, kinds.DRAG_TORQUE),
    reduce=reduce_free_run,
    about="The motor turns without a propeller at several throttles or speeds: its KV, and what it takes to turn.",
)
