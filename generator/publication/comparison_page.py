"""The page of one treatment against the baseline: the page to share."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from generator.evidence.headline import headline
from generator.evidence.records import Contrast, SessionAnalysis
from generator.evidence.wording import counted
from generator.intake.session import Session
from generator.publication import navigation, session_blocks
from generator.publication.careful import Careful, careful, careful_lines
from generator.publication.cautions import CautionPanel, panels, went_on
from generator.publication.curves_section import CurvesSection, curves_section
from generator.publication.facts import Fact, date_text
from generator.publication.figure_blocks import FigureBlock
from generator.publication.how_sure import how_sure
from generator.publication.navigation import Link, link
from generator.publication.page_frame import Frame, Site, shortened, simulated_sentence
from generator.publication.session_blocks import CheckRow, Procedure
from generator.publication.session_figures import DrawnFigures
from generator.publication.share_card import ShareCard
from generator.publication.sharing import Share, comparison_share
from generator.publication.tables import Table
from generator.publication.verdict_rows import VerdictRow, verdict_row
from generator.publication.working import Working, working

AT_TOP = 6  # differences told in a line each, before anything else
NAMED = 3  # responses named in the heading


@dataclass(frozen=True, slots=True, kw_only=True)
class ContrastBlock:
    """One contrast with everything behind it.

    row      verdict, difference, interval, what weakens it
    figure   its strip chart, or None where the overview shows it
    working  every step from the runs to the verdict
    """

    row: VerdictRow
    figure: FigureBlock | None
    working: Working


@dataclass(frozen=True, slots=True, kw_only=True)
class ComparisonPage:
    """Everything on a comparison page.

    title         with what was compared: `5S capped against 4S: electrical power, spin-up time`
    treatment     label of the treatment
    baseline      label of the baseline
    question      what was asked
    date          written out
    answer        the answer in a few short sentences
    long          whether it is too long for large type
    sure          how sure it is, in one short line
    careful       what to know before relying on the answer: doubts, then dangers; None for nothing
    exploratory   whether no response was named primary before the test
    sections      links to the sections of this page
    at_top        those of `primary` that are told first, in a line each
    primary       contrasts decided before the test, or all where none was
    others        exploratory contrasts
    overview      all relative differences at a glance, or None
    whole_curves  differences along whole curves, or None
    how_sure      link to how intervals and verdicts are made
    doubtful      checks that warn or fail
    passed        checks that pass
    values        figures of single runs
    curves        figures of mean curves
    responses     table of means
    raised        cautions of this comparison, and the tester's own
    always        cautions that always hold
    go_on         (what a plan is refused for, why the tester went on), stated in session.yaml
    safety        link to the safety page
    conditions    date, rig, air, tester
    treatments    what each treatment was made of
    procedures    how the runs were driven
    runs          table of runs and raw logs
    files         downloads
    share         how to pass it on
    """

    title: str
    treatment: str
    baseline: str
    question: str
    date: str
    answer: str
    long: bool
    sure: str
    careful: Careful | None
    exploratory: bool
    sections: tuple[Link, ...]
    at_top: tuple[ContrastBlock, ...]
    primary: tuple[ContrastBlock, ...]
    others: tuple[ContrastBlock, ...]
    overview: FigureBlock | None
    whole_curves: CurvesSection | None
    how_sure: str
    doubtful: tuple[CheckRow, ...]
    passed: tuple[CheckRow, ...]
    values: tuple[FigureBlock, ...]
    curves: tuple[FigureBlock, ...]
    responses: Table
    raised: tuple[CautionPanel, ...]
    always: tuple[CautionPanel, ...]
    go_on: tuple[tuple[str, str], ...]
    safety: str
    conditions: tuple[Fact, ...]
    treatments: Table
    procedures: tuple[Procedure, ...]
    runs: Table
    files: tuple[Link, ...]
    share: Share


def comparison_page(
    site: Site,
    session: Session,
    analysis: SessionAnalysis,
    figures: DrawnFigures,
    treatment: str,
    baseline: str,
    card: ShareCard,
) -> tuple[Frame, ComparisonPage]:
    """Frame and content of the page of `treatment` against `baseline`, which must have at least one contrast.

    card  its picture for previews
    """
    page = navigation.comparison_page(session.id, treatment, baseline)
    labels = session_blocks.labels_of(session)
    own = session_blocks.of_pair(analysis, session, treatment, baseline)
    primary = [contrast for contrast in own if contrast.primary]
    first = primary or own
    others = [contrast for contrast in own if contrast not in first]

    def block(contrast: Contrast) -> ContrastBlock:
        return ContrastBlock(
            row=verdict_row(contrast, analysis, labels, page),
            figure=figures.strip(page, contrast.key),
            working=working(contrast, analysis, labels, site, page),
        )

    blocks = tuple(block(contrast) for contrast in first)
    title = session_blocks.against(labels, treatment, baseline)
    home = navigation.session_page(session.id)
    pair = (baseline, treatment)
    checks = session_blocks.check_rows(analysis, about=pair)
    raised = panels(analysis.cautions, labels, always_on=False, treatment=treatment)
    answer = headline(own, analysis.kinds, labels, session.file.primary, analysis.checks, session.file.title)
    whole_curves = curves_section(
        analysis, session, (treatment, baseline), page, figures.bands(page, treatment, baseline)
    )
    sections = (
        ("How sure", "how-sure", True),
        ("Along the whole curve", "curves", whole_curves is not None),
        ("Exploratory differences", "exploratory", bool(others)),
        ("What it rests on", "rests-on", True),
        ("Cautions", "cautions", True),
        ("How it was found", "how-found", True),
        ("Data", "data", True),
        ("Share", "share", True),
    )
    frame = site.frame(
        page,
        f"{title}: {session.file.title}",
        first[0].sentence,
        trail=((shortened(session.file.title, 60), home), (title, page)),
        simulated=simulated_sentence([analysis.simulated]),
        card=(card.path, card.alt),
    )
    return frame, ComparisonPage(
        title=f"{title}: {_compared(first, analysis)}",
        treatment=labels[treatment],
        baseline=labels[baseline],
        question=session.file.question,
        date=date_text(session.file.date),
        answer=answer,
        long=session_blocks.is_long(answer),
        sure=how_sure(own, analysis, session),
        careful=careful(careful_lines(checks, first, raised)),
        exploratory=not primary,
        sections=tuple(Link(text=text, href=f"#{key}") for text, key, there in sections if there),
        at_top=_one_of_each_first(first, blocks),
        primary=blocks,
        others=tuple(block(contrast) for contrast in others),
        overview=figures.overview(page, treatment, baseline),
        whole_curves=whole_curves,
        how_sure=site.text_link(page, navigation.STATISTICS, "verdicts"),
        doubtful=tuple(check for check in checks if check.css_class != "passed"),
        passed=tuple(check for check in checks if check.css_class == "passed"),
        values=figures.values(page),
        curves=figures.curves(page),
        responses=session_blocks.responses_table(analysis, session, treatments=pair, anchored=False),
        raised=raised,
        always=panels(analysis.cautions, labels, always_on=True),
        go_on=went_on(session),
        safety=link(page, navigation.SAFETY),
        conditions=session_blocks.condition_facts(site, session, page),
        treatments=session_blocks.treatments_table(site.season, session, page, treatments=pair),
        procedures=session_blocks.procedures_of(site, session, page),
        runs=session_blocks.runs_table(analysis, session, page, treatments=pair),
        files=session_blocks.downloads(session, page),
        share=comparison_share(
            first,
            analysis,
            session,
            site.season,
            card_path=card.path,
            card_alt=card.alt,
            version=site.version,
        ),
    )


def _one_of_each_first(
    contrasts: Sequence[Contrast], blocks: Sequence[ContrastBlock]
) -> tuple[ContrastBlock, ...]:
    """At most `AT_TOP` of them: each response once, before any is told at its second condition."""
    seen: Counter[str] = Counter()
    ranked = []
    for contrast, block in zip(contrasts, blocks, strict=True):
        ranked.append((seen[contrast.response], block))
        seen[contrast.response] += 1
    return tuple(block for _, block in sorted(ranked, key=lambda pair: pair[0]))[:AT_TOP]


def _compared(contrasts: Sequence[Contrast], analysis: SessionAnalysis) -> str:
    """Names of the responses, at most `NAMED` of them: `electrical power, spin-up time and 2 more`."""
    names = list(dict.fromkeys(analysis.kinds[contrast.response].label for contrast in contrasts))
    names = [name[:1].lower() + name[1:] for name in names]
    left = len(names) - NAMED
    return f"{', '.join(names[:NAMED])} and {counted(left, 'more', 'more')}" if left > 0 else ", ".join(names)
