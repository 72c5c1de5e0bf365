"""A stand at rest while known loads are put on and taken off: the true course of a `zero` run."""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from generator.intake.calibrations import CalibratedChannel, calibrated
from generator.intake.rig import CHANNEL_KINDS, Rig
from generator.intake.session import Season, Session
from generator.planning.bench_model import BenchModel, cell_voltage_v
from generator.planning.sensors import BACKGROUND_VIBRATION_M_S2, Reading
from generator.reduction.calibration import ways
from generator.reduction.calibration_loads import ZeroPlan

Array = NDArray[np.float64]

SLACK_S = 1.0  # a load stays a little longer than settling and window need, as a person does
HANDLING_S = 1.5  # from one load to the next


def loaded_frame(
    plan: ZeroPlan,
    model: BenchModel,
    *,
    hysteresis: float,
    background_db: float,
    step_s: float,
    rng: np.random.Generator,
) -> pd.DataFrame:
    """True values in house units at even steps; columns as `sensors.true_frame` gives them.

    hysteresis  how much more the loaded channel follows on the way down, half-way between the ends of the loads,
                house unit; nothing at the ends
    rng         draws what the loads truly are, within their stated uncertainty: the same for every run of a session
    """
    loads = plan.load_values()
    way = ways(loads)
    low, high = min(loads), max(loads)
    scale = 1.0 + float(rng.standard_normal()) * plan.load_relative()
    apart = {load: float(rng.standard_normal()) * plan.load_absolute() for load in sorted(set(loads))}
    levels = []
    for load, direction in zip(loads, way, strict=True):
        share = (load - low) / (high - low)
        lobe = 4.0 * share * (1.0 - share) if direction == "down" else 0.0
        levels.append(scale * load + apart[load] + hysteresis * lobe)
    stays = round((plan.settle_s + plan.window_s + SLACK_S) / step_s)
    moves = round(HANDLING_S / step_s)
    course = [np.full(stays, levels[0])]
    for before, now in itertools.pairwise(levels):
        rise = 0.5 - 0.5 * np.cos(np.pi * np.arange(moves) / moves)
        course += [before + (now - before) * rise, np.full(stays, now)]
    loaded = np.concatenate(course)
    source = model.source
    still = {
        "throttle": 0.0,
        "speed_rpm": 0.0,
        "thrust_n": 0.0,
        "torque_nm": 0.0,
        "voltage_v": source.cells * cell_voltage_v(source, source.state_of_charge),
        "current_a": 0.0,
        "motor_temperature_k": model.start_temperature_k,
        "controller_temperature_k": model.start_temperature_k,
        "air_temperature_k": model.air_temperature_k,
        "pack_temperature_k": source.temperature_k,
        "sound_level_db": background_db,
        "vibration_m_s2": BACKGROUND_VIBRATION_M_S2,
        "power_w": 0.0,
    }
    columns: dict[str, Array] = {"time_s": np.arange(loaded.size, dtype=np.float64) * step_s}
    columns |= {name: np.full(loaded.size, value) for name, value in still.items()}
    columns[plan.column] = loaded
    return pd.DataFrame(columns)


def without_calibration(
    logged: pd.DataFrame, readings: Mapping[str, Reading], rig: Rig
) -> tuple[pd.DataFrame, dict[str, Reading]]:
    """A log as it reads without the rig's calibrations, which a `zero` run is read without; the numbers in it stay."""
    made, plain = logged.copy(), dict(readings)
    for name, channel in rig.channels.present().items():
        if isinstance(channel, CalibratedChannel):
            column, used, reading = CHANNEL_KINDS[name][1], channel.used, readings[name]
            made[column] = (made[column] - used.at - used.offset) / used.gain + used.at
            plain[name] = replace(
                reading,
                zero=(reading.zero - used.at - used.offset) / used.gain + used.at,
                scale=reading.scale / used.gain,
            )
    return made, plain


def with_calibration(
    plain: pd.DataFrame, readings: Mapping[str, Reading], rig: Rig
) -> tuple[pd.DataFrame, dict[str, Reading]]:
    """The other way: a log read without calibrations as it reads with the rig's; the numbers in it stay."""
    made, used = plain.copy(), dict(readings)
    for name, channel in rig.channels.present().items():
        if isinstance(channel, CalibratedChannel):
            column, record, reading = CHANNEL_KINDS[name][1], channel.used, readings[name]
            made[column] = record.true(made[column].to_numpy(dtype=np.float64))
            used[name] = replace(
                reading,
                zero=float(record.true(np.array(reading.zero))),
                scale=reading.scale * record.gain,
            )
    return made, used


def before_own_record(season: Season, session: Session) -> Rig:
    """The rig as it stood before the records that this session itself gave: what its logs were written on.

    Without this a session with `zero` runs would be rehearsed otherwise once the rig file refers to its record.
    """
    if not any(
        isinstance(channel, CalibratedChannel) and channel.used.session == session.id
        for channel in session.rig.channels.present().values()
    ):
        return session.rig
    others = {n: r for n, r in season.calibrations.items() if r is None or r.session != session.id}
    return calibrated(season.rigs[session.rig.id], others, session.file.date)
