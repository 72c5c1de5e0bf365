"""How fast to sample: enough points in the shortest rise, enough in the shortest window."""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass

import numpy as np
from pydantic import BaseModel

from generator.evidence.wording import plain
from generator.intake.reference_texts import Thresholds
from generator.planning.bench_model import RPM, BenchModel, Stretch, run_bench
from generator.planning.forecast_model import ASSUMED, Known
from generator.planning.plan_records import SamplingAdvice

# Samples that an averaged window should hold: scatter of a mean of fifty correlated samples is still told from the
# samples themselves. Our own choice, no source.
FEWEST_IN_WINDOW = 50
LEAD_S, LONGEST_DWELL_S = 1.5, 2.0
STEP_S = 0.0005
WINDOWS = ("window_s", "average_s")


@dataclass(frozen=True, slots=True, kw_only=True)
class Steps:
    """Steps of speed as the bench makes them: shortest 10 to 90 % rise [s], highest current on the way [A]."""

    shortest_s: float | None
    peak_a: float


@functools.lru_cache(maxsize=64)
def steps_of(model: BenchModel, from_rpm: float, to_rpm: tuple[float, ...], dwell_s: float) -> Steps:
    """One step to each speed, run through the bench model.

    Source  10 % and 90 % reference levels between state levels, IEEE 181
    """
    dwell = min(dwell_s, LONGEST_DWELL_S)
    pattern = [Stretch(kind="speed", value=from_rpm * RPM, duration_s=LEAD_S)]
    for rpm in to_rpm:
        pattern.append(Stretch(kind="speed", value=rpm * RPM, duration_s=dwell, label="to"))
        pattern.append(Stretch(kind="speed", value=from_rpm * RPM, duration_s=dwell))
    trace = run_bench(model, tuple(pattern), STEP_S)
    rises = []
    for label, start, stop in trace.stretches:
        if label != "to":
            continue
        rows = (trace.time_s >= start) & (trace.time_s < stop)
        speed = trace.speed_rad_s[rows]
        low, high = float(speed[0]), float(speed[-1])
        done = (speed - low) / (high - low) if high > low else np.zeros_like(speed)
        if not done.max(initial=0.0) >= 0.9:
            continue
        first, last = (int(np.argmax(done >= level)) for level in (0.1, 0.9))
        rises.append((last - first) * STEP_S)
    peak = float(trace.current_a[trace.time_s > LEAD_S].max())
    return Steps(shortest_s=min(rises, default=None), peak_a=peak)


def _steps(plan: BaseModel, model: BenchModel) -> Steps | None:
    low, targets, dwell = (getattr(plan, name, None) for name in ("from_rpm", "to_rpm", "dwell_s"))
    if low is None or targets is None or dwell is None:
        return None
    return steps_of(model, float(low), tuple(float(rpm) for rpm in targets), float(dwell))


def peak_current_a(plan: BaseModel, model: BenchModel) -> float | None:
    """Highest current from the source in the steps of a plan [A]; None where it makes none."""
    steps = _steps(plan, model)
    return None if steps is None else steps.peak_a


def sampling(
    procedure: str, treatment: str, label: str, plan: BaseModel, known: Known, thresholds: Thresholds
) -> SamplingAdvice | None:
    """Advice for one procedure with one treatment; None where the plan neither times nor averages.

    The limits are those of the checks of the data, `checks.sampling_warns_percent` and `checks.lag_warns_percent`.
    Source  a first-order lag τ alone makes a rise of τ ln 9, 10 to 90 % (closed form)
    """
    steps = _steps(plan, known.model)
    windows = [float(value) for name in WINDOWS if (value := getattr(plan, name, None)) is not None]
    window = min(windows, default=None)
    if steps is not None and steps.shortest_s:
        shortest = steps.shortest_s
        hz = 1.0 / (thresholds.share("checks.sampling_warns_percent") * shortest)
        lag_ms = 1000.0 * thresholds.share("checks.lag_warns_percent") * shortest / math.log(9.0)
        words = (
            f"{procedure} with {label}: the shortest rise takes about {plain(1000.0 * shortest, 'ms', 2)}; sample at "
            f"least {plain(_rounded(hz), digits=3)} times a second, with a speed sensor no slower than "
            f"{plain(lag_ms, 'ms', 2)}."
        )
        return SamplingAdvice(
            procedure=procedure, treatment=treatment, shortest_ms=1000.0 * shortest, at_least_hz=_rounded(hz),
            lag_at_most_ms=lag_ms, window_s=window, words=words, basis=ASSUMED,
        )  # fmt: skip
    if window is None:
        return None
    hz = _rounded(FEWEST_IN_WINDOW / window)
    words = (
        f"{procedure} with {label}: {FEWEST_IN_WINDOW} samples in the window of {plain(window, 's')} take "
        f"{plain(hz, digits=3)} a second."
    )
    return SamplingAdvice(
        procedure=procedure, treatment=treatment, shortest_ms=None, at_least_hz=hz, lag_at_most_ms=None,
        window_s=window, words=words, basis=ASSUMED,
    )  # fmt: skip


def _rounded(hz: float) -> float:
    """Up to two digits, so that nobody sets 53.7 Hz."""
    step = 10.0 ** (math.floor(math.log10(hz)) - 1)
    return math.ceil(hz / step - 1e-9) * step
