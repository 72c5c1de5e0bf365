"""Holds, plateaus and steps found in invented courses of speed and throttle."""

import math

import numpy as np
import pytest

from generator.reduction.levels import (
    Stretch,
    last_steady,
    matched,
    nearest_plateau,
    plateaus,
    smoothed,
    stretches,
    trend_share,
    within,
)

T = np.arange(0.0, 20.0, 0.01)


def course(*corners):
    return np.interp(T, [t for t, _ in corners], [v for _, v in corners])


HOLD = course((0, 0), (2, 0), (3, 9000), (8, 9000), (9, 16000), (14, 16000), (15, 0))


def steady(values, target, **more):
    return last_steady(T, values, target, **{"tolerance": 0.02, "settle_s": 0.5, "window_s": 2.0, **more})


def test_stretches_of_a_mask():
    assert stretches(np.array([True, True, False, True])) == [(0, 1), (3, 3)]
    assert stretches(np.zeros(3, dtype=bool)) == []
    assert stretches(np.array([], dtype=bool)) == []


def test_smoothing_follows_a_step_and_drops_a_short_excursion():
    values = np.where(T < 5, 1.0, 2.0)
    assert np.array_equal(smoothed(T, values), values)
    values[700:704] = 9.0
    assert smoothed(T, values).max() == 2.0


def test_smoothing_bridges_short_dropouts_only():
    values = np.full(T.size, 5.0)
    values[100:140] = np.nan  # 0.4 s
    values[800:1000] = np.nan  # 2 s
    smooth = smoothed(T, values)
    assert np.isfinite(smooth[:800]).all()
    assert np.isnan(smooth[800:1000]).all()
    assert np.isfinite(smooth[1000:]).all()
    assert np.isnan(smoothed(T, np.full(T.size, np.nan))).all()


def test_smoothing_of_a_slow_log_bridges_single_samples():
    time = np.arange(0.0, 30.0, 1.0)
    values = np.full(30, 5.0)
    values[10] = np.nan
    assert np.isfinite(smoothed(time, values)).all()


@pytest.mark.parametrize("count", [0, 1, 2])
def test_next_to_no_rows(count):
    time, values = T[:count], np.full(count, 5.0)
    assert smoothed(time, values).size == count
    assert last_steady(time, values, 5.0, tolerance=0.02, settle_s=0.0, window_s=1.0) is None
    assert nearest_plateau(time, values, 5.0, 1.0) is None
    assert plateaus(time, values, tolerance=0.1, min_duration_s=1.0) == []


def test_the_last_steady_window_is_taken():
    found = steady(HOLD, 16000.0)
    assert found.level == pytest.approx(16000.0)
    assert found.stop_s - found.start_s == pytest.approx(2.0)
    assert 13.9 < found.stop_s < 14.0
    assert 7.9 < steady(HOLD, 9000.0).stop_s < 8.0


def test_a_hold_shorter_than_settling_and_window_is_none():
    assert steady(HOLD, 16000.0, window_s=4.3) is not None
    assert steady(HOLD, 16000.0, window_s=4.7) is None


def test_the_tolerance_is_held_on_both_sides():
    for share, held in ((1.015, True), (0.985, True), (1.025, False), (0.975, False)):
        assert (steady(HOLD, 16000.0 * share) is not None) == held


def test_trend_and_its_error():
    rng = np.random.default_rng(1)
    line = 100.0 + 0.1 * T  # 2 % of about 101 over 20 s
    change, error = trend_share(T, line)
    assert change == pytest.approx(0.1 * T[-1] / line.mean())
    assert error < 1e-9
    # white noise: standard error of the change along the line is √12·s/√n; 300 trials
    changes, errors = zip(
        *(trend_share(T, 100 + rng.standard_normal(T.size)) for _ in range(300)), strict=True
    )
    truth = math.sqrt(12 / T.size) / 100
    assert np.mean(errors) == pytest.approx(truth, rel=0.15)
    assert np.sqrt(np.mean(np.square(changes))) == pytest.approx(truth, rel=0.15)
    assert trend_share(T[:2], line[:2]) == (math.inf, math.inf)
    assert trend_share(T, np.zeros(T.size)) == (math.inf, math.inf)


def test_noise_is_not_taken_for_a_trend():
    held = 0
    for seed in range(40):
        rng = np.random.default_rng(seed)
        coarse = slice(None, None, 10)  # 10 samples a second: chance alone shows changes above 0.5 %
        noisy = HOLD + 100 * rng.standard_normal(T.size) * (HOLD > 8000)
        found = last_steady(T[coarse], noisy[coarse], 16000.0, tolerance=0.03, settle_s=0.5, window_s=2.0)
        held += found is not None and found.stop_s > 13.5
    assert held >= 37


def test_a_window_that_was_hardly_recorded_is_not_used():
    values = HOLD.copy()
    values[(T > 9.6) & (T < 13.4)] = np.nan
    assert steady(values, 16000.0) is None
    values = HOLD.copy()
    values[(T > 12.2) & (T < 12.5)] = np.nan
    assert steady(values, 16000.0) is not None


def test_nearest_steady_level():
    wobbly = course((0, 0), (2, 0), (3, 14000), (7, 14000), (8, 15000), (12, 15000), (13, 0))
    assert nearest_plateau(T, wobbly, 16000.0, 2.0).level == pytest.approx(15000.0)
    assert nearest_plateau(T, wobbly, 13500.0, 2.0).level == pytest.approx(14000.0)
    assert nearest_plateau(T, wobbly, 30000.0, 2.0) is None
    assert nearest_plateau(T, course((0, 10000), (20, 20000)), 16000.0, 2.0) is None  # never steady


def test_plateaus_of_steps_at_once_and_along_slopes():
    for slope_s in (0.0, 0.3):
        corners = [(0, 0.0)]
        for place, level in enumerate((0.2, 0.5, 0.8), 1):
            corners += [(4 * place, corners[-1][1]), (4 * place + max(slope_s, 0.001), level)]
        found = plateaus(T, course(*corners, (20, 0.8)), tolerance=0.0075, min_duration_s=2.0)
        assert [round(s.level, 3) for s in found] == [0.0, 0.2, 0.5, 0.8]
        assert all(abs(s.lasts_s - 4.0) < 0.5 for s in found[:3])
        # the window at the end of a step must not reach into the slope to the next
        assert all(abs(found[n].stop_s - 4 * (n + 1)) < 0.03 for n in range(3))


def test_plateaus_leave_out_ramps_and_missing_samples():
    assert plateaus(T, course((0, 0.0), (20, 1.0)), tolerance=0.0075, min_duration_s=1.0) == []
    values = np.full(T.size, 0.5)
    values[500:800] = np.nan
    found = plateaus(T, values, tolerance=0.0075, min_duration_s=2.0)
    assert [(round(s.start_s), round(s.stop_s)) for s in found] == [(0, 5), (8, 20)]
    assert plateaus(T, np.full(T.size, np.nan), tolerance=0.0075, min_duration_s=2.0) == []


def test_plateaus_of_a_noisy_throttle():
    rng = np.random.default_rng(3)
    values = course((0, 0.2), (6, 0.2), (6.01, 0.4), (12, 0.4), (12.01, 0.3), (20, 0.3))
    found = plateaus(T, values + 0.004 * rng.standard_normal(T.size), tolerance=0.0075, min_duration_s=3.0)
    assert [round(s.level, 2) for s in found] == [0.2, 0.4, 0.3]


def at(*levels):
    return [Stretch(start_s=float(n), stop_s=n + 1.0, level=level) for n, level in enumerate(levels)]


@pytest.mark.parametrize(
    ("found", "expected"),
    [
        ((0.0, 0.2, 0.4, 0.6, 0.4, 0.2, 0.0), (1, 2, 3, 4, 5)),
        ((0.0, 0.2, 0.6, 0.4, 0.2, 0.0), (1, None, 2, 3, 4)),  # missing on the way up
        ((0.2, 0.4, 0.6, 0.2), (0, 1, 2, None, 3)),  # missing on the way down
        ((0.2, 0.4), (0, 1, None, None, None)),  # aborted on the way up
        ((0.2, 0.4, 0.4, 0.6, 0.4, 0.2), (0, 2, 3, 4, 5)),  # a step repeated
        ((), (None, None, None, None, None)),
    ],
)
def test_matching_keeps_the_order(found, expected):
    hits = matched(at(*found), (0.2, 0.4, 0.6, 0.4, 0.2), 0.015)
    assert [None if hit is None else int(hit.start_s) for hit in hits] == list(expected)


def test_within_tells_stretches_with_their_level():
    found = within(T, HOLD, 16000.0, 0.02)
    assert len(found) == 1
    assert found[0].level == 16000.0
    assert found[0].lasts_s == pytest.approx(5.0, abs=0.15)
