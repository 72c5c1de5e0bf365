"""What is reported about single channels, and what is not."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy.ndimage import median_filter

from generator.reduction.health import (
    HealthFinding,
    _local_noise,
    check_time,
    find_dropouts,
    find_gaps,
    find_spikes,
    mask_spikes,
    summarise_sampling,
)
from generator.reduction.repeats import find_clipped, find_stuck, quiet_step


def even(n, rate=100.0):
    return np.arange(n) / rate


def noise(n, seed=0):
    return np.random.default_rng(seed).standard_normal(n)


# Time


def test_good_time_is_not_reported():
    assert check_time(even(50)) == ()
    assert check_time(np.empty(0)) == ()


def test_faults_of_time_are_reported_at_their_first_row():
    t = np.array([0.0, 0.1, 0.1, 0.3, 0.2, 0.4, np.nan, 0.6, 0.6, 0.5])
    found = {f.kind: f for f in check_time(t)}
    assert set(found) == {"time missing", "time reversed", "time repeated"}
    assert (found["time repeated"].first_row, found["time repeated"].count) == (2, 2)
    assert (found["time reversed"].first_row, found["time reversed"].count) == (4, 2)
    assert found["time reversed"].detail == "time goes back from 0.3 s to 0.2 s"
    assert (found["time missing"].first_row, found["time missing"].count) == (6, 1)


@given(arrays(float, st.integers(2, 60), elements=st.floats(-100, 100)))
def test_time_is_reported_exactly_if_it_does_not_increase(t):
    assert (check_time(t) == ()) == bool((np.diff(t) > 0).all())


def test_sampling_summary():
    t = np.delete(even(1000), slice(300, 350)) + 0.001 * noise(950)
    summary = summarise_sampling(t)
    assert summary.count == 950
    assert summary.rate_hz == pytest.approx(100, rel=0.02)
    assert summary.median_interval_s == pytest.approx(0.01, rel=0.02)
    assert summary.jitter_s == pytest.approx(0.001 * np.sqrt(2), rel=0.1)
    assert summary.largest_interval_s == pytest.approx(0.51, abs=0.01)
    with pytest.raises(ValueError, match="at least two rows, found 1"):
        summarise_sampling(np.zeros(1))
    with pytest.raises(ValueError, match="strictly increasing"):
        summarise_sampling(np.array([0.0, 1.0, 1.0]))


def test_gap_is_reported_with_what_is_missing():
    t = np.delete(even(1000), slice(300, 350))
    (gap,) = find_gaps(t)
    assert (gap.kind, gap.first_row, gap.count) == ("gap", 299, 50)
    assert (gap.start_s, gap.stop_s) == pytest.approx((2.99, 3.50))
    assert find_gaps(t, factor=60.0) == ()
    assert find_gaps(t[:2]) == ()


@given(st.integers(0, 200), st.floats(0.0, 0.9))
def test_jitter_is_no_gap(seed, jitter):
    t = even(300) + 0.01 * jitter * (np.random.default_rng(seed).random(300) - 0.5)
    assert find_gaps(t) == ()


# Missing, stuck, clipped


def test_dropouts_are_stretches_without_a_finite_value():
    x = noise(100)
    x[10:15] = np.nan
    x[99] = np.inf
    first, last = find_dropouts(even(100), x, "torque_nm")
    assert (first.kind, first.channel, first.first_row, first.count) == ("dropout", "torque_nm", 10, 5)
    assert (first.start_s, first.stop_s) == pytest.approx((0.10, 0.14))
    assert (last.first_row, last.count) == (99, 1)
    assert find_dropouts(even(100), noise(100)) == ()


@pytest.mark.parametrize("resolution", [1e-12, 0.1, 0.5, 2.0])
@pytest.mark.parametrize("stop", [700, 1000])
def test_a_frozen_channel_is_stuck(resolution, stop):
    x = 50 + np.round(noise(1000) / resolution) * resolution
    x[400:stop] = x[400]
    (stuck,) = find_stuck(even(1000), x, "thrust_n")
    assert stuck.kind == "stuck"
    assert stuck.first_row == pytest.approx(400, abs=8)  # neighbours may happen to have the value
    assert stuck.count == pytest.approx(stop - 400, abs=12)


@settings(max_examples=200)
@given(st.integers(0, 100_000), st.floats(0.05, 5.0), st.floats(0.0, 1.0), st.integers(30, 3000))
def test_quantised_noise_is_neither_stuck_nor_clipped(seed, resolution, offset, n):
    x = np.round(noise(n, seed) / resolution + offset) * resolution + 50
    assert find_stuck(even(n), x) == ()
    assert find_clipped(even(n), x) == ()


def test_a_slow_sensor_in_a_fast_log_is_not_stuck():
    x = np.repeat(300 + noise(60), 50)  # two new values a second at 100 Hz
    assert find_stuck(even(3000), x) == ()
    x[1000:2500] = x[1000]
    assert len(find_stuck(even(3000), x)) == 1


def test_a_constant_or_commanded_channel_is_not_judged():
    assert find_stuck(even(500), np.full(500, 295.0)) == ()
    assert find_stuck(even(500), np.repeat(np.arange(10.0), 50)) == ()
    assert find_stuck(np.empty(0), np.empty(0)) == ()


def test_rest_is_not_stuck():
    speed = np.concatenate((np.zeros(200), 9000 + 20 * noise(400), np.zeros(200)))
    assert find_stuck(even(800), speed) == ()
    assert len(find_stuck(even(800), speed, rest_value=None)) == 2
    rest = np.zeros(800, dtype=bool)
    rest[:200] = rest[600:] = True
    assert find_stuck(even(800), speed, rest_value=None, ignore=rest) == ()
    speed[250:450] = 0.0  # in the middle of the run zero is as stuck as any value
    assert [f.first_row for f in find_stuck(even(800), speed)] == [250]
    rest[250:300] = True
    assert [f.first_row for f in find_stuck(even(800), speed, ignore=rest)] == [300]


def test_a_short_repeat_is_not_stuck():
    x = noise(1000)
    x[400:415] = x[400]
    assert find_stuck(even(1000), x) == ()
    assert len(find_stuck(even(1000), x, min_duration_s=0.1)) == 1


def test_pile_up_at_an_extreme_is_clipped():
    t = even(2000)
    wave = 10 * np.sin(2 * np.pi * t) + 0.3 * noise(2000)
    found = find_clipped(t, np.clip(wave, None, 8.0), "thrust_n")
    assert {f.kind for f in found} == {"clipped"}
    assert len(found) >= 20  # every crest
    assert all("largest value, 8" in f.detail for f in found)
    both = find_clipped(t, np.clip(wave, -8.0, 8.0))
    assert any("smallest value, -8" in f.detail for f in both)
    assert find_clipped(t, wave) == ()


def test_samples_at_the_stated_limits_are_clipped():
    x = np.concatenate((np.linspace(0, 6, 100), np.full(5, 6.2), np.linspace(6, -3, 100), [-3.0, -3.0]))
    t = even(x.size)
    high, low = find_clipped(t, x, limits=(-2.0, 6.1))
    assert (high.first_row, high.count) == (100, 5)
    assert "upper end, 6.1" in high.detail
    assert low.first_row > 105
    assert "lower end, -2" in low.detail
    # Within its stated range a channel may still pile up at a value of its own.
    rough = np.where(x == 6.2, 6.2, np.minimum(x + 0.02 * noise(x.size), 6.19))
    (piled,) = find_clipped(t, rough, limits=(None, 7.0))
    assert piled.detail == "piled up at the channel's largest value, 6.2"
    assert find_clipped(t, x, limits=(-2.0, 6.1), min_count=100) == ()


@pytest.mark.parametrize("scatter", [0.0, 0.1, 0.2])  # in steps of the channel
@pytest.mark.parametrize("levels", [(37.0,), (37.4, 61.2), (61.2, 37.0)])
def test_a_quiet_coarse_hold_is_neither_clipped_nor_stuck(scatter, levels):
    parts = [np.zeros(200)]
    for level in levels:
        parts += [np.linspace(parts[-1][-1], level, 40), np.full(600, level)]
    x = np.concatenate(parts)
    x = np.round(x + scatter * noise(x.size)) * 0.05
    assert find_clipped(even(x.size), x) == ()
    assert find_stuck(even(x.size), x) == ()
    # the stated range counts all the same
    assert find_clipped(even(x.size), x, limits=(None, 0.05 * round(max(levels))))


def test_a_coarse_channel_that_stays_behind_is_told():
    # steps of 0.1 V of thrust-like readings: at most 6.0 while the speed climbs on by a fifth
    speed = np.concatenate(
        (np.linspace(0, 10000, 300), np.linspace(10000, 12000, 300), np.full(300, 12000.0))
    )
    true = 6.0 * (speed / 10000) ** 2
    for fault, find in (("clipped", find_clipped), ("stuck", find_stuck)):
        x = np.round(np.minimum(true, 6.0) / 0.1) * 0.1
        if fault == "stuck":
            x[700:] = 5.0  # so that the repeat is not at an extreme
            x[720:] = np.round(true[720:] / 0.1) * 0.1
        assert find(even(900), x) == ()
        (told,) = find(even(900), x, leader=speed)
        assert told.kind == fault
        assert 295 < told.first_row < 305
        assert find(even(900), x, leader=np.full(900, np.nan)) == ()


@given(st.integers(0, 1000), st.sampled_from([0.1, 0.02, 1 / 3, 20.0, 6.0]))
def test_the_step_of_a_coarse_quiet_channel(seed, step):
    rng = np.random.default_rng(seed)
    levels = np.repeat(rng.integers(-400, 400, 80), 7)
    assert quiet_step(levels * step + 0.5) == pytest.approx(step, rel=1e-6)
    assert (
        quiet_step(np.round(levels + 0.6 * rng.standard_normal(560)) * step) == 0.0
    )  # noise beyond its step
    assert quiet_step(levels + rng.standard_normal(560)) == 0.0  # no step
    assert quiet_step(np.full(50, 3.0)) == 0.0
    assert quiet_step(np.array([np.nan])) == 0.0


def test_rest_at_a_lower_limit_of_zero_is_not_clipped():
    speed = np.concatenate((np.zeros(200), 9000 + 20 * noise(400)))
    assert find_clipped(even(600), speed, limits=(0.0, 20000.0)) == ()
    assert find_clipped(even(3), np.full(3, np.nan), limits=(None, 1.0)) == ()


# Spikes


@settings(max_examples=200)
@given(
    st.lists(st.tuples(st.floats(-1e4, 1e4), st.integers(4, 40)), min_size=1, max_size=15),
    st.floats(1e-3, 1e3),
)
def test_a_clean_staircase_has_no_spike(treads, scale):
    x = scale * np.concatenate([np.full(width, level) for level, width in treads])
    assert find_spikes(even(x.size), x) == ()


@settings(max_examples=200)
@given(
    st.lists(st.tuples(st.floats(-1e4, 1e4), st.integers(60, 120)), min_size=1, max_size=6),
    st.integers(0, 10_000),
)
def test_a_noisy_staircase_has_no_spike(treads, seed):
    x = np.concatenate([np.full(width, level) for level, width in treads])
    assert find_spikes(even(x.size), x + noise(x.size, seed)) == ()


def test_noise_round_about_is_measured_right():
    x = np.concatenate((2.0 * noise(20_000, 4), 5.0 * noise(20_000, 5)))
    level = _local_noise(np.abs(x - median_filter(x, size=7)))
    # The larger of two neighbouring estimates is a little high: about a tenth.
    assert np.median(level[:19_000]) == pytest.approx(2.2, rel=0.06)
    assert np.median(level[21_000:]) == pytest.approx(5.5, rel=0.06)
    assert (level[19_990:20_010] > 3.0).all()  # already at the border


def test_a_long_noisy_record_has_no_spike():
    assert find_spikes(even(50_000), noise(50_000, 3)) == ()


@given(
    st.integers(20, 400), st.integers(1, 3), st.booleans(), st.integers(0, 1000), st.sampled_from([0.0, 1.0])
)
def test_an_inserted_spike_is_found_and_masked(row, width, down, seed, scatter):
    # Two states and noise; the spike stands at least four samples off the edge.
    x = np.where(np.arange(450) < 230, 100.0, 300.0) + scatter * noise(450, seed)
    if 222 <= row <= 233:
        row = 240
    clean = x.copy()
    x[row : row + width] += -40.0 if down else 40.0
    (spike,) = find_spikes(even(450), x, "current_a")
    assert (spike.kind, spike.channel, spike.first_row, spike.count) == ("spike", "current_a", row, width)
    assert spike.start_s == pytest.approx(row / 100)
    masked = mask_spikes(x, (spike,))
    assert np.flatnonzero(np.isnan(masked)).tolist() == list(range(row, row + width))
    kept = ~np.isnan(masked)
    assert (masked[kept] == clean[kept]).all()
    assert not np.isnan(x).any()  # the channel itself is left as it was


@pytest.mark.parametrize("interval", [0.002, 0.01, 0.02])
@pytest.mark.parametrize("zeta", [0.2, 0.4, 0.7])
def test_an_overshooting_transition_is_no_spike(interval, zeta):
    t = np.arange(-1.0, 3.0, interval)
    wn, wd = 40.0, 40.0 * np.sqrt(1 - zeta**2)
    s = np.maximum(t, 0)
    y = 1 - np.exp(-zeta * wn * s) * (np.cos(wd * s) + zeta * wn / wd * np.sin(wd * s))
    assert find_spikes(t, y) == ()
    assert find_spikes(t, 400 * y + noise(t.size)) == ()


def test_a_ramp_up_and_down_has_no_spike_at_its_top():
    x = np.concatenate((np.arange(30.0), np.arange(30.0)[::-1]))
    assert find_spikes(even(60), x) == ()


def test_vibration_is_no_spike():
    t = even(3000, 1000.0)
    assert find_spikes(t, np.sin(2 * np.pi * 210 * t) + 0.2 * noise(3000)) == ()


@given(st.integers(0, 1000))
def test_a_flicker_of_one_step_of_resolution_is_no_spike(seed):
    x = np.round(0.2 * noise(500, seed) + 0.15) * 0.5 + 20
    assert find_spikes(even(500), x) == ()


def test_missing_values_are_bridged():
    x = noise(300)
    x[100:105] = np.nan
    x[200] = 60.0
    assert [f.first_row for f in find_spikes(even(300), x)] == [200]
    assert find_spikes(even(5), np.array([0.0, 0.0, 9.0, 0.0, 0.0])) == ()  # too few to tell


def test_masking_leaves_other_findings_alone():
    x = noise(20)
    stuck = HealthFinding(
        kind="stuck", channel="", start_s=0.0, stop_s=0.1, first_row=3, count=4, detail="reads 1 for 0.1 s"
    )
    np.testing.assert_array_equal(mask_spikes(x, (stuck,)), x)


@pytest.mark.parametrize("find", [find_dropouts, find_stuck, find_clipped, find_spikes])
def test_lengths_must_agree(find):
    with pytest.raises(ValueError, match="time and values differ in length: 5 and 4"):
        find(even(5), np.zeros(4))
