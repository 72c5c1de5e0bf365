"""Contrasts as pages show them: the verdict, how sure it is, and what weakens it, side by side."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from generator.evidence.check_words import went_wrong
from generator.evidence.group_sentences import ONE_RUN_CHECK, Weakness, outcomes_of, weakness
from generator.evidence.records import Contrast, SessionAnalysis, Verdict
from generator.evidence.sentences import margin_size, relative_text, share_first
from generator.evidence.verdicts import NO_DIFFERENCE, NOT_SETTLED, PERHAPS_LESS, PERHAPS_MORE, direction
from generator.evidence.wording import MINUS, difference_unit, listed, plain, with_unit
from generator.publication import texts
from generator.publication.navigation import comparison_page, link
from generator.publication.texts import Labels

# Verdict -> class of its label; the style sheet gives each a shape besides the word.
VERDICT_CLASS: Mapping[Verdict, str] = {
    "more": "more",
    "less": "less",
    "more, perhaps too little to matter": "perhaps-more",
    "less, perhaps too little to matter": "perhaps-less",
    "no difference that matters": "same",
    "not settled": "open",
}
# How sure a verdict is, in one word before its interval.
CLEAR, OPEN, INDICATIVE = "Clear", "Open", "Indicative"
WEAKENED: Mapping[Weakness, str] = {"": "", "warned": "With care", "failed": "Weak"}
# The same beside the verdict itself.
DOUBT: Mapping[Weakness, str] = {
    "": "",
    "warned": "with care: a check warns",
    "failed": "weak: a check failed",
}
# What is said where the interval that is drawn reaches beyond a margin that the verdict says it keeps to.
NARROWER = (
    "The test for “no difference that matters” rests on the 90\u00a0% interval (two one-sided tests at 5\u00a0%), "
    "which lies inside the margin; drawn is the 95\u00a0% interval."
)

STRIP_WIDTH, STRIP_HEIGHT = 240.0, 24.0


@dataclass(frozen=True, slots=True, kw_only=True)
class SmallStrip:
    """A contrast as a strip the size of a line, in units of a 240 × 24 box.

    title       what it shows, with the numbers
    low         what its left end stands for, with its unit; a round number
    high        what its right end stands for
    zero_x      where no difference is
    zone_x      left edge of the margin zone, or None where no margin was set
    zone_width  its width, or None
    low_x       left end of the interval
    high_x      right end
    dot_x       the difference itself
    """

    title: str
    low: str
    high: str
    zero_x: float
    zone_x: float | None
    zone_width: float | None
    low_x: float
    high_x: float
    dot_x: float


@dataclass(frozen=True, slots=True, kw_only=True)
class VerdictRow:
    """One contrast in the list of answers.

    key            of the contrast, its id on the page
    href           its place on the comparison page
    place          `Electrical power at 16 000 rpm`
    against        `5S capped against 4S`
    verdict        the verdict in words
    word           the same as it is said of this response: `faster` of a time, `hotter` of a temperature
    named          the same with its quantity, to stand alone: `less vibration`, `faster: spin-up time`
    doubt          `weak: a check failed`, `with care: a check warns`, or ""
    near_margin    `margin 2.1 W` beside a verdict that the margin decides and that does not say it, or ""
    note           why the interval drawn reaches beyond the margin of a verdict of no difference, or ""
    sureness       how sure it is, in one word: clear, open, indicative, with care, weak
    careful        what a reader must know before relying on it, in one line, or ""
    weak           whether a check weakens it
    verdict_class  class of its label
    share          `+6.8 %` where the rig had gone out of control, so that the share is told first; else ""
    difference     `+7.9 W`
    interval       `+6.1 to +9.7 W`
    level          `95 %`
    relative       share of the baseline with its interval, or ""
    margin         the margin in words
    runs           `4 runs of 5S capped, 4 runs of 4S`
    basis          where the scatter comes from
    settle         how many repeats would settle it, or ""
    sentence       the whole in one sentence, made from the results
    primary        whether it was decided before the test
    indicative     whether it rests on one run a treatment
    weakened_by    checks that weaken it, one line each
    strip          the contrast as a small strip
    """

    key: str
    href: str
    place: str
    against: str
    verdict: str
    word: str
    named: str
    doubt: str
    near_margin: str
    note: str
    sureness: str
    careful: str
    weak: bool
    verdict_class: str
    share: str
    difference: str
    interval: str
    level: str
    relative: str
    margin: str
    runs: str
    basis: str
    settle: str
    sentence: str
    primary: bool
    indicative: bool
    weakened_by: tuple[str, ...]
    strip: SmallStrip


def round_reach(size: float) -> float:
    """The smallest of 1, 1.5, 2, 3, 4, 5, 6, 8, 10 times a power of ten that is not below a positive size."""
    power = 10.0 ** math.floor(math.log10(size))
    steps = (1.0, 1.5, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0)
    return next((step * power for step in steps if step * power >= size * (1.0 - 1e-9)), 10.0 * power)


def small_strip(contrast: Contrast) -> SmallStrip:
    """The contrast drawn small. Zero stands in the middle, and the ends are round numbers."""
    low, high = contrast.interval
    sizes = [abs(x) for x in (low, high, contrast.difference, contrast.margin or 0.0) if math.isfinite(x)]
    reach = round_reach(1.05 * max([*sizes, 1e-9]))

    def x(value: float) -> float:
        share = min(max(value / reach, -1.0), 1.0) if not math.isnan(value) else 0.0
        return round(STRIP_WIDTH / 2 * (1 + share), 1)

    margin = contrast.margin
    zone_x = None if margin is None else x(-margin)
    return SmallStrip(
        title=f"{texts.difference_text(contrast)}, "
        f"{texts.level_text(contrast)} interval {texts.interval_text(contrast)}",
        low=with_unit(f"{MINUS}{plain(reach)}", difference_unit(contrast.unit)),
        high=with_unit(f"+{plain(reach)}", difference_unit(contrast.unit)),
        zero_x=STRIP_WIDTH / 2,
        zone_x=zone_x,
        zone_width=None if margin is None or zone_x is None else round(x(margin) - zone_x, 1),
        low_x=x(low),
        high_x=x(high),
        dot_x=x(contrast.difference),
    )


def verdict_word(contrast: Contrast, analysis: SessionAnalysis) -> str:
    """The verdict as it is said of its response: `faster` for less of a time; else the verdict as it is."""
    way = direction(contrast.verdict)
    if way == 0:
        return contrast.verdict
    word = analysis.kinds[contrast.response].words[0 if way > 0 else 1]
    return contrast.verdict.replace("more" if way > 0 else "less", word, 1)


def named_word(contrast: Contrast, analysis: SessionAnalysis) -> str:
    """The verdict with the quantity it is about, for where nothing beside it names that."""
    label = analysis.kinds[contrast.response].label
    label = label[:1].lower() + label[1:] if label[1:2].islower() else label
    word = verdict_word(contrast, analysis)
    if contrast.verdict == NO_DIFFERENCE:
        return f"{label}: {word}"
    if word.startswith(("more", "less")):
        first, _, rest = word.partition(",")
        return f"{first} {label}{',' if rest else ''}{rest}"
    return f"{label}: {word}"


def interval_note(contrast: Contrast) -> str:
    """Why a verdict of no difference stands although the interval drawn reaches beyond the margin, or ""."""
    margin = contrast.margin
    if contrast.verdict != NO_DIFFERENCE or margin is None or contrast.jointly > 1 or contrast.level != 0.95:
        return ""
    return NARROWER if max(map(abs, contrast.interval)) > margin else ""


def near_margin(contrast: Contrast) -> str:
    """The margin beside a verdict of perhaps too little to matter, `margin 2.1 W`; "" for the others."""
    perhaps = contrast.verdict in (PERHAPS_MORE, PERHAPS_LESS) and contrast.margin is not None
    return f"margin {margin_size(contrast)}" if perhaps else ""


def sureness(contrast: Contrast, analysis: SessionAnalysis) -> str:
    """One word for how sure a verdict is; the weakest that holds."""
    weak = weakness(contrast, outcomes_of(analysis.checks))
    if weak == "failed":
        return WEAKENED[weak]
    if contrast.indicative:
        return INDICATIVE
    if contrast.verdict in (PERHAPS_MORE, PERHAPS_LESS, NOT_SETTLED):
        return OPEN
    return WEAKENED[weak] or CLEAR


def careful_text(contrast: Contrast, analysis: SessionAnalysis) -> str:
    """One line on what takes from a verdict: what went wrong, failures first, then a single run; "" for nothing."""
    checks = {check.id: check for check in analysis.checks}
    own = [checks[name] for name in contrast.weakened_by if name in checks and name != ONE_RUN_CHECK]
    parts = []
    for outcome, says in (("failed", ", so do not rely on this"), ("warned", "")):
        wrong = dict.fromkeys(went_wrong(check) for check in own if check.outcome == outcome)
        if wrong:
            parts.append(f"{listed(list(wrong))}{says}")
    if contrast.indicative:
        parts.append("one run on a side, and separate runs may differ more")
    return f"Careful: {'; '.join(parts)}." if parts else ""


def verdict_row(contrast: Contrast, analysis: SessionAnalysis, labels: Labels, from_page: str) -> VerdictRow:
    """One contrast as a row for the page `from_page`."""
    checks = {check.id: check for check in analysis.checks}
    page = comparison_page(analysis.session_id, contrast.treatment, contrast.baseline)
    return VerdictRow(
        key=contrast.key,
        href=link(from_page, page, contrast.key),
        place=texts.place_text(analysis.kinds[contrast.response], contrast.at),
        against=f"{labels[contrast.treatment]} against {labels[contrast.baseline]}",
        verdict=contrast.verdict,
        word=verdict_word(contrast, analysis),
        named=named_word(contrast, analysis),
        doubt=DOUBT[weakness(contrast, outcomes_of(analysis.checks))],
        near_margin=near_margin(contrast),
        note=interval_note(contrast),
        sureness=sureness(contrast, analysis),
        careful=careful_text(contrast, analysis),
        weak=bool(weakness(contrast, outcomes_of(analysis.checks))),
        verdict_class=VERDICT_CLASS[contrast.verdict],
        share=relative_text(contrast) if share_first(contrast) else "",
        difference=texts.difference_text(contrast),
        interval=texts.interval_text(contrast),
        level=texts.level_text(contrast),
        relative=texts.relative_text(contrast, labels),
        margin=texts.margin_text(contrast),
        runs=texts.runs_text(contrast, labels),
        basis=texts.basis_text(contrast),
        settle=texts.settle_text(contrast),
        sentence=contrast.sentence,
        primary=contrast.primary,
        indicative=contrast.indicative,
        weakened_by=tuple(texts.check_text(checks[name]) for name in contrast.weakened_by if name in checks),
        strip=small_strip(contrast),
    )
