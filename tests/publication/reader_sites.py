"""Small invented sites with empty charts, and a browser, for the tests of what runs in a reader's browser."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from markupsafe import escape
from playwright.sync_api import Browser, Page, Request, sync_playwright

from tests.publication.site_season import make_season

CORRECTIONS = (
    {
        "date": "2031-05-20",
        "what": "The pitch of Tri 5.1 was stated too high.",
        "why": "Typed from the wrong bag.",
    },
    {"date": "2031-06-02", "what": "Run 9 is no longer used.", "why": "Its <speed> was missed."},
)

in_browser = [
    pytest.mark.browser,
    pytest.mark.skipif(os.environ.get("WHIRLBOOK_CHROMIUM") == "none", reason="WHIRLBOOK_CHROMIUM=none"),
]


def quick_site(folder: Path, **changes: Any) -> Path:
    """A site of two sessions whose charts are empty. changes: to `make_season`."""

    def empty(figure_name: str, spec: Mapping[str, Any], title_text: str) -> str:
        return (
            f'<svg viewBox="0 0 1 1" role="img" aria-labelledby="{figure_name}-title">'
            f'<title id="{figure_name}-title">{escape(title_text)}</title></svg>'
        )

    options: dict[str, Any] = {"repeats": 1, "kept": (1, 2, 3, 4, 7, 10, 13), **changes}
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("generator.publication.figure_blocks.render_svg", empty)
        make_season(folder / "season", **options).write(folder / "site")
    return folder / "site"


@contextmanager
def chromium() -> Iterator[Browser]:
    """A browser; a missing one fails the test, so that nobody believes it ran."""
    path = os.environ.get("WHIRLBOOK_CHROMIUM") or shutil.which("chromium")
    assert path, "no Chromium: name one in WHIRLBOOK_CHROMIUM, or set it to none to leave these tests out"
    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=path)
        yield started
        started.close()


@contextmanager
def opened(browser: Browser, address: str, *, scripts: bool = True, width: int = 390) -> Iterator[Page]:
    """A page of its own context, opened from disk; whatever the browser complains about fails the test."""
    context = browser.new_context(viewport={"width": width, "height": 800}, java_script_enabled=scripts)
    page = context.new_page()
    faults: list[str] = []

    def failed(request: Request) -> None:
        if request.failure != "net::ERR_ABORTED":  # what a page was still loading when it was left
            faults.append(f"{request.failure}: {request.url}")

    page.on("console", lambda message: faults.append(f"{message.type}: {message.text}"))
    page.on("pageerror", lambda error: faults.append(str(error)))
    page.on("requestfailed", failed)
    page.goto(address)
    yield page
    page.remove_listener("requestfailed", failed)
    context.close()
    assert not faults, faults
