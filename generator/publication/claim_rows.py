"""Claims as pages tell them: what was heard, where it was put to the bench, what the runs say of it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import cast

from generator.evidence.check_words import went_wrong
from generator.evidence.claims import claim_on
from generator.evidence.group_sentences import outcomes_of, weakness
from generator.evidence.records import ClaimOutcome, SessionAnalysis
from generator.evidence.wording import places_words, sentence_case
from generator.intake.session import Claim, Expectation, Session
from generator.publication import navigation, texts
from generator.publication.navigation import Link, anchor, link
from generator.publication.session_blocks import labels_of
from generator.reduction.records import At

# What the runs do with a claim, to follow `the runs`.
RUNS_DO = {"contradicted": "say otherwise", "supported": "agree", "left open": "leave it open"}
NOT_STATED = Claim.model_fields["by"].default


@dataclass(frozen=True, slots=True, kw_only=True)
class ClaimRow:
    """One claim with its outcome.

    key            id on the page
    says           the claim
    heard          `Heard from members of the club`
    outcome        supported, contradicted or left open
    outcome_class  class of its line
    in_part        whether it is supported somewhere, though not as a whole
    decision       `The runs say otherwise at 17 000 rpm, but agree at 10 000 rpm`
    weak           whether a check weakens what it rests on
    doubts         what went wrong in those checks, each with a link to it
    sentence       why, to follow the decision, with the sign between them: `: 48 kHz draws ...`
    session        link to the session, with its title
    evidence       links to the contrasts that decide it
    """

    key: str
    says: str
    heard: str
    outcome: str
    outcome_class: str
    in_part: bool
    decision: str
    weak: bool
    sentence: str
    session: Link
    evidence: tuple[Link, ...]
    doubts: tuple[Link, ...]


def decision_text(outcome: str, places: Mapping[str, Sequence[At]]) -> str:
    """`The runs agree`; where conditions differ `The runs say otherwise at 17 000 rpm, but agree at 10 000 rpm`.

    places  outcome -> conditions at which it holds
    """
    order = [outcome, *(other for other in RUNS_DO if other != outcome)]
    words = [(RUNS_DO[one], places_words(places[one])) for one in order if places.get(one)]
    parts = [f"{does} {where}" for does, where in words if where]
    if len(words) < 2 or not parts:
        return f"The runs {RUNS_DO[outcome]}"
    return f"The runs {parts[0]}{', but ' if parts[1:] else ''}{' and '.join(parts[1:])}"


def _why(claim: ClaimOutcome) -> str:
    """What was found, with the sign before it; the decision says the outcome already."""
    rest = claim.sentence.removeprefix(sentence_case(claim.outcome))
    if rest.startswith(" at "):  # ` at 9 000 rpm, supported at 16 000 rpm: ...`
        ends = [place for place in (rest.find(": "), rest.find(". ")) if place > 0]
        rest = rest[min(ends) :] if ends else rest
    return rest


def claim_rows(
    claims: Sequence[ClaimOutcome], analysis: SessionAnalysis, session: Session, page: str
) -> tuple[ClaimRow, ...]:
    """Claims of a session, for the page `page`."""
    labels = labels_of(session)
    contrasts = {contrast.key: contrast for contrast in analysis.contrasts}

    def evidence(key: str) -> Link:
        contrast = contrasts[key]
        target = navigation.comparison_page(session.id, contrast.treatment, contrast.baseline)
        text = f"{texts.place_text(analysis.kinds[contrast.response], contrast.at)}, {labels[contrast.treatment]}"
        return Link(text=text, href=link(page, target, key))

    outcomes = outcomes_of(analysis.checks)
    on_page = navigation.session_page(session.id)

    def doubts(claim: ClaimOutcome) -> tuple[Link, ...]:
        weak = [contrasts[key] for key in claim.contrasts if key in contrasts]
        names = {name for c in weak if weakness(c, outcomes) for name in c.weakened_by}
        told = {
            sentence_case(went_wrong(check)): anchor("check", check.id)
            for check in reversed(analysis.checks)
            if check.id in names and check.outcome != "passed"
        }
        return tuple(Link(text=text, href=link(page, on_page, key)) for text, key in reversed(told.items()))

    def found(claim: ClaimOutcome) -> dict[str, list[At]]:
        places: dict[str, list[At]] = {}
        for c in (contrasts[key] for key in claim.contrasts if key in contrasts):
            one = claim_on(cast(Expectation, claim.expects), c.verdict, indicative=c.indicative)
            places.setdefault(one, []).append(c.at)
        return places

    return tuple(
        ClaimRow(
            key=f"claim-{anchor(session.id)}-{number}",
            says=claim.says,
            heard="Where it was heard is not stated" if claim.by == NOT_STATED else f"Heard from {claim.by}",
            outcome=claim.outcome,
            outcome_class=anchor(claim.outcome),
            in_part=claim.outcome != "supported" and "supported" in found(claim),
            decision=decision_text(claim.outcome, found(claim)),
            weak=any(weakness(contrasts[key], outcomes) for key in claim.contrasts if key in contrasts),
            sentence=_why(claim),
            session=Link(
                text=session.file.title, href=link(page, navigation.session_page(session.id), "claims")
            ),
            evidence=tuple(evidence(key) for key in claim.contrasts if key in contrasts),
            doubts=doubts(claim),
        )
        for number, claim in enumerate(claims, start=1)
    )
