"""Units as the reader likes: conversions that lose nothing, in texts, in finished pages, in a browser."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from markupsafe import Markup, escape
from playwright.sync_api import Browser, expect

from generator.evidence.wording import (
    MINUS,
    NBSP,
    THIN,
    interval_decimals,
    interval_text,
    measured,
    number,
    with_unit,
)
from generator.intake.session import DisplayUnits
from generator.publication.definitions import Term
from generator.publication.marked_pages import Marks, drawn_in
from generator.publication.units import (
    NEWTON_PER_GF,
    OZF_PER_GF,
    SCALES,
    Choice,
    Quantity,
    choice_of,
    decimals_in,
    in_units,
    pieces,
)
from tests.publication.reader_sites import chromium, in_browser, opened, quick_site
from tests.publication.site_checks import broken_links, faults_of, pages_of

PUBLISHED, NEWTON, OUNCE = (
    Choice(),
    Choice(thrust="n", temperature="f"),
    Choice(thrust="ozf", temperature="f"),
)


def spaced(text: str) -> str:
    """Text typed in a test, with the spaces and minus of finished texts."""
    text = re.sub(r"(?<=\d) (?=\d{3})", THIN, text.replace("-", MINUS))
    return re.sub(r" (?=(gf|N|ozf|°C|°F|K|N·m|mN)(\W|$))", NBSP, text)


# --- texts --------------------------------------------------------------------------------------------------


def test_factors_are_the_defined_ones() -> None:
    # NIST SP 811 (2008), B.8: 1 lbf (16 ozf) is 4.448 222 N; 1 gf is 9.806 65 E-03 N
    assert float(16 / OZF_PER_GF * NEWTON_PER_GF) == pytest.approx(4.448222, abs=5e-7)
    assert Decimal("9.80665E-03") == NEWTON_PER_GF


@pytest.mark.parametrize(
    ("factor", "published", "shown"),
    [
        ("0.3048", "36", "11.0"),  # NIST SP 811 (2008), B.7.2: 36 ft is 11.0 m
        ("2.54", "36", "91"),  # NIST LC 1137, Metric Style Guide: 36 in is 91 cm,
        ("2.54", "40.1", "101.9"),  # and 40.1 in is 101.9 cm
    ],
)
def test_digits_follow_the_published_rule(factor: str, published: str, shown: str) -> None:
    places = decimals_in(Decimal(factor), len(published.partition(".")[2]))
    assert f"{Decimal(published) * Decimal(factor):.{places}f}" == shown


@pytest.mark.parametrize(
    ("published", "newton", "ounce"),
    [
        # worked by hand with 1 gf = 0.00980665 N = 0.03527396 ozf
        ("262.4 gf", "2.573 N", "9.256 ozf"),
        ("1 204 gf", "11.81 N", "42.47 ozf"),
        ("at 250 gf thrust", "at 2.45 N thrust", "at 8.82 ozf thrust"),
        ("+1.2 to +5.0 gf", "+0.012 to +0.049 N", "+0.042 to +0.176 ozf"),
        ("-72 to -38 gf", "-0.71 to -0.37 N", "-2.54 to -1.34 ozf"),
        ("-0.4 to +0.3 gf.", "-0.004 to +0.003 N.", "-0.014 to +0.011 ozf."),
        ("166.00 ± 0.65 gf", "1.6279 ± 0.0064 N", "5.8555 ± 0.0229 ozf"),
        ("±3.32 gf (2 %)", "±0.0326 N (2 %)", "±0.1171 ozf (2 %)"),
        ("0.185 gf/W", "0.00181 N/W", "0.00653 ozf/W"),
        ("0.0 gf", "0.000 N", "0.000 ozf"),
        ("+0.04 gf", "+0.0004 N", "+0.0014 ozf"),
        ("100 gf and 4 gf", "0.98 N and 0.04 N", "3.53 ozf and 0.14 ozf"),
        # rounded to tens beside its own half-width (two digits of it), so converted no finer
        ("-340 to -130 gf", "-3.3 to -1.3 N", "-12.0 to -4.6 ozf"),
        ("930 ± 20 gf", "9.12 ± 0.20 N", "32.80 ± 0.71 ozf"),
        # a range of conditions is exact
        (
            "between 200 and 560 gf of thrust",
            "between 1.96 and 5.49 N of thrust",
            "between 7.05 and 19.75 ozf of thrust",
        ),
        ("between -3 gf and +3 gf", "between -0.03 N and +0.03 N", "between -0.11 ozf and +0.11 ozf"),
        ("Heron 1806 and 250 gf", "Heron 1806 and 2.45 N", "Heron 1806 and 8.82 ozf"),
        ("from 150 to 250 gf thrust", "from 1.47 to 2.45 N thrust", "from 5.29 to 8.82 ozf thrust"),
    ],
)
def test_thrust(published: str, newton: str, ounce: str) -> None:
    assert in_units(spaced(published), NEWTON) == spaced(newton)
    assert in_units(spaced(published), OUNCE) == spaced(ounce)
    assert in_units(spaced(published), PUBLISHED) == spaced(published)


@pytest.mark.parametrize(
    ("published", "fahrenheit"),
    [
        # fixed points of both scales, and where they meet
        ("0 °C", "32 °F"),
        ("100 °C", "212 °F"),
        ("-40 °C", "-40 °F"),
        ("-17.8 °C", "0.0 °F"),
        ("18.4 °C", "65.1 °F"),
        ("12.6 ± 0.5 °C", "54.7 ± 0.9 °F"),
        ("±0.5 °C", "±0.9 °F"),
        ("10 to 20 °C", "50 to 68 °F"),
        ("Between 10 and 20 °C", "Between 50 and 68 °F"),
        # a difference has no zero to shift
        ("5 K", "9 °F"),
        ("+1.0 to +3.2 K", "+1.8 to +5.8 °F"),
        ("-2.97 to -0.99 K", "-5.35 to -1.78 °F"),
        ("2.40 ± 0.57 K", "4.32 ± 1.03 °F"),
        ("0 K", "0 °F"),
    ],
)
def test_temperatures(published: str, fahrenheit: str) -> None:
    assert in_units(spaced(published), NEWTON) == spaced(fahrenheit)


@pytest.mark.parametrize(
    "text",
    [
        "0.019\u00a0N·m", "5\u00a0K/W", "the cold pack (4 °C)", "3 gf", "5-10\u00a0gf", "2×3\u00a0gf", "12\u00a0gf·cm",
        "12\u00a0W", "16\u202f000\u00a0rpm", "4\u00a0Kraken", "v1.2.3\u00a0gf", "gf", "\u00a0gf", "",
    ],
)  # fmt: skip
def test_what_stays_as_it_is(text: str) -> None:
    assert in_units(text, NEWTON) == text


@given(st.text())
def test_no_text_is_lost(text: str) -> None:
    assert "".join(p if isinstance(p, str) else p.published for p in pieces(text)) == text
    assert in_units(text, PUBLISHED) == text


UNITS = st.sampled_from(sorted(SCALES))
VALUES = st.floats(-5000, 5000, allow_nan=False)


def value_of(text: str) -> Decimal:
    return Decimal(text.replace(THIN, "").replace(MINUS, "-").lstrip("±"))


@given(VALUES, st.integers(-1, 5), UNITS, st.booleans())
def test_one_number_keeps_what_it_says(value: float, places: int, unit: str, signed: bool) -> None:
    published = with_unit(number(value, places, signed=signed), unit)
    (quantity,) = pieces(published)
    assert isinstance(quantity, Quantity)
    shown_places = len(published.split(NBSP)[0].partition(".")[2])
    for key, scale in SCALES[unit].items():
        text, suffix = quantity.texts[key].split(NBSP)
        assert suffix == scale.suffix
        back = (value_of(text) - scale.zero) / scale.factor
        slack = Decimal("0.515").scaleb(-shown_places)
        assert abs(back - value_of(published.split(NBSP)[0])) <= slack
        # no more precise than published either: at most one more digit
        last = Decimal(1).scaleb(-len(text.partition(".")[2])) / scale.factor
        assert last > Decimal("0.25").scaleb(-shown_places)
        if scale.zero == 0 and signed:
            assert (text[0] == "+") == (value_of(text) > 0)


@given(VALUES, st.floats(1e-4, 500), UNITS)
def test_intervals_keep_order_and_decimals(middle: float, half_width: float, unit: str) -> None:
    published = interval_text(middle - half_width, middle + half_width, unit)
    (quantity,) = pieces(published)
    assert isinstance(quantity, Quantity)
    ends = published.removesuffix(f"{NBSP}{unit}").split(" to ")
    for key, scale in SCALES[unit].items():
        low, high = quantity.texts[key].removesuffix(f"{NBSP}{scale.suffix}").split(" to ")
        assert len(low.partition(".")[2]) == len(high.partition(".")[2])
        assert value_of(low) <= value_of(high)
        # each end keeps what the published one says, whose last place we found from its text alone
        slack = Decimal("0.515").scaleb(-interval_decimals(middle - half_width, middle + half_width))
        for text, end in zip((low, high), ends, strict=True):
            assert abs((value_of(text) - scale.zero) / scale.factor - value_of(end)) <= slack


@given(st.floats(1, 2000), st.floats(1e-3, 50), UNITS)
def test_every_measured_value_is_found(value: float, uncertainty: float, unit: str) -> None:
    quantity = pieces(f"It shows {measured(value, unit, uncertainty)}, as before.")
    assert [type(piece) for piece in quantity] == [str, Quantity, str]


def test_the_season_names_its_units() -> None:
    assert choice_of(DisplayUnits()) == PUBLISHED
    assert choice_of(DisplayUnits(thrust="N", temperature="°F")) == NEWTON
    assert choice_of(DisplayUnits(thrust="ozf")) == Choice(thrust="ozf", temperature="c")


# --- finished pages -----------------------------------------------------------------------------------------

MARGIN = Term(key="margin", word="margin", told='The smallest difference that would matter to "us".')
PER_WATT = Term(key="thrust-per-watt", word="thrust per watt", told="Thrust divided by electrical power.")
POWER = Term(key="electrical-power", word="electrical power", told="Voltage times current.")
MARKS = Marks(choice=PUBLISHED, terms=(MARGIN, PER_WATT, POWER))


def body(inside: str) -> str:
    return f"<!doctype html><html><head><title>5{NBSP}gf</title></head><body>{inside}</body></html>"


def marked(inside: str, path: str = "sessions/a/index.html", marks: Marks = MARKS) -> str:
    made = marks.page(path, body(inside))
    assert made.startswith(f"<!doctype html><html><head><title>5{NBSP}gf</title></head><body>")
    return made.removeprefix(body("").removesuffix("</body></html>")).removesuffix("</body></html>")


def test_a_quantity_carries_its_other_forms() -> None:
    assert marked(f"<p>It gives 55{NBSP}gf &amp; more.</p>") == (
        f'<p>It gives <span class="q" data-n="0.54{NBSP}N" data-ozf="1.94{NBSP}ozf">55{NBSP}gf</span> &amp; more.</p>'
    )
    own = Marks(choice=NEWTON)
    assert marked(f"<p>5{NBSP}K</p>", marks=own) == (
        f'<p><span class="q" data-c="5{NBSP}K">9{NBSP}°F</span></p>'
    )


@pytest.mark.parametrize("tag", ["svg", "pre", "code", "script", "style", "textarea", "select", "figcaption"])
def test_what_is_kept_stays(tag: str) -> None:
    html = f'<{tag} class="quiet"><b>5{NBSP}gf of margin</b></{tag}>'
    assert marked(html) == html
    assert marked(f"{html}<p>5{NBSP}gf</p>").count('class="q"') == 1


def test_a_page_for_other_pages_has_no_spans_and_no_links() -> None:
    html = f'<p class="support">Margin ±5{NBSP}gf</p>'
    assert marked(html, path="sessions/a/embed/b.html") == html
    own = Marks(choice=NEWTON, terms=(MARGIN,))
    assert marked(html, path="sessions/a/embed/b.html", marks=own) == (
        f'<p class="support">Margin ±0.05{NBSP}N</p>'
    )


def test_first_use_of_a_word_leads_to_the_glossary() -> None:
    made = marked('<p class="support">Margin and margin, thrust per watt.</p><p class="quiet">margin</p>')
    assert made == (
        '<p class="support"><a class="term" href="../../glossary.html#margin" '
        'title="The smallest difference that would matter to &#34;us&#34;.">Margin</a> and margin, '
        '<a class="term" href="../../glossary.html#thrust-per-watt" '
        'title="Thrust divided by electrical power.">thrust per watt</a>.</p><p class="quiet">margin</p>'
    )


@pytest.mark.parametrize(
    "html",
    [
        '<p class="quiet"><a href="x.html">margin</a></p>',
        '<details class="quiet"><summary>margin</summary></details>',
        '<div class="quiet"><h2>margin</h2></div>',
        '<section class="prose"><dl><dt>margin</dt></dl></section>',
        "<p>margin</p>",
        '<p class="answer">margin</p>',
        '<p class="quiet">margins, sub-margin, margin-free</p>',
    ],
)
def test_no_link_where_it_would_be_in_the_way(html: str) -> None:
    assert marked(html) == html


def test_the_glossary_does_not_link_to_itself() -> None:
    html = "<dl><dt>margin</dt></dl>"
    assert marked(html, path="glossary.html") == html


@settings(max_examples=60)
@given(st.lists(st.text(alphabet=f"ab<>&\"' 15.{NBSP}{MINUS}gfK/W±", max_size=30), max_size=5))
def test_words_of_a_page_stay_what_they_were(texts: list[str]) -> None:
    """But for the space before a unit and the form of an apostrophe."""

    def plain(text: str) -> str:
        return text.replace(NBSP, " ").replace("\u2019", "'")

    html = "".join(f'<p class="quiet">{escape(text)}</p>' for text in texts)
    made = marked(html)
    assert [
        plain(Markup(p).unescape())
        for p in re.findall(r'<p class="quiet">(.*?)</p>', _untagged(made), re.DOTALL)
    ] == [plain(text) for text in texts]


def _untagged(html: str) -> str:
    return re.sub(r"</?(?:span|a)\b[^>]*>", "", html)


def test_charts_say_which_units_they_keep() -> None:
    head = '<figure class="figure"><svg><text>Thrust (gf)</text></svg>'
    made = marked(f"{head}<figcaption><p>x</p></figcaption></figure>")
    assert made == (
        f'{head}<figcaption>\n<p class="drawn-in of-thrust">Chart and table stay in gf, as published.</p>'
        "<p>x</p></figcaption></figure>"
    )
    assert drawn_in("Rise (K) of the warm pack (26 °C), (gf/W)") == Markup(
        '\n<p class="drawn-in of-temperature of-thrust">Chart and table stay in K and gf/W, as published.</p>'
    )
    assert drawn_in("Power (W)") == ""


# --- built sites --------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def own_units(tmp_path_factory: pytest.TempPathFactory) -> Path:
    units = {"thrust": "N", "temperature": "°F"}
    return quick_site(tmp_path_factory.mktemp("own"), small=True, season={"units": units})


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as started:
        yield started


def test_sites_stay_sound(plain_site: Path, own_units: Path) -> None:
    for root in (plain_site, own_units):
        pages = pages_of(root)
        assert [f"{page.name}: {fault}" for page in pages for fault in faults_of(page)] == []
        assert broken_links(pages) == []
        assert any('class="q"' in page.text for page in pages)
        assert any('class="term"' in page.text for page in pages)


def test_season_units_show_without_scripts(plain_site: Path, own_units: Path) -> None:
    name = "sessions/cells/five-cell-against-four-cell.html"
    theirs, ours = (next(p for p in pages_of(root) if p.name == name) for root in (own_units, plain_site))
    assert 'data-thrust="n" data-temperature="f"' in theirs.text
    quantity = re.compile(r'<span class="q"(?P<others>[^>]*)>(?P<text>[^<]*)</span>')
    mine, other = list(quantity.finditer(ours.text)), list(quantity.finditer(theirs.text))
    assert len(mine) == len(other) > 10
    for gf, n in zip(mine, other, strict=True):
        key = "n" if "data-n" in gf["others"] else "f"
        assert f'data-{key}="{n["text"]}"' in gf["others"]
        assert f'"{gf["text"]}"' in n["others"]
    # what programs read does not change
    files = ("sessions/cells/results.json", "sessions/cells/logs/01-hold-four-cell-1.csv")
    assert [(plain_site / file).read_bytes() for file in files] == [
        (own_units / file).read_bytes() for file in files
    ]


class TestInABrowser:
    pytestmark = in_browser
    PAGE = "sessions/cells/five-cell-against-four-cell.html"

    def test_choice_is_shown_remembered_and_taken_back(self, plain_site: Path, browser: Browser) -> None:
        with opened(browser, f"{plain_site.as_uri()}/{self.PAGE}") as page:
            first = page.locator(".q[data-n]").first
            before = page.locator("main").inner_text()
            expect(page.locator("#units summary")).to_have_text("Units: gf, °C")
            page.locator("#units summary").focus()
            page.keyboard.press("Enter")
            expected = first.get_attribute("data-n")
            assert expected is not None
            page.locator("#units-thrust").select_option("n")
            expect(page.locator("#units summary")).to_have_text("Units: N, °C")
            after = page.locator("main").inner_text()
            assert expected in after
            assert not re.search(rf"\d{NBSP}gf", page.evaluate(
                "[...document.querySelectorAll('.q')].map(e => e.textContent).join(' ')"))  # fmt: skip
            page.locator("#units-temperature").select_option("f")
            page.goto(f"{plain_site.as_uri()}/sessions/cells/index.html")
            expect(page.locator("#units summary")).to_have_text("Units: N, °F")
            page.goto(f"{plain_site.as_uri()}/{self.PAGE}")
            page.locator("#units summary").click()
            page.locator("#units-thrust").select_option("gf")
            page.locator("#units-temperature").select_option("c")
            page.locator("#units summary").click()
            assert page.locator("main").inner_text() == before

    def test_charts_say_so_only_where_other_units_are_chosen(
        self, plain_site: Path, browser: Browser
    ) -> None:
        with opened(browser, f"{plain_site.as_uri()}/{self.PAGE}") as page:
            notes = page.locator(".drawn-in.of-thrust")
            assert notes.count() > 0
            expect(notes.first).to_be_hidden()
            page.locator("#units summary").click()
            page.locator("#units-thrust").select_option("ozf")
            expect(notes.first).to_be_visible()

    def test_panel_closes_by_escape_and_fits_the_phone(self, plain_site: Path, browser: Browser) -> None:
        for width in (320, 390, 1280):
            with opened(browser, f"{plain_site.as_uri()}/{self.PAGE}", width=width) as page:
                page.locator("#units summary").click()
                box = page.locator(".units-panel").bounding_box()
                assert box is not None
                assert box["x"] >= 0
                assert box["x"] + box["width"] <= width
                for field in page.locator("#units select").all():
                    size = field.bounding_box()
                    assert size is not None
                    assert size["height"] >= 24
                page.locator("#units-thrust").focus()
                page.keyboard.press("Escape")
                expect(page.locator(".units-panel")).to_be_hidden()
                assert page.evaluate("document.activeElement.tagName") == "SUMMARY"

    def test_pages_without_quantities_offer_nothing(self, plain_site: Path, browser: Browser) -> None:
        with opened(browser, f"{plain_site.as_uri()}/glossary.html") as page:
            expect(page.locator("#units")).to_be_hidden()

    def test_spoilt_memory_does_no_harm(self, plain_site: Path, browser: Browser) -> None:
        with opened(browser, f"{plain_site.as_uri()}/{self.PAGE}") as page:
            for spoilt in ('{"thrust":"lb"}', "null", "{", '{"thrust":5,"temperature":"f"}'):
                page.evaluate("text => localStorage.setItem('whirlbook-units', text)", spoilt)
                page.reload()
                expect(page.locator("#units summary")).to_have_text(
                    "Units: gf, °F" if "temperature" in spoilt else "Units: gf, °C"
                )

    def test_without_scripts_the_seasons_units_show(self, own_units: Path, browser: Browser) -> None:
        with opened(browser, f"{own_units.as_uri()}/{self.PAGE}", scripts=False) as page:
            expect(page.locator("#units")).to_be_hidden()
            assert re.search(rf"\d{NBSP}N\b", page.locator("main").inner_text())
            expect(page.locator(".drawn-in.of-thrust").first).to_be_visible()

    def test_the_reader_overrules_the_season(self, own_units: Path, browser: Browser) -> None:
        with opened(browser, f"{own_units.as_uri()}/{self.PAGE}") as page:
            expect(page.locator("#units summary")).to_have_text("Units: N, °F")
            page.locator("#units summary").click()
            page.locator("#units-thrust").select_option("gf")
            assert re.search(rf"\d{NBSP}gf\b", page.locator("main").inner_text())


def test_decimals_grow_with_the_published_ones() -> None:
    for factor in (NEWTON_PER_GF, OZF_PER_GF, Decimal("1.8")):
        steps = [decimals_in(factor, places) for places in range(-2, 6)]
        assert steps == list(range(steps[0], steps[0] + 8))
        assert math.isclose(steps[2], -math.log10(factor), abs_tol=0.6)
