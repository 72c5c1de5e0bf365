"""The whole demo site: every link and fragment leads somewhere, and nothing is loaded from elsewhere."""

from __future__ import annotations

import hashlib
import json
from html.parser import HTMLParser
from pathlib import Path
from urllib.parse import unquote, urlsplit

import pytest

from generator import pipeline
from tests.whole_site.nu import nu_faults

LOADS = {("img", "src"), ("script", "src"), ("link", "href"), ("iframe", "src"), ("source", "srcset"), ("use", "href"),
         ("image", "href"), ("image", "xlink:href"), ("object", "data"), ("embed", "src")}  # fmt: skip


class Page(HTMLParser):
    """What a page links to, loads, and calls its places."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.links: list[str] = []
        self.loads: list[str] = []
        self.ids: list[str] = []
        self.styled: list[str] = []
        self.scripts = 0
        self.words = ""
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        for name, value in attrs:
            if name == "id" and value:
                self.ids.append(value)
            if tag == "a" and name in ("href", "xlink:href") and value:
                self.links.append(value)
            if (tag, name) in LOADS and value:
                self.loads.append(value)
            if name == "style" or name.startswith("on"):
                self.styled.append(f"{tag} {name}")
        if tag == "script" and not any(name == "src" for name, _ in attrs):
            kind = dict(attrs).get("type") or ""
            self.scripts += 0 if kind.endswith("json") else 1

    def handle_data(self, data: str) -> None:
        self.words += data


@pytest.fixture(scope="module")
def pages(demo_site: Path) -> dict[Path, Page]:
    return {file: Page(file.read_text(encoding="utf-8")) for file in sorted(demo_site.rglob("*.html"))}


def test_no_link_and_no_fragment_is_broken(demo_site: Path, pages: dict[Path, Page]) -> None:
    broken = []
    for file, page in pages.items():
        for address in (*page.links, *page.loads):
            parts = urlsplit(address)
            if parts.scheme or parts.netloc:
                continue
            target = (file.parent / unquote(parts.path)).resolve() if parts.path else file
            if not target.is_file() or not target.is_relative_to(demo_site.resolve()):
                broken.append(f"{file.relative_to(demo_site)}: {address}")
            elif parts.fragment and unquote(parts.fragment) not in pages[target].ids:
                broken.append(f"{file.relative_to(demo_site)}: {address} (no such place)")
    assert broken == []
    assert sum(len(page.links) for page in pages.values()) > 1000


def test_nothing_is_loaded_from_elsewhere_and_nothing_runs_inline(pages: dict[Path, Page]) -> None:
    for file, page in pages.items():
        for address in page.loads:
            assert not urlsplit(address).scheme, f"{file.name}: {address}"
            assert not urlsplit(address).netloc, f"{file.name}: {address}"
            assert not address.startswith("/"), f"{file.name}: {address}"
        assert page.styled == [], file.name
        assert page.scripts == 0, file.name


def test_ids_are_unique_and_every_page_tells_what_it_is(
    demo: pipeline.Analysed, pages: dict[Path, Page]
) -> None:
    notice = " ".join((demo.season.file.notice or "").split())
    for file, page in pages.items():
        assert len(page.ids) == len(set(page.ids)), file.name
        words = " ".join(page.words.split())
        assert notice in words, file.name
        assert "imulated" in words, file.name


def test_pages_of_the_map_are_there(demo: pipeline.Analysed, demo_site: Path) -> None:
    for name in ("index", "claims", "safety", "method", "statistics", "glossary"):
        assert (demo_site / f"{name}.html").is_file(), name
    for analysis in demo.sessions:
        folder = demo_site / "sessions" / analysis.session_id
        assert (folder / "index.html").is_file()
        for pair in {(c.treatment, c.baseline) for c in analysis.contrasts}:
            assert (folder / f"{pair[0]}-against-{pair[1]}.html").is_file()
        for run in analysis.runs:
            assert (folder / "runs" / f"{run.run_id}.html").is_file()


def test_raw_logs_are_copied_whole(demo: pipeline.Analysed, demo_site: Path) -> None:
    for analysis in demo.sessions:
        for run in analysis.runs:
            copy = demo_site / "sessions" / analysis.session_id / run.log
            assert hashlib.sha256(copy.read_bytes()).hexdigest() == run.sha256


def test_each_figure_has_its_table_and_its_specification(demo_site: Path) -> None:
    specs = sorted(demo_site.rglob("*.vl.json"))
    assert len(specs) > 50
    for spec in specs:
        written = json.loads(spec.read_text(encoding="utf-8"))
        assert "vega-lite" in written["$schema"]
        table = spec.with_name(spec.name.removesuffix(".vl.json") + ".csv")
        assert len(table.read_text(encoding="utf-8").splitlines()) >= 2, table.name


def test_every_page_passes_the_nu_html_checker(demo_site: Path) -> None:
    assert nu_faults(demo_site) == []


def test_the_nu_html_checker_finds_what_is_wrong(tmp_path: Path) -> None:
    (tmp_path / "bad.html").write_text("<!doctype html><title>x</title><p id=a><p id=a>", encoding="utf-8")
    assert [fault for fault in nu_faults(tmp_path) if "Duplicate ID" in fault]
