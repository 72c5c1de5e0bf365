"""The run sheet in a real browser, opened from disk: on a phone, in the dark, on paper, for a screen reader."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, sync_playwright

from generator.plan_session import plan_session, write_plan
from tests.planning.planned_season import write_planned

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(os.environ.get("WHIRLBOOK_CHROMIUM") == "none", reason="WHIRLBOOK_CHROMIUM=none"),
]
# Everything that reaches past the window and stands in no scroll box.
TOO_WIDE = """() => [...document.querySelectorAll('body *')].filter(e => !e.closest('.scroll')
    && e.getBoundingClientRect().right > innerWidth + 1).map(e => e.tagName + '.' + e.className)"""


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    path = os.environ.get("WHIRLBOOK_CHROMIUM") or shutil.which("chromium")
    assert path, "no Chromium: name one in WHIRLBOOK_CHROMIUM, or set it to none to leave these tests out"
    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=path)
        yield started
        started.close()


@pytest.fixture(scope="module")
def sheet(tmp_path_factory: pytest.TempPathFactory) -> str:
    folder: Path = write_planned(tmp_path_factory.mktemp("plan") / "s")
    write_plan(plan_session(folder))
    return (folder / "run-sheet.html").as_uri()


@pytest.mark.parametrize(("width", "scheme"), [(320, "light"), (390, "dark"), (1280, "light")])
def test_the_sheet_fits_and_nothing_complains(sheet: str, browser: Browser, width: int, scheme: str) -> None:
    context = browser.new_context(viewport={"width": width, "height": 800}, color_scheme=scheme)  # type: ignore[arg-type]
    page = context.new_page()
    faults: list[str] = []
    requests: list[str] = []
    page.on("console", lambda message: faults.append(f"{message.type}: {message.text}"))
    page.on("pageerror", lambda error: faults.append(str(error)))
    page.on("request", lambda request: requests.append(request.url))
    page.goto(sheet)
    assert page.evaluate(TOO_WIDE) == []
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    ground = page.evaluate("getComputedStyle(document.body).backgroundColor")
    assert ground == ("rgb(252, 251, 248)" if scheme == "light" else "rgb(21, 23, 22)"), (
        "the style is applied"
    )
    assert faults == []
    assert requests == [sheet]
    context.close()


def test_boxes_are_large_enough_for_a_finger_and_can_be_ticked(sheet: str, browser: Browser) -> None:
    context = browser.new_context(viewport={"width": 390, "height": 800}, has_touch=True)
    page = context.new_page()
    page.goto(sheet)
    # WCAG 2.2, 2.5.8: 24 by 24; the label around each box is what a finger meets
    small = page.evaluate(
        "[...document.querySelectorAll('label')].filter(e => e.getBoundingClientRect().height < 44).length"
    )
    assert small == 0
    box = page.locator("#run-01")
    box.tap()
    assert box.is_checked()
    line = page.evaluate(
        "getComputedStyle(document.querySelector('#run-01').parentElement.querySelector('.set-up')).textDecorationLine"
    )
    assert line == "line-through"
    context.close()


def test_on_paper_it_is_light_with_boxes_and_room_to_write(sheet: str, browser: Browser) -> None:
    page = browser.new_page(viewport={"width": 690, "height": 980}, color_scheme="dark")
    page.goto(sheet)
    page.emulate_media(media="print", color_scheme="dark")
    facts = page.evaluate(
        "() => ({nav: document.querySelector('nav').getBoundingClientRect().height,"
        " paper: getComputedStyle(document.body).backgroundColor,"
        " border: getComputedStyle(document.querySelector('#run-01')).borderTopStyle,"
        " rooms: [...document.querySelectorAll('.room dd')].map(e => e.getBoundingClientRect())"
        "   .map(r => [r.width, r.height])})"
    )
    assert facts["nav"] == 0
    assert facts["paper"] == "rgb(252, 251, 248)"
    assert facts["border"] == "solid"
    # five millimetres of 96 dots an inch, wide enough for a time
    assert all(width > 50 and height > 18 for width, height in facts["rooms"])
    assert page.evaluate("document.documentElement.scrollWidth") <= 690
    assert len(page.pdf(format="A4")) > 10_000
    page.close()


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_no_fault_for_those_who_cannot_see_it(sheet: str, browser: Browser, scheme: str) -> None:
    context = browser.new_context(
        viewport={"width": 390, "height": 800}, color_scheme=scheme, bypass_csp=True  # type: ignore[arg-type]
    )  # fmt: skip
    page = context.new_page()
    page.goto(sheet)
    found = Axe().run(page)
    assert [(v["id"], [n["html"][:120] for n in v["nodes"]][:2]) for v in found.response["violations"]] == []
    context.close()
