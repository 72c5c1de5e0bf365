"""From recorded runs to contrasts: what runs share cancels in a difference, what they do not share stays."""

from __future__ import annotations

import datetime
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from generator.evidence.contrasts import contrasts
from generator.evidence.records import Contrast, ResponseSummary
from generator.evidence.summaries import summarise
from generator.reduction.records import RunReduction
from tests.evidence.invented_bench import BASE, KINDS, OTHER, make_session
from tests.reduction.synthetic import AIR_K, Bench, hold_frame, make_rig, make_setup, reduced

PLAN = {"speed": ["16000 rpm"], "settle": "0.5 s", "window": "2 s"}


def session_of(
    channels: Mapping[str, Mapping[str, Any]] | None = None,
    *,
    air_u_k: float = 0.0,
    warmer_k: float = 0.0,
    slope_k_s: tuple[float, float] = (0.0, 0.0),
    rpm: tuple[float, float] = (16000.0, 16000.0),
    current: float = 1.0,
    repeats: int = 3,
    propellers: tuple[str, str] = ("Tri", "Tri"),
) -> tuple[RunReduction, ...]:
    """Runs that take turns. Pairs are (baseline, other): slope of the motor's temperature, speed held, propeller.

    current  factor of the other treatment's current
    """
    setup = make_setup(make_rig(channels))
    setup = replace(setup, date=datetime.date(2031, 5, 4), air=replace(setup.air, temperature_u_k=air_u_k))
    made = []
    for order in range(1, 2 * repeats + 1):
        side = order % 2 == 0
        bench = Bench(seed=order, noise={"current_a": 0.02, "thrust_n": 0.005})
        frame = hold_frame(bench, [(rpm[side], 3.2)])
        held = frame["speed_rpm"] > 10000
        frame["motor_temperature_k"] = (
            AIR_K + 40.0 + (warmer_k if side else 0.0) + 0.05 * (-1) ** (order // 2)
        )
        frame.loc[held, "motor_temperature_k"] += slope_k_s[side] * (frame.loc[held, "time_s"] - 4.5)
        frame["motor_temperature_k"] += 0.02 * np.random.default_rng(order).standard_normal(len(frame))
        frame["current_a"] *= (current if side else 1.0) * (1.0 + 2e-4 * (-1) ** (order // 2))
        own = replace(setup, propeller=setup.propeller.model_copy(update={"label": propellers[side]}))
        run = reduced(frame, "hold", PLAN, setup=own)
        made.append(
            replace(run, run_id=f"{order}", treatment=OTHER if side else BASE, order=order, repeat=order)
        )
    return tuple(made)


def judged(runs: Sequence[RunReduction], response: str) -> tuple[ResponseSummary, Contrast]:
    """The baseline's mean and the contrast of one response."""
    summaries = summarise(runs, KINDS)
    (mean,) = [s for s in summaries if (s.response, s.treatment) == (response, BASE)]
    (contrast,) = [c for c in contrasts(summaries, runs, make_session(), KINDS) if c.response == response]
    return mean, contrast


def sources(mean: ResponseSummary) -> dict[str, float]:
    return {row.source: row.standard_uncertainty for row in mean.budget}


def test_the_air_of_the_session_is_in_a_rise_and_not_in_its_difference() -> None:
    plain = judged(session_of(), "motor_temperature_rise")
    mean, contrast = judged(session_of(air_u_k=0.8), "motor_temperature_rise")
    assert sources(mean)["air temperature"] == pytest.approx(0.8)
    assert mean.standard_uncertainty > 0.8 > 5 * contrast.standard_uncertainty
    assert contrast.standard_uncertainty == pytest.approx(plain[1].standard_uncertainty, rel=1e-6)


def test_a_lag_cancels_where_both_climb_alike_and_stays_where_they_do_not() -> None:
    lag = {"motor_temperature": {"lag": "500 ms"}}
    alike = judged(session_of(lag, slope_k_s=(1.0, 1.0)), "motor_temperature_rise")
    apart = judged(session_of(lag, slope_k_s=(1.0, 3.0)), "motor_temperature_rise")
    assert sources(alike[0])["motor temperature lag"] == pytest.approx(0.5, rel=0.05)
    assert alike[1].standard_uncertainty < 0.1
    assert apart[1].standard_uncertainty == pytest.approx(0.5 * (3.0 - 1.0), rel=0.05)


def test_the_age_of_a_calibration_cancels_in_the_percentage_and_not_in_the_difference() -> None:
    old = {"current": {"gain_drift": "2 %", "calibrated": datetime.date(2029, 5, 4)}}
    mean, contrast = judged(session_of(old, current=2.0), "electrical_power")
    age = 0.02 * 730 / 365.25 / 3**0.5
    assert sources(mean)["current calibration age"] == pytest.approx(age * mean.value, rel=1e-3)
    assert contrast.standard_uncertainty == pytest.approx(age * contrast.difference, rel=0.01)
    assert contrast.relative_interval is not None
    low, high = contrast.relative_interval
    assert high - low < 0.2 * age  # of 100 %: the common gain is gone


def test_a_setpoint_miss_is_a_matter_of_the_set_up() -> None:
    """Thrust of one propeller: equal misses cancel, opposite ones add; another propeller shares nothing."""
    same, opposite, others = (
        judged(session_of(rpm=rpm, propellers=propellers), "thrust")
        for rpm, propellers in (
            ((15840.0, 15840.0), ("Tri", "Tri")),
            ((15840.0, 16160.0), ("Tri", "Tri")),
            ((15840.0, 15840.0), ("Tri", "Duo")),
        )
    )
    each = sources(same[0])["setpoint miss (Tri)"]
    assert each == pytest.approx(0.15 * 0.01005 * same[0].value, rel=0.01)
    assert same[1].standard_uncertainty < 0.1 * each
    assert opposite[1].standard_uncertainty == pytest.approx(2.0 * each, rel=0.02)
    assert others[1].standard_uncertainty == pytest.approx(2**0.5 * each, rel=0.02)
