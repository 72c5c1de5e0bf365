"""Every source of the budget, in every response it should touch: the input is moved, the component follows.

The closed forms are those of synthetic.py (T ∝ n², P ∝ n³, no noise): a relative error g of one input moves a response
by a power of it. What is not listed must not be touched.
"""

import datetime
import math
from dataclasses import replace

import numpy as np
import pytest

from generator.reduction.measured import RigErrors, calibration_age_uncertainty, components, trend_per_s
from generator.reduction.prepare import prepare
from tests.reduction.synthetic import (
    AIR_K,
    CONTROLLER_V,
    GF_PER_N,
    Bench,
    find,
    hold_frame,
    make_plan,
    make_rig,
    make_setup,
    outcome,
    part,
    soak_frame,
    spin_up_frame,
)

HOLD = {"speed": ["16000 rpm"], "settle": "0.5 s", "window": "2 s"}
SOAK = {"speed": "16000 rpm", "on": "4 s", "off": "4 s", "cycles": 10}
SPIN_UP = {"from": "4000 rpm", "to": ["16000 rpm"], "cycles": 6, "dwell": "1 s"}
POWER_W, THRUST_GF, TORQUE_NM = 250.0, 8.0 * GF_PER_N, 0.11
CURRENT_A = POWER_W / CONTROLLER_V
SHAFT_W = TORQUE_NM * 16000 * 2 * math.pi / 60
EFFICIENCY = 100 * SHAFT_W / POWER_W
RIGHT = {
    "electrical_power": POWER_W, "current": CURRENT_A, "thrust": THRUST_GF,
    "thrust_per_power": THRUST_GF / POWER_W, "torque": TORQUE_NM, "shaft_power": SHAFT_W,
    "system_efficiency": EFFICIENCY, "voltage": CONTROLLER_V, "throttle": 80.0,
    "motor_temperature_rise": 40.0, "controller_temperature_rise": 25.0, "sound_level": 85.0, "vibration": 3.0,
}  # fmt: skip
# Channel -> power of its reading that is in each response (the speed also through the correction to the setpoint).
POWERS = {
    "speed": {"electrical_power": -3, "current": -3, "thrust": -2, "thrust_per_power": 1, "torque": -2,
              "shaft_power": -2, "system_efficiency": 1},
    "thrust": {"thrust": 1, "thrust_per_power": 1},
    "torque": {"torque": 1, "shaft_power": 1, "system_efficiency": 1},
    "voltage": {"electrical_power": 1, "thrust_per_power": -1, "system_efficiency": -1, "voltage": 1},
    "current": {"electrical_power": 1, "current": 1, "thrust_per_power": -1, "system_efficiency": -1},
    "throttle": {"throttle": 1},
    "vibration": {"vibration": 1},
}  # fmt: skip
READING = {
    "speed": 16000.0, "thrust": 8.0, "torque": TORQUE_NM, "voltage": CONTROLLER_V, "current": CURRENT_A,
    "throttle": 0.8, "vibration": 3.0,
}  # fmt: skip
COLUMN = {
    "speed": "speed_rpm", "thrust": "thrust_n", "torque": "torque_nm", "voltage": "voltage_v", "current": "current_a",
    "throttle": "throttle", "vibration": "vibration_m_s2", "motor_temperature": "motor_temperature_k",
    "controller_temperature": "controller_temperature_k", "sound_level": "sound_level_db",
}  # fmt: skip
LEVELS = {  # channel -> responses that go one to one with it
    "motor_temperature": ("motor_temperature_rise",), "controller_temperature": ("controller_temperature_rise",),
    "sound_level": ("sound_level",),
}  # fmt: skip


def frame_of(**changes):
    """A quiet hold with every channel but the air's temperature; `changes` add (t - 4 s) × slope to a column."""
    frame = hold_frame(Bench(), [(16000, 3.2)])
    frame["motor_temperature_k"] = AIR_K + 40.0
    frame["controller_temperature_k"] = AIR_K + 25.0
    frame["sound_level_db"] = 85.0
    frame["vibration_m_s2"] = 3.0
    held = frame["speed_rpm"] > 15000
    for column, slope in changes.items():
        frame.loc[held, column] += slope * (frame.loc[held, "time_s"] - 4.0)
    return frame


def held(channels=None, frame=None, *, air_u_k=0.0, date=None, **wiring):
    setup = make_setup(make_rig(channels, **wiring))
    setup = replace(setup, air=replace(setup.air, temperature_u_k=air_u_k), date=date)
    return outcome(frame_of() if frame is None else frame, "hold", HOLD, setup)


def contributions(result, source):
    """Response -> signed component of this source."""
    return {r.response: c.contribution for r in result.responses for c in r.components if c.source == source}


def test_the_quiet_hold_is_right_and_has_no_error_at_all():
    result = held()
    assert {r.response: r.value for r in result.responses} == pytest.approx(RIGHT)
    assert all(r.components == () for r in result.responses)


@pytest.mark.parametrize("channel", POWERS)
@pytest.mark.parametrize("size", [0.002, 0.004])
def test_gain(channel, size):
    result = held({channel: {"gain_uncertainty": f"{100 * size} %"}})
    expected = {name: power * size * RIGHT[name] for name, power in POWERS[channel].items()}
    assert contributions(result, f"{channel} gain") == pytest.approx(expected, rel=1e-6)
    assert all(c.shared for r in result.responses for c in r.components)


@pytest.mark.parametrize("channel", POWERS)
@pytest.mark.parametrize("years", [0.5, 2.0])
def test_calibration_age_is_a_gain_that_drifted(channel, years):
    session = datetime.date(2031, 5, 4)
    day = session - datetime.timedelta(days=round(365.25 * years))
    told = {channel: {"gain_drift": "0.3 %", "calibrated": day}}
    size = 0.003 * (session - day).days / 365.25 / math.sqrt(3)
    result = held(told, date=session)
    expected = {name: power * size * RIGHT[name] for name, power in POWERS[channel].items()}
    assert contributions(result, f"{channel} calibration age") == pytest.approx(expected, rel=1e-6)
    assert all(c.shared for r in result.responses for c in r.components)
    # nothing without the session's date, the calibration's, or a drift; beforehand counts like afterwards
    assert all(r.components == () for r in held(told).responses)
    channel_ = getattr(make_rig(told).channels, channel)
    assert calibration_age_uncertainty(channel_, session) == pytest.approx(size)
    later = day + 2 * (session - day)
    assert calibration_age_uncertainty(
        channel_.model_copy(update={"calibrated": later}), session
    ) == pytest.approx(size)
    assert calibration_age_uncertainty(channel_.model_copy(update={"calibrated": None}), session) == 0.0
    assert calibration_age_uncertainty(channel_.model_copy(update={"gain_drift": 0.0}), session) == 0.0


@pytest.mark.parametrize("channel", POWERS)
@pytest.mark.parametrize("share", [0.001, 0.003])
def test_offset(channel, share):
    result = held({channel: {"offset_uncertainty": share * READING[channel]}})
    expected = {name: power * share * RIGHT[name] for name, power in POWERS[channel].items()}
    assert contributions(result, f"{channel} offset") == pytest.approx(expected, rel=1e-6)


@pytest.mark.parametrize("channel", POWERS)
@pytest.mark.parametrize("share", [0.001, 0.003])
def test_resolution(channel, share):
    result = held({channel: {"resolution": share * READING[channel]}})
    expected = {
        name: abs(power) * share / math.sqrt(12) * RIGHT[name] for name, power in POWERS[channel].items()
    }
    assert contributions(result, "resolution") == pytest.approx(expected, rel=1e-6)
    assert not any(c.shared for r in result.responses for c in r.components)


@pytest.mark.parametrize("channel", LEVELS)
@pytest.mark.parametrize(
    ("key", "value", "source", "each"),
    [
        ("offset_uncertainty", 0.5, "offset", 0.5),
        ("offset_uncertainty", 1.5, "offset", 1.5),
        ("resolution", 0.3, None, 0.3 / math.sqrt(12)),
    ],
)
def test_temperatures_and_levels(channel, key, value, source, each):
    words = channel.replace("_", " ")
    found = contributions(held({channel: {key: value}}), f"{words} {source}" if source else "resolution")
    assert found == pytest.approx(dict.fromkeys(LEVELS[channel], each))


@pytest.mark.parametrize("share", [0.0003, 0.001])  # of the reading, a second
@pytest.mark.parametrize("lag_ms", [12, 30])
@pytest.mark.parametrize("channel", POWERS)
def test_lag_times_trend(channel, share, lag_ms):
    frame = frame_of(**{COLUMN[channel]: share * READING[channel]})
    result = held({channel: {"lag": f"{lag_ms} ms"}}, frame)
    late = share * lag_ms * 1e-3
    expected = {name: power * late * find(result, name).value for name, power in POWERS[channel].items()}
    assert contributions(result, f"{channel} lag") == pytest.approx(expected, rel=5e-3)
    assert all(c.shared for r in result.responses for c in r.components if c.source.endswith("lag"))
    assert contributions(held({channel: {"lag": f"{lag_ms} ms"}}), f"{channel} lag") == {}  # it stands still


@pytest.mark.parametrize("slope", [0.5, -2.0])
@pytest.mark.parametrize("channel", LEVELS)
def test_lag_of_thermometers_and_sound(channel, slope):
    frame = frame_of(**{COLUMN[channel]: slope})
    found = contributions(held({channel: {"lag": "300 ms"}}, frame), f"{channel.replace('_', ' ')} lag")
    assert found == pytest.approx(dict.fromkeys(LEVELS[channel], 0.3 * slope))


def test_lag_is_what_a_lagging_sensor_does():
    """The reading of a first-order sensor on a ramp is late by lag × trend, once it has settled."""
    time = np.arange(0.0, 5.0, 0.001)
    true = 300.0 + 2.0 * time
    reading = true - 2.0 * 0.3 * (1 - np.exp(-time / 0.3))  # closed form, textbook
    window = time > 3.0
    late = true[window].mean() - reading[window].mean()
    rig = make_rig({"motor_temperature": {"lag": "300 ms"}})
    trend = trend_per_s(time[window], reading[window])
    value = RigErrors(rig).apply("motor_temperature_k", reading[window].mean(), trend=trend)
    ((source, contribution, shared),) = [(c.source, c.contribution, c.shared) for c in components(value)[1]]
    assert (source, shared) == ("motor temperature lag", True)
    assert contribution == pytest.approx(late, rel=1e-3)
    assert trend_per_s(time[:2], reading[:2]) == 0.0


@pytest.mark.parametrize("u_ohm", [0.001, 0.002])
def test_wiring(u_ohm):
    result = held(wiring_u_ohm=u_ohm)
    drop = CURRENT_A * u_ohm / CONTROLLER_V
    expected = {
        "electrical_power": -drop * POWER_W, "voltage": -drop * CONTROLLER_V,
        "thrust_per_power": drop * THRUST_GF / POWER_W, "system_efficiency": drop * EFFICIENCY,
    }  # fmt: skip
    assert contributions(result, "wiring resistance") == pytest.approx(expected, rel=1e-6)


@pytest.mark.parametrize("u_k", [0.5, 1.0])
def test_air_temperature_of_the_session(u_k):
    result = held(air_u_k=u_k)
    expected = {"motor_temperature_rise": -u_k, "controller_temperature_rise": -u_k}
    assert contributions(result, "air temperature") == pytest.approx(expected)
    assert all(c.shared for r in result.responses for c in r.components)


def test_a_channel_of_the_air_has_its_own_errors_instead():
    frame = frame_of()
    rng = np.random.default_rng(2)
    frame["air_temperature_k"] = AIR_K + 0.2 * rng.standard_normal(len(frame))
    result = held({"air_temperature": {"offset_uncertainty": 0.3}}, frame, air_u_k=0.5)
    assert contributions(result, "air temperature") == {}
    expected = {"motor_temperature_rise": -0.3, "controller_temperature_rise": -0.3}
    assert contributions(result, "air temperature offset") == pytest.approx(expected)
    # 2 s at 200 Hz of independent noise; the mean's scatter is in the rise, a quarter more at most (`correlation`)
    scatter = contributions(result, "scatter")
    assert 0.9 * 0.2 / 20 < scatter["motor_temperature_rise"] < 1.5 * 0.2 / 20


@pytest.mark.parametrize("drift_n", [0.2, -0.4])
def test_zero_drift_and_its_noise(drift_n):
    frame = hold_frame(Bench(drift_n=drift_n), [(16000, 3.2)])
    result = outcome(frame, "hold", HOLD)
    run = prepare(frame, make_setup(), make_plan("hold", HOLD))
    middles = [(w.start_s + w.stop_s) / 2 for w in run.rests]
    moved = drift_n * (middles[1] - middles[0]) / frame["time_s"].iloc[-1]
    shape = moved / math.sqrt(12)  # half the drift either way, rectangular
    expected = {"thrust": shape * GF_PER_N, "thrust_per_power": shape * GF_PER_N / POWER_W}
    assert contributions(result, "thrust zero drift") == pytest.approx(expected, rel=1e-3)
    noisy = frame.assign(
        thrust_n=frame["thrust_n"] + 0.1 * np.random.default_rng(1).standard_normal(len(frame))
    )
    noise = contributions(outcome(noisy, "hold", HOLD), "zero noise")
    assert set(noise) == {"thrust", "thrust_per_power"}
    rests = np.array([w.stop_s - w.start_s for w in run.rests]) * 200.0
    least = 0.1 * np.sqrt(np.mean(1 / rests)) * GF_PER_N  # root mean square of both ends
    assert 0.8 * least < noise["thrust"] < 1.6 * least


@pytest.mark.parametrize("channel", ["current", "torque"])
def test_zero_drift_of_the_other_zeroed_channels(channel):
    frame = frame_of()
    total = frame["time_s"].iloc[-1]
    frame[COLUMN[channel]] += 0.02 * READING[channel] * frame["time_s"] / total
    result = held(None, frame)
    found = contributions(result, f"{channel} zero drift")
    assert set(found) == set(POWERS[channel])
    one = found["torque" if channel == "torque" else "current"] / READING[channel]
    assert 0.6 * 0.02 / math.sqrt(12) < one < 0.02 / math.sqrt(12)
    for name, power in POWERS[channel].items():
        assert found[name] == pytest.approx(power * one * RIGHT[name], rel=2e-3)


# --- soak ---------------------------------------------------------------------------------------------------


def soaked(frame=None, *, channels=None, air_k=AIR_K, air_u_k=0.0, date=None, limit="60 degC"):
    setup = make_setup(make_rig(channels), limit=limit)
    setup = replace(setup, air=replace(setup.air, temperature_k=air_k, temperature_u_k=air_u_k), date=date)
    return outcome(soak_frame(Bench(rate_hz=25.0)) if frame is None else frame, "soak", SOAK, setup)


FITTED = ("settled_rise", "time_constant", "minutes_to_limit")


@pytest.mark.parametrize("u_k", [0.2, 0.4])
def test_air_temperature_in_a_soak_moves_what_another_air_moves(u_k):
    told, warmer, plain = soaked(air_u_k=u_k), soaked(air_k=AIR_K + u_k), soaked()
    assert part(find(told, "temperature_rise"), "air temperature").contribution == pytest.approx(-u_k)
    for name in FITTED:
        moved = find(warmer, name).value - find(plain, name).value
        component = part(find(told, name), "air temperature")
        assert component.shared
        assert component.contribution == pytest.approx(moved, rel=1e-6)
    # the air itself cancels from the limit: only the fit of the rise feels it
    assert part(find(told, "settled_rise"), "air temperature").contribution != 0.0


@pytest.mark.parametrize("error", ["gain_uncertainty", "calibrated", "offset_uncertainty"])
def test_thermometer_errors_in_a_soak_move_what_wrong_readings_move(error):
    date = datetime.date(2031, 5, 4)
    size = {"gain_uncertainty": 0.01, "calibrated": 0.01 * 2 / math.sqrt(3), "offset_uncertainty": 0.4}[error]
    keys = {
        "gain_uncertainty": {"gain_uncertainty": "1 %"},
        "calibrated": {"gain_drift": "1 %", "calibrated": date - datetime.timedelta(days=round(730.5))},
        "offset_uncertainty": {"offset_uncertainty": 0.4},
    }[error]
    source = {"gain_uncertainty": "gain", "calibrated": "calibration age", "offset_uncertainty": "offset"}[
        error
    ]
    told = soaked(channels={"motor_temperature": keys}, date=date)
    frame = soak_frame(Bench(rate_hz=25.0))
    reading = frame["motor_temperature_k"]
    more = size if error == "offset_uncertainty" else size * (reading - 273.15)
    wrong = soaked(frame.assign(motor_temperature_k=reading + more))
    plain = soaked()
    for name in FITTED:
        moved = find(wrong, name).value - find(plain, name).value
        component = part(find(told, name), f"motor temperature {source}")
        assert component.contribution == pytest.approx(moved, rel=2e-3)
        assert component.shared


@pytest.mark.parametrize("lag_s", [0.2, 0.6])
def test_thermometer_lag_in_a_soak_moves_what_a_late_thermometer_moves(lag_s):
    frame = soak_frame(Bench(rate_hz=25.0))
    time, reading = frame["time_s"].to_numpy(), frame["motor_temperature_k"].to_numpy()
    told = soaked(channels={"motor_temperature": {"lag": f"{1000 * lag_s} ms"}})
    early = soaked(frame.assign(motor_temperature_k=np.interp(time + lag_s, time, reading)))
    plain = soaked()
    for name in FITTED:
        moved = find(early, name).value - find(plain, name).value
        assert part(find(told, name), "motor temperature lag").contribution == pytest.approx(
            moved, rel=0.02, abs=1e-9
        )
    # at the end of the last on period: how fast it climbs there, times the lag
    climbs = trend_per_s(*(x[(time >= 77.0) & (time <= 78.0)] for x in (time, reading)))
    rise = part(find(told, "temperature_rise"), "motor temperature lag").contribution
    assert rise == pytest.approx(lag_s * climbs, rel=0.02)


def test_the_clock_in_a_soak():
    told = soaked(channels={"time": {"gain_uncertainty": "0.1 %"}})
    for name in ("time_constant", "minutes_to_limit"):
        response = find(told, name)
        assert part(response, "time gain").contribution == pytest.approx(0.001 * response.value)
    assert "time gain" not in {c.source for c in find(told, "settled_rise").components}


# --- spin-up ------------------------------------------------------------------------------------------------


def spun(channels=None, **bench):
    frame = spin_up_frame(Bench(rate_hz=500.0, **bench), cycles=6, tau_up_s=0.05, dead_s=0.02)
    return outcome(frame, "spin-up", SPIN_UP, make_setup(make_rig(channels)))


@pytest.mark.parametrize("lag_ms", [2.0, 8.0])
def test_speed_lag_in_a_spin_up(lag_ms):
    blind, aware = spun(), spun({"speed": {"lag": f"{lag_ms} ms"}})
    for name in ("rise_time", "fall_time"):
        raw, found = find(blind, name).value, find(aware, name)
        own = (math.log(9) * lag_ms) ** 2
        assert found.value == pytest.approx(math.sqrt(raw**2 - own), rel=1e-3)
        expected = math.hypot(
            (raw - found.value) / 2, 0.5 * own / found.value
        )  # d/d lag, half the lag in doubt
        assert part(found, "speed lag").contribution == pytest.approx(expected, rel=5e-3)
    delay = find(aware, "delay_time")
    assert delay.value == pytest.approx(find(blind, "delay_time").value - lag_ms)
    assert part(delay, "speed lag").contribution == pytest.approx(0.5 * lag_ms)


@pytest.mark.parametrize("share", [0.001, 0.002])
def test_the_clock_in_a_spin_up(share):
    result = spun({"time": {"gain_uncertainty": f"{100 * share} %"}})
    for name in ("rise_time", "fall_time", "delay_time"):
        response = find(result, name)
        assert part(response, "time gain").contribution == pytest.approx(share * response.value)
    assert "time gain" not in {c.source for c in find(result, "overshoot").components}


@pytest.mark.parametrize("lag_ms", [2.0, 5.0])
def test_current_lag_lowers_a_peak(lag_ms):
    """An exponential pulse through a first-order lag, computed sample by sample, against the component."""
    tau, lag = 0.05, lag_ms * 1e-3
    step = 1e-5
    pulse = np.exp(-np.arange(0.0, 0.3, step) / tau)
    seen, highest = 0.0, 0.0
    for value in pulse:
        seen += (value - seen) * (1 - math.exp(-step / lag))
        highest = max(highest, seen)
    response = find(spun({"current": {"lag": f"{lag_ms} ms"}}), "peak_current")
    expected = response.value * (1 - highest)
    assert part(response, "current lag").contribution == pytest.approx(expected, rel=0.02)


def test_noise_and_sampling_of_a_peak():
    quiet, noisy = find(spun(), "peak_current"), find(spun(noise={"current_a": 0.2}), "peak_current")
    assert part(noisy, "current noise").contribution == pytest.approx(1.5 * 0.2, rel=0.2)
    assert part(quiet, "current noise").contribution < 0.2 * part(noisy, "current noise").contribution
    frame = spin_up_frame(Bench(rate_hz=200.0), cycles=6)
    time = frame["time_s"].to_numpy()
    frame["current_a"] = 2.0
    for start in np.arange(6) * 2.0 + 4.5:  # one pulse a step, dying away with 50 ms
        frame["current_a"] += np.where(time >= start, 30.0 * np.exp(-(time - start) / 0.05), 0.0)
    peak = find(outcome(frame, "spin-up", SPIN_UP), "peak_current")
    half = (1 - math.exp(-0.005 / 0.05)) * 30.0 / 2
    assert part(peak, "interpolation").contribution == pytest.approx(half, rel=0.02)
    assert part(peak, "interpolation").shared
