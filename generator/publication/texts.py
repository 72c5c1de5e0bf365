"""Numbers of the results as text. Every page takes them from here, so that one number reads the same everywhere."""

from __future__ import annotations

import math
from collections.abc import Mapping

from generator.evidence.check_words import known_wrong, name_of
from generator.evidence.records import Check, Contrast, ResponseSummary, RunValue
from generator.evidence.sentences import margin_size
from generator.evidence.wording import (
    NBSP,
    at_words,
    counted,
    decimals_for,
    difference_unit,
    interval_decimals,
    interval_words,
    measured,
    number,
    percent,
    plain,
    sentence_case,
    with_unit,
    written,
)
from generator.evidence.wording import interval_text as signed_interval
from generator.reduction.records import At, ResponseKind

Labels = Mapping[str, str]  # treatment id -> label

BASIS = {
    "between runs": "from the scatter between runs",
    "within one run": "from the scatter within one run; separate runs would scatter more",
    "rig repeatability": "from the scatter of the rig’s check standard, since there is only one run",
}
OUTCOME_WORDS = {"passed": "passed", "warned": "warns", "failed": "failed"}
NO_VALUE = "no value"
MORE_LESS = ("more", "less")


def place_text(kind: ResponseKind, at: At) -> str:
    """`Electrical power at 16 000 rpm`."""
    return f"{kind.label} {at_words(at)}".strip()


def mean_text(summary: ResponseSummary) -> str:
    """`262.4 W`, with the digits its uncertainty bears."""
    if not math.isfinite(summary.value):
        return NO_VALUE
    return measured(summary.value, summary.unit, summary.standard_uncertainty)


def uncertainty_text(value: float, unit: str) -> str:
    """A standard uncertainty with two significant digits."""
    if not math.isfinite(value):
        return "not known"
    return with_unit(number(value, decimals_for(value, largest=value)), difference_unit(unit))


def mean_with_uncertainty(summary: ResponseSummary) -> str:
    """`262.4 ± 0.6 W`; ± is the standard uncertainty of the mean."""
    u = summary.standard_uncertainty
    if not (math.isfinite(u) and math.isfinite(summary.value)):
        return mean_text(summary)
    places = decimals_for(u, largest=summary.value)
    return with_unit(f"{number(summary.value, places)} ± {number(u, places)}", summary.unit)


def run_value_text(run: RunValue, summary: ResponseSummary) -> str:
    """One run's value, with one digit more than the mean bears."""
    if not math.isfinite(run.value):
        return NO_VALUE
    places = decimals_for(summary.standard_uncertainty, largest=summary.value) + 1
    return with_unit(number(run.value, places), summary.unit)


def _places(contrast: Contrast) -> int:
    low, high = contrast.interval
    if math.isfinite(low) and math.isfinite(high):
        return interval_decimals(low, high)
    return decimals_for(contrast.standard_uncertainty, largest=contrast.difference)


def difference_text(contrast: Contrast) -> str:
    """`+7.9 W`, treatment minus baseline."""
    if not math.isfinite(contrast.difference):
        return NO_VALUE
    text = number(contrast.difference, _places(contrast), signed=True)
    return with_unit(text, difference_unit(contrast.unit))


def amount_text(contrast: Contrast, words: tuple[str, str] = MORE_LESS) -> str:
    """`7.9 W more`, `18 ms faster`: the difference with its direction in a word, for prose.

    words  what more and less of this response are called, as `ResponseKind.words`
    """
    if not math.isfinite(contrast.difference):
        return NO_VALUE
    size = number(abs(contrast.difference), _places(contrast))
    return f"{with_unit(size, difference_unit(contrast.unit))} {direction(contrast.difference, words)}"


def direction(difference: float, words: tuple[str, str] = MORE_LESS) -> str:
    """The word for the sign of a difference."""
    return words[1] if difference < 0 else words[0]


def interval_in_words(contrast: Contrast, words: tuple[str, str] = MORE_LESS) -> str:
    """`6.1 to 9.7 W more`, `1.5 W less to 0.9 W more`: the interval for prose, whose sides are words."""
    low, high = contrast.interval
    if not (math.isfinite(low) and math.isfinite(high)):
        return "no interval"
    return interval_words(low, high, contrast.unit, words)


def interval_text(contrast: Contrast) -> str:
    """`+6.1 to +9.7 W`; signed, because an interval about zero is misread without signs."""
    low, high = contrast.interval
    if not (math.isfinite(low) and math.isfinite(high)):
        return "no interval"
    return signed_interval(low, high, contrast.unit)


def level_text(contrast: Contrast) -> str:
    """`95 %`."""
    return f"{100 * contrast.level:.0f}{NBSP}%"


def jointly_text(contrast: Contrast) -> str:
    """For how many comparisons the intervals hold at once, or "" for one."""
    if contrast.jointly == 1:
        return ""
    return f"Holds for {counted(contrast.jointly, 'comparison')} together (Bonferroni)."


def relative_text(contrast: Contrast, labels: Labels) -> str:
    """`+3.0 % of 4S (+2.3 to +3.7 %)`; percentages always name their base. "" where a share has no meaning."""
    if contrast.relative is None or not math.isfinite(contrast.relative):
        return ""
    shares = _finite(contrast.relative_interval)
    base = f"{percent(contrast.relative, shares, signed=True)} of {labels[contrast.baseline]}"
    if shares is None:
        return base
    low, high = (percent(share, shares, signed=True) for share in shares)
    return f"{base} ({low.removesuffix(f'{NBSP}%')} to {high})"


def _finite(pair: tuple[float, float] | None) -> tuple[float, float] | None:
    return pair if pair is not None and all(math.isfinite(value) for value in pair) else None


def relative_amount_text(contrast: Contrast, words: tuple[str, str] = MORE_LESS) -> str:
    """`3.0 % more`: for prose, where the sentence names the base. "" where a share has no meaning."""
    if contrast.relative is None or not math.isfinite(contrast.relative):
        return ""
    size = percent(abs(contrast.relative), _finite(contrast.relative_interval))
    return f"{size} {direction(contrast.relative, words)}"


def margin_text(contrast: Contrast) -> str:
    """`±5.2 W (2 %, set before the test)`, or that none was set."""
    if contrast.margin is None:
        return "none was set"
    size = margin_size(contrast)
    said = written(contrast.margin_text or "")
    return (
        f"±{size} (set before the test)" if said in {"", size} else f"±{size} ({said}, set before the test)"
    )


def runs_text(contrast: Contrast, labels: Labels) -> str:
    """`4 runs of 5S capped, 4 runs of 4S`."""
    treatment, baseline = contrast.runs
    return (
        f"{counted(treatment, 'run')} of {labels[contrast.treatment]}, "
        f"{counted(baseline, 'run')} of {labels[contrast.baseline]}"
    )


def basis_text(contrast: Contrast) -> str:
    """Where the scatter behind the interval comes from, in words."""
    return BASIS[contrast.basis]


def settle_text(contrast: Contrast) -> str:
    """How many repeats would settle an open question, or ""."""
    if contrast.verdict != "not settled" or contrast.repeats_to_settle is None:
        return ""
    count = counted(contrast.repeats_to_settle, "run")
    return f"About {count} of each treatment would settle it, if they scatter as these did."


def p_value_text(p: float | None) -> str:
    """A probability, never shown as zero; "" where there is none."""
    if p is None or not math.isfinite(p):
        return ""
    return "below 0.001" if p < 0.001 else number(p, min(decimals_for(p), 3))


def dof_text(dof: float) -> str:
    """Degrees of freedom; infinite where nothing is estimated."""
    return plain(dof, digits=2 if dof < 100 else 3) if math.isfinite(dof) else "infinite"


def closed(text: str) -> str:
    """A phrase as a sentence that ends; "" stays empty."""
    text = text.strip()
    return text if not text or text.endswith((".", "!", "?")) else f"{text}."


def check_text(check: Check) -> str:
    """A check that weakens a verdict, as one line: what went wrong, the numbers, and small the check's name."""
    wrong = known_wrong(check)
    if wrong:
        name = f"check: {name_of(check)}, {OUTCOME_WORDS[check.outcome]}"
        return f"{sentence_case(wrong)}: {check.sentence.rstrip('.')} ({name})."
    return f"{check.title} ({OUTCOME_WORDS[check.outcome]}): {check.sentence}"
