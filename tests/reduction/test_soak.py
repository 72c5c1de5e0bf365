"""Soaks of an invented one-node motor: rises, time constant and limits against the closed forms."""

import math

import numpy as np
import pytest

from generator.reduction import soak
from tests.reduction.synthetic import (
    AIR_K,
    Bench,
    find,
    make_rig,
    make_setup,
    names,
    outcome,
    part,
    reduced,
    score,
    sentences,
    soak_frame,
)

PLAN = {"speed": "16000 rpm", "on": "4 s", "off": "4 s", "cycles": 10}
TAU, RISE = 30.0, 80.0
CLEAN = Bench(rate_hz=25.0)
NOISY = Bench(rate_hz=25.0, noise={"motor_temperature_k": 0.2, "speed_rpm": 50.0})


def pulsed_peak(on_s=4.0, off_s=4.0):
    """Closed form of one node: P·R·(1 - e^(-on/tau)) / (1 - e^(-(on + off)/tau))."""
    return RISE * math.expm1(-on_s / TAU) / math.expm1(-(on_s + off_s) / TAU)


def rise_after(cycles, on_s=4.0, off_s=4.0):
    """Rise at the end of the last on period, from cold: the peak, short by what the start still lacks."""
    low = pulsed_peak(on_s, off_s) * math.exp(-off_s / TAU)
    start = low * (1 - math.exp(-(cycles - 1) * (on_s + off_s) / TAU))
    return RISE + (start - RISE) * math.exp(-on_s / TAU)


def test_clean_soak_gives_the_closed_forms():
    result = outcome(soak_frame(CLEAN), "soak", PLAN)
    assert find(result, "time_constant").value == pytest.approx(TAU, rel=1e-3)
    assert find(result, "settled_rise").value == pytest.approx(pulsed_peak(), rel=1e-3)
    # the mean over the last second lies a little below the end
    rise = find(result, "temperature_rise").value
    assert rise_after(10) - 1.2 < rise < rise_after(10)
    fits = dict(result.fits)
    assert fits["continuous_rise_k"] == pytest.approx(RISE, rel=1e-3)
    assert fits["initial_rise_k"] == pytest.approx(0.0, abs=0.02)
    assert list(result.fitted.columns) == ["time_s", "fitted_rise_k"]
    assert 0 < len(result.fitted) <= 400
    assert len([w for w in result.windows if w.kind == "on"]) == 10


def test_a_climb_at_the_end_is_not_taken_for_scatter():
    # 1 s of 25 Hz: 0.2 K of independent noise over the root of 25, a third more at most for few samples
    result = outcome(soak_frame(NOISY), "soak", PLAN)
    scatter = part(find(result, "temperature_rise"), "scatter").contribution
    assert 0.7 * 0.04 < scatter < 1.7 * 0.04


def test_errors_are_as_large_as_stated():
    scores = {"time_constant": [], "settled_rise": []}
    for seed in range(20):
        bench = Bench(rate_hz=20.0, seed=seed, noise=dict(NOISY.noise))
        result = outcome(soak_frame(bench), "soak", PLAN)
        scores["time_constant"].append(score(find(result, "time_constant"), TAU))
        scores["settled_rise"].append(score(find(result, "settled_rise"), pulsed_peak()))
    for name, z in scores.items():
        assert np.max(np.abs(z)) < 3.5, name
        assert 0.55 < np.sqrt(np.mean(np.square(z))) < 1.5, name


@pytest.mark.parametrize(("rows", "within"), [(4000, 2e-3), (300, 0.01)])
def test_a_fast_log_is_grouped_and_gives_the_same(monkeypatch, rows, within):
    monkeypatch.setattr(soak, "FIT_ROWS", rows)  # 300: groups of 0.28 s, on and off edges fall inside them
    limit = make_setup(limit=f"{AIR_K + 0.8 * pulsed_peak():.3f} K")
    result = outcome(soak_frame(Bench(rate_hz=100.0)), "soak", PLAN, limit)
    for name, truth in (("time_constant", TAU), ("settled_rise", pulsed_peak())):
        assert find(result, name).value == pytest.approx(truth, rel=within)
    slow = find(outcome(soak_frame(CLEAN), "soak", PLAN, limit), "minutes_to_limit").value
    assert find(result, "minutes_to_limit").value == pytest.approx(slow, rel=3 * within)


def test_a_warm_start_is_fitted_and_not_taken_for_heating():
    result = outcome(soak_frame(CLEAN, initial_rise_k=25.0), "soak", PLAN)
    assert find(result, "time_constant").value == pytest.approx(TAU, rel=5e-3)
    assert find(result, "settled_rise").value == pytest.approx(pulsed_peak(), rel=5e-3)
    # cooling at rest comes first: what is fitted is the rise at the first switching-on
    assert dict(result.fits)["initial_rise_k"] == pytest.approx(25.0 * math.exp(-2.0 / TAU), rel=0.01)


def test_minutes_to_limit_for_continuous_power():
    # closed form: tau · ln(rise / (rise - limit)); the limit is 60 K above the air
    plan = {"speed": "16000 rpm", "on": "60 s", "off": "0 s", "cycles": 1}
    setup = make_setup(limit=f"{AIR_K + 60:.2f} K")
    result = outcome(soak_frame(CLEAN, on_s=60.0, off_s=0.0, cycles=1), "soak", plan, setup)
    minutes = TAU * math.log(RISE / (RISE - 60.0)) / 60
    assert find(result, "minutes_to_limit").value == pytest.approx(minutes, rel=2e-3)
    assert find(result, "settled_rise").value == pytest.approx(RISE, rel=2e-3)
    assert "cycles" not in {f.kind for f in result.findings}


def test_cycles_without_pause_are_one_on_period():
    plan = {"speed": "16000 rpm", "on": "6 s", "off": "0 s", "cycles": 10}
    result = outcome(soak_frame(CLEAN, on_s=60.0, off_s=0.0, cycles=1), "soak", plan)
    assert "cycles" not in {f.kind for f in result.findings}
    short = outcome(soak_frame(CLEAN, on_s=40.0, off_s=0.0, cycles=1), "soak", plan)
    assert "An on period lasted 40 s, planned were 60 s." in sentences(short)


def test_minutes_to_limit_of_a_pulsed_pattern():
    # reached in the cycle whose end is the first to exceed the limit: found by the closed form cycle by cycle
    limit = 0.85 * pulsed_peak()
    cycle = next(n for n in range(1, 200) if rise_after(n) >= limit)
    setup = make_setup(limit=f"{AIR_K + limit:.3f} K")
    minutes = find(outcome(soak_frame(CLEAN), "soak", PLAN, setup), "minutes_to_limit").value
    assert (cycle - 1) * 8 < 60 * minutes < (cycle - 1) * 8 + 4


def test_a_limit_out_of_reach_is_said():
    setup = make_setup(limit=f"{AIR_K + 1.1 * pulsed_peak():.2f} K")
    result = outcome(soak_frame(CLEAN), "soak", PLAN, setup)
    assert "minutes_to_limit" not in names(result)
    assert "would settle below its stated limit" in sentences(result)
    no_limit = outcome(soak_frame(CLEAN), "soak", PLAN, make_setup(limit=None))
    assert "minutes_to_limit" not in names(no_limit)
    assert not no_limit.findings


def test_error_of_minutes_follows_that_of_the_fit():
    setup = make_setup(limit=f"{AIR_K + 0.8 * pulsed_peak():.3f} K")
    truth = find(outcome(soak_frame(CLEAN), "soak", PLAN, setup), "minutes_to_limit").value
    scores = []
    for seed in range(12):
        bench = Bench(rate_hz=20.0, seed=seed, noise={"motor_temperature_k": 1.0})
        scores.append(score(find(outcome(soak_frame(bench), "soak", PLAN, setup), "minutes_to_limit"), truth))
    assert np.max(np.abs(scores)) < 3.5


def test_errors_of_the_thermometer_reach_every_figure_of_the_fit():
    rig = make_rig({"motor_temperature": {"gain_uncertainty": "1 %", "offset_uncertainty": 0.5}})
    result = outcome(soak_frame(CLEAN), "soak", PLAN, make_setup(rig))
    rise, settled = find(result, "temperature_rise"), find(result, "settled_rise")
    assert part(rise, "motor temperature offset").contribution == pytest.approx(0.5)
    hottest = AIR_K + pulsed_peak() - 273.15
    gain = part(settled, "motor temperature gain")
    assert gain.shared
    # a gain error counts from the ice point: about 1 % of the highest reading in °C
    assert gain.contribution == pytest.approx(0.01 * hottest, rel=0.3)
    assert part(settled, "motor temperature offset").contribution == pytest.approx(0.5, rel=0.4)
    # What is stated is what such an error does: check by making it.
    frame = soak_frame(CLEAN)
    reading = frame["motor_temperature_k"]
    frame["motor_temperature_k"] = (reading - 273.15) * 1.01 + 273.15
    moved = find(outcome(frame, "soak", PLAN), "settled_rise").value
    assert moved - settled.value == pytest.approx(gain.contribution, rel=0.02)


def test_the_own_air_channel_is_used_and_an_empty_one_is_not():
    frame = soak_frame(CLEAN)
    frame["air_temperature_k"] = AIR_K - 5.0
    frame["motor_temperature_k"] -= 5.0
    result = outcome(frame, "soak", PLAN)
    assert find(result, "settled_rise").value == pytest.approx(pulsed_peak(), rel=1e-3)
    frame = soak_frame(CLEAN)
    frame["air_temperature_k"] = np.nan
    assert find(outcome(frame, "soak", PLAN), "settled_rise").value == pytest.approx(pulsed_peak(), rel=1e-3)


def test_a_wrong_number_of_cycles_is_told():
    result = outcome(soak_frame(CLEAN, cycles=7), "soak", PLAN)
    assert "On periods found: 7; planned: 10." in sentences(result)
    assert find(result, "settled_rise").value == pytest.approx(pulsed_peak(), rel=1e-3)


def test_a_wrong_speed_is_told():
    assert "15200 rpm, -5.0 % off the plan" in sentences(
        outcome(soak_frame(CLEAN, rpm=15200.0), "soak", PLAN)
    )


@pytest.mark.parametrize("rpm", [0.0, 5000.0])
def test_never_on_is_refused(rpm):
    result = reduced(soak_frame(CLEAN, rpm=rpm), "soak", PLAN)
    assert result.refused == "The motor was never on at 16000 rpm for 4 s. Not used."


def test_a_log_too_short_for_the_time_constant_gives_the_rise_only():
    frame = soak_frame(NOISY, cycles=1, tau_s=300.0)
    result = reduced(frame, "soak", PLAN)
    assert "temperature_rise" in names(result)
    assert not {"settled_rise", "time_constant", "minutes_to_limit"} & names(result)
    assert "No time constant and no settled rise" in sentences(result)


def test_a_speed_sensor_that_reads_nothing_at_standstill():
    frame = soak_frame(CLEAN)
    frame.loc[frame["speed_rpm"] == 0.0, "speed_rpm"] = np.nan
    result = outcome(frame, "soak", PLAN)
    assert find(result, "settled_rise").value == pytest.approx(pulsed_peak(), rel=0.01)
    assert len([w for w in result.windows if w.kind == "on"]) == 10


def test_a_thermometer_read_every_tenth_row():
    frame = soak_frame(NOISY)
    frame.loc[np.arange(len(frame)) % 10 != 0, "motor_temperature_k"] = np.nan
    result = reduced(frame, "soak", PLAN)
    assert abs(score(find(result, "time_constant"), TAU)) < 3
    told = [f for f in result.findings if (f.kind, f.channel) == ("dropout", "motor_temperature_k")]
    assert len(told) == 1  # not one sentence for each of four hundred empty stretches
    assert "has no reading in" in told[0].sentence


def test_no_thermometer_at_all():
    frame = soak_frame(CLEAN)
    assert (
        "no reading of motor temperature"
        in reduced(frame.drop(columns="motor_temperature_k"), "soak", PLAN).refused
    )
    frame["motor_temperature_k"] = np.nan
    assert "no reading of motor temperature" in reduced(frame, "soak", PLAN).refused


def test_standstill_between_on_periods_is_not_called_stuck():
    result = reduced(soak_frame(NOISY), "soak", PLAN)
    assert not [f for f in result.findings if f.kind in ("stuck", "clipped")]
