"""The site in a real browser, opened from disk: nothing complains, nothing is fetched, nothing runs off the side.

Needs Chromium: named by WHIRLBOOK_CHROMIUM, or `chromium` on the path. Set WHIRLBOOK_CHROMIUM=none to leave these
tests out; without it a missing browser fails them, so that nobody believes they ran.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, sync_playwright

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(os.environ.get("WHIRLBOOK_CHROMIUM") == "none", reason="WHIRLBOOK_CHROMIUM=none"),
]

PAGES = (
    "index.html",
    "claims.html",
    "safety.html",
    "method.html",
    "statistics.html",
    "glossary.html",
    "parts/index.html",
    "parts/heron.html",
    "rigs/loft.html",
    "sessions/cells/index.html",
    "sessions/cells/six-cell-against-four-cell.html",
    "sessions/cells/runs/01-hold-four-cell-1.html",
    "sessions/cells/runs/07-soak-four-cell-1.html",
    "sessions/rehearsed/index.html",
)
OPEN_ALL = "document.querySelectorAll('details').forEach(box => box.open = true)"
# Everything that reaches past the window and stands in no scroll box.
TOO_WIDE = """() => [...document.querySelectorAll('main *, header *, footer *')].filter(e =>
    !e.closest('.scroll, pre, svg, .visually-hidden') && e.getBoundingClientRect().right > innerWidth + 1)
    .map(e => e.tagName + '.' + e.className + ' ' + Math.round(e.getBoundingClientRect().right))"""
# WCAG 2.2, 2.5.8: 24 by 24, but for links inside sentences.
TOO_SMALL = """() => [...document.querySelectorAll('nav a, summary, .files a, .lines a, .onward a')]
    .filter(e => !e.closest('.trail') && e.getBoundingClientRect().height > 0 && e.getBoundingClientRect().height < 24)
    .map(e => e.textContent + ' ' + e.getBoundingClientRect().height)"""


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    path = os.environ.get("WHIRLBOOK_CHROMIUM") or shutil.which("chromium")
    assert path, "no Chromium: name one in WHIRLBOOK_CHROMIUM, or set it to none to leave these tests out"
    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=path)
        yield started
        started.close()


@pytest.mark.parametrize(("width", "scheme"), [(320, "light"), (390, "dark"), (1280, "light")])
def test_pages_open_from_disk_without_complaint(
    site: Path, browser: Browser, width: int, scheme: str
) -> None:
    context = browser.new_context(
        viewport={"width": width, "height": 800},
        color_scheme=scheme,  # type: ignore[arg-type]
    )
    page = context.new_page()
    faults: list[str] = []
    requests: list[str] = []
    page.on("console", lambda message: faults.append(f"{message.type}: {message.text}"))
    page.on("pageerror", lambda error: faults.append(str(error)))
    page.on("requestfailed", lambda request: faults.append(f"failed: {request.url}")
            if request.failure != "net::ERR_ABORTED" else None)  # fmt: skip
    page.on("request", lambda request: requests.append(request.url))
    top = site.as_uri()
    for name in PAGES:
        page.goto(f"{top}/{name}")
        page.evaluate(OPEN_ALL)
        scroll = page.evaluate("document.documentElement.scrollWidth")
        if scroll > width:
            faults.append(f"{name} is {scroll} wide at {width}: {page.evaluate(TOO_WIDE)[:5]}")
        faults += [f"{name}, {width}: {what}" for what in page.evaluate(TOO_SMALL)]
        assert page.evaluate("getComputedStyle(document.body).backgroundColor") == (
            "rgb(252, 251, 248)" if scheme == "light" else "rgb(21, 23, 22)"
        ), "style sheets are applied"
    context.close()
    assert faults == []
    assert [url for url in requests if not url.startswith(f"{top}/")] == []


def test_one_picture_a_figure_is_shown(site: Path, browser: Browser) -> None:
    for width, shown in ((390, "narrow"), (1280, "wide")):
        page = browser.new_page(viewport={"width": width, "height": 800})
        page.goto(f"{site.as_uri()}/sessions/cells/index.html")
        visible = page.evaluate(
            "[...document.querySelectorAll('.picture.wide, .picture.narrow')]"
            ".filter(e => e.getBoundingClientRect().height > 20).map(e => e.className.split(' ')[1])"
        )
        assert visible
        assert set(visible) == {shown}
        page.close()


def test_skip_link_is_first_and_shows_when_focused(site: Path, browser: Browser) -> None:
    page = browser.new_page(viewport={"width": 390, "height": 800})
    page.goto(f"{site.as_uri()}/index.html")
    page.keyboard.press("Tab")
    box = page.evaluate(
        "document.activeElement.className + ' ' + document.activeElement.getBoundingClientRect().top"
    )
    assert box.startswith("skip ")
    assert float(box.split()[1]) >= 0
    page.close()


def test_print_shows_the_numbers_and_no_navigation(site: Path, browser: Browser) -> None:
    page = browser.new_page(viewport={"width": 800, "height": 1000}, color_scheme="dark")
    page.goto(f"{site.as_uri()}/sessions/cells/index.html")
    page.emulate_media(media="print")
    facts = page.evaluate(
        "() => ({nav: document.querySelector('.main-nav').getBoundingClientRect().height,"
        " table: document.querySelector('figure table').getBoundingClientRect().height,"
        " paper: getComputedStyle(document.body).backgroundColor})"
    )
    assert facts["nav"] == 0
    assert facts["table"] > 20
    assert facts["paper"] == "rgb(252, 251, 248)"
    page.close()
