"""Invented runs of a motor with known KV, R, I0, CT and CP: every reading follows from the model in closed form."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from generator.intake.parts import Record
from generator.reduction.constants import fitted_constants
from generator.reduction.measured import RigErrors
from generator.reduction.motor_fit import copper_factor
from generator.reduction.prepare import prepare
from generator.reduction.records import At, PreparedRun, RunResponse, Setup, Window
from generator.reduction.steady import SteadyPoint
from tests.reduction.synthetic import AIR_K, correlated, make_rig, make_setup

Array = NDArray[np.float64]
DIAMETER_M = 0.12954  # 5.1 in, that of `make_setup`
DENSITY = 1.2
STEPS = (0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9)
STEP_S, REST_S, AVERAGE_S = 1.2, 2.0, 1.0
RATE_HZ = 100.0


@dataclass(frozen=True, kw_only=True)
class Truth:
    """What a run is made from. resistance_ohm is at 20 °C; loss_per_v_a makes the bridge's loss V² d (1 - d)."""

    kv_rpm_v: float = 1800.0
    resistance_ohm: float = 0.12
    free_run_a: float = 0.6
    ct: float = 0.15
    cp: float = 0.08
    volts: float = 16.0
    loss_per_v_a: float = 0.0
    ct_exponent: float = 0.0  # from 10 000 rpm
    cp_exponent: float = 0.0

    @property
    def kt(self) -> float:
        return 60.0 / (2.0 * math.pi * self.kv_rpm_v)

    def coefficients(self, rpm: float) -> tuple[float, float]:
        ratio = rpm / 10000.0
        return self.ct * ratio**self.ct_exponent, self.cp * ratio**self.cp_exponent

    def steady(self, duty: float, temperature_k: float = AIR_K) -> dict[str, float]:
        """Steady readings at a duty: n from d V = n/KV + R (Q/KT + I0), by bisection."""
        ohm = self.resistance_ohm * float(copper_factor(temperature_k))
        low, high = 1.0, self.kv_rpm_v * duty * self.volts
        for _ in range(200):
            rpm = (low + high) / 2.0
            ct, cp = self.coefficients(rpm)
            rev = rpm / 60.0
            torque = cp / (2.0 * math.pi) * DENSITY * rev**2 * DIAMETER_M**5
            amps = torque / self.kt + self.free_run_a
            low, high = (rpm, high) if rpm / self.kv_rpm_v + amps * ohm < duty * self.volts else (low, rpm)
        bus = duty * amps + self.loss_per_v_a * self.volts * duty * (1.0 - duty)
        return {
            "speed_rpm": rpm,
            "thrust_n": ct * DENSITY * rev**2 * DIAMETER_M**4,
            "torque_nm": torque,
            "voltage_v": self.volts,
            "current_a": bus,
            "motor_temperature_k": temperature_k,
        }


def setup_of(
    channels: Mapping[str, Mapping[str, Any]] | None = None,
    *,
    cap: float = 1.0,
    without: Sequence[str] = (),
    density_u: float = 0.0,
) -> Setup:
    """The set-up of `synthetic` in air of DENSITY, without an air temperature of its own."""
    rig = make_rig(channels)
    kept = rig.channels.model_copy(update={"air_temperature": None, **dict.fromkeys(without)})
    setup = make_setup(rig.model_copy(update={"channels": kept}))
    return replace(
        setup,
        treatment=setup.treatment.model_copy(update={"output_cap": cap}),
        air=replace(setup.air, density_kg_m3=DENSITY, density_u_kg_m3=density_u),
    )


def steps_of(
    readings: Sequence[Mapping[str, float]],
    throttles: Sequence[float],
    setup: Setup,
    *,
    noise: Mapping[str, float] | None = None,
    seed: int = 0,
    gains: Mapping[str, float] | None = None,
    at: Sequence[At] | None = None,
) -> tuple[PreparedRun, tuple[SteadyPoint, ...]]:
    """Rest, one stretch for each reading, rest; and the stretches as the procedures hand them on.

    at  what each stretch stands for; steps of a staircase where not given
    """
    time = np.arange(round((2 * REST_S + STEP_S * len(readings)) * RATE_HZ) + 1) / RATE_HZ
    place = np.clip(np.floor((time - REST_S) / STEP_S), -1, len(readings)).astype(int)
    running = (place >= 0) & (place < len(readings))
    columns: dict[str, Array] = {"time_s": time}
    for name in readings[0]:
        still = float(readings[0][name]) if name in ("voltage_v", "motor_temperature_k") else 0.0
        values = np.full(time.size, still)
        values[running] = np.array([reading[name] for reading in readings])[place[running]]
        columns[name] = values * (gains or {}).get(name, 1.0)
    columns["throttle"] = np.zeros(time.size)
    columns["throttle"][running] = np.array(throttles)[place[running]]
    rng = np.random.default_rng(seed)
    for name, size in (noise or {}).items():
        columns[name] = columns[name] + size * correlated(rng, time.size, 0.0)
    run = prepare(pd.DataFrame(columns), setup, Record())
    errors = RigErrors(setup.rig, run.zero_u)
    points = []
    for index, throttle in enumerate(throttles):
        stop = REST_S + STEP_S * (index + 1) - 0.05
        window = Window(kind="averaged", label=f"{index}", start_s=stop - AVERAGE_S, stop_s=stop)
        stands = at[index] if at is not None else ()
        points.append(
            SteadyPoint(run, errors, window, at=stands, throttle=None if at is not None else throttle)
        )
    return run, tuple(points)


def staircase(
    truth: Truth,
    setup: Setup,
    *,
    duties: Sequence[float] = STEPS,
    throttle_of: Callable[[float], float] = lambda duty: duty,
    temperature_k: float = AIR_K,
    **more: Any,
) -> tuple[PreparedRun, tuple[SteadyPoint, ...]]:
    """A staircase of the motor; throttle_of says which throttle makes a duty."""
    readings = [truth.steady(duty, temperature_k) for duty in duties]
    return steps_of(readings, [throttle_of(duty) for duty in duties], setup, **more)


def constants(made: tuple[PreparedRun, tuple[SteadyPoint, ...]]) -> dict[tuple[str, At], RunResponse]:
    """Fitted constants by name and condition."""
    return {(found.response, found.at): found for found in fitted_constants(*made)}


def at_throttle(duty: float) -> At:
    return (("throttle_percent", round(100.0 * duty, 6)),)


def share(found: RunResponse, source: str) -> float:
    """Signed contribution of a source, 0 where it has none."""
    return sum(c.contribution for c in found.components if c.source == source)
