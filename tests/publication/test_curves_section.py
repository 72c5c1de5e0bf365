"""Difference curves on the comparison page: sentences, what is drawn, how the band is made, what was not steady."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import jinja2

from generator.evidence.curve_contrasts import curve_contrasts
from generator.evidence.records import SessionAnalysis
from generator.intake.session import Session
from generator.publication.curves_section import CurvesSection, curve_figures, curves_section
from generator.reduction.records import Finding
from tests.evidence.curve_bench import THRUSTS, campaign
from tests.evidence.invented_bench import BASE, KINDS, OTHER, make_session
from tests.factories import make_analysis

LAYOUTS = Path(__file__).parents[2] / "layouts"
PAIR = (OTHER, BASE)
PAGE = "sessions/invented/five-cell-against-four-cell.html"
FINDING = Finding(kind="hysteresis", channel="current_a", sentence="The way down drew 3 % more.")


def analysed(*, finding: Finding | None = None, **session: object) -> tuple[Session, SessionAnalysis]:
    runs = campaign({BASE: lambda t: 0.02 * t**1.5, OTHER: lambda t: 0.0206 * t**1.5}, 4)
    speeds = campaign({BASE: lambda t: 900.0 * t**0.5, OTHER: lambda t: 900.0 * t**0.5}, 4, response="speed")
    both = [replace(a, readings=(*a.readings, *b.readings)) for a, b in zip(runs, speeds, strict=True)]
    if finding is not None:
        both[2] = replace(both[2], findings=(finding,))
    made = make_session(**session)  # type: ignore[arg-type]
    found = curve_contrasts(both, made, KINDS)
    return made, replace(make_analysis(), runs=tuple(both), kinds=KINDS, curve_contrasts=found)


def section(**more: object) -> CurvesSection:
    session, analysis = analysed(**more)  # type: ignore[arg-type]
    found = curves_section(analysis, session, PAIR, PAGE)
    assert found is not None
    return found


def test_power_at_equal_thrust_is_the_answer_and_drawn_first() -> None:
    session, analysis = analysed()
    found = section()
    assert found.answer == analysis.curve_contrasts[0].sentence
    assert "5S capped draws" in found.answer
    assert [sentence for sentence in found.more if "turns" in sentence or "faster" in sentence]
    figures = curve_figures(session, analysis)
    assert list(figures) == [PAIR]
    assert [figure.name for figure in figures[PAIR]] == ["electrical_power-over-thrust-five-cell-band"]
    assert len(figures[PAIR][0].sources) == 8
    assert len(figures[PAIR][0].table) == len(THRUSTS)


def test_what_was_named_before_the_test_is_drawn_too_and_the_rest_called_exploratory() -> None:
    session, analysis = analysed(primary=["speed"])
    names = [figure.name for figure in curve_figures(session, analysis)[PAIR]]
    assert names == ["electrical_power-over-thrust-five-cell-band", "speed-over-thrust-five-cell-band"]
    assert section(primary=["speed"]).exploratory.startswith("Only speed was decided before the test")
    assert section().exploratory.startswith("None of these was decided before the test")
    assert section(primary=["speed", "electrical_power"]).exploratory == ""


def test_steady_staircases_are_said_to_be_and_others_named_with_their_run() -> None:
    assert section().unsteady == ()
    assert section().steady.startswith("Every staircase stood still")
    found = section(finding=FINDING)
    assert found.steady == ""
    (line,) = found.unsteady
    assert line.sentence == FINDING.sentence
    assert line.run.href == "runs/03-staircase-four-cell.html"


def test_a_comparison_without_curves_has_no_section() -> None:
    session, analysis = analysed()
    assert curves_section(analysis, session, ("other", BASE), PAGE) is None


def test_the_layout_prints_all_of_it() -> None:
    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(LAYOUTS), autoescape=True, undefined=jinja2.StrictUndefined
    )
    template = environment.from_string("{% from 'sections/curves.html' import curves %}{{ curves(it) }}")
    found = section(finding=FINDING)
    text = template.render(it=found)
    for words in (found.answer, *found.more, found.method, FINDING.sentence):
        assert str(jinja2.filters.do_forceescape(words)) in text
    assert "runs/03-staircase-four-cell.html" in text
    assert "Every staircase stood still" in template.render(it=section())
