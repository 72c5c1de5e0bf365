"""Invented runs with known truth: frames in house units, and the set-up they were made with.

All numbers are invented. Thrust is THRUST_PER_N2 · n², electrical power POWER_PER_N3 · n³ at every speed, so
that the similarity laws hold exactly and every reduced value has a closed form.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.signal import lfilter

from generator.intake.log_records import BenchLog, LogDialect
from generator.intake.parts import Controller, Motor, Propeller, Supply
from generator.intake.rig import Rig
from generator.intake.session import Run, Treatment
from generator.reduction.prepare import prepare
from generator.reduction.procedures import PROCEDURES
from generator.reduction.records import AirState, Component, Outcome, RunReduction, RunResponse, Setup
from generator.reduction.run import reduce_run

Array = NDArray[np.float64]

AIR_K = 293.0
GF_PER_N = 1000.0 / 9.80665
THRUST_PER_N2 = 8.0 / 16000.0**2  # N
TORQUE_PER_N2 = 0.11 / 16000.0**2  # N·m
POWER_PER_N3 = 250.0 / 16000.0**3  # W
CONTROLLER_V = 16.0
UNITS = {
    "time": "s", "throttle": "%", "speed": "rpm", "thrust": "N", "torque": "N*m", "voltage": "V", "current": "A",
    "motor_temperature": "K", "controller_temperature": "K", "air_temperature": "K", "sound_level": "dB",
    "vibration": "m/s^2",
}  # fmt: skip


def make_rig(
    channels: Mapping[str, Mapping[str, Any]] | None = None,
    *,
    wiring_ohm: float = 0.0,
    wiring_u_ohm: float = 0.0,
) -> Rig:
    """A rig with every channel; `channels` adds keys to single ones, house units for offsets and resolutions."""
    more = channels or {}
    return Rig.model_validate(
        {
            "id": "stand",
            "label": "Stand",
            "channels": {
                name: {"column": name, "unit": unit, **more.get(name, {})} for name, unit in UNITS.items()
            },
            "wiring": {"resistance": f"{wiring_ohm} ohm", "resistance_uncertainty": f"{wiring_u_ohm} ohm"},
        }
    )


def make_setup(rig: Rig | None = None, *, limit: str | None = "100 degC") -> Setup:
    """A set-up of invented parts in 20 °C air."""
    motor = {"id": "heron", "kind": "motor", "label": "Heron", "kv": "1800 rpm/V", "pole_pairs": 7}
    return Setup(
        treatment=Treatment.model_validate(
            {"label": "A", "motor": "heron", "controller": "drive", "propeller": "tri", "supply": "bench"}
        ),
        motor=Motor.model_validate(motor | ({} if limit is None else {"temperature_limit": limit})),
        controller=Controller.model_validate({"id": "drive", "kind": "controller", "label": "Drive"}),
        propeller=Propeller.model_validate(
            {"id": "tri", "kind": "propeller", "label": "Tri", "diameter": "5.1 in", "blades": 3}
        ),
        source=Supply.model_validate(
            {"id": "bench", "kind": "supply", "label": "Bench", "voltage": "30 V", "current_limit": "60 A"}
        ),
        rig=rig or make_rig(),
        air=AirState(
            temperature_k=AIR_K, pressure_pa=101325.0, humidity=0.5, density_kg_m3=1.2, density_u_kg_m3=0.002
        ),
    )


def make_plan(procedure: str, block: Mapping[str, Any]) -> Any:
    """A procedure's block of `session.yaml`, validated."""
    return PROCEDURES[procedure].plan.model_validate(block)


@dataclass(frozen=True, slots=True, kw_only=True)
class Bench:
    """How an invented run is recorded.

    noise       house column -> standard deviation of single samples, house unit
    correlation lag-one autocorrelation of that noise
    tare, drift what the load cell reads at rest at the start, and how far that moves to the end [N]
    wiring_ohm  between voltage tap and controller
    """

    rate_hz: float = 200.0
    seed: int = 0
    noise: Mapping[str, float] = field(default_factory=dict)
    correlation: float = 0.0
    tare_n: float = 0.0
    drift_n: float = 0.0
    wiring_ohm: float = 0.0

    def time(self, duration_s: float) -> Array:
        return np.arange(round(duration_s * self.rate_hz) + 1) / self.rate_hz

    def record(self, time: Array, speed: Array, **more: Array) -> pd.DataFrame:
        """Every channel that follows from the speed, as this bench records it; `more` adds or replaces."""
        power = POWER_PER_N3 * speed**3
        current = power / CONTROLLER_V
        columns: dict[str, Array] = {
            "time_s": time,
            "throttle": np.clip(speed / 20000.0, 0.0, 1.0),
            "speed_rpm": speed,
            "thrust_n": THRUST_PER_N2 * speed**2 + self.tare_n + self.drift_n * time / time[-1],
            "torque_nm": TORQUE_PER_N2 * speed**2,
            "voltage_v": CONTROLLER_V + current * self.wiring_ohm,
            "current_a": current,
            **more,
        }
        rng = np.random.default_rng(self.seed)
        frame = pd.DataFrame(columns)
        for column, size in self.noise.items():
            frame[column] = frame[column] + size * correlated(rng, time.size, self.correlation)
        return frame


def correlated(rng: np.random.Generator, count: int, correlation: float) -> Array:
    """First-order autoregressive noise of unit standard deviation."""
    white = rng.standard_normal(count)
    if correlation == 0.0:
        return white
    white[1:] *= math.sqrt(1.0 - correlation**2)
    return np.asarray(lfilter([1.0], [1.0, -correlation], white), dtype=np.float64)


def hold_frame(
    bench: Bench, holds: Sequence[tuple[float, float]], *, rest_s: float = 2.0, rate_rpm_s: float = 40000.0
) -> pd.DataFrame:
    """Rest, holds (speed, seconds) with straight ramps between them, rest."""
    at, rpm = [0.0, rest_s], [0.0, 0.0]
    for speed, lasts in holds:
        at.append(at[-1] + abs(speed - rpm[-1]) / rate_rpm_s)
        at.append(at[-1] + lasts)
        rpm += [speed, speed]
    at += [at[-1] + rpm[-1] / rate_rpm_s, at[-1] + rpm[-1] / rate_rpm_s + rest_s]
    time = bench.time(at[-1])
    return bench.record(time, np.interp(time, at, [*rpm, 0.0, 0.0]))


def step_response(since_s: Array, tau_s: float, damping: float | None = None) -> Array:
    """Response to a unit step at 0: first order, or second order with natural frequency 1/tau."""
    t = np.maximum(since_s, 0.0)
    if damping is None:
        return 1.0 - np.exp(-t / tau_s)
    w, root = 1.0 / tau_s, math.sqrt(1.0 - damping**2)
    return 1.0 - np.exp(-damping * w * t) * (np.cos(w * root * t) + damping / root * np.sin(w * root * t))


def spin_up_frame(
    bench: Bench,
    *,
    low: float = 4000.0,
    targets: Sequence[float] = (16000.0,),
    cycles: int = 10,
    dwell_s: float = 1.0,
    tau_up_s: float = 0.05,
    tau_down_s: float = 0.08,
    dead_s: float = 0.0,
    damping: float | None = None,
    jitter_s: float = 0.0,
    slew_s: float = 0.0,
) -> pd.DataFrame:
    """Rest, run at low speed, `cycles` steps to each target and back, rest.

    dead_s    from the throttle edge to the start of the speed's step
    jitter_s  steps are moved by up to this, so that they fall anywhere between samples
    slew_s    the throttle takes this long for its step
    """
    rng = np.random.default_rng(bench.seed + 1000)
    edges: list[tuple[float, float, float]] = [(2.0, 0.0, low)]  # (instant, from, to)
    at = 4.5
    for target in targets:
        for _ in range(cycles):
            edges.append((at + float(rng.uniform(0, jitter_s)), low, target))
            edges.append((at + dwell_s + float(rng.uniform(0, jitter_s)), target, low))
            at += 2.0 * dwell_s
    edges.append((at + 1.0, low, 0.0))
    time = bench.time(at + 6.0)
    speed, throttle = np.zeros(time.size), np.zeros(time.size)
    for instant, before, after in edges:
        up = after > before
        shape = damping if up and before > 0.0 else None
        moved = time >= instant + dead_s
        start = float(speed[moved][0]) if moved.any() else before  # where the step before has got to
        way = step_response(time - instant - dead_s, tau_up_s if up else tau_down_s, shape)
        speed[moved] = start + (after - start) * way[moved]
        passed = (time - instant) / slew_s if slew_s else (time >= instant).astype(float)
        throttle += (after - before) / 20000.0 * np.clip(passed, 0.0, 1.0)
    return bench.record(time, speed, throttle=np.clip(throttle, 0.0, 1.0))


def soak_frame(
    bench: Bench,
    *,
    rpm: float = 16000.0,
    on_s: float = 4.0,
    off_s: float = 4.0,
    cycles: int = 10,
    tau_s: float = 30.0,
    continuous_rise_k: float = 80.0,
    initial_rise_k: float = 0.0,
) -> pd.DataFrame:
    """Rest, on and off periods, rest; the motor warms by the closed form of one node."""
    time = bench.time(2.0 + cycles * (on_s + off_s) + 3.0)
    phase = np.mod(time - 2.0, on_s + off_s)
    on = (time >= 2.0) & (time < 2.0 + cycles * (on_s + off_s)) & (phase < on_s)
    rise = np.empty(time.size)
    rise[0] = initial_rise_k
    keep = math.exp(-1.0 / bench.rate_hz / tau_s)
    for row in range(1, time.size):
        rise[row] = rise[row - 1] * keep + continuous_rise_k * on[row - 1] * (1.0 - keep)
    return bench.record(
        time, np.where(on, rpm, 0.0), throttle=np.where(on, 0.8, 0.0), motor_temperature_k=AIR_K + rise
    )


def staircase_frame(
    bench: Bench,
    *,
    steps: Sequence[float] = (0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0),
    step_s: float = 2.0,
    down: bool = True,
    slew_s: float = 0.0,
    warming: float = 0.0,
    full_rpm: float = 20000.0,
    skip: Sequence[int] = (),
) -> pd.DataFrame:
    """Rest, throttle steps up and down, rest; speed = throttle · full_rpm.

    warming  share of power added evenly over the run, so that the way down draws more
    skip     places in the order run that are left out
    """
    levels = [*steps, *(steps[-2::-1] if down else ())]
    levels = [level for place, level in enumerate(levels) if place not in skip]
    at, throttle = [0.0, 2.0], [0.0, 0.0]
    for level in levels:
        at += [at[-1] + max(slew_s, 1e-9), at[-1] + max(slew_s, 1e-9) + step_s]
        throttle += [level, level]
    at += [at[-1] + max(slew_s, 1e-9), at[-1] + slew_s + 4.0]
    time = bench.time(at[-1])
    course = np.interp(time, at, [*throttle, 0.0, 0.0])
    speed = course * full_rpm
    more = 1.0 + warming * (time - time[0]) / (time[-1] - time[0])
    return bench.record(
        time, speed, throttle=course, current_a=POWER_PER_N3 * speed**3 * more / CONTROLLER_V,
        sound_level_db=60.0 + 50.0 * np.log10(np.maximum(speed, 1000.0) / 1000.0),
    )  # fmt: skip


def reduced(
    frame: pd.DataFrame,
    procedure: str,
    block: Mapping[str, Any],
    *,
    setup: Setup | None = None,
    left_out: str | None = None,
) -> RunReduction:
    """The whole way of one run."""
    log = BenchLog(
        path="logs/01.csv",
        sha256="0" * 64,
        frame=frame,
        columns=tuple((str(name), str(name)) for name in frame.columns),
        rows=len(frame),
        dialect=LogDialect(container="text", encoding="utf-8", delimiter=",", decimal=".", header_line=1),
    )
    run = Run.model_validate(
        {"log": "logs/01.csv", "procedure": procedure, "treatment": "a", "left_out": left_out}
    )
    chosen = PROCEDURES[procedure]
    return reduce_run(log, run, 1, setup or make_setup(), make_plan(procedure, block), chosen)


def outcome(
    frame: pd.DataFrame, procedure: str, block: Mapping[str, Any], setup: Setup | None = None
) -> Outcome:
    """What the procedure alone makes of the prepared run."""
    return PROCEDURES[procedure].reduce(prepare(frame, setup or make_setup(), make_plan(procedure, block)))


def find(result: Outcome | RunReduction, response: str, **at: float) -> RunResponse:
    """The one response of this name and condition."""
    hits = [r for r in result.responses if r.response == response and (not at or dict(r.at) == at)]
    assert len(hits) == 1, f"{response} {at}: {[(r.response, r.at) for r in result.responses]}"
    return hits[0]


def names(result: Outcome | RunReduction) -> set[str]:
    return {response.response for response in result.responses}


def part(response: RunResponse, source: str) -> Component:
    """The component of this source."""
    hits = [c for c in response.components if c.source == source]
    assert len(hits) == 1, f"{source}: {[c.source for c in response.components]}"
    return hits[0]


def score(response: RunResponse, truth: float) -> float:
    """Error over the stated within-run uncertainty."""
    return (response.value - truth) / response.within_run_uncertainty()


def sentences(result: Outcome | RunReduction) -> str:
    return " | ".join(finding.sentence for finding in result.findings)


def with_seed(bench: Bench, seed: int) -> Bench:
    return replace(bench, seed=seed)
