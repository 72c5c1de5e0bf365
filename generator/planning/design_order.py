"""In which order the runs are made, what is changed between them, how long the motor cools, what it all takes."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from generator.intake.parts import Pack
from generator.intake.run_logs import loggers_needed
from generator.intake.session import Season, Session, Treatment
from generator.planning.design_records import (
    Change,
    Chosen,
    Order,
    PackNeed,
    PlannedRun,
    RunDemand,
    StepName,
    Totals,
)
from generator.reduction.drain import DrainPlan
from generator.reduction.procedures import PROCEDURES

# Minutes that a change takes. Our own choice, no source; `--change-minutes` gives one number for all of them.
STEP_MIN: Mapping[str, float] = {
    "again": 2.0,  # the same set-up: power off, propeller off and on, zero
    "about": 2.0,  # the same parts, but warm and cold, say: as the treatment's `about` tells
    "setting": 2.0,
    "supply": 3.0,
    "propeller": 4.0,
    "again bare": 1.0,  # the same motor without a propeller: power off, zero
    "off": 2.0,  # the propeller, and what is loose without it
    "fit": 4.0,
    "controller": 12.0,
    "motor": 15.0,
}
# A motor counts as cool when so little is left of its rise above the air. Well below the 5 K at which the check of
# start temperatures warns (shared/thresholds.yaml, start_temperature_equal_k). Our own choice.
COOL_TO_K = 2.0
LONGEST_COOLING_S = 1800.0
MANY = 7  # up to so many treatments every order is tried for the cheapest

Demand = Callable[[str, str], RunDemand]  # procedure, treatment


@dataclass(frozen=True, slots=True, kw_only=True)
class Slot:
    """A place in the order before times are known.

    treatment  "" for a run of the stand alone
    block      None for such a run, and for one of the check standard
    """

    procedure: str
    treatment: str
    repeat: int
    block: int | None


def running_order(
    session: Session, chosen: Sequence[Chosen], order: Order, seed: int, minutes: Mapping[str, float]
) -> tuple[Slot, ...]:
    """Every run in the order to be made.

    chosen   repeats, procedure by procedure
    order    "abba": each block runs the treatments the other way round than the one before, so that no change is
             needed between blocks and a drift in a straight line falls on all alike (exactly so with an even
             number of blocks); "random": drawn by lot inside each block
    seed     of the lot
    minutes  what each kind of change takes, to put treatments side by side that are quickly changed

    A block holds every treatment once and is never split. Each procedure begins with the treatment that is on the
    stand. The check standard, where the session has one, is run first and last and stands in no block. Runs of the
    stand alone come before all others, once. Procedures without a propeller stand together, before or after all
    others, so that propellers come off and go on as seldom as can be.
    """
    file = session.file
    treatments = [name for name in file.treatments if name != file.check_standard]
    path = _cheapest_path([file.treatments[name] for name in treatments], minutes)
    forward = [treatments[place] for place in path]
    rng = np.random.default_rng(seed)
    slots: list[Slot] = []
    block = 0
    for one in _bare_together(session, chosen):
        for repeat in range(1, one.repeats + 1):
            block += 1
            if order == "random":
                names = [forward[place] for place in rng.permutation(len(forward))]
            else:
                last = slots[-1].treatment if slots else None
                names = forward[::-1] if last == forward[-1] else forward
            slots += [Slot(procedure=one.procedure, treatment=n, repeat=repeat, block=block) for n in names]
    standard = file.check_standard
    if standard is not None and slots:
        procedure = "hold" if "hold" in session.plans else slots[0].procedure
        first, last_one = (
            Slot(procedure=procedure, treatment=standard, repeat=repeat, block=None) for repeat in (1, 2)
        )
        slots = [first, *slots, last_one]
    alone = [name for name in session.plans if PROCEDURES[name].of_rig]
    return (*(Slot(procedure=name, treatment="", repeat=1, block=None) for name in alone), *slots)


def is_bare(session: Session, procedure: str) -> bool:
    """Whether the runs of a procedure are made without a propeller."""
    return bool(getattr(session.plans.get(procedure), "propeller_off", False))


def _bare_together(session: Session, chosen: Sequence[Chosen]) -> list[Chosen]:
    """In the order of the session file, but those without a propeller next to each other."""
    first = bool(chosen) and is_bare(session, chosen[0].procedure)
    return sorted(chosen, key=lambda one: is_bare(session, one.procedure) is not first)


def change_between(
    before: Treatment | None,
    after: Treatment,
    minutes: Mapping[str, float],
    *,
    bare_before: bool = False,
    bare: bool = False,
) -> Change:
    """What has to be done to the stand to go from one set-up to another, and how long it takes.

    before       None before the first run, whose set-up is not counted
    bare_before  whether the run before was made without a propeller; bare: whether this one is
    The same set-up again is taken down and put up again as well: only then is a repeat independent.
    """
    if before is None:
        return Change(steps=(), minutes=0.0)
    steps: list[StepName] = []
    settings = ("cells", "volts_per_cell_v", "output_cap")
    if any(getattr(before, name) != getattr(after, name) for name in settings):
        steps.append("setting")
    if before.supply != after.supply:
        steps.append("supply")
    if bare_before != bare:
        steps.append("off" if bare else "fit")
    elif before.propeller != after.propeller and not bare:
        steps.append("propeller")
    if before.controller != after.controller:
        steps.append("controller")
    if before.motor != after.motor:
        steps.append("motor")
    if not steps:
        # two treatments of the same parts differ in what their `about` says, such as a warm and a cold pack
        again: StepName = "again bare" if bare else "again"
        steps = [again] if before is after or before.label == after.label else ["about"]
    return Change(steps=tuple(steps), minutes=math.fsum(minutes[step] for step in steps))


def planned_runs(
    session: Session,
    slots: Sequence[Slot],
    demand: Demand,
    minutes: Mapping[str, float],
    time_constant_s: float,
    extension: str = ".csv",
) -> tuple[PlannedRun, ...]:
    """The slots with log names, changes, cooling pauses and start times.

    demand           what one run takes
    time_constant_s  with which a motor cools that stands still
    Each motor is followed on its own: one that rests while another runs need not be waited for.
    """
    digits = max(len(str(len(slots))), 2)
    made: list[PlannedRun] = []
    before: Treatment | None = None
    was_bare = False
    now_s = 0.0
    bench = _Motors(time_constant_s=time_constant_s)
    for place, slot in enumerate(slots, start=1):
        treatment = session.file.treatments.get(slot.treatment)
        change = Change(steps=(), minutes=0.0)
        cooling = 0.0
        bare = is_bare(session, slot.procedure)
        if treatment is not None:
            change = change_between(before, treatment, minutes, bare_before=was_bare, bare=bare)
            cooling = bench.pause_s(treatment.motor, now_s)
        now_s += max(60.0 * change.minutes, cooling)
        found = demand(slot.procedure, slot.treatment)
        words = (f"{place:0{digits}d}", slot.procedure, slot.treatment, str(slot.repeat))
        name = "-".join(word for word in words if word)
        made.append(
            PlannedRun(
                place=place,
                log=f"logs/{name}{extension}",
                procedure=slot.procedure,
                treatment=slot.treatment,
                repeat=slot.repeat,
                block=slot.block,
                change=change,
                cooling_s=cooling,
                starts_min=now_s / 60.0,
                demand=found,
                further_logs=tuple(
                    (box, f"logs/{name}-{box}{extension}") for box in loggers_needed(session.rig)
                ),
                bare=bare,
            )
        )
        now_s += found.duration_s
        if treatment is not None:
            bench.ran(treatment.motor, now_s, found)
            before, was_bare = treatment, bare
    return tuple(made)


@dataclass(slots=True)
class _Motors:
    """Rise of each motor above the air at the end of its last run."""

    time_constant_s: float
    last: dict[str, tuple[float, float]] = field(default_factory=dict)  # motor -> (when [s], rise [K])

    def rise_k(self, motor: str, now_s: float) -> float:
        when, rise = self.last.get(motor, (now_s, 0.0))
        return rise * math.exp(-(now_s - when) / self.time_constant_s)

    def pause_s(self, motor: str, now_s: float) -> float:
        rise = self.rise_k(motor, now_s)
        needed = self.time_constant_s * math.log(rise / COOL_TO_K) if rise > COOL_TO_K else 0.0
        return min(needed, LONGEST_COOLING_S)

    def ran(self, motor: str, end_s: float, run: RunDemand) -> None:
        """What was left of the rise before decays during the run, and the run's own comes on top."""
        left = self.rise_k(motor, end_s) if motor in self.last else 0.0
        self.last[motor] = (end_s, left + (run.rise_k or 0.0))


def totals(
    season: Season, session: Session, runs: Sequence[PlannedRun], allowed_min: Callable[[float], float]
) -> Totals:
    """What all runs together take.

    allowed_min  minutes a day at a sound level that use up the whole allowance
    The dose adds, stretch by stretch, time over allowed time (NIOSH Publication 98-126, 1998: D = 100 (C1/T1 + C2/T2 +
    ...)), at the sound level meter and without hearing protection.
    """
    demands = [run.demand for run in runs]
    end = max((run.starts_min + run.demand.duration_s / 60.0 for run in runs), default=0.0)
    charges = [d.charge_ah for d in demands]
    energies = [d.energy_wh for d in demands]
    heard = [d for d in demands if d.sound]
    dose = math.fsum(seconds / 60.0 / allowed_min(level) for d in heard for level, seconds in d.sound)
    return Totals(
        runs=len(runs),
        bench_min=end,
        running_min=math.fsum(run.demand.running_s for run in runs if not run.bare) / 60.0,
        bare_min=math.fsum(run.demand.running_s for run in runs if run.bare) / 60.0,
        changes=sum(run.change.steps not in ((), ("again",), ("again bare",)) for run in runs),
        charge_ah=_sum(charges),
        energy_wh=_sum(energies),
        packs=_packs(season, session, runs),
        dose=dose if heard else None,
    )


def _sum(values: Sequence[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return math.fsum(known) if known and len(known) == len(values) else None


def _packs(season: Season, session: Session, runs: Sequence[PlannedRun]) -> tuple[PackNeed, ...]:
    """Every pack that feeds a run: no run is begun that the pack cannot finish. A drain empties a full one."""
    by_pack: dict[str, list[tuple[float, bool]]] = {}
    for run in runs:
        treatment = session.file.treatments.get(run.treatment)
        source = season.source(treatment) if treatment is not None else None
        if isinstance(source, Pack) and run.demand.charge_ah is not None:
            drained = isinstance(session.plans.get(run.procedure), DrainPlan)
            by_pack.setdefault(source.id, []).append((run.demand.charge_ah, drained))
    made = []
    for name, charges in by_pack.items():
        pack = season.parts[name]
        assert isinstance(pack, Pack)
        usable = pack.usable_share * pack.capacity_ah
        fills, left, fewest = 0, 0.0, 0
        counts: list[int] = []
        for charge, drained in charges:
            if drained or charge > left:
                fills, left = fills + 1, usable
                counts.append(0)
            left = 0.0 if drained else left - charge
            counts[-1] += 1
        fewest = 0 if any(charge > usable and not drained for charge, drained in charges) else max(counts)
        made.append(
            PackNeed(
                pack=name,
                label=pack.label,
                runs=len(charges),
                charge_ah=math.fsum(charge for charge, _ in charges),
                capacity_ah=pack.capacity_ah,
                usable_share=pack.usable_share,
                runs_a_fill=fewest,
                fills=fills,
                emptied=all(drained for _, drained in charges),
            )
        )
    return tuple(made)


def _cheapest_path(treatments: Sequence[Treatment], minutes: Mapping[str, float]) -> tuple[int, ...]:
    """Order of the treatments with the least minutes of change from one to the next; ties as in the session file."""
    places = range(len(treatments))
    if len(treatments) < 3 or len(treatments) > MANY:
        return tuple(places)
    cost = {
        (a, b): change_between(treatments[a], treatments[b], minutes).minutes
        for a in places
        for b in places
        if a != b
    }
    return min(
        itertools.permutations(places),
        key=lambda path: (math.fsum(cost[pair] for pair in itertools.pairwise(path)), path),
    )
