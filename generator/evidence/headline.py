"""The answer of a session in one sentence."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence

from generator.evidence.records import Contrast, Verdict
from generator.evidence.sentences import Labels, short_sentence
from generator.evidence.verdicts import NO_DIFFERENCE, NOT_SETTLED, PERHAPS_LESS, PERHAPS_MORE
from generator.evidence.wording import at_words, counted, listed, measured, sentence_case
from generator.reduction.records import ResponseKind, RunReduction

# So many further conditions are named one by one; beyond, they are counted.
NAMED_CONDITIONS = 2


def headline(
    contrasts: Sequence[Contrast],
    kinds: Mapping[str, ResponseKind],
    labels: Labels,
    primary: Sequence[str] = (),
) -> str:
    """One sentence that answers the session's question.

    contrasts  all of the session; the primary ones are asked
    primary    primary responses in the order declared
    Returns the primary contrast that weighs most: a settled one before an unsettled one, one with repeats
    before a single run, the earlier declared response before the later, then the largest share of the baseline;
    and in a few words whether the other primary contrasts say the same. Without a primary one the exploratory
    are asked, and the sentence says so.
    """
    asked = [contrast for contrast in contrasts if contrast.primary]
    opening = ""
    if not asked:
        asked, opening = list(contrasts), "No primary response was measured; exploratory: "
    if not asked:
        return "No comparison could be made: no response was measured on the baseline and on a treatment."
    responses = list(dict.fromkeys((*primary, *(contrast.response for contrast in asked))))
    first = min(
        asked,
        key=lambda c: (
            c.verdict == NOT_SETTLED,
            c.indicative,
            responses.index(c.response) if not opening else 0,
            -_weight(c),
        ),
    )
    text = short_sentence(first, kinds[first.response], labels)
    if opening:
        return f"{opening}{text}."
    others = [contrast for contrast in asked if contrast is not first]
    tail = _others(first, others)
    weakened = "; a check of the data weakens this" if first.weakened_by else ""
    return f"{sentence_case(text)}{tail}{weakened}."


def calibration_headline(runs: Sequence[RunReduction]) -> str | None:
    """The answer of a session that compares nothing but calibrates a channel; None where it does not."""
    fits = [run.calibration for run in runs if run.calibration is not None]
    if not fits:
        return None
    said = []
    for channel in dict.fromkeys(fit.channel for fit in fits):
        gains = [
            (fit.gain, math.hypot(fit.scatter.gain, fit.loads.gain)) for fit in fits if fit.channel == channel
        ]
        words = listed([f"{measured(gain, '', u)} ± {measured(u, '', u)}" for gain, u in gains])
        gain = "a gain of" if len(gains) == 1 else "gains of"
        said.append(f"the {channel.replace('_', ' ')} channel {gain} {words}")
    return f"Known loads give {listed(said)}; ± is one standard uncertainty."


def _weight(contrast: Contrast) -> float:
    """Size of a contrast for choosing between them; never printed, so it may be a share of anything."""
    if contrast.relative is not None:
        return abs(contrast.relative)
    base = contrast.margin or abs(contrast.baseline_value) or 1.0
    return abs(contrast.difference) / base


def _others(first: Contrast, others: Sequence[Contrast]) -> str:
    """What the other primary contrasts say, in a few words."""
    near = [c for c in others if (c.response, c.treatment) == (first.response, first.treatment)]
    far = [c for c in others if c not in near]
    parts = []
    if 0 < len(near) <= NAMED_CONDITIONS:
        parts += [
            f"{at_words(c.at) or 'elsewhere'} {'likewise' if c.verdict == first.verdict else c.verdict}"
            for c in near
        ]
    elif near:
        parts.append(_tally(first.verdict, near))
    if far:
        # their verdicts are about something else; a count of "more" and "less" would only confuse
        parts.append(f"see also {counted(len(far), 'other primary comparison')}")
    return "".join(f"; {part}" for part in parts)


def _tally(agreed: Verdict, others: Sequence[Contrast]) -> str:
    """Verdicts counted: `of 3 other conditions 2 agree and 1 is not settled`, `the 3 other conditions agree`.

    agreed  verdict that counts as agreeing
    others  more than `NAMED_CONDITIONS` of them, so the plural is right
    """
    counts: Counter[Verdict] = Counter(c.verdict for c in others)
    ordered = sorted(counts, key=lambda verdict: (verdict != agreed, -counts[verdict]))
    if len(ordered) == 1:
        return f"the {len(others)} other conditions {_says(ordered[0], len(others), agreed)}"
    words = [f"{counts[verdict]} {_says(verdict, counts[verdict], agreed)}" for verdict in ordered]
    return f"of {counted(len(others), 'other condition')} {listed(words)}"


def _says(verdict: Verdict, count: int, agreed: Verdict) -> str:
    one = count == 1
    if verdict == agreed:
        return "agrees" if one else "agree"
    if verdict == NO_DIFFERENCE:
        return f"{'shows' if one else 'show'} no difference that matters"
    if verdict == NOT_SETTLED:
        return f"{'is' if one else 'are'} not settled"
    if verdict in (PERHAPS_MORE, PERHAPS_LESS):
        return f"{'says' if one else 'say'} {verdict.split(',')[0]} but perhaps too little to matter"
    return f"{'says' if one else 'say'} {verdict}"
