"""Spin-up: steps between two speeds, again and again; every step in the terms of IEEE 181."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import Annotated, Self

import numpy as np
from numpy.typing import NDArray
from pydantic import Field, model_validator

from generator.intake.parts import Record, key
from generator.intake.quantities import Speed, Time
from generator.reduction import response_kinds as kinds
from generator.reduction.correlation import mean_with_standard_error
from generator.reduction.measured import Number, RigErrors, components
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
from generator.reduction.spin_steps import Step, find_steps, unsettled_share
from generator.reduction.transitions import Transition

Array = NDArray[np.float64]
# A first-order lag tau stretches a 10-90 duration by ln 9 · tau in quadrature (exact for Gaussian edges).
LAG_DURATION = math.log(9.0)
# Below this multiple of the lag's own duration a rise time is the sensor's, not the motor's.
LAG_LIMIT = 1.5
# How well a stated lag is known, as a share of it. Our own choice, no source.
LAG_DOUBT = 0.5
# The largest of the few samples about a peak lies so many deviations of their noise high. Our own choice.
PEAK_NOISE = 1.5
# More than this share of the step left to go at its end is told. Our own choice, no source.
SETTLED = 0.005
# Relative change of a first-order duration for a relative error e of the state aimed at: the 90 % instant moves
# by 0.9·e·tau/0.1, the 10 % instant by 0.1·e·tau/0.9; their difference over ln 9 · tau.
LEVEL_WEIGHT = (9.0 - 1.0 / 9.0) / math.log(9.0)


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


def reduce_spin_up(run: PreparedRun) -> Outcome:
    """Mean of each IEEE 181 quantity over the cycles, for every planned speed, and every cycle's own value."""
    plan = run.plan
    assert isinstance(plan, SpinUpPlan)
    time = run.columns["time_s"]
    speed = run.columns["speed_rpm"]
    throttle, current = (run.columns.get(column) for column in ("throttle", "current_a"))
    steps, missed = find_steps(
        time, speed, throttle, current,
        low_rpm=plan.from_rpm, targets_rpm=plan.to_rpm, dwell_s=plan.dwell_s,
    )  # fmt: skip
    interval = float(np.median(np.diff(time[np.isfinite(speed)]))) if steps else 0.0
    errors = RigErrors.of(run)
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
        responses += list(_responses(run, errors, own, target, interval, findings))
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


def _without_lag(duration_s: float, lag_s: float) -> float | None:
    """Duration with the sensor's lag taken out, None where the lag hides it."""
    own = LAG_DURATION * lag_s
    if duration_s < LAG_LIMIT * own:
        return None
    return math.sqrt(duration_s**2 - own**2)


def _responses(
    run: PreparedRun,
    errors: RigErrors,
    steps: list[Step],
    target: float,
    interval_s: float,
    findings: list[Finding],
) -> Iterator[RunResponse]:
    """Responses of all steps to one speed."""
    at: At = (("speed_rpm", float(target)),)
    clock = errors.gain("time_s")
    channels = run.setup.rig.channels
    lag_s = channels.speed.lag_s if channels.speed is not None else 0.0
    amplitude = float(np.mean([step.rising.amplitude for step in steps]))
    rest_high = unsettled_share([step.high_levels for step in steps], amplitude)
    fallen = [step for step in steps if step.falling is not None]
    rest_low = unsettled_share([s.low_levels for s in fallen if s.low_levels], amplitude) if fallen else 0.0
    for kind, edges, rest in (
        (kinds.RISE_TIME, [step.rising for step in steps], rest_high),
        (kinds.FALL_TIME, [step.falling for step in fallen if step.falling is not None], rest_low),
    ):
        if not edges:
            continue
        if rest > SETTLED:
            findings.append(
                Finding(
                    kind="not settled", channel="speed_rpm", grade="doubtful",
                    sentence=(
                        f"{kind.label} at {target:.0f} rpm: at the end of the steps the speed had still about "
                        f"{100 * rest:.1f} % of the way to go; the time comes out too short."
                    ),
                )
            )  # fmt: skip
        yield _duration(kind, at, edges, lag_s, interval_s, rest, clock, findings)
    clocks = dict(run.setup.clock_u_s)
    apart_u_s = math.hypot(clocks.get("speed_rpm", 0.0), clocks.get("throttle", 0.0))
    yield from _delay(at, steps, lag_s, interval_s, rest_high, clock, apart_u_s)
    overshoots = [step.rising.overshoot_percent for step in steps]
    noise = 100.0 * float(np.median([step.rising.noise for step in steps])) / amplitude
    duration = float(np.mean([step.rising.transition_duration_s for step in steps]))
    damped = 1.0 - 1.0 / math.hypot(1.0, LAG_DURATION * lag_s / duration) if duration > 0.0 else 0.0
    yield _mean(
        kinds.OVERSHOOT, at, overshoots, 1.0, [0.0], 0.0,
        # the largest of some hundred samples lies about three deviations high, in every run of the rig
        _component("speed noise", 3.0 * noise, shared=True),
        _component("state levels", 100.0 * rest_high, shared=True),
        # a first-order lag damps a swing that is about as fast as the step; by trials, nothing is corrected
        _component("speed lag", max(float(np.mean(overshoots)), 0.0) * damped, shared=True),
    )  # fmt: skip
    peaks = [step for step in steps if math.isfinite(step.peak_a)]
    if peaks:
        yield _peak_current(run, errors, at, peaks, duration)


def _delay(
    at: At,
    steps: Sequence[Step],
    lag_s: float,
    interval_s: float,
    rest: float,
    clock: Number,
    apart_u_s: float,
) -> Iterator[RunResponse]:
    """Mean time from the throttle's edge to the 50 % instant, the sensor's lag taken off; none without edges.

    apart_u_s  standard uncertainty of the clocks of speed and throttle against each other
    """
    delays = [
        (step.rising.delay50_s - lag_s, step.rising.u_delay50_s or 0.0)
        for step in steps
        if step.rising.delay50_s is not None
    ]
    if not delays:
        return
    duration = float(np.mean([step.rising.transition_duration_s for step in steps]))
    values, each = [d for d, _ in delays], [u for _, u in delays]
    # the edge lies anywhere in one interval, which cycles in step with the samples do not average out
    edge = math.sqrt(max(interval_s**2 / 12.0 - float(np.var(values)), 0.0))
    yield _mean(
        kinds.DELAY_TIME, at, values, 1000.0, each, edge,
        _component("interpolation", 500.0 * _interpolation_error(interval_s, duration), shared=True),
        _component("state levels", 1000.0 * rest * duration / LAG_DURATION, shared=True),
        _component("speed lag", 1000.0 * LAG_DOUBT * lag_s, shared=True),
        _component("speed logger clock", 1000.0 * apart_u_s, shared=False),
        *_of_clock(1000.0 * float(np.mean(values)), clock),
    )  # fmt: skip


def _peak_current(
    run: PreparedRun, errors: RigErrors, at: At, steps: Sequence[Step], duration_s: float
) -> RunResponse:
    """Mean of the largest currents of the steps, with the errors of the channel.

    A current that leaps and dies away with the step's own time constant is seen lower by a lagging channel and
    by samples that miss its top; the largest of noisy samples lies high. All three go one way in every run of
    the rig; nothing is corrected.
    Source  of the lag's share: exponential pulse through a first-order lag of r times its time constant, whose
            peak is r^(r/(1 - r)) of the pulse's (textbook)
    """
    peaks = [step.peak_a for step in steps]
    height = float(np.mean(peaks))
    channel = run.setup.rig.channels.current
    lag_s = channel.lag_s if channel is not None else 0.0
    slowness = LAG_DURATION * lag_s / duration_s if duration_s > 0.0 else 0.0
    if slowness > 0.0:
        near_one = abs(slowness - 1.0) < 1e-6
        seen = math.exp(-1.0) if near_one else slowness ** (slowness / (1.0 - slowness))
    else:
        seen = 1.0
    reading = components(errors.apply("current_a", height))[1]
    return _mean(
        kinds.PEAK_CURRENT, at, peaks, 1.0, [0.0], 0.0,
        _component("interpolation", float(np.mean([step.peak_missed_a for step in steps])), shared=True),
        _component("current lag", height * (1.0 - seen), shared=True),
        _component("current noise", PEAK_NOISE * float(np.mean([s.peak_noise_a for s in steps])), shared=True),
        *reading,
    )  # fmt: skip


def _of_clock(value: float, clock: Number) -> tuple[Component, ...]:
    """Components of a time from the error of the logger's clock, unit of the value."""
    return components(value * clock)[1]


def _duration(
    kind: ResponseKind,
    at: At,
    edges: Sequence[Transition],
    lag_s: float,
    interval_s: float,
    rest: float,
    clock: Number,
    findings: list[Finding],
) -> RunResponse:
    """Mean 10-90 % duration of these edges, the sensor's lag taken out where it can be.

    What that leaves in doubt is half of the correction, since lags do not add quite in quadrature (trials with
    two lags in line, tests/reduction/test_spin_up.py), and what a lag other than the stated one would change.
    """
    raw = [edge.transition_duration_s for edge in edges]
    bare = [_without_lag(value, lag_s) for value in raw]
    usable = [value for value in bare if value is not None]
    mean_raw = float(np.mean(raw))
    doubt = 0.0
    if usable:
        mean = float(np.mean(usable))
        doubt = math.hypot((mean_raw - mean) / 2.0, LAG_DOUBT * (LAG_DURATION * lag_s) ** 2 / mean)
    if len(usable) < len(bare):
        where = f"{kind.label} at {dict(at)['speed_rpm']:.0f} rpm"
        sentence = f"{where}: not clear of the sensor's lag; left as measured."
        findings.append(Finding(kind="lag", channel="speed_rpm", grade="doubtful", sentence=sentence))
        # the true duration may be anything from the measured one down to nothing
        usable, doubt = raw, mean_raw / math.sqrt(3.0)
    return _mean(
        kind, at, usable, 1000.0, [edge.u_transition_duration_s for edge in edges], 0.0,
        _component("interpolation", 1000.0 * _interpolation_error(interval_s, mean_raw), shared=True),
        _component("state levels", 1000.0 * LEVEL_WEIGHT * rest * mean_raw, shared=True),
        _component("speed lag", 1000.0 * doubt, shared=True),
        *_of_clock(1000.0 * float(np.mean(usable)), clock),
    )  # fmt: skip


def _interpolation_error(interval_s: float, duration_s: float) -> float:
    """Error of a 10-90 % duration from straight lines between samples, which no number of cycles or runs
    averages out.

    Straight lines cut corners by about interval²/duration; half of that, and never more than half an interval.
    The factor is from trials with first-order steps (tests/reduction/test_spin_up.py).
    """
    if duration_s <= 0.0:
        return 0.5 * interval_s
    return 0.5 * min(interval_s**2 / duration_s, interval_s)


def _component(source: str, contribution: float, *, shared: bool = False) -> Component:
    return Component(source=source, contribution=contribution, shared=shared)


def _mean(
    kind: ResponseKind, at: At, values: Sequence[float], factor: float, each: Sequence[float], always: float,
    *more: Component,
) -> RunResponse:  # fmt: skip
    """Mean over the cycles, with the scatter between them, what sampling leaves, and errors all cycles share.

    What goes one way in every run of the rig (corners cut between samples, a state not reached, a lag) is
    shared: it cancels between treatments as far as it is alike, and no number of runs averages it out. The
    resolution of the speed is part of its noise.

    factor  published unit over the unit of values, each and always
    each    standard uncertainty of each value from sampling and noise; it shows in the scatter between
            cycles, so it counts only where there is a single cycle
    always  what sampling leaves however many cycles there are, new in each run
    more    components of other sources, and what sampling does alike in every run
    """
    cycles = np.asarray(values, dtype=np.float64) * factor
    mean, scatter = float(cycles.mean()), 0.0
    if cycles.size > 1:
        # not widened for few cycles: their number goes along with the values, as degrees of freedom
        scatter = mean_with_standard_error(cycles).standard_error
    single = float(np.mean(each)) if cycles.size == 1 else 0.0
    parts = (
        _component("scatter", scatter),
        _component("sampling", factor * math.hypot(always, single)),
        *more,
    )
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
