"""Invented runs of four procedures for `tests.factories`, with traces, windows and findings."""

from __future__ import annotations

import numpy as np
import pandas as pd

from generator.reduction.records import Finding, RunReduction, RunResponse, StepRow, Window

ROWS = 1500
AIR_K = 291.55


def _trace(time_s: np.ndarray, speed_rpm: np.ndarray, place: int, seed: int) -> pd.DataFrame:
    """House columns of a run at this speed; thrust with n squared, power with n cubed."""
    rng = np.random.default_rng(seed)
    ratio = np.clip(speed_rpm, 0, None) / 16000
    voltage = 16.0 + 4 * place - 0.6 * ratio**3
    power = (262.4 + 4 * place) * ratio**3 + 1.0
    warmth = np.cumsum(power) * np.gradient(time_s) / 900
    noise = rng.standard_normal((5, time_s.size))
    return pd.DataFrame(
        {
            "time_s": time_s,
            "throttle": np.round(np.clip(speed_rpm, 0, None) / (21000 * (1 + 0.05 * place)), 2),
            "speed_rpm": speed_rpm + 25 * noise[0],
            "thrust_n": 802.0 * 9.80665e-3 * ratio**2 + 0.04 * noise[1],
            "voltage_v": voltage + 0.02 * noise[2],
            "current_a": power / voltage * (1 + 0.01 * noise[3]),
            "motor_temperature_k": AIR_K + 2 + warmth * np.exp(-time_s / 240) + 0.1 * noise[4],
            "controller_temperature_k": AIR_K + 4 + 0.5 * warmth * np.exp(-time_s / 300),
        }
    )


def _run(
    procedure: str, run_id: str, treatment: str, repeat: int, order: int, trace: pd.DataFrame, **more: object
) -> RunReduction:
    return RunReduction(
        run_id=run_id,
        log=f"logs/{run_id}.csv",
        sha256=f"{order:064x}",
        rows=12 * len(trace),
        procedure=procedure,
        treatment=treatment,
        repeat=repeat,
        block=repeat,
        order=order,
        started=f"{14 + order // 12:02d}:{(order % 12) * 5:02d}",
        simulated=None,
        refused=None,
        trace=trace,
        columns=(
            ("time_s", "t"),
            ("speed_rpm", "n"),
            ("thrust_n", "F"),
            ("voltage_v", "U"),
            ("current_a", "I"),
        ),
        sampling_hz=500.0,
        zero_drift=(("thrust_n", 0.004),),
        start_motor_temperature_k=AIR_K + 2,
        **more,  # type: ignore[arg-type]
    )


def _through(time_s: np.ndarray, corners: tuple[tuple[float, float], ...]) -> np.ndarray:
    return np.interp(time_s, [t for t, _ in corners], [n for _, n in corners])


def hold_run(*, run_id: str, treatment: str, place: int, repeat: int, order: int) -> RunReduction:
    """Two holds of three seconds; a spike in the thrust and a gap, both handled."""
    t = np.linspace(0, 20, ROWS)
    speed = _through(t, ((0, 0), (2, 0), (3, 9000), (8, 9000), (9, 16000), (14, 16000), (15.5, 0), (20, 0)))
    trace = _trace(t, speed, place, order)
    trace.loc[900, "thrust_n"] = 14.2
    trace.loc[400:425, "current_a"] = np.nan
    return _run(
        "hold",
        run_id,
        treatment,
        repeat,
        order,
        trace,
        windows=(
            Window(kind="rest", label="rest before", start_s=0.1, stop_s=1.9),
            Window(kind="averaged", label="9 000 rpm", start_s=5.0, stop_s=8.0),
            Window(kind="averaged", label="16 000 rpm", start_s=11.0, stop_s=14.0),
            Window(kind="rest", label="rest after", start_s=16.5, stop_s=19.9),
        ),
        findings=(
            Finding(
                kind="spike",
                channel="thrust_n",
                start_s=float(t[900]),
                stop_s=float(t[900]),
                sentence="One thrust reading of 1 448 gf at 12.0 s stands alone and was left out.",
            ),
            Finding(
                kind="dropout",
                channel="current_a",
                start_s=float(t[400]),
                stop_s=float(t[425]),
                count=26,
                grade="doubtful",
                sentence="The current has no readings from 5.3 s to 5.7 s.",
            ),
            Finding(kind="zero drift", channel="thrust_n", sentence="The thrust zero moved by 0.4 gf."),
        ),
    )


def spin_up_run(*, run_id: str, treatment: str, place: int, repeat: int, order: int) -> RunReduction:
    """Ten cycles from 4 000 rpm to each of two targets."""
    t = np.linspace(0, 40, ROWS)
    speed = np.full(ROWS, 4000.0)
    windows = []
    for cycle in range(20):
        target = 9000.0 if cycle < 10 else 16000.0
        start = 1.5 + 1.9 * cycle
        up = (t >= start) & (t < start + 1.0)
        speed[up] = target - (target - 4000) * np.exp(-(t[up] - start) / 0.035)
        down = (t >= start + 1.0) & (t < start + 1.9)
        speed[down] = 4000 + (target - 4000) * np.exp(-(t[down] - start - 1.0) / 0.09)
        windows.append(
            Window(kind="transition", label=f"cycle {cycle + 1}", start_s=start - 0.1, stop_s=start + 0.9)
        )
    rng = np.random.default_rng(order)
    base = {9000.0: (61.2, -8.9, -2.2), 16000.0: (92.4, -18.3, -29.7)}
    responses = []
    for target, (at_baseline, five, six) in base.items():
        cycles = (
            at_baseline + (0.0, five, six)[place] - 1.5 * np.exp(-np.arange(10) / 2) + rng.normal(0, 1.2, 10)
        )
        responses.append(
            RunResponse(
                response="rise_time",
                at=(("speed_rpm", target),),
                value=float(np.mean(cycles)),
                per_cycle=tuple(float(c) for c in cycles),
            )
        )
    return _run(
        "spin-up",
        run_id,
        treatment,
        repeat,
        order,
        _trace(t, speed, place, order),
        windows=tuple(windows),
        responses=tuple(responses),
    )


def soak_run(*, run_id: str, treatment: str, place: int, repeat: int, order: int) -> RunReduction:
    """Twelve cycles of 5 s on and 5 s off with the fitted motor temperature."""
    t = np.linspace(0, 124, ROWS)
    on = (t > 2) & (t < 122) & (((t - 2) % 10) < 5)
    trace = _trace(t, np.where(on, 16000.0, 0.0), place, order)
    settled, tau = 31.2 + (0.0, 3.1, 9.4)[place], 45.0
    fitted_k = AIR_K + np.where(t < 2, 0.0, settled * (1 - np.exp(-(t - 2) / tau)))
    wave = np.interp((t - 2) % 10, [0, 5, 10], [-0.6, 0.6, -0.6]) * (t > 2)
    trace["motor_temperature_k"] = fitted_k + wave + np.random.default_rng(order).normal(0, 0.15, ROWS)
    windows = [
        Window(
            kind=kind,
            label=f"{kind} {cycle + 1}",
            start_s=2.0 + 10 * cycle + shift,
            stop_s=7.0 + 10 * cycle + shift,
        )
        for cycle in range(12)
        for kind, shift in (("on", 0.0), ("off", 5.0))
    ]
    return _run(
        "soak",
        run_id,
        treatment,
        repeat,
        order,
        trace,
        windows=tuple(windows),
        fits=(("time_constant_s", tau), ("settled_rise_k", settled), ("air_temperature_k", AIR_K)),
        fitted=pd.DataFrame({"time_s": t[::5], "motor_temperature_k": fitted_k[::5]}),
    )


def staircase_run(*, run_id: str, treatment: str, place: int, repeat: int, order: int) -> RunReduction:
    """Eight steps up and seven down, two seconds each."""
    levels = [15 + 10 * i for i in range(9)]
    stairs = [*levels, *levels[-2::-1]]
    t = np.linspace(0, 2 * len(stairs) + 4, ROWS)
    index = np.clip(((t - 2) // 2).astype(int), 0, len(stairs) - 1)
    running = (t >= 2) & (t < 2 + 2 * len(stairs))
    speed = np.where(running, 21000 * (1 + 0.05 * place) * (np.array(stairs)[index] / 100) ** 0.8, 0.0)
    trace = _trace(t, speed, place, order)
    steps = []
    for i, throttle in enumerate(stairs):
        start, stop = 2.0 + 2 * i + 0.8, 2.0 + 2 * i + 1.9
        part = trace[(t >= start) & (t <= stop)]
        means = tuple(
            (name, float(part[name].mean()), float(part[name].std() / np.sqrt(len(part))))
            for name in ("speed_rpm", "thrust_n", "voltage_v", "current_a")
        )
        steps.append(
            StepRow(
                direction="up" if i < len(levels) else "down",
                throttle=throttle / 100,
                start_s=start,
                stop_s=stop,
                means=means,
            )
        )
    windows = tuple(
        Window(kind="step", label=f"{100 * s.throttle:.0f} %", start_s=s.start_s, stop_s=s.stop_s)
        for s in steps
    )
    return _run("staircase", run_id, treatment, repeat, order, trace, windows=windows, steps=tuple(steps))
