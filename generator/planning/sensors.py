"""True course of a run -> what the rig's channels and logger make of it."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.signal import lfilter

from generator.intake.calibrations import CalibratedChannel
from generator.intake.quantities import conversion
from generator.intake.rig import CHANNEL_KINDS, Channel, Rig
from generator.planning.bench_model import RPM, BenchModel, BenchTrace
from generator.planning.rehearsal_file import Fault, Rehearsal, SensorTruth, difference_kind

Array = NDArray[np.float64]

# Defaults where rehearsal.yaml says nothing, house units: noise (standard deviation), its correlation time [s],
# zero and its drift (standard deviations from run to run). Assumed, no source.
DEFAULT_SENSORS: dict[str, tuple[float, float, float, float]] = {
    "throttle": (0.0, 0.0, 0.0, 0.0),
    "speed": (12.0, 0.0, 0.0, 0.0),
    "thrust": (0.012, 0.02, 0.015, 0.008),
    "torque": (1.5e-4, 0.02, 1e-4, 5e-5),
    "voltage": (0.004, 0.004, 0.0, 0.0),
    "current": (0.03, 0.005, 0.01, 0.003),
    "motor_temperature": (0.08, 0.1, 0.0, 0.0),
    "controller_temperature": (0.08, 0.1, 0.0, 0.0),
    "air_temperature": (0.05, 1.0, 0.0, 0.0),
    "pack_temperature": (0.08, 0.1, 0.0, 0.0),
    "sound_level": (0.4, 0.1, 0.0, 0.0),
    "vibration": (0.25, 0.02, 0.0, 0.0),
}
# Channels whose reading at rest the analysis takes as zero: a constant error of theirs would vanish, so
# their error of offset is there only while the propeller turns.
ZEROED = ("thrust", "torque", "current")
TURNING_RAD_S = 20.0
NO_DIGITS_GIVEN = {"time": 1e-4, "throttle": 1e-3, "speed": 1.0, "torque": 1e-5, "vibration": 1e-2}
SMALLEST_STEP = 1e-3
# Sound level of a small propeller at 1 m, by tip speed; a shape assumed for rehearsal, no source.
SOUND_AT_110_M_S_DB = 94.0
SOUND_PER_DECADE_DB = 55.0
VIBRATION_M_PER_RAD2 = 1.5e-6  # movement of the stand by an ordinary imbalance; assumed
BACKGROUND_VIBRATION_M_S2 = 0.2


@dataclass(frozen=True, slots=True, kw_only=True)
class RigTruth:
    """Errors that all runs of a session share: channel -> gain error (share) and offset error (house unit)."""

    gains: Mapping[str, float]
    offsets: Mapping[str, float]


def draw_rig_truth(rig: Rig, rehearsal: Rehearsal, rng: np.random.Generator) -> RigTruth:
    """Shared errors: as rehearsal.yaml states them, else drawn from the rig's stated standard uncertainties."""
    stated: Mapping[str, SensorTruth] = {str(name): truth for name, truth in rehearsal.sensors.items()}
    gains: dict[str, float] = {}
    offsets: dict[str, float] = {}
    for name, channel in rig.channels.present().items():
        gain = float(rng.standard_normal()) * channel.gain_uncertainty
        offset = float(rng.standard_normal()) * float(channel.offset_uncertainty or 0.0)
        if name == "time":
            continue
        hidden = stated.get(name)
        gains[name] = gain if hidden is None or hidden.gain_error is None else hidden.gain_error
        offsets[name] = offset if hidden is None or hidden.offset_error is None else hidden.offset_error
    return RigTruth(gains=gains, offsets=offsets)


def no_rig_errors(rig: Rig) -> RigTruth:
    """A rig without any error that the runs share."""
    names = list(rig.channels.present())
    return RigTruth(gains=dict.fromkeys(names, 0.0), offsets=dict.fromkeys(names, 0.0))


def true_frame(
    trace: BenchTrace, model: BenchModel, *, vibration: float, distance_m: float, background_db: float
) -> pd.DataFrame:
    """True values in house units: the columns of `CHANNEL_KINDS`, and `power_w` at the controller.

    vibration    imbalance over an ordinary one
    distance_m   from propeller to sound level meter
    """
    speed = trace.speed_rad_s
    tip_m_s = np.maximum(0.5 * model.propeller.diameter_m * speed, 1.0)
    sound = (
        SOUND_AT_110_M_S_DB
        + SOUND_PER_DECADE_DB * np.log10(tip_m_s / 110.0)
        - 20.0 * math.log10(max(distance_m, 0.05))
    )
    loud = 10.0 * np.log10(10.0 ** (sound / 10.0) + 10.0 ** (background_db / 10.0))
    shake = np.hypot(BACKGROUND_VIBRATION_M_S2, vibration * VIBRATION_M_PER_RAD2 * speed**2)
    return pd.DataFrame(
        {
            "time_s": trace.time_s,
            "throttle": trace.throttle,
            "speed_rpm": speed / RPM,
            "thrust_n": trace.thrust_n,
            "torque_nm": trace.torque_nm,
            "voltage_v": trace.tap_voltage_v,
            "current_a": trace.current_a,
            "motor_temperature_k": trace.motor_temperature_k,
            "controller_temperature_k": trace.controller_temperature_k,
            "air_temperature_k": np.full(speed.shape, model.air_temperature_k),
            "pack_temperature_k": trace.source_temperature_k,
            "sound_level_db": loud,
            "vibration_m_s2": shake,
            "power_w": trace.voltage_v * trace.current_a,
        }
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """How a channel's house value becomes the logger's number: number = (house - zero) / scale, on a grid of `step`."""

    zero: float
    scale: float
    step: float

    def number(self, house: Array) -> Array:
        """The logger's number, rounded to its step. Shape (n,); NaN stays NaN."""
        return np.asarray(
            np.round((house - self.zero) / self.scale / self.step) * self.step, dtype=np.float64
        )

    def house(self, number: Array) -> Array:
        """House value of a logger's number. Shape (n,)."""
        return number * self.scale + self.zero

    @property
    def digits(self) -> int:
        """Decimal places that show the step exactly, at most 6."""
        for places in range(7):
            if abs(self.step * 10**places - round(self.step * 10**places)) < 1e-6 * self.step * 10**places:
                return places
        return 6


def reading_of(name: str, channel: Channel, pole_pairs: int) -> Reading:
    """The inverse of how `intake` reads a channel."""
    kind, _ = CHANNEL_KINDS[name]
    if name == "throttle" and channel.idle is not None and channel.full is not None:
        span = channel.full - channel.idle
        step = 1.0 if channel.resolution is None else abs(float(channel.resolution) * span)
        return Reading(zero=-channel.idle / span, scale=1.0 / span, step=step)
    unit = channel.unit
    convert: Callable[[float], float] = (
        conversion(unit, kind) if unit is not None and unit != "clock" else float
    )
    zero = float(convert(0.0))
    scale = float(convert(1.0)) - zero
    step = float(channel.resolution or NO_DIGITS_GIVEN.get(name, SMALLEST_STEP)) / abs(scale)
    if not channel.resolution:
        step = 10.0 ** math.floor(math.log10(step) + 1e-9)  # a logger shows whole decimal places
    if name == "speed" and channel.electrical:
        scale /= pole_pairs
    if name == "speed" and channel.pulses_per_revolution is not None:
        scale /= channel.pulses_per_revolution
    # what the logger shows at true zero is subtracted when the log is read; `sign` then turns it round
    shift = float(channel.offset or 0.0)
    house_zero, house_scale = zero - channel.sign * shift, channel.sign * scale
    if isinstance(channel, CalibratedChannel):
        house_zero, house_scale = (
            float(channel.used.true(np.array(house_zero))),
            channel.used.gain * house_scale,
        )
    return Reading(zero=house_zero, scale=house_scale, step=step)


def log_of(
    truth: pd.DataFrame,
    rig: Rig,
    *,
    pole_pairs: int,
    rehearsal: Rehearsal,
    shared: RigTruth,
    gains: Mapping[str, float],
    faults: tuple[Fault, ...],
    rng: np.random.Generator,
) -> tuple[pd.DataFrame, dict[str, Reading]]:
    """What the logger records of a run.

    truth    as `true_frame` gives it, at even steps
    gains    channel -> factor that this run's channel is off by, beside the shared error
    Returns  frame in house units with `time_s` and one column a channel of the rig, NaN for empty cells, rounded
             as the log shows it; and how to write each channel
    """
    inner = truth["time_s"].to_numpy(dtype=np.float64)
    step_s = float(inner[1] - inner[0])
    interval = 1.0 / rehearsal.sampling_hz
    count = int((inner[-1] - inner[0]) / interval)
    wander = np.clip(rng.standard_normal(count) * rehearsal.jitter_s, -0.3 * interval, 0.3 * interval)
    wander[0] = max(wander[0], 0.0)
    channels = rig.channels.present()
    stated: Mapping[str, SensorTruth] = {str(name): truth for name, truth in rehearsal.sensors.items()}
    readings = {name: reading_of(name, channel, pole_pairs) for name, channel in channels.items()}
    clock = readings["time"]
    time = clock.house(clock.number(np.arange(count) * interval + wander))
    turning = np.interp(time, inner, truth["speed_rpm"].to_numpy() * RPM) > TURNING_RAD_S
    made: dict[str, Array] = {"time_s": time}
    for name, channel in channels.items():
        if name == "time":
            continue
        column = CHANNEL_KINDS[name][1]
        lagged = _lagged(truth[column].to_numpy(dtype=np.float64), channel.lag_s, step_s)
        values = np.interp(time, inner, lagged)
        values = _with_errors(
            values,
            name,
            stated.get(name),
            shared,
            gains.get(name, 1.0),
            turning,
            time,
            interval,
            rng,
        )
        if name == "vibration":
            values = np.abs(values)  # the logger shows a magnitude
        for fault in (item for item in faults if item.channel == name):
            _break(values, time, fault)
        if channel.range is not None:
            low, high = channel.range
            values = np.clip(values, -math.inf if low is None else low, math.inf if high is None else high)
        reading = readings[name]
        made[column] = reading.house(reading.number(values))
    frame = pd.DataFrame(made)
    keep = np.ones(count, dtype=bool)
    for fault in faults:
        if fault.channel is None:
            keep &= ~((time >= fault.at_s) & (time < fault.at_s + fault.for_s))
    return frame[keep].reset_index(drop=True), readings


def _lagged(values: Array, lag_s: float, step_s: float) -> Array:
    """First-order lag, exact for steps held constant."""
    if lag_s <= 0.0:
        return values
    keep = math.exp(-step_s / lag_s)
    out, _ = lfilter([1.0 - keep], [1.0, -keep], values, zi=[keep * values[0]])
    return np.asarray(out, dtype=np.float64)


def _with_errors(
    values: Array,
    name: str,
    hidden: SensorTruth | None,
    shared: RigTruth,
    gain: float,
    turning: NDArray[np.bool_],
    time: Array,
    interval: float,
    rng: np.random.Generator,
) -> Array:
    """Gain, offset, zero and its drift, correlated noise, in that order."""
    noise, correlation_s, zero, drift = DEFAULT_SENSORS[name]
    if hidden is not None:
        noise = noise if hidden.noise is None else float(hidden.noise)
        correlation_s = correlation_s if hidden.correlation_time_s is None else hidden.correlation_time_s
        zero = zero if hidden.zero is None else float(hidden.zero)
        drift = drift if hidden.zero_drift is None else float(hidden.zero_drift)
    # a gain error of a temperature would act on the kelvins; such channels are stated by offset alone
    factor = gain * (1.0 + shared.gains[name]) if difference_kind(name) != "temperature_difference" else 1.0
    offset = shared.offsets[name] * (turning if name in ZEROED else 1.0)
    z, d = rng.standard_normal(2)
    slow = z * zero + d * drift * (time - time[0]) / max(time[-1] - time[0], interval)
    white = rng.standard_normal(values.size)
    if noise > 0.0 and correlation_s > 0.0:
        keep = math.exp(-interval / correlation_s)
        white[1:] *= math.sqrt(1.0 - keep * keep)
        white = np.asarray(lfilter([1.0], [1.0, -keep], white), dtype=np.float64)
    moving = turning if name == "speed" else 1.0  # a tachometer shows nothing at standstill
    return np.asarray(values * factor + offset + slow + noise * white * moving, dtype=np.float64)


def _break(values: Array, time: Array, fault: Fault) -> None:
    """Put a fault into the values, in place; at least one sample."""
    first = int(np.searchsorted(time, fault.at_s))
    last = max(first + 1, int(np.searchsorted(time, fault.at_s + fault.for_s)))
    if first >= values.size:
        return
    if fault.kind == "dropout":
        values[first:last] = np.nan
    elif fault.kind == "stuck":
        values[first:last] = values[first]
    else:
        values[first:last] += float(fault.size or 0.0)
