"""Ramps of an invented bench on which thrust goes with n² and power with n³, with inertia and lag of known size."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np
import pydantic
import pytest
from scipy.signal import lfilter

from generator.reduction.prepare import prepare
from generator.reduction.ramp import RAMP
from generator.reduction.ramp_bins import LAG_DOUBT, OF_THE_MIDDLE, _middle, aligned
from generator.reduction.records import Outcome, RunResponse
from tests.reduction.synthetic import (
    CONTROLLER_V,
    GF_PER_N,
    POWER_PER_N3,
    THRUST_PER_N2,
    Bench,
    correlated,
    make_plan,
    make_rig,
    make_setup,
)

BLOCK: dict[str, Any] = {
    "from": "20 %", "to": "80 %", "up": "10 s",
    "compare_at": {"speed": ["8000 rpm", "12000 rpm"], "thrust": ["400 gf"], "throttle": ["50 %"]},
}  # fmt: skip
REST_S, DWELL_S = 2.0, 0.5


def throttle_of(time: np.ndarray, up_s: float, down_s: float) -> np.ndarray:
    at = np.cumsum([REST_S, DWELL_S, up_s, DWELL_S, down_s, DWELL_S])
    return np.where(
        (time < at[0]) | (time > at[-1]),
        0.0,
        np.interp(time, at[1:5], [0.2, 0.8, 0.8, 0.2]),
    )


def ramp(
    *,
    block: Mapping[str, Any] = BLOCK,
    lags: Mapping[str, float] | None = None,
    stated_lags: Mapping[str, float] | None = None,
    inertia_w_per_rpm2_s: float = 0.0,
    down_s: float | None = None,
    one_way: bool = False,
    noise: Mapping[str, float] | None = None,
    rate_hz: float = 200.0,
) -> Outcome:
    """A ramp on a bench whose speed is 20 000 rpm times throttle; lags are first-order sensors in seconds."""
    plan = make_plan("ramp", block)
    down = plan.falls_s if down_s is None else down_s
    bench = Bench(rate_hz=rate_hz, noise=noise or {})
    time = bench.time(2 * REST_S + 3 * DWELL_S + plan.up_s + down)
    throttle = throttle_of(time, plan.up_s, down)
    if one_way:
        throttle = np.where(time > REST_S + DWELL_S + plan.up_s + DWELL_S, 0.0, throttle)
    speed = 20000.0 * throttle
    power = POWER_PER_N3 * speed**3
    change = np.gradient(speed, time)
    change[np.abs(change) > 5000.0] = 0.0  # switching on and off is no part of the ramp
    power = power + inertia_w_per_rpm2_s * speed * change
    frame = bench.record(time, speed, current_a=power / CONTROLLER_V, throttle=throttle)
    for column, lag in (lags or {}).items():
        share = 1.0 - math.exp(-1.0 / rate_hz / lag)
        frame[column] = lfilter([share], [1.0, share - 1.0], frame[column].to_numpy())
    channels = {name: {"lag": f"{1000 * lag} ms"} for name, lag in (stated_lags or {}).items()}
    setup = make_setup(make_rig(channels))
    return RAMP.reduce(prepare(frame, setup, plan))


def value(outcome: Outcome, response: str, axis: str, x: float) -> RunResponse:
    (found,) = [r for r in outcome.responses if r.response == response and r.at == ((axis, x),)]
    return found


def total_u(response: RunResponse) -> float:
    return math.hypot(*(part.contribution for part in response.components))


def test_power_laws_are_read_exactly() -> None:
    """Power of a bin's middle, not its mean: the mean of n³ over a bin lies above it."""
    outcome = ramp()
    for rpm in (8000.0, 12000.0):
        assert value(outcome, "electrical_power", "speed_rpm", rpm).value == pytest.approx(
            POWER_PER_N3 * rpm**3, rel=2e-4
        )
        assert value(outcome, "thrust", "speed_rpm", rpm).value == pytest.approx(
            THRUST_PER_N2 * rpm**2 * GF_PER_N, rel=2e-4
        )
    assert value(outcome, "speed", "throttle_percent", 50.0).value == pytest.approx(10000.0, rel=2e-4)
    at_thrust = POWER_PER_N3 * (400.0 / GF_PER_N / THRUST_PER_N2) ** 1.5
    assert value(outcome, "electrical_power", "thrust_gf", 400.0).value == pytest.approx(at_thrust, rel=5e-4)


def test_inertia_cancels_in_the_mean_and_counts_as_hysteresis() -> None:
    """J ω dω/dt of 6 % of the power at 8000 rpm, to one side on the way up and to the other on the way down."""
    power, rate = POWER_PER_N3 * 8000.0**3, 1200.0
    outcome = ramp(inertia_w_per_rpm2_s=0.06 * power / (8000.0 * rate))
    found = value(outcome, "electrical_power", "speed_rpm", 8000.0)
    assert found.value == pytest.approx(power, rel=5e-4)
    (hysteresis,) = [part for part in found.components if part.source == "hysteresis"]
    assert hysteresis.contribution == pytest.approx(0.06 * power / math.sqrt(3.0), rel=0.01)
    (told,) = [f for f in outcome.findings if f.kind == "hysteresis"]
    assert told.grade == "noted"
    assert "rotor" in told.sentence


def test_a_difference_that_inertia_cannot_make_is_doubtful() -> None:
    power = POWER_PER_N3 * 8000.0**3
    outcome = ramp(inertia_w_per_rpm2_s=-0.06 * power / (8000.0 * 1200.0))
    (told,) = [f for f in outcome.findings if f.kind == "hysteresis"]
    assert told.grade == "doubtful"
    assert "rotor" not in told.sentence


def test_a_stated_lag_is_taken_out() -> None:
    """A load cell 60 ms late: up and down differ by 2 × 60 ms × trend where nothing is corrected."""
    late = ramp(lags={"thrust_n": 0.06})
    right = ramp(lags={"thrust_n": 0.06}, stated_lags={"thrust": 0.06})
    apart = []
    for outcome in (late, right):
        parts = {p.source: p.contribution for p in value(outcome, "thrust", "speed_rpm", 8000.0).components}
        apart.append(parts.get("hysteresis", 0.0))
    # thrust ∝ n²: 2 · (1200 rpm/s · 60 ms)/8000 rpm of it to either side
    thrust = THRUST_PER_N2 * 8000.0**2 * GF_PER_N
    assert apart[0] == pytest.approx(2.0 * 1200.0 * 0.06 / 8000.0 * thrust / math.sqrt(3.0), rel=0.05)
    assert apart[1] < 0.05 * apart[0]
    assert value(right, "thrust", "speed_rpm", 8000.0).value == pytest.approx(thrust, rel=1e-3)


def test_what_a_lag_leaves_cancels_between_the_ways_and_stays_in_one() -> None:
    both = value(ramp(stated_lags={"thrust": 0.06}), "thrust", "speed_rpm", 8000.0)
    one = value(ramp(stated_lags={"thrust": 0.06}, one_way=True), "thrust", "speed_rpm", 8000.0)

    def left(response: RunResponse) -> float:
        return sum(abs(part.contribution) for part in response.components if part.source == "thrust lag")

    thrust = THRUST_PER_N2 * 8000.0**2 * GF_PER_N
    assert left(one) == pytest.approx(LAG_DOUBT * 2.0 * 1200.0 * 0.06 / 8000.0 * thrust, rel=0.05)
    assert left(both) < 0.05 * left(one)


def test_a_ramp_too_fast_for_its_sensor_is_told() -> None:
    slow = ramp(stated_lags={"thrust": 0.02})
    fast = ramp(stated_lags={"thrust": 0.6})
    assert not [f for f in slow.findings if f.kind in ("ramp too fast", "lag corrected")]
    (told,) = [f for f in fast.findings if f.kind == "ramp too fast"]
    assert told.grade == "doubtful"
    assert "too fast" in told.sentence


def test_one_way_and_uneven_ways_are_doubtful() -> None:
    assert {f.kind: f.grade for f in ramp(one_way=True).findings}["one way"] == "doubtful"
    assert {f.kind: f.grade for f in ramp(down_s=6.0).findings}["uneven ways"] == "doubtful"


def test_steps_and_readings_are_those_of_a_staircase() -> None:
    outcome = ramp()
    assert {step.direction for step in outcome.steps} == {"up", "down"}
    assert len(outcome.steps) == 40
    assert {reading.at[0][0] for reading in outcome.readings} == {
        "thrust_gf",
        "speed_rpm",
        "throttle_percent",
    }


def test_no_ramp_is_refused() -> None:
    outcome = ramp(block=BLOCK | {"to": "95 %"})
    assert not outcome.responses
    assert [f.grade for f in outcome.findings] == ["refused"]


def test_too_few_samples_are_told() -> None:
    outcome = ramp(rate_hz=10.0, block=BLOCK | {"bins": 60})
    assert not outcome.responses
    assert any("12 samples" in f.sentence for f in outcome.findings)


def test_the_middle_of_a_bin_in_white_noise() -> None:
    """A parabola's middle scatters 3/2 times as much as the mean (closed form); the stated error agrees with trials."""
    rng, time = np.random.default_rng(11), np.arange(80) / 100.0
    course = 3.0 + 5.0 * time + 7.0 * (time - time.mean()) ** 2
    made = [_middle(time, course + rng.standard_normal(80), float(time.mean())) for _ in range(600)]
    wanted = 3.0 + 5.0 * time.mean()
    errors = np.array([found for found, _ in made]) - wanted
    stated = np.sqrt(np.mean([doubt**2 for _, doubt in made]))
    assert errors.std() == pytest.approx(OF_THE_MIDDLE / math.sqrt(80), rel=0.1)
    assert abs(errors.mean()) < 4.0 * errors.std() / math.sqrt(600)
    assert 0.95 < stated / errors.std() < 1.35  # never too small; a little large on the safe side


def test_correlated_noise_is_not_counted_as_independent() -> None:
    rng, time = np.random.default_rng(12), np.arange(200) / 100.0
    made = [_middle(time, correlated(rng, 200, 0.8), float(time.mean())) for _ in range(400)]
    errors = np.array([found for found, _ in made])
    stated = np.sqrt(np.mean([doubt**2 for _, doubt in made]))
    assert 0.75 < stated / errors.std() < 1.4


def test_without_lag_nothing_is_moved() -> None:
    frame = Bench().record(np.arange(400) / 200.0, np.full(400, 9000.0))
    run = prepare(frame, make_setup(), make_plan("ramp", BLOCK))
    assert aligned(run) is run


@pytest.mark.parametrize(
    ("block", "words"),
    [({"from": "80 %", "to": "20 %"}, "below"), ({"from": "20 %", "to": "25 %"}, "10 %")],
)
def test_plans_that_make_no_sense(block: Mapping[str, Any], words: str) -> None:
    with pytest.raises(pydantic.ValidationError, match=words):
        make_plan("ramp", BLOCK | block)
