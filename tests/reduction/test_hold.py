"""Holds of invented runs with known truth: values, honest uncertainties, what is corrected and what refused."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.reduction.synthetic import (
    AIR_K,
    CONTROLLER_V,
    GF_PER_N,
    POWER_PER_N3,
    THRUST_PER_N2,
    TORQUE_PER_N2,
    Bench,
    find,
    hold_frame,
    make_rig,
    make_setup,
    names,
    outcome,
    part,
    reduced,
    score,
    sentences,
    with_seed,
)

PLAN = {"speed": ["9000 rpm", "16000 rpm"], "settle": "0.5 s", "window": "2 s"}
ONE = PLAN | {"speed": ["16000 rpm"]}
NOISE = {
    "speed_rpm": 60.0,
    "thrust_n": 0.1,
    "voltage_v": 0.05,
    "current_a": 0.4,
    "torque_nm": 0.002,
}
NOISY = Bench(rate_hz=100.0, noise=NOISE, tare_n=0.5)


def truths(rpm):
    """Closed forms at a speed, published units."""
    power, shaft = POWER_PER_N3 * rpm**3, TORQUE_PER_N2 * rpm**3 * 2 * math.pi / 60
    return {
        "electrical_power": power,
        "current": power / CONTROLLER_V,
        "thrust": THRUST_PER_N2 * rpm**2 * GF_PER_N,
        "thrust_per_power": THRUST_PER_N2 * GF_PER_N / POWER_PER_N3 / rpm,
        "torque": TORQUE_PER_N2 * rpm**2,
        "shaft_power": shaft,
        "system_efficiency": 100 * shaft / power,
    }


def test_noiseless_hold_gives_the_closed_forms():
    result = outcome(hold_frame(Bench(tare_n=0.4), [(9000, 3.2), (16000, 3.2)]), "hold", PLAN)
    for rpm in (9000.0, 16000.0):
        for name, truth in truths(rpm).items():
            assert find(result, name, speed_rpm=rpm).value == pytest.approx(truth, rel=1e-9)
        assert find(result, "voltage", speed_rpm=rpm).value == pytest.approx(CONTROLLER_V, rel=1e-9)
        assert find(result, "throttle", speed_rpm=rpm).value == pytest.approx(rpm / 200, rel=1e-9)
    assert not result.findings


@pytest.mark.parametrize("correlation", [0.0, 0.7])
def test_errors_are_as_large_as_stated(correlation):
    # Exact speed and no noise at rest, so scatter is all there is and z must be about standard normal.
    scores = {}
    frame = hold_frame(Bench(rate_hz=128.0), [(16000, 3.2)])
    moving = frame["speed_rpm"].to_numpy() > 0
    for seed in range(50):
        noisy = frame.copy()
        record = Bench(rate_hz=128.0, seed=seed, noise=NOISE, correlation=correlation)
        shaken = record.record(frame["time_s"].to_numpy(), frame["speed_rpm"].to_numpy())
        for column in NOISE:
            noisy.loc[moving, column] = shaken.loc[moving, column]
        result = outcome(noisy, "hold", ONE)
        for name, truth in truths(16000.0).items():
            response = find(result, name)
            # the mean speed misses by some 0.02 %, so the doubt about the exponent is next to nothing
            sources = {c.source for c in response.components}
            assert "scatter" in sources
            assert sources <= {"scatter", "setpoint miss (A)", "setpoint miss (Tri)"}
            scores.setdefault(name, []).append(score(response, truth))
    for name, z in scores.items():
        # RMS of 50 standard normals lies within 0.7 and 1.32 in 998 of 1000 cases. Some 45 effective samples
        # know their own scatter within a tenth or two, so a |z| above 3 may come once or twice in 350.
        assert 0.7 < np.sqrt(np.mean(np.square(z))) < 1.32, name
    assert np.mean(np.abs(np.concatenate(list(scores.values()))) < 3) > 0.985


def test_with_noise_at_rest_and_a_miss_the_error_is_never_understated():
    scores = []
    for seed in range(20):
        result = outcome(hold_frame(with_seed(NOISY, seed), [(9000, 3.2), (15900, 3.2)]), "hold", PLAN)
        for rpm in (9000.0, 16000.0):
            known = truths(rpm)
            scores += [score(find(result, name, speed_rpm=rpm), known[name]) for name in known]
    assert np.mean(np.abs(scores) < 3) == 1.0
    assert 0.4 < np.sqrt(np.mean(np.square(scores))) < 1.1


@pytest.mark.parametrize("share", [0.99, 1.015])
def test_a_speed_miss_is_corrected(share):
    result = outcome(hold_frame(Bench(), [(16000 * share, 3.2)]), "hold", ONE)
    for name, truth in truths(16000.0).items():
        assert find(result, name).value == pytest.approx(truth, rel=1e-9)
    # d(value·(target/n)^e)/de = value·ln(target/n): the exponent is one number of the set-up in all its runs
    for name in truths(16000.0):
        response = find(result, name)
        whose = "Tri" if name in ("thrust", "torque", "shaft_power") else "A"
        miss = part(response, f"setpoint miss ({whose})")
        assert miss.shared
        assert miss.contribution == pytest.approx(-response.value * 0.15 * math.log(share))


@pytest.mark.parametrize("share", [1.0, 0.99])
def test_speed_gain_enters_doubled_and_tripled(share):
    setup = make_setup(make_rig({"speed": {"gain_uncertainty": "0.2 %"}}))
    result = outcome(hold_frame(Bench(), [(16000 * share, 3.2)]), "hold", ONE, setup)
    for name, exponent in (
        ("thrust", 2), ("torque", 2), ("electrical_power", 3), ("current", 3), ("thrust_per_power", -1),
    ):  # fmt: skip
        response = find(result, name)
        gain = part(response, "speed gain")
        assert gain.shared
        assert gain.contribution == pytest.approx(-exponent * 0.002 * response.value, rel=1e-6)
    # shaft power: one power of the same reading is in it already
    shaft = find(result, "shaft_power")
    assert part(shaft, "speed gain").contribution == pytest.approx(-2 * 0.002 * shaft.value, rel=1e-6)


def test_a_miss_of_three_percent_is_refused_with_the_nearest_steady_speed():
    result = reduced(hold_frame(Bench(), [(15500, 3.2)]), "hold", ONE)
    assert result.refused == (
        "16000 rpm was not held within 2 % for 2 s without a trend; "
        "the nearest steady speed was 15500 rpm. Not used."
    )
    assert result.responses == ()


def test_one_speed_refused_leaves_the_other():
    result = reduced(hold_frame(NOISY, [(9000, 3.2), (15400, 3.2)]), "hold", PLAN)
    assert result.refused is None
    assert {dict(r.at)["speed_rpm"] for r in result.responses} == {9000.0}
    assert "16000 rpm was not held" in sentences(result)
    assert "15" in sentences(result).split("nearest steady speed was ")[1]


def test_two_speeds_nearby_are_not_taken_for_each_other():
    plan = PLAN | {"speed": ["15800 rpm", "16000 rpm"]}
    result = outcome(hold_frame(Bench(), [(15800, 3.2), (16000, 3.2)]), "hold", plan)
    for rpm in (15800.0, 16000.0):
        response = find(result, "electrical_power", speed_rpm=rpm)
        assert response.value == pytest.approx(POWER_PER_N3 * rpm**3, rel=1e-9)
        assert not response.components  # read at its own hold: no miss


def test_a_speed_planned_twice_is_reported_once():
    plan = PLAN | {"speed": ["16000 rpm", "9000 rpm", "16000 rpm"]}
    result = outcome(hold_frame(Bench(), [(16000, 3.2), (9000, 3.2), (16000, 3.2)]), "hold", plan)
    assert len([r for r in result.responses if r.response == "thrust"]) == 2


def test_a_trending_hold_is_not_averaged():
    bench = Bench()
    time = bench.time(12.0)
    speed = np.interp(time, [0, 2, 2.4, 8, 8.4, 12], [0, 0, 15800, 16200, 0, 0])  # 0.9 % over any 2 s
    result = reduced(bench.record(time, speed), "hold", ONE)
    assert result.refused is not None
    assert "without a trend" in result.refused
    assert "nearest" not in result.refused  # there was no steady speed


def test_the_steady_part_of_a_hold_that_ends_in_a_trend_is_used():
    bench = Bench()
    time = bench.time(16.0)
    speed = np.interp(time, [0, 2, 2.4, 7, 11, 11.4, 16], [0, 0, 16000, 16000, 15700, 0, 0])
    result = outcome(bench.record(time, speed), "hold", ONE)
    window = find(result, "thrust").window
    assert window.stop_s < 8.5
    assert find(result, "electrical_power").value == pytest.approx(POWER_PER_N3 * 16000**3, rel=0.002)


def marred(frame):
    """A copy with single spikes, and up to twenty readings missing in a row, in the hold at 16 000 rpm."""
    worse = frame.copy()
    rows = np.flatnonzero((frame["time_s"] > 7.0) & (frame["time_s"] < 8.4))
    worse.loc[rows[10], "thrust_n"] = 90.0
    worse.loc[rows[30], "speed_rpm"] = 40000.0
    worse.loc[rows[50], "current_a"] = -200.0
    worse.loc[rows[70:90], "thrust_n"] = np.nan
    worse.loc[rows[100:110], "speed_rpm"] = np.nan
    worse.loc[rows[120:130], "voltage_v"] = np.nan
    worse.loc[0, "throttle"] = np.nan  # an empty cell at rest does not end the rest
    worse.loc[1, "speed_rpm"] = np.nan
    return worse


def test_spikes_and_dropouts_change_nothing_beyond_the_uncertainty():
    ratios = []
    for seed in range(8):
        frame = hold_frame(with_seed(NOISY, seed), [(9000, 3.2), (16000, 3.2)])
        plain, result = outcome(frame, "hold", PLAN), outcome(marred(frame), "hold", PLAN)
        assert names(result) == names(plain)
        for response in plain.responses:
            again = find(result, response.response, **dict(response.at))
            assert abs(again.value - response.value) <= response.within_run_uncertainty()
            if response.within_run_uncertainty() > 0:
                ratios.append(again.within_run_uncertainty() / response.within_run_uncertainty())
    assert np.median(ratios) == pytest.approx(1.0, abs=0.1)


def test_spikes_and_dropouts_are_told():
    result = reduced(marred(hold_frame(NOISY, [(9000, 3.2), (16000, 3.2)])), "hold", PLAN)
    for column in ("thrust_n", "speed_rpm", "current_a"):
        assert [f.count for f in result.findings if (f.kind, f.channel) == ("spike", column)] == [1]
    assert "The thrust is missing in 20 samples" in sentences(result)
    assert len([w for w in result.windows if w.kind == "rest"]) == 2


def test_a_gap_that_takes_most_of_the_window_is_no_hold():
    frame = hold_frame(Bench(), [(16000, 3.2)])
    gone = frame[(frame["time_s"] < 3.0) | (frame["time_s"] > 5.2)].reset_index(drop=True)
    result = reduced(gone, "hold", ONE)
    assert result.refused is not None
    assert "No samples for" in sentences(result)


def test_zero_drift_is_removed_and_enters():
    scores = []
    for seed in range(15):
        drift = float(np.random.default_rng(seed).uniform(-0.4, 0.4))
        bench = replace(NOISY, seed=seed, drift_n=drift)
        thrust = find(outcome(hold_frame(bench, [(16000, 3.2)]), "hold", ONE), "thrust")
        zero = part(thrust, "thrust zero drift")
        assert zero.shared  # the shape of a drift is the rig's; how far it went is this run's
        assert math.copysign(1.0, zero.contribution) == math.copysign(1.0, drift) or abs(drift) < 0.05
        assert abs(zero.contribution) >= (abs(drift) - 0.05) * GF_PER_N / math.sqrt(12) * 0.6
        assert not part(thrust, "zero noise").shared
        scores.append(score(thrust, truths(16000.0)["thrust"]))
    assert max(np.abs(scores)) < 3.0


def test_zero_drift_is_told_with_its_size():
    frame = hold_frame(Bench(drift_n=0.4), [(16000, 3.2)])
    found = [f for f in reduced(frame, "hold", ONE).findings if f.kind == "zero drift"]
    assert [f.channel for f in found] == ["thrust_n"]
    assert found[0].grade == "doubtful"  # some 3 % of the thrust
    assert "+32 gf" in found[0].sentence  # 0.4 N from end to end, a little less between the rests
    assert "e+" not in found[0].sentence
    drift = dict(reduced(frame, "hold", ONE).zero_drift)["thrust_n"]
    assert 0.25 < drift < 0.4  # from the middle of one rest to the middle of the other


def test_wiring_drop_is_corrected_and_its_doubt_enters():
    setup = make_setup(make_rig(wiring_ohm=0.02, wiring_u_ohm=0.002))
    result = outcome(hold_frame(Bench(wiring_ohm=0.02), [(16000, 3.2)]), "hold", ONE, setup)
    current = truths(16000.0)["current"]
    assert find(result, "voltage").value == pytest.approx(CONTROLLER_V, rel=1e-9)
    power = find(result, "electrical_power")
    assert power.value == pytest.approx(250.0, rel=1e-9)
    wiring = part(power, "wiring resistance")
    assert wiring.shared
    assert wiring.contribution == pytest.approx(-(current**2) * 0.002, rel=1e-6)
    left_alone = outcome(hold_frame(Bench(wiring_ohm=0.02), [(16000, 3.2)]), "hold", ONE)
    assert find(left_alone, "electrical_power").value == pytest.approx(250.0 + 0.02 * current**2, rel=1e-9)


def test_gain_and_offset_are_shared_and_have_the_size_of_the_closed_form():
    setup = make_setup(
        make_rig(
            {
                "voltage": {"gain_uncertainty": "0.3 %", "offset_uncertainty": 0.01},
                "current": {"gain_uncertainty": "0.5 %"},
                "thrust": {"gain_uncertainty": "0.4 %"},
            }
        )
    )
    result = outcome(hold_frame(Bench(), [(16000, 3.2)]), "hold", ONE, setup)
    power, per_watt = find(result, "electrical_power"), find(result, "thrust_per_power")
    expected = {
        "voltage gain": 0.003 * 250.0,
        "voltage offset": 0.01 * 250.0 / CONTROLLER_V,
        "current gain": 0.005 * 250.0,
    }
    assert {c.source: c.contribution for c in power.components} == pytest.approx(expected, rel=1e-6)
    assert all(c.shared for c in power.components)
    # the sign says which way an error goes: what raises power lowers thrust per watt
    assert part(per_watt, "thrust gain").contribution == pytest.approx(0.004 * per_watt.value, rel=1e-6)
    assert part(per_watt, "voltage gain").contribution == pytest.approx(-0.003 * per_watt.value, rel=1e-6)
    assert part(find(result, "voltage"), "voltage gain").contribution == pytest.approx(0.048, rel=1e-6)


def test_wiring_and_current_gain_act_together():
    # P = (U - I·R)·I: a current gain error g raises I and the drop, dP/dg = (U - 2·I·R)·I
    setup = make_setup(make_rig({"current": {"gain_uncertainty": "0.5 %"}}, wiring_ohm=0.02))
    power = find(
        outcome(hold_frame(Bench(wiring_ohm=0.02), [(16000, 3.2)]), "hold", ONE, setup), "electrical_power"
    )
    current = 250.0 / CONTROLLER_V
    expected = 0.005 * (250.0 - 0.02 * current**2)
    assert part(power, "current gain").contribution == pytest.approx(expected, rel=1e-6)


def test_what_is_new_in_each_run_and_what_is_the_same_in_all():
    setup = make_setup(make_rig({name: {"resolution": 0.05} for name in ("thrust", "voltage", "current")}))
    result = outcome(hold_frame(replace(NOISY, drift_n=0.1), [(15900, 3.2)]), "hold", ONE, setup)
    thrust = find(result, "thrust")
    assert {c.source for c in thrust.components if not c.shared} == {"scatter", "zero noise", "resolution"}
    assert {c.source for c in thrust.components if c.shared} == {"thrust zero drift", "setpoint miss (Tri)"}
    step = 0.05 / math.sqrt(12) * GF_PER_N * (16000 / 15900) ** 2
    assert part(thrust, "resolution").contribution == pytest.approx(step, rel=1e-3)
    # one voltage and one current reading: their resolutions enter power once each
    power = part(find(result, "electrical_power"), "resolution").contribution
    current = POWER_PER_N3 * 16000**3 / CONTROLLER_V
    expected = 0.05 / math.sqrt(12) * math.hypot(current, CONTROLLER_V * (16000 / 15900) ** 3)
    assert power == pytest.approx(expected, rel=5e-3)


def test_coarse_readings_stay_within_the_stated_uncertainty():
    rig = make_rig(
        {"thrust": {"resolution": 0.05}, "current": {"resolution": 0.1}, "speed": {"resolution": 20}}
    )
    bench = Bench(tare_n=0.513)  # without noise the reading sticks to one step: the worst case
    frame = hold_frame(bench, [(15987.0, 3.2)])
    for column, step in (("thrust_n", 0.05), ("current_a", 0.1), ("speed_rpm", 20.0)):
        frame[column] = np.round(frame[column] / step) * step
    result = outcome(frame, "hold", ONE, make_setup(rig))
    for name in ("thrust", "electrical_power", "current", "thrust_per_power"):
        assert abs(score(find(result, name), truths(16000.0)[name])) < 2.5


def test_coarse_readings_are_not_called_stuck_or_clipped():
    noise = {"thrust_n": 0.03, "current_a": 0.05, "speed_rpm": 10.0, "torque_nm": 0.001}
    frame = hold_frame(Bench(tare_n=0.513, noise=noise), [(9000, 3.2), (16000.0, 3.2)])
    for column, step in (("thrust_n", 0.05), ("current_a", 0.1), ("speed_rpm", 20.0)):
        frame[column] = np.round(frame[column] / step) * step
    assert not [f for f in reduced(frame, "hold", ONE).findings if f.grade != "noted"]


def test_temperatures_are_rises_above_the_air():
    frame = hold_frame(Bench(), [(16000, 3.2)])
    frame["motor_temperature_k"] = AIR_K + 30.0
    frame["air_temperature_k"] = AIR_K + 2.0
    setup = make_setup(
        make_rig({"motor_temperature": {"gain_uncertainty": "1 %", "offset_uncertainty": 0.5}})
    )
    rise = find(outcome(frame, "hold", ONE, setup), "motor_temperature_rise")
    assert rise.value == pytest.approx(28.0)
    assert part(rise, "motor temperature offset").contribution == pytest.approx(0.5)
    # 1 % of 49.85 °C, not of 323 K
    assert part(rise, "motor temperature gain").contribution == pytest.approx(0.01 * (AIR_K + 30 - 273.15))
    frame["air_temperature_k"] = np.nan
    assert find(outcome(frame, "hold", ONE), "motor_temperature_rise").value == pytest.approx(30.0)


def test_sound_is_averaged_as_energy():
    frame = hold_frame(Bench(), [(16000, 3.2)])
    frame["sound_level_db"] = np.where(np.arange(len(frame)) % 2, 80.0, 90.0)
    truth = 10 * math.log10((1e8 + 1e9) / 2)
    assert find(outcome(frame, "hold", ONE), "sound_level").value == pytest.approx(truth, abs=0.05)


def test_no_current_gives_no_division_but_a_sentence():
    frame = hold_frame(Bench(), [(16000, 3.2)])
    frame["current_a"] = 0.0
    result = reduced(frame, "hold", ONE)
    assert find(result, "electrical_power").value == 0.0
    assert "thrust_per_power" not in names(result)
    assert "no thrust per watt and no efficiency" in sentences(result)


def test_voltage_and_current_from_separate_loggers_still_give_power():
    frame = hold_frame(NOISY, [(16000, 3.2)])
    odd = np.arange(len(frame)) % 2 == 1
    frame.loc[odd, "voltage_v"] = np.nan
    frame.loc[~odd, "current_a"] = np.nan
    power = find(reduced(frame, "hold", ONE), "electrical_power")
    assert abs(score(power, 250.0)) < 3
    assert part(power, "scatter").contribution > 0
    together = find(outcome(hold_frame(NOISY, [(16000, 3.2)]), "hold", ONE), "electrical_power")
    ratio = part(power, "scatter").contribution / part(together, "scatter").contribution
    assert 1.0 < ratio < 2.0  # half the samples of either: √2


@pytest.mark.parametrize("column", ["thrust_n", "torque_nm", "voltage_v", "current_a", "throttle"])
def test_a_channel_without_any_reading_costs_only_its_own_responses(column):
    frame = hold_frame(NOISY, [(16000, 3.2)])
    frame[column] = np.nan
    result = reduced(frame, "hold", ONE)
    assert result.refused is None
    assert "has no reading in the whole log" in sentences(result)
    gone = {
        "thrust_n": {"thrust", "thrust_per_power"},
        "torque_nm": {"torque", "shaft_power", "system_efficiency"},
        "voltage_v": {"electrical_power", "voltage", "thrust_per_power", "system_efficiency", "current"},
        "current_a": {"electrical_power", "thrust_per_power", "system_efficiency", "current"},
        "throttle": {"throttle"},
    }[column]
    full = names(reduced(hold_frame(NOISY, [(16000, 3.2)]), "hold", ONE))
    assert full - names(result) == gone
    assert all(math.isfinite(r.value) for r in result.responses)
    assert len([w for w in result.windows if w.kind == "rest"]) == 2  # speed or throttle still show the rest


@settings(max_examples=8, deadline=None)
@given(shift=st.integers(-(2**20), 2**20), factor=st.floats(0.1, 20.0))
def test_time_origin_and_scale(shift, factor):
    # dyadic sampling interval and shift: the shifted times are exact
    frame = hold_frame(replace(NOISY, rate_hz=64.0), [(16000, 3.2)])
    plain = outcome(frame, "hold", ONE)
    moved = frame.assign(time_s=frame["time_s"] + float(shift), thrust_n=frame["thrust_n"] * factor)
    result = outcome(moved, "hold", ONE)
    for response in plain.responses:
        scale = factor if response.response in ("thrust", "thrust_per_power") else 1.0
        again = find(result, response.response)
        assert again.value == pytest.approx(scale * response.value, rel=1e-9)
        assert again.within_run_uncertainty() == pytest.approx(
            scale * response.within_run_uncertainty(), rel=1e-6
        )
        assert again.window.start_s - shift == pytest.approx(response.window.start_s, abs=1e-6)
