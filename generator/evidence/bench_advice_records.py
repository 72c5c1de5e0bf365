"""What is told of a run while the stand is still set up."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal, TypeVar

from generator.reduction.records import RunReduction

AdviceSeverity = Literal["repeat", "doubtful", "noted"]
T = TypeVar("T")


@dataclass(frozen=True, slots=True, kw_only=True)
class Advice:
    """One thing about one run.

    severity  "repeat": the run cannot serve, or weakens what it was made for, and a new one would not; "doubtful":
              somebody should look, a repeat alone may not help; "noted": handled, good to know
    kind      what it is, for machines: the kind of a finding, or the id of a check
    check     id of the check of the whole session that says the same, or ""
    channel   house column, or ""
    sentence  what is wrong, with its numbers
    remedy    what to do
    """

    severity: AdviceSeverity
    kind: str
    run_id: str
    log: str
    check: str = ""
    channel: str = ""
    sentence: str
    remedy: str


def advice(
    run: RunReduction,
    severity: AdviceSeverity,
    kind: str,
    sentence: str,
    remedy: str,
    *,
    check: str = "",
    channel: str = "",
) -> Advice:
    """Advice about a run."""
    return Advice(
        severity=severity,
        kind=kind,
        run_id=run.run_id,
        log=run.log,
        check=check,
        channel=channel,
        sentence=sentence,
        remedy=remedy,
    )


def near(one: float, other: float, share: float) -> bool:
    """Whether two positive values are within a share of each other, whichever is asked first."""
    return min(one, other) > 0.0 and abs(math.log(one / other)) <= math.log1p(share)


def alike(things: Sequence[T], agree: Callable[[T, T], bool]) -> tuple[int, ...]:
    """Places of the things that agree with each other, in their order: the most that lie near any one of them.

    Of groups equally large the one around the earliest counts: the others were made after it and could have been held
    against it.
    """
    groups = (
        tuple(i for i, other in enumerate(things) if other is one or agree(one, other)) for one in things
    )
    return max(groups, key=len, default=())
