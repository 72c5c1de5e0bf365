"""Claims held against the verdicts of their response."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Literal

from generator.evidence.group_sentences import Outcomes, group_sentence, outcomes_of, weakness
from generator.evidence.records import Check, ClaimOutcome, Contrast, Verdict
from generator.evidence.sentences import Labels
from generator.evidence.verdicts import (
    LESS,
    MORE,
    NO_DIFFERENCE,
    PERHAPS_LESS,
    PERHAPS_MORE,
)
from generator.evidence.wording import places_words, sentence_case
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
    session: Session,
    contrasts: Sequence[Contrast],
    kinds: Mapping[str, ResponseKind],
    checks: Sequence[Check] = (),
) -> tuple[ClaimOutcome, ...]:
    """Every claim of a session with its outcome and the sentence that says why.

    checks  of the session: how far they weaken a contrast

    A claim is contradicted if any condition contradicts it, supported if all conditions support it, and left
    open otherwise, also where nothing was measured. Where conditions differ, the sentence says first at which of
    them it is supported, contradicted or open; then it tells what was found at all of them.
    """
    labels = {name: treatment.label for name, treatment in session.file.treatments.items()}
    outcomes = outcomes_of(checks)
    return tuple(
        _outcome(claim, session, contrasts, kinds, labels, outcomes) for claim in session.file.claims
    )


def _outcome(
    claim: Claim,
    session: Session,
    contrasts: Sequence[Contrast],
    kinds: Mapping[str, ResponseKind],
    labels: Labels,
    outcomes: Outcomes,
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
        sentence=_sentence(claim, session, outcome, own, found, kinds, labels, outcomes),
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
    outcomes: Outcomes,
) -> str:
    opening = sentence_case(outcome)
    if not own:
        return f"{opening}: {_nothing(claim, session, kinds, labels)}."
    text = "; ".join(group_sentence(group, kinds[claim.response], labels) for group in _by_runs(own))
    if outcome == _OPEN and any(c.margin is None and not c.indicative for c in own):
        text += "; no margin was set, so no difference can be called too small to matter"
    if len(set(found)) > 1:
        opening = sentence_case(_where(outcome, own, found))
    weak = _weak(own, outcomes)
    return f"{opening}. {weak}: {text}." if weak else f"{opening}: {text}."


def _where(outcome: Outcome, own: Sequence[Contrast], found: Sequence[Outcome]) -> str:
    """Each outcome with where it holds, that of the whole claim first."""
    words = []
    for one in (outcome, *(other for other in (_SUPPORTED, _CONTRADICTED, _OPEN) if other != outcome)):
        places = places_words([c.at for c, its in zip(own, found, strict=True) if its == one])
        if places:
            words.append(f"{one} {places}")
    return ", ".join(words)


def _weak(own: Sequence[Contrast], outcomes: Outcomes) -> str:
    """What checks take from it, with the conditions where that is not everywhere; failures before warnings."""
    for grade, says in (("failed", "Weak, a check failed"), ("warned", "Careful, a check warns")):
        ones = [c for c in own if weakness(c, outcomes) == grade]
        if ones:
            places = places_words([c.at for c in ones]) if len(ones) < len(own) else ""
            return f"{says} {places}".rstrip()
    return ""


def _by_runs(own: Sequence[Contrast]) -> list[list[Contrast]]:
    """Contrasts with repeats, then those of a single run."""
    parts = [[c for c in own if c.indicative == single] for single in (False, True)]
    return [part for part in parts if part]


def _nothing(claim: Claim, session: Session, kinds: Mapping[str, ResponseKind], labels: Labels) -> str:
    """Why there is nothing to hold the claim against."""
    base = labels[session.file.baseline]
    if claim.treatment == session.file.baseline:
        return f"the claim is about {base}, the baseline, and there is nothing to compare it with"
    name = kinds[claim.response].label.lower() if claim.response in kinds else claim.response
    return f"{name} was not measured on both {labels.get(claim.treatment, claim.treatment)} and {base}"
