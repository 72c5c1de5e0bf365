"""Every treatment against the baseline, in every response: differences, intervals, verdicts."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from generator.evidence.contrast_statistics import interval, p_value
from generator.evidence.equivalence import two_one_sided
from generator.evidence.estimates import Estimated, design_of, estimate
from generator.evidence.multiplicity import holm
from generator.evidence.power import repeats_beyond, repeats_within
from generator.evidence.records import Contrast, Family, ResponseSummary
from generator.evidence.repeatability import History
from generator.evidence.sentences import contrast_sentence
from generator.evidence.summaries import Gathered, gather
from generator.evidence.verdicts import ALPHA, NOT_SETTLED, exploratory_verdict, verdict
from generator.evidence.wording import response_key
from generator.intake.session import Margin, Session
from generator.reduction.records import At, ResponseKind, RunReduction

LEVEL = 0.95


@dataclass(frozen=True, slots=True, kw_only=True)
class _Wanted:
    """A comparison to be made."""

    response: str
    at: At
    treatment: str
    baseline: str


@dataclass(frozen=True, slots=True, kw_only=True)
class _Draft:
    """A contrast before the size of its family is known."""

    wanted: _Wanted
    found: Estimated
    margin: float | None
    margin_text: str | None
    family: Family
    jointly: int
    p: float
    p_equivalence: float  # nan without a margin


def contrasts(
    summaries: Sequence[ResponseSummary],
    runs: Sequence[RunReduction],
    session: Session,
    kinds: Mapping[str, ResponseKind],
    history: History | None = None,
    gathered: Gathered | None = None,
) -> tuple[Contrast, ...]:
    """Contrasts of all treatments against the baseline and of the pairs asked for, sentences included.

    summaries  what `summarise` made of the same runs: which responses exist, and in which order
    session    its declared design, primary responses, pairs, margins and labels
    kinds      response name -> kind
    history    scatter of single runs of the rig, response by response
    gathered   what `gather` made of the same runs, where it has been asked already

    Primary responses are judged by their own intervals. Where several comparisons of one primary response are
    made at one condition, their intervals hold together at 95 %: each is made at 1 - 5 %/k (Bonferroni), the
    one-sided tests likewise. All others are exploratory, in two families: responses that a claim is about, and
    the rest. In each the p-values are adjusted together after Holm, single runs among them, and a direction is
    given only where the adjusted value is below 5 %; the one-sided tests are adjusted likewise. The printed interval
    stays the plain 95 % one. A relative margin is taken of the baseline's mean, as measured.
    A contrast whose runs agree to the last digit, with nothing to say how well a run is known, is left out;
    `uncomputable` names it. The check standard is not compared.
    """
    gathered = gather(runs) if gathered is None else gathered
    wanted = _wanted(summaries, session)
    together: Counter[tuple[str, At]] = Counter((w.response, w.at) for w in wanted)
    drafts = [
        draft
        for w in wanted
        if (
            draft := _draft(
                gathered, w, session, kinds[w.response], together[w.response, w.at], history or {}
            )
        )
        is not None
    ]
    adjusted = _adjusted(drafts, [draft.p for draft in drafts])
    equivalence = _adjusted(drafts, [draft.p_equivalence for draft in drafts])
    sizes = Counter(draft.family for draft in drafts)
    labels = {name: treatment.label for name, treatment in session.file.treatments.items()}
    made = []
    for draft in drafts:
        contrast = _contrast(
            draft,
            session.file.baseline,
            adjusted.get(id(draft)),
            equivalence.get(id(draft), draft.p_equivalence),
            sizes[draft.family],
            kinds,
        )
        made.append(replace(contrast, sentence=contrast_sentence(contrast, kinds[contrast.response], labels)))
    return tuple(made)


def uncomputable(
    summaries: Sequence[ResponseSummary], contrasts: Sequence[Contrast], session: Session
) -> tuple[tuple[str, At, str], ...]:
    """(response, condition, treatment) of what was measured on both sides and still gives no contrast."""
    made = {(c.response, c.at, c.treatment, c.baseline) for c in contrasts}
    return tuple(
        dict.fromkeys(
            (w.response, w.at, w.treatment)
            for w in _wanted(summaries, session)
            if (w.response, w.at, w.treatment, w.baseline) not in made
        )
    )


def absolute_margin(margin: Margin | None, baseline_value: float) -> float | None:
    """A margin in the response's unit; None where none was set or a share of zero was asked for."""
    if margin is None:
        return None
    size = margin.absolute if margin.relative is None else margin.relative * abs(baseline_value)
    return size if size is not None and size > 0.0 and math.isfinite(size) else None


def compared_pairs(session: Session) -> tuple[tuple[str, str], ...]:
    """(treatment, baseline) of every comparison a session asks for: each against the baseline, then its pairs."""
    file = session.file
    against_baseline = tuple(
        (name, file.baseline) for name in file.treatments if name not in (file.baseline, file.check_standard)
    )
    return (*against_baseline, *((pair.treatment, pair.against) for pair in file.pairs))


def contrast_key(response: str, at: At, treatment: str, baseline: str, session_baseline: str) -> str:
    """Stable id of a contrast; a pair besides the baseline names its other side."""
    key = response_key(response, at, treatment)
    return key if baseline == session_baseline else f"{key}-against-{baseline}"


def _wanted(summaries: Sequence[ResponseSummary], session: Session) -> list[_Wanted]:
    """Comparisons with both sides measured, treatments in the session's order, pairs after them."""
    measured: dict[tuple[str, At], set[str]] = {}
    for summary in summaries:
        measured.setdefault((summary.response, summary.at), set()).add(summary.treatment)
    return [
        _Wanted(response=response, at=at, treatment=treatment, baseline=baseline)
        for (response, at), found in measured.items()
        for treatment, baseline in compared_pairs(session)
        if treatment in found and baseline in found
    ]


def _draft(
    gathered: Gathered, wanted: _Wanted, session: Session, kind: ResponseKind, together: int, history: History
) -> _Draft | None:
    by_treatment = gathered[wanted.response, wanted.at]
    design = design_of(session, by_treatment[wanted.baseline][0].run.procedure)
    family = _family(wanted, session)
    jointly = together if family == "primary" else 1
    found = estimate(
        by_treatment,
        wanted.treatment,
        wanted.baseline,
        design,
        relative=kind.relative,
        level=1.0 - (1.0 - LEVEL) / jointly,
        history=history.get(wanted.response),
    )
    if found is None:
        return None
    margin = session.margins.get(wanted.response)
    size = absolute_margin(margin, found.baseline_value)
    return _Draft(
        wanted=wanted,
        found=found,
        margin=size,
        margin_text=margin.text if margin is not None and size is not None else None,
        family=family,
        jointly=jointly,
        p=p_value(found.difference),
        p_equivalence=two_one_sided(found.difference, size).p if size is not None else math.nan,
    )


def _family(wanted: _Wanted, session: Session) -> Family:
    """What a comparison is adjusted with, by what the session file says, never by what came out."""
    if wanted.response in session.file.primary:
        return "primary"
    claimed = {(claim.response, claim.treatment, session.file.baseline) for claim in session.file.claims}
    asked = (wanted.response, wanted.treatment, wanted.baseline) in claimed
    return "claimed" if asked else "exploratory"


def _adjusted(drafts: Sequence[_Draft], p_values: Sequence[float]) -> dict[int, float]:
    """Adjusted p-values by the identity of the draft; none for primary ones, whose intervals are adjusted."""
    found: dict[int, float] = {}
    for family in ("claimed", "exploratory"):
        own = [(draft, p) for draft, p in zip(drafts, p_values, strict=True) if draft.family == family]
        values = holm([p for _, p in own]) if own else ()
        found |= {id(draft): float(p) for (draft, _), p in zip(own, values, strict=True)}
    return found


def _contrast(
    draft: _Draft,
    session_baseline: str,
    p_adjusted: float | None,
    p_equivalence: float,
    family_size: int,
    kinds: Mapping[str, ResponseKind],
) -> Contrast:
    found, margin, wanted = draft.found, draft.margin, draft.wanted
    alpha = ALPHA / draft.jointly
    interval95 = interval(found.difference, 1.0 - (1.0 - LEVEL) / draft.jointly)
    interval90 = interval(found.difference, 1.0 - 2.0 * alpha)
    if draft.family == "primary":
        judged = verdict(interval95, interval90, margin)
    else:
        judged = exploratory_verdict(interval95, interval90, margin, p_adjusted, p_equivalence)
    relative = found.relative if found.relative is not None and found.relative.bounded else None
    return Contrast(
        key=contrast_key(wanted.response, wanted.at, wanted.treatment, wanted.baseline, session_baseline),
        response=wanted.response,
        at=wanted.at,
        treatment=wanted.treatment,
        baseline=wanted.baseline,
        baseline_value=found.baseline_value,
        treatment_value=found.treatment_value,
        difference=found.difference.difference,
        standard_uncertainty=found.difference.standard_error,
        dof=found.difference.dof,
        interval=interval95,
        unit=kinds[wanted.response].unit,
        relative=relative.relative if relative is not None else None,
        relative_interval=relative.interval if relative is not None else None,
        level=LEVEL,
        margin=margin,
        margin_text=draft.margin_text,
        verdict=judged,
        indicative=found.basis != "between runs",
        primary=draft.family == "primary",
        p_value=draft.p,
        p_adjusted=p_adjusted,
        p_equivalence=p_equivalence if math.isfinite(p_equivalence) else None,
        basis=found.basis,
        method=found.method,
        runs=found.runs,
        repeats_to_settle=_repeats(found, margin, draft.jointly, family_size if p_adjusted is not None else 1)
        if judged == NOT_SETTLED
        else None,
        sentence="",
        jointly=draft.jointly,
        family=draft.family,
        family_size=family_size,
        budget=found.budget,
    )


def _repeats(found: Estimated, margin: float | None, jointly: int, family_size: int) -> int | None:
    """Runs a treatment that would settle it if the present difference and scatter held; None if unknown.

    Unknown with a single run, and where even the most repeats that `power` tries would not do. A direction
    among exploratory contrasts is asked for at 5 % over their number, Holm's first and hardest step.
    """
    if found.run_sd is None:
        return None

    alpha = ALPHA / max(family_size, jointly, 1)
    difference, sd = found.difference.difference, found.run_sd
    u, paired = found.u_systematic, found.paired
    ways = [repeats_beyond(difference, sd, u_systematic=u, paired=paired, alpha=alpha)]
    if margin is not None:
        ways.append(repeats_within(difference, sd, margin, u_systematic=u, paired=paired, alpha=alpha))
    counts = [way.count for way in ways if not way.capped]
    # The next session has to bring more than this one did.
    return max(min(counts), max(found.runs) + 1) if counts else None
