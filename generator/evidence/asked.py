"""Which responses the title of a session asks about: an answer leads with them."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

from generator.evidence.records import Contrast
from generator.reduction.records import ResponseKind

# Words of labels and of their more and less that name no quantity by themselves.
_COMMON = frozenset(
    {
        "more",
        "less",
        "higher",
        "lower",
        "above",
        "below",
        "with",
        "from",
        "time",
        "level",
        "rise",
        "state",
        "first",
        "electrical",
        "whole",
        "pack",
        "motor",
        "controller",
        "same",
        "least",
        "most",
    }
)


def asked_about(
    title: str, contrasts: Sequence[Contrast], kinds: Mapping[str, ResponseKind], order: Sequence[str] = ()
) -> tuple[str, ...]:
    """Responses that a title names, of those that are primary or that claims are about.

    title  `Does faster switching run cooler?` names those of which more and less are called hotter and cooler,
           `Does balancing save power?` those whose label holds *power*
    order  primary responses in the order declared; they come first
    """
    told = set(re.findall(r"[a-z]+", title.lower()))
    named = [c.response for c in contrasts if c.primary or c.family == "claimed"]
    wanted = [name for name in dict.fromkeys((*order, *named)) if name in named and name in kinds]
    return tuple(name for name in wanted if told & _words_of(kinds[name]))


def _words_of(kind: ResponseKind) -> set[str]:
    """Words by which a title can name a response."""
    words = re.findall(r"[a-z]+", f"{kind.label} {' '.join(kind.words)}".lower())
    return {word for word in words if len(word) > 3} - _COMMON
