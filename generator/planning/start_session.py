"""The texts of a new session, and the head that every started file has."""

from __future__ import annotations

import datetime
import re
from collections.abc import Mapping, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass
from typing import Any

from pydantic import BaseModel

from generator.intake.contracts import Contracts
from generator.intake.placeholders import MARK, PROSE_MARK
from generator.intake.problems import Problem, SeasonProblems, suggestion
from generator.intake.season import NOT_SESSIONS, session_model
from generator.planning import start_values as begin
from generator.planning.start_files import Invented, comment, explained
from generator.reduction.procedures import response_kinds

SCHEMAS = ".schemas"
ID = re.compile(r"^[A-Za-z0-9][A-Za-z0-9._-]{0,63}$")
DEFAULT_TREATMENTS = (("four-cell", "4S"), ("five-cell", "5S capped to 80 %"))
DEFAULT_PACKS = (("first-pack", "The first pack"), ("second-pack", "The second pack"))
HOW_TO_READ = (
    f"A line that ends in `{MARK}` holds an invented value: put your own there and take the remark away. "
    "A key behind a bare # is not in use: take the # away to use it. A value with a dimension is written with "
    "its unit: 24 V, 2 %, 18.4 degC."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionStart:
    """What is known of a new session; None or () where nobody said it.

    treatments  (id, label), the baseline first
    repeats     runs of each treatment in each procedure
    """

    id: str
    date: datetime.date
    title: str | None = None
    question: str | None = None
    rig: str | None = None
    treatments: tuple[tuple[str, str], ...] = ()
    procedures: tuple[str, ...] = ()
    repeats: int | None = None


def or_invented(said: str | None, otherwise: str) -> Any:
    return said if said else Invented(otherwise)


def file_text(
    schema: str,
    way_up: str,
    what: str,
    model: type[BaseModel],
    values: Mapping[str, Any],
    examples: Mapping[str, Any],
) -> str:
    """One YAML file: the line for editors, what the file is, then every key."""
    head = [f"# yaml-language-server: $schema={way_up}/{SCHEMAS}/{schema}.schema.json"]
    lines = [*head, *comment(what), "#", *comment(HOW_TO_READ), *explained(model, values, examples)]
    return "\n".join(lines) + "\n"


def session_files(
    session: SessionStart,
    rig: str,
    parts: Mapping[str, Any],
    cells: Any,
    channels: Sequence[str],
    contracts: Contracts,
) -> dict[str, str]:
    """Path in the season -> text, of session.yaml and conclusion.md. Raises SeasonProblems."""
    procedures = session.procedures or ("hold",)
    treatments = session.treatments or (DEFAULT_TREATMENTS if cells is None else DEFAULT_PACKS)
    _refuse_unusable(session, treatments, procedures, channels, contracts)
    names = [name for name, _ in treatments]
    starts = {name: begin.PROCEDURES[name] for name in procedures}
    in_order = {name: contracts[name] for name in (*starts, *contracts)}  # as named, then those not in use
    responses = {start.response: start for start in starts.values() if start.response}
    counts = {name: session.repeats or start.repeats for name, start in starts.items()}
    of_rig = [name for name in starts if contracts[name].of_rig]
    values: dict[str, Any] = {
        "title": or_invented(session.title, session.id.replace("-", " ").capitalize()),
        "question": or_invented(session.question, starts[procedures[0]].asks),
        "date": Invented(session.date),
        "rig": rig,
        "air": begin.AIR,
        "baseline": names[0],
        "treatments": _treatments(treatments, parts, cells, given=bool(session.treatments)),
        "procedures": {
            name: {k: Invented(v) for k, v in start.plan.items()} for name, start in starts.items()
        },
        "runs": planned_runs(names, counts, of_rig),
    }
    if responses:
        first = next(iter(responses))
        values["primary"] = Invented([*responses])
        values["matters"] = Invented({name: start.margin for name, start in responses.items()})
        values["claims"] = [Invented({
            "says": "It makes no difference.", "by": "not stated", "response": first, "treatment": names[1],
            "expects": "no difference",
        })]  # fmt: skip
    examples = {
        **begin.SESSION_EXAMPLES,
        "air.": begin.AIR_EXAMPLES,
        "treatments.": begin.TREATMENT_EXAMPLES,
        "procedures.": {
            **{name: start.plan for name, start in begin.PROCEDURES.items()},
            **{f"{name}?": start.does for name, start in begin.PROCEDURES.items()},
        },
        "matters?": _known_responses({r for n in starts for r in contracts[n].response_units}),
        "runs?": "Forward in one block and backward in the next, so that a slow drift falls on all treatments alike.",
    }
    text = file_text(
        "session", "..", "A session: one question, the set-ups compared, and the runs that answer it.",
        session_model(in_order), values, examples,
    )  # fmt: skip
    return {
        f"{session.id}/session.yaml": text,
        f"{session.id}/conclusion.md": _conclusion([*responses.values()], names[1]),
    }


def _known_responses(names: AbstractSet[str]) -> str:
    """What a margin can be set for, in words, one a line."""
    known = response_kinds()
    kinds = sorted((known[name] for name in names), key=lambda kind: kind.name)
    lines = [f"  {kind.name}: {kind.label}{f', {kind.unit}' if kind.unit else ''}" for kind in kinds]
    return "\n".join(["Known here:", *lines]) if lines else ""


def _refuse_unusable(
    session: SessionStart,
    treatments: Sequence[tuple[str, str]],
    procedures: Sequence[str],
    channels: Sequence[str],
    contracts: Contracts,
) -> None:
    """Answers that no session.yaml could hold. Raises SeasonProblems with all of them."""
    problems: list[Problem] = []

    def refuse(what: str, remedy: str) -> None:
        problems.append(Problem(file=f"{session.id}/session.yaml", what=what, remedy=remedy))

    names, labels = [name for name, _ in treatments], [label for _, label in treatments]
    for name in (session.id, session.rig or "rig", *names):
        if not ID.match(name) or (name is session.id and name in NOT_SESSIONS):
            refuse(f"'{name}' cannot be used as a name.", "Use letters, digits, dots, hyphens, underscores.")
    if not 2 <= len(treatments) <= 12:
        refuse(f"{len(treatments)} treatment given.", "Name two to twelve, the baseline first.")
    if len(set(names)) < len(names) or len(set(labels)) < len(labels):
        refuse("two treatments have the same name or label.", "Give each its own.")
    for name in procedures:
        usable = [known for known in begin.PROCEDURES if known in contracts]
        if name not in usable:
            refuse(
                f"--procedures: '{name}' is not a procedure that a session can be started with.",
                suggestion(name, usable),
            )
            continue
        lacking = [channel for channel in contracts[name].needs if channel not in channels]
        if lacking:
            refuse(
                f"{name} needs {', '.join(lacking)}, which the rig does not have.",
                "Add it under `channels:` of the rig, or leave this procedure out.",
            )
    if problems:
        raise SeasonProblems(problems)


def _treatments(
    treatments: Sequence[tuple[str, str]], parts: Mapping[str, Any], cells: Any, *, given: bool
) -> dict[str, dict[str, Any]]:
    """Treatment -> its keys. The two that nobody asked for differ in cells; others differ once the tester says how."""
    made: dict[str, dict[str, Any]] = {}
    for place, (name, label) in enumerate(treatments):
        keys = {"label": label if given else Invented(label), **parts}
        if cells is not None:
            keys["cells"] = cells
        else:
            keys |= {"cells": Invented(4 if given else 4 + place), "volts_per_cell": Invented("4.0 V")}
            if not given and place == 1:
                keys["output_cap"] = Invented("80 %")
        made[name] = keys
    return made


def planned_runs(
    treatments: Sequence[str], repeats: Mapping[str, int], of_rig: Sequence[str] = ()
) -> list[dict[str, Any]]:
    """Runs of every procedure in blocks: the treatments forward in one, backward in the next.

    of_rig  procedures whose runs belong to no treatment
    A drift that is linear in the order then falls on all treatments alike, over each two blocks.
    """
    runs: list[dict[str, Any]] = []
    block = 0
    for procedure, count in repeats.items():
        for repeat in range(1, count + 1):
            if procedure in of_rig:
                log = f"logs/{len(runs) + 1:02d}-{procedure}-{repeat}.csv"
                runs.append({"log": log, "procedure": procedure, "repeat": repeat})
                continue
            block += 1
            for treatment in treatments if repeat % 2 else reversed(treatments):
                log = f"logs/{len(runs) + 1:02d}-{procedure}-{treatment}-{repeat}.csv"
                runs.append({"log": log, "procedure": procedure, "treatment": treatment, "repeat": repeat,
                             "block": block})  # fmt: skip
    return runs


def _conclusion(starts: Sequence[begin.ProcedureStart], treatment: str) -> str:
    """conclusion.md: a model of how numbers come into it."""

    def call(function: str, start: begin.ProcedureStart) -> str:
        at = f", {start.at}" if start.at else ""
        return f'{{{{ {function}("{start.response}", "{treatment}"{at}) }}}}'

    lines = [
        PROSE_MARK,
        "<!-- Your own words go here. A number is never typed: it is taken from the results by a function in",
        "double braces. Functions: sentence, difference, relative, interval, verdict, value. Conditions:",
        "speed_rpm, thrust_gf, throttle_percent. -->",
        "",
        "What we wanted to know, in a sentence.",
        "",
        *(f"- {call('sentence', start)}" for start in starts),
        "",
        *((f"The difference was {call('difference', starts[0])}.", "") if starts else ()),
        "**What we would do.** One piece of advice, as far as the results carry it.",
        "",
    ]
    return "\n".join(lines)
