"""Claims held against the verdicts of their response."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Literal

from generator.evidence.records import ClaimOutcome, Contrast, Verdict
from generator.evidence.sentences import Labels, short_sentence
from generator.evidence.verdicts import (
    LESS,
    MORE,
    NO_DIFFERENCE,
    PERHAPS_LESS,
    PERHAPS_MORE,
)
from generator.evidence.wording import at_words, counted, sentence_case
from generator.intake.session import Claim, Expectation, Session
from generator.reduction.records import ResponseKind

Outcome = Literal["supported", "contradicted", "left open"]

_SUPPORTED: Outcome = "supported"
_CONTRADICTED: Outcome = "contradicted"
_OPEN: Outcome = "left open"

# What a verdict does to an expectation; every pair that is missing leaves the claim open. A difference in the
# expected direction that is perhaps too little to matter leaves it open; one in the other direction contradicts.
_LOGIC: Mapping[tuple[Expectation, Verdict], Outcome] = {
    ("no difference", NO_DIFFERENCE): _SUPPORTED,
    ("no difference", MORE): _CONTRADICTED,
    ("no difference", LESS): _CONTRADICTED,
    ("more", MORE): _SUPPORTED,
    ("more", LESS): _CONTRADICTED,
    ("more", PERHAPS_LESS): _CONTRADICTED,
    ("more", NO_DIFFERENCE): _CONTRADICTED,
    ("less", LESS): _SUPPORTED,
    ("less", MORE): _CONTRADICTED,
    ("less", PERHAPS_MORE): _CONTRADICTED,
    ("less", NO_DIFFERENCE): _CONTRADICTED,
    ("difference", MORE): _SUPPORTED,
    ("difference", LESS): _SUPPORTED,
    ("difference", NO_DIFFERENCE): _CONTRADICTED,
}


def claim_on(expects: Expectation, verdict: Verdict, *, indicative: bool = False) -> Outcome:
    """What one contrast says about an expectation; one run a treatment never settles a claim."""
    return _OPEN if indicative else _LOGIC.get((expects, verdict), _OPEN)


def claims(
    session: Session, contrasts: Sequence[Contrast], kinds: Mapping[str, ResponseKind]
) -> tuple[ClaimOutcome, ...]:
    """Every claim of a session with its outcome and the sentence that says why.

    A claim is contradicted if any condition contradicts it, supported if all conditions support it, and left
    open otherwise, also where nothing was measured. The sentence shows the contrast that decides: the first that
    contradicts, else the first that leaves it open, else the largest that supports.
    """
    labels = {name: treatment.label for name, treatment in session.file.treatments.items()}
    return tuple(_outcome(claim, session, contrasts, kinds, labels) for claim in session.file.claims)


def _outcome(
    claim: Claim,
    session: Session,
    contrasts: Sequence[Contrast],
    kinds: Mapping[str, ResponseKind],
    labels: Labels,
) -> ClaimOutcome:
    asked = (claim.response, claim.treatment, session.file.baseline)
    own = [c for c in contrasts if (c.response, c.treatment, c.baseline) == asked]
    found = [claim_on(claim.expects, c.verdict, indicative=c.indicative) for c in own]
    if _CONTRADICTED in found:
        outcome = _CONTRADICTED
    elif own and set(found) == {_SUPPORTED}:
        outcome = _SUPPORTED
    else:
        outcome = _OPEN
    return ClaimOutcome(
        says=claim.says,
        by=claim.by,
        response=claim.response,
        treatment=claim.treatment,
        expects=claim.expects,
        outcome=outcome,
        sentence=_sentence(claim, session, outcome, own, found, kinds, labels),
        contrasts=tuple(c.key for c in own),
    )


def _sentence(
    claim: Claim,
    session: Session,
    outcome: Outcome,
    own: Sequence[Contrast],
    found: Sequence[Outcome],
    kinds: Mapping[str, ResponseKind],
    labels: Labels,
) -> str:
    opening = sentence_case(outcome)
    if not own:
        return f"{opening}: {_nothing(claim, session, kinds, labels)}."
    deciding = [c for c, one in zip(own, found, strict=True) if one == outcome]
    chosen = max(deciding, key=_decides) if outcome == _SUPPORTED else deciding[0]
    text = f"{opening}: {short_sentence(chosen, kinds[chosen.response], labels)}"
    if chosen.margin is None and outcome == _OPEN and not chosen.indicative:
        text += "; no margin was set, so no difference can be called too small to matter"
    text += _others(chosen, own, found, outcome)
    if any(c.weakened_by for c in deciding):
        text += "; a check of the data weakens this"
    return f"{text}."


def _decides(contrast: Contrast) -> float:
    return abs(contrast.difference) / contrast.standard_uncertainty


def _others(chosen: Contrast, own: Sequence[Contrast], found: Sequence[Outcome], outcome: Outcome) -> str:
    """What the other conditions say of the claim."""
    others = [(c, one) for c, one in zip(own, found, strict=True) if c is not chosen]
    if not others:
        return ""
    agreeing = [c for c, one in others if one == outcome]
    if len(agreeing) == len(others):
        where = at_words(others[0][0].at) if len(others) == 1 else counted(len(others), "other condition")
        return f"; {where} likewise" if len(others) == 1 and where else f"; likewise in {where}"
    counts: dict[Outcome, int] = {}
    for _, one in others:
        counts[one] = counts.get(one, 0) + 1
    words = ", ".join(f"{count} {one}" for one, count in counts.items())
    return f"; other conditions: {words}"


def _nothing(claim: Claim, session: Session, kinds: Mapping[str, ResponseKind], labels: Labels) -> str:
    """Why there is nothing to hold the claim against."""
    base = labels[session.file.baseline]
    if claim.treatment == session.file.baseline:
        return f"the claim is about {base}, the baseline, and there is nothing to compare it with"
    name = kinds[claim.response].label.lower() if claim.response in kinds else claim.response
    return f"{name} was not measured on both {labels.get(claim.treatment, claim.treatment)} and {base}"
