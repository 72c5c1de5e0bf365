"""A small checker of built sites: links, ids, headings, what is loaded. It knows nothing of how a site is made."""

from __future__ import annotations

import re
from collections import Counter
from itertools import pairwise
from pathlib import Path
from urllib.parse import unquote, urlsplit

import html5lib

POLICY = (
    "default-src 'none'; connect-src 'self'; style-src 'self'; img-src 'self' data:; font-src 'self';"
    " script-src 'self'; base-uri 'none'; form-action 'none'"
)
XHTML = "{http://www.w3.org/1999/xhtml}"
# Elements that load what their attribute names, HTML Living Standard; links in <a> load nothing by themselves.
LOADING = {
    "img": "src", "script": "src", "link": "href", "iframe": "src", "source": "src", "video": "src", "audio": "src",
    "object": "data", "embed": "src", "use": "href", "image": "href",
}  # fmt: skip


class Page:
    """One parsed page. Raises html5lib's ParseError for anything the standard calls a parse error."""

    def __init__(self, root: Path, file: Path) -> None:
        self.root, self.file = root, file
        self.text = file.read_text(encoding="utf-8")
        self.tree = html5lib.HTMLParser(strict=True).parse(self.text)
        self.elements = [(element.tag.rpartition("}")[2], element) for element in self.tree.iter()
                         if isinstance(element.tag, str)]  # fmt: skip

    @property
    def name(self) -> str:
        return self.file.relative_to(self.root).as_posix()

    def ids(self) -> Counter[str]:
        return Counter(e.attrib["id"] for _, e in self.elements if "id" in e.attrib)

    def hrefs(self) -> list[str]:
        return [e.attrib["href"] for tag, e in self.elements if tag == "a" and "href" in e.attrib]

    def loads(self) -> list[str]:
        wanted = ((e.attrib.get(LOADING[tag], ""), e) for tag, e in self.elements if tag in LOADING)
        return [address for address, e in wanted if address and e.attrib.get("rel") != "canonical"]

    def headings(self) -> list[int]:
        return [int(tag[1]) for tag, _ in self.elements if re.fullmatch(r"h[1-6]", tag)]

    def words(self) -> str:
        return " ".join("".join(self.tree.itertext()).split())

    def visible_notices(self) -> list[str]:
        return ["".join(e.itertext()) for tag, e in self.elements if tag == "p"
                and "notice" in e.attrib.get("class", "").split()]  # fmt: skip


def pages_of(root: Path) -> list[Page]:
    """Every page of a site, sorted."""
    return [Page(root, file) for file in sorted(root.rglob("*.html"))]


def broken_links(pages: list[Page]) -> list[str]:
    """Links and fragments that lead nowhere, and addresses that only work under one root."""
    ids = {page.file.resolve(): page.ids() for page in pages}
    faults = []
    for page in pages:
        for address in (*page.hrefs(), *page.loads()):
            parts = urlsplit(address)
            if parts.scheme in {"http", "https", "mailto"}:
                continue
            if parts.scheme or parts.netloc or address.startswith("/"):
                faults.append(f"{page.name}: {address} is not relative")
                continue
            target = (page.file.parent / unquote(parts.path)).resolve() if parts.path else page.file.resolve()
            if not target.is_file():
                faults.append(f"{page.name}: {address} leads nowhere")
            elif parts.fragment and unquote(parts.fragment) not in ids.get(target, {}):
                faults.append(f"{page.name}: no such place as {address}")
    return faults


def faults_of(page: Page) -> list[str]:
    """What is wrong with one page by itself."""
    faults = [f"id {key} stands {count} times" for key, count in page.ids().items() if count > 1]
    levels = page.headings()
    if levels.count(1) != 1 or levels[0] != 1:
        faults.append(f"headings begin {levels[:3]}, with {levels.count(1)} of the first level")
    faults += [f"h{a} is followed by h{b}" for a, b in pairwise(levels) if b > a + 1]
    for tag, element in page.elements:
        attributes = element.attrib
        # a data block is not a script: the policy lets it be, and nothing runs it
        runs = tag == "script" and attributes.get("type", "") != "application/ld+json"
        if tag == "style" or (runs and "src" not in attributes):
            faults.append(f"<{tag}> inside the page")
        faults += [f"<{tag} {name}>" for name in attributes if name == "style" or name.startswith("on")]
        if attributes.get("href", "").lower().startswith(("javascript:", "data:")):
            faults.append(f"link {attributes['href'][:30]}")
        if tag == "img" and "alt" not in attributes:
            faults.append("picture without alt")
        if (
            tag == "table"
            and not any(c.tag == f"{XHTML}caption" for c in element)
            and "prose" not in page.text
        ):
            faults.append("table without caption")
    faults += [
        f"loads {address}" for address in page.loads() if urlsplit(address).scheme or address.startswith("//")
    ]
    faults += [f"no {what}" for what in _missing(page)]
    return faults


def _missing(page: Page) -> list[str]:
    tags = Counter(tag for tag, _ in page.elements)
    metas = {e.attrib.get("name", e.attrib.get("http-equiv", "")): e.attrib.get("content", "")
             for tag, e in page.elements if tag == "meta"}  # fmt: skip
    html = next(e for tag, e in page.elements if tag == "html")
    skip = page.hrefs()[0] if page.hrefs() else ""
    wanted = {
        "language": bool(html.attrib.get("lang")),
        "title": tags["title"] >= 1 and bool(page.tree.findtext(f".//{XHTML}title")),
        "description": bool(metas.get("description")),
        "viewport": "width=device-width" in metas.get("viewport", ""),
        "policy": metas.get("Content-Security-Policy") == POLICY,
        "main": tags["main"] == 1,
        "header": tags["header"] >= 1,
        "footer": tags["footer"] == 1,
        "nav": tags["nav"] >= 2,
        "skip link": skip == "#content",
    }
    # shown inside another page: its own way around would be in the way there
    around = {"header", "footer", "nav", "skip link"} if "/embed/" in page.name else set()
    return [name for name, there in wanted.items() if not there and name not in around]
