"""The section that carries an answer over to aircraft: what it says, in which order, and that it prints."""

from __future__ import annotations

import dataclasses
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from generator.evidence.aircraft import in_the_air
from generator.evidence.records import Check, SessionAnalysis
from generator.intake.session import Session
from generator.publication.air_section import AircraftBlock, AirSection, air_figures, air_section
from generator.publication.figure_blocks import figure_block, order_of, picture
from generator.publication.rendering import environment
from tests.evidence.invented_bench import BASE, OTHER
from tests.evidence.invented_flights import SCALE, flying_runs, flying_season, flying_session
from tests.factories import make_analysis

LAYOUTS = Path(__file__).resolve().parents[2] / "layouts"
FOUR = (0.998, 1.004, 1.001, 0.997)


def flown(
    setups: dict[str, dict[str, Any]] | None = None, aircraft: tuple[str, ...] = ("mapper",), **more: Any
) -> tuple[SessionAnalysis, Session]:
    session, season = flying_session(setups, aircraft), flying_season()
    scales = {
        name: [SCALE * (1 + 0.02 * place) * f for f in FOUR]
        for place, name in enumerate(session.file.treatments)
    }
    runs = flying_runs(session, season, scales, **more)
    flights, differences = in_the_air(runs, session, season)
    analysis = replace(make_analysis(), in_the_air=flights, in_the_air_differences=differences, checks=())
    return analysis, session


def made(analysis: SessionAnalysis, session: Session) -> AirSection:
    section = air_section(analysis, session, {})
    assert section is not None
    return section


def html(section: AirSection) -> str:
    template = '{% import "sections/air.html" as s %}{{ s.air(it) }}'
    return environment([LAYOUTS]).from_string(template).render(it=section)


def test_a_session_without_aircraft_has_no_section() -> None:
    assert air_section(*flown(aircraft=()), {}) is None


def test_the_difference_comes_first_and_is_told_once() -> None:
    analysis, session = flown({BASE: {"cells": 4}, OTHER: {"cells": 5}})
    (block,) = made(analysis, session).aircraft
    assert block.sentences == (analysis.in_the_air_differences[0].sentence,)
    assert block.title == "Mapper"
    assert block.effects is not None
    assert [cell.text for cell in block.effects.columns] == [
        "Comparison", "Set-up, at equal thrust", "Mass of the pack", "Energy in the pack", "All together",
    ]  # fmt: skip
    parts = [float(cell.text.split("\u00a0")[0].replace("\u2212", "-")) for cell in block.effects.rows[0][1:]]
    assert sum(parts[:3]) == pytest.approx(parts[3], abs=0.02)


def test_the_table_holds_what_was_measured_with_its_interval() -> None:
    (block,) = made(*flown()).aircraft
    assert block.effects is None
    row = {name.text: cell for name, cell in zip(block.table.columns, block.table.rows[0], strict=True)}
    assert row["Treatment"].note == "4 cells, 17.8\u00a0Wh usable; 4 runs"
    assert row["Mass with pack"].text == "740\u00a0g"
    assert row["Thrust a motor"].text == "185\u00a0gf"
    assert (row["Minutes of hover"].text, row["Minutes of hover"].note) == (
        "17.645\u00a0min", "17.557 to 17.734\u00a0min",
    )  # fmt: skip
    assert row["Thrust to weight"].text.startswith("3.2")


def test_a_note_that_holds_for_one_treatment_says_which() -> None:
    setups: dict[str, dict[str, Any]] = {
        BASE: {"cells": 4, "volts_per_cell": "4.0 V"},
        OTHER: {"supply": "pond-4s"},
    }
    (block,) = made(*flown(setups)).aircraft
    assert any(note.startswith("4S: A bench supply holds its voltage") for note in block.notes)
    assert any(note.startswith("5S capped: Power was measured on Pond 4S itself") for note in block.notes)
    assert sum("air of the bench" in note for note in block.notes) == 1
    assert not any(note.startswith("4S, 5S capped:") for note in block.notes)


def test_what_cannot_be_told_says_why_once() -> None:
    section = made(*flown(reach=100.0))
    (block,) = section.aircraft
    (sentence,) = block.sentences
    assert sentence.startswith(
        "What this means for the Mapper cannot be told. With 4S thrust and power were not "
    )
    assert not any("not measured together" in note for note in block.notes)
    assert section.caution is None
    assert block.table.rows[0][3].text == "not known"
    assert "These minutes" not in html(section)


def test_one_side_that_is_not_reached_leaves_the_other() -> None:
    analysis, session = flown({BASE: {"cells": 4}, OTHER: {"cells": 5}}, reach=190.0)
    (block,) = made(analysis, session).aircraft
    assert block.sentences[0].startswith("With 4S the Mapper would hover")
    assert "cannot be told: the hover power with 5S capped is not known" in block.sentences[1]
    assert block.sentences[2].startswith("How long the Mapper would hover with 5S capped is not known.")


def test_several_differences_say_that_each_interval_stands_alone() -> None:
    one = made(*flown()).aircraft[0]
    several = made(*flown({BASE: {}, OTHER: {}, "third": {}})).aircraft[0]
    assert not any("among several differences" in note for note in one.notes)
    assert any("among several differences" in note for note in several.notes)


def test_a_failed_check_of_power_is_printed_beside_it() -> None:
    check = Check(
        id="power-cubic", title="Power rises with the cube of speed", outcome="failed", sentence="It does not.",
        threshold="", reason="", source="", weakens=("electrical_power",),
    )  # fmt: skip
    other = replace(check, id="other", title="Rise time", weakens=("rise_time",))
    analysis, session = flown()
    section = made(replace(analysis, checks=(check, other, replace(check, outcome="passed"))), session)
    assert section.weakened_by == ("Power rises with the cube of speed (failed): It does not.",)
    assert "Weakened by a check" in html(section)


def test_it_prints_figure_tables_notes_and_caution() -> None:
    analysis, session = flown({BASE: {"cells": 4}, OTHER: {"cells": 5}}, aircraft=("mapper", "lifter"))
    figures = air_figures(analysis, session)
    assert list(figures) == ["mapper", "lifter"]
    drawn = {
        name: figure_block(figure, picture(order_of(figure)), session.id, "invented/index.html")
        for name, figure in figures.items()
    }
    section = air_section(analysis, session, drawn)
    assert section is not None
    page = html(section)
    assert page.count("<figure") == 2
    assert "What it means in the air" in page
    assert "These minutes are not a flight plan" in page
    assert "land with a reserve" in page
    assert "Local rules and licensed practice come first." in page
    ids = re.findall(r'\bid="([^"]+)"', page)
    assert len(ids) == len(set(ids))
    assert all(word in page for word in ("Mapper", "Lifter", "Thrust to weight"))


@pytest.mark.parametrize("context", [AircraftBlock, AirSection])
def test_every_field_is_explained_and_printed(context: type) -> None:
    text = (LAYOUTS / "sections" / "air.html").read_text(encoding="utf-8")
    for field in dataclasses.fields(context):
        assert re.search(rf"\b{field.name}\b", context.__doc__ or "")
        printed = re.search(rf"\.{field.name}\b", text) is not None
        assert printed or (field.name == "weakened_by" and "blocks.weakened(it)" in text)
