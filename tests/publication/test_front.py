"""The front page and its filters: what can be chosen, what it leaves, in the address, with and without scripts."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import pytest
from playwright.sync_api import Browser, expect

from generator.publication.colours import colours_css
from generator.publication.front_filters import cells_used, filters, marked, parts_used
from generator.publication.front_page import front_page, in_part
from generator.publication.page_frame import SIMULATED, SIMULATED_TOO, SOME_SIMULATED, Site
from tests.publication.reader_sites import chromium, in_browser, opened
from tests.publication.site_season import Given, make_season


@pytest.fixture
def given(tmp_path: Path) -> Given:
    return make_season(tmp_path / "season", repeats=1)


@pytest.fixture(scope="module")
def shared_given(tmp_path_factory: pytest.TempPathFactory) -> Given:
    return make_season(tmp_path_factory.mktemp("shared") / "season", repeats=1, small=True)


def site_of(given: Given) -> Site:
    return Site(season=given.season, version="0", newest="4 May 2031", has_claims=True, simulated="")


def test_parts_and_cells_of_a_session(given: Given) -> None:
    cells = next(session for session in given.season.sessions if session.id == "cells")
    assert parts_used(given.season, cells) == ("heron", "drive", "tri", "bench")
    assert cells_used(given.season, cells) == (4, 5, 6)


def test_a_pack_counts_its_own_cells(given: Given) -> None:
    session = given.season.sessions[0]
    flown = {
        name: treatment.model_copy(update={"supply": "index", "cells": None})
        for name, treatment in session.file.treatments.items()
    }
    session = session.model_copy(update={"file": session.file.model_copy(update={"treatments": flown})})
    assert cells_used(given.season, session) == (4,)  # PARTS: the pack called index has four


def test_verdicts_are_those_of_the_answer(given: Given) -> None:
    analysis = given.analyses[0]
    session = next(session for session in given.season.sessions if session.id == analysis.session_id)
    primary = {contrast.verdict for contrast in analysis.contrasts if contrast.primary}
    found = marked(given.season, session, analysis)["verdict"]
    assert set(found) == {verdict.replace(", ", "-").replace(" ", "-") for verdict in primary}
    none = replace(analysis, contrasts=tuple(replace(c, primary=False) for c in analysis.contrasts))
    assert len(marked(given.season, session, none)["verdict"]) == len(
        {contrast.verdict for contrast in analysis.contrasts}
    )


def test_choices_tell_how_many_answers_they_leave(given: Given) -> None:
    found = [
        {"part": ("heron", "tri"), "cells": ("4", "10"), "procedure": ("hold",), "verdict": ("more",)},
        {"part": ("heron", "bench"), "cells": ("4",), "procedure": ("hold",), "verdict": ("not-settled",)},
    ]
    made = {it.key: it for it in filters(given.season, found)}
    assert list(made) == ["part", "cells", "verdict"]  # every answer has holds: nothing to choose
    assert [(it.title, [c.text for c in it.choices]) for it in made["part"].sets] == [
        ("Motors", ["Heron 1806 (2)"]),
        ("Propellers", ["Tri 5.1 (1)"]),
        ("Supplies", ["Bench supply (1)"]),
    ]
    assert [c.text for c in made["cells"].sets[0].choices] == ["4 cells (2)", "10 cells (1)"]
    assert [c.text for c in made["verdict"].sets[0].choices] == ["more (1)", "not settled (1)"]


def test_corrections_are_told_on_the_front_page(plain_site: Path) -> None:
    assert '<a href="corrections.html">2 corrections since</a>.' in (plain_site / "index.html").read_text()


def test_one_answer_needs_no_filters(tmp_path: Path) -> None:
    given = make_season(tmp_path / "season", repeats=1, small=True)
    frame, page = front_page(site_of(given), {a.session_id: a for a in given.analyses})
    assert page.filters == ()
    assert page.corrections is None
    assert not any("filters.js" in script for script in frame.scripts)


@pytest.mark.parametrize(
    ("notice", "sentence", "told"),
    [
        ("All of it invented.", SIMULATED, SIMULATED),
        ("All invented, the logs simulated, not measured.", SIMULATED, SIMULATED_TOO),
        ("All invented, the logs simulated, not measured.", SOME_SIMULATED, SOME_SIMULATED),
        ("All invented, the logs simulated, not measured.", "", ""),
        (None, SIMULATED, SIMULATED),
    ],
)
def test_what_the_notice_tells_is_not_told_twice(
    shared_given: Given, notice: str | None, sentence: str, told: str
) -> None:
    season = shared_given.season
    told_file = season.file.model_copy(update={"notice": notice})
    site = replace(site_of(shared_given), season=season.model_copy(update={"file": told_file}))
    frame = site.frame("index.html", "A season", "About it.", simulated=sentence)
    assert (frame.notice, frame.simulated) == (notice or "", told)


def test_cards_carry_what_the_choices_ask_for(plain_site: Path) -> None:
    text = (plain_site / "index.html").read_text()
    cards = re.findall(r"<article class=\"card[^>]*>", text)
    assert len(cards) == 2
    offered = re.findall(r'<select [^>]*data-filter="(\w+)">(.*?)</select>', text, re.DOTALL)
    assert offered
    for key, choices in offered:
        for value, count in re.findall(r'<option value="([^"]+)">[^<]*\((\d+)\)</option>', choices):
            own = [re.findall(rf'data-{key}="([^"]*)"', card)[0].split() for card in cards]
            assert sum(value in values for values in own) == int(count)


def test_the_latest_answers_come_first_and_short(plain_site: Path) -> None:
    text = (plain_site / "index.html").read_text()
    assert text.count("<h1") == 1
    places = [
        text.index(part) for part in ('id="latest"', 'class="short-answers"', 'id="filters"', 'class="card"')
    ]
    assert places == sorted(places)
    short = re.findall(r"<li>\n<h2>.*?</li>", text[: places[2]], re.DOTALL)
    assert len(short) == 2
    for answer in short:
        assert 'class="verdict ' in answer
        assert answer.count("<b>Doubt:") <= 1
        assert answer.count("<b>Danger:") <= 1
        said = re.search(r'<p class="short-answer">(.*?)</p>', answer, re.DOTALL)
        assert said is not None
        assert "interval" not in said.group(1)
    # what leads is linked to its place on the session's page
    assert re.findall(
        r'<b>(?:Doubt|Danger):</b> <a href="sessions/[a-z]+/index.html#(?:check|caution)-', "".join(short)
    )


@pytest.mark.parametrize(
    ("rows", "said"),
    [
        ([("contradicted", True), ("contradicted", False), ("left open", True)],
         " Of the 2 contradicted, 1 holds in part."),
        ([("contradicted", True), ("contradicted", True)], " Of the 2 contradicted, 2 hold in part."),
        ([("contradicted", False), ("supported", False)], ""),
    ],
)  # fmt: skip
def test_the_count_of_claims_says_which_hold_in_part(rows: list[tuple[str, bool]], said: str) -> None:
    made = [SimpleNamespace(outcome=outcome, in_part=in_part) for outcome, in_part in rows]
    assert in_part(made) == said  # type: ignore[arg-type]


class TestInABrowser:
    pytestmark = in_browser

    @pytest.fixture(scope="class")
    @staticmethod
    def browser() -> Iterator[Browser]:
        with chromium() as started:
            yield started

    def test_choosing_hides_counts_and_writes_the_address(self, plain_site: Path, browser: Browser) -> None:
        with opened(browser, f"{plain_site.as_uri()}/index.html") as page:
            expect(page.locator("article.card:visible")).to_have_count(2)
            page.locator("#filters summary").focus()
            page.keyboard.press("Enter")
            expect(page.locator("#filter-count")).to_have_text("2 answers shown.")
            expect(page.locator("#filter-clear")).to_be_hidden()
            page.get_by_label("Cells").select_option("6")
            expect(page.locator("article.card:visible")).to_have_count(1)
            expect(page.locator("#filter-count")).to_have_text("1 of 2 answers shown.")
            assert page.url.endswith("index.html#cells=6")
            page.reload()  # the address carries it
            expect(page.locator("article.card:visible")).to_have_count(1)
            page.locator("#filter-clear").click()
            expect(page.locator("article.card:visible")).to_have_count(2)
            assert page.url.endswith("index.html")
            assert page.evaluate("document.activeElement.tagName") == "SELECT"

    def test_an_address_from_elsewhere(self, plain_site: Path, browser: Browser) -> None:
        with opened(browser, f"{plain_site.as_uri()}/index.html#cells=6&verdict=no-such&lost=1") as page:
            expect(page.locator("#filters")).to_have_attribute("open", "")
            expect(page.locator("article.card:visible")).to_have_count(1)
            page.evaluate("location.hash = 'cells=99'")
            expect(page.locator("article.card:visible")).to_have_count(2)
            page.evaluate("location.hash = 'latest'")  # a place on the page, not a choice
            expect(page.locator("article.card:visible")).to_have_count(2)

    def test_nothing_fits_is_told(self, plain_site: Path, browser: Browser) -> None:
        with opened(browser, f"{plain_site.as_uri()}/index.html") as page:
            # two filters that no session of this small season meets at once: one of them is spoilt by hand
            page.evaluate("document.querySelectorAll('article.card')[0].dataset.cells = ''")
            page.evaluate("location.hash = 'cells=6'")
            expect(page.locator("#filter-count")).to_have_text(
                "No answer fits all of these. Leave one of them open."
            )
            expect(page.locator("article.card:visible")).to_have_count(0)

    def test_without_scripts_the_plain_list_remains(self, plain_site: Path, browser: Browser) -> None:
        with opened(browser, f"{plain_site.as_uri()}/index.html#cells=6", scripts=False) as page:
            expect(page.locator("#filters")).to_be_hidden()
            expect(page.locator("article.card:visible")).to_have_count(2)

    def test_answers_stand_on_the_first_screen_of_a_phone(self, plain_site: Path, browser: Browser) -> None:
        with opened(browser, f"{plain_site.as_uri()}/index.html", width=390) as page:
            for answer in page.locator(".short-answers > li").all():
                box = answer.bounding_box()
                assert box is not None
                assert box["y"] + box["height"] < 844

    def test_a_narrowed_list_is_where_its_address_leads(self, plain_site: Path, browser: Browser) -> None:
        with opened(browser, f"{plain_site.as_uri()}/index.html#cells=6", width=390) as page:
            expect(page.locator("#filters")).to_be_in_viewport()

    @pytest.mark.parametrize("width", [320, 390, 1280])
    def test_fields_fit_and_are_large_enough(self, plain_site: Path, browser: Browser, width: int) -> None:
        with opened(browser, f"{plain_site.as_uri()}/index.html#cells=6", width=width) as page:
            assert page.evaluate("document.documentElement.scrollWidth") <= width
            fields = page.locator("#filters select, #filters button, #filters summary").all()
            assert len(fields) > 2
            for field in fields:
                box = field.bounding_box()
                assert box is not None
                assert box["height"] >= 24  # WCAG 2.2, 2.5.8


def test_tools_wear_the_colours_of_the_site(plain_site: Path) -> None:
    tools = (plain_site / "assets/tools.css").read_text()
    known = set(re.findall(r"(--[a-z0-9-]+):", (plain_site / "assets/style.css").read_text() + colours_css()))
    assert set(re.findall(r"var\((--[a-z0-9-]+)\)", tools)) <= known
    assert not re.search(r"#[0-9a-f]{3,8}\b|url\(|@import|rgb", tools)
