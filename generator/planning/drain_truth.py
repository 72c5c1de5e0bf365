"""What is true of a drain, from the simulated bench's own state."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
from scipy.ndimage import median_filter

from generator.planning.bench_model import BenchTrace, SourceModel, source_resistance_ohm
from generator.reduction.drain import DrainPlan
from generator.reduction.drain_load import CUT_OFF_SMOOTHING_S
from generator.reduction.records import At


def of_drain(trace: BenchTrace, plan: DrainPlan, source: SourceModel) -> Iterator[tuple[str, At, float]]:
    """True responses of a drain; nothing of those to the cut-off where it was not reached.

    The resistance is the source's own at its temperature, averaged over the changes of the load; the cut-off the
    first instant at which the voltage at the tap stays at or below it for longer than a dip.
    """
    on = [(start, stop) for label, start, stop in trace.stretches if label.startswith("drain ")]
    if not on:
        return
    step_s = float(trace.time_s[1] - trace.time_s[0])
    ohms = [
        source_resistance_ohm(source, float(np.interp(at, trace.time_s, trace.source_temperature_k)))
        for at in (*(start for start, _ in on), on[-1][1])
    ]
    yield "internal_resistance", (), 1000.0 * math.fsum(ohms) / len(ohms)
    inside = np.flatnonzero((trace.time_s >= on[0][0]) & (trace.time_s < on[-1][1]))
    width = round(CUT_OFF_SMOOTHING_S / step_s) | 1
    steady = median_filter(trace.tap_voltage_v[inside], size=width, mode="nearest")
    below = np.flatnonzero(steady <= source.cells * plan.cut_off_v)
    if not below.size:
        return
    first, last = int(inside[0]), int(inside[below[0]])
    current, voltage = trace.current_a[first:last], trace.tap_voltage_v[first:last]
    yield "delivered_charge", (), float(current.sum()) * step_s / 3.6
    yield "delivered_energy", (), float((voltage * current).sum()) * step_s / 3600.0
    yield "time_to_cut_off", (), (last - first) * step_s
    warm = trace.source_temperature_k
    yield "pack_temperature_rise", (), float(warm[last] - warm[first])
