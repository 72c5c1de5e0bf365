"""Sentences made from contrasts. No sentence holds a number that its contrast does not carry.

Three grades of certainty, with verbs that cannot be mistaken for one another: *draws* (more, less, the same; where
only the weight of a sure difference is open, a second clause says so), *probably draws* (one run only) and *the data
do not settle whether*.
"""

from __future__ import annotations

from collections.abc import Mapping

from generator.evidence.basis import Basis
from generator.evidence.records import Contrast, Family
from generator.evidence.verdicts import (
    LESS,
    MORE,
    NO_DIFFERENCE,
    NOT_SETTLED,
    PERHAPS_LESS,
    PERHAPS_MORE,
)
from generator.evidence.wording import (
    NBSP,
    at_words,
    counted,
    difference_unit,
    either_way,
    interval_decimals,
    interval_text,
    interval_words,
    number,
    p_text,
    percent,
    plain,
    same_as,
    sentence_case,
    with_unit,
    written,
)
from generator.reduction.records import ResponseKind

Labels = Mapping[str, str]  # treatment -> label
# What a contrast is called among the others of its family.
_FAMILY: Mapping[Family, tuple[str, str]] = {
    "primary": ("primary comparison", "primary comparisons"),
    "claimed": ("comparison that a claim is about", "comparisons that claims are about"),
    "exploratory": ("exploratory comparison", "exploratory comparisons"),
}
# A margin is chosen, so it has no uncertainty that could say how many digits it bears.
MARGIN_DIGITS = 2
PERHAPS = ", but perhaps too little to matter"
_SINGLE_RUN_SOURCE: Mapping[Basis, str] = {
    "within one run": " from within the runs",
    "rig repeatability": " from the rig’s check standard",
}


def contrast_sentence(contrast: Contrast, kind: ResponseKind, labels: Labels) -> str:
    """What a contrast says: difference, interval, base, condition and number of runs in one sentence.

    kind    how to speak of the response
    labels  treatment -> label
    """
    evidence = interval_phrase(contrast, kind)
    if not contrast.indicative:
        evidence += f", {runs_text(contrast.runs)}"
    if contrast.jointly > 1:
        evidence += f", widened so that {_together(contrast.jointly)} hold at once"
    statement = _statement(contrast, kind, labels)
    if contrast.verdict in (MORE, LESS):
        text = f"{statement}; {evidence}."
    elif contrast.verdict in (PERHAPS_MORE, PERHAPS_LESS):
        text = f"{statement}; {evidence}; {_weight_open(contrast, labels)}."
    elif contrast.verdict == NO_DIFFERENCE:
        size = "" if surely_small(contrast) else f"{amount_words(contrast, kind)}, "
        text = f"{statement}, {within_margin(contrast)} ({size}{evidence})."
    else:
        size = amount_words(contrast, kind)
        text = f"{statement}; the difference is {size}, {evidence}; {_outlook(contrast)}."
    return f"{_prefix(contrast, labels)}{text}" if contrast.indicative else sentence_case(text)


def short_sentence(contrast: Contrast, kind: ResponseKind, labels: Labels) -> str:
    """The same without the number of runs and without a full stop, to be built into a longer sentence."""
    statement = _statement(contrast, kind, labels)
    if contrast.verdict == NO_DIFFERENCE:
        statement += f", {within_margin(contrast)}"
    elif contrast.verdict in (PERHAPS_MORE, PERHAPS_LESS):
        statement += PERHAPS
    chance = ", perhaps chance among so many exploratory comparisons" if fell_to_number(contrast) else ""
    text = aside(statement, f"{interval_phrase(contrast, kind)}{chance}")
    return f"indicative, {single_runs(contrast, labels)}: {text}" if contrast.indicative else text


def aside(text: str, told: str) -> str:
    """A clause with something in brackets; after a comma where it ends with a bracket already."""
    if not told:
        return text
    return f"{text}, {told}" if text.endswith(")") else f"{text} ({told})"


def amount_text(contrast: Contrast) -> str:
    """Size of the difference with its percentage of the baseline where that has a meaning: `3.1 W (2.4 %)`.

    The percentage first where the rig had gone out of control: `2.4 % (3.1 W)`.
    """
    places = interval_decimals(*contrast.interval)
    size = with_unit(number(abs(contrast.difference), places), difference_unit(contrast.unit))
    share = relative_text(contrast, signed=False)
    if share and share_first(contrast):
        return f"{share} ({size})"
    return f"{size} ({share})" if share else size


def share_first(contrast: Contrast) -> bool:
    """Whether its share is surer than its size: a gain that moved alike for both sides leaves shares between them."""
    return "rig-in-control" in contrast.weakened_by and bool(relative_text(contrast, signed=False))


def amount_words(contrast: Contrast, kind: ResponseKind) -> str:
    """The difference with its direction in a word: `3.1 W more`, `6.66 ms faster`; no percentage."""
    places = interval_decimals(*contrast.interval)
    size = with_unit(number(abs(contrast.difference), places), difference_unit(contrast.unit))
    return f"{size} {kind.words[0] if contrast.difference >= 0.0 else kind.words[1]}"


def difference_text(contrast: Contrast) -> str:
    """The difference with its sign and unit: `+3.1 W`."""
    places = interval_decimals(*contrast.interval)
    return with_unit(number(contrast.difference, places, signed=True), difference_unit(contrast.unit))


def relative_text(contrast: Contrast, *, signed: bool = True) -> str:
    """The difference as a percentage of the baseline, or nothing where a percentage would mislead.

    There is none for a response that is a percentage itself, for temperatures (their kinds say so), and where
    the baseline is not clear of zero.
    """
    if contrast.relative is None or contrast.relative_interval is None or contrast.unit == "%":
        return ""
    share = contrast.relative if signed else abs(contrast.relative)
    return percent(share, contrast.relative_interval, signed=signed)


def interval_phrase(contrast: Contrast, kind: ResponseKind) -> str:
    """`95 % interval 1.2 to 5.0 W more`, the side in a word as in the sentence around it."""
    return f"{interval_name(contrast)} {interval_words(*contrast.interval, contrast.unit, kind.words)}"


def signed_interval_phrase(contrast: Contrast) -> str:
    """`95 % interval +1.2 to +5.0 W`, beside a difference that is written with its sign."""
    return f"{interval_name(contrast)} {interval_text(*contrast.interval, contrast.unit)}"


def interval_name(contrast: Contrast, *, several: bool = False, source: bool = True) -> str:
    """`95 % interval`; for a single run also where it comes from, unless source is False."""
    told = _SINGLE_RUN_SOURCE.get(contrast.basis, "") if contrast.indicative and source else ""
    return f"{100 * contrast.level:.0f}{NBSP}% interval{'s' if several else ''}{told}"


def surely_small(contrast: Contrast) -> bool:
    """Whether a difference is there for sure and for sure too small to matter: its interval leaves out zero."""
    low, high = contrast.interval
    return contrast.verdict == NO_DIFFERENCE and (low > 0.0 or high < 0.0)


def runs_text(runs: tuple[int, int]) -> str:
    """`4 runs each`, `4 runs against 3`; treatment first."""
    treatment, baseline = runs
    if treatment == baseline:
        return f"{counted(treatment, 'run')} each"
    return f"{counted(treatment, 'run')} against {baseline}"


# --- parts of a sentence ------------------------------------------------------------------------------------


def _statement(contrast: Contrast, kind: ResponseKind, labels: Labels) -> str:
    """Who does what against whom, and where."""
    who, base = labels[contrast.treatment], labels[contrast.baseline]
    condition = at_words(contrast.at)
    where = f" {condition}" if condition else ""
    probably = "probably " if contrast.indicative else ""
    clause = kind.more if contrast.difference >= 0.0 else kind.less
    if contrast.verdict == NOT_SETTLED:
        return f"the data do not settle whether {who} {either_way(kind.more, kind.less)} than {base}{where}"
    if contrast.verdict == NO_DIFFERENCE and not surely_small(contrast):
        return f"{who} {probably}{same_as(kind.same, base)}{where}"
    return f"{who} {probably}{clause.format(amount=amount_text(contrast))} than {base}{where}"


def within_margin(contrast: Contrast) -> str:
    """`to within the 2 % that would matter`; of a sure difference `less than the 2 % that would matter`."""
    how = "less than" if surely_small(contrast) else "to within"
    return f"{how} the {written(contrast.margin_text or '')} that would matter"


def margin_size(contrast: Contrast) -> str:
    """A margin in the unit of its response, with two digits: it is a choice and no measurement."""
    return plain(contrast.margin or 0.0, difference_unit(contrast.unit), digits=MARGIN_DIGITS)


def _margin(contrast: Contrast, labels: Labels) -> str:
    """The margin as the tester wrote it; a percentage with its base and its size."""
    text = written(contrast.margin_text or "")
    if not text.endswith("%") or contrast.unit == "%" or contrast.margin is None:
        return text
    return f"{text} of {labels[contrast.baseline]} ({margin_size(contrast)})"


def _weight_open(contrast: Contrast, labels: Labels) -> str:
    """That a difference is sure and its weight is not: the interval holds the margin."""
    return f"whether that reaches the {_margin(contrast, labels)} that would matter is open"


def _together(count: int) -> str:
    return "both comparisons" if count == 2 else f"all {count} comparisons"


def _outlook(contrast: Contrast) -> str:
    """What it would take to settle it."""
    repeats = contrast.repeats_to_settle
    more = (
        f"about {repeats} runs each would settle it" if repeats else "more runs alone would hardly settle it"
    )
    if contrast.indicative:
        more = "only repeats can tell how far runs differ"
    if fell_to_number(contrast) and contrast.p_adjusted is not None:
        adjusted = f"adjusted {p_text(contrast.p_adjusted)}"
        among = counted(contrast.family_size, *_FAMILY[contrast.family])
        return f"the interval leaves out zero, but among {among} that may be chance ({adjusted}); {more}"
    return more


def fell_to_number(contrast: Contrast) -> bool:
    """Whether the interval leaves out zero and only the number of exploratory contrasts keeps it unsettled."""
    low, high = contrast.interval
    return contrast.verdict == NOT_SETTLED and (low > 0.0 or high < 0.0)


def single_runs(contrast: Contrast, labels: Labels) -> str:
    """Which side has but one run: `one run each`, `one run of 4S`."""
    treatment, baseline = contrast.runs
    if treatment == baseline == 1:
        return "one run each"
    return f"one run of {labels[contrast.treatment if treatment == 1 else contrast.baseline]}"


def _prefix(contrast: Contrast, labels: Labels) -> str:
    return f"Indicative, {single_runs(contrast, labels)}: "
