"""Words of the glossary, so that a page can link the first use of each to its definition."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from markupsafe import Markup

from generator.publication import navigation
from generator.publication.page_frame import shortened
from generator.publication.text_pages import TextPage

ENTRY = re.compile(r'<dt id="(?P<key>[^"]+)">(?P<word>.*?)</dt>\s*<dd>(?P<told>.*?)</dd>', re.DOTALL)
# Words that mean here what they mean everywhere, or that our sentences use in another sense as well (intervals hold).
PLAIN = frozenset(
    {"season", "session", "part", "run", "check", "caution", "claim", "cells", "speed", "current", "throttle", "thrust",
     "torque", "vibration", "zero", "hold", "drain", "timing", "window", "delay", "repeat", "block", "rig"}
)  # fmt: skip
LONGEST = 240  # characters of a definition beside its link


@dataclass(frozen=True, slots=True, kw_only=True)
class Term:
    """One word of the glossary. key: its id there; told: its definition as plain text, its first sentences."""

    key: str
    word: str
    told: str


def terms_of(pages: Iterable[TextPage]) -> tuple[Term, ...]:
    """All words of the glossary page, in its order; none where a season's own glossary gives no ids."""
    glossary = next((page for page in pages if page.path == navigation.GLOSSARY), None)
    if glossary is None:
        return ()
    return tuple(
        Term(
            key=found["key"],
            word=Markup(found["word"]).striptags(),
            told=shortened(Markup(found["told"]).striptags(), LONGEST),
        )
        for found in ENTRY.finditer(glossary.html)
    )


class FirstUses:
    """Finds each term's first use on one page. One object a page."""

    def __init__(self, terms: Sequence[Term]) -> None:
        self._left = {term.word.casefold(): term for term in terms if term.word.casefold() not in PLAIN}
        words = sorted(self._left, key=lambda word: (-len(word), word))  # thrust per watt before thrust
        ends = "|".join(re.escape(word) for word in words)
        self._pattern = re.compile(rf"(?<![\w-])(?:{ends})(?![\w-])", re.IGNORECASE) if words else None

    def split(self, text: str) -> tuple[str | tuple[str, Term], ...]:
        """The text as plain stretches and first uses, each with its term."""
        made: list[str | tuple[str, Term]] = []
        end = 0
        for match in self._pattern.finditer(text) if self._pattern is not None else ():
            term = self._left.pop(match.group().casefold(), None)
            if term is None:
                continue
            made += [text[end : match.start()], (match.group(), term)]
            end = match.end()
        made.append(text[end:])
        return tuple(piece for piece in made if piece)
