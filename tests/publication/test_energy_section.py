"""The section about energy on a session's page: every number from the analysis, placed and linked."""

from __future__ import annotations

from functools import cache
from pathlib import Path

from generator.publication import navigation
from generator.publication.energy_section import EnergySection, energy_figures, energy_section
from generator.publication.figure_blocks import FigureBlock, figure_block, order_of, picture
from generator.publication.rendering import environment
from tests.factories import make_analysis
from tests.rehearsed import demo_session, rehearse_in_memory

LAYOUTS = Path(__file__).resolve().parents[2] / "layouts"
NAME = "cell-count-capped"
PAGE = navigation.session_page(NAME)


@cache
def made() -> EnergySection:
    _, session, _ = demo_session(NAME)
    analysis = rehearse_in_memory(NAME, 20310601, ("hold",)).analysis
    figures = {figure.name: figure for figure in energy_figures(analysis, session)}

    def draw(name: str) -> FigureBlock:
        return figure_block(figures[name], picture(order_of(figures[name])), NAME, PAGE)

    section = energy_section(analysis, session, PAGE, draw)
    assert section is not None
    return section


def test_a_block_a_speed_with_its_heat_and_its_balances() -> None:
    section = made()
    assert [speed.figure.title.split(" at ")[1] for speed in section.speeds] == [
        "9\u202f000\u00a0rpm", "12\u202f500\u00a0rpm", "16\u202f000\u00a0rpm"
    ]  # fmt: skip
    for speed in section.speeds:
        assert len(speed.balances) == 2
        assert all(" to " in line and "into the propeller" in line for line in speed.balances)
        (line,) = speed.heat
        assert "into heat" in line.sentence
        assert line.evidence[0].text == "Electrical power"
        assert line.evidence[0].href.startswith("five-cell-against-four-cell.html#electrical_power-")
        assert all("logs/" in log.href for log in speed.figure.sources)
        assert len(speed.figure.sources) == 8


def test_the_table_of_differences_ends_at_the_rest_and_says_what_cannot_differ() -> None:
    table = made().speeds[2].differences
    assert table is not None
    assert table.key == "energy-differences-16000"
    assert [column.text for column in table.columns] == ["Part", "5S capped to 80 % against 4S"]
    cells = {row[0].text: row[1] for row in table.rows}
    assert cells["Into the propeller"].text == "the same estimate"
    assert cells["Electrical power"].text.startswith("+")
    assert " to " in cells["The rest: controller, iron, and what the estimates miss"].note


def test_notes_are_told_once_and_measured_is_told_from_estimated() -> None:
    section = made()
    assert len(section.notes) == len(set(section.notes))
    assert section.found.startswith(
        "Measured: the electrical power. Estimated from the part files: into the propeller;"
    )
    assert any("Torque was not measured" in note for note in section.notes)


def test_the_layout_places_all_of_it() -> None:
    template = '{% import "sections/energy.html" as sections %}{{ sections.energy(it) }}'
    html = environment([LAYOUTS]).from_string(template).render(it=made())
    assert html.count("<figure") == 3
    assert html.count('<h2 id="energy-title">') == 1
    assert "&lt;" not in html
    for speed in made().speeds:
        assert speed.figure.key in html
        assert f'id="{speed.differences.key}"' in html  # type: ignore[union-attr]
    assert all(note in html for note in made().notes if "&" not in note)


def test_without_a_balance_there_is_no_section() -> None:
    analysis = make_analysis()
    _, session, _ = demo_session(NAME)

    def never(name: str) -> FigureBlock:
        raise AssertionError(name)

    assert energy_section(analysis, session, PAGE, never) is None
    assert energy_figures(analysis, session) == ()
