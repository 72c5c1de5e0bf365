"""Every kind of page held against WCAG 2.2 AA by axe-core, in a real browser; from disk, under a sub-path, on paper.

axe-core (Deque Systems, MPL 2.0) comes with the package axe-playwright-python, so nothing is fetched. It cannot
judge contrast inside pictures: test_svg.py computes that. Where the browser comes from: see test_browser.py.
"""

from __future__ import annotations

import os
import re
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, sync_playwright

from generator import pipeline
from tests.whole_site.watched import OPEN_ALL, TOO_WIDE, axe_faults, serving, watched

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(os.environ.get("WHIRLBOOK_CHROMIUM") == "none", reason="WHIRLBOOK_CHROMIUM=none"),
]

DEMO = Path(__file__).resolve().parents[2] / "demo_sessions"
SESSION = "sessions/cell-count-capped"
COMPARISON = f"{SESSION}/five-cell-against-four-cell.html"
# One page of each kind; further kinds that the season has are found by their place at the top of the site.
PAGES = (
    "index.html",
    f"{SESSION}/index.html",
    COMPARISON,
    f"{SESSION}/embed/five-cell-against-four-cell.html",
    f"{SESSION}/runs/09-spin-up-four-cell-1.html",
    "overlay/index.html",
    "parts/quillwort-1806.html",
    "parts/index.html",
    "rigs/loft-stand.html",
    "rigs/index.html",
    "claims.html",
    "safety.html",
    "method.html",
    "statistics.html",
    "glossary.html",
    "tutorial.html",
)
OPEN_HEAD = "document.querySelectorAll('header.masthead details').forEach(box => box.open = true)"
# What a page repeats comes from one template piece: the first few stand for the rest, and axe takes seconds
# instead of minutes. Sizes and requests are looked at before this, on the whole page.
THIN_OUT = """() => {
    const enough = {'tbody': 3, '.checks': 4, 'section': 3};
    for (const [holder, most] of Object.entries(enough)) document.querySelectorAll(holder).forEach(e => {
        const like = {};
        [...e.children].filter(c => c.matches('tr, .check, .contrast, .figure')).forEach(c => {
            like[c.className] = (like[c.className] || 0) + 1;
            if (like[c.className] > most) c.remove();
        });
    });
}"""
# What a reader sees, but for what only scripts can do.
SEEN = """() => {
    const scripted = '.explore, .copy, noscript, .overlay-tool, .overlay-open, .search';
    const hidden = [...document.querySelectorAll(scripted)].filter(e => e.style.display !== 'none');
    hidden.forEach(e => e.style.display = 'none');
    const facts = {text: document.querySelector('main').innerText, pictures: 0, cells: 0};
    for (const [key, what] of [['pictures', 'svg'], ['cells', 'td, th']]) facts[key] =
        [...document.querySelectorAll(what)].filter(e => e.getBoundingClientRect().height > 0).length;
    return facts;
}"""


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[str, Path]]:
    """Address and folder of a one-session season below a sub-path of a server on loopback."""
    folder = tmp_path_factory.mktemp("served")
    season, top = folder / "season", folder / "www"
    for name in ("cell-count-capped", "parts", "rigs"):
        shutil.copytree(DEMO / name, season / name)
    shutil.copy(DEMO / "season.yaml", season)
    pipeline.build(season, top / "club" / "bench")
    with serving(top) as address:
        yield f"{address}/club/bench", top / "club" / "bench"


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    path = os.environ.get("WHIRLBOOK_CHROMIUM") or shutil.which("chromium")
    assert path, "no Chromium: name one in WHIRLBOOK_CHROMIUM, or set it to none to leave these tests out"
    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=path)
        yield started
        started.close()


def pages_of(site: Path) -> list[str]:
    """One page of each kind, and every page at the top of the site."""
    assert [name for name in PAGES if not (site / name).is_file()] == []
    return [*PAGES, *sorted(file.name for file in site.glob("*.html") if file.name not in PAGES)]


def test_the_checker_finds_what_is_wrong(browser: Browser) -> None:
    page = browser.new_page(viewport={"width": 1280, "height": 800})
    page.set_content(
        "<html lang=en><title>Bad</title><main><h1>Bad</h1><img src='data:,'>"
        "<p style='color:#aaa;background:#fff'>Too pale to read.</p></main>"
    )
    found = {fault.partition(":")[0] for fault in axe_faults(page)}
    page.close()
    assert {"image-alt", "color-contrast"} <= found


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [390, 1280])
def test_no_page_breaks_wcag_22_aa_under_a_sub_path(
    served: tuple[str, Path], browser: Browser, width: int, scheme: str
) -> None:
    top, site = served
    faults: list[str] = []
    context = browser.new_context(
        viewport={"width": width, "height": 800},
        color_scheme=scheme,  # type: ignore[arg-type]
    )
    page = watched(context, top, faults)
    for name in pages_of(site):
        page.goto(f"{top}/{name}")
        page.evaluate(OPEN_ALL)
        if page.evaluate("document.documentElement.scrollWidth") > width:
            faults.append(f"{name} runs off the side: {page.evaluate(TOO_WIDE)}")
        page.evaluate(THIN_OUT)
        faults += [f"{name}: {fault}" for fault in axe_faults(page)]
    context.close()
    assert not faults, "\n".join(faults)


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_what_opens_over_a_page_breaks_nothing_either(
    served: tuple[str, Path], browser: Browser, scheme: str
) -> None:
    top, _ = served
    faults: list[str] = []
    context = browser.new_context(
        viewport={"width": 390, "height": 800},
        color_scheme=scheme,  # type: ignore[arg-type]
    )
    page = watched(context, top, faults)
    page.goto(f"{top}/{SESSION}/index.html")
    page.evaluate(OPEN_HEAD)
    assert page.locator(".masthead details[open] select").first.is_visible()
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    faults += axe_faults(page, {"include": [".masthead"]})
    context.close()
    assert not faults, "\n".join(faults)


def test_pages_from_disk_fit_the_narrowest_phones(served: tuple[str, Path], browser: Browser) -> None:
    # 320 px: WCAG 2.2, 1.4.10
    _, site = served
    faults: list[str] = []
    context = browser.new_context(viewport={"width": 320, "height": 640})
    page = watched(context, site.as_uri(), faults)
    for name in pages_of(site):
        page.goto(f"{site.as_uri()}/{name}")
        page.evaluate(OPEN_ALL)
        if page.evaluate("document.documentElement.scrollWidth") > 320:
            faults.append(f"{name} runs off the side: {page.evaluate(TOO_WIDE)}")
    context.close()
    assert not faults, "\n".join(faults)


def test_pages_are_complete_without_scripts(served: tuple[str, Path], browser: Browser) -> None:
    top, site = served
    faults: list[str] = []
    with_scripts = browser.new_context(viewport={"width": 1280, "height": 800})
    without = browser.new_context(viewport={"width": 1280, "height": 800}, java_script_enabled=False)
    pages = [watched(context, top, faults) for context in (with_scripts, without)]
    for name in pages_of(site):
        seen: list[dict[str, Any]] = []
        for page in pages:
            page.goto(f"{top}/{name}")
            page.evaluate(OPEN_ALL)
            seen.append(page.evaluate(SEEN))
        if seen[0] != seen[1]:
            faults.append(f"{name} shows less without scripts")
    pages[1].goto(f"{top}/{SESSION}/index.html")
    assert not pages[1].locator(".explore-button:visible").count(), "no button that does nothing"
    with_scripts.close()
    without.close()
    assert not faults, "\n".join(faults)


def test_exploring_works_under_a_sub_path(served: tuple[str, Path], browser: Browser) -> None:
    top, _ = served
    faults: list[str] = []
    context = browser.new_context(viewport={"width": 390, "height": 800})
    page = watched(context, top, faults)
    page.goto(f"{top}/{SESSION}/index.html")
    page.locator(".explore-button:visible").first.click()
    page.locator(".explore-chart svg").first.wait_for()
    context.close()
    assert not faults, "\n".join(faults)


def test_focus_is_seen_and_never_under_the_way_back(served: tuple[str, Path], browser: Browser) -> None:
    # WCAG 2.2, 2.4.7 and 2.4.11
    top, _ = served
    page = browser.new_page(viewport={"width": 390, "height": 700})
    page.goto(f"{top}/{SESSION}/index.html")
    hidden = []
    for _step in range(45):
        page.keyboard.press("Tab")
        hidden += page.evaluate("""() => {
            const e = document.activeElement, box = e.getBoundingClientRect(), style = getComputedStyle(e);
            const over = document.querySelector('.to-list').getBoundingClientRect();
            const seen = style.outlineStyle !== 'none' && parseFloat(style.outlineWidth) >= 2
                && box.bottom > 0 && box.top < innerHeight;
            const covered = !e.matches('.to-list') && box.top >= over.top && box.bottom <= over.bottom
                && box.left >= over.left && box.right <= over.right;
            return seen && !covered ? [] : [e.outerHTML.slice(0, 120)];
        }""")
    page.close()
    assert hidden == []


def test_a_long_page_leads_back_to_its_list(served: tuple[str, Path], browser: Browser) -> None:
    top, _ = served
    page = browser.new_page(viewport={"width": 390, "height": 700})
    page.goto(f"{top}/{COMPARISON}#data")
    back = page.locator(".to-list")
    assert back.is_visible()
    assert (back.bounding_box() or {})["height"] >= 24
    back.click()
    assert 0 <= page.evaluate("document.querySelector('.on-this-page').getBoundingClientRect().top") < 700
    page.set_viewport_size({"width": 1280, "height": 800})
    page.goto(f"{top}/{COMPARISON}#data")
    inside = page.evaluate(
        "() => { const list = document.querySelector('.on-this-page').getBoundingClientRect();"
        " const text = document.querySelector('#data').getBoundingClientRect();"
        " return list.top >= 0 && list.bottom <= innerHeight && list.right <= innerWidth && list.left >= text.right; }"
    )
    page.close()
    assert inside, "beside the text, in view"


@pytest.mark.parametrize("season", ["a season of six ways", "a season of seven ways"])
def test_the_ways_through_the_season_stand_in_straight_lines(
    served: tuple[str, Path], browser: Browser, season: str
) -> None:
    top, _ = served
    page = browser.new_page(viewport={"width": 390, "height": 700})
    page.goto(f"{top}/index.html")
    ways = 6 if "six" in season else 7
    lines = page.evaluate(
        """ways => {
            const list = document.querySelector('.main-nav ul');
            while (list.children.length > ways) list.lastElementChild.remove();
            while (list.children.length < ways) list.append(list.lastElementChild.cloneNode(true));
            return [...new Set([...list.children].map(e => Math.round(e.getBoundingClientRect().top)))].length;
        }""",
        ways,
    )
    assert lines == (1 if ways == 6 else 2)
    assert page.evaluate("document.documentElement.scrollWidth") == 390
    page.close()


def test_a_printed_session_holds_every_picture_and_table(served: tuple[str, Path], browser: Browser) -> None:
    top, _ = served
    page = browser.new_page(viewport={"width": 1280, "height": 800})
    page.goto(f"{top}/{SESSION}/index.html")
    # Chromium writes the tree of a tagged file uncompressed: what is in it is on the paper (ISO 32000-1, 14.7)
    paper = page.pdf(format="A4", tagged=True).decode("latin-1")
    told = page.evaluate(
        "() => ({tables: document.querySelectorAll('table').length,"
        # an empty cell is not told in the tree
        " cells: [...document.querySelectorAll('td')].filter(e => e.textContent).length,"
        " pictures: [...document.querySelectorAll('.picture.wide title')].map(e => e.textContent)})"
    )
    # the widest the print's own margins leave of A4, at 96 px an inch
    page.set_viewport_size({"width": round((210 - 2 * 14) / 25.4 * 96), "height": 900})
    page.emulate_media(media="print")
    cut = page.evaluate(
        "() => [...document.querySelectorAll('table')].filter(e => e.getBoundingClientRect().right > innerWidth + 1)"
        ".map(e => e.id)"
    )
    page.close()
    alternatives = {
        bytes.fromhex(found).decode("utf-16").strip() if found else plain
        for found, plain in re.findall(r"/Alt (?:<([0-9A-F]+)>|\(((?:[^()\\]|\\.)*)\))", paper)
    }
    assert told["tables"] > 10
    assert paper.count("/S /Table\n") == told["tables"]
    assert len(re.findall(r"/S /TD\b", paper)) == told["cells"]
    assert len(told["pictures"]) > 5
    assert [title for title in told["pictures"] if title not in alternatives] == []
    assert len(re.findall(r"/Type /Page\b", paper)) > 3
    assert cut == [], "tables that run off the paper"
