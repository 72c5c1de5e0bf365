"""Curves of single runs, read where an aircraft hovers: one hover power and one flight time a run."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from generator.evidence.flight import FlightPack, hover_minutes
from generator.evidence.records import ResponseSummary
from generator.evidence.summaries import Observation, gather, summarise
from generator.intake.session import Aircraft
from generator.reduction.records import Component, RunReduction, RunResponse
from generator.reduction.response_kinds import ELECTRICAL_POWER

SAME_THRUST = 1e-8  # relative; a thrust goes to the reduction in newtons and comes back in gf
# Where several procedures give curves: the steps of a staircase stand closer together than held speeds, so less
# of a reading is interpolated; a ramp never stands still. Our own choice, no source.
CURVE_ORDER = ("staircase", "ramp", "hold")
POWER, MINUTES = "hover power", "minutes"
POWER_KIND = replace(ELECTRICAL_POWER, name=POWER, label="Hover power", unit="W")
MINUTES_KIND = replace(ELECTRICAL_POWER, name=MINUTES, label="Minutes of hover", unit="min")


@dataclass(frozen=True, slots=True, kw_only=True)
class Flown:
    """An aircraft with the pack and the curves of every treatment.

    packs       treatment -> its pack, the baseline first
    thrusts_gf  treatment -> thrust a motor gives in the hover; without those whose pack has no stated mass
    runs        treatment -> its runs that are used, in the order made
    procedures  treatment -> procedure whose curves are read; empty where no curve reaches any hover
    """

    id: str
    craft: Aircraft
    packs: Mapping[str, FlightPack]
    thrusts_gf: Mapping[str, float]
    runs: Mapping[str, tuple[RunReduction, ...]]
    procedures: Mapping[str, str]

    def reached(self, treatment: str) -> tuple[RunReduction, ...]:
        """Runs of the chosen procedure whose curves reach the treatment's own hover."""
        thrust = self.thrusts_gf.get(treatment)
        if thrust is None:
            return ()
        return tuple(run for run in self.of_curve(treatment) if power_at(run, thrust) is not None)

    def of_curve(self, treatment: str) -> tuple[RunReduction, ...]:
        """Runs of the chosen procedure."""
        chosen = self.procedures.get(treatment)
        return tuple(run for run in self.runs[treatment] if run.procedure == chosen)


def flown(
    name: str,
    craft: Aircraft,
    packs: Mapping[str, FlightPack],
    thrusts_gf: Mapping[str, float],
    runs: Sequence[RunReduction],
) -> Flown:
    """The runs of an aircraft's treatments, with one procedure for all of them where there is one.

    The procedure whose curves carry most treatments to their own hover is taken for all, so that both sides of a
    difference are read alike; a treatment that it does not carry is read from another.
    """
    used = {
        treatment: tuple(
            sorted(
                (run for run in runs if run.treatment == treatment and run.refused is None),
                key=lambda run: (run.order, run.run_id),
            )
        )
        for treatment in packs
    }
    reach: dict[str, set[str]] = {}
    for treatment, thrust in thrusts_gf.items():
        for run in used[treatment]:
            if power_at(run, thrust) is not None:
                reach.setdefault(run.procedure, set()).add(treatment)

    def rank(procedure: str) -> tuple[int, int, str]:
        place = CURVE_ORDER.index(procedure) if procedure in CURVE_ORDER else len(CURVE_ORDER)
        return -len(reach[procedure]), place, procedure

    ranked = sorted(reach, key=rank)
    procedures = {
        treatment: next((p for p in ranked if treatment in reach[p]), ranked[0])
        for treatment in thrusts_gf
        if ranked
    }
    return Flown(id=name, craft=craft, packs=packs, thrusts_gf=thrusts_gf, runs=used, procedures=procedures)


def power_at(run: RunReduction, thrust_gf: float) -> RunResponse | None:
    """Electrical power of one motor where the run's curve gives this thrust; None where it does not reach it."""
    for reading in run.readings:
        if reading.response == ELECTRICAL_POWER.name and len(reading.at) == 1:
            (axis, x) = reading.at[0]
            here = axis == "thrust_gf" and math.isclose(x, thrust_gf, rel_tol=SAME_THRUST)
            if here and math.isfinite(reading.value) and reading.value > 0.0:
                return reading
    return None


def at_thrust(
    flight: Flown, thrusts_gf: Mapping[str, float], energies_wh: Mapping[str, float]
) -> tuple[RunReduction, ...]:
    """Runs with hover power of all motors [W] and minutes, read from their curves.

    thrusts_gf   treatment -> thrust of a motor at which its curves are read; others are left out
    energies_wh  treatment -> energy the minutes are counted on
    Runs whose curve does not reach the thrust are left out.
    """
    made = []
    for treatment, thrust in thrusts_gf.items():
        for run in flight.of_curve(treatment):
            reading = power_at(run, thrust)
            if reading is not None:
                power = _scaled(reading, flight.craft.motors)
                made.append(_with(run, power, _minutes_of(power, energies_wh[treatment])))
    return tuple(made)


def observations(runs: Sequence[RunReduction]) -> dict[str, dict[str, tuple[Observation, ...]]]:
    """POWER and MINUTES -> treatment -> its runs, for contrasts."""
    found = gather(runs)
    return {name: found.get((name, ()), {}) for name in (POWER, MINUTES)}


def from_mass(
    flight: Flown, treatment: str, thrust_gf: float, other_gf: float, energy_wh: float
) -> tuple[RunReduction, ...]:
    """Runs of a treatment with what it takes more to give one thrust than another, in power [W] and in minutes.

    Both are read from one curve of one run, so that what varies from run to run drops out.
    """
    made = []
    for run in flight.of_curve(treatment):
        high, low = power_at(run, thrust_gf), power_at(run, other_gf)
        if high is not None and low is not None:
            powers = [_scaled(reading, flight.craft.motors) for reading in (high, low)]
            times = [_minutes_of(power, energy_wh) for power in powers]
            made.append(_with(run, _minus(*powers), _minus(*times)))
    return tuple(made)


def summaries_of(runs: Sequence[RunReduction]) -> dict[tuple[str, str], ResponseSummary]:
    """(response, treatment) -> mean over runs of hover power and minutes."""
    kinds = {POWER: POWER_KIND, MINUTES: MINUTES_KIND}
    return {(found.response, found.treatment): found for found in summarise(runs, kinds)}


def _scaled(reading: RunResponse, motors: int) -> RunResponse:
    """Power of one motor as that of all, without its condition."""
    parts = _times(reading.components, motors)
    return RunResponse(response=POWER, at=(), value=motors * reading.value, components=parts)


def _minutes_of(power: RunResponse, energy_wh: float) -> RunResponse:
    """Minutes that an energy lasts at a run's hover power; errors enter with the slope, minutes over power.

    Source  JCGM 100:2008 (GUM), 5.1.3
    """
    value = hover_minutes(energy_wh, power.value)
    parts = _times(power.components, -value / power.value)
    return RunResponse(response=MINUTES, at=(), value=value, components=parts)


def _minus(a: RunResponse, b: RunResponse) -> RunResponse:
    return RunResponse(
        response=a.response,
        at=a.at,
        value=a.value - b.value,
        components=(*a.components, *_times(b.components, -1.0)),
    )


def _times(components: Sequence[Component], factor: float) -> tuple[Component, ...]:
    return tuple(replace(part, contribution=factor * part.contribution) for part in components)


def _with(run: RunReduction, *responses: RunResponse) -> RunReduction:
    # one name for all procedures: which of them counts was settled before
    return replace(run, procedure="curve", responses=responses, readings=())
