"""Sensor and logger errors: that each is there, and of the size stated."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from generator.intake.rig import Channel, Channels, Rig
from generator.planning.rehearsal_file import Fault, Rehearsal, SensorTruth
from generator.planning.sensors import RigTruth, draw_rig_truth, log_of, no_rig_errors, reading_of


def channel(**fields) -> Channel:
    """A channel as the season loader leaves it: offset, resolution and range in house units."""
    loaded = {
        name: fields.pop(name)
        for name in ("offset", "offset_uncertainty", "resolution", "range")
        if name in fields
    }
    return Channel.model_validate(fields).model_copy(update=loaded)


def rig(**channels: Channel) -> Rig:
    made = {"time": channel(column="t", unit="s"), **channels}
    filled = Channels.model_construct(**{**dict.fromkeys(Channels.model_fields), **made})
    return Rig.model_validate(
        {"id": "r", "label": "R", "channels": {"time": {"column": "t", "unit": "s"}}}
    ).model_copy(update={"channels": filled})


def truth_frame(seconds: float = 20.0, **columns: object) -> pd.DataFrame:
    time = np.arange(int(seconds * 1000)) / 1000.0
    base: dict[str, object] = {"time_s": time, "speed_rpm": np.full(time.size, 9000.0)}
    return pd.DataFrame({**base, **columns})


def quiet(*names: str, **more: object) -> Rehearsal:
    """A rehearsal whose named channels have no error at all."""
    none = SensorTruth.model_construct(
        noise=0.0, correlation_time_s=0.0, zero=0.0, zero_drift=0.0, gain_error=0.0, offset_error=0.0
    )
    return Rehearsal().model_copy(update={"sensors": dict.fromkeys(names, none), "jitter_s": 0.0, **more})


def logged(truth: pd.DataFrame, stand: Rig, rehearsal: Rehearsal, seed: int = 1, **more) -> pd.DataFrame:
    arguments = {"pole_pairs": 7, "shared": no_rig_errors(stand), "gains": {}, "faults": (), **more}
    frame, _ = log_of(truth, stand, rehearsal=rehearsal, rng=np.random.default_rng(seed), **arguments)
    return frame


@given(value=st.floats(-500.0, 500.0), sign=st.sampled_from([1, -1]), offset=st.floats(-5, 5))
def test_thrust_comes_back_from_the_loggers_number(value, sign, offset):
    reading = reading_of(
        "thrust", channel(column="f", unit="gf", sign=sign, offset=offset, resolution=0.1 * 0.00980665), 7
    )
    house = np.array([value])
    back = reading.house(reading.number(house))
    assert abs(back[0] - value) <= 0.05001 * 0.00980665 + 1e-9


def test_each_kind_of_channel_is_written_in_the_loggers_own_way():
    celsius = reading_of("motor_temperature", channel(column="m", unit="degC", resolution=0.1), 7)
    assert celsius.number(np.array([293.15, 300.0]))[0] == pytest.approx(20.0)
    assert celsius.digits == 1
    electrical = reading_of("speed", channel(column="e", unit="rpm", electrical=True, resolution=1.0), 7)
    assert electrical.number(np.array([9000.0]))[0] == pytest.approx(63000.0)
    pulses = reading_of("speed", channel(column="p", unit="Hz", pulses_per_revolution=2, resolution=60.0), 7)
    assert pulses.number(np.array([9000.0]))[0] == pytest.approx(300.0)
    throttle = reading_of("throttle", channel(column="c", idle=1000, full=2000), 7)
    np.testing.assert_allclose(throttle.number(np.array([0.0, 0.45, 1.0])), [1000, 1450, 2000])
    assert throttle.digits == 0
    assert reading_of("time", channel(column="t", unit="ms"), 7).digits == 1


def test_noise_has_the_stated_size_and_memory():
    stand = rig(thrust=channel(column="f", unit="N", resolution=1e-6))
    sensor = SensorTruth.model_construct(
        noise=0.05, correlation_time_s=0.05, zero=0.0, zero_drift=0.0, gain_error=0.0, offset_error=0.0
    )
    made = quiet().model_copy(update={"sensors": {"thrust": sensor}})
    values = logged(truth_frame(400.0, thrust_n=2.0), stand, made)["thrust_n"].to_numpy() - 2.0
    # 100 Hz, so neighbours correlate by exp(-0.01/0.05); 400 s hold 4000 correlation times
    assert values.std() == pytest.approx(0.05, rel=0.06)
    neighbours = np.corrcoef(values[:-1], values[1:])[0, 1]
    assert neighbours == pytest.approx(math.exp(-0.2), abs=0.02)


def test_lag_is_first_order():
    stand = rig(thrust=channel(column="f", unit="N", lag="50 ms", resolution=1e-9))
    step = np.where(np.arange(2000) >= 500, 1.0, 0.0)
    frame = logged(truth_frame(2.0, thrust_n=step), stand, quiet("thrust"))
    late = frame["time_s"].to_numpy() - 0.499  # the first lagged sample is the one at 0.500 s
    rows = (late > 0.02) & (late < 0.3)
    np.testing.assert_allclose(
        frame["thrust_n"].to_numpy()[rows], 1.0 - np.exp(-late[rows] / 0.05), atol=2e-3
    )


def test_gain_offset_and_range():
    stand = rig(
        voltage=channel(column="u", unit="V", resolution=1e-6, range=(0.0, 20.0)),
        thrust=channel(column="f", unit="N", resolution=1e-6),
    )
    shared = RigTruth(gains={"voltage": 0.02, "thrust": 0.0}, offsets={"voltage": 0.1, "thrust": 0.0})
    frame = logged(
        truth_frame(1.0, voltage_v=15.0, thrust_n=2.0), stand, quiet("voltage", "thrust"),
        shared=shared, gains={"thrust": 1.035},
    )  # fmt: skip
    np.testing.assert_allclose(frame["voltage_v"], 15.0 * 1.02 + 0.1, atol=1e-5)
    np.testing.assert_allclose(frame["thrust_n"], 2.07, atol=1e-5)
    over = logged(truth_frame(1.0, voltage_v=25.0, thrust_n=2.0), stand, quiet("voltage", "thrust"))
    assert over["voltage_v"].max() == pytest.approx(20.0)


def test_a_zero_that_rest_removes_is_no_error_of_offset():
    stand = rig(current=channel(column="i", unit="A", resolution=1e-6))
    shared = RigTruth(gains={"current": 0.0}, offsets={"current": 0.2})
    speed = np.where(np.arange(2000) >= 1000, 9000.0, 0.0)
    frame = logged(
        truth_frame(2.0, speed_rpm=speed, current_a=speed / 9000.0), stand, quiet("current"), shared=shared
    )
    assert frame["current_a"].iloc[10] == pytest.approx(0.0)
    assert frame["current_a"].iloc[-10] == pytest.approx(1.2)


def test_rig_errors_are_drawn_from_the_stated_uncertainties():
    stand = rig(voltage=channel(column="u", unit="V", gain_uncertainty="1 %", offset_uncertainty=0.05))
    drawn = [draw_rig_truth(stand, Rehearsal(), np.random.default_rng(seed)) for seed in range(400)]
    assert np.std([d.gains["voltage"] for d in drawn]) == pytest.approx(0.01, rel=0.15)
    assert np.std([d.offsets["voltage"] for d in drawn]) == pytest.approx(0.05, rel=0.15)
    fixed = Rehearsal().model_copy(
        update={"sensors": {"voltage": SensorTruth.model_construct(gain_error=0.03)}}
    )
    assert draw_rig_truth(stand, fixed, np.random.default_rng(1)).gains["voltage"] == 0.03


def test_faults_are_where_they_should_be():
    stand = rig(thrust=channel(column="f", unit="N", resolution=1e-6))
    faults = (
        Fault.model_construct(kind="dropout", channel="thrust", at_s=2.0, for_s=0.5),
        Fault.model_construct(kind="spike", channel="thrust", at_s=4.0, for_s=0.0, size=3.0),
        Fault.model_construct(kind="stuck", channel="thrust", at_s=6.0, for_s=1.0),
        Fault.model_construct(kind="dropout", channel=None, at_s=8.0, for_s=1.0),
    )
    rising = np.arange(10000) / 1000.0
    frame = logged(truth_frame(10.0, thrust_n=rising), stand, quiet("thrust"), faults=faults)
    time, thrust = frame["time_s"].to_numpy(), frame["thrust_n"].to_numpy()
    missing = time[np.isnan(thrust)]
    assert (missing.min(), missing.max(), missing.size) == (pytest.approx(2.0), pytest.approx(2.49), 50)
    jumps = np.flatnonzero(np.abs(thrust - time) > 2.0)
    assert jumps.size == 1
    assert time[jumps[0]] == pytest.approx(4.0)
    assert np.ptp(thrust[(time >= 6.0) & (time < 6.995)]) == 0.0
    assert not ((time >= 8.0) & (time < 8.995)).any()


def test_sampling_instants_jitter_but_never_turn_back():
    stand = rig(thrust=channel(column="f", unit="N"))
    frame = logged(truth_frame(30.0, thrust_n=1.0), stand, quiet("thrust", jitter_s=0.02))
    steps = np.diff(frame["time_s"].to_numpy())
    assert steps.min() > 0.0
    assert steps.std() > 0.001
    assert frame["time_s"].iloc[0] >= 0.0
