"""Spin-up: steps between two speeds, again and again; every step in the terms of IEEE 181."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Annotated, Self

import numpy as np
from numpy.typing import NDArray
from pydantic import Field, model_validator

from generator.intake.parts import Record, key
from generator.intake.quantities import Speed, Time
from generator.reduction import response_kinds as kinds
from generator.reduction.levels import smoothed, stretches
from generator.reduction.measured import RigErrors, components, mean_and_error
from generator.reduction.records import (
    At,
    Component,
    Finding,
    Outcome,
    PreparedRun,
    Procedure,
    ResponseKind,
    RunResponse,
    Window,
)
from generator.reduction.transitions import NoTransition, Transition, find_transition

Array = NDArray[np.float64]
# A plateau belongs to the planned speed nearest to it, if not further away than this. Our own choice.
NEAR_TARGET = 0.10
# A first-order lag tau stretches a 10-90 duration by ln 9 · tau in quadrature (exact for Gaussian edges).
LAG_DURATION = math.log(9.0)
# Below this multiple of the lag's own duration a rise time is the sensor's, not the motor's.
LAG_LIMIT = 1.5
# A smaller rise of the throttle than this is no command. Our own choice, no source.
SMALLEST_COMMAND = 0.02


class SpinUpPlan(Record):
    """`spin-up:` in session.yaml."""

    from_rpm: Speed = key("from", "Speed before each step.", gt=0)
    to_rpm: Annotated[tuple[Speed, ...], Field(min_length=1, max_length=20)] = key("to", "Speeds to step to.")
    cycles: Annotated[int, Field(ge=1, le=2000)] = Field(description="Steps to each speed in one run.")
    dwell_s: Time = key("dwell", "Time at each level.", default=1.0, gt=0)

    @model_validator(mode="after")
    def _steps_go_up(self) -> Self:
        if min(self.to_rpm) <= self.from_rpm:
            raise ValueError("every speed under `to` must lie above `from`")
        if len(set(self.to_rpm)) < len(self.to_rpm):
            raise ValueError("a speed under `to` is given twice; `cycles` says how often each is run")
        return self


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One excursion from the low to a planned speed and back. Times in seconds; peak in A, NaN without current."""

    target_rpm: float
    rising: Transition
    falling: Transition | None
    start_s: float
    stop_s: float
    peak_a: float


def reduce_spin_up(run: PreparedRun) -> Outcome:
    """Mean of each IEEE 181 quantity over the cycles, for every planned speed, and every cycle's own value."""
    plan = run.plan
    assert isinstance(plan, SpinUpPlan)
    time = run.frame["time_s"].to_numpy(dtype=np.float64)
    speed = run.frame["speed_rpm"].to_numpy(dtype=np.float64)
    steps, missed = _steps(run, time, speed, plan)
    responses: list[RunResponse] = []
    findings: list[Finding] = []
    if missed:
        findings.append(
            Finding(
                kind="unclear step", channel="speed_rpm", count=missed,
                sentence=f"Steps that could not be read and are left out: {missed}.",
            )
        )  # fmt: skip
    for target in plan.to_rpm:
        own = [step for step in steps if step.target_rpm == target]
        if not own:
            findings.append(
                Finding(
                    kind="not reached", channel="speed_rpm", grade="refused",
                    sentence=f"No step from {plan.from_rpm:.0f} to {target:.0f} rpm was found. Not used.",
                )
            )  # fmt: skip
            continue
        if len(own) != plan.cycles:
            findings.append(
                Finding(
                    kind="cycles", channel="speed_rpm",
                    sentence=f"Steps to {target:.0f} rpm found: {len(own)}; planned: {plan.cycles}.",
                )
            )  # fmt: skip
        responses += list(_responses(run, own, target, findings))
    windows = tuple(
        Window(
            kind="transition",
            label=f"to {s.target_rpm:.0f} rpm",
            start_s=s.rising.t10_s,
            stop_s=s.rising.t90_s,
        )
        for s in steps
    )
    return Outcome(responses=tuple(responses), windows=windows, findings=tuple(findings))


def _steps(run: PreparedRun, time: Array, speed: Array, plan: SpinUpPlan) -> tuple[list[Step], int]:
    """Every readable excursion above the low speed, and how many could not be read."""
    smooth = smoothed(time, speed, 0.03)
    threshold = plan.from_rpm + 0.35 * (min(plan.to_rpm) - plan.from_rpm)
    above = [(a, b) for a, b in stretches(smooth > threshold) if time[b] - time[a] >= 0.3 * plan.dwell_s]
    throttle = run.frame["throttle"].to_numpy(dtype=np.float64) if "throttle" in run.frame else None
    current = run.frame["current_a"].to_numpy(dtype=np.float64) if "current_a" in run.frame else None
    found: list[Step] = []
    missed = 0
    for place, (first, last) in enumerate(above):
        begin = (
            float(time[above[place - 1][1]])
            if place
            else max(float(time[0]), float(time[first]) - plan.dwell_s)
        )
        begin = max(begin, float(time[first]) - 0.9 * plan.dwell_s)
        end = float(time[above[place + 1][0]]) if place + 1 < len(above) else float(time[-1])
        end = min(end, float(time[last]) + 0.9 * plan.dwell_s)
        top = float(np.median(smooth[first + (last - first) // 2 : last + 1]))
        target = min(plan.to_rpm, key=lambda wanted: abs(top - wanted))
        if abs(top / target - 1.0) > NEAR_TARGET:
            missed += 1
            continue
        before = (time >= begin) & (time < time[first]) & (smooth < threshold)
        low = _level(time, speed, before, last_half=True)
        if low is None or abs(low - plan.from_rpm) > 0.25 * (target - plan.from_rpm):
            missed += 1  # a step from standstill, or out of another level
            continue
        settled = (time >= time[first] + 0.5 * (time[last] - time[first])) & (time <= time[last])
        high = _level(time, speed, settled, last_half=False) or top
        edge, edge_u = _command_edge(time, throttle, begin, float(time[first]) + 0.3 * plan.dwell_s)
        try:
            rising = find_transition(
                time, speed, low, high, begin, float(time[last]),
                command_edge_s=edge, command_edge_uncertainty_s=edge_u,
            )  # fmt: skip
        except (NoTransition, ValueError):
            missed += 1
            continue
        found.append(
            Step(
                target_rpm=target, rising=rising, falling=_falling(time, speed, plan, high, last, end),
                start_s=begin, stop_s=end,
                peak_a=math.nan if current is None else _peak(time, current, rising),
            )
        )  # fmt: skip
    return found, missed


def _level(time: Array, speed: Array, rows: NDArray[np.bool_], *, last_half: bool) -> float | None:
    """Median speed of the rows, of their later half if so asked; None if fewer than three."""
    inside = np.flatnonzero(rows & np.isfinite(speed))
    if last_half:
        inside = inside[inside.size // 2 :]
    return float(np.median(speed[inside])) if inside.size >= 3 else None


def _falling(
    time: Array, speed: Array, plan: SpinUpPlan, high: float, last: int, end: float
) -> Transition | None:
    """The step back, if it goes back to the low speed and not to standstill."""
    after = (time > time[last] + 0.4 * (end - time[last])) & (time < end)
    low = _level(time, speed, after, last_half=False)
    if low is None or abs(low - plan.from_rpm) > 0.25 * (high - plan.from_rpm):
        return None
    try:
        return find_transition(time, speed, low, high, float(time[last]) - 0.4 * plan.dwell_s, end)
    except (NoTransition, ValueError):
        return None


def _command_edge(
    time: Array, throttle: Array | None, begin: float, end: float
) -> tuple[float | None, float]:
    """Instant at which the throttle starts to rise in a stretch, and its standard uncertainty; (None, 0) if
    it does not.

    A throttle may be slewed over many samples, so what counts is where it leaves the level before: the edge
    lies between the last sample within a tenth of its step and the next one. It is taken as their middle,
    with interval/√12 (JCGM 100:2008, 4.3.7).
    """
    if throttle is None:
        return None, 0.0
    rows = np.flatnonzero((time >= begin) & (time <= end) & np.isfinite(throttle))
    if rows.size < 4:
        return None, 0.0
    values = throttle[rows]
    half = int(np.searchsorted(time[rows], (begin + end) / 2.0))
    base = float(np.median(values[: max(half // 2, 2)]))
    height = float(values.max()) - base
    if height < SMALLEST_COMMAND:
        return None, 0.0
    risen = int(np.argmax(values - base >= 0.5 * height))
    low = np.flatnonzero(values[:risen] - base <= 0.1 * height)
    if low.size == 0:
        return None, 0.0
    left, right = float(time[rows[low[-1]]]), float(time[rows[low[-1] + 1]])
    return (left + right) / 2.0, (right - left) / math.sqrt(12.0)


def _peak(time: Array, current: Array, rising: Transition) -> float:
    reach = max(3.0 * rising.transition_duration_s, 0.05)
    part = current[(time >= rising.t10_s - reach) & (time <= rising.t90_s + reach)]
    return float(np.nanmax(part)) if np.isfinite(part).any() else math.nan


def _without_lag(duration_s: float, lag_s: float) -> float | None:
    """Duration with the sensor's lag taken out, None where the lag hides it."""
    own = LAG_DURATION * lag_s
    if duration_s < LAG_LIMIT * own:
        return None
    return math.sqrt(duration_s**2 - own**2)


def _responses(
    run: PreparedRun, steps: list[Step], target: float, findings: list[Finding]
) -> Iterator[RunResponse]:
    """Responses of all steps to one speed."""
    at: At = (("speed_rpm", float(target)),)
    channels = run.setup.rig.channels
    lag_s = channels.speed.lag_s if channels.speed is not None else 0.0
    falls = [step.falling for step in steps if step.falling is not None]
    durations: tuple[tuple[ResponseKind, list[Transition]], ...] = (
        (kinds.RISE_TIME, [step.rising for step in steps]),
        (kinds.FALL_TIME, falls),
    )
    for kind, edges in durations:
        if not edges:
            continue
        raw = [edge.transition_duration_s for edge in edges]
        bare = [_without_lag(value, lag_s) for value in raw]
        usable = [value for value in bare if value is not None]
        correction = float(np.mean(raw)) - (float(np.mean(usable)) if usable else 0.0)
        if len(usable) < len(bare):
            findings.append(
                Finding(
                    kind="lag", channel="speed_rpm", grade="doubtful",
                    sentence=f"{kind.label} at {target:.0f} rpm: not clear of the sensor's lag; left as measured.",
                )
            )  # fmt: skip
            # the true duration may be anything from the measured one down to nothing
            usable, correction = raw, float(np.mean(raw)) * 2.0 / math.sqrt(3.0)
        sampling = [edge.u_transition_duration_s for edge in edges]
        lag = [Component(source="speed lag", contribution=500.0 * correction, shared=True)]
        yield _mean(kind, at, usable, 1000.0, sampling, lag)
    delays = [
        (s.rising.delay50_s - lag_s, s.rising.u_delay50_s or 0.0)
        for s in steps
        if s.rising.delay50_s is not None
    ]
    if delays:
        lag = [Component(source="speed lag", contribution=500.0 * lag_s, shared=True)]
        yield _mean(kinds.DELAY_TIME, at, [d for d, _ in delays], 1000.0, [u for _, u in delays], lag)
    yield _mean(kinds.OVERSHOOT, at, [step.rising.overshoot_percent for step in steps], 1.0, [0.0], [])
    peaks = [step.peak_a for step in steps if math.isfinite(step.peak_a)]
    if peaks:
        errors = RigErrors(run.setup.rig, run.zero_u)
        reading = components(errors.apply("current_a", float(np.mean(peaks))))[1]
        yield _mean(kinds.PEAK_CURRENT, at, peaks, 1.0, [0.0], reading)


def _mean(
    kind: ResponseKind, at: At, values: list[float], factor: float, sampling: list[float],
    errors: Sequence[Component],
) -> RunResponse:  # fmt: skip
    """Mean over the cycles, with the scatter between them, what sampling adds, and the errors all cycles share.

    factor    published unit over the unit of values and sampling
    sampling  standard uncertainty of each value from sampling and noise. Both show in the scatter too, so
              only what goes beyond the scatter is added: the larger of the two counts.
    """
    cycles = np.asarray(values, dtype=np.float64) * factor
    mean, scatter = (float(cycles[0]), 0.0) if cycles.size == 1 else mean_and_error(cycles)
    each = factor * math.sqrt(float(np.mean(np.square(sampling)))) / math.sqrt(cycles.size)
    parts = [
        Component(source="scatter", contribution=scatter, shared=False),
        Component(source="sampling", contribution=math.sqrt(max(each**2 - scatter**2, 0.0)), shared=False),
        *errors,
    ]
    return RunResponse(
        response=kind.name, at=at, value=mean, per_cycle=tuple(float(value) for value in cycles),
        components=tuple(part for part in parts if part.contribution != 0.0),
    )  # fmt: skip


SPIN_UP = Procedure(
    name="spin-up",
    plan=SpinUpPlan,
    needs=("speed",),
    responses=(kinds.RISE_TIME, kinds.FALL_TIME, kinds.DELAY_TIME, kinds.OVERSHOOT, kinds.PEAK_CURRENT),
    reduce=reduce_spin_up,
    about="The speed is stepped up and down again and again; every step is read by IEEE 181 and averaged.",
)
