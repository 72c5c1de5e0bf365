"""Figures as files of their own say what a page would say around them, and hold no colour of a page."""

from __future__ import annotations

import re
from pathlib import Path
from xml.etree import ElementTree

import pytest

from generator.figures.styles import COLOURS, marks
from generator.publication.picture_files import Surroundings, picture_svg

LOOKS = marks(("six", "four"), "four")
AROUND = Surroundings(
    marks={"4S": LOOKS["four"], "6S": LOOKS["six"]},
    session="Does a sixth cell cost anything?",
    season="Invented season",
    notices=("Every part is invented.", "Simulated data."),
)
BOTH = (
    '<svg xmlns="http://www.w3.org/2000/svg" class="chart" width="400" height="90" viewBox="0 0 400 90" role="img" '
    'aria-labelledby="a-title"><title id="a-title">Six draw more.</title>'
    '<path d="M0,0h9" stroke="var(--baseline)"/><path d="M0,9h9" stroke="var(--treatment-1)"/></svg>'
)


def words(svg: str) -> list[str]:
    return [
        element.text or "" for element in ElementTree.fromstring(svg).iter("{http://www.w3.org/2000/svg}text")
    ]


def test_title_key_and_notices_are_in_the_picture() -> None:
    svg = picture_svg(BOTH, "Electrical power at 9 000 rpm", AROUND)
    assert words(svg) == [
        "Electrical power at 9 000 rpm", "4S", "6S", "Every part is invented.", "Simulated data.",
        "Does a sixth cell cost anything? Invented season.",
    ]  # fmt: skip
    root = ElementTree.fromstring(svg)
    assert root.get("aria-labelledby") == "a-title"
    assert "var(" not in svg
    assert set(re.findall(r"#[0-9a-f]{6}", svg)) <= {light for light, _ in COLOURS.values()}


def test_one_treatment_needs_no_key_and_long_titles_are_broken_not_cut() -> None:
    one = BOTH.replace('<path d="M0,9h9" stroke="var(--treatment-1)"/>', "")
    title = "Electrical power at equal thrust over the whole range that both set-ups reach, mean of the runs"
    said = words(picture_svg(one, title, AROUND))
    assert "4S" not in said
    assert " ".join(said).startswith(title)
    assert said[0] != title


@pytest.mark.parametrize("name", ["<b>&\"'", "]]>", "var(--ink)"])
def test_words_of_people_stay_words(name: str) -> None:
    around = Surroundings(marks={}, session=name, season=name)
    assert name.replace("var(--ink)", COLOURS["--ink"][0]) in words(picture_svg(BOTH, name, around))[0]


def test_demo_figures_are_to_be_had_as_pictures(demo_site: Path) -> None:
    folder = demo_site / "sessions/cell-count-capped/figures"
    specs = {file.name.removesuffix(".vl.json") for file in folder.glob("*.vl.json")}
    assert {file.stem for file in folder.glob("*.svg")} == specs
    answers = {file.stem for file in folder.glob("*.png")}
    assert any(name.endswith("-difference") for name in answers)
    assert all((folder / f"{name}.png").read_bytes().startswith(b"\x89PNG") for name in answers)
    for file in folder.glob("*.svg"):
        assert "simulated" in " ".join(words(file.read_text(encoding="utf-8")))
