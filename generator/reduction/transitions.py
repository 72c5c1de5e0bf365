"""Instants, duration, overshoot and settling of one step, in the terms of IEEE Std 181."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

Array = NDArray[np.float64]

# The region after a step in which overshoot is looked for, in transition durations: long enough to hold the
# first peak and the first dip of a second-order response at any damping. Later excursions belong to the
# state.
ABERRATION_DURATIONS = 5.0
# A signal that falls back to this share of the way has made the next step; ringing does not dip so far
# unless its damping ratio is below 0.05. Our own choice, no source.
STEP_BACK = 0.25
# With a wider settling band than this the 90 % instant lies inside it, and settling means nothing.
WIDEST_BAND = 0.1
# A step must stand out of the noise by this many standard deviations. Our own choice, no source.
SMALLEST_AMPLITUDE_SIGMA = 6.0
# Fewest samples that can show a low state, an edge and a high state.
FEWEST_SAMPLES = 4
NORMAL_MEDIAN = 0.6744897501960817  # median of |x| over the standard deviation of a normal distribution


class NoTransition(ValueError):
    """The samples do not show the step that was looked for."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Transition:
    """One rising or falling step.

    t10_s, t50_s, t90_s     instants at which 10, 50 and 90 % of the way is done, in the direction of the step
                            (of a falling step t10_s is at the 90 % reference level) [s]
    u_t10_s ... u_t90_s     their standard uncertainties from sampling interval and noise [s]
    transition_duration_s   t90_s - t10_s, with u_transition_duration_s [s]
    delay10_s, delay50_s    from the command edge to t10_s and to t50_s; None without a command edge [s]
    u_delay10_s             standard uncertainties of the delays, with the command edge's own; None likewise
    overshoot_percent       largest excursion past the state aimed at, within five durations after t90_s;
                            noise adds about three of its standard deviations [% of amplitude]
    undershoot_percent      largest dip back after that state was first reached, same region [% of amplitude]
    settling_time_s         from t50_s to the last entry into the band round the state aimed at; None if it
                            did not stay there for a transition duration before the samples end or the next
                            step comes, or if the band is wider than 10 % [s]
    settling_band_percent   half-width of that band: the tolerance asked for, or three times the scatter of
                            the settled state if larger, so that vibration of the stand is not read as
                            unsettled
    low, high               state levels, unit of the values
    noise                   standard deviation of single samples, unit of the values
    rising                  direction
    """

    t10_s: float
    t50_s: float
    t90_s: float
    u_t10_s: float
    u_t50_s: float
    u_t90_s: float
    transition_duration_s: float
    u_transition_duration_s: float
    delay10_s: float | None
    delay50_s: float | None
    u_delay10_s: float | None
    u_delay50_s: float | None
    overshoot_percent: float
    undershoot_percent: float
    settling_time_s: float | None
    settling_band_percent: float
    low: float
    high: float
    noise: float
    rising: bool

    @property
    def amplitude(self) -> float:
        """High state level minus low state level, unit of the values."""
        return self.high - self.low


def state_levels(values: Array) -> tuple[float, float]:
    """Low and high state level of a waveform with two states.

    values  shape (n,); samples that are not finite are left out
    Returns (low, high), unit of the values
    Raises  NoTransition for fewer than four samples or samples that are all the same
    Source  IEEE Std 181-2011, histogram method: the occupied range is split in two halves, the mode of each
            is its state level. The modes are refined to the median of the samples next to them, and
            single-sample spikes do not stretch the range (median of three), both our own additions.
    """
    finite = np.asarray(values, dtype=float)
    finite = finite[np.isfinite(finite)]
    if finite.size < FEWEST_SAMPLES:
        raise NoTransition(f"two states need at least {FEWEST_SAMPLES} samples, found {finite.size}")
    smooth = median_filter(finite, 3, mode="nearest")
    bottom, top = float(smooth.min()), float(smooth.max())
    if not top > bottom:
        raise NoTransition(f"all samples lie at one level, {bottom:g}")
    bins = int(np.clip(4 * np.sqrt(finite.size), 20, 100))
    width = (top - bottom) / bins
    counts, _ = np.histogram(finite, bins=bins, range=(bottom, top))
    # Neighbouring bins are added so that a state astride a bin edge still makes one peak.
    peaks = np.convolve(counts, np.ones(3), mode="same")
    half = bins // 2
    levels = []
    for first, part in ((0, peaks[:half]), (half, peaks[half:])):
        tied = np.flatnonzero(part == part.max())
        # Of tied bins the one that holds most itself; then the outermost, which is nearest the state.
        order = tied if first == 0 else tied[::-1]
        mode = first + int(max(order, key=lambda place: counts[first + place]))
        centre = bottom + (mode + 0.5) * width
        near = finite[np.abs(finite - centre) <= 1.5 * width * (1 + 1e-12)]
        levels.append(float(np.median(near)) if near.size else centre)
    return levels[0], levels[1]


def sample_noise(time_s: Array, values: Array) -> float:
    """Standard deviation of single samples, from how far each lies off the line between its neighbours.

    time_s, values  shape (n,), time strictly increasing; straight ramps and plateaus count as no noise
    Returns         unit of the values; 0 for fewer than three samples
    Source          robust (median) form of the second-difference estimator; our own arrangement, no source
    """
    if values.size < 3:
        return 0.0
    share = (time_s[1:-1] - time_s[:-2]) / (time_s[2:] - time_s[:-2])
    off = values[1:-1] - (values[:-2] * (1 - share) + values[2:] * share)
    scale = np.sqrt(1.0 + share**2 + (1.0 - share) ** 2)
    return (
        float(np.median(np.abs(off) / scale)) / 0.6744897501960817
    )  # normal distribution: median |x| / sigma


def _crossing_rows(values: Array, level: float, rising: bool) -> NDArray[np.intp]:
    """Rows k with the level passed between k (short of it) and k + 1 (at or past it)."""
    beyond = values >= level if rising else values <= level
    return np.flatnonzero(~beyond[:-1] & beyond[1:])


def _instant(time_s: Array, values: Array, level: float, row: int) -> float:
    share = (level - values[row]) / (values[row + 1] - values[row])
    return float(time_s[row] + share * (time_s[row + 1] - time_s[row]))


def reference_crossing(time_s: Array, values: Array, level: float, rising: bool, start: int = 0) -> float:
    """Instant at which a waveform first passes a reference level, linearly interpolated [s].

    time_s  shape (n,), strictly increasing [s]
    values  shape (n,), any single unit
    level   same unit
    start   row from which to look
    Raises  NoTransition if the level is not passed in that direction at or after the row
    Source  IEEE Std 181-2011, reference level instant
    """
    rows = _crossing_rows(values[start:], level, rising)
    if rows.size == 0:
        raise NoTransition(f"the level {level:g} is not passed {'upwards' if rising else 'downwards'}")
    return _instant(time_s, values, level, start + int(rows[0]))


def _instant_uncertainty(
    time_s: Array, way: Array, level: float, row: int, noise: float, mean_slope: float
) -> float:
    """Standard uncertainty of a crossing between rows `row` and `row + 1`; `way` runs from 0 to 1 [s].

    Three shares, added in quadrature:
    noise      noise over slope. The slope is taken over so many samples that the way rises by about six times
               the noise, and never below a tenth of the mean slope of the step: noise must not pass for
               steepness;
    curvature  a line between samples h apart errs by at most h²·|y''|/8; over the slope, as a rectangular
               width;
    resolution if a share s of the 10-90 % way falls within this one interval, the true instant may lie
               anywhere in about s·h. Root mean square distance of a rectangular width h from the point at
               share f of it: s·h·sqrt(1/12 + (f - 1/2)²). Almost nothing for a well resolved step.
    Curvature and resolution together never exceed the value for s = 1: the crossing does lie in that
    interval.
    """
    interval = float(time_s[row + 1] - time_s[row])
    jump = float(way[row + 1] - way[row])
    half = int(np.clip(np.ceil(3.0 * noise / (mean_slope * interval)), 1, way.size))
    first, last = max(row + 1 - half, 0), min(row + half, way.size - 1)
    slope = max(float((way[last] - way[first]) / (time_s[last] - time_s[first])), 0.1 * mean_slope)
    bend = 0.0
    for middle in (row, row + 1):
        if 0 < middle < way.size - 1:
            left, right = time_s[middle] - time_s[middle - 1], time_s[middle + 1] - time_s[middle]
            turn = (way[middle + 1] - way[middle]) / right - (way[middle] - way[middle - 1]) / left
            bend = max(bend, abs(float(turn)) * 2.0 / float(left + right))
    curvature = bend * interval**2 / 8.0 / slope / np.sqrt(3.0)
    place = (level - float(way[row])) / jump
    unresolved = interval * float(np.sqrt(1.0 / 12.0 + (place - 0.5) ** 2))
    sampling = min(float(np.hypot(curvature, min(jump / 0.8, 1.0) * unresolved)), unresolved)
    return float(np.hypot(noise / slope, sampling))


def _edge_rows(way: Array) -> tuple[int, int, int]:
    """Rows of the 10, 50 and 90 % crossings of the first step in `way`, which starts near 0.

    The step is the first passage of 90 % after which the samples stay past half way (a spike does not).
    With noise each level is passed several times; the middle passage is taken of those on the step itself,
    that is between the last sample at or below the low state and the first one at or above the high state.
    The last passage of 10 % and the first of 90 % would make every noisy step look too short.
    """
    ends = _crossing_rows(way, 0.9, True)
    lasting = [row for row in ends if float(np.median(way[row + 1 : row + 4])) > 0.5]
    if not lasting:
        raise NoTransition("the 90 % level is never reached")
    landmark = int(lasting[0]) + 1
    before = np.flatnonzero(way[:landmark] <= 0.0)
    after = np.flatnonzero(way[landmark:] >= 1.0)
    first = int(before[-1]) if before.size else 0
    last = landmark + int(after[0]) if after.size else landmark
    starts = _crossing_rows(way[first : landmark + 1], 0.1, True)
    if starts.size == 0:
        raise NoTransition("the 10 % level is not passed: the record starts after the step has begun")
    halves = _crossing_rows(way[first : landmark + 1], 0.5, True)
    finals = _crossing_rows(way[first : last + 1], 0.9, True)
    row10, row50, row90 = (first + int(rows[rows.size // 2]) for rows in (starts, halves, finals))
    return row10, row50, row90


def _step_back(way: Array, row90: int) -> int:
    """First row of the next step back after row90, or the number of rows if there is none."""
    low = way[row90 + 1 :] < STEP_BACK
    back = np.flatnonzero(low[:-1] & low[1:])
    return row90 + 1 + int(back[0]) if back.size else way.size


def _end_of_state(way: Array, row90: int, back: int, band: float) -> int:
    """Row after the last one that belongs to the state: the next step has not yet left its band."""
    if back == way.size:
        return back
    state = way[row90 + 1 : back]
    held = np.flatnonzero(state >= 1.0 - band)
    if held.size == 0:
        held = np.flatnonzero(state >= 0.9)
    return row90 + 2 + int(held[-1])


def _aberrations(
    time_s: Array, way: Array, t90_s: float, duration_s: float, row90: int
) -> tuple[float, float]:
    """Overshoot and undershoot in percent after a step."""
    # A step within one interval still gets a region of a few samples.
    reach = ABERRATION_DURATIONS * max(duration_s, float(time_s[row90 + 1] - time_s[row90]))
    region = way[(time_s > t90_s) & (time_s <= t90_s + reach)]
    if region.size == 0:
        return 0.0, 0.0
    overshoot = max(float(region.max()) - 1.0, 0.0)
    reached = np.flatnonzero(region >= 1.0)
    undershoot = max(1.0 - float(region[reached[0] :].min()), 0.0) if reached.size else 0.0
    return 100.0 * overshoot, 100.0 * undershoot


def _settling(time_s: Array, way: Array, t50_s: float, duration_s: float, band: float) -> float | None:
    """Time from t50_s to the last entry into 1 ± band, None if it did not stay there for duration_s."""
    outside = np.flatnonzero(np.abs(way - 1.0) > band)
    if band > WIDEST_BAND or outside.size == 0 or int(outside[-1]) >= way.size - 1:
        return None
    row = int(outside[-1])
    entry = _instant(time_s, way, 1.0 - band if way[row] < 1.0 else 1.0 + band, row)
    return entry - t50_s if time_s[-1] - entry >= duration_s else None


def _settled_scatter(way: Array) -> float:
    """Standard deviation of the last third of a state, from its median absolute deviation; 0 if too short."""
    tail = way[-(way.size // 3) :] if way.size >= 15 else way[:0]
    if tail.size == 0:
        return 0.0
    return float(np.median(np.abs(tail - np.median(tail)))) / NORMAL_MEDIAN


def find_transition(
    time_s: Array,
    values: Array,
    low: float | None = None,
    high: float | None = None,
    start_s: float = -np.inf,
    stop_s: float = np.inf,
    command_edge_s: float | None = None,
    command_edge_uncertainty_s: float = 0.0,
    settling_tolerance_percent: float = 2.0,
) -> Transition:
    """First step between two states in a stretch of a record, rising or falling.

    time_s          shape (n,), strictly increasing [s]
    values          shape (n,), any single unit; samples that are not finite are left out
    low, high       state levels, unit of the values; found from the histogram of the stretch where not given
    start_s, stop_s the stretch [s]
    command_edge_s  when the step was commanded, with its standard uncertainty [s]
    settling_tolerance_percent  half-width of the settling band [% of amplitude]
    Returns         a Transition; whether it rises is read from where the stretch starts
    Raises          NoTransition if there is no step, or it does not stand out of the noise;
                    ValueError for levels in the wrong order or arrays of different length
    Source          IEEE Std 181-2011: state levels, 10, 50, 90 % reference level instants by linear
                    interpolation, transition duration, overshoot, settling measured from the 50 % instant.
                    The lag of the sensor and the uncertainty of the levels are not in the uncertainties given
                    here.
    """
    if time_s.shape != values.shape:
        raise ValueError(f"time and values differ in length: {time_s.size} and {values.size}")
    inside = (time_s >= start_s) & (time_s <= stop_s) & np.isfinite(values)
    time, samples = time_s[inside], values[inside]
    if samples.size < FEWEST_SAMPLES:
        raise NoTransition(f"a step needs at least {FEWEST_SAMPLES} samples, found {samples.size}")
    if low is None or high is None:
        found_low, found_high = state_levels(samples)
        low = found_low if low is None else low
        high = found_high if high is None else high
    if not high > low:
        raise ValueError(f"the high level must lie above the low level: {high:g}, {low:g}")
    amplitude = high - low
    noise = sample_noise(time, samples)
    if amplitude < SMALLEST_AMPLITUDE_SIGMA * noise:
        raise NoTransition(f"a step of {amplitude:g} does not stand out of noise of {noise:g}")
    begin = float(np.median(samples[: min(5, samples.size // 3)]))
    rising = begin < low + 0.5 * amplitude
    # From here on a step always runs upwards from 0 to 1.
    way = (samples - low) / amplitude if rising else (high - samples) / amplitude
    row10, row50, row90 = _edge_rows(way)
    t10, t50, t90 = (
        _instant(time, way, level, row) for level, row in ((0.1, row10), (0.5, row50), (0.9, row90))
    )
    duration = t90 - t10
    relative_noise = noise / amplitude
    mean_slope = 0.8 / max(duration, float(time[row90 + 1] - time[row90]))
    u10, u50, u90 = (
        _instant_uncertainty(time, way, level, row, relative_noise, mean_slope)
        for level, row in ((0.1, row10), (0.5, row50), (0.9, row90))
    )
    back = _step_back(way, row90)
    scatter = max(relative_noise, _settled_scatter(way[row90:back]))
    band = max(settling_tolerance_percent / 100.0, 3.0 * scatter)
    stop = _end_of_state(way, row90, back, band)
    overshoot, undershoot = _aberrations(time[:stop], way[:stop], t90, duration, row90)
    edge = command_edge_s
    return Transition(
        t10_s=t10,
        t50_s=t50,
        t90_s=t90,
        u_t10_s=u10,
        u_t50_s=u50,
        u_t90_s=u90,
        transition_duration_s=duration,
        u_transition_duration_s=float(np.hypot(u10, u90)),
        delay10_s=None if edge is None else t10 - edge,
        delay50_s=None if edge is None else t50 - edge,
        u_delay10_s=None if edge is None else float(np.hypot(u10, command_edge_uncertainty_s)),
        u_delay50_s=None if edge is None else float(np.hypot(u50, command_edge_uncertainty_s)),
        overshoot_percent=overshoot,
        undershoot_percent=undershoot,
        settling_time_s=_settling(time[:stop], way[:stop], t50, duration, band),
        settling_band_percent=100.0 * band,
        low=low,
        high=high,
        noise=noise,
        rising=rising,
    )
