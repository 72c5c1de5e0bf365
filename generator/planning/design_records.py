"""What the design of a session is made of: how runs scatter, how many repeats that asks for, in which order."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from generator.evidence.power import Repeats
from generator.evidence.records import Family
from generator.evidence.wording import difference_unit, plain
from generator.reduction.records import At

Basis = Literal["check standard", "earlier sessions", "stated by the rig", "assumed", "given"]
Order = Literal["abba", "random"]
Level = Literal[80, 95]
# Chosen repeats of one procedure never go beyond this on their own; `--repeats` does. Our own choice, no source: a
# bench day has room for about so many blocks of two treatments.
MOST_CHOSEN = 12
FEWEST_CHOSEN = 3  # with two, one lost run leaves nothing to compare
StepName = Literal[
    "again", "again bare", "about", "setting", "supply", "propeller", "off", "fit", "controller", "motor"
]  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Scatter:
    """How far single runs of one response scatter.

    sd        standard deviation of one run: a share of the value if `relative`, else in the response's unit
    dof       degrees of freedom it is known with; infinite where it is stated or assumed, not counted
    told      where it comes from, one clause: "from 8 runs of the check standard in 4 sessions"
    unit      published unit of the response
    simulated whether any run behind it was simulated
    """

    sd: float
    relative: bool
    dof: float
    basis: Basis
    told: str
    unit: str = ""
    simulated: bool = False

    def at(self, value: float) -> float:
        """Standard deviation of one run at a value of the response, in the response's unit."""
        return self.sd * abs(value) if self.relative else self.sd

    @property
    def size(self) -> str:
        """The standard deviation with its unit, as a sentence shows it."""
        unit = difference_unit(self.unit)
        return plain(100.0 * self.sd, "%", 2) if self.relative else plain(self.sd, unit, 2)

    @property
    def counted(self) -> bool:
        """Whether it rests on runs rather than on what somebody stated or assumed."""
        return math.isfinite(self.dof)


@dataclass(frozen=True, slots=True, kw_only=True)
class Settling:
    """One margin of one procedure at conditions that ask for the same repeats.

    at            conditions it is about
    comparisons   comparisons made at each condition
    family        primary, claimed or exploratory, as the analysis will judge it; family_size counts its members
    alpha         level of one comparison in that family
    margin_text   as the tester wrote it
    scatter       of one run; None where nothing tells a value to take it of
    ratio         margin over the scatter of one run
    left_over     what of the rig's errors repeats cannot lessen, over the margin
    to_80, to_95  repeats that settle it with that power; None where they cannot be told
    chosen        power with the repeats chosen; None where it cannot be told
    unknown       why nothing can be told, or ""
    taken_of      value that scatter or margin was taken as a share of, with where it comes from, or ""
    """

    response: str
    label: str
    procedure: str
    at: tuple[At, ...]
    comparisons: int
    family: Family
    family_size: int
    alpha: float
    margin_text: str
    scatter: Scatter | None
    ratio: float | None
    left_over: float
    to_80: Repeats | None
    to_95: Repeats | None
    chosen: float | None
    unknown: str = ""
    taken_of: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Chosen:
    """Repeats of one procedure, and why so many."""

    procedure: str
    repeats: int
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RunDemand:
    """What one run of a procedure with a treatment takes.

    duration_s    from the first sample to the last
    running_s     of it with the motor turning
    charge_ah, energy_wh  out of the supply or pack; None where no current is foreseen
    rise_k        motor above the air at the end, from a cold start; None where nothing tells
    sound         (level [dB] at the meter, seconds), stretch by stretch; empty where nothing tells
    assumed       what had to be assumed
    """

    duration_s: float
    running_s: float
    charge_ah: float | None = None
    energy_wh: float | None = None
    rise_k: float | None = None
    sound: tuple[tuple[float, float], ...] = ()
    assumed: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """What has to be done to the stand before a run.

    steps    what changes; ("again",) where the same set-up is taken down and put up again, ("again bare",) where
             that is one without a propeller
    minutes  how long that is taken to last
    """

    steps: tuple[StepName, ...]
    minutes: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedRun:
    """One run in the order to be made.

    place       from 1
    block       None for check-standard runs, which stand in no block
    change      what to do before it
    cooling_s   least pause after the run before it, so that the motor starts as cool as the others
    starts_min  minutes after the start of the first run
    further_logs  (logger, log) of the rig's further loggers
    bare        made without a propeller
    """

    place: int
    log: str
    procedure: str
    treatment: str
    repeat: int
    block: int | None
    change: Change
    cooling_s: float
    starts_min: float
    demand: RunDemand
    further_logs: tuple[tuple[str, str], ...] = ()
    bare: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class PackNeed:
    """Charge one pack has to give.

    fills        how often it must be full
    runs_a_fill  0 where one run takes too much
    emptied      whether every run empties it on purpose
    """

    pack: str
    label: str
    runs: int
    charge_ah: float
    capacity_ah: float
    usable_share: float
    runs_a_fill: int
    fills: int
    emptied: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Totals:
    """What the whole session takes.

    running_min  with a propeller turning; bare_min: with a motor turning that has none on
    dose         share of a day's allowed noise without protection, None where unknown
    """

    runs: int
    bench_min: float
    running_min: float
    changes: int
    charge_ah: float | None
    energy_wh: float | None
    packs: tuple[PackNeed, ...]
    dose: float | None
    bare_min: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Alternative:
    """Repeats that could be chosen and what they take. name: "80 %", "95 %" or "planned"."""

    name: str
    chosen: tuple[Chosen, ...]
    totals: Totals


@dataclass(frozen=True, slots=True, kw_only=True)
class Design:
    """The design of one session.

    order, seed  how the blocks were ordered; seed is None where nothing was drawn by lot
    settling     every margin, in the order of session.yaml
    chosen       repeats, procedure by procedure, in the order they are run
    runs         in the order to be made
    totals       what they take; alternatives: the same for other repeats
    step_min     minutes taken for each kind of change
    time_constant_s, cool_to_k  of the cooling pauses
    assumed      everything that was assumed rather than known, one sentence each
    notes        what a reader should know, one sentence each
    """

    order: Order
    seed: int | None
    settling: tuple[Settling, ...]
    chosen: tuple[Chosen, ...]
    runs: tuple[PlannedRun, ...]
    totals: Totals
    alternatives: tuple[Alternative, ...]
    step_min: Mapping[str, float]
    time_constant_s: float
    cool_to_k: float
    assumed: tuple[str, ...]
    notes: tuple[str, ...]

    def repeats(self, procedure: str) -> int:
        """Repeats of a procedure. Raises KeyError for one that is not in the design"""
        for one in self.chosen:
            if one.procedure == procedure:
                return one.repeats
        raise KeyError(procedure)
