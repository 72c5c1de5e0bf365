"""The answer of a session in a few short sentences."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from generator.evidence.asked import asked_about
from generator.evidence.group_sentences import (
    ELSEWHERE,
    WEAK,
    Outcomes,
    group_sentence,
    outcomes_of,
    terse_sentence,
    told_first,
    weakness,
)
from generator.evidence.records import Check, Contrast
from generator.evidence.sentences import Labels
from generator.evidence.verdicts import NO_DIFFERENCE, NOT_SETTLED
from generator.evidence.wording import counted, listed, measured, percent, places_words, sentence_case
from generator.reduction.records import ResponseKind, RunReduction

# An answer is told in about so many words; what is left is told in fewer, and then counted. A number with its unit is
# one word.
MOST_WORDS = 45
# Groups told in the fewest words may go so far beyond.
TERSE_WORDS = 32
# A short answer holds about so many; a further group is added only where it fits.
SHORT_WORDS = 30
Group = tuple[Contrast, ...]


def headline(
    contrasts: Sequence[Contrast],
    kinds: Mapping[str, ResponseKind],
    labels: Labels,
    primary: Sequence[str] = (),
    checks: Sequence[Check] = (),
    title: str = "",
) -> str:
    """The answer to the session's question.

    contrasts  all of the session; the primary ones are asked
    labels     treatment -> label, in the order of the session
    primary    primary responses in the order declared
    checks     of the session: how far they weaken a contrast
    title      of the session: a response that it names leads, primary or not

    Contrasts of one response and treatment are told together. What no check weakens comes first, then what is
    settled, what has repeats, the response declared first, the treatment named first. Of the responses that are
    not primary those that claims are about follow. What a check weakens says so before anything else. Without a
    primary contrast the exploratory are asked, and the answer says so.
    """
    asked = [contrast for contrast in contrasts if contrast.primary]
    claimed = [contrast for contrast in contrasts if contrast.family == "claimed" and not contrast.primary]
    opening = ""
    if not asked:
        asked, opening, claimed = list(contrasts), "No primary response was measured; exploratory: ", []
    if not asked:
        return "No comparison could be made: no response was measured on the baseline and on a treatment."
    outcomes = outcomes_of(checks)
    about = asked_about(title, contrasts, kinds, primary) if not opening else ()
    asked = [contrast for contrast in contrasts if contrast in asked or contrast.response in about]
    claimed = [contrast for contrast in claimed if contrast.response not in about]
    order = list(dict.fromkeys((*about, *primary, *(contrast.response for contrast in asked))))
    groups = _groups(asked, order, labels, outcomes, about, by_size=bool(opening))
    extra = _groups(claimed, [c.response for c in claimed], labels, outcomes, by_size=False)
    if opening:
        lead = _begun(_weak(groups[0][:1], outcomes), _lead(groups[0][:1], kinds, labels), opening)
        return f"{lead}."
    sentences, left = _told((*groups, *extra), kinds, labels, outcomes)
    if left:
        sentences.append(f"And {counted(left, 'more primary comparison')}.")
    return " ".join(sentences)


def short_answer(
    contrasts: Sequence[Contrast],
    kinds: Mapping[str, ResponseKind],
    labels: Labels,
    primary: Sequence[str] = (),
    checks: Sequence[Check] = (),
    title: str = "",
) -> tuple[Contrast, str] | None:
    """What a headline begins with in one or two short sentences, without intervals, for a list of answers.

    Takes what `headline` takes. Returns the contrast whose verdict stands for it and the text, or None where
    nothing was compared. How far checks weaken it is not in the text: whoever shows it must say so beside it.
    """
    asked = [contrast for contrast in contrasts if contrast.primary] or list(contrasts)
    if not asked:
        return None
    outcomes = outcomes_of(checks)
    declared = any(contrast.primary for contrast in asked)
    about = asked_about(title, contrasts, kinds, primary) if declared else ()
    asked = [contrast for contrast in contrasts if contrast in asked or contrast.response in about]
    order = list(dict.fromkeys((*about, *primary, *(contrast.response for contrast in asked))))
    groups = _groups(asked, order, labels, outcomes, about, by_size=not declared)
    first, *others = groups
    sentences = [f"{sentence_case(group_sentence(first, kinds[first[0].response], labels, follows=True))}."]
    for group in others:
        same = (group[0].treatment, group[0].baseline) == (first[0].treatment, first[0].baseline)
        alike = weakness(group[0], outcomes) == weakness(first[0], outcomes)
        kind = kinds[group[0].response]
        ways = [terse_sentence(group, kind, "it", amounts=told) for told in (True, False)]
        fitting = [text for text in ways if text and _words([*sentences, text]) <= SHORT_WORDS]
        if fitting and same and alike:
            sentences.append(f"{sentence_case(fitting[0])}.")
    return standing_for(first), " ".join(sentences)


def standing_for(group: Sequence[Contrast]) -> Contrast:
    """The contrast of a group whose verdict the group is told by: the commonest verdict of what is told first."""
    told = told_first(group)
    verdicts = [contrast.verdict for contrast in told]
    return max(told, key=lambda contrast: verdicts.count(contrast.verdict))


def _lead(group: Group, kinds: Mapping[str, ResponseKind], labels: Labels) -> str:
    return group_sentence(group, kinds[group[0].response], labels)


def _groups(
    asked: Sequence[Contrast],
    order: Sequence[str],
    labels: Labels,
    outcomes: Outcomes,
    about: Sequence[str] = (),
    *,
    by_size: bool,
) -> list[Group]:
    """Contrasts that are told together, in the order told: first what the question is about.

    by_size  the largest first, whatever the response
    """
    made: dict[tuple[str, str, str, str, bool], list[Contrast]] = {}
    for contrast in asked:
        weak = weakness(contrast, outcomes)
        key = (contrast.response, contrast.treatment, contrast.baseline, weak, contrast.indicative)
        made.setdefault(key, []).append(contrast)
    names = list(labels)

    def rank(group: Group) -> tuple[object, ...]:
        first = group[0]
        return (
            first.response not in about,
            {"": 0, "warned": 1, "failed": 2}[weakness(first, outcomes)],
            all(contrast.verdict == NOT_SETTLED for contrast in group),
            first.indicative,
            -max(_weight(contrast) for contrast in group) if by_size else 0.0,
            order.index(first.response),
            names.index(first.treatment) if first.treatment in names else len(names),
        )

    return sorted((tuple(group) for group in made.values()), key=rank)


def _told(
    groups: Sequence[Group],
    kinds: Mapping[str, ResponseKind],
    labels: Labels,
    outcomes: Outcomes,
) -> tuple[list[str], int]:
    """A sentence for each group as far as there is room, and how many primary contrasts are left.

    Groups that are not primary are dropped without a word where there is no room.
    """
    ways = _ways(groups, kinds, labels, outcomes)
    for level, room in ((0, MOST_WORDS), (1, MOST_WORDS + TERSE_WORDS), (2, MOST_WORDS + TERSE_WORDS)):
        sentences = _said_once([way[min(level, len(way) - 1)] for way in ways])
        if _words(sentences) <= room:
            return sentences, 0
    sentences = []
    left = 0
    for group, way in zip(groups, ways, strict=True):
        rooms = (MOST_WORDS, MOST_WORDS + TERSE_WORDS, MOST_WORDS + TERSE_WORDS)
        fitting = [
            text
            for text, room in zip(way, rooms, strict=False)
            if not sentences or _words(_said_once([*sentences, text])) <= room
        ]
        if fitting:
            sentences.append(fitting[0])
        else:
            left += sum(contrast.primary for contrast in group)
    return _said_once(sentences), left


def _said_once(sentences: Sequence[str]) -> list[str]:
    """What holds elsewhere in full the first time, and in two words after that."""
    whole = f"; elsewhere {ELSEWHERE[NO_DIFFERENCE]}"
    made: list[str] = []
    for sentence in sentences:
        said = any(whole in earlier for earlier in made)
        made.append(sentence.replace(whole, ", only there") if said else sentence)
    return made


def _ways(
    groups: Sequence[Group], kinds: Mapping[str, ResponseKind], labels: Labels, outcomes: Outcomes
) -> list[tuple[str, ...]]:
    """For each group the sentences that could tell it, the fuller first."""
    made: list[tuple[str, ...]] = []
    before: Group | None = None
    for group in groups:
        weak, besides = _weak(group, outcomes), ""
        if before is None:
            ways: tuple[str, ...] = (_lead(group, kinds, labels),)
            besides = "" if any(contrast.primary for contrast in group) else " (exploratory)"
        else:
            again = group[0].treatment == before[0].treatment and not weakness(before[0], outcomes)
            who = "it" if again and not weak else labels[group[0].treatment]
            ways = _follow_ups(group, groups[0], kinds[group[0].response], labels, who)
        made.append(tuple(f"{_begun(weak, way)}{besides}." for way in ways))
        before = group
    return made


def _follow_ups(group: Group, lead: Group, kind: ResponseKind, labels: Labels, who: str) -> tuple[str, ...]:
    """A further group, the fuller way first."""
    if group[0].baseline != lead[0].baseline or group[0].indicative > lead[0].indicative:
        return (group_sentence(group, kind, labels),)
    short, bare = (terse_sentence(group, kind, who, amounts=told, ranged=True) for told in (True, False))
    full = group_sentence(group, kind, labels, who=who, follows=True, ranged=True)
    if not short:
        return (full,)
    # an amount without a percentage stands with its interval, or the reader has nothing to weigh it by
    return (full, short) if all(contrast.relative is None for contrast in group) else (full, short, bare)


def _weak(group: Group, outcomes: Outcomes) -> str:
    """What a check puts before a group's sentence; of several conditions also that all of them are meant."""
    text = WEAK[weakness(group[0], outcomes)]
    places = places_words([contrast.at for contrast in group])
    return text.replace(",", f" {places},", 1) if text and len(group) > 1 and places else text


def _begun(weak: str, text: str, opening: str = "") -> str:
    """What stands before a clause, and the clause."""
    return f"{opening}{weak}{text}" if opening or weak else sentence_case(text)


def _words(sentences: Sequence[str]) -> int:
    """Words as they are read: what a fixed space holds together is one."""
    return sum(len(sentence.split(" ")) for sentence in sentences)


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
        if len(gains) == 1 and abs(gains[0][0] - 1.0) > 2.0 * gains[0][1]:
            off = percent(abs(1.0 / gains[0][0] - 1.0), (0.0, 2.0 * gains[0][1]))
            words += f", so it reads {off} too {'high' if gains[0][0] < 1.0 else 'low'} without it"
        said.append(f"the {channel.replace('_', ' ')} channel {gain} {words}")
    return f"Known loads give {listed(said)}; ± is one standard uncertainty."


def _weight(contrast: Contrast) -> float:
    """Size of a contrast for choosing between them; never printed, so it may be a share of anything."""
    if contrast.relative is not None:
        return abs(contrast.relative)
    base = contrast.margin or abs(contrast.baseline_value) or 1.0
    return abs(contrast.difference) / base
