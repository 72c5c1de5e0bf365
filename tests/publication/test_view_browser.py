"""`view` in a real browser: an open page reloads itself, and nothing complains of the policy of the page.

Needs Chromium, as tests/publication/test_browser.py says.
"""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest
from playwright.sync_api import sync_playwright

from generator.viewing import Viewing, served
from tests.seasons import write_season

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(os.environ.get("WHIRLBOOK_CHROMIUM") == "none", reason="WHIRLBOOK_CHROMIUM=none"),
]


def test_an_open_page_follows_the_season(tmp_path: Path) -> None:
    path = os.environ.get("WHIRLBOOK_CHROMIUM") or shutil.which("chromium")
    assert path, "no Chromium: name one in WHIRLBOOK_CHROMIUM, or set it to none to leave these tests out"
    viewing = Viewing(write_season(tmp_path / "season"), tmp_path / "scratch")
    viewing.refresh()
    conclusion, session = viewing.folder / "q" / "conclusion.md", viewing.folder / "q" / "session.yaml"
    sound = session.read_text(encoding="utf-8")
    complaints: list[str] = []
    with served(viewing) as server, sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path)
        page = browser.new_page(viewport={"width": 390, "height": 800})
        page.on("console", lambda message: complaints.append(message.text))
        page.on("pageerror", lambda error: complaints.append(str(error)))
        page.goto(f"{server.address}sessions/q/index.html")

        conclusion.write_text("Words of the second draft.\n", encoding="utf-8")
        viewing.refresh()
        page.get_by_text("Words of the second draft.").wait_for(timeout=10_000)
        assert complaints == []

        session.write_text(sound.replace("rig: stand", "rig: stnd"), encoding="utf-8")
        viewing.refresh()
        page.get_by_role("heading", name="The season has 1 problem").wait_for(timeout=10_000)
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
        page.get_by_role("link", name="Look at the last good site").click()
        page.get_by_text("This is the last good site.").wait_for(timeout=10_000)

        session.write_text(sound, encoding="utf-8")
        viewing.refresh()
        page.wait_for_url(f"{server.address}sessions/q/index.html", timeout=10_000)
        page.get_by_text("Words of the second draft.").wait_for(timeout=10_000)
        # the broken page itself was answered with its own status, and nothing else was said
        assert {text for text in complaints if "503" not in text} == set()
        browser.close()
