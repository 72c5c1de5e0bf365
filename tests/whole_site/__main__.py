"""Look at every page of a site; see the package's own words."""

from __future__ import annotations

import os
import shutil
import sys
from pathlib import Path

from playwright.sync_api import Browser, sync_playwright

from tests.whole_site.nu import jar, nu_faults
from tests.whole_site.watched import OPEN_ALL, TOO_WIDE, axe_faults, serving, watched

LOOKS = tuple((width, scheme) for width in (390, 1280) for scheme in ("light", "dark"))


def main(site: Path) -> int:
    """Print faults as they are found, then what was looked at. Returns 1 if there is any."""
    pages = sorted(file.relative_to(site).as_posix() for file in site.rglob("*.html"))
    if not pages:
        print(f"{site} holds no pages. Build one: whirlbook build demo_sessions --out site")
        return 2
    rows: list[tuple[str, int, int]] = []
    found = nu_faults(site)
    tell(found)
    rows.append((f"Nu HTML checker ({jar().name})", len(pages), len(found)))
    path = os.environ.get("WHIRLBOOK_CHROMIUM") or shutil.which("chromium")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path)
        # the site lies below a sub-path of the server's folder
        with serving(site.resolve().parent) as address:
            top = f"{address}/{site.resolve().name}"
            for width, scheme in LOOKS:
                rows.append(looked_at(browser, top, pages, width, scheme, axe=True))
        rows.append(looked_at(browser, site.resolve().as_uri(), pages, 320, "light", axe=False))
        browser.close()
    for name, count, faults in rows:
        print(f"{name:58} {count:5} pages  {faults:4} faults")
    return 1 if any(faults for _, _, faults in rows) else 0


def looked_at(
    browser: Browser, top: str, pages: list[str], width: int, scheme: str, *, axe: bool
) -> tuple[str, int, int]:
    """One round over the pages: what was done, how many pages, how many faults."""
    faults: list[str] = []
    context = browser.new_context(viewport={"width": width, "height": 800}, color_scheme=scheme)  # type: ignore[arg-type]
    page = watched(context, top, faults)
    told = 0
    for name in pages:
        page.goto(f"{top}/{name}")
        page.evaluate(OPEN_ALL)
        if page.evaluate("document.documentElement.scrollWidth") > width:
            faults.append(f"{name} runs off the side at {width}: {page.evaluate(TOO_WIDE)}")
        if axe:
            faults += [f"{name}, {width} {scheme}: {fault}" for fault in axe_faults(page)]
        tell(faults[told:])
        told = len(faults)
    context.close()
    how = "axe, console, requests, width" if axe else "console, requests, width, from disk"
    return f"{how}: {width} px, {scheme}", len(pages), len(faults)


def tell(faults: list[str]) -> None:
    """Each fault on a line, at once."""
    for fault in faults:
        print(fault, flush=True)


if __name__ == "__main__":
    if len(sys.argv) != 2:
        sys.exit("python -m tests.whole_site SITE")
    sys.exit(main(Path(sys.argv[1])))
