"""Loading of caution texts, thresholds and content pages; one fault case for each message."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from generator.intake.problems import SeasonProblems
from generator.intake.reference_texts import (
    CAUTION_PLACES,
    Thresholds,
    load_caution_texts,
    load_content_page,
    load_thresholds,
)

ROOT = Path(__file__).parents[2]
CONTENT = ROOT / "content"
CAUTIONS = CONTENT / "cautions"
SHARED = ROOT / "shared"

GOOD = """---
signal: CAUTION
title: Hot fan
threshold: Always.
source: Invented for this test.
always_on: true
---

## Hazard
The fan is
hot.

## Consequence
It burns.

## Avoid
Wait.
"""


def own_caution(folder: Path, text: str | bytes, name: str = "hot-fan") -> tuple[Path, Path]:
    """Folders of cautions, with one of a season on top of the built-in ones."""
    (folder / f"{name}.md").write_bytes(text if isinstance(text, bytes) else text.encode())
    return CAUTIONS, folder


def faults(folders: tuple[Path, Path]) -> SeasonProblems:
    with pytest.raises(SeasonProblems) as caught:
        load_caution_texts(folders)
    return caught.value


# --- cautions -----------------------------------------------------------------------------------------------


def test_every_caution_that_can_be_raised_has_a_text() -> None:
    assert set(load_caution_texts([CAUTIONS])) == set(CAUTION_PLACES)


def test_own_caution_is_added_with_its_three_parts(tmp_path: Path) -> None:
    texts = load_caution_texts(own_caution(tmp_path, GOOD))
    own = texts["hot-fan"]
    assert (own.signal, own.title, own.always_on) == ("CAUTION", "Hot fan", True)
    assert (own.hazard, own.consequence, own.avoidance) == ("The fan is hot.", "It burns.", "Wait.")
    assert (own.threshold, own.source) == ("Always.", "Invented for this test.")
    assert set(texts) == {*CAUTION_PLACES, "hot-fan"}


def test_a_season_replaces_a_built_in_text(tmp_path: Path) -> None:
    texts = load_caution_texts(own_caution(tmp_path, GOOD, "guard"))
    assert texts["guard"].hazard == "The fan is hot."
    assert texts["eyes"] == load_caution_texts([CAUTIONS])["eyes"]


@pytest.mark.parametrize("change", ["\ufeff{}", "crlf"])
def test_byte_order_mark_and_windows_line_ends_make_no_difference(tmp_path: Path, change: str) -> None:
    text = GOOD.replace("\n", "\r\n") if change == "crlf" else change.format(GOOD)
    assert load_caution_texts(own_caution(tmp_path, text))["hot-fan"].hazard == "The fan is hot."


def test_a_text_with_places_is_filled_by_its_facts(tmp_path: Path) -> None:
    text = GOOD.replace("always_on: true", "always_on: false").replace(
        "The fan is\nhot.", "{part} at {temperature_c}."
    )
    hot = load_caution_texts(own_caution(tmp_path, text, "hot-surface"))["hot-surface"]
    assert hot.hazard.format_map({"part": "Bell", "temperature_c": "71"}) == "Bell at 71."


@pytest.mark.parametrize(
    ("old", "new", "line", "message"),
    [
        ("---\nsignal", "signal", 1, "does not open with front matter"),
        ("signal: CAUTION", "signal: CAUTON", 2, "'CAUTON' is not one of: .*\n    Did you mean 'CAUTION'"),
        ("title: Hot fan", "titel: Hot fan", 3, "titel: no such key here.\n    Did you mean 'title'"),
        ("source: Invented for this test.\n", "", 2, "source: is missing.\n    Add `source:`. Where the rule"),
        ("source: Invented for this test.", "source: ''", 5, "source:"),
        ("title: Hot fan", "title: Hot\ntitle: Fan", 4, "title: is given twice .first on line 3"),
        ("title: Hot fan", "title: [Hot, fan]", 3, "more than plain keys and values"),
        ("title: Hot fan", "title: Hot: fan", 3, "is not readable YAML"),
        ("title: Hot fan", "title: Hot \x07 fan", 2, "is not readable YAML"),
        ("always_on: true", "always_on: maybe", 6, "always_on:"),
        ("## Hazard", "Hello\n## Hazard", 9, "Text stands before the first part"),
        ("## Consequence", "## Result", 13, "'## Result' is no part of a caution"),
        ("## Consequence", "### Consequence", 13, "'### Consequence' is no part of a caution"),
        ("## Consequence\nIt burns.", "", None, "Consequence: This part is missing"),
        ("It burns.", "", 13, "Consequence: This part is empty"),
        ("## Avoid", "## Hazard\nTwice.\n\n## Avoid", 16, "'## Hazard' is given twice"),
        ("It burns.", "It burns {part}.", 13, "'{part}' is no place.*\n    Write this text without braces"),
        ("It burns.", "It {burns.", 13, "A brace does not match"),
        ("It burns.", "It burns {}.", 13, "'{}' is no place"),
    ],
)  # fmt: skip
def test_fault_names_file_line_and_remedy(
    tmp_path: Path, old: str, new: str, line: int | None, message: str
) -> None:
    assert GOOD.count(old) == 1
    folders = own_caution(tmp_path, GOOD.replace(old, new))
    with pytest.raises(SeasonProblems, match=message) as caught:
        load_caution_texts(folders)
    problem = next(p for p in caught.value.problems if re.search(message, str(p)))
    assert problem.file == str(tmp_path / "hot-fan.md")
    assert problem.line == line
    assert problem.remedy


def test_parts_out_of_order_are_refused(tmp_path: Path) -> None:
    head, body = GOOD.split("## Hazard")
    first, rest = body.split("## Consequence")
    swapped = head + "## Consequence" + rest + "\n## Hazard" + first
    assert "The parts are out of order" in str(faults(own_caution(tmp_path, swapped)))


@pytest.mark.parametrize(
    "place", ["{part.__class__}", "{part[0]}", "{part!r}", "{part:>9999}", "{part:{part}}"]
)
def test_a_place_reaches_nothing_but_its_fact(tmp_path: Path, place: str) -> None:
    text = GOOD.replace("always_on: true", "always_on: false").replace("It burns.", place)
    problems = faults(own_caution(tmp_path, text, "hot-surface")).problems
    assert [problem.key for problem in problems] == ["consequence"]


def test_misspelt_place_is_told_the_nearest(tmp_path: Path) -> None:
    text = GOOD.replace("always_on: true", "always_on: false").replace("Hot fan", "'{prat} is hot'")
    assert "Did you mean 'part'" in str(faults(own_caution(tmp_path, text, "hot-surface")))


def test_standing_cautions_cannot_be_switched_off(tmp_path: Path) -> None:
    text = GOOD.replace("always_on: true", "always_on: false")
    assert "'guard' is shown with every session" in str(faults(own_caution(tmp_path, text, "guard")))


def test_data_cautions_cannot_be_shown_without_data(tmp_path: Path) -> None:
    assert "raised from the data only" in str(faults(own_caution(tmp_path, GOOD, "tip-mach")))


def test_caution_that_nothing_raises_is_told(tmp_path: Path) -> None:
    text = GOOD.replace("always_on: true", "always_on: false")
    told = str(faults(own_caution(tmp_path, text, "tip-mac")))
    assert "Nothing raises a caution called 'tip-mac'" in told
    assert "Did you mean 'tip-mach'" in told


def test_file_name_must_be_an_id(tmp_path: Path) -> None:
    assert "no caution id" in str(faults(own_caution(tmp_path, GOOD, "Hot Fan")))


def test_text_that_is_not_utf8_names_its_line(tmp_path: Path) -> None:
    problem = faults(own_caution(tmp_path, GOOD.replace("Wait.", "W\u00e4rme").encode("latin-1"))).problems[0]
    assert (problem.what, problem.line) == ("is not UTF-8 text.", 17)


def test_huge_file_is_refused(tmp_path: Path) -> None:
    assert "at most 500 kB" in str(faults(own_caution(tmp_path, GOOD + "x" * 600_000)))


def test_deeply_nested_front_matter_is_a_fault_not_a_crash(tmp_path: Path) -> None:
    text = GOOD.replace("title: Hot fan", "title: " + "[" * 20_000)
    assert "is not readable YAML" in str(faults(own_caution(tmp_path, text)))


def test_all_faults_come_in_one_pass(tmp_path: Path) -> None:
    own_caution(tmp_path, GOOD.replace("CAUTION", "BEWARE").replace("It burns.", ""), "first")
    folders = own_caution(tmp_path, GOOD.replace("always_on: true", "always_on: false"), "second")
    problems = faults(folders).problems
    assert [Path(problem.file).name for problem in problems] == ["first.md", "first.md", "second.md"]


def test_missing_built_in_texts_are_told(tmp_path: Path) -> None:
    with pytest.raises(SeasonProblems, match=r"These cautions have no text: guard, eyes, .*sound-level"):
        load_caution_texts([tmp_path])


# --- thresholds ---------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def limits() -> Thresholds:
    return load_thresholds([SHARED])


def own_thresholds(folder: Path, text: str) -> tuple[Path, Path]:
    (folder / "thresholds.yaml").write_text(text, encoding="utf-8")
    return SHARED, folder


def test_lookups(limits: Thresholds) -> None:
    assert limits.value("sound.level_db") == 85.0
    assert limits.share("hold.speed_miss_percent") == pytest.approx(0.02)
    assert limits.text("sound.level_db") == "85 dB"
    assert limits.text("touch.brief_c") == "65 °C"
    assert limits.text("propeller.tip_mach") == "0.7"
    assert limits.source("thermal_class.F") == "IEC 60085:2007, Table 1 (transcribed)"
    assert limits.entry("thermal_class.Y").value == 90.0


def test_unknown_key_is_told_the_nearest(limits: Thresholds) -> None:
    with pytest.raises(KeyError, match=r"Did you mean 'sound.level_db'"):
        limits.value("sound.levl_db")


def test_share_of_something_else_is_refused(limits: Thresholds) -> None:
    with pytest.raises(ValueError, match="is in dB, not in percent"):
        limits.share("sound.level_db")


def test_a_season_replaces_single_entries(tmp_path: Path, limits: Thresholds) -> None:
    text = """
thresholds:
  sound:
    caution_from_db: {value: 80, unit: dB, source: Rule of an invented country, provenance: memory}
"""
    merged = load_thresholds(own_thresholds(tmp_path, text))
    assert merged.value("sound.caution_from_db") == 80.0
    assert merged.source("sound.caution_from_db") == "Rule of an invented country (memory)"
    assert merged.keys() == limits.keys()
    untouched = [key for key in limits.keys() if key != "sound.caution_from_db"]  # noqa: SIM118
    assert [merged.entry(key) for key in untouched] == [limits.entry(key) for key in untouched]


ENTRY = "value: 80, unit: dB, source: invented, provenance: memory"


@pytest.mark.parametrize(
    ("entry", "message"),
    [
        (ENTRY.replace("80", "'80'"), "value: '80' does not fit here"),
        (ENTRY.replace("80", "yes"), "value: 'True' does not fit here"),
        (ENTRY.replace("80", ".nan"), "value: 'nan' does not fit here"),
        (ENTRY.replace("80", ".inf"), "value: 'inf' does not fit here"),
        (ENTRY.replace("unit: dB", "unit: dBa"), "unit: 'dBa' is not one of"),
        (ENTRY.replace("unit: dB", "unit: K"), "'sound.caution_from_db' is in dB, not in K"),
        (ENTRY.replace("memory", "hearsay"), "'hearsay' is not one of: read; transcribed; memory"),
        (ENTRY.replace("source: invented, ", ""), "source: is missing"),
        (ENTRY.replace("source: invented", "source: ''"), "source:"),
        (ENTRY + ", sauce: x", "sauce: no such key here.\n    Did you mean 'source'"),
    ],
)
def test_threshold_fault_names_file_line_and_key(tmp_path: Path, entry: str, message: str) -> None:
    folders = own_thresholds(tmp_path, f"thresholds:\n  sound:\n    caution_from_db: {{{entry}}}\n")
    with pytest.raises(SeasonProblems, match=message) as caught:
        load_thresholds(folders)
    problem = caught.value.problems[0]
    assert (problem.file, problem.line) == (str(tmp_path / "thresholds.yaml"), 3)
    assert problem.key.startswith("thresholds.sound.caution_from_db")


def test_entry_that_replaces_nothing_is_told_the_nearest(tmp_path: Path) -> None:
    folders = own_thresholds(tmp_path, f"thresholds:\n  sound:\n    caution_form_db: {{{ENTRY}}}\n")
    with pytest.raises(
        SeasonProblems, match=r"no threshold 'sound.caution_form_db' to replace[^?]*caution_from_db"
    ):
        load_thresholds(folders)


def test_thresholds_need_their_top_key(tmp_path: Path) -> None:
    with pytest.raises(SeasonProblems, match="thresholds: is missing"):
        load_thresholds(own_thresholds(tmp_path, f"sound:\n  level_db: {{{ENTRY}}}\n"))


def test_no_thresholds_at_all_is_told(tmp_path: Path) -> None:
    with pytest.raises(SeasonProblems, match=r"no thresholds\.yaml was found"):
        load_thresholds([tmp_path])


# --- pages --------------------------------------------------------------------------------------------------


def test_page_of_the_last_folder_wins(tmp_path: Path) -> None:
    assert load_content_page("method", [CONTENT, tmp_path]).startswith("# Method")
    (tmp_path / "method.md").write_text("\ufeff# Ours\r\n", encoding="utf-8", newline="")
    assert load_content_page("method", [CONTENT, tmp_path]) == "# Ours\n"


@pytest.mark.parametrize("name", ["methods", "../method", "cautions/guard", ""])
def test_only_the_built_in_pages_can_be_asked_for(name: str) -> None:
    with pytest.raises(ValueError, match="no built-in page"):
        load_content_page(name, [CONTENT])


def test_missing_page_is_told(tmp_path: Path) -> None:
    with pytest.raises(SeasonProblems, match="no such page was found"):
        load_content_page("safety", [tmp_path])


def test_empty_page_is_told(tmp_path: Path) -> None:
    (tmp_path / "safety.md").write_text(" \n", encoding="utf-8")
    with pytest.raises(SeasonProblems, match="is empty"):
        load_content_page("safety", [CONTENT, tmp_path])
