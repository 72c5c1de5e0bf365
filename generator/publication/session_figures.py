"""All figures of a session: made once, rendered once, placed on as many pages as show them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TypeVar

from altair.utils.schemapi import debug_mode

from generator.evidence.records import SessionAnalysis
from generator.figures.curves_chart import curves
from generator.figures.drain_chart import drain_course
from generator.figures.free_run_chart import free_run_line
from generator.figures.overview_chart import difference_overview
from generator.figures.records import Figure
from generator.figures.runs_chart import run_values
from generator.figures.soak_chart import soak_fit
from generator.figures.spin_up_chart import spin_up_cycles
from generator.figures.strips import difference_strip
from generator.figures.trace_chart import run_trace
from generator.intake.session import Season, Session
from generator.publication.air_section import air_figures
from generator.publication.calibration_section import residuals_of_run
from generator.publication.constants_section import coefficient_figures
from generator.publication.curves_section import curve_figures
from generator.publication.energy_section import energy_figures
from generator.publication.figure_blocks import FigureBlock, LegendItem, Picture, figure_block
from generator.publication.session_blocks import labels_of, pairs_of
from generator.publication.texts import Labels
from generator.publication.working import summary_of
from generator.reduction.records import RunReduction

K = TypeVar("K")
CURVES = (
    ("thrust_gf", "power_w"),
    ("thrust_gf", "thrust_per_power_gf_w"),
    ("throttle_percent", "thrust_gf"),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionFigures:
    """Figures of a session by what they are for.

    strips     contrast key -> its strip; primary contrasts, or all where none is primary
    overviews  (treatment, baseline) -> all its relative differences at a glance
    values     single runs of each primary response and condition
    curves     mean curves, and cycles of spin-ups
    bands      (treatment, baseline) -> its difference curves
    sections   section -> key within it -> figure: "air" by aircraft, others by name
    runs       run id -> figures of its page
    """

    strips: Mapping[str, Figure]
    overviews: Mapping[tuple[str, str], Figure]
    values: tuple[Figure, ...]
    curves: tuple[Figure, ...]
    bands: Mapping[tuple[str, str], tuple[Figure, ...]]
    sections: Mapping[str, Mapping[str, Figure]]
    runs: Mapping[str, tuple[Figure, ...]]

    def answers(self) -> frozenset[str]:
        """Names of the figures that carry answers: those people pass on, so they are to be had as PNG too."""
        return frozenset(figure.name for figure in (*self.strips.values(), *self.overviews.values()))

    def all(self) -> tuple[Figure, ...]:
        """Every figure, in a fixed order."""
        return (
            *self.strips.values(),
            *self.overviews.values(),
            *self.values,
            *self.curves,
            *(figure for figures in self.bands.values() for figure in figures),
            *(figure for figures in self.sections.values() for figure in figures.values()),
            *(figure for figures in self.runs.values() for figure in figures),
        )

    def without_specifications(self) -> SessionFigures:
        """The same, with all that pages show of them; the specifications are most of what would have to travel."""

        def bare(figures: Iterable[Figure]) -> tuple[Figure, ...]:
            return tuple(replace(figure, spec={}, narrow=None) for figure in figures)

        def all_bare(figures: Mapping[K, Figure]) -> dict[K, Figure]:
            return dict(zip(figures, bare(figures.values()), strict=True))

        return SessionFigures(
            strips=all_bare(self.strips),
            overviews=all_bare(self.overviews),
            values=bare(self.values),
            curves=bare(self.curves),
            bands={pair: bare(figures) for pair, figures in self.bands.items()},
            sections={name: all_bare(figures) for name, figures in self.sections.items()},
            runs={run: bare(figures) for run, figures in self.runs.items()},
        )


def session_figures(season: Season, session: Session, analysis: SessionAnalysis) -> SessionFigures:
    """All figures of a session. Nothing is rendered yet.

    Altair holds no part of a chart against its schema here, which takes as long as making it; tests do.
    """
    with debug_mode(False):
        return _session_figures(season, session, analysis)


def _session_figures(season: Season, session: Session, analysis: SessionAnalysis) -> SessionFigures:
    labels = labels_of(session)
    shown = [contrast for contrast in analysis.contrasts if contrast.primary] or list(analysis.contrasts)
    strips = {}
    for contrast in shown:
        own = summary_of(analysis, contrast, contrast.treatment)
        base = summary_of(analysis, contrast, contrast.baseline)
        strips[contrast.key] = difference_strip(
            contrast,
            labels,
            analysis.kinds[contrast.response],
            per_run=own.per_run if own is not None else (),
            baseline_runs=base.per_run if base is not None else (),
        )
    overviews = {}
    for treatment, baseline in pairs_of(analysis, session):
        contrasts = [c for c in analysis.contrasts if (c.treatment, c.baseline) == (treatment, baseline)]
        sources = dict.fromkeys(
            run.log
            for contrast in contrasts
            for side in (contrast.treatment, contrast.baseline)
            if (summary := summary_of(analysis, contrast, side)) is not None
            for run in summary.per_run
        )
        besides = "" if baseline == session.file.baseline else f"-against-{baseline}"
        overviews[treatment, baseline] = difference_overview(
            contrasts,
            labels,
            analysis.kinds,
            name=f"overview-{treatment}{besides}",
            sources=tuple(sources),
        )
    values = [
        run_values(
            [s for s in analysis.responses if (s.response, s.at) == place],
            labels,
            analysis.kinds[place[0]],
            baseline=session.file.baseline,
        )
        for place in dict.fromkeys((contrast.response, contrast.at) for contrast in shown)
    ]
    stairs = tuple(run.log for run in analysis.runs if run.steps and not run.refused)
    drawn = [
        curves(analysis.curves, labels, x=x, y=y, baseline=session.file.baseline, sources=stairs)
        for x, y in CURVES
        if analysis.curves
    ]
    drawn.append(_cycles(analysis.runs, labels, analysis, session.file.baseline, of="all"))
    return SessionFigures(
        strips=strips,
        overviews={pair: figure for pair, figure in overviews.items() if figure is not None},
        values=_present(values),
        curves=_present(drawn),
        bands=curve_figures(session, analysis),
        sections={
            "air": air_figures(analysis, session),
            "energy": {figure.name: figure for figure in energy_figures(analysis, session)},
            "constants": {figure.name: figure for figure in coefficient_figures(season, session, analysis)},
        },
        runs={run.run_id: _run_figures(run, session, season, analysis) for run in analysis.runs},
    )


def _cycles(
    runs: Sequence[RunReduction], labels: Labels, analysis: SessionAnalysis, baseline: str, *, of: str
) -> Figure | None:
    """The first response these runs give cycle by cycle, or None. of: what the figure is of, to begin its name."""
    responses = [response for run in runs for response in run.responses if response.per_cycle]
    kind = analysis.kinds.get(responses[0].response) if responses else None
    if kind is None:
        return None
    return spin_up_cycles(runs, labels, kind, baseline=baseline, name=f"{of}-{kind.name}-cycles")


def _run_figures(
    run: RunReduction, session: Session, season: Season, analysis: SessionAnalysis
) -> tuple[Figure, ...]:
    """The trace of a run, and what its procedure adds."""
    figures = [run_trace(run)]
    if run.calibration is not None:
        figures.append(residuals_of_run(run))
    elif run.procedure == "drain":
        figures.append(drain_course(run))
    elif run.procedure == "free-run":
        figures.append(free_run_line(run))
    elif run.fitted is not None:
        motor = season.motor(session.file.treatments[run.treatment])
        figures.append(
            soak_fit(
                run,
                air_temperature_k=session.file.air.temperature_k,
                limit_k=motor.temperature_limit_k,
                limit_label="stated limit of the motor",
            )
        )
    figures.append(_cycles([run], labels_of(session), analysis, session.file.baseline, of=run.run_id))
    return _present(figures)


def _present(figures: Iterable[Figure | None]) -> tuple[Figure, ...]:
    return tuple(figure for figure in figures if figure is not None)


@dataclass(frozen=True, slots=True, kw_only=True)
class DrawnFigures:
    """Figures of a session with their renderings, ready to be placed on a page.

    session_id  of the session
    made        the figures
    pictures    name of a figure -> its renderings
    legend      the session's treatments with their marks
    """

    session_id: str
    made: SessionFigures
    pictures: Mapping[str, Picture]
    legend: tuple[LegendItem, ...]

    def _block(self, page: str, figure: Figure, *, legend: bool = False) -> FigureBlock:
        drawn = self.pictures[figure.name]
        shown = self.legend if legend else ()
        png = figure.name in self.made.answers()
        return figure_block(figure, drawn, self.session_id, page, legend=shown, png=png)

    def strip(self, page: str, key: str) -> FigureBlock | None:
        """Strip of a contrast, or None where it has none."""
        figure = self.made.strips.get(key)
        return None if figure is None else self._block(page, figure)

    def strips(self, page: str, keys: Sequence[str]) -> tuple[FigureBlock, ...]:
        """Strips of these contrasts, as far as there are any."""
        return tuple(self._block(page, self.made.strips[key]) for key in keys if key in self.made.strips)

    def overview(self, page: str, treatment: str, baseline: str) -> FigureBlock | None:
        """All relative differences of a treatment against a baseline, or None."""
        figure = self.made.overviews.get((treatment, baseline))
        return None if figure is None else self._block(page, figure)

    def values(self, page: str) -> tuple[FigureBlock, ...]:
        """Single runs of the primary responses."""
        return tuple(self._block(page, figure, legend=True) for figure in self.made.values)

    def curves(self, page: str) -> tuple[FigureBlock, ...]:
        """Mean curves."""
        return tuple(self._block(page, figure, legend=True) for figure in self.made.curves)

    def bands(self, page: str, treatment: str, baseline: str) -> tuple[FigureBlock, ...]:
        """Difference curves of a pair."""
        return tuple(self._block(page, figure) for figure in self.made.bands.get((treatment, baseline), ()))

    def section(self, page: str, name: str, *, legend: bool = False) -> dict[str, FigureBlock]:
        """Figures of a section by their keys in it."""
        made = self.made.sections.get(name, {})
        return {key: self._block(page, figure, legend=legend) for key, figure in made.items()}

    def of_run(self, page: str, run_id: str) -> tuple[FigureBlock, ...]:
        """Figures of one run."""
        return tuple(self._block(page, figure) for figure in self.made.runs.get(run_id, ()))
