"""A unit of the rig's file that cannot be right, told by all runs alike: no run need be made again for it."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from statistics import median

from generator.evidence.bench_advice_findings import only
from generator.evidence.bench_extremes import cells_of
from generator.evidence.check_input import CheckInput, sustained_highest
from generator.evidence.physics_checks import merits
from generator.evidence.summaries import summarise
from generator.evidence.wording import plain
from generator.intake.parts import Pack
from generator.reduction.hold import HoldPlan
from generator.reduction.records import ResponseKind, RunReduction
from generator.reduction.soak import SoakPlan

# How far single runs may lie from a factor between two units, and from each other. Our own choice, no source.
NEAR = 0.1
# From so many times what was planned, nothing but the unit is wrong. Our own choice, no source.
FAR = 2.0
# A current or a voltage so many times what the bench can give, a log so many times as long or short as its plan.
BEYOND = 50.0
FULL_CELL_V = 4.2  # a lithium cell is charged to about this: common practice, no source
# Factors from one unit of speed to another: 1 rad/s = 30/pi rpm, 1 rev/s = 60 rpm.
TURNS = "a speed counted in electrical turns"
SPEED_FACTORS = ((30.0 / math.pi, "rad/s"), (60.0, "1/s or Hz"))


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitDoubt:
    """A channel of the rig that reads in another unit than the rig's file says.

    channels  as the rig's file names them; the first is the likeliest
    sentence  what was read, against what was to be expected
    remedy    what to look at
    """

    channels: tuple[str, ...]
    sentence: str
    remedy: str


def unit_doubts(given: CheckInput, kinds: dict[str, ResponseKind]) -> tuple[UnitDoubt, ...]:
    """Units that all runs of a session find wrong in the same way, the likeliest cause first.

    kinds  response name -> kind
    Runs that were left out by their tester count too: what they read, they read.
    """
    runs = [run for run in given.runs if run.treatment and not run.trace.empty]
    found = [*_speed(given, runs), *_time(given, runs), *_volts_and_amps(given, runs)]
    return tuple(found or _merit(given, runs, kinds))


def _planned_speed(given: CheckInput, run: RunReduction) -> float | None:
    """Highest speed that the plan of a run names [rpm]."""
    plan = given.session.plans.get(run.procedure)
    named = getattr(plan, "speed_rpm", None) or getattr(plan, "to_rpm", None)
    if named is None:
        return None
    return float(max(named)) if isinstance(named, tuple) else float(named)


def _alike(ratios: Sequence[float]) -> float | None:
    """The ratio that all runs agree on, or None."""
    usual = median(ratios) if ratios else 0.0
    if usual <= 0.0 or any(abs(ratio / usual - 1.0) > NEAR for ratio in ratios):
        return None
    return usual


def _speed(given: CheckInput, runs: Sequence[RunReduction]) -> Iterator[UnitDoubt]:
    read = [
        (planned, found, run)
        for run in runs
        if (planned := _planned_speed(given, run)) is not None
        and (found := sustained_highest(run.trace, "speed_rpm")) is not None
        and found > 0.0
    ]
    times = _alike([found / planned for planned, found, _ in read])
    if times is None or 1.0 / FAR < times < FAR:
        return
    planned, found, run = read[0]
    size = max(times, 1.0 / times)
    factors = [
        *SPEED_FACTORS,
        (float(given.motor(run.treatment).pole_pairs), TURNS),
    ]
    off, nearest = min((abs(size / factor - 1.0), unit) for factor, unit in factors)
    named = nearest if off <= NEAR else None
    as_if = f", as {named} would" if named else ""
    many = f"{plain(size, digits=3)} times too {'much' if times > 1.0 else 'little'}"
    yield UnitDoubt(
        channels=("speed",),
        sentence=f"In every run speed reads {plain(found, digits=4)} where {plain(planned, 'rpm')} was to be held: "
        f"{many}{as_if}.",
        remedy="Look at the unit of the logger's column and write it there"
        + ("; `electrical: true` says that it counts electrical turns." if named == TURNS else "."),
    )


def _lasting(given: CheckInput, run: RunReduction) -> float | None:
    """Seconds that the plan of a run takes at the least; None where it does not say."""
    match given.session.plans.get(run.procedure):
        case HoldPlan() as plan:
            return len(plan.speed_rpm) * (plan.settle_s + plan.window_s)
        case SoakPlan() as plan:
            return plan.cycles * (plan.on_s + plan.off_s)
    return None


def _time(given: CheckInput, runs: Sequence[RunReduction]) -> Iterator[UnitDoubt]:
    read = [
        (lasting, float(run.trace["time_s"].iloc[-1] - run.trace["time_s"].iloc[0]))
        for run in runs
        if (lasting := _lasting(given, run)) is not None and "time_s" in run.trace
    ]
    ratios = [found / lasting for lasting, found in read if lasting > 0.0]
    long, short = [r > BEYOND for r in ratios], [r < 1.0 / BEYOND for r in ratios]
    if not ratios or not (all(long) or all(short)):
        return
    lasting, found = read[0]
    yield UnitDoubt(
        channels=("time",),
        sentence=f"In every run the log lasts {plain(found, 's', 3)} where the plan takes {plain(lasting, 's', 3)}, "
        f"as if {'ms were taken for s' if all(long) else 's were taken for ms'}.",
        remedy="Look at the unit of the logger's time and write it there.",
    )


def _volts_and_amps(given: CheckInput, runs: Sequence[RunReduction]) -> Iterator[UnitDoubt]:
    """A current or voltage that nothing on the bench can give."""
    for channel, column, unit in (("current", "current_a", "A"), ("voltage", "voltage_v", "V")):
        read = [
            (most, found)
            for run in runs
            if (most := _most(given, run, channel)) is not None
            and (found := sustained_highest(run.trace, column)) is not None
        ]
        if not read or not all(found > BEYOND * most for most, found in read):
            continue
        most, found = read[0]
        yield UnitDoubt(
            channels=(channel,),
            sentence=f"In every run {channel} reads up to {plain(found, unit, 3)} where the set-up has at most "
            f"{plain(most, unit, 3)}, as if m{unit} were taken for {unit}.",
            remedy="Look at the unit of the logger's column and write it there.",
        )


def _most(given: CheckInput, run: RunReduction, channel: str) -> float | None:
    """What source and controller of a run can give or stand at the most; None where no file says."""
    treatment = given.treatment(run.treatment)
    source = given.season.source(treatment)
    if channel == "voltage":
        cells = cells_of(treatment, source)
        return None if cells is None else cells * max(treatment.volts_per_cell_v or 0.0, FULL_CELL_V)
    own = source.continuous_current_a if isinstance(source, Pack) else source.current_limit_a
    rated = [one for one in (own, given.season.controller(treatment).continuous_current_a) if one is not None]
    return max(rated, default=None)


def _merit(
    given: CheckInput, runs: Sequence[RunReduction], kinds: dict[str, ResponseKind]
) -> Iterator[UnitDoubt]:
    """More thrust than any propeller makes of the power, in every run."""
    limit = given.thresholds.value("propeller.figure_of_merit_max")
    found = [merits(only(given, run, summaries=summarise([run], kinds))) for run in runs]
    highest = [max(one)[0] for one in found if one]
    if not highest or min(highest) < limit:
        return
    thousand = BEYOND <= max(highest) <= 1000.0
    yield UnitDoubt(
        channels=("current", "voltage", "thrust"),
        sentence=f"In every run the figure of merit is at least {plain(min(highest), digits=2)}; it must be below 1. "
        "Thrust is too much, or current or voltage too little"
        + (", as if A were taken for mA." if thousand else "."),
        remedy="Look at the units of channels.current, channels.voltage and channels.thrust, and at their gains; "
        "then at the propeller's diameter.",
    )
