"""Search: what is in the index, that it is safe as a script, and how it answers in a browser without a server."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given as given_cases
from hypothesis import strategies as st
from playwright.sync_api import Browser, expect

from generator.publication import search_page
from generator.publication.definitions import FirstUses, Term, terms_of
from generator.publication.search_page import GROUP_TITLES, Found, everything, index_files
from generator.publication.text_pages import read_text_pages, text_page
from generator.publication.units import Choice
from tests.publication.reader_sites import chromium, in_browser, opened
from tests.publication.site_checks import Page, pages_of
from tests.publication.site_season import ROOT, Given, make_season
from tests.publication.test_front import site_of

Entry = tuple[str, str, str, str, list[object], str]


def entries_of(files: dict[str, bytes]) -> list[Entry]:
    """What a browser would hand to `whirlbookSearch`, checked to be JSON inside one call."""
    found: list[Entry] = []
    for content in files.values():
        call = re.fullmatch(r"whirlbookSearch\((.*)\);\n", content.decode(), re.DOTALL)
        assert call is not None
        found += [tuple(entry) for entry in json.loads(call.group(1))]
    return found


def found_in(given: Given) -> tuple[Found, ...]:
    pages, _ = read_text_pages([ROOT / "content"])
    site = replace(site_of(given), has_overlay=True)
    return everything(site, {a.session_id: a for a in given.analyses}, terms_of(pages), pages)


def test_everything_that_matters_can_be_found(tmp_path: Path) -> None:
    corrections = [{"date": "2031-06-02", "what": "A run was left out.", "why": "It missed its speed."}]
    given = make_season(tmp_path / "season", repeats=1, session={"corrections": corrections})
    found = found_in(given)
    assert list(dict.fromkeys(entry.kind for entry in found)) == list(GROUP_TITLES)
    for analysis in given.analyses:
        own = {entry.title for entry in found}
        assert {claim.says for claim in analysis.claims} <= own
    session = next(entry for entry in found if entry.path == "sessions/cells/index.html")
    assert session.text == given.analyses[0].headline
    for words in ("At the same propeller speed", "Heron 1806", "Tri 5.1", "5S capped", "hold", "Loft stand"):
        assert words in f"{session.context} {session.words}", words
    runs = {entry.path: entry for entry in found if entry.kind == "Run"}
    assert len(runs) == sum(len(analysis.runs) for analysis in given.analyses)
    assert "hold, 4S" in runs["sessions/cells/runs/01-hold-four-cell-1.html"].title
    assert [entry.path for entry in found if entry.kind == "Curves"] == ["overlay/index.html"]
    rehearsed = [entry for entry in found if entry.path.startswith("sessions/rehearsed/")]
    assert rehearsed
    assert all("simulated data" in entry.context for entry in rehearsed)


def test_words_of_the_glossary_come_with_their_definitions() -> None:
    pages, _ = read_text_pages([ROOT / "content"])
    terms = {term.key: term for term in terms_of(pages)}
    assert terms["margin"].word == "margin"
    assert terms["margin"].told.startswith("The smallest difference that would matter")
    assert "<" not in "".join(term.told + term.word for term in terms.values())
    assert terms_of([page for page in pages if page.path != "glossary.html"]) == ()


def test_prose_is_found_section_by_section() -> None:
    page = text_page(
        "method.html", "# Method\n\nFirst.\n\n## Zero {#zero}\n\nDrift & rest.\n\n### Why\n\nWarmth.\n"
    )
    given_found = list(search_page._of_prose(page))
    assert [(it.title, it.key, it.context, it.text) for it in given_found] == [
        ("Method", "", "", "First."),
        ("Zero", "zero", "Method", "Drift & rest."),
        ("Why", "why", "Method", "Warmth."),
    ]


def test_every_entry_leads_to_a_place(plain_site: Path) -> None:
    files = {file.name: file.read_bytes() for file in sorted((plain_site / "assets").glob("search-*.js"))}
    ids = {page.name: page.ids() for page in pages_of(plain_site)}
    entries = entries_of(files)
    assert len(entries) > 80
    for _, title, address, *_ in entries:
        path, _, key = address.partition("#")
        assert path in ids, title
        assert not key or key in ids[path], address
    lists = Page(plain_site, plain_site / "search.html")
    assert len([href for href in lists.hrefs() if href in {entry[2] for entry in entries}]) >= len(entries)


def test_a_large_index_comes_in_pieces() -> None:
    found = [Found(kind="Session", title=f"Title {n}", path=f"{n}.html", text="x" * 900) for n in range(400)]
    files = index_files(found, Choice())
    assert list(files) == [f"assets/search-{n}.js" for n in range(1, len(files) + 1)]
    assert len(files) == 3
    assert all(len(content) < search_page.PIECE_BYTES + 2000 for content in files.values())
    assert [entry[1] for entry in entries_of(files)] == [it.title for it in found]
    one = Found(kind="Session", title="Long", path="a.html", text="x" * (2 * search_page.PIECE_BYTES))
    assert len(index_files([one, one], Choice())) == 2
    assert index_files([], Choice()) == {}


HOSTILE = '</script><img src=x onerror=alert(1)>\u2028\u2029"\\'


@given_cases(st.text())
def test_no_text_can_leave_its_string(text: str) -> None:
    found = Found(kind="Claim", title=text + HOSTILE, path="claims.html", context=text, words=text)
    (content,) = index_files([found], Choice()).values()
    assert not re.search("[<>&\u2028\u2029]", content.decode(errors="surrogatepass"))
    assert entries_of({"": content})[0][1] == text + HOSTILE


def test_quantities_in_the_index_keep_their_other_forms() -> None:
    found = Found(kind="Session", title="t", path="a.html", text="It gives 55\u00a0gf more.")
    ((*_, text, _),) = entries_of(index_files([found], Choice(thrust="n")))
    assert text == [
        "It gives ",
        {"gf": "55\u00a0gf", "n": "0.54\u00a0N", "ozf": "1.94\u00a0ozf", "first": "n"},
        " more.",
    ]


def test_first_uses_prefer_the_longer_word() -> None:
    terms = [Term(key=word.replace(" ", "-"), word=word, told=".") for word in ("power", "electrical power")]
    uses = FirstUses(terms)
    split = uses.split("Electrical power, power, electrical power")
    assert [piece[0] if isinstance(piece, tuple) else piece for piece in split] == [
        "Electrical power", ", ", "power", ", electrical power",
    ]  # fmt: skip
    assert [piece[1].key for piece in split if isinstance(piece, tuple)] == ["electrical-power", "power"]
    assert uses.split("power") == ("power",)
    assert FirstUses(()).split("power") == ("power",)


class TestInABrowser:
    pytestmark = in_browser

    @pytest.fixture(scope="class")
    @staticmethod
    def browser() -> Iterator[Browser]:
        with chromium() as started:
            yield started

    def test_a_search_by_keyboard(self, plain_site: Path, browser: Browser) -> None:
        with opened(browser, f"{plain_site.as_uri()}/search.html") as page:
            expect(page.locator("#search-lists")).to_be_visible()
            page.get_by_label("Search this season").focus()
            page.keyboard.type("margin")
            results = page.locator("#search-results a")
            expect(results.first).to_have_text("margin")
            expect(page.locator("#search-count")).to_contain_text("result")
            expect(page.locator("#search-lists")).to_be_hidden()
            assert page.url.endswith("search.html#q=margin")
            page.keyboard.press("Enter")
            assert page.evaluate("document.activeElement.textContent") == "margin"
            page.keyboard.press("Enter")
            page.wait_for_url("**/glossary.html#margin")
            page.go_back()
            expect(page.get_by_label("Search this season")).to_have_value("margin")
            expect(results.first).to_have_text("margin")

    @pytest.mark.parametrize(
        ("query", "kind", "title"),
        [
            ("fifth cell cost", "Session", "Does a fifth cell behind an output cap cost anything?"),
            ("HERON", "Part", "Heron 1806"),
            ("héron 1806", "Part", "Heron 1806"),
            ("uncertianty", "Glossary", "standard uncertainty"),  # two letters swapped
            ("overshot", "Glossary", "overshoot"),  # one left out
            ("tri 5.1", "Part", "Tri 5.1"),
        ],
    )
    def test_what_comes_first(
        self, plain_site: Path, browser: Browser, query: str, kind: str, title: str
    ) -> None:
        with opened(browser, f"{plain_site.as_uri()}/search.html#q={query}") as page:
            first = page.locator("#search-results li").first
            expect(first.locator("a")).to_have_text(title)
            expect(first.locator(".mild-label")).to_have_text(kind)

    def test_all_words_come_before_some(self, plain_site: Path, browser: Browser) -> None:
        with opened(browser, f"{plain_site.as_uri()}/search.html#q=margin%20zzzzqqq") as page:
            expect(page.locator("#search-count")).to_contain_text("Nothing holds all of these words.")
            expect(page.locator("#search-results a").first).to_have_text("margin")
            page.evaluate("location.hash = 'q=zzzzqqq'")
            expect(page.locator("#search-count")).to_have_text(
                "Nothing found. Fewer or other words may help."
            )
            page.evaluate("location.hash = ''")
            expect(page.locator("#search-lists")).to_be_visible()
            expect(page.locator("#search-count")).to_have_text("")

    def test_many_results_come_in_steps(self, plain_site: Path, browser: Browser) -> None:
        with opened(browser, f"{plain_site.as_uri()}/search.html#q=the") as page:
            expect(page.locator("#search-results li")).to_have_count(20)
            page.locator("#search-more").click()
            assert page.locator("#search-results li").count() > 20
            assert page.evaluate(
                "[...document.querySelectorAll('#search-results li')].indexOf(document.activeElement.closest('li'))"
            ) == 20  # fmt: skip

    def test_words_are_never_markup(self, plain_site: Path, browser: Browser) -> None:
        with opened(browser, f"{plain_site.as_uri()}/search.html#q=%3Cimg%20src%3Dx%3E%20speed") as page:
            expect(page.locator("#search-results mark").first).to_be_visible()
            assert page.locator("#search-results img").count() == 0
            # a correction holds angle brackets of its own
            page.evaluate("location.hash = 'q=missed'")
            expect(page.locator("#search-results")).to_contain_text("Its <speed> was missed.")

    def test_quantities_follow_the_readers_units(self, plain_site: Path, browser: Browser) -> None:
        with opened(browser, f"{plain_site.as_uri()}/search.html") as page:
            page.evaluate(
                "localStorage.setItem('whirlbook-units', JSON.stringify({thrust: 'n', temperature: 'f'}))"
            )
            page.evaluate(
                """() => {
                    whirlbookSearch([["Session", "Quux", "index.html", "", ["gives ",
                        {gf: "55 gf", n: "0.54 N", ozf: "1.94 ozf", first: "gf"}, " more"], ""]]);
                    location.hash = "q=quux";
                }"""
            )
            expect(page.locator("#search-results")).to_contain_text("gives 0.54 N more")
            expect(page.locator("#units")).to_be_visible()

    def test_without_scripts_all_lists_remain(self, plain_site: Path, browser: Browser) -> None:
        with opened(browser, f"{plain_site.as_uri()}/search.html#q=margin", scripts=False) as page:
            expect(page.locator("#search")).to_be_hidden()
            assert page.locator("#search-lists a:visible").count() > 80

    @pytest.mark.parametrize("width", [320, 390, 1280])
    def test_fits_and_is_large_enough(self, plain_site: Path, browser: Browser, width: int) -> None:
        for name in ("search.html#q=speed", "search.html", "downloads.html", "corrections.html"):
            with opened(browser, f"{plain_site.as_uri()}/{name}", width=width) as page:
                page.evaluate(
                    "document.querySelectorAll('details').forEach(box => box.open = box.id !== 'units')"
                )
                assert page.evaluate("document.documentElement.scrollWidth") <= width, name
                small = page.evaluate(
                    "[...document.querySelectorAll('.search-list a, .masthead-tools a, #search input, #search button')]"
                    ".map(e => e.getBoundingClientRect().height).filter(height => height > 0 && height < 24)"
                )
                assert small == [], name
