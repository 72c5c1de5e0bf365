"""Whole curves of one treatment against another: where along the range they differ, on the comparison's page."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from generator.evidence.curve_contrasts import curve_procedure
from generator.evidence.physics_records import CurveContrast
from generator.evidence.records import SessionAnalysis
from generator.evidence.wording import NBSP, listed, percent
from generator.figures.band_chart import difference_band
from generator.figures.records import Figure
from generator.intake.session import Session
from generator.publication import navigation
from generator.publication.figure_blocks import FigureBlock
from generator.publication.navigation import Link, link
from generator.publication.session_blocks import labels_of
from generator.reduction.levels import LARGEST_TREND
from generator.reduction.steadiness import HYSTERESIS_TOLD

# Drawn for every comparison, in this order; besides them what was named before the test. A picture costs 50 ms.
DRAWN = (
    ("electrical_power", "thrust_gf"),
    ("electrical_power", "speed_rpm"),
    ("thrust", "throttle_percent"),
)
UNSTEADY = ("hysteresis", "unsettled step", "swaying stand", "ramp too fast", "uneven ways", "one way")
Pair = tuple[str, str]  # treatment, the other side


@dataclass(frozen=True, slots=True, kw_only=True)
class Unsteady:
    """What was not quite steady in one run: link to the run, and the finding."""

    run: Link
    sentence: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CurvesSection:
    """Difference curves of one comparison.

    answer       what the first of them says
    sentences    what the other drawn ones say
    exploratory  which of them were not named before the test, or ""
    figures      pictures of the drawn ones
    more         what those say that are not drawn
    method       how the band is made and what it promises
    steady       that every staircase stood still, or every ramp was slow enough, or ""
    unsteady     runs that did not
    """

    answer: str
    sentences: tuple[str, ...]
    exploratory: str
    figures: tuple[FigureBlock, ...]
    more: tuple[str, ...]
    method: str
    steady: str
    unsteady: tuple[Unsteady, ...]


def curve_figures(session: Session, analysis: SessionAnalysis) -> Mapping[Pair, tuple[Figure, ...]]:
    """Difference curves to be drawn, by (treatment, other side) of the comparison; nothing is rendered yet."""
    labels = labels_of(session)
    made: dict[Pair, list[Figure]] = {}
    for contrast in analysis.curve_contrasts:
        pair = contrast.treatment, contrast.baseline
        own = [c for c in analysis.curve_contrasts if (c.treatment, c.baseline) == pair]
        if contrast in _drawn(own):
            logs = tuple(
                run.log
                for run in analysis.runs
                if run.treatment in pair and run.refused is None and run.steps
            )
            figure = difference_band(
                contrast,
                labels,
                analysis.kinds[contrast.response],
                baseline=session.file.baseline,
                sources=logs,
            )
            made.setdefault(pair, []).append(figure)
    return {pair: tuple(figures) for pair, figures in made.items()}


def curves_section(
    analysis: SessionAnalysis,
    session: Session,
    pair: Pair,
    page: str,
    figures: Sequence[FigureBlock] = (),
) -> CurvesSection | None:
    """The section of one comparison; None where it has no curves.

    pair     treatment and other side
    page     that shows it, for the links to the runs
    figures  those of `curve_figures` for this pair, rendered
    """
    own = [c for c in analysis.curve_contrasts if (c.treatment, c.baseline) == pair]
    if not own:
        return None
    drawn = _drawn(own)
    unsteady = tuple(
        Unsteady(
            run=Link(text=run.run_id, href=link(page, navigation.run_page(session.id, run.run_id))),
            sentence=finding.sentence,
        )
        for run in analysis.runs
        if run.treatment in pair and run.refused is None
        for finding in run.findings
        if finding.kind in UNSTEADY
    )
    return CurvesSection(
        answer=drawn[0].sentence,
        sentences=tuple(contrast.sentence for contrast in drawn[1:]),
        exploratory=_exploratory(own, analysis),
        figures=tuple(figures),
        more=tuple(contrast.sentence for contrast in own if contrast not in drawn),
        method=drawn[0].method,
        steady="" if unsteady else _steady(curve_procedure(analysis.runs)),
        unsteady=unsteady,
    )


def _drawn(own: Sequence[CurveContrast]) -> list[CurveContrast]:
    """The curves of a comparison that are drawn, electrical power at equal thrust first; one at least."""
    chosen = [c for c in own if (c.response, c.axis) in DRAWN or (c.primary and c.axis == "thrust_gf")]
    return chosen or list(own[:1])


def _exploratory(own: Sequence[CurveContrast], analysis: SessionAnalysis) -> str:
    """Which responses were named before the test; "" where all were."""
    named = dict.fromkeys(analysis.kinds[c.response].label.lower() for c in own if c.primary)
    if all(c.primary for c in own):
        return ""
    if not named:
        return "None of these was decided before the test: each is a reason for a next test rather than an answer."
    return (
        f"Only {listed(list(named))} was decided before the test; the other curves are each a reason for a next test "
        "rather than an answer."
    )


def _steady(procedure: str) -> str:
    if procedure == "ramp":
        return (
            "Every ramp was slow enough for its sensors, and the ways up and down differ nowhere by more than "
            f"{percent(HYSTERESIS_TOLD)} beyond their noise. What the rotor takes to speed up cancels in their mean."
        ).replace(" %", f"{NBSP}%")
    return (
        "Every staircase stood still: no step moved by more than "
        f"{percent(LARGEST_TREND)} in speed while it was averaged, and the ways up and down differ nowhere by more "
        f"than {percent(HYSTERESIS_TOLD)} beyond their noise."
    ).replace(" %", f"{NBSP}%")
