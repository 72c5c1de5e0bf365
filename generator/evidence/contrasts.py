"""Every treatment against the baseline, in every response: differences, intervals, verdicts."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from generator.evidence.contrast_statistics import interval, p_value
from generator.evidence.equivalence import two_one_sided
from generator.evidence.estimates import Estimated, design_of, estimate
from generator.evidence.multiplicity import holm
from generator.evidence.power import RepeatsToSettle, repeats_to_settle
from generator.evidence.records import Contrast, ResponseSummary
from generator.evidence.sentences import contrast_sentence
from generator.evidence.summaries import Gathered, gather
from generator.evidence.verdicts import ALPHA, NOT_SETTLED, exploratory_verdict, verdict
from generator.evidence.wording import response_key
from generator.intake.session import Margin, Session
from generator.reduction.records import At, ResponseKind, RunReduction

LEVEL = 0.95


@dataclass(frozen=True, slots=True, kw_only=True)
class _Draft:
    """A contrast before the number of exploratory contrasts is known."""

    response: str
    at: At
    treatment: str
    found: Estimated
    margin: float | None
    margin_text: str | None
    primary: bool
    p: float


def contrasts(
    summaries: Sequence[ResponseSummary],
    runs: Sequence[RunReduction],
    session: Session,
    kinds: Mapping[str, ResponseKind],
) -> tuple[Contrast, ...]:
    """Contrasts of all treatments against the baseline, in the order of the summaries, sentences included.

    summaries  what `summarise` made of the same runs: which responses exist, and in which order
    session    its declared design, primary responses, margins and labels
    kinds      response name -> kind

    Primary responses are judged by their own 95 % interval. All others are exploratory: their p-values are
    adjusted together after Holm, single runs among them, and a direction is given only where the adjusted value
    is below 5 %; the printed interval stays the plain 95 % one. A relative margin is taken of the baseline's
    mean, as measured.
    A contrast whose runs agree to the last digit, with nothing to say how well a run is known, is left out;
    `uncomputable` names it.
    """
    gathered = gather(runs)
    drafts = [
        draft
        for response, at, treatment in _wanted(summaries, session)
        if (draft := _draft(gathered, response, at, treatment, session, kinds[response])) is not None
    ]
    exploratory = [draft for draft in drafts if not draft.primary]
    adjusted = holm([draft.p for draft in exploratory]) if exploratory else ()
    p_adjusted = {id(draft): float(p) for draft, p in zip(exploratory, adjusted, strict=True)}
    labels = {name: treatment.label for name, treatment in session.file.treatments.items()}
    made = []
    for draft in drafts:
        contrast = _contrast(draft, session.file.baseline, p_adjusted.get(id(draft)), len(exploratory), kinds)
        sentence = contrast_sentence(contrast, kinds[draft.response], labels, family=len(exploratory))
        made.append(replace(contrast, sentence=sentence))
    return tuple(made)


def uncomputable(
    summaries: Sequence[ResponseSummary], contrasts: Sequence[Contrast], session: Session
) -> tuple[tuple[str, At, str], ...]:
    """(response, condition, treatment) of what was measured on both sides and still gives no contrast."""
    made = {(c.response, c.at, c.treatment) for c in contrasts}
    return tuple(wanted for wanted in _wanted(summaries, session) if wanted not in made)


def absolute_margin(margin: Margin | None, baseline_value: float) -> float | None:
    """A margin in the response's unit; None where none was set or a share of zero was asked for."""
    if margin is None:
        return None
    size = margin.absolute if margin.relative is None else margin.relative * abs(baseline_value)
    return size if size is not None and size > 0.0 and math.isfinite(size) else None


def _wanted(summaries: Sequence[ResponseSummary], session: Session) -> list[tuple[str, At, str]]:
    """(response, condition, treatment) with both sides measured, treatments in the session's order."""
    measured: dict[tuple[str, At], set[str]] = {}
    for summary in summaries:
        measured.setdefault((summary.response, summary.at), set()).add(summary.treatment)
    baseline = session.file.baseline
    return [
        (response, at, treatment)
        for (response, at), found in measured.items()
        if baseline in found
        for treatment in session.file.treatments
        if treatment != baseline and treatment in found
    ]


def _draft(
    gathered: Gathered, response: str, at: At, treatment: str, session: Session, kind: ResponseKind
) -> _Draft | None:
    by_treatment = gathered[response, at]
    baseline = session.file.baseline
    design = design_of(session, by_treatment[baseline][0].run.procedure)
    found = estimate(by_treatment, treatment, baseline, design, relative=kind.relative, level=LEVEL)
    if found is None:
        return None
    margin = session.margins.get(response)
    size = absolute_margin(margin, found.baseline_value)
    return _Draft(
        response=response,
        at=at,
        treatment=treatment,
        found=found,
        margin=size,
        margin_text=margin.text if margin is not None and size is not None else None,
        primary=response in session.file.primary,
        p=p_value(found.difference),
    )


def _contrast(
    draft: _Draft,
    baseline: str,
    p_adjusted: float | None,
    family: int,
    kinds: Mapping[str, ResponseKind],
) -> Contrast:
    found, margin = draft.found, draft.margin
    interval95 = interval(found.difference, LEVEL)
    interval90 = interval(found.difference, 1.0 - 2.0 * ALPHA)
    if draft.primary:
        judged = verdict(interval95, interval90, margin)
    else:
        judged = exploratory_verdict(interval95, interval90, margin, p_adjusted)
    relative = found.relative if found.relative is not None and found.relative.bounded else None
    return Contrast(
        key=response_key(draft.response, draft.at, draft.treatment),
        response=draft.response,
        at=draft.at,
        treatment=draft.treatment,
        baseline=baseline,
        baseline_value=found.baseline_value,
        treatment_value=found.treatment_value,
        difference=found.difference.difference,
        standard_uncertainty=found.difference.standard_error,
        dof=found.difference.dof,
        interval=interval95,
        unit=kinds[draft.response].unit,
        relative=relative.relative if relative is not None else None,
        relative_interval=relative.interval if relative is not None else None,
        level=LEVEL,
        margin=margin,
        margin_text=draft.margin_text,
        verdict=judged,
        indicative=found.basis == "within one run",
        primary=draft.primary,
        p_value=draft.p,
        p_adjusted=p_adjusted,
        p_equivalence=two_one_sided(found.difference, margin, ALPHA).p if margin is not None else None,
        basis=found.basis,
        method=found.method,
        runs=found.runs,
        repeats_to_settle=_repeats(found, margin, family if not draft.primary else 1)
        if judged == NOT_SETTLED
        else None,
        sentence="",
    )


def _repeats(found: Estimated, margin: float | None, family: int) -> int | None:
    """Runs a treatment that would settle it if the present difference and scatter held; None if unknown.

    Unknown with a single run, and where even the most that `repeats_to_settle` tries would not do. A direction
    among `family` exploratory contrasts is asked for at 5 % over their number, Holm's first and hardest step.
    """
    if found.run_sd is None:
        return None

    def settle(alpha: float) -> RepeatsToSettle:
        return repeats_to_settle(
            found.difference.difference,
            found.run_sd or 0.0,
            margin,
            u_systematic=found.u_systematic,
            paired=found.paired,
            alpha=alpha,
        )

    ways = [settle(ALPHA / max(family, 1)).to_exclude_zero, settle(ALPHA).to_lie_within]
    counts = [way.count for way in ways if way is not None and not way.capped]
    # The next session has to bring more than this one did.
    return max(min(counts), max(found.runs) + 1) if counts else None
