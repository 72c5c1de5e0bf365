"""A page in a browser, and everything that goes wrong on it."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial
from http.server import SimpleHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import BrowserContext, Page

RULES = {
    "runOnly": {
        "type": "tag",
        "values": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"],
    },
    "resultTypes": ["violations", "incomplete"],
    "preload": False,  # it would read the style sheets again, which the pages' own policy forbids
}
# axe never judges arrows and the like by themselves; they have the colour of the words beside them
SINGLE_SIGNS = {"shortTextContent", "nonBmp"}
OUTSIDE_PICTURES = {"exclude": [".picture svg > *"]}
OPEN_ALL = "document.querySelectorAll('main details').forEach(box => box.open = true)"
TOO_WIDE = """() => [...document.querySelectorAll('main *, header *, footer *')].filter(e =>
    !e.closest('.scroll, pre, svg, .visually-hidden') && e.getBoundingClientRect().right > innerWidth + 1)
    .map(e => e.tagName + '.' + e.className).slice(0, 3)"""


class Silent(SimpleHTTPRequestHandler):
    def log_message(self, format: str, *args: Any) -> None:
        """Requests are listened to in the browser."""


@contextmanager
def serving(folder: Path) -> Iterator[str]:
    """The address of a folder on a server of loopback."""
    server = ThreadingHTTPServer(("127.0.0.1", 0), partial(Silent, directory=str(folder)))
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_port}"
    finally:
        server.shutdown()
        thread.join()
        server.server_close()


def watched(context: BrowserContext, top: str, faults: list[str]) -> Page:
    """A new page that writes down whatever goes wrong on it, and every request that leaves the site at `top`."""
    page = context.new_page()
    page.on("console", lambda message: faults.append(f"{page.url}: {message.type}: {message.text}"))
    page.on("pageerror", lambda error: faults.append(f"{page.url}: {error}"))
    # a browser that leaves a page drops what that page still asks for, such as its icon: no fault of the page
    page.on("requestfailed", lambda request: faults.append(f"{page.url}: failed: {request.url}")
            if request.failure != "net::ERR_ABORTED" else None)  # fmt: skip
    page.on(
        "response",
        lambda answer: faults.append(f"{answer.url}: {answer.status}") if answer.status >= 400 else None,
    )
    page.on("request", lambda asked: faults.append(f"off the site: {asked.url}") if not asked.url.startswith(
        (f"{top}/", "data:", "blob:")) else None)  # fmt: skip
    return page


def axe_faults(page: Page, context: dict[str, list[str]] = OUTSIDE_PICTURES) -> list[str]:
    """Violations, and text outside pictures whose contrast axe could not make out on a wide screen."""
    result = Axe().run(page, context=context, options=RULES).response
    assert result["passes"], "axe looked at something"
    found = [(rule["id"], node) for rule in result["violations"] for node in rule["nodes"]]
    if page.viewport_size and page.viewport_size["width"] > 1000:
        # on phones the cells of wide tables lie beyond their scroll box, where axe cannot look
        found += [("contrast not judged", node) for rule in result["incomplete"] for node in rule["nodes"]
                  if rule["id"] == "color-contrast"
                  and any(part["data"].get("messageKey") not in SINGLE_SIGNS for part in node["any"])]  # fmt: skip
    return [f"{rule}: {node['html'][:160]}" for rule, node in found]
