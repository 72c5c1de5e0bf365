"""One run from its log's frame to its responses."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from pydantic import BaseModel

from generator.intake.calibrations import CalibratedChannel
from generator.intake.log_records import BenchLog
from generator.intake.rig import CHANNEL_KINDS
from generator.intake.session import Air, Run
from generator.reduction.air import air_density_uncertainty, moist_air_density_kg_m3
from generator.reduction.health import summarise_sampling
from generator.reduction.levels import smoothed
from generator.reduction.prepare import prepare
from generator.reduction.records import (
    AirState,
    Finding,
    Outcome,
    PreparedRun,
    Procedure,
    RunReduction,
    Setup,
)

Array = NDArray[np.float64]
TRACE_ROWS = 1500


def air_state(air: Air) -> AirState:
    """Density of the session's air (CIPM-2007) with its standard uncertainty. Raises ValueError for impossible air."""
    density = moist_air_density_kg_m3(air.temperature_k, air.pressure_pa, air.humidity)
    return AirState(
        temperature_k=air.temperature_k,
        pressure_pa=air.pressure_pa,
        humidity=air.humidity,
        density_kg_m3=density,
        temperature_u_k=air.temperature_uncertainty_k,
        density_u_kg_m3=air_density_uncertainty(
            air.temperature_k,
            air.pressure_pa,
            air.humidity,
            air.temperature_uncertainty_k,
            air.pressure_uncertainty_pa,
            air.humidity_uncertainty,
        ),
    )


def reduce_run(
    log: BenchLog, run: Run, order: int, setup: Setup, plan: BaseModel, procedure: Procedure
) -> RunReduction:
    """One run, checked, corrected and reduced.

    order   1-based place in the order made
    Returns a reduction; a run whose data cannot carry its procedure is returned as refused, with the reason
    """
    refused: str | None = None if run.left_out is None else f"Left out by the tester: {run.left_out}"
    clocks = tuple((column, part.offset_u_s) for part in log.joined for column in part.columns)
    setup = replace(setup, clock_u_s=clocks)
    prepared = prepare(log.frame, setup, plan)
    outcome = Outcome()
    needed = (*procedure.needs, *getattr(plan, "channels_needed", ()))
    lacking = [name for name in needed if not _present(log.frame, name)]
    if lacking:
        refused = (
            refused or f"The log holds no reading of {', '.join(name.replace('_', ' ') for name in lacking)}."
        )
    elif refused is None:
        outcome = procedure.reduce(prepared)
        if not outcome.responses and outcome.calibration is None:
            reasons = [finding.sentence for finding in outcome.findings if finding.grade == "refused"]
            refused = " ".join(reasons) or "No response could be computed from this log."
    time = log.frame["time_s"].to_numpy(dtype=np.float64)
    rate = summarise_sampling(time).rate_hz if time.size > 1 else None
    return RunReduction(
        run_id=run.id,
        log=run.log,
        sha256=log.sha256,
        rows=log.rows,
        procedure=run.procedure,
        treatment=run.treatment,
        repeat=run.repeat,
        block=run.block if run.block is not None else 0,
        order=order,
        started=None if run.started is None else run.started.strftime("%H:%M"),
        simulated=log.simulated,
        refused=refused,
        responses=outcome.responses if refused is None else (),
        losses=outcome.losses if refused is None else (),
        constants=outcome.constants if refused is None else (),
        readings=outcome.readings if refused is None else (),
        windows=(*prepared.rests, *outcome.windows),
        steps=outcome.steps,
        fits=outcome.fits,
        fitted=outcome.fitted,
        calibration=outcome.calibration if refused is None else None,
        findings=_in_time((*prepared.findings, *outcome.findings, *_rehearsed_calibrations(log, setup))),
        trace=thinned(log.frame),
        columns=log.columns,
        sampling_hz=rate,
        joined=log.joined,
        zero_drift=tuple(prepared.zero_drift.items()),
        start_motor_temperature_k=_start_temperature(prepared, time),
    )


def _rehearsed_calibrations(log: BenchLog, setup: Setup) -> Iterator[Finding]:
    """A measured log must not be corrected by what a rehearsal made up."""
    for name, channel in setup.rig.channels.present().items():
        if log.simulated is None and isinstance(channel, CalibratedChannel) and channel.used.simulated:
            yield Finding(
                kind="simulated calibration",
                channel=CHANNEL_KINDS[name][1],
                grade="doubtful",
                sentence=f"The {name.replace('_', ' ')} is corrected by the calibration {channel.used.id}, which was "
                "made from simulated logs.",
            )


def _present(frame: pd.DataFrame, channel: str) -> bool:
    column = CHANNEL_KINDS[channel][1]
    return column in frame and bool(np.isfinite(frame[column].to_numpy(dtype=np.float64)).any())


def _in_time(findings: tuple[Finding, ...]) -> tuple[Finding, ...]:
    return tuple(sorted(findings, key=lambda f: (f.start_s is None, f.start_s or 0.0, f.channel, f.kind)))


def _start_temperature(run: PreparedRun, time: Array) -> float | None:
    """Motor temperature at rest before the run, or over its first half second."""
    if "motor_temperature_k" not in run.columns or time.size == 0:
        return None
    first = next((w for w in run.rests if w.label == "rest before"), None)
    stop = first.stop_s if first is not None else float(time[0]) + 0.5
    part = run.columns["motor_temperature_k"][time <= stop]
    return float(np.nanmean(part)) if np.isfinite(part).any() else None


def thinned(frame: pd.DataFrame, rows: int = TRACE_ROWS) -> pd.DataFrame:
    """The frame in at most `rows` rows, extremes kept: for display only, never for a figure.

    Each bucket of neighbouring rows gives two rows; in every channel these are the bucket's first extreme and
    its last, at the bucket's edges in time, so a spike of one sample stays visible.
    """
    if len(frame) <= rows:
        return frame.reset_index(drop=True)
    buckets = rows // 2
    edges = np.linspace(0, len(frame), buckets + 1).astype(np.int64)
    time = frame["time_s"].to_numpy(dtype=np.float64)
    middle = (edges[:-1] + edges[1:]) // 2
    made = {"time_s": np.column_stack((time[edges[:-1]], time[middle])).ravel()}
    for column in frame.columns:
        if column == "time_s":
            continue
        values = frame[column].to_numpy(dtype=np.float64)
        low = np.fmin.reduceat(values, edges[:-1])
        high = np.fmax.reduceat(values, edges[:-1])
        # order of the two extremes as they came, so that a slope is drawn as a slope
        rising = smoothed(time, values, 0.0)[edges[:-1]] <= values[np.maximum(edges[1:] - 1, 0)]
        first, second = np.where(rising, low, high), np.where(rising, high, low)
        made[str(column)] = np.column_stack((first, second)).ravel()
    return pd.DataFrame(made)
