"""Mess of measured logs that is easily overlooked: missed samples, coarse and noisy sensors, tests that never ran.

The figures are facts of published logs, named beside each; the logs here are made after them.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import generator
from generator import pipeline
from generator.reduction.health import find_gaps, find_spikes
from generator.reduction.hold import reduce_hold
from generator.reduction.levels import last_steady
from generator.reduction.prepare import prepare
from generator.reduction.spin_steps import find_steps
from tests.reduction.synthetic import make_plan, make_rig, make_setup
from tests.seasons import write_season

# Repository karthikurs/actuator-dynamometer, brake-dynamometer/data/speed_test_17_01_2021_15-14-58.csv (commit
# 1ab6e56f6f9dbedd90398ccdfc05a4728ed38e03): 11 samples a second, single ones missed at these times.
INTERVAL_S = 0.0909
MISSED_S = (4.67, 6.40, 13.49, 35.31, 37.04, 44.86)


def missed_samples() -> np.ndarray:
    time = np.arange(791) * INTERVAL_S
    gone = [int(np.argmin(np.abs(time - at))) + 1 for at in MISSED_S]
    return np.delete(time, gone)


def test_single_missed_samples_of_a_steady_clock_are_found() -> None:
    found = find_gaps(missed_samples())
    assert [gap.start_s for gap in found] == pytest.approx(MISSED_S, abs=INTERVAL_S)
    assert {gap.count for gap in found} == {1}
    assert all(gap.stop_s - gap.start_s == pytest.approx(2 * INTERVAL_S) for gap in found)


def test_a_clock_that_is_not_steady_shows_no_missed_sample() -> None:
    """Intervals of 16, 32 and 48 ms by turns, as of a log read over a serial link: three in two is no gap there."""
    time = np.cumsum(np.tile([0.016, 0.032, 0.048, 0.032], 200))
    assert find_gaps(time) == ()
    assert len(find_gaps(np.delete(time, slice(100, 108)))) == 1


def test_steps_of_a_coarse_sensor_are_no_spikes() -> None:
    """Repository keiral/motor-thrust-testing, long-cable file (commit 82c9b8a45d8e3a109ac5ca8f3530ab927a12d1df).

    Speeds of a hold: 7620 (599 times), 7740 (342), 7500 (48), 7920 (10), 7380 (once), counted in steps of 60.
    """
    speeds = np.repeat([7620.0, 7740.0, 7500.0, 7920.0, 7380.0], [599, 342, 48, 10, 1])
    speeds = np.random.default_rng(3).permutation(speeds)
    # no two of these values lie 60 apart, so that the step cannot be seen in them
    time = np.arange(speeds.size) * 0.032
    known = find_spikes(time, speeds, resolution=60.0)
    assert sum(item.count for item in known) <= 11  # 7920 stands 300 off its surroundings
    assert all(speeds[item.first_row] in (7920.0, 7380.0) for item in known)
    frame = pd.DataFrame({"time_s": time, "speed_rpm": speeds})
    stated = prepare(
        frame,
        make_setup(make_rig({"speed": {"resolution": 60.0}})),
        make_plan("hold", {"speed": ["7650 rpm"]}),
    )
    told = [f for f in stated.findings if f.kind == "spike"]
    assert sum(f.count for f in told) == sum(item.count for item in known)


def test_a_noisy_sensor_does_not_end_a_hold() -> None:
    """Brake test of 13_02_2021 of the first source: 10 turns a second held, single readings scatter by 1.8 %."""
    rng = np.random.default_rng(1)
    time = np.arange(447) * INTERVAL_S
    speed = 600.0 * (1.0 + 0.018 * rng.standard_normal(time.size))
    held = last_steady(time, speed, 600.0, tolerance=0.02, settle_s=1.0, window_s=10.0)
    assert held is not None
    assert held.level == pytest.approx(600.0, rel=0.005)
    # a hold that is off by more than the tolerance stays one that was missed, noise or not
    assert last_steady(time, speed * 1.03, 600.0, tolerance=0.02, settle_s=1.0, window_s=10.0) is None
    frame = pd.DataFrame(
        {"time_s": time, "speed_rpm": speed, "thrust_n": 0.03 + 0.001 * rng.standard_normal(time.size)}
    )
    plan = make_plan("hold", {"speed": ["10 Hz", "30 Hz"], "settle": "1 s", "window": "10 s"})
    outcome = reduce_hold(prepare(frame, make_setup(), plan))
    assert {dict(r.at)["speed_rpm"] for r in outcome.responses} == {600.0}
    (missed,) = (f for f in outcome.findings if f.kind == "speed missed")
    assert missed.sentence.startswith("1800 rpm was not held")


def test_an_edge_long_before_the_answer_is_not_its_command() -> None:
    """Random switching: a short pulse that the speed hardly follows comes two seconds before the step that counts."""
    time = np.arange(0.0, 12.0, 0.02)
    volts = np.where((time >= 3.0) & (time < 3.06) | (time >= 5.0), 0.5, 0.3)
    speed = np.empty(time.size)
    speed[0] = 3000.0
    for k in range(1, time.size):  # first-order answer, 0.3 s
        speed[k] = speed[k - 1] + (1.0e4 * volts[k - 1] - speed[k - 1]) * 0.02 / 0.3
    (step,), missed = find_steps(time, speed, volts, None, low_rpm=3000.0, targets_rpm=[5000.0], dwell_s=5.0)
    assert missed == 0
    assert step.rising.delay50_s == pytest.approx(0.3 * np.log(2.0), abs=0.03)


def test_a_test_that_never_ran_is_left_out_in_the_open(tmp_path: Path) -> None:
    """A log of comments and column names alone stops the season, unless the tester leaves it out and says why."""
    season = write_season(tmp_path / "season")
    (season / "q" / "logs" / "05.csv").write_text("# supply = 0.0 V\nt,cmd,n,f,u,i,tm\n", encoding="utf-8")
    session = season / "q" / "session.yaml"
    text = session.read_text(encoding="utf-8")
    line = "  - {log: logs/05.csv, procedure: hold, treatment: b, repeat: 3, block: 3%s}\nclaims:"
    session.write_text(text.replace("claims:", line % "", 1), encoding="utf-8")
    assert "holds column names but no samples." in {problem.what for problem in generator.check(season)}
    said = line % ", left_out: The supply was off."
    session.write_text(text.replace("claims:", said, 1), encoding="utf-8")
    assert [problem for problem in generator.check(season) if problem.severity == "error"] == []
    (analysis,) = pipeline.analyse_season(season).sessions
    run = next(run for run in analysis.runs if run.run_id == "05")
    assert (run.rows, run.refused) == (0, "Left out by the tester: The supply was off.")
    assert "logs/05.csv is not used. Left out by the tester: The supply was off." in analysis.notes
    pipeline.build(season, tmp_path / "site")
    page = (tmp_path / "site" / "sessions" / "q" / "runs" / "05.html").read_text(encoding="utf-8")
    assert "The supply was off." in page
