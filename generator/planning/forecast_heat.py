"""How warm the motor gets: two thermal nodes, driven through the pattern of a run by the heat of its steady states."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import expm

from generator.intake.session import Season, Session
from generator.planning.bench_model import RPM, BenchModel, Stretch
from generator.planning.forecast_model import ASSUMED, FittedConstants, Known
from generator.planning.forecast_points import Setpoint, at_setpoint, pattern_of
from generator.planning.plan_records import Basis

Array = NDArray[np.float64]
# Relative standard uncertainty of a rise foreseen from a fit of an earlier session, and from assumed thermal
# resistances. Our own choice, no source.
MEASURED_SHARE, ASSUMED_SHARE = 0.10, 0.40


@dataclass(frozen=True, slots=True, kw_only=True)
class Warming:
    """Course of one run from cold, rises above the air [K].

    end_k      case at the end of the last stretch that drives; peak_winding_k the hottest the winding gets
    settled_k  case, where it would settle at the mean heat of the pattern between first and last driven stretch
    time_constant_s  of the case; driven_s how long that part of the pattern lasts
    """

    end_k: float
    peak_winding_k: float
    settled_k: float
    time_constant_s: float
    driven_s: float


Heat = Callable[[Setpoint], tuple[float, float]]  # into winding and into case [W]


def heat_of(model: BenchModel) -> Heat:
    """Heat of winding and case at a setpoint, each worked out once; none where it cannot be held."""
    known: dict[Setpoint, tuple[float, float]] = {}

    def heat(setpoint: Setpoint) -> tuple[float, float]:
        if setpoint not in known:
            found = at_setpoint(model, setpoint)
            known[setpoint] = (0.0, 0.0) if found is None else (found.winding_w, found.iron_w)
        return known[setpoint]

    return heat


def warming(model: BenchModel, pattern: Sequence[Stretch], longest_s: float = math.inf) -> Warming | None:
    """Rises of winding and case over one run from cold; None where nothing turns.

    longest_s  the pattern is cut off after so long, as by an empty pack
    Source  two heat balances, C dT/dt = P - flow, with constant P over a stretch: exact by the matrix exponential.
            The winding's resistance is that of a motor whose case is at the start temperature.
    """
    motor, heat = model.motor, heat_of(model)
    between, out = 1.0 / motor.winding_to_case_k_w, 1.0 / motor.case_to_air_k_w
    capacity = np.array([motor.winding_capacity_j_k, motor.case_capacity_j_k])
    rates: Array = np.array([[-between, between], [between, -between - out]]) / capacity[:, None]
    steps: dict[float, Array] = {}
    rise, peak, end, total = np.zeros(2), 0.0, None, np.zeros(2)
    done, first, last = 0.0, None, 0.0
    total_at_last = np.zeros(2)
    for stretch in pattern:
        if done >= longest_s:
            break
        seconds = min(stretch.duration_s, longest_s - done)
        power = np.zeros(2)
        for level in _levels(stretch):
            power = power + np.array(heat(level)) / len(_levels(stretch))
        if seconds not in steps:
            steps[seconds] = expm(rates * seconds)
        toward = np.linalg.solve(rates, -power / capacity)
        rise = toward + steps[seconds] @ (rise - toward)
        if first is None and power.any():
            first, total = done, np.zeros(2)
        done += seconds
        total = total + power * seconds
        if power.any():
            peak, end, last, total_at_last = max(peak, float(rise[0])), float(rise[1]), done, total
    if first is None or end is None:
        return None
    cycle_s = last - first
    # on and off repeated: the off period after the last on belongs to its cycle
    offs = [s.duration_s for s in pattern if s.kind == "off" and s.label.startswith("off")]
    cycle_s += offs[-1] if offs else 0.0
    mean = total_at_last / max(cycle_s, 1e-9)
    return Warming(
        end_k=end,
        peak_winding_k=peak,
        settled_k=float(mean.sum()) * motor.case_to_air_k_w,
        time_constant_s=motor.case_capacity_j_k * motor.case_to_air_k_w,
        driven_s=cycle_s,
    )


def _levels(stretch: Stretch) -> tuple[Setpoint, ...]:
    """What a stretch holds; a moving one counts as both of its ends."""
    if stretch.kind in ("off", "still") or stretch.value <= 0.0:
        return ()
    if stretch.kind == "speed":
        return (Setpoint(kind="speed", value=stretch.value / RPM),)
    ends = (stretch.value, stretch.value if stretch.until is None else stretch.until)
    return tuple(Setpoint(kind="throttle", value=value) for value in dict.fromkeys(ends))


@dataclass(frozen=True, slots=True, kw_only=True)
class Cooling:
    """What carries a motor's heat away: resistance of the case to the air, its heat capacity, how well it is known."""

    case_to_air_k_w: float
    case_capacity_j_k: float
    share: float
    basis: Basis

    def into(self, model: BenchModel) -> BenchModel:
        """The model with this cooling."""
        motor = replace(
            model.motor, case_to_air_k_w=self.case_to_air_k_w, case_capacity_j_k=self.case_capacity_j_k
        )
        return replace(model, motor=motor)


def cooling_of(
    season: Season,
    session: Session,
    treatment_id: str,
    known: Known,
    fitted: FittedConstants,
    benches: Callable[[Session, str], Known],
) -> Cooling:
    """Cooling of a treatment's motor: from the newest earlier soak of the same motor, else assumed.

    benches  (session, treatment) -> its bench: the heat that the earlier soak drew is that of its own set-up
    The fitted settled rise over the mean heat is the resistance to the air, the fitted time constant over that the
    capacity. A propeller of another size blows otherwise: the one like the planned is taken first.
    """
    treatment = session.file.treatments[treatment_id]
    for other, runs in fitted.sessions:
        plan = other.plans.get("soak")
        names = [
            name for name, one in other.file.treatments.items()
            if one.motor == treatment.motor and plan is not None
        ]  # fmt: skip
        names.sort(key=lambda name: other.file.treatments[name].propeller != treatment.propeller)
        for name in names:
            own = [
                r for run in runs if run.treatment == name and run.procedure == "soak" and run.refused is None
                for r in run.responses
            ]  # fmt: skip
            rises = [r.value for r in own if r.response == "settled_rise" and r.value > 0.0]
            constants = [r.value for r in own if r.response == "time_constant" and r.value > 0.0]
            if not rises or not constants or plan is None:
                continue
            then = warming(benches(other, name).model, pattern_of(plan))
            if then is None or then.settled_k <= 0.0:
                continue
            heat = then.settled_k / benches(other, name).model.motor.case_to_air_k_w
            to_air = float(np.mean(rises)) / heat
            simulated = ", simulated" if any(run.simulated for run in runs) else ""
            return Cooling(
                case_to_air_k_w=to_air,
                case_capacity_j_k=float(np.mean(constants)) / to_air,
                share=MEASURED_SHARE,
                basis=Basis(kind="measured", words=f"from the soak of session {other.id}{simulated}"),
            )
    motor = known.model.motor
    return Cooling(
        case_to_air_k_w=motor.case_to_air_k_w, case_capacity_j_k=motor.case_capacity_j_k,
        share=ASSUMED_SHARE, basis=ASSUMED,
    )  # fmt: skip
