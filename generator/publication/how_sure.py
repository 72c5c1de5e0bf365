"""How sure an answer is, in one short line for the top of its page: from the grades of the verdicts it rests on."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from generator.evidence.group_sentences import Weakness
from generator.evidence.headline import short_answer
from generator.evidence.records import Contrast, SessionAnalysis
from generator.evidence.wording import NBSP, counted, listed, places_words
from generator.intake.session import Session
from generator.publication import session_blocks
from generator.publication.verdict_rows import CLEAR, INDICATIVE, OPEN, WEAKENED, sureness
from generator.reduction.records import At

# Word of a verdict -> why, where the word alone does not say it.
WHY = {
    CLEAR: "",
    OPEN: "",
    INDICATIVE: "one run on a side",
    WEAKENED["warned"]: "a check warns",
    WEAKENED["failed"]: "a check failed",
}
# A line longer than this many characters only counts.
LONGEST = 150


@dataclass(frozen=True, slots=True, kw_only=True)
class _Item:
    word: str
    treatment: str
    response: str
    at: At


def how_sure(contrasts: Sequence[Contrast], analysis: SessionAnalysis, session: Session) -> str:
    """`clear at 9 000 and 12 500 rpm; open at 16 000 rpm`, or by treatments.

    By treatments it is `on 48 kHz the answer is clear; on 96 kHz weak, a check failed`: `clear for 48 kHz` would be
    read as a difference that is clear.

    contrasts  of a session, or of a pair of it

    From the primary contrasts, and the one that the answer leads with, which is said to be exploratory where it is:
    `electrical power clear for 48 kHz, weak for 96 kHz (a check failed); motor temperature rise exploratory only`.
    "" where nothing was compared.
    """
    labels = session_blocks.labels_of(session)
    checks, primary = analysis.checks, session.file.primary
    lead = short_answer(contrasts, analysis.kinds, labels, primary, checks, session.file.title)
    if lead is None:
        return ""
    told = [contrast for contrast in contrasts if contrast.primary or contrast.key == lead[0].key]
    several = len({contrast.baseline for contrast in told}) > 1
    items = []
    for contrast in told:
        against = f" against {labels[contrast.baseline]}" if several else ""
        items.append(
            _Item(
                word=sureness(contrast, analysis),
                treatment=_together(f"{labels[contrast.treatment]}{against}"),
                response=_inside(analysis.kinds[contrast.response].label),
                at=contrast.at,
            )
        )
    text = _told(items) or "; ".join(_split(items))
    if not text or len(text) > LONGEST:
        text = _counts(items)
    if lead[0].primary or not any(contrast.primary for contrast in told):
        return text
    # asked by the title, but not decided on before the test: a word such as clear would promise too much
    decided = [item for item, contrast in zip(items, told, strict=True) if contrast.primary]
    only = decided[0].response if len({item.response for item in decided}) == 1 else ""
    if only and (short := _told(decided, ", ")):
        text = f"{only} {short}"
    return f"{text}; {_inside(analysis.kinds[lead[0].response].label)} exploratory only"


def calibration_sure(analysis: SessionAnalysis, *, gone_off: bool) -> str:
    """`clear, every check passed`, with `; the stand has changed since`; "" where nothing was calibrated.

    From the checks of the session alone: a calibration has no margin to be held against.
    gone_off  whether the stand has gone out of control since
    """
    if analysis.contrasts or not any(run.calibration is not None for run in analysis.runs):
        return ""
    found = {check.outcome for check in analysis.checks}
    grade: Weakness = "failed" if "failed" in found else "warned" if "warned" in found else ""
    word = WEAKENED[grade] or (CLEAR if found else OPEN)
    why = WHY[word] or ("every check passed" if found else "no check could be made")
    day, since = (" for its day", "; the stand has changed since") if gone_off else ("", "")
    return f"{word.lower()}{day}, {why}{since}"


def _inside(label: str) -> str:
    """A label inside a sentence: `motor temperature`, but `KV`."""
    return label[:1].lower() + label[1:] if label[1:2].islower() else label


def _together(text: str) -> str:
    """A typed label with its numbers and their units on one line: `96 kHz`."""
    return re.sub(r"(?<=\d) (?=[A-Za-zµΩ%°])", NBSP, text)


def _words(items: Sequence[_Item]) -> list[str]:
    return list(dict.fromkeys(item.word for item in items))


def _told(items: Sequence[_Item], between: str = "; ") -> str:
    """All in one word, or each word with what it holds for; "" where no single difference between them decides."""
    words = _words(items)
    if len(words) == 1:
        return _graded(words[0], "", between)
    # what was measured at no condition, as a time of spin-up, cannot be told by conditions
    by_place = ("at",) if all(item.at for item in items) else ()
    for axis in ("treatment", "response", *by_place):
        found: dict[object, set[str]] = {}
        for item in items:
            found.setdefault(getattr(item, axis), set()).add(item.word)
        if any(len(own) > 1 for own in found.values()):
            continue
        parts: list[str] = []
        for word in words:
            own = [item for item in items if item.word == word]
            places = places_words([item.at for item in own])
            names = list(dict.fromkeys(getattr(item, axis) for item in own))
            if axis == "treatment" and between == "; ":
                is_ = "" if parts else "the answer is "
                parts.append(f"on {listed(names)} {is_}{_graded(word, '', between)}")
                continue
            parts.append(_graded(word, f" {places}" if axis == "at" else f" for {listed(names)}", between))
        return between.join(parts)
    return ""


def _split(items: Sequence[_Item]) -> list[str]:
    """Told response by response, or treatment by treatment; empty where that does not tell it either."""
    for axis in ("response", "treatment"):
        names = list(dict.fromkeys(getattr(item, axis) for item in items))
        parts = [_told([item for item in items if getattr(item, axis) == name], ", ") for name in names]
        if len(names) > 1 and all(parts):
            return [f"{name} {part}" for name, part in zip(names, parts, strict=True)]
    return []


def _graded(word: str, where: str, between: str) -> str:
    """`weak for 96 kHz, a check failed`; inside a list with commas the reason stands in brackets."""
    why = WHY[word]
    reason = "" if not why else f", {why}" if between == "; " else f" ({why})"
    return f"{word.lower()}{where}{reason}"


def _counts(items: Sequence[_Item]) -> str:
    """`clear in 14 of 18 comparisons, open in 3, weak in 1 (a check failed)`."""
    parts = []
    for place, word in enumerate(_words(items)):
        count = sum(item.word == word for item in items)
        of = f" of {counted(len(items), 'comparison')}" if place == 0 else ""
        why = f" ({WHY[word]})" if WHY[word] else ""
        parts.append(f"{word.lower()} in {count}{of}{why}")
    return ", ".join(parts)
