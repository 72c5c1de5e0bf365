"""Soak: the motor runs on and off at one speed while its temperature climbs."""

from __future__ import annotations

import datetime
import math
from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Annotated, Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from pydantic import Field

from generator.intake.parts import Record, key
from generator.intake.quantities import Speed, Time
from generator.intake.rig import Channel
from generator.reduction import response_kinds as kinds
from generator.reduction.hold import air_temperature
from generator.reduction.levels import smoothed, stretches
from generator.reduction.measured import (
    ICE_POINT_K,
    Number,
    RigErrors,
    StretchMeans,
    calibration_age_uncertainty,
    components,
    finite,
    mean_and_error,
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
    Window,
    fits_of,
)
from generator.reduction.thermal import (
    ThermalFit,
    fit_first_order,
    pulsed_steady_state,
    seconds_to_limit,
    simulate_rise_k,
)

Array = NDArray[np.float64]
# A figure of a fit, given the fit and the air temperature it was made with [K]; None where there is none.
Figure = Callable[[ThermalFit, float], float | None]
ON_SHARE = 0.5  # above this share of the set speed the motor is on
END_SHARE = 0.5  # the end of the last on period that is averaged, as a share of it, at most one second
SHOWN_FIT_ROWS = 400
FIT_ROWS = 4000  # a motor takes seconds to warm; more rows only cost time
DURATION_TOLERANCE = 0.2  # of an on period, before it is told; our own choice, no source


class SoakPlan(Record):
    """`soak:` in session.yaml."""

    speed_rpm: Speed = key("speed", "Speed while on.", gt=0)
    on_s: Time = key("on", "How long it is on in each cycle.", gt=0)
    off_s: Time = key("off", "How long it is off in each cycle; `0 s` for continuous.", ge=0)
    cycles: Annotated[int, Field(ge=1, le=5000)] = Field(description="How often it is on in one run.")


def reduce_soak(run: PreparedRun) -> Outcome:
    """Rise above the air at the end, and what the first-order fit makes of the whole on and off pattern."""
    plan = run.plan
    assert isinstance(plan, SoakPlan)
    time = run.columns["time_s"]
    speed = smoothed(time, run.columns["speed_rpm"])
    on = stretches(speed > ON_SHARE * plan.speed_rpm)
    periods = [(float(time[a]), float(time[b])) for a, b in on if time[b] - time[a] >= 0.5 * plan.on_s]
    if not periods:
        sentence = f"The motor was never on at {plan.speed_rpm:.0f} rpm for {plan.on_s:g} s. Not used."
        return Outcome(
            findings=(Finding(kind="not reached", channel="speed_rpm", grade="refused", sentence=sentence),)
        )
    findings = list(_speed_and_count(time, speed, periods, plan))
    last = periods[-1]
    end = Window(
        kind="averaged",
        label="end of the last on period",
        start_s=max(last[1] - 1.0, last[1] - END_SHARE * (last[1] - last[0])),
        stop_s=last[1],
    )
    errors = RigErrors.of(run)
    means = StretchMeans(run, errors, (time >= end.start_s) & (time <= end.stop_s))
    at: At = (("speed_rpm", float(plan.speed_rpm)),)
    values: list[tuple[ResponseKind, Number]] = list(_rises(run, means))
    figures: dict[str, float] = {}
    fitted: pd.DataFrame | None = None
    if "motor_temperature_k" in run.columns:
        try:
            heating = Heating(run, errors, time, speed, periods, plan)
        except ValueError as error:
            findings.append(_no_fit(f"No thermal fit: {error}.", grade="doubtful"))
        else:
            figures, fitted = heating.figures(), heating.curve()
            if heating.fit.identifiable:
                values += _from_fit(heating, run, plan, findings)
            else:
                findings.append(
                    _no_fit(f"No time constant and no settled rise: {heating.fit.reason}.", grade="noted")
                )
    responses = []
    for kind, value in values:
        centre, parts = components(value)
        if math.isfinite(centre):
            responses.append(
                RunResponse(response=kind.name, at=at, value=centre, components=parts, window=end)
            )
    windows = [
        Window(kind="on", label=f"on {i + 1}", start_s=a, stop_s=b) for i, (a, b) in enumerate(periods)
    ]
    return Outcome(
        responses=tuple(responses),
        windows=(*windows, end),
        fits=fits_of(figures),
        fitted=fitted,
        findings=tuple(findings),
    )


def _no_fit(sentence: str, *, grade: Literal["noted", "doubtful"]) -> Finding:
    return Finding(kind="no fit", channel="motor_temperature_k", grade=grade, sentence=sentence)


def _speed_and_count(
    time: Array, speed: Array, periods: list[tuple[float, float]], plan: SoakPlan
) -> Iterator[Finding]:
    """What differs from the plan: the number of on periods, how long they lasted, the speed while on."""
    planned, on_s = (plan.cycles, plan.on_s) if plan.off_s > 0.0 else (1, plan.cycles * plan.on_s)
    if len(periods) != planned:
        sentence = f"On periods found: {len(periods)}; planned: {planned}."
        yield Finding(kind="cycles", channel="speed_rpm", grade="doubtful", sentence=sentence)
    lasted = float(np.median([b - a for a, b in periods]))
    if len(periods) == planned and abs(lasted / on_s - 1.0) > DURATION_TOLERANCE:
        sentence = f"An on period lasted {lasted:.3g} s, planned were {on_s:.3g} s."
        yield Finding(kind="cycles", channel="speed_rpm", grade="doubtful", sentence=sentence)
    levels = [float(np.median(speed[(time >= a) & (time <= b)])) for a, b in periods]
    mean = float(np.mean(levels))
    if abs(mean / plan.speed_rpm - 1.0) > 0.02:
        sentence = (
            f"The speed while on was {mean:.0f} rpm, {100 * (mean / plan.speed_rpm - 1):+.1f} % off the plan."
        )
        yield Finding(kind="speed missed", channel="speed_rpm", grade="doubtful", sentence=sentence)


def _rises(run: PreparedRun, means: StretchMeans) -> Iterator[tuple[ResponseKind, Number]]:
    air = air_temperature(run, means)
    for column, kind in (
        ("motor_temperature_k", kinds.TEMPERATURE_RISE),
        ("controller_temperature_k", kinds.CONTROLLER_SOAK_RISE),
    ):
        if means.has(column):
            scatter = mean_and_error(means.samples(column), remove_trend=True)[1]
            yield kind, means.mean(column) - air + variable(0.0, scatter, "scatter")


class Heating:
    """First-order fit of the motor's rise, from the start of the first on period to the end of the last cycle.

    Long logs are averaged in groups of rows to at most FIT_ROWS first; the power of a group is the share of
    it that the motor was on.
    Raises ValueError where there is nothing to fit.
    """

    def __init__(
        self,
        run: PreparedRun,
        errors: RigErrors,
        time: Array,
        speed: Array,
        periods: list[tuple[float, float]],
        plan: SoakPlan,
    ) -> None:
        stop = min(periods[-1][1] + plan.off_s, float(time[-1]))
        rows = (time >= periods[0][0]) & (time <= stop)
        own_air = np.array([])
        if "air_temperature_k" in run.columns:
            own_air = finite(run.columns["air_temperature_k"][rows])
        self.air_k = float(own_air.mean()) if own_air.size else run.setup.air.temperature_k
        self._own_air = own_air.size > 0
        measured = run.columns["motor_temperature_k"]
        power = (speed[rows] > ON_SHARE * plan.speed_rpm).astype(np.float64)
        self._time, self._power, self._motor_k = _grouped(time[rows], power, measured[rows])
        channel = run.setup.rig.channels.motor_temperature
        later = _moved_up(time, measured, channel.lag_s if channel is not None else 0.0)
        self._later_k = _grouped(time[rows], power, later[rows])[2]
        self._setup = run.setup
        self._clock = errors.gain("time_s")
        self._plan = plan
        rise = self._motor_k - self.air_k
        self.fit = fit_first_order(self._time, rise, self._power)
        self._misread: tuple[tuple[str, ThermalFit, float], ...] = ()
        if self.fit.identifiable:
            self._misread = tuple(
                (source, fit_first_order(self._time, rise + motor - air, self._power), self.air_k + air)
                for source, motor, air in self._thermometer_errors()
            )

    def figures(self) -> dict[str, float]:
        """The fit's own numbers."""
        return {
            "time_constant_s": self.fit.time_constant_s,
            "continuous_rise_k": self.fit.continuous_rise_k,
            "initial_rise_k": self.fit.initial_rise_k,
            "residual_sd_k": self.fit.residual_sd_k,
        }

    def curve(self) -> pd.DataFrame:
        """Fitted rise over time, for the chart."""
        fit = self.fit
        rise = simulate_rise_k(
            self._time, self._power, fit.continuous_rise_k, fit.time_constant_s, fit.initial_rise_k
        )
        step = -(-rise.size // SHOWN_FIT_ROWS)
        return pd.DataFrame({"time_s": self._time[::step], "fitted_rise_k": rise[::step]})

    def number(self, figure: Figure) -> Number:
        """A figure of the fit with its uncertainty; NaN if the fit does not give it.

        The fit's share: the figure for a fit moved by one standard deviation along each principal axis of its
        covariance, half of the difference (JCGM 100:2008, note 2 to 5.1.3). The rig's share: the figure for
        readings moved by one standard uncertainty of each error that all runs share. The resolution of the
        thermometer has no share of its own: a reading that climbs through many steps averages it out, and what is
        left is scatter about the fit.
        """
        centre = figure(self.fit, self.air_k)
        if centre is None or not math.isfinite(centre):
            return math.nan
        value: Number = float(centre)
        sizes, axes = np.linalg.eigh(np.array(self.fit.covariance)[:2, :2])
        spread = 0.0
        for size, axis in zip(sizes, axes.T, strict=True):
            step = axis * math.sqrt(max(float(size), 0.0))
            ends = [figure(self._moved(sign * step), self.air_k) for sign in (1.0, -1.0)]
            known = [abs(end - centre) for end in ends if end is not None and math.isfinite(end)]
            spread = math.hypot(spread, sum(known) / len(known) if known else 0.0)
        value = value + variable(0.0, spread, "thermal fit")
        for source, moved, air_k in self._misread:
            end = figure(moved, air_k) if moved.identifiable else None
            if end is not None and math.isfinite(end):
                value = value + (end - centre) * variable(0.0, 1.0, source, shared=True)
        return value

    def seconds(self, figure: Figure) -> Number:
        """The same for a figure that is a time, with the error of the logger's clock."""
        return self.number(figure) * self._clock

    def _moved(self, step: Array) -> ThermalFit:
        fit = self.fit
        # neither may fall to nothing, where the closed forms end
        constant = max(fit.time_constant_s + float(step[0]), 0.1 * fit.time_constant_s)
        rise = max(fit.continuous_rise_k + float(step[1]), 0.1 * fit.continuous_rise_k)
        peak = fit.duty_settled_peak_rise_k
        if peak is not None:
            plan = self._plan
            before, after = (
                pulsed_steady_state(height, time_constant, plan.on_s, plan.off_s).max_rise_k
                for height, time_constant in (
                    (fit.continuous_rise_k, fit.time_constant_s), (rise, constant)
                )
            )  # fmt: skip
            peak *= after / before
        return replace(fit, time_constant_s=constant, continuous_rise_k=rise, duty_settled_peak_rise_k=peak)

    def _thermometer_errors(self) -> Iterator[tuple[str, Array, float]]:
        """(source, change of the motor's temperatures, change of the air's) for one standard uncertainty of each
        error that all runs share.

        A lagging thermometer shows what was `lag` ago: its reading moved up by the lag is what it stands for. As
        in `RigErrors.apply` nothing is corrected and the whole of it counts.
        """
        none = np.zeros(self._time.size)
        channels, date = self._setup.rig.channels, self._setup.date
        motor, air = channels.motor_temperature, channels.air_temperature
        if motor is not None:
            for source, change in _proportional(motor, "motor temperature", date):
                yield source, change * (self._motor_k - ICE_POINT_K), 0.0
            if motor.offset_uncertainty:
                yield "motor temperature offset", none + float(motor.offset_uncertainty), 0.0
            if motor.lag_s > 0.0:
                yield "motor temperature lag", self._later_k - self._motor_k, 0.0
        if not self._own_air:
            if self._setup.air.temperature_u_k > 0.0:
                yield "air temperature", none, self._setup.air.temperature_u_k
        elif air is not None:
            for source, change in _proportional(air, "air temperature", date):
                yield source, none, change * (self.air_k - ICE_POINT_K)
            if air.offset_uncertainty:
                yield "air temperature offset", none, float(air.offset_uncertainty)


def _moved_up(time: Array, values: Array, lag_s: float) -> Array:
    """What is read `lag_s` later, at each instant; NaN where nothing was read at the instant itself."""
    good = np.isfinite(values)
    if lag_s <= 0.0 or not bool(good.any()):
        return values
    return np.where(good, np.interp(time + lag_s, time[good], values[good]), np.nan)


def _proportional(channel: Channel, words: str, date: datetime.date | None) -> Iterator[tuple[str, float]]:
    """(source, relative standard uncertainty) of what is wrong with a channel's gain."""
    for source, size in (
        (f"{words} gain", channel.gain_uncertainty),
        (f"{words} calibration age", calibration_age_uncertainty(channel, date)),
    ):
        if size > 0.0:
            yield source, size


def _grouped(time: Array, power: Array, motor_k: Array) -> tuple[Array, Array, Array]:
    """Rows averaged in groups where there are more than FIT_ROWS; a group without a reading stays NaN."""
    size = -(-time.size // FIT_ROWS)
    if size <= 1:
        return time, power, motor_k
    firsts = np.arange(0, time.size, size)
    counts = np.diff(np.append(firsts, time.size))
    good = np.isfinite(motor_k)
    readings = np.add.reduceat(good.astype(np.float64), firsts)
    sums = np.add.reduceat(np.where(good, motor_k, 0.0), firsts)
    warm = np.divide(sums, readings, out=np.full(firsts.size, np.nan), where=readings > 0)
    # A mean of readings belongs to the middle of its group, and the power holds from there to the next middle.
    middle = np.add.reduceat(time, firsts) / counts
    share = np.add.reduceat(power, firsts) / counts
    return middle, np.append((share[:-1] + share[1:]) / 2.0, share[-1]), warm


def _from_fit(
    heating: Heating, run: PreparedRun, plan: SoakPlan, findings: list[Finding]
) -> Iterator[tuple[ResponseKind, Number]]:
    yield kinds.TIME_CONSTANT, heating.seconds(lambda fit, _: fit.time_constant_s)
    yield kinds.SETTLED_RISE, heating.number(lambda fit, _: fit.duty_settled_peak_rise_k)
    limit = run.setup.motor.temperature_limit_k
    if limit is None:
        return

    def minutes(fit: ThermalFit, air_k: float) -> float:
        return seconds_to_limit(fit, limit - air_k, plan.on_s, plan.off_s) / 60.0

    if math.isinf(minutes(heating.fit, heating.air_k)):
        stated = f"{limit - ICE_POINT_K:.0f} °C"
        sentence = f"By the fit the motor would settle below its stated limit of {stated} at this duty."
        findings.append(Finding(kind="below limit", channel="motor_temperature_k", sentence=sentence))
    else:
        yield kinds.MINUTES_TO_LIMIT, heating.seconds(minutes)


SOAK = Procedure(
    name="soak",
    plan=SoakPlan,
    needs=("speed", "motor_temperature"),
    responses=(
        kinds.TEMPERATURE_RISE,
        kinds.CONTROLLER_SOAK_RISE,
        kinds.SETTLED_RISE,
        kinds.TIME_CONSTANT,
        kinds.MINUTES_TO_LIMIT,
    ),
    reduce=reduce_soak,
    about="The motor runs on and off at one speed; a first-order model of its heating is fitted to the whole pattern.",
)
