"""A treatment at full throttle: cap, what a lost cap does, what to set at the supply, how long a pack lasts."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

from generator.evidence.wording import number, plain
from generator.intake.parts import Pack, Supply
from generator.intake.reference_texts import Thresholds
from generator.intake.session import Season, Session, Treatment
from generator.planning.bench_model import RPM, BenchModel
from generator.planning.forecast_model import Known
from generator.planning.forecast_points import at_duty, foretold, settled, top
from generator.planning.forecast_steady import Steady, steady_at_speed
from generator.planning.plan_records import Foretold, SetpointForecast, TreatmentForecast
from generator.reduction.air import tip_mach

# The supply is set so far above the highest current that is foreseen, so that it does not cut in where the forecast is
# a little low. Our own choice, no source.
ROOM = 1.25
NOTHING = Foretold(value=0.0, u=0.0)


def treatment_forecast(
    season: Season,
    session: Session,
    name: str,
    benches: Mapping[str, Known],
    points: Sequence[SetpointForecast],
    peak_a: float,
    thresholds: Thresholds,
) -> TreatmentForecast:
    """One treatment at full throttle and at its supply.

    benches  treatment -> its bench; points of this treatment
    peak_a   highest current in its steps of speed [A], 0 where it makes none
    """
    treatment, known = session.file.treatments[name], benches[name]
    source, model = season.source(treatment), known.model
    state = top(model)

    def of(value: Callable[[Steady], float]) -> Foretold:
        def figure(bench: BenchModel) -> float | None:
            found = top(bench)
            return None if found is None else value(found)

        return foretold(known, figure) or NOTHING

    speed = of(lambda s: s.speed_rad_s / RPM)
    cap, words = equalising_cap(session, name, benches)
    rest_v = 0.0 if state is None else state.open_voltage_v
    highest = _highest(points)
    current, current_words = _current_to_set(season, treatment, highest, peak_a)
    drop = 0.0 if state is None else model.wiring_ohm * state.supply_current_a
    gives, supply_words = _supply_words(source, points, state, drop, rest_v, treatment.label)
    full_v = rest_v
    if isinstance(source, Supply) and treatment.cells is not None:
        # a cap is lost on a pack too, when this set-up flies: full cells, as the caution counts
        full_v = max(rest_v, treatment.cells * thresholds.value("cell.full_v"))
    air_k = session.file.air.temperature_k
    return TreatmentForecast(
        treatment=name, label=treatment.label, cap=treatment.output_cap, top_speed_rpm=speed,
        full_current_a=of(lambda s: s.supply_current_a), full_motor_current_a=of(lambda s: s.motor_current_a),
        full_power_w=of(lambda s: s.electrical_power_w), full_tap_voltage_v=of(lambda s: s.tap_voltage_v),
        top_tip_mach=tip_mach(season.propeller(treatment).diameter_m, speed.value, air_k),
        equalising_cap=cap, cap_words=words, uncapped_speed_rpm=_uncapped(known, treatment),
        free_run_bound_rpm=season.motor(treatment).kv_rpm_per_v * full_v,
        rest_voltage_v=rest_v, set_voltage_v=rest_v if isinstance(source, Supply) else None,
        set_current_a=current, set_current_words=current_words, wiring_drop_v=drop,
        supply_gives=gives, supply_words=supply_words, pack_minutes=_pack_minutes(source, highest),
        basis=known.basis,
    )  # fmt: skip


def equalising_cap(session: Session, name: str, benches: Mapping[str, Known]) -> tuple[Foretold | None, str]:
    """The output cap with which a treatment tops out where the baseline does, and a sentence of it.

    Constants of a part that both share are moved together, so that they cancel as far as they do.
    """
    baseline, file = session.file.baseline, session.file
    label, base_label = file.treatments[name].label, file.treatments[baseline].label
    if name == baseline:
        return None, ""
    value = _cap(benches[name].model, benches[baseline].model)
    if value is None:
        said = f"No cap gives {label} the top speed of {base_label}: it does not get there with full output."
        return None, said
    u2 = 0.0
    own, base = benches[name].variants, benches[baseline].variants
    for place in range(max(len(own), len(base))):
        pairs = [
            (own[place] if place < len(own) else benches[name].model, benches[baseline].model),
            (benches[name].model, base[place] if place < len(base) else benches[baseline].model),
        ]
        if _shared(place, file.treatments[name], file.treatments[baseline]):
            pairs = [(own[place], base[place])]
        for mine, other in pairs:
            moved = _cap(mine, other)
            u2 += 0.0 if moved is None else (moved - value) ** 2
    cap = Foretold(value=value, u=math.sqrt(u2))
    stated = file.treatments[name].output_cap
    words = (
        f"A cap of {number(100.0 * cap.value, 1)} % (standard uncertainty {number(100.0 * cap.u, 1)} %) gives {label} "
        f"the top speed of {base_label}; {plain(100.0 * stated, '%')} is planned."
    )
    return cap, words


# order of `known_bench`'s variants: KV, resistance, free run; CT, CP; source; ripple; wiring
def _shared(place: int, one: Treatment, other: Treatment) -> bool:
    parts = ("motor", "motor", "motor", "propeller", "propeller", "supply", "motor")
    return True if place >= len(parts) else getattr(one, parts[place]) == getattr(other, parts[place])


def _cap(model: BenchModel, baseline: BenchModel) -> float | None:
    goal = top(baseline)
    if goal is None:
        return None
    found = settled(model, lambda k: steady_at_speed(model, goal.speed_rad_s, k))
    if found is not None:
        return found.duty
    own = at_duty(model, 1.0)  # full output of the very same set-up misses the speed by rounding alone
    return 1.0 if own is not None and own.speed_rad_s >= goal.speed_rad_s * (1.0 - 1e-6) else None


def _uncapped(known: Known, treatment: Treatment) -> Foretold | None:
    if treatment.output_cap >= 1.0:
        return None

    def figure(model: BenchModel) -> float | None:
        open_ended = replace(model, source=replace(model.source, current_limit_a=math.inf))
        found = at_duty(open_ended, 1.0)
        return None if found is None else found.speed_rad_s / RPM

    return foretold(known, figure)


def _highest(points: Sequence[SetpointForecast]) -> float:
    """Highest settled current of the plan [A]."""
    return max((point.supply_current_a.value for point in points if point.reachable), default=0.0)


def _current_to_set(
    season: Season, treatment: Treatment, highest_a: float, peak_a: float
) -> tuple[float | None, str]:
    """Current limit of the supply, up to a whole ampere, and why."""
    source = season.source(treatment)
    if not isinstance(source, Supply):
        return None, ""
    need = max(highest_a * ROOM, peak_a)
    wanted = float(math.ceil(need)) if need > 0.0 else 1.0
    what = f"{plain(highest_a, 'A', 3)} foreseen and a quarter above it"
    if peak_a > highest_a * ROOM:
        what = f"{plain(peak_a, 'A', 3)} foreseen for an instant while spinning up"
    if wanted >= source.current_limit_a:
        return source.current_limit_a, f"all the supply gives; {what} would be {plain(wanted, 'A')}"
    return wanted, what


def _supply_words(
    source: Pack | Supply,
    points: Sequence[SetpointForecast],
    state: Steady | None,
    drop_v: float,
    rest_v: float,
    label: str,
) -> tuple[bool, str]:
    """Whether source and wiring give what the plan asks, and what reaches the controller at full throttle."""
    if state is None:
        return False, f"{label} does not turn on what its supply gives."
    if isinstance(source, Supply) and rest_v > source.voltage_max_v:
        return (
            False,
            f"{label} needs {plain(rest_v, 'V')}; {source.label} gives {plain(source.voltage_max_v, 'V')}.",
        )
    lacking = [
        point.why_not for point in points if not point.reachable and "the supply gives" in point.why_not
    ]
    if lacking:
        return False, lacking[0]
    told = (
        f"At full throttle {label} draws {plain(state.supply_current_a, 'A', 3)}: {plain(state.tap_voltage_v, 'V', 4)} "
        f"at the tap, {plain(state.voltage_v, 'V', 4)} at the controller, {plain(drop_v, 'V', 2)} lost in the wiring."
    )
    if state.source_limited:
        told += f" That is all that {source.label} gives: full throttle cannot be measured on it."
    elif isinstance(source, Supply):
        told += " The voltage is not raised for that: each run is corrected to what reached the controller."
    return True, told


def _pack_minutes(source: Pack | Supply, highest_a: float) -> float | None:
    """Minutes at the highest setpoint on the usable part of a full pack."""
    if not isinstance(source, Pack) or highest_a <= 0.0:
        return None
    return 60.0 * source.capacity_ah * source.usable_share / highest_a
