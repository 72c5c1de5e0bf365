"""Pages that are plain prose: safety, method, statistics, glossary, tutorial."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from markupsafe import Markup

from generator.intake.problems import Problem
from generator.publication import navigation, rendering
from generator.publication.navigation import Link
from generator.publication.page_frame import Frame, Site

TEXT_PAGES = {
    "safety.md": navigation.SAFETY,
    "method.md": navigation.METHOD,
    "statistics.md": navigation.STATISTICS,
    "glossary.md": navigation.GLOSSARY,
    "tutorial.md": navigation.TUTORIAL,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class TextPage:
    """A page of prose: its own first heading is the page's.

    path      of the page
    title     its first heading, as plain text
    sections  links to its sections, where there are several
    first     its first paragraph, as plain text
    html      what follows the heading, cleaned
    ids       places on it that can be pointed at
    """

    path: str
    title: str
    sections: tuple[Link, ...]
    first: str
    html: Markup
    ids: frozenset[str]


def read_text_pages(folders: Sequence[Path]) -> tuple[tuple[TextPage, ...], tuple[Problem, ...]]:
    """All prose pages; of each file the first folder that has it wins, so a season can have its own."""
    pages: list[TextPage] = []
    problems: list[Problem] = []
    for name, path in TEXT_PAGES.items():
        file = next((folder / name for folder in folders if (folder / name).is_file()), None)
        if file is None:
            problems.append(
                Problem(file=f"content/{name}", what="is not there.", remedy="Install the program again.")
            )
            continue
        try:
            with file.open("rb") as stored:  # what is longer is refused below
                source = stored.read(8 * rendering.MOST_CHARACTERS).decode("utf-8-sig")
        except (UnicodeDecodeError, OSError):
            problems.append(
                Problem(file=f"content/{name}", what="cannot be read as UTF-8.", remedy="Save it as UTF-8.")
            )
            continue
        try:
            pages.append(text_page(path, source))
        except rendering.ProseRefused as fault:
            problems.append(Problem(file=str(file), line=fault.line, what=fault.what, remedy=fault.remedy))
    return tuple(pages), tuple(problems)


def text_page(path: str, source: str) -> TextPage:
    """One page of prose from its Markdown. A page without a first heading gets its file's name.

    Raises  rendering.ProseRefused
    """
    html = rendering.cleaned(rendering.markdown_html(source))
    html = re.sub(
        r'(<a\b[^>]*\bhref=")([A-Za-z0-9_-]+)\.md(?=["#])',
        lambda match: f"{match.group(1)}{match.group(2)}.html",
        html,
    )
    heading = re.search(r"<h1\b[^>]*>(.*?)</h1>", html, re.DOTALL)
    if heading is None:
        title = path.removesuffix(".html").capitalize()
    else:
        title = Markup(heading.group(1)).striptags()
        html = html.replace(heading.group(), "", 1)
    html = rendering.with_headings_from(html, 2)
    found = re.findall(r'<h2\b[^>]*\bid="([^"]+)"[^>]*>(.*?)</h2>', html, re.DOTALL)
    sections = tuple(Link(text=Markup(words).striptags(), href=f"#{key}") for key, words in found)
    paragraph = re.search(r"<p>(.*?)</p>", html, re.DOTALL)
    first = Markup(paragraph.group(1)).striptags() if paragraph else title
    html = rendering.with_scroll_boxes(html, title)
    ids = frozenset(re.findall(r'\bid="([^"]+)"', html))
    return TextPage(
        path=path,
        title=title,
        sections=sections if len(sections) > 3 else (),
        first=first,
        html=Markup(html),
        ids=ids,
    )


def text_frame(site: Site, text: TextPage) -> Frame:
    """Frame of a page of prose. It rests on no log."""
    return site.frame(text.path, text.title, text.first, trail=((text.title, text.path),), simulated="")
