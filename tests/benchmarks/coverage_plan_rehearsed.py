"""Second layer of the study of plans: simulated logs before and after the plan, reduced and analysed as any others."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import cache

import numpy as np

from generator.evidence.records import SessionAnalysis
from generator.evidence.verdicts import MORE, NO_DIFFERENCE
from generator.intake.session import Margin, Session
from generator.planning.design_repeats import choose, settle_margins, with_chosen
from generator.planning.rehearsal_file import Drift, Rehearsal
from generator.reduction.procedures import response_kinds
from generator.reduction.records import RunReduction
from tests.benchmarks.coverage_plan import EFFECTS, Effect
from tests.benchmarks.coverage_rehearsed import (
    OTHER,
    PLAIN,
    SHORTS,
    analysed,
    demo,
    in_turn,
    short_session,
    truth_of,
)
from tests.benchmarks.coverage_tally import Tally

NAMES = ("hold, loft stand", "hold, barn stand")
POOL = 40  # earlier sessions that the chains draw from
EARLIER, REPEATS = 2, 4
NOISE = 2.0  # over the scatter of the demo season, so that a margin asks for more than the fewest repeats
NONE_MARGIN = 0.025  # share of the value, where nothing differs


def rehearsed_plan(seed: int, index: int) -> Tally:
    """Counts of one chain: simulated sessions before, a plan made of them, the session that was planned."""
    rng = np.random.default_rng([seed, 8, index])
    name = NAMES[index % len(NAMES)]
    turn = index // len(NAMES)
    effect, level = EFFECTS[turn % 3], (80, 95)[turn // 3 % 2]
    response = SHORTS[name].primary
    earlier = [_before(seed, name, int(k)) for k in rng.choice(POOL, EARLIER, replace=False)]
    session, rehearsal = _noisy(name, effect)
    session = session.model_copy(update={"margins": {response: _margin(name, effect)}})
    rows = settle_margins(session, earlier, response_kinds(), {}, {})
    (chosen,) = choose(session, rows, 80 if level == 80 else 95, "random", None)
    (row,) = with_chosen(rows, [chosen], "blocks")
    repeats = chosen.repeats
    assert row.chosen is not None
    analysis = _made(name, session, rehearsal, repeats, int(rng.integers(2**31)))
    (contrast,) = [c for c in analysis.contrasts if c.response == response]
    shown = {
        "none": contrast.verdict == NO_DIFFERENCE,
        "the margin": contrast.interval[0] > 0.0,
        "twice the margin": contrast.verdict == MORE,
    }[effect]
    tally = Tally()
    key = (name, effect, f"{level} %")
    tally.add(("plan, simulated logs", *key), shown)
    tally.add(("plan, simulated logs: promised", *key), False)
    tally.counts["plan, simulated logs: promised", *key][1] += round(10_000 * row.chosen)
    return tally


def _margin(name: str, effect: Effect) -> Margin:
    """A margin in watts, so that the true difference is none of it, just it, or twice it."""
    truth = truth_of(name, "none" if effect == "none" else "some")
    (found,) = [
        (truth[key[0], key[1], OTHER] - value, value)
        for key, value in truth.items()
        if key[0] == SHORTS[name].primary and key[2] == PLAIN
    ]
    difference, value = found
    size = {
        "none": NONE_MARGIN * abs(value), "the margin": abs(difference), "twice the margin": abs(difference) / 2.0,
    }[effect]  # fmt: skip
    return Margin(text="invented", absolute=size)


def _noisy(name: str, effect: Effect) -> tuple[Session, Rehearsal]:
    session, rehearsal = short_session(name, "none" if effect == "none" else "some")
    scatter = rehearsal.scatter
    louder = {k: NOISE * getattr(scatter, k) for k in ("thrust", "shaft_power", "kv", "resistance", "speed")}
    quiet = Drift.model_construct(thrust=0.0, shaft_power=0.0, air_temperature_k=0.0)
    update = {"scatter": scatter.model_copy(update={**louder, "start_temperature_k": 0.3}), "drift": quiet}
    return session, rehearsal.model_copy(update=update)


def _made(name: str, session: Session, rehearsal: Rehearsal, repeats: int, seed: int) -> SessionAnalysis:
    season, _ = demo(SHORTS[name].demo)
    file = session.file.model_copy(
        update={"runs": in_turn(SHORTS[name].procedure, "blocks", repeats, seed), "design": None}
    )
    return analysed(season, session.model_copy(update={"file": file}), rehearsal, seed, SHORTS[name].step_s)


@cache
def _before(seed: int, name: str, place: int) -> tuple[Session, Sequence[RunReduction]]:
    """One session of the past: the same rig and question, nothing that differs."""
    session, rehearsal = _noisy(name, "none")
    own = int(np.random.default_rng([seed, 9, NAMES.index(name), place]).integers(2**31))
    analysis = _made(name, session, rehearsal, REPEATS, own)
    runs = in_turn(SHORTS[name].procedure, "blocks", REPEATS, own)
    file = session.file.model_copy(update={"runs": runs, "design": None})
    # in memory nothing says that these logs are simulated, as it would where measured ones have to be told apart
    reduced = tuple(replace(run, simulated=None) for run in analysis.runs)
    return session.model_copy(update={"id": f"before-{place}", "file": file}), reduced
