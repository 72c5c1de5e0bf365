"""Ramp: the throttle climbs without stopping and comes down again; read in narrow bins, each like a step."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from typing import Self

import numpy as np
from numpy.typing import NDArray
from pydantic import Field, model_validator

from generator.intake.parts import Record, key
from generator.intake.quantities import Ratio, Time
from generator.reduction import response_kinds as kinds
from generator.reduction.constants import constant_findings, fitted_constants
from generator.reduction.levels import smoothed
from generator.reduction.measured import RigErrors, nominal
from generator.reduction.prepare import CHANNEL_WORDS
from generator.reduction.ramp_bins import FEWEST_SAMPLES, LAG_DOUBT, RampPoint, aligned
from generator.reduction.readings import hover_readings, preferred_readings
from generator.reduction.records import Finding, Outcome, PreparedRun, Procedure, Window
from generator.reduction.run_curves import tabulate
from generator.reduction.staircase import CompareAt, read_curves
from generator.reduction.steadiness import hysteresis
from generator.reduction.steady import Way

Array = NDArray[np.float64]

AT_END = 0.01  # the throttle counts as at an end of the ramp within this, absolute; our own choice, no source
SHORTEST = (
    0.5  # share of the planned time that a way must last to be taken for the ramp; our own choice, no source
)
# Left out at the start of each way, as a share of it: the motor has to come up to its trend. Our own choice, no source.
RUN_IN = 0.02
# What the lag left over may do to a reading: told as doubtful from this share on. Our own choice, no source.
DOUBTFUL_LAG = 0.01
# How much the sensor lags is told from this share of the reading on. Our own choice, no source.
TOLD_LAG = 0.02
FOLLOWED = ("speed_rpm", "thrust_n", "torque_nm", "current_a", "tap_voltage_v")


class RampPlan(Record):
    """`ramp:` in session.yaml."""

    from_throttle: Ratio = key("from", "Throttle at which the ramp begins.")
    to_throttle: Ratio = key("to", "Throttle up to which it climbs.")
    up_s: Time = key("up", "How long it climbs.", gt=0)
    down_s: Time | None = key(
        "down", "How long it comes down; as long as it climbed where not given.", default=None, gt=0
    )
    bins: int = Field(
        20, ge=5, le=60, description="Parts of equal throttle into which each way is cut; each gives a point."
    )
    compare_at: CompareAt = Field(
        CompareAt.model_construct(), description="Conditions at which the treatments are compared."
    )

    @model_validator(mode="after")
    def _climbs(self) -> Self:
        if not 0.0 <= self.from_throttle < self.to_throttle <= 1.0:
            raise ValueError("from: must lie below `to`, both from 0 % to 100 %")
        if self.to_throttle - self.from_throttle < 0.1:
            raise ValueError("to: a ramp climbs by 10 % at least")
        return self

    @property
    def falls_s(self) -> float:
        """How long it comes down [s]."""
        return self.up_s if self.down_s is None else self.down_s

    def edges(self) -> Array:
        """Throttles between the bins, rising; shape (bins + 1,)."""
        return np.linspace(self.from_throttle, self.to_throttle, self.bins + 1)


def reduce_ramp(run: PreparedRun) -> Outcome:
    """Points of both ways, and what the curves through them say, as of a staircase.

    The mean of the way up and the way down at equal speed is the figure: while the speed rises, the rotor's inertia
    takes power J ω dω/dt, and gives it back on the way down, where both ways are equally fast. So does what a
    reading lags. Half of their difference, as a rectangular width, stays as uncertainty (component "hysteresis").
    """
    plan = run.plan
    assert isinstance(plan, RampPlan)
    run = aligned(run)
    found = _ways(run, plan)
    if "up" not in found:
        sentence = (
            f"The throttle does not climb from {100 * plan.from_throttle:.0f} to {100 * plan.to_throttle:.0f} % "
            f"within about {plan.up_s:g} s, so there is no ramp. Not used."
        )
        return Outcome(
            findings=(Finding(kind="not reached", channel="throttle", grade="refused", sentence=sentence),)
        )
    points, thin = _points(run, plan, found)
    findings: list[Finding] = [*_about(plan, found, thin)]
    if len([point for point in points if point.way == "up"]) < 3:
        sentence = f"Fewer than three bins of the way up hold {FEWEST_SAMPLES} samples, so there is no curve. Not used."
        return Outcome(
            findings=(
                *findings,
                Finding(kind="not reached", channel="throttle", grade="refused", sentence=sentence),
            )
        )
    means = tabulate(points)
    responses = tuple(read_curves(means, plan.compare_at, findings, "ramp"))
    constants = fitted_constants(run, points)
    findings += [
        *_lagging(run, points),
        *hysteresis(means, moving=True),
        *constant_findings(run, points, constants),
    ]
    return Outcome(
        responses=responses,
        windows=tuple(
            Window(kind="averaged", label=f"way {way}", start_s=start, stop_s=stop)
            for way, (start, stop) in found.items()
        ),
        steps=tuple(point.row() for point in points),
        constants=constants,
        readings=(*preferred_readings(run, points, means), *hover_readings(run, points, means)),
        findings=tuple(findings),
    )


def _ways(run: PreparedRun, plan: RampPlan) -> dict[Way, tuple[float, float]]:
    """Start and stop of the way up and of the way down [s]; a way that is not there, or far too short, is left out."""
    time = run.columns["time_s"]
    throttle = smoothed(time, run.columns["throttle"], 0.0)
    low, high = plan.from_throttle + AT_END, plan.to_throttle - AT_END
    top = np.flatnonzero(throttle >= high)
    if not top.size:
        return {}
    found: dict[Way, tuple[float, float]] = {}
    before, after = np.flatnonzero(throttle[: top[0]] <= low), np.flatnonzero(throttle[top[-1] :] <= low)
    if before.size and time[top[0]] - time[before[-1]] >= SHORTEST * plan.up_s:
        found["up"] = (float(time[before[-1]]), float(time[top[0]]))
    if after.size and time[top[-1] + after[0]] - time[top[-1]] >= SHORTEST * plan.falls_s:
        found["down"] = (float(time[top[-1]]), float(time[top[-1] + after[0]]))
    return found


def _points(
    run: PreparedRun, plan: RampPlan, found: dict[Way, tuple[float, float]]
) -> tuple[list[RampPoint], int]:
    """A point for each bin of each way, and how many bins hold too few samples."""
    time = run.columns["time_s"]
    throttle = smoothed(time, run.columns["throttle"], 0.0)
    errors, edges, made, thin = RigErrors.of(run), plan.edges(), [], 0
    for way, (start, stop) in found.items():
        start += RUN_IN * (stop - start)
        inside = np.flatnonzero((time >= start) & (time <= stop))
        for lower, upper in itertools.pairwise(edges):
            rows = inside[(throttle[inside] >= lower) & (throttle[inside] < upper)]
            if rows.size < FEWEST_SAMPLES:
                thin += 1
                continue
            middle = 0.5 * float(lower + upper)
            window = Window(
                kind="averaged", label=f"{way} {100.0 * middle:.3g} %",
                start_s=float(time[rows[0]]), stop_s=float(time[rows[-1]]),
            )  # fmt: skip
            # a bin cut short by the run-in stands for its own middle
            own = float(np.mean(throttle[rows]))
            point = RampPoint(
                run, errors, window, way=way, throttle=own if abs(own - middle) > 0.002 else middle
            )
            made.append(point)
    return made, thin


def _about(plan: RampPlan, found: dict[Way, tuple[float, float]], thin: int) -> Iterator[Finding]:
    if thin:
        yield Finding(
            kind="step missing", channel="throttle", grade="noted", count=thin,
            sentence=f"{thin} bins of the ramp hold fewer than {FEWEST_SAMPLES} samples; they are left out.",
        )  # fmt: skip
    if "down" not in found:
        yield Finding(
            kind="one way", channel="throttle", grade="doubtful",
            sentence="There is no way down, so what the rotor takes while it speeds up counts as power drawn.",
        )  # fmt: skip
        return
    up, down = (stop - start for start, stop in (found["up"], found["down"]))
    if abs(up / down - 1.0) > 0.2:
        yield Finding(
            kind="uneven ways", channel="throttle", grade="doubtful",
            sentence=f"The way up lasts {up:.3g} s and the way down {down:.3g} s: inertia and lag do not cancel in "
            "their mean.",
        )  # fmt: skip


def _lagging(run: PreparedRun, points: Sequence[RampPoint]) -> Iterator[Finding]:
    """Channels whose lag moves their reading: told as corrected, or as too fast a ramp."""
    for column in FOLLOWED:
        channel = "voltage_v" if column == "tap_voltage_v" else column
        left = run.setup.rig.channels.present().get(CHANNEL_WORDS.get(channel, "").replace(" ", "_"))
        if left is None or not left.lag_s:
            continue
        lag = left.lag_s / LAG_DOUBT
        shares = [
            (abs(lag * point.means.trend(column) / size), point)
            for point in points
            if point.means.has(column) and (size := nominal(point.measured(channel))) > 0.0
        ]
        # the slow end, where little is left of the reading, does not count: half of the points lie below
        shares.sort(key=lambda item: item[0])
        if not shares:
            continue
        share, point = shares[len(shares) // 2]
        if share <= TOLD_LAG:
            continue
        too_fast = LAG_DOUBT * share > DOUBTFUL_LAG
        words = CHANNEL_WORDS[channel]
        more = " The ramp is too fast for this sensor; let it last longer." if too_fast else ""
        yield Finding(
            kind="ramp too fast" if too_fast else "lag corrected",
            channel=channel,
            grade="doubtful" if too_fast else "noted",
            sentence=f"The {words} lags by {1000.0 * lag:.3g} ms, which moves it by {100.0 * share:.2g} % at "
            f"{point.window.label}; corrected, with {100.0 * LAG_DOUBT:.2g} % of the correction as its standard "
            f"uncertainty.{more}",
        )


RAMP = Procedure(
    name="ramp",
    plan=RampPlan,
    needs=("throttle", "speed"),
    responses=(
        kinds.ELECTRICAL_POWER,
        kinds.THRUST,
        kinds.THRUST_PER_POWER,
        kinds.SPEED,
        kinds.SOUND_LEVEL,
    ),
    reduce=reduce_ramp,
    about="The throttle climbs without stopping and comes down again; both ways are read in narrow bins and averaged.",
)
