"""The runs in the order to be made, in words: what to change before each, and when the propeller comes off."""

from __future__ import annotations

from collections.abc import Iterator

from generator.evidence.wording import listed, plain
from generator.intake.session import Season, Session, Treatment
from generator.planning.design import CHANGE_WORDS
from generator.planning.design_records import Design, PlannedRun
from generator.planning.run_sheet_checklist import TAKE_OFF
from generator.planning.run_sheet_records import Block, Runs, SheetRun, Words

WRITE_DOWN = ("Started at", "Motor at start", "Notes")


def runs_blocks(season: Season, session: Session, plan: Design) -> Iterator[Block]:
    """Order and propellers in a few sentences, then every run."""
    how = (
        "The order inside each block was drawn by lot"
        + (f" (seed {plan.seed})." if plan.seed is not None else ".")
        if plan.order == "random"
        else "Each block runs the other way round than the one before: a drift of the stand falls on all alike, and "
        "between two blocks nothing is changed."
    )
    cool = (
        f"A motor counts as cool within {plain(plan.cool_to_k, 'K')} of the air. Start temperatures that agree keep "
        "the copper's resistance the same; if a motor is still warmer, wait."
    )
    yield Words(texts=(how, *_propeller_words(plan), cool))
    made: list[SheetRun] = []
    last: PlannedRun | None = None
    before: PlannedRun | None = None  # the last one that was not of the stand alone
    for run in plan.runs:
        new_block = last is not None and (run.procedure, run.block) != (last.procedure, last.block)
        made.append(_sheet_run(season, session, run, before, new_block=new_block))
        last = run
        before = run if run.treatment else before
    yield Runs(items=tuple(made), write=WRITE_DOWN)


def _propeller_words(plan: Design) -> Iterator[str]:
    """When the propeller comes off and goes on."""
    runs = [run for run in plan.runs if run.treatment]
    if any(not run.bare for run in runs):
        with_one = " with a propeller" if any(run.bare for run in runs) else ""
        yield (
            f"Between two runs of one set-up{with_one}, take the propeller off and on again: only then is a repeat "
            "independent."
        )
    if any(run.bare for run in runs):
        names = listed(list(dict.fromkeys(run.procedure for run in runs if run.bare)))
        away = f"Runs of {names} are made without a propeller, on the bare motor."
        if all(run.bare for run in runs):
            yield f"{away} It comes off before the first one and stays off."
        else:
            yield f"{away} They stand together, so that propellers come off and go on as seldom as the order permits."


def _sheet_run(
    season: Season, session: Session, run: PlannedRun, previous: PlannedRun | None, *, new_block: bool
) -> SheetRun:
    treatment = session.file.treatments.get(run.treatment)
    standard = run.treatment == session.file.check_standard
    label = treatment.label if treatment is not None else "The stand alone"
    return SheetRun(
        place=f"{run.place:02d}",
        treatment=f"{label} (check standard)"
        if standard and "check standard" not in label.lower()
        else label,
        procedure=f"{run.procedure}, no propeller" if run.bare else run.procedure,
        repeat=str(run.repeat),
        block=str(run.block) if run.block is not None else "",
        log=run.log,
        further_logs=tuple(log for _, log in run.further_logs),
        starts=f"{int(run.starts_min // 60)}:{int(run.starts_min % 60):02d}",
        lasts=duration(run.demand.duration_s),
        before=() if treatment is None else tuple(_before_run(season, run, treatment, previous)),
        new_block=new_block,
    )


def _before_run(
    season: Season, run: PlannedRun, treatment: Treatment, previous: PlannedRun | None
) -> Iterator[str]:
    if run.bare and (previous is None or not previous.bare):
        yield TAKE_OFF
    steps = [step for step in run.change.steps if step not in ("off", "fit")]
    if previous is None:
        yield f"Set up {treatment.label}{', without a propeller' if run.bare else ''}."
    elif steps == ["again"]:
        yield "Same set-up again: propeller off and on, zero read."
    elif steps == ["again bare"]:
        yield "Same motor again, propeller still off: power off, zero read."
    elif steps:
        words = listed([CHANGE_WORDS[step] for step in steps])
        off = ", propeller still off" if run.bare and previous.bare else ""
        yield f"Change to {treatment.label}: {words}{off}."
    elif previous.treatment != run.treatment:
        yield f"Change to {treatment.label}."
    if not run.bare and previous is not None and previous.bare:
        yield (
            f"Fit the propeller {season.propeller(treatment).label}: power cut and pack unplugged first, free of "
            "nicks, the right way round, its nut tight. Then zero read."
        )
    if run.cooling_s > 0.0:
        yield f"Let the motor cool for at least {duration(run.cooling_s)}."


def duration(seconds: float) -> str:
    """A duration for people, rounded up: `40 s`, `12 min`, `2 h 10 min`."""
    whole = round(seconds)
    if whole < 100:
        return f"{max(whole, 1)}\u00a0s"
    minutes = -(-whole // 60)
    if minutes < 60:
        return f"{minutes}\u00a0min"
    hours, rest = divmod(minutes, 60)
    return f"{hours}\u00a0h {rest}\u00a0min" if rest else f"{hours}\u00a0h"
