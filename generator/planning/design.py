"""The design of a session that has not been run yet: repeats, order, pauses, and what they take."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

from generator.evidence.wording import counted, listed, plain
from generator.intake.session import Season, Session, same_set_ups
from generator.planning.design_order import (
    COOL_TO_K,
    STEP_MIN,
    Demand,
    planned_runs,
    running_order,
    totals,
)
from generator.planning.design_records import (
    Alternative,
    Chosen,
    Design,
    Level,
    Order,
    PlannedRun,
    Scatter,
    Settling,
)
from generator.planning.design_repeats import (
    Values,
    choose,
    method_of,
    of_hundred,
    settle_margins,
    with_chosen,
)
from generator.planning.design_scatter import Earlier
from generator.reduction.records import ResponseKind

# Small motors of a few tens of grams, standing still: our own choice, no source.
ASSUMED_TIME_CONSTANT_S = 180.0


@dataclass(frozen=True, slots=True, kw_only=True)
class DesignOptions:
    """What the tester asks of a design.

    repeats         of every procedure, or None to let the margins decide
    level           power in percent that the repeats are to have
    order, seed     how blocks are ordered; the seed is of the lot
    change_minutes  minutes of every change of the set-up, or None for the assumed ones
    scatter         response -> scatter of one run that the tester knows
    """

    repeats: int | None = None
    level: Level = 80
    order: Order = "abba"
    seed: int = 1
    change_minutes: float | None = None
    scatter: Mapping[str, Scatter] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Cooling:
    """How a motor that stands still cools. told: where the time constant comes from; assumed if nothing tells."""

    time_constant_s: float
    told: str
    assumed: bool


ASSUMED_COOLING = Cooling(
    time_constant_s=ASSUMED_TIME_CONSTANT_S,
    told=f"A motor that stands still cools with a time constant of {ASSUMED_TIME_CONSTANT_S / 60:g} minutes.",
    assumed=True,
)


def design(
    season: Season,
    session: Session,
    earlier: Earlier,
    kinds: Mapping[str, ResponseKind],
    *,
    values: Values,
    demand: Demand,
    cooling: Cooling,
    allowed_min: Callable[[float], float],
    options: DesignOptions,
) -> Design:
    """The design of a session, the same for the same inputs.

    earlier      reduced sessions of the season
    values       (response, condition) -> value foreseen for the baseline
    demand       (procedure, treatment) -> what one run takes
    allowed_min  minutes a day that are allowed at a sound level [dB]
    """
    settling = settle_margins(session, earlier, kinds, values, options.scatter)
    chosen = choose(session, settling, options.level, options.order, options.repeats)
    settling = with_chosen(settling, chosen, method_of(session))
    minutes = (
        STEP_MIN if options.change_minutes is None else dict.fromkeys(STEP_MIN, float(options.change_minutes))
    )

    def runs_with(repeats: Sequence[Chosen]) -> tuple[PlannedRun, ...]:
        slots = running_order(session, repeats, options.order, options.seed, minutes)
        return planned_runs(session, slots, demand, minutes, cooling.time_constant_s)

    def alternative(name: str, repeats: Sequence[Chosen]) -> Alternative:
        taken = totals(season, session, runs_with(repeats), allowed_min)
        return Alternative(name=name, chosen=tuple(repeats), totals=taken)

    runs = runs_with(chosen)
    return Design(
        order=options.order,
        seed=options.seed if options.order == "random" else None,
        settling=settling,
        chosen=chosen,
        runs=runs,
        totals=totals(season, session, runs, allowed_min),
        alternatives=(
            alternative("80 %", choose(session, settling, 80, options.order, None)),
            alternative("95 %", choose(session, settling, 95, options.order, None)),
            alternative("planned", chosen),
        ),
        step_min=dict(minutes),
        time_constant_s=cooling.time_constant_s,
        cool_to_k=COOL_TO_K,
        assumed=tuple(_assumed(session, settling, runs, demand, cooling, options)),
        notes=tuple(_notes(session, settling, chosen, options)),
    )


def _assumed(
    session: Session,
    settling: Sequence[Settling],
    runs: Sequence[PlannedRun],
    demand: Demand,
    cooling: Cooling,
    options: DesignOptions,
) -> list[str]:
    said: dict[str, None] = {}
    for row in settling:
        scatter = row.scatter
        if scatter is not None and (scatter.simulated or scatter.basis in ("stated by the rig", "assumed")):
            said[f"Scatter of {row.label.lower()} from run to run: {scatter.size}, {scatter.told}."] = None
    if options.change_minutes is None:
        steps = {step for run in runs for step in run.change.steps}
        words = [f"{CHANGE_WORDS[step]} {plain(STEP_MIN[step])} min" for step in STEP_MIN if step in steps]
        if words:
            said[f"Time for changes at the stand: {listed(words)}."] = None
    if cooling.assumed:
        said[cooling.told] = None
    for procedure in session.plans:
        for treatment in session.file.treatments:
            for sentence in demand(procedure, treatment).assumed:
                said[sentence] = None
    return list(said)


CHANGE_WORDS: Mapping[str, str] = {
    "again": "the same set-up taken down and put up again",
    "about": "the same parts as its description says",
    "setting": "another setting of the supply or the controller",
    "supply": "another supply or pack",
    "propeller": "another propeller",
    "again bare": "the same motor again without a propeller",
    "off": "the propeller taken off",
    "fit": "the propeller fitted",
    "controller": "another controller",
    "motor": "another motor",
}


def _notes(
    session: Session, settling: Sequence[Settling], chosen: Sequence[Chosen], options: DesignOptions
) -> list[str]:
    notes: list[str] = []
    if not session.margins:
        notes.append(
            "No margin is set under matters, so no number of repeats can be told to be enough, and no difference "
            "can be called too small to matter."
        )
    if session.file.primary and not any(row.family == "primary" for row in settling):
        named = listed(list(session.file.primary))
        one = len(session.file.primary) == 1
        notes.append(
            f"{named} {'is' if one else 'are'} decided beforehand, but matters sets no margin for "
            f"{'it' if one else 'them'}."
        )
    for picked in chosen:
        count = len({r.repeat for r in session.file.runs if r.procedure == picked.procedure and r.block})
        if count not in (0, picked.repeats) and options.repeats is None:
            notes.append(
                f"session.yaml lists {counted(count, 'repeat')} of {picked.procedure}, and {picked.repeats} are "
                f"planned: {picked.why}. To have {count}, say --repeats {count}."
            )
    for one_name, other_name in same_set_ups(session):
        notes.append(
            f"Nothing differs between {one_name} and {other_name}: they have the same parts and settings. Say in "
            "their treatments, or under `about`, what differs."
        )
    odd = [one for one in chosen if one.repeats % 2]
    if odd and options.order == "abba":
        notes.append(
            f"{odd[0].repeats} is an odd number of repeats: one treatment is early in its block once more than late, "
            "so a drift of the stand does not cancel fully."
        )
    if any(one.repeats < 2 for one in chosen):
        notes.append(
            "With one run of a treatment nothing tells how runs differ: the answer will only be indicative."
        )
    by_procedure = {one.procedure: one.repeats for one in chosen}
    for row in settling:
        short = row.family == "primary" and row.chosen is not None and row.chosen < 0.8
        if short and row.chosen is not None:
            notes.append(
                f"{by_procedure[row.procedure]} repeats settle the margin of {row.label.lower()} in only "
                f"{of_hundred(row.chosen)} such sessions. Make more, widen the margin, or find out where the scatter "
                "comes from."
            )
    if session.file.check_standard is None and session.rig.check_standard:
        notes.append(
            f"The rig has a check standard ({session.rig.check_standard.rstrip('.')}), but this session has no "
            "treatment for it. Add one and name it under check_standard:; two runs of it tell how the rig behaves."
        )
    return list(dict.fromkeys(notes))
