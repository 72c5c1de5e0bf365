"""A built site: well-formed, closed in itself, readable in order, honest on every page."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from generator.figures.styles import COLOURS
from tests.publication.site_checks import Page, broken_links, faults_of, pages_of
from tests.publication.site_season import NOTICE


@pytest.fixture(scope="session")
def pages(site: Path) -> list[Page]:
    return pages_of(site)


def page_named(pages: list[Page], name: str) -> Page:
    return next(page for page in pages if page.name == name)


def test_site_map(site: Path) -> None:
    for path in (
        "index.html", "claims.html", "safety.html", "method.html", "statistics.html", "glossary.html",
        "parts/index.html", "parts/heron.html", "parts/index-.html", "rigs/loft.html",
        "sessions/cells/index.html", "sessions/cells/five-cell-against-four-cell.html",
        "sessions/cells/six-cell-against-four-cell.html", "sessions/cells/runs/01-hold-four-cell-1.html",
        "sessions/cells/results.json", "sessions/cells/logs/01-hold-four-cell-1.csv",
        "sessions/cells/figures/electrical_power-16000rpm-five-cell-difference.csv",
        "sessions/cells/figures/electrical_power-16000rpm-five-cell-difference.vl.json",
        "assets/style.css", "assets/colours.css", "assets/icon.svg", ".whirlbook-site",
    ):  # fmt: skip
        assert (site / path).is_file(), path


def test_each_page_is_sound(pages: list[Page]) -> None:
    assert [f"{page.name}: {fault}" for page in pages for fault in faults_of(page)] == []


def test_no_link_is_broken(pages: list[Page]) -> None:
    assert broken_links(pages) == []


def test_the_checker_finds_what_is_broken(tmp_path: Path) -> None:
    (tmp_path / "a.html").write_text(
        '<!doctype html><html lang="en"><head><title>a</title></head><body><h1>a</h1><h3 id="x">b</h3>'
        '<p id="x" style="color:red" onclick="x()"><a href="b.html">b</a><a href="#y">y</a><a href="/c">c</a>'
        '<img src="https://example.org/i.png"><script>1</script></p></body></html>'
    )
    page = pages_of(tmp_path)[0]
    assert len(broken_links([page])) == 3
    found = " ".join(faults_of(page))
    for words in ("id x stands 2", "h1 is followed by h3", "<p style>", "<p onclick>", "<script>", "loads https",
                  "without alt", "no policy", "no skip link"):  # fmt: skip
        assert words in found, words


def test_every_page_carries_the_seasons_notice(pages: list[Page]) -> None:
    assert [page.name for page in pages if NOTICE not in page.visible_notices()] == []


def test_pages_made_from_simulated_logs_say_so(pages: list[Page]) -> None:
    for page in pages:
        notices = " ".join(page.visible_notices())
        if page.name.startswith("sessions/rehearsed/"):
            assert "Simulated data: the logs behind this page" in notices, page.name
        elif page.name.startswith("sessions/cells/"):
            assert "imulated" not in notices, page.name
        elif page.name in {"index.html", "claims.html", "parts/heron.html", "rigs/loft.html"}:
            assert "Some sessions rest on simulated data" in notices, page.name


def test_the_answer_comes_first(pages: list[Page]) -> None:
    text = page_named(pages, "sessions/cells/index.html").text
    places = [
        text.index(mark)
        for mark in (
            'class="answer"', 'class="verdict ', 'id="how-sure"', 'id="conclusion"', 'id="rests-on"',
            'id="cautions"', 'id="how-found"', 'id="data"',
        )
    ]  # fmt: skip
    assert places == sorted(places)


def test_a_weakening_check_stands_beside_its_verdict(pages: list[Page]) -> None:
    text = page_named(pages, "sessions/cells/six-cell-against-four-cell.html").text
    articles = re.findall(r'<article class="contrast".*?</article>', text, re.DOTALL)
    weakened = [article for article in articles if 'class="weakened"' in article]
    assert len(weakened) == 2
    assert all("Thrust agrees at equal speed (warns)" in article for article in weakened)
    assert text.index("with care: a check warns") < text.index('id="how-sure"')
    other = page_named(pages, "sessions/cells/five-cell-against-four-cell.html").text
    assert 'class="weakened"' not in other


def test_each_verdict_is_a_word_with_its_numbers(pages: list[Page]) -> None:
    words = page_named(pages, "sessions/cells/five-cell-against-four-cell.html").words()
    # factory: +7.9 W, interval 6.1 to 9.7 W, margin 5.248 W
    for text in (
        "more",
        "+7.9 W",
        "+6.1 to +9.7 W",
        "±5.2 W (2 %, set before the test)",
        "p-value",
        "0.004",
    ):
        assert text.replace(" ", "\u00a0") in words.replace(" ", "\u00a0"), text


def test_working_leads_to_every_run(pages: list[Page]) -> None:
    text = page_named(pages, "sessions/cells/five-cell-against-four-cell.html").text
    article = text[text.index('id="electrical_power-16000rpm-five-cell"') :]
    article = article[: article.index("</article>")]
    for part in ("runs/01-hold-four-cell-1.html", "runs/02-hold-five-cell-1.html", "Welch", "Rule applied",
                 "degrees of freedom", "statistics.html#margin", "Uncertainty budget"):  # fmt: skip
        assert part in article, part


def test_figures_have_table_data_and_sources(pages: list[Page]) -> None:
    count = 0
    for page in pages:
        for figure in re.findall(r'<figure class="figure".*?</figure>', page.text, re.DOTALL):
            count += 1
            assert "<svg" in figure
            assert "<table" in figure
            assert ".csv" in figure
            assert ".vl.json" in figure
            assert "/logs/" in figure or 'href="logs/' in figure, page.name
    assert count > 25


def test_conclusion_numbers_come_from_the_results(pages: list[Page]) -> None:
    words = page_named(pages, "sessions/cells/index.html").words().replace("\u00a0", " ")
    assert "the fifth cell costs 7.9 W more power (6.1 to 9.7 W more)" in words
    assert "which draw 262.40 W" in words
    assert "{{" not in words


def test_run_page_tells_log_and_checksum(pages: list[Page], site: Path) -> None:
    words = page_named(pages, "sessions/cells/runs/01-hold-four-cell-1.html").words()
    import hashlib

    log = (site / "sessions/cells/logs/01-hold-four-cell-1.csv").read_bytes()
    assert hashlib.sha256(log).hexdigest() in words
    assert "spike" in words
    assert "doubtful, weakens what rests on it" in words


def test_refused_run_is_shown_with_its_reason(pages: list[Page]) -> None:
    refused = next(page for page in pages if "hold-four-cell-9" in page.name)
    assert "This run is not used" in refused.words()
    assert "14 910 rpm" in refused.words()


def test_caution_panels(pages: list[Page]) -> None:
    text = page_named(pages, "sessions/cells/index.html").text
    assert text.index("signal-warning") < text.index("signal-caution")
    for words in ("<b>Hazard.</b>", "<b>Consequence.</b>", "<b>Avoid.</b>", "Source: invented for tests."):
        assert words in text
    five = page_named(pages, "sessions/cells/five-cell-against-four-cell.html").text
    six = page_named(pages, "sessions/cells/six-cell-against-four-cell.html").text
    assert "caution-over-rated-cells" in six
    assert "caution-over-rated-cells" not in five


def test_colours_of_charts_and_pages_are_one(site: Path) -> None:
    css = (site / "assets/colours.css").read_text()
    light, dark = css.split("@media")
    for name, (on_light, on_dark) in COLOURS.items():
        assert f"{name}: {on_light};" in light
        assert f"{name}: {on_dark};" in dark
    style = (site / "assets/style.css").read_text()
    own = set(re.findall(r"(--[a-z0-9-]+):", style))
    used = set(re.findall(r"var\((--[a-z0-9-]+)\)", style))
    assert used <= own | set(COLOURS)
    assert "url(" not in style
    assert "@import" not in style


def _luminance(colour: str) -> float:
    """Relative luminance, WCAG 2.2, definition of the term."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    r, g, b = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
    return 0.2126 * r + 0.7152 * g + 0.0722 * b


def _contrast(a: str, b: str) -> float:
    """Contrast ratio, WCAG 2.2, definition of the term."""
    high, low = sorted((_luminance(a), _luminance(b)), reverse=True)
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize(("place", "scheme"), [(0, "light"), (1, "dark")])
def test_text_colours_reach_the_contrast_wcag_asks(site: Path, place: int, scheme: str) -> None:
    """WCAG 2.2, 1.4.3: 4.5 to 1 for text."""
    style = (site / "assets/style.css").read_text()
    blocks = re.findall(r":root \{(.*?)\}", style, re.DOTALL)
    own = dict(re.findall(r"(--[a-z-]+): (#[0-9a-f]{6});", blocks[place]))
    paper = COLOURS["--paper"][place]
    for name, colour in own.items():
        if name != "--mark":
            assert _contrast(colour, paper) >= 4.5, f"{name} on paper, {scheme}"
    for name in ("--ink", "--quiet"):
        assert _contrast(COLOURS[name][place], paper) >= 4.5
    assert _contrast(COLOURS["--ink"][place], own["--mark"]) >= 4.5
    assert _contrast(COLOURS["--ink"][place], COLOURS["--zone"][place]) >= 4.5


def test_signal_words_can_be_read(site: Path) -> None:
    style = (site / "assets/style.css").read_text()
    found = re.findall(r"\.signal-(\w+) \{\s*background: (#[0-9a-f]{6});\s*color: #(\w+);", style)
    assert {word for word, _, _ in found} == {"danger", "warning", "caution", "notice"}
    for word, ground, text in found:
        assert _contrast(ground, "#ffffff" if text == "fff" else "#000000") >= 4.5, word


def test_results_are_written_as_given(site: Path) -> None:
    assert json.loads((site / "sessions/cells/results.json").read_text()) == {"session": "cells"}
