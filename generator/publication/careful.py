"""What to know before relying on an answer: doubts about the data and dangers to people, the gravest of both first."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import zip_longest

from generator.evidence.records import Contrast
from generator.evidence.wording import sentence_case
from generator.publication.cautions import CautionPanel
from generator.publication.navigation import anchor
from generator.publication.page_frame import shortened
from generator.publication.session_blocks import CheckRow

DOUBT, DANGER, NOTICE = "Doubt", "Danger", "Notice"
ORDER = (DOUBT, DANGER, NOTICE)
SHOWN_OF_EACH = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class CarefulLine:
    """One thing to know.

    kind   `Doubt` about the data, `Danger` to people, `Notice` about property alone
    text   what it is, in a few words
    grade  signal word of a danger in small letters, or ""
    href   its place on the session's page
    """

    kind: str
    text: str
    grade: str
    href: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Careful:
    """The lines that are shown, at most two of a kind, kinds in turn, and those that are folded."""

    shown: tuple[CarefulLine, ...]
    folded: tuple[CarefulLine, ...]


def careful_lines(
    checks: Sequence[CheckRow], contrasts: Sequence[Contrast], raised: Sequence[CautionPanel]
) -> tuple[CarefulLine, ...]:
    """Doubts, then dangers, then notices, of each the gravest first.

    Doubts are what went wrong with the data: failed checks, then those that weaken one of these contrasts. Dangers
    are the cautions raised, at last what the tester states, unless it says again what was raised.
    """
    weakening = {anchor("check", name) for contrast in contrasts for name in contrast.weakened_by}
    # one line for checks of which the same went wrong; it leads to the first of them
    told: dict[str, CarefulLine] = {}
    for check in checks:
        if check.css_class == "failed" or check.key in weakening:
            wrong = sentence_case(check.wrong)
            told.setdefault(wrong, CarefulLine(kind=DOUBT, text=wrong, grade="", href=f"#{check.key}"))
    stated = [it for it in raised if not it.consequence and not it.avoidance]
    titles = [it for it in raised if it not in stated]
    for it in titles:
        told.setdefault(it.title, _danger(it, it.title))
    for it in stated:
        if any(_telling(title.title) <= _telling(it.hazard) for title in titles):
            continue
        # what the tester states has no title of its own: its first sentence stands for it
        words = shortened(it.hazard.partition(". ")[0].rstrip("."), 90)
        told.setdefault(words, _danger(it, words))
    return tuple(sorted(told.values(), key=lambda line: ORDER.index(line.kind)))


def careful(lines: Sequence[CarefulLine]) -> Careful | None:
    """The first two of each kind shown, the rest folded; None for nothing.

    The gravest doubt, the gravest danger, then the second of each: a danger to people never waits for every doubt.
    """
    kinds = [first_of_each([line for line in lines if line.kind == kind], SHOWN_OF_EACH) for kind in ORDER]
    shown = tuple(line for rank in zip_longest(*kinds) for line in rank if line is not None)
    folded = tuple(line for line in lines if line not in shown)
    return Careful(shown=shown, folded=folded) if shown else None


def first_of_each(lines: Sequence[CarefulLine], most: int = 1) -> tuple[CarefulLine, ...]:
    """The first `most` lines of each kind, in their order."""
    return tuple(line for kind in ORDER for line in [own for own in lines if own.kind == kind][:most])


def _danger(it: CautionPanel, text: str) -> CarefulLine:
    notice = it.signal == "NOTICE"
    return CarefulLine(
        kind=NOTICE if notice else DANGER,
        text=sentence_case(text),
        grade="" if notice or it.signal == "DANGER" else it.signal.lower(),
        href=f"#{it.key}",
    )


def _telling(text: str) -> frozenset[str]:
    """The words of a text that carry its sense: the longer ones, but for those that join others."""
    words = re.findall(r"[a-z]{4,}", text.lower())
    return frozenset(words) - {"more", "than", "with", "from", "that", "this", "when", "they"}
