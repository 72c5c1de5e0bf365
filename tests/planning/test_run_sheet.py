"""The run sheet: the same facts as page and as Markdown, one file without script, nothing of a text run as code."""

from __future__ import annotations

import base64
import hashlib
import re
from pathlib import Path

import html5lib
import pytest

from generator.plan_session import Planned, page_html, plan_session
from generator.planning.design import DesignOptions
from generator.planning.run_sheet import dose_words, duration
from generator.planning.run_sheet_markdown import markdown
from generator.planning.run_sheet_records import Cautions, Runs, Table, Ticks, Words
from tests.conftest import ROOT
from tests.planning.planned_season import QUESTION, write_planned


@pytest.fixture(scope="module")
def planned(tmp_path_factory: pytest.TempPathFactory) -> Planned:
    return plan_session(write_planned(tmp_path_factory.mktemp("plan") / "s"))


def words_of(planned: Planned) -> list[str]:
    """Every text of the sheet."""
    found = [planned.sheet.title, planned.sheet.local_codes, *planned.sheet.meta]
    for section in planned.sheet.sections:
        found.append(section.title)
        for block in section.blocks:
            match block:
                case Words():
                    found += block.texts
                case Ticks():
                    found += block.items
                case Table():
                    found += [
                        block.caption,
                        *block.head,
                        *(cell for row in block.rows for cell in row),
                        *block.notes,
                    ]
                case Cautions():
                    found += [
                        text for it in block.items for text in (it.signal, it.title, it.hazard, it.avoidance)
                    ]
                case Runs():
                    found += [text for run in block.items for text in (run.treatment, run.log, *run.before)]
    return [text for text in found if text]


def plain(text: str) -> str:
    return " ".join(text.split())


def test_page_and_markdown_hold_the_same_words(planned: Planned) -> None:
    page = html5lib.parse(planned.html, namespaceHTMLElements=False)
    shown = plain(" ".join(page.itertext()))
    written = plain(re.sub(r"\\(.)", r"\1", planned.text))
    texts = words_of(planned)
    assert len(texts) > 80
    for text in texts:
        assert plain(text) in shown
        assert plain(text) in written


def test_everything_that_was_asked_for_is_on_it(planned: Planned) -> None:
    keys = [section.key for section in planned.sheet.sections]
    for key in ("glance", "asked", "cautions", "before", "during", "runs", "after", "repeats", "assumed"):
        assert key in keys
    (cautions,) = next(s for s in planned.sheet.sections if s.key == "cautions").blocks
    assert isinstance(cautions, Cautions)
    titles = " ".join(it.title for it in cautions.items).lower()
    for word in ("hearing", "eye", "clear of the blades", "bench supply", "disconnect"):
        assert word in titles
    assert "lithium" not in titles, "everything here runs on a supply"
    assert "Local codes" in planned.sheet.local_codes
    order = ["DANGER", "WARNING", "CAUTION", "NOTICE"]
    ranks = [order.index(it.signal) for it in cautions.items]
    assert ranks == sorted(ranks)


def test_the_page_is_one_file_that_runs_nothing(planned: Planned) -> None:
    page = planned.html
    assert "<script" not in page
    assert not re.search(r"\b(src|href)=\"(?!#)", page)
    assert "url(" not in page
    assert "@import" not in page
    policy = re.search(r'Content-Security-Policy" content="([^"]+)"', page)
    assert policy is not None
    style = page[page.index("<style>") + len("<style>") : page.index("</style>")]
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    assert policy.group(1) == (
        f"default-src 'none'; style-src 'sha256-{digest}'; base-uri 'none'; form-action 'none'"
    )
    assert "style=" not in page
    html5lib.HTMLParser(strict=True).parse(page)


def test_what_people_write_is_text(planned: Planned) -> None:
    assert "Does &lt;b&gt; draw" in planned.html
    assert QUESTION in re.sub(r"\\(.)", r"\1", planned.text)
    assert r"\<b\> draw more \*power\* than a\_b" in planned.text


def test_every_run_has_a_box_a_log_and_room_to_write(planned: Planned) -> None:
    runs = planned.design.runs
    assert planned.html.count('id="run-') == len(runs)
    assert planned.text.count("- [ ] **") == len(runs)
    for run in runs:
        assert f"<code>{run.log}</code>" in planned.html
        assert f"`{run.log}`" in planned.text
    ids = re.findall(r'\bid="([^"]+)"', planned.html)
    assert len(ids) == len(set(ids))


def test_the_same_files_give_the_same_sheet(tmp_path: Path) -> None:
    one, two = (plan_session(write_planned(tmp_path / name / "s")) for name in ("a", "b"))
    assert (one.html, one.text, one.session_yaml) == (two.html, two.text, two.session_yaml)


def test_another_order_and_seed_are_said(tmp_path: Path) -> None:
    folder = write_planned(tmp_path / "s")
    found = plan_session(folder, DesignOptions(order="random", seed=7, repeats=5))
    assert "drawn by lot (seed 7)" in plain(found.text)
    assert [one.repeats for one in found.design.chosen] == [5]
    assert len(found.design.runs) == 10


def test_units_of_the_season_are_shown(tmp_path: Path) -> None:
    folder = write_planned(tmp_path / "s")
    season = folder.parent / "season.yaml"
    season.write_text(season.read_text("utf-8") + "units: {temperature: °F}\n", encoding="utf-8")
    assert "within 4\u00a0°F of the air" in plan_session(folder).text
    assert "within 2\u00a0K of the air" in plan_session(write_planned(tmp_path / "t")).text


def test_a_season_may_have_its_own_layout(planned: Planned, tmp_path: Path) -> None:
    (tmp_path / "run_sheet.html").write_text("<title>{{ sheet.title }}</title>", encoding="utf-8")
    html = page_html(planned.sheet, [ROOT / "layouts", tmp_path])
    assert html.endswith(f"<title>{planned.sheet.title}</title>")
    assert html.lstrip().startswith(
        '<meta http-equiv="Content-Security-Policy" content="default-src \'none\'; '
    )


def test_an_id_cannot_break_out_of_the_style(planned: Planned) -> None:
    assert planned.html.count("<style>") == planned.html.count("</style>") == 1


@pytest.mark.parametrize(
    ("seconds", "words"),
    [(0.2, "1 s"), (42.4, "42 s"), (99.0, "99 s"), (100.0, "2 min"), (3540.0, "59 min"), (3541.0, "1 h"),
     (7800.0, "2 h 10 min")],
)  # fmt: skip
def test_durations(seconds: float, words: str) -> None:
    assert plain(duration(seconds).replace("\u00a0", " ")) == words


def test_doses() -> None:
    assert dose_words(0.234) == "23\u00a0%"
    assert dose_words(0.0026) == "under 1\u00a0%"
    assert dose_words(12.0) == "12 times the whole"


def test_markdown_marks_in_texts_stay_plain(planned: Planned) -> None:
    lines = markdown(planned.sheet).splitlines()
    assert all(len(re.findall(r"(?<!\\)\|", line)) >= 3 for line in lines if line.startswith("|"))
    assert lines[0].startswith("# ")
