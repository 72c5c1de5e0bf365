"""A whole run: refused, left out, thinned; and logs so odd that only a sentence can come of them."""

import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from generator.intake.session import Air
from generator.reduction.procedures import PROCEDURES, contracts, response_kinds
from generator.reduction.run import TRACE_ROWS, air_state, thinned
from tests.reduction.synthetic import (
    AIR_K,
    Bench,
    hold_frame,
    make_rig,
    make_setup,
    reduced,
    soak_frame,
    spin_up_frame,
    staircase_frame,
)

BLOCKS = {
    "hold": {"speed": ["9000 rpm", "16000 rpm"], "settle": "0.5 s", "window": "1 s"},
    "spin-up": {"from": "4000 rpm", "to": ["9000 rpm", "16000 rpm"], "cycles": 2, "dwell": "1 s"},
    "soak": {"speed": "16000 rpm", "on": "2 s", "off": "2 s", "cycles": 3},
    "staircase": {
        "throttle": ["30 %", "60 %", "80 %", "100 %"],
        "step": "1 s",
        "average": "0.5 s",
        "compare_at": {"thrust": ["500 gf"]},
    },
}
NOISE = {"speed_rpm": 20.0, "thrust_n": 0.05, "current_a": 0.1, "voltage_v": 0.02, "torque_nm": 0.001}
BENCH = Bench(rate_hz=32.0, noise=NOISE)
RIG = make_rig(
    {
        name: {"gain_uncertainty": "0.3 %", "resolution": 0.01, "offset_uncertainty": 0.01}
        for name in (
            "speed",
            "thrust",
            "torque",
            "voltage",
            "current",
            "motor_temperature",
            "air_temperature",
        )
    },
    wiring_ohm=0.01,
    wiring_u_ohm=0.001,
)
FRAMES = {
    "hold": hold_frame(BENCH, [(9000, 2.0), (16000, 2.0)]),
    "spin-up": spin_up_frame(BENCH, targets=(9000.0, 16000.0), cycles=2),
    "soak": soak_frame(BENCH, on_s=2.0, off_s=2.0, cycles=3, tau_s=8.0),
    "staircase": staircase_frame(BENCH, steps=(0.3, 0.6, 0.8, 1.0), step_s=1.0),
}


def whole(name):
    frame = FRAMES[name].copy()
    for column in ("motor_temperature_k", "controller_temperature_k"):
        if column not in frame:
            frame[column] = AIR_K + 10.0 + frame["time_s"]
    return frame.assign(air_temperature_k=AIR_K, sound_level_db=80.0, vibration_m_s2=3.0)


def check(result):
    """What holds of every reduction, however odd the log."""
    assert (result.refused is None) == bool(result.responses)
    if result.refused is not None:
        assert result.refused[0].isupper() or result.refused[0].isdigit()
        assert result.refused.rstrip().endswith(".")
    for response in result.responses:
        assert math.isfinite(response.value), response.response
        assert all(math.isfinite(c.contribution) for c in response.components)
        assert response.response in {kind.name for kind in PROCEDURES[result.procedure].responses}
    for finding in result.findings:
        assert finding.sentence.endswith(".")
        assert "nan" not in finding.sentence.lower().split()
        assert "inf" not in finding.sentence.lower().split()
    assert len(result.trace) <= TRACE_ROWS


@pytest.mark.parametrize("name", list(FRAMES))
def test_a_whole_log_is_reduced(name):
    result = reduced(whole(name), name, BLOCKS[name], setup=make_setup(RIG))
    check(result)
    assert result.refused is None
    assert result.sampling_hz == pytest.approx(32.0)
    assert result.rows == len(FRAMES[name])
    assert len(result.zero_drift) == 3
    assert not [f.sentence for f in result.findings if f.grade == "refused"]


@pytest.mark.parametrize("name", list(FRAMES))
def test_left_out_by_the_tester(name):
    result = reduced(whole(name), name, BLOCKS[name], left_out="propeller nicked")
    assert result.refused == "Left out by the tester: propeller nicked"
    assert result.responses == ()
    assert len(result.trace) > 0
    assert result.rows == len(FRAMES[name])


def test_a_channel_the_procedure_needs_is_named():
    assert reduced(whole("hold").drop(columns="speed_rpm"), "hold", BLOCKS["hold"]).refused == (
        "The log holds no reading of speed."
    )
    assert (
        reduced(
            whole("staircase").assign(speed_rpm=np.nan, throttle=np.nan), "staircase", BLOCKS["staircase"]
        ).refused
        == "The log holds no reading of throttle, speed."
    )
    assert (
        reduced(whole("hold").drop(columns="speed_rpm"), "hold", BLOCKS["hold"], left_out="aborted").refused
        == "Left out by the tester: aborted"
    )


@pytest.mark.parametrize("name", list(FRAMES))
@pytest.mark.parametrize("rows", [0, 1, 2, 3, 5, 12])
def test_tiny_logs_are_refused_in_a_sentence(name, rows):
    frame = whole(name)
    for first in (0, len(frame) // 2):
        result = reduced(frame.iloc[first : first + rows].reset_index(drop=True), name, BLOCKS[name])
        check(result)
        assert result.refused is not None
        assert (result.sampling_hz is None) == (rows < 2)


@pytest.mark.parametrize("name", list(FRAMES))
def test_any_channel_may_be_empty_constant_or_missing(name):
    frame = whole(name)
    setup = make_setup()  # without errors of the rig, which only cost time here
    for column in frame.columns.drop("time_s"):
        for made in (
            frame.assign(**{column: np.nan}),
            frame.assign(**{column: 0.0}),
            frame.drop(columns=column),
        ):
            check(reduced(made, name, BLOCKS[name], setup=setup))


def test_a_log_with_time_and_speed_only():
    for name in ("hold", "spin-up"):
        result = reduced(whole(name)[["time_s", "speed_rpm"]], name, BLOCKS[name])
        check(result)
        assert result.refused == ("No response could be computed from this log." if name == "hold" else None)


FAULTS = st.lists(
    st.tuples(
        st.sampled_from(["missing", "zero", "spike", "cut", "stuck", "swap", "huge", "negative", "noise"]),
        st.integers(1, 11),  # column
        st.floats(0.0, 1.0),  # from
        st.floats(0.0, 1.0),  # length
    ),
    max_size=5,
)


@pytest.mark.parametrize("name", list(FRAMES))
@settings(max_examples=10, deadline=None, suppress_health_check=[HealthCheck.too_slow], derandomize=True)
@given(faults=FAULTS)
def test_no_fault_of_a_log_raises(name, faults):
    frame = whole(name)
    for kind, place, start, length in faults:
        if len(frame) == 0:
            break
        column = frame.columns[place % len(frame.columns)]
        column = "thrust_n" if column == "time_s" else column
        first = int(start * (len(frame) - 1))
        rows = slice(first, first + max(1, int(length * length * len(frame))))
        where = frame.columns.get_loc(column)
        if kind == "cut":
            frame = frame.drop(frame.index[rows]).reset_index(drop=True)
        elif kind == "swap":
            frame.iloc[rows, where] = frame.iloc[rows, where].to_numpy()[::-1]
        elif kind == "spike":
            frame.iloc[first, where] = 1e5
        elif kind == "noise":
            rng = np.random.default_rng(first)
            part = frame.iloc[rows, where]
            frame.iloc[rows, where] = part + part.abs().max() * rng.standard_normal(len(part))
        elif kind == "negative":
            frame.iloc[rows, where] = -frame.iloc[rows, where]
        else:
            value = {"missing": np.nan, "zero": 0.0, "stuck": frame.iloc[first, where], "huge": 1e30}[kind]
            frame.iloc[rows, where] = value
    check(reduced(frame, name, BLOCKS[name], setup=make_setup(RIG)))


def test_unevenly_sampled_logs():
    rng = np.random.default_rng(1)
    for name in FRAMES:
        frame = whole(name)
        frame = frame[rng.uniform(size=len(frame)) < 0.7].reset_index(drop=True)
        result = reduced(frame, name, BLOCKS[name])
        check(result)
        assert result.refused is None


def test_start_temperature_is_that_of_the_rest_before():
    frame = whole("hold")
    frame["motor_temperature_k"] = np.where(frame["time_s"] < 2.0, AIR_K + 4.0, AIR_K + 40.0)
    assert reduced(frame, "hold", BLOCKS["hold"]).start_motor_temperature_k == pytest.approx(AIR_K + 4.0)
    running = frame[frame["time_s"] > 3.0].reset_index(drop=True)
    assert reduced(running, "hold", BLOCKS["hold"]).start_motor_temperature_k == pytest.approx(AIR_K + 40.0)
    frame["motor_temperature_k"] = np.nan
    assert reduced(frame, "hold", BLOCKS["hold"]).start_motor_temperature_k is None
    bare = frame.drop(columns="motor_temperature_k")
    assert reduced(bare, "hold", BLOCKS["hold"]).start_motor_temperature_k is None


@pytest.mark.parametrize("rows", [1500, 1501, 1999, 3000, 40001])
def test_thinning_keeps_extremes(rows):
    rng = np.random.default_rng(rows)
    time = np.arange(rows) / 100.0
    frame = pd.DataFrame({"time_s": time, "speed_rpm": rng.standard_normal(rows), "thrust_n": np.sin(time)})
    frame.loc[rows // 3, "speed_rpm"] = 99.0
    frame.loc[rows // 2, "speed_rpm"] = -99.0
    frame.loc[rows // 4 : rows // 4 + 9, "thrust_n"] = np.nan
    thin = thinned(frame)
    assert len(thin) <= TRACE_ROWS
    assert list(thin.columns) == list(frame.columns)
    assert (np.diff(thin["time_s"]) > 0).all()
    for column in ("speed_rpm", "thrust_n"):
        assert thin[column].max() == frame[column].max()
        assert thin[column].min() == frame[column].min()
    # a spike stays where it was, within the width of a bucket
    place = float(thin["time_s"][int(thin["speed_rpm"].argmax())])
    assert abs(place - time[rows // 3]) <= 2 * time[-1] / (TRACE_ROWS / 2)
    assert time[-1] - thin["time_s"].iloc[-1] <= 2 * time[-1] / (TRACE_ROWS / 2)


def test_thinning_draws_a_slope_as_a_slope():
    frame = pd.DataFrame({"time_s": np.arange(6000) / 10.0, "speed_rpm": np.arange(6000.0)})
    assert (np.diff(thinned(frame)["speed_rpm"]) > 0).all()
    frame["speed_rpm"] = frame["speed_rpm"].to_numpy()[::-1]
    assert (np.diff(thinned(frame)["speed_rpm"]) < 0).all()
    assert thinned(frame.iloc[:0]).empty


def test_air_state_of_a_session():
    air = Air.model_validate({"temperature": "20 degC", "pressure": "1013.25 hPa", "humidity": "0 %"})
    state = air_state(air)
    # dry air at 20 °C and 101 325 Pa: 1.2041 kg/m³ (ideal gas with M = 28.9635 g/mol, to 4 digits)
    assert state.density_kg_m3 == pytest.approx(101325 * 0.0289635 / 8.314462618 / 293.15, rel=1e-3)
    assert 0.001 < state.density_u_kg_m3 / state.density_kg_m3 < 0.005


def test_the_register_is_whole():
    # with tests of their own: test_read_off, test_drain, test_calibration_run, test_free_run, test_ramp
    others = {"read-off", "drain", "zero", "free-run", "ramp"}
    assert set(contracts()) == set(PROCEDURES) == {*FRAMES, *others}
    for name, contract in contracts().items():
        assert contract.response_units or name == "zero"  # a calibration is no comparison
        assert contract.of_rig == (name == "zero")
    for name, kind in response_kinds().items():
        assert kind.name == name
        assert "{amount}" in kind.more
        assert "{amount}" in kind.less
