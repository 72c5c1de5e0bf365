"""The section of fitted constants, and the table of a part: what they say and that they print."""

from __future__ import annotations

import dataclasses

import html5lib
import pytest

from generator.evidence.constants import effective_constants
from generator.evidence.records import SessionAnalysis
from generator.intake.session import Season, Session
from generator.publication.constants_section import (
    coefficient_figures,
    constants_of_part,
    constants_section,
)
from generator.publication.rendering import environment
from tests.conftest import ROOT
from tests.evidence.invented_bench import BASE, OTHER, at_speed, make_run, make_season, make_session, response
from tests.factories import make_analysis

PROPELLER = {
    "coefficients": [
        {"speed": "8000 rpm", "thrust": 0.100, "power": 0.050},
        {"speed": "16000 rpm", "thrust": 0.120, "power": 0.046},
    ]
}


def made(kv: float = 2010.0) -> tuple[Season, Session, SessionAnalysis]:
    """Two treatments with two runs each; only the baseline's runs tell of the motor."""
    session = make_session()
    season = make_season(propeller=PROPELLER).model_copy(update={"sessions": (session,)})
    runs = []
    for order, (name, shift) in enumerate([(BASE, 0.0), (OTHER, 0.0), (OTHER, 1e-4), (BASE, 1e-4)], start=1):
        found = [
            response("thrust_coefficient", value + shift, at_speed(speed))
            for speed, value in ((8000, 0.101), (12000, 0.111), (16000, 0.119), (20000, 0.121))
        ]
        found.append(response("thrust_coefficient_exponent", 0.2 + shift))
        if name == BASE:
            found.append(response("kv", kv + 1000.0 * shift))
        runs.append(make_run(name, order, constants=tuple(found)))
    analysis = make_analysis(treatments=(BASE, OTHER), session_id="invented")
    constants = effective_constants(runs, session, season)
    return season, session, dataclasses.replace(analysis, runs=tuple(runs), constants=constants)


def test_answer_first_and_every_row_says_something() -> None:
    season, session, analysis = made()
    section = constants_section(analysis, session, season)
    assert section is not None
    # KV once, CT at 8000, 12 000 and 16 000 rpm for two treatments; at 20 000 rpm nothing is stated
    assert section.answer == (
        "Nothing departs from what the part files state, in 7 comparisons of fitted constants with stated ones."
    )
    kv, four, five = section.sentences
    assert kv.startswith("Speed constant KV with 4S: 2\u202f010")
    # 2.5 to the 0.2 is 1.201
    assert four.startswith("CT with 4S rises by 20.1")
    assert five.startswith("CT with 5S capped rises by 20.1")
    base, other = section.tables
    assert base.caption == "Fitted against stated with 4S: Heron 1806 and Tri 5.1"
    assert other.caption == "Fitted against stated with 5S capped: Tri 5.1"
    assert [row[0].text for row in base.rows] == [
        "KV", "CT at 8\u202f000\u00a0rpm", "CT at 12\u202f000\u00a0rpm", "CT at 16\u202f000\u00a0rpm",
        "CT at 20\u202f000\u00a0rpm",
    ]  # fmt: skip
    assert all(row[-1].text for row in base.rows)
    assert [cell.text for cell in base.rows[-1]][3:] == ["", "", "no stated value holds here"]


def test_a_departure_leads() -> None:
    season, session, analysis = made(kv=2500.0)
    section = constants_section(analysis, session, season)
    assert section is not None
    assert section.answer == "Speed constant KV with 4S departs from the stated value."
    assert section.tables[0].rows[0][-1].text.endswith("from which it counts as a departure")


def test_nothing_fitted_gives_no_section() -> None:
    season, session, analysis = made()
    assert constants_section(dataclasses.replace(analysis, constants=()), session, season) is None


def test_figures_show_what_was_measured_at_three_speeds() -> None:
    season, session, analysis = made()
    (figure,) = coefficient_figures(season, session, analysis)
    assert figure.name == "thrust_coefficient-against-speed"
    assert figure.sources == tuple(run.log for run in analysis.runs)
    assert "Crosses" in figure.note


@pytest.mark.parametrize(("part", "rows"), [("heron", 1), ("tri", 10), ("duo", None), ("drive", None)])
def test_a_part_lists_its_own_constants(part: str, rows: int | None) -> None:
    season, _, analysis = made()
    found = constants_of_part(part, {"invented": analysis}, season, f"parts/{part}.html")
    if rows is None:
        assert found is None
        return
    assert found is not None
    assert len(found.rows) == rows
    assert all(row[1].href == "../sessions/invented/index.html" for row in found.rows)
    assert all(row[0].note.startswith("with ") for row in found.rows)
    assert all(row[-1].text for row in found.rows)


def test_the_section_prints_whole() -> None:
    season, session, analysis = made()
    section = constants_section(analysis, session, season)
    assert section is not None
    template = '{% import "sections/constants.html" as section %}{{ section.constants(it) }}'
    html = environment([ROOT / "layouts"]).from_string(template).render(it=section)
    page = html5lib.parse(f"<!doctype html><title>t</title>{html}", namespaceHTMLElements=False)
    text = " ".join("".join(page.itertext()).split())
    for line in (section.answer, *section.sentences, *section.how):
        assert " ".join(line.split()) in text
    ids = [element.get("id") for element in page.iter() if element.get("id")]
    assert len(ids) == len(set(ids))
    assert len(list(page.iter("table"))) == 2
