"""One-node thermal model over any on/off pattern: simulation, fit, pulsed steady state, time to a limit.

C dT/dt = P - dT/R with the rise dT over the air and the time constant tau = R C. `power_fraction` is the
heating power over its value while on, so P R is the rise if left on for ever. A motor has at least two time
constants (winding and case) and is cooled better while its propeller turns: one node on a case temperature
hides winding peaks.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize_scalar

from generator.reduction.correlation import mean_with_standard_error

Array = NDArray[np.float64]
Rows = NDArray[np.intp]

FEWEST_SAMPLES = 5
# A fit is called identifiable if the time constant is known this well (standard error over value) and the
# record spans at least this share of it. Our own choice, no source: a shorter record shows the slope only.
LARGEST_RELATIVE_ERROR = 0.5
SHORTEST_SPAN = 0.5
SEARCH_POINTS = 61
SEARCH_ROWS = 400  # the first look at all time constants is at so many rows; all rows decide in the end


@dataclass(frozen=True, slots=True, kw_only=True)
class PulsedState:
    """Rise over the air once an on/off pattern has repeated long enough [K]."""

    max_rise_k: float
    min_rise_k: float
    mean_rise_k: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ThermalFit:
    """First-order fit of a rise over an on/off pattern.

    time_constant_s             [s]
    continuous_rise_k           rise if left on for ever [K]
    initial_rise_k              rise at the first sample [K]
    duty_settled_peak_rise_k    peak rise if the recorded whole cycles were repeated for ever; the continuous
                                rise if the power was never switched off again; None if there is no whole
                                cycle [K]
    u_...                       standard uncertainties, allowing for correlated residuals
    covariance                  of (time constant, continuous rise, initial rise), same allowance
    residual_sd_k               scatter about the fit [K]
    samples                     rows used
    identifiable                False if the record cannot tell the time constant; nothing may then be
                                projected
    reason                      why not, else ""
    """

    time_constant_s: float
    continuous_rise_k: float
    initial_rise_k: float
    duty_settled_peak_rise_k: float | None
    u_time_constant_s: float
    u_continuous_rise_k: float
    u_initial_rise_k: float
    u_duty_settled_peak_rise_k: float | None
    covariance: tuple[tuple[float, float, float], ...]
    residual_sd_k: float
    samples: int
    identifiable: bool
    reason: str


def _require_positive(name: str, value: float, unit: str) -> None:
    if not 0 < value < float("inf"):
        raise ValueError(f"{name}: must be more than zero and finite, found {value} {unit}")


def _require_time(time_s: Array) -> None:
    if time_s.size and not bool(np.isfinite(time_s).all() and (np.diff(time_s) > 0).all()):
        raise ValueError("time_s: must be finite and strictly increasing")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Pattern:
    """An on/off pattern cut into stretches of one power, and the rows at which a rise is asked for.

    powers   shape (m,), power of each stretch
    lasting  shape (m - 1,), how long each but the last lasts [s]
    stretch  shape (k,), the stretch in which each row lies; passed  shape (k,), time since that began [s]
    """

    powers: Array
    lasting: Array
    stretch: Rows
    passed: Array

    @classmethod
    def of(cls, time_s: Array, power_fraction: Array, rows: Rows | None = None) -> _Pattern:
        """Pattern of samples; rows in rising order, every one where None."""
        firsts = np.concatenate(([0], np.flatnonzero(np.diff(power_fraction)) + 1))
        rows = np.arange(time_s.size) if rows is None else rows
        stretch = np.searchsorted(firsts, rows, side="right") - 1
        return cls(
            powers=power_fraction[firsts],
            lasting=np.diff(time_s[firsts]),
            stretch=stretch,
            passed=time_s[rows] - time_s[firsts[stretch]],
        )

    def unit_response(self, time_constant_s: float) -> Array:
        """Rise per kelvin of continuous rise, starting from none, at each row.

        Over a stretch of one power p the rise goes from its start r to p + (r - p) e^(-t/tau), whatever the steps
        between its samples: only the switching instants have to be gone through one after the other.
        """
        starts = [0.0]
        decays = np.exp(self.lasting / -time_constant_s).tolist()
        for power, decay in zip(self.powers.tolist(), decays, strict=False):  # the last one is not left again
            starts.append(power + (starts[-1] - power) * decay)
        missing = (np.array(starts) - self.powers)[self.stretch]
        rise: Array = self.powers[self.stretch] + missing * np.exp(self.passed / -time_constant_s)
        return rise


def simulate_rise_k(
    time_s: Array,
    power_fraction: Array,
    settled_rise_k: float,
    time_constant_s: float,
    initial_rise_k: float = 0.0,
) -> Array:
    """Rise over the air of a one-node body [K], exact for power that is constant between samples.

    time_s           shape (n,), strictly increasing, any steps [s]
    power_fraction   shape (n,), heating power over its full value; entry k holds from time k to time k + 1
    settled_rise_k   rise if left at full power for ever [K]
    time_constant_s  [s]
    initial_rise_k   rise at the first sample [K]
    Returns          shape (n,) [K]
    Raises           ValueError for arrays of different length, time that does not increase, tau of zero or
                     less
    Source           solution of C dT/dt = P - dT/R over each step: dT' = dT e^(-h/tau) + P R (1 - e^(-h/tau))
    """
    _require_positive("time_constant_s", time_constant_s, "s")
    _require_time(time_s)
    if time_s.shape != power_fraction.shape:
        raise ValueError(f"time and power differ in length: {time_s.size} and {power_fraction.size}")
    if time_s.size == 0:
        return np.empty(0)
    response = _Pattern.of(time_s, power_fraction).unit_response(time_constant_s)
    decay = np.exp(-(time_s - time_s[0]) / time_constant_s)
    rise: Array = settled_rise_k * response + initial_rise_k * decay
    return rise


def pulsed_steady_state(
    settled_rise_k: float, time_constant_s: float, on_s: float, off_s: float
) -> PulsedState:
    """Highest, lowest and mean rise when full power for on_s and none for off_s repeat for ever.

    settled_rise_k   rise if left on for ever [K]
    Raises  ValueError for a time constant or on time of zero or less, or a negative off time
    Source  closed form of the one-node model: max = P R (1 - e^(-on/tau)) / (1 - e^(-(on+off)/tau))
    """
    _require_positive("time_constant_s", time_constant_s, "s")
    _require_positive("on_s", on_s, "s")
    if not 0 <= off_s < float("inf"):
        raise ValueError(f"off_s: must be zero or more and finite, found {off_s} s")
    highest = (
        settled_rise_k
        * float(np.expm1(-on_s / time_constant_s))
        / float(np.expm1(-(on_s + off_s) / time_constant_s))
    )
    return PulsedState(
        max_rise_k=highest,
        min_rise_k=highest * float(np.exp(-off_s / time_constant_s)),
        mean_rise_k=settled_rise_k * on_s / (on_s + off_s),
    )


def _whole_cycles(power_fraction: Array) -> tuple[int, int] | None:
    """Rows from the first to the last switching-on, None if the power goes on fewer than twice."""
    on = power_fraction > 0.5 * float(power_fraction.max())
    edges = np.flatnonzero(~on[:-1] & on[1:]) + 1
    if on[0]:
        edges = np.concatenate(([0], edges))
    return (int(edges[0]), int(edges[-1])) if edges.size >= 2 else None


def _duty_peak_share(time_s: Array, power_fraction: Array, time_constant_s: float) -> float:
    """Peak rise over the continuous rise when the recorded whole cycles repeat for ever; NaN if none can."""
    cycles = _whole_cycles(power_fraction)
    if cycles is None:
        on = power_fraction > 0.5 * float(power_fraction.max())
        return 1.0 if bool(on[int(np.argmax(on)) :].all()) else float("nan")
    first, last = cycles
    time, power = time_s[first : last + 1], power_fraction[first : last + 1]
    response = _Pattern.of(time, power).unit_response(time_constant_s)
    passed = (time - time[0]) / time_constant_s
    # Starting rise b that returns after the cycles: b = b e^(-T/tau) + response at the end.
    start = float(response[-1]) / -float(np.expm1(-passed[-1]))
    return float((response + start * np.exp(-passed)).max())


def _why_not(span_s: float, time_constant_s: float, errors: Array, rise_k: float, at_edge: bool) -> str:
    """Reason why a fit cannot be projected, "" if it can."""
    if at_edge:
        return "the best time constant lies at the edge of what the record could show"
    if span_s < SHORTEST_SPAN * time_constant_s:
        return f"the record of {span_s:.3g} s is too short for a time constant of {time_constant_s:.3g} s"
    if errors[0] > LARGEST_RELATIVE_ERROR * time_constant_s:
        return f"the time constant is known only within {errors[0]:.3g} s of {time_constant_s:.3g} s"
    if not rise_k > 2.0 * errors[1]:
        return "no heating stands out of the scatter"
    return ""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Sampled:
    """Rises to be fitted, shape (k,): measured [K], time since the first row of the record [s], what drove them."""

    pattern: _Pattern
    passed: Array
    measured: Array
    initial_rise_k: float | None

    def project(self, time_constant_s: float) -> tuple[Array, Array, Array]:
        """Basis, best (continuous, initial) rise and residuals at one time constant."""
        response = self.pattern.unit_response(time_constant_s)
        basis = np.column_stack((response, np.exp(self.passed / -time_constant_s)))
        if self.initial_rise_k is None:
            rises = np.linalg.lstsq(basis, self.measured, rcond=None)[0]
        else:
            rest = self.measured - self.initial_rise_k * basis[:, 1]
            length = float(response @ response)
            rises = np.array([float(response @ rest) / length if length > 0 else 0.0, self.initial_rise_k])
        return basis, rises, self.measured - basis @ rises

    def cost(self, log_time_constant: float) -> float:
        """Sum of the squared residuals."""
        residuals = self.project(float(np.exp(log_time_constant)))[2]
        return float(residuals @ residuals)


def _lowest(grid: Array, cost: Callable[[float], float], rough: Callable[[float], float]) -> int:
    """Place in a grid at which the cost is lowest: sought with a rough one everywhere, from there downhill."""
    best = int(np.argmin([rough(float(point)) for point in grid]))
    known: dict[int, float] = {}
    while True:
        for place in range(max(best - 1, 0), min(best + 2, grid.size)):
            if place not in known:
                known[place] = cost(float(grid[place]))
        lowest = min(known, key=known.__getitem__)
        if lowest == best:
            return best
        best = lowest


def fit_first_order(
    time_s: Array, rise_k: Array, power_fraction: Array, initial_rise_k: float | None = None
) -> ThermalFit:
    """Least-squares fit of time constant, continuous rise and initial rise to a measured rise.

    time_s          shape (n,), strictly increasing [s]
    rise_k          shape (n,), rise over the air [K]; rows that are not finite are not fitted
    power_fraction  shape (n,), heating power over its full value, constant from each row to the next
    initial_rise_k  a known rise at the first row; fitted where None
    Raises          ValueError for arrays of different length, fewer than five finite rises, or power that is
                    never on
    Source          variable projection: for a given time constant the model is linear in both rises
                    (Golub and Pereyra, SIAM J. Numer. Anal. 10 (1973) 413-432, from memory). Covariance
                    s² (JᵀJ)⁻¹, times the count over the effective count of the residuals: their correlation
                    is taken to weigh on the parameters as on a mean, which is an approximation.
    """
    if not time_s.shape == rise_k.shape == power_fraction.shape:
        raise ValueError(
            f"time, rise and power differ in length: {time_s.size}, {rise_k.size}, {power_fraction.size}"
        )
    _require_time(time_s)
    if not bool(np.isfinite(power_fraction).all()):
        raise ValueError("power_fraction: must be finite")
    used = np.isfinite(rise_k)
    if int(used.sum()) < FEWEST_SAMPLES:
        raise ValueError(f"a thermal fit needs at least {FEWEST_SAMPLES} rises, found {int(used.sum())}")
    if not float(power_fraction[:-1].max()) > 0:
        raise ValueError("power_fraction: the power is never on, so there is nothing to fit")
    measured = rise_k[used]
    passed = (time_s - time_s[0])[used]
    fixed = initial_rise_k is not None
    rows = np.flatnonzero(used)
    whole, few = (
        _Sampled(
            pattern=_Pattern.of(time_s, power_fraction, rows[::every]),
            passed=passed[::every],
            measured=measured[::every],
            initial_rise_k=initial_rise_k,
        )
        for every in (1, -(-rows.size // SEARCH_ROWS))
    )

    span = float(passed[-1])
    shortest = 0.3 * float(np.median(np.diff(passed)))
    grid = np.linspace(np.log(shortest), np.log(100.0 * span), SEARCH_POINTS)
    best = _lowest(grid, whole.cost, few.cost)
    around = (float(grid[max(best - 1, 0)]), float(grid[min(best + 1, grid.size - 1)]))
    found = minimize_scalar(whole.cost, bounds=around, method="bounded", options={"xatol": 1e-10})
    time_constant_s = float(np.exp(found.x))
    basis, rises, residuals = whole.project(time_constant_s)

    step = 1e-4 * time_constant_s
    later, earlier = (
        simulate_rise_k(time_s, power_fraction, float(rises[0]), time_constant_s + shift, float(rises[1]))[
            used
        ]
        for shift in (step, -step)
    )
    slope = (later - earlier) / (2 * step)
    columns = [slope, basis[:, 0]] if fixed else [slope, basis[:, 0], basis[:, 1]]
    jacobian = np.column_stack(columns)
    freedom = measured.size - len(columns)
    variance = float(residuals @ residuals) / freedom
    inflation = 1.0
    if variance > 0:
        scatter = mean_with_standard_error(residuals)
        inflation = scatter.count / scatter.effective_count
    covariance = np.zeros((3, 3))
    covariance[: len(columns), : len(columns)] = np.linalg.pinv(jacobian.T @ jacobian) * variance * inflation
    errors = np.sqrt(np.diag(covariance))

    reason = _why_not(span, time_constant_s, errors, float(rises[0]), best in (0, grid.size - 1))
    share, longer, shorter = (
        _duty_peak_share(time_s, power_fraction, time_constant_s + shift) for shift in (0.0, step, -step)
    )
    gradient = np.array([float(rises[0]) * (longer - shorter) / (2 * step), share, 0.0])
    peaks = bool(np.isfinite(share))
    return ThermalFit(
        time_constant_s=time_constant_s,
        continuous_rise_k=float(rises[0]),
        initial_rise_k=float(rises[1]),
        duty_settled_peak_rise_k=float(rises[0]) * share if peaks else None,
        u_time_constant_s=float(errors[0]),
        u_continuous_rise_k=float(errors[1]),
        u_initial_rise_k=float(errors[2]),
        u_duty_settled_peak_rise_k=float(np.sqrt(gradient @ covariance @ gradient)) if peaks else None,
        covariance=tuple((float(row[0]), float(row[1]), float(row[2])) for row in covariance),
        residual_sd_k=float(np.sqrt(variance)),
        samples=int(measured.size),
        identifiable=reason == "",
        reason=reason,
    )


def seconds_to_limit(
    fit: ThermalFit, limit_rise_k: float, on_s: float, off_s: float, initial_rise_k: float = 0.0
) -> float:
    """Time until a pulsed rise first reaches a limit [s]; infinite if it never does.

    fit             an identifiable fit
    limit_rise_k    rise over the air at the part's limit [K]
    on_s, off_s     on time first, then off time, repeated for ever; off_s = 0 for continuous power [s]
    initial_rise_k  rise at the start, 0 for a part at air temperature [K]
    Raises          ValueError for a fit that is not identifiable, or on and off times that make no sense
    Source          closed form: at the start of cycle k the rise is min + (initial - min)·e^(-k
                    (on+off)/tau), min being the lowest rise of the settled pattern
    """
    if not fit.identifiable:
        raise ValueError(f"the fit cannot be projected: {fit.reason}")
    tau, settled = fit.time_constant_s, fit.continuous_rise_k
    state = pulsed_steady_state(settled, tau, on_s, off_s)
    if limit_rise_k <= initial_rise_k:
        return 0.0

    def within_on(start_k: float) -> float | None:
        """Time within one on period that starts from this rise, None if the limit is not reached in it."""
        if not settled > limit_rise_k:
            return None
        needed = tau * float(np.log((settled - start_k) / (settled - limit_rise_k)))
        return needed if needed <= on_s else None

    first = within_on(initial_rise_k)
    if first is not None:
        return first
    if not state.max_rise_k > limit_rise_k:
        return float("inf")
    # The start of a cycle has to be at least this warm for the limit to be reached in it.
    warm = settled - (settled - limit_rise_k) * float(np.exp(on_s / tau))
    period = on_s + off_s
    with np.errstate(divide="ignore", invalid="ignore"):
        cycles = float(np.log((state.min_rise_k - initial_rise_k) / (state.min_rise_k - warm))) * tau / period
    if not np.isfinite(cycles):
        return float("inf")  # the settled peak only touches the limit
    # One cycle early, as rounding may have pushed the ceiling up, to one late, as it may have pushed it down.
    for number in range(max(int(np.ceil(cycles)) - 1, 1), int(np.ceil(cycles)) + 3):
        start = state.min_rise_k + (initial_rise_k - state.min_rise_k) * float(np.exp(-number * period / tau))
        needed_s = within_on(start)
        if needed_s is not None:
            return number * period + needed_s
    return float("inf")
