"""What a difference means in the air: hover power, minutes, margin of thrust.

The run is the unit here too: each run's curve, read at the thrust an aircraft needs, gives one hover power and one
flight time. Means, intervals and differences come from those by the machinery of all other responses, so that the
scatter between runs enters, and what all runs share cancels where it should.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from generator.evidence.contrast_statistics import coverage_factor, interval
from generator.evidence.contrasts import LEVEL, compared_pairs
from generator.evidence.estimates import Estimated, design_of, estimate
from generator.evidence.flight import FlightPack, flight_pack, hover_thrust_gf, newtons
from generator.evidence.flight_curves import (
    MINUTES,
    POWER,
    Flown,
    at_thrust,
    flown,
    from_mass,
    observations,
    summaries_of,
)
from generator.evidence.flight_sentences import (
    difference_sentence,
    flight_notes,
    flight_sentence,
    missing_reason,
    overload_note,
    unique,
)
from generator.evidence.physics_records import FlightEffect, InTheAir, InTheAirDifference, Measured
from generator.evidence.records import ResponseSummary
from generator.evidence.repeatability import History
from generator.evidence.summaries import Observation, summarise
from generator.intake.session import Aircraft, Season, Session
from generator.reduction.air import moist_air_density_kg_m3
from generator.reduction.records import RunReduction
from generator.reduction.response_kinds import ELECTRICAL_POWER, THRUST, TOP_THRUST

# Scatter below this share of the mean is the arithmetic's, not the bench's. Our own choice, no source.
ROUNDING = 1e-12
ByTreatment = Mapping[str, tuple[Observation, ...]]
Both = Mapping[str, ByTreatment]  # POWER and MINUTES -> treatment -> its runs


def hover_thrusts_n(session: Session, season: Season) -> tuple[float, ...]:
    """Thrusts a motor gives in the hover [N], of every aircraft of the session with the pack of every treatment.

    Sorted, each once. The check standard does not fly; a pack whose mass is not stated gives none.
    """
    found: set[float] = set()
    for name in session.file.aircraft:
        craft = season.file.aircraft[name]
        found |= set(_thrusts_gf(craft, _packs(craft, session, season)).values())
    return tuple(newtons(thrust) for thrust in sorted(found))


def in_the_air(
    runs: Sequence[RunReduction], session: Session, season: Season, history: History | None = None
) -> tuple[tuple[InTheAir, ...], tuple[InTheAirDifference, ...]]:
    """Every treatment on every aircraft of the session, and the differences from the baseline and of the pairs.

    history  scatter of single runs of the rig, for a difference of which one side is a single run
    The power is that of the measured curve at the thrust that the hover takes with the treatment's own pack; no
    curve is drawn on beyond what was measured. Masses, capacity, usable part and volts count as stated.
    """
    flights: list[InTheAir] = []
    differences: list[InTheAirDifference] = []
    labels = {name: treatment.label for name, treatment in session.file.treatments.items()}
    for name in session.file.aircraft:
        craft = season.file.aircraft[name]
        packs = _packs(craft, session, season)
        flight = flown(name, craft, packs, _thrusts_gf(craft, packs), runs)
        energies = {treatment: pack.energy_wh for treatment, pack in packs.items()}
        hovering = at_thrust(flight, flight.thrusts_gf, energies)
        means = summaries_of(hovering)
        own = {treatment: _flight(flight, treatment, means, session) for treatment in packs}
        flights += own.values()
        session_wide = _Comparing(flight, observations(hovering), session, history or {})
        for treatment, baseline in compared_pairs(session):
            if treatment in own and baseline in own:
                found = session_wide.difference(own[treatment], own[baseline])
                sentence = difference_sentence(found, own[treatment], own[baseline], labels)
                differences.append(replace(found, sentence=sentence))
    return tuple(flights), tuple(differences)


# --- one treatment on one aircraft --------------------------------------------------------------------------


def _packs(craft: Aircraft, session: Session, season: Season) -> dict[str, FlightPack]:
    """Treatment -> its pack, the baseline first; the check standard does not fly."""
    file = session.file
    order = [file.baseline, *(name for name in file.treatments if name != file.baseline)]
    return {
        name: flight_pack(file.treatments[name], craft, season.parts)
        for name in order
        if name != file.check_standard
    }


def _thrusts_gf(craft: Aircraft, packs: Mapping[str, FlightPack]) -> dict[str, float]:
    return {
        name: hover_thrust_gf(craft.mass_without_pack_kg + pack.mass_kg, craft.motors)
        for name, pack in packs.items()
        if pack.mass_kg is not None
    }


def _flight(
    flight: Flown, treatment: str, means: Mapping[tuple[str, str], ResponseSummary], session: Session
) -> InTheAir:
    craft, pack = flight.craft, flight.packs[treatment]
    setup, air = session.file.treatments[treatment], session.file.air
    reached = flight.reached(treatment)
    power = _mean(means.get((POWER, treatment)))
    top = _highest_thrust(flight.runs[treatment])
    mass_kg = None if pack.mass_kg is None else craft.mass_without_pack_kg + pack.mass_kg
    lift = None if mass_kg is None else _mean(top, craft.motors / (1000.0 * mass_kg))
    reason = "" if power is not None else missing_reason(flight, treatment, setup.label)
    notes = [
        *([reason] if reason else []),
        *flight_notes(
            flight, treatment, setup, top, lift,
            moist_air_density_kg_m3(air.temperature_k, air.pressure_pa, air.humidity),
        ),
        *overload_note(pack, setup.label, 0.0 if power is None else power.value),
    ]  # fmt: skip
    made = InTheAir(
        key=f"{flight.id}-{treatment}",
        aircraft=flight.id,
        label=craft.label,
        treatment=treatment,
        pack=pack.part,
        mass_kg=mass_kg,
        thrust_per_motor_gf=flight.thrusts_gf.get(treatment),
        hover_power_w=power,
        minutes=_mean(means.get((MINUTES, treatment))),
        thrust_to_weight=lift,
        notes=unique(notes),
        sentence="",
        cells=pack.cells,
        energy_wh=pack.energy_wh,
        logs=tuple(run.log for run in reached),
        indicative=len(reached) == 1,
    )
    return replace(made, sentence=flight_sentence(made, setup.label, reason))


def _mean(summary: ResponseSummary | None, factor: float = 1.0) -> Measured | None:
    """A mean over runs with its 95 % interval; None where nothing says how well it is known."""
    if summary is None or summary.standard_uncertainty <= ROUNDING * abs(summary.value):
        return None
    return _measured(factor * summary.value, factor * summary.standard_uncertainty, summary.dof)


def _measured(value: float, standard_uncertainty: float, dof: float) -> Measured:
    """Value, standard uncertainty and 95 % interval. Source: JCGM 100:2008 (GUM), G.6.4."""
    half = coverage_factor(LEVEL, dof) * standard_uncertainty
    return Measured(
        value=value, standard_uncertainty=standard_uncertainty, interval=(value - half, value + half)
    )


def _highest_thrust(runs: Sequence[RunReduction]) -> ResponseSummary | None:
    """The largest mean thrust of one treatment [gf], of whatever procedure and condition."""
    kinds = {THRUST.name: THRUST, TOP_THRUST.name: TOP_THRUST}
    kept = []
    for run in runs:
        found = [r for r in run.responses if r.response in kinds]
        found = found or [r for r in run.readings if r.response in kinds]
        kept.append(replace(run, responses=tuple(found)))
    return max(summarise(kept, kinds), key=lambda summary: summary.value, default=None)


# --- differences --------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Comparing:
    """Differences on one aircraft. own: every treatment at its own hover, on its own pack."""

    flight: Flown
    own: Both
    session: Session
    history: History

    def difference(self, treatment: InTheAir, baseline: InTheAir) -> InTheAirDifference:
        """Treatment minus baseline in hover power and in minutes, and what that is made of."""
        names = treatment.treatment, baseline.treatment
        both_known = treatment.minutes is not None and baseline.minutes is not None
        alike = self._alike(*names)
        power = self._estimated(self.own[POWER], *names) if both_known and alike else None
        minutes = self._estimated(self.own[MINUTES], *names) if both_known and alike else None
        method = "" if minutes is None else minutes.method
        if both_known and not alike:
            method = "their curves come from different procedures"
        return InTheAirDifference(
            aircraft=treatment.aircraft,
            treatment=names[0],
            baseline=names[1],
            hover_power_w=_between(power),
            minutes=_between(minutes),
            sentence="",
            effects=self._effects(treatment, baseline) if alike else (),
            runs=(0, 0) if minutes is None else minutes.runs,
            method=method,
            indicative=minutes is not None and minutes.basis != "between runs",
        )

    def _effects(self, treatment: InTheAir, baseline: InTheAir) -> tuple[FlightEffect, ...]:
        """Set-up, mass and energy, one after the other: each starts where the one before it ended."""
        names = treatment.treatment, baseline.treatment
        here, there = treatment.thrust_per_motor_gf, baseline.thrust_per_motor_gf
        heavier = here != there
        larger = treatment.energy_wh != baseline.energy_wh
        if here is None or there is None or not (heavier or larger):
            return ()
        packs = self.flight.packs
        # every treatment at the thrust and on the energy of the baseline, so that a drift is fitted to them all
        equal = observations(
            at_thrust(self.flight, dict.fromkeys(packs, there), dict.fromkeys(packs, baseline.energy_wh))
        )
        effects = [
            FlightEffect(
                name="set-up",
                hover_power_w=_between(self._estimated(equal[POWER], *names)),
                minutes=_between(self._estimated(equal[MINUTES], *names)),
            )
        ]
        if heavier:
            found = summaries_of(from_mass(self.flight, names[0], here, there, baseline.energy_wh))
            power, minutes = (_mean(found.get((name, names[0]))) for name in (POWER, MINUTES))
            effects.append(FlightEffect(name="mass", hover_power_w=power, minutes=minutes))
        if larger:
            share = 1.0 - baseline.energy_wh / treatment.energy_wh
            effects.append(
                FlightEffect(name="energy", hover_power_w=None, minutes=_share(treatment.minutes, share))
            )
        return tuple(effects)

    def _alike(self, treatment: str, baseline: str) -> bool:
        """Whether both sides are read from curves of one procedure."""
        procedures = self.flight.procedures
        return procedures.get(treatment) == procedures.get(baseline)

    def _estimated(self, by_treatment: ByTreatment, treatment: str, baseline: str) -> Estimated | None:
        if treatment not in by_treatment or baseline not in by_treatment:
            return None
        procedure = self.flight.procedures[baseline]
        peers = {
            name: found for name, found in by_treatment.items() if self.flight.procedures[name] == procedure
        }
        return estimate(
            peers,
            treatment,
            baseline,
            design_of(self.session, procedure),
            relative=False,
            level=LEVEL,
            history=self.history.get(ELECTRICAL_POWER.name),
        )


def _between(found: Estimated | None) -> Measured | None:
    if found is None:
        return None
    return Measured(
        value=found.difference.difference,
        standard_uncertainty=found.difference.standard_error,
        interval=interval(found.difference, LEVEL),
    )


def _share(found: Measured | None, share: float) -> Measured | None:
    """A part of a measured value; a negative part turns the interval round."""
    if found is None:
        return None
    low, high = sorted(share * end for end in found.interval)
    return Measured(
        value=share * found.value,
        standard_uncertainty=abs(share) * found.standard_uncertainty,
        interval=(low, high),
    )
