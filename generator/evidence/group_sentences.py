"""One sentence for the contrasts of one response at several conditions: what holds everywhere is said once.

The grades of certainty and their verbs are those of `sentences`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Literal

from generator.evidence.records import Check, Contrast
from generator.evidence.sentences import (
    PERHAPS,
    Labels,
    amount_text,
    aside,
    fell_to_number,
    interval_name,
    interval_phrase,
    relative_text,
    share_first,
    single_runs,
    surely_small,
    within_margin,
)
from generator.evidence.verdicts import (
    DIRECTIONS,
    NO_DIFFERENCE,
    NOT_SETTLED,
    PERHAPS_LESS,
    PERHAPS_MORE,
    direction,
)
from generator.evidence.wording import (
    NBSP,
    difference_unit,
    either_way,
    interval_decimals,
    interval_words,
    number,
    percent,
    places_words,
    same_as,
    with_unit,
    without_amount,
)
from generator.reduction.records import ResponseKind

Weakness = Literal["", "warned", "failed"]
Outcomes = Mapping[str, str]  # check id -> its outcome
# What a check that does not pass puts before a sentence.
WEAK: Mapping[Weakness, str] = {
    "": "",
    "warned": "Careful, a check warns: ",
    "failed": "Weak, a check failed: ",
}
# The same as a sentence of its own.
WEAK_FIRST: Mapping[Weakness, str] = {
    "": "",
    "warned": "Careful, a check warns. ",
    "failed": "Weak, a check failed. ",
}
ONE_RUN_CHECK = "repeats"  # `Indicative, one run each` says it already


def outcomes_of(checks: Sequence[Check]) -> dict[str, str]:
    """Check id -> outcome."""
    return {check.id: check.outcome for check in checks}


def weakness(contrast: Contrast, outcomes: Outcomes) -> Weakness:
    """How far checks weaken a contrast; that a side has but one run is not counted where the sentence says it."""
    ids = [name for name in contrast.weakened_by if not (contrast.indicative and name == ONE_RUN_CHECK)]
    if not ids:
        return ""
    return "failed" if any(outcomes.get(name, "failed") == "failed" for name in ids) else "warned"


def group_sentence(
    group: Sequence[Contrast],
    kind: ResponseKind,
    labels: Labels,
    *,
    who: str | None = None,
    follows: bool = False,
    ranged: bool = False,
) -> str:
    """What contrasts of one response and treatment say, without a full stop: the settled first.

    group      of one response, treatment and baseline, in the order of their conditions; at least one
    who      what stands for the treatment: its label, or `it` where that was just named
    follows  whether it follows a sentence about the same baseline: then that is not named again, intervals are left
             to the verdicts themselves, and several conditions that say the same are not listed
    ranged   whether an amount that bears no percentage, as of a temperature, is followed by its interval all the same

    Several differences in one direction are told by the least and the most of them, and by the ends that hold all
    their intervals.
    """
    parts = _alike(group)
    name = who or labels[group[0].treatment]
    words = [_whole(parts[0], kind, labels, name, follows, len(parts) == 1, ranged)]
    words += [_briefly(part, kind) for part in parts[1:]]
    text = "; ".join(words)
    if group[0].indicative and not follows:
        return f"indicative, {single_runs(group[0], labels)}: {text}"
    return text


def terse_sentence(
    group: Sequence[Contrast], kind: ResponseKind, who: str, *, amounts: bool = False, ranged: bool = False
) -> str:
    """The same in the fewest words: `5.0 in pitch probably gives less thrust`; amounts: with how much less;
    ranged: where that bears no percentage, with its interval.

    What holds at some conditions only names these: `it draws less power at 50 % throttle; elsewhere not settled`.
    "" where there is no direction to tell, or more than one.
    """
    parts = _alike(group)
    first = parts[0][0]
    if len(parts) > 2 or not (first.verdict in DIRECTIONS or surely_small(first)):
        return ""
    rest = ELSEWHERE.get(parts[1][0].verdict, "") if len(parts) == 2 else "nothing"
    if not rest or (len(parts) == 2 and surely_small(parts[1][0])):
        return ""
    probably = "probably " if first.indicative else ""
    clause = kind.more if first.difference >= 0.0 else kind.less
    told = clause.format(amount=_amounts(parts[0], ranged)) if amounts else without_amount(clause)
    text = f"{who} {probably}{told}"
    if len(parts) == 2:
        text = f"{text} {places_words([contrast.at for contrast in parts[0]])}"
    text = f"{text}{_terse_grade(parts[0])}"
    return text if len(parts) == 1 else f"{text}; elsewhere {rest}"


ELSEWHERE: Mapping[str, str] = {NO_DIFFERENCE: "no difference that matters", NOT_SETTLED: "not settled"}


def _terse_grade(part: Sequence[Contrast]) -> str:
    if surely_small(part[0]):
        return ", by less than would matter"
    unsure = sum(contrast.verdict in (PERHAPS_MORE, PERHAPS_LESS) for contrast in part)
    if not unsure:
        return ""
    return PERHAPS if unsure == len(part) else ", in part perhaps too little to matter"


def told_first(group: Sequence[Contrast]) -> list[Contrast]:
    """Those of a group that its sentence begins with."""
    return _alike(group)[0]


def _alike(group: Sequence[Contrast]) -> list[list[Contrast]]:
    """The group in parts that are told together: differences of one side, no difference, not settled."""
    found: dict[tuple[int, int], list[Contrast]] = {}
    for contrast in group:
        side = 1 if contrast.difference >= 0.0 else -1
        if contrast.verdict in DIRECTIONS:
            key = (0, side)
        elif surely_small(contrast):
            key = (1, side)
        else:
            key = (2, 0) if contrast.verdict == NO_DIFFERENCE else (3, 0)
        found.setdefault(key, []).append(contrast)
    largest = 1 if (0, 1) in found and len(found[0, 1]) >= len(found.get((0, -1), [])) else -1
    return [found[key] for key in sorted(found, key=lambda key: (key[0], key[1] != largest))]


def _whole(
    part: Sequence[Contrast],
    kind: ResponseKind,
    labels: Labels,
    who: str,
    follows: bool,
    alone: bool,
    ranged: bool,
) -> str:
    """A part as a full clause. alone: whether it is all of its group."""
    first = part[0]
    base = labels[first.baseline]
    where = "" if follows and alone and len(part) > 1 else places_words([contrast.at for contrast in part])
    place = f" {where}" if where else ""
    against = "" if follows else f" than {base}"
    probably = "probably " if first.indicative else ""
    told = "" if follows else _intervals(part, kind)
    if first.verdict == NOT_SETTLED:
        text = f"the data do not settle whether {who} {either_way(kind.more, kind.less)}{against}{place}"
        return aside(text, told)
    if first.verdict == NO_DIFFERENCE and not surely_small(first):
        return aside(f"{who} {probably}{same_as(kind.same, base)}{place}, {_within(part)}", told)
    clause = (kind.more if first.difference >= 0.0 else kind.less).format(amount=_amounts(part, ranged))
    text = f"{who} {probably}{clause}{against}{place}"
    if surely_small(first):
        return aside(f"{text}, {_within(part)}", told)
    return _perhaps(part, text, told)


def _briefly(part: Sequence[Contrast], kind: ResponseKind) -> str:
    """A part of which who and what were just said."""
    first = part[0]
    where = places_words([contrast.at for contrast in part]) or "elsewhere"
    if first.verdict == NOT_SETTLED:
        return f"{where} not settled"
    if first.verdict == NO_DIFFERENCE:
        return f"{where} no difference that matters"
    word = kind.words[0 if direction(first.verdict) > 0 else 1]
    return _perhaps(part, f"{where} {_amounts(part)} {word}", "")


def _perhaps(part: Sequence[Contrast], text: str, told: str) -> str:
    """A clause with its interval and with where the difference is perhaps too little to matter."""
    unsure = [c for c in part if c.verdict in (PERHAPS_MORE, PERHAPS_LESS)]
    if not unsure:
        return aside(text, told)
    if len(unsure) == len(part):
        return aside(f"{text}{PERHAPS}", told)
    return f"{aside(text, told)}, though {places_words([c.at for c in unsure])} perhaps too little to matter"


def _within(part: Sequence[Contrast]) -> str:
    """The margin, once where it is the same everywhere."""
    texts = list(dict.fromkeys(within_margin(contrast) for contrast in part))
    return texts[0] if len(texts) == 1 else "too little to matter"


def _amounts(part: Sequence[Contrast], ranged: bool = False) -> str:
    """`3.1 W (2.4 %)`; of several the least and the most: `1.0 to 2.6 W (4.8 to 2.5 %)`, the shares the other way
    round where the most is the least share.

    ranged  where there is no percentage, with the interval: `5.0 K (95 % interval 3.2 to 6.8 K)`
    """
    if len(part) == 1:
        text = amount_text(part[0])
        return text if relative_text(part[0]) or not ranged else f"{text} ({_reach(part)})"
    places = min(interval_decimals(*contrast.interval) for contrast in part)
    sizes = sorted(abs(contrast.difference) for contrast in part)
    shown = [number(size, places) for size in sizes]
    text = with_unit(_range(shown), difference_unit(part[0].unit))
    shares = [relative_text(contrast, signed=False) for contrast in part]
    if not all(shares):
        return f"{text} ({_reach(part)})" if ranged and not any(shares) else text
    # by size, and with the digits that the least well known of them bears
    widest = max(
        (c.relative_interval for c in part if c.relative_interval), key=lambda pair: pair[1] - pair[0]
    )
    ordered = sorted(abs(c.relative) for c in part if c.relative is not None)
    by_amount = [abs(c.relative or 0.0) for c in sorted(part, key=lambda c: abs(c.difference))]
    if by_amount[0] == ordered[-1] and by_amount[-1] == ordered[0]:
        ordered.reverse()  # the least amount is the largest share: readers pair what stands first
    ends = [percent(share, widest).removesuffix(f"{NBSP}%") for share in ordered]
    at_each = ends[0] == ends[-1] and shown[0] != shown[-1]
    alike = f"{NBSP}at {'either' if len(part) == 2 else 'each'}" if at_each else ""
    share = f"{with_unit(_range(ends), '%')}{alike}"
    return f"{share} ({text})" if all(map(share_first, part)) else f"{text} ({share})"


def _reach(part: Sequence[Contrast]) -> str:
    """The interval of an amount whose direction the sentence tells, so that it needs none of its own."""
    places = min(interval_decimals(*contrast.interval) for contrast in part)
    ends = [abs(end) for contrast in part for end in contrast.interval]
    low, high = number(min(ends), places), number(max(ends), places)
    unit = difference_unit(part[0].unit)
    if len(part) == 1:
        return f"{interval_name(part[0], source=False)} {low} to {with_unit(high, unit)}"
    return f"{interval_name(part[0], several=True, source=False)} between {low} and {with_unit(high, unit)}"


def _range(texts: Sequence[str]) -> str:
    return texts[0] if texts[0] == texts[-1] else f"{texts[0]} to {texts[-1]}"


def _intervals(part: Sequence[Contrast], kind: ResponseKind) -> str:
    """The interval, or of several the ends that hold them all: `95 % intervals between 0.7 and 3.4 W more`."""
    chance = (
        ", perhaps chance among so many exploratory comparisons" if any(map(fell_to_number, part)) else ""
    )
    if len(part) == 1:
        return f"{interval_phrase(part[0], kind)}{chance}"
    places = min(interval_decimals(*contrast.interval) for contrast in part)
    low = min(contrast.interval[0] for contrast in part)
    high = max(contrast.interval[1] for contrast in part)
    ends = interval_words(low, high, part[0].unit, kind.words, places=places, to="and")
    # that each comes from a single run, the sentence has said before it
    return f"{interval_name(part[0], several=True, source=False)} between {ends}{chance}"
