"""Templates, Markdown, and the cleaning of what people write."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from pathlib import Path

import jinja2
import nh3
from markdown import Markdown
from markupsafe import Markup

# Tags that Markdown with tables, footnotes and definition lists can make. Everything else is removed.
TAGS = {
    "a", "abbr", "b", "blockquote", "br", "caption", "cite", "code", "dd", "del", "dfn", "div", "dl", "dt", "em",
    "h1", "h2", "h3", "h4", "h5", "h6", "hr", "i", "img", "kbd", "li", "ol", "p", "pre", "q", "s", "small", "span",
    "strong", "sub", "sup", "table", "tbody", "td", "th", "thead", "tr", "ul", "var",
}  # fmt: skip
ATTRIBUTES = {
    "*": {"id", "class", "title", "lang"},
    "a": {"href"},
    "img": {"src", "alt", "width", "height"},
    "td": {"colspan", "rowspan"},
    "th": {"colspan", "rowspan", "scope"},
    "ol": {"start"},
}
HEADING = re.compile(r"<(/?)h([1-6])(?=[\s>])")
TAG = re.compile(r"<(?:[^<>\"']|\"[^\"]*\"|'[^']*')*>")


def environment(folders: Sequence[Path]) -> jinja2.Environment:
    """Environment for templates. The first folder that holds a template wins, so a season can override single ones."""
    return jinja2.Environment(
        loader=jinja2.ChoiceLoader([jinja2.FileSystemLoader(str(folder)) for folder in folders]),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )


def markdown_html(text: str) -> str:
    """Markdown as HTML, not yet cleaned. Tables, footnotes, definition lists, attribute lists, heading ids."""
    converter = Markdown(
        extensions=["tables", "footnotes", "def_list", "attr_list", "abbr", "toc", "sane_lists"],
        extension_configs={"footnotes": {"BACKLINK_TEXT": "back"}, "toc": {"permalink": False}},
        output_format="html",
    )
    return converter.convert(text)


def cleaned(html: str) -> str:
    """HTML with nothing left that runs, loads from elsewhere, or carries a style."""
    return nh3.clean(
        html,
        tags=TAGS,
        clean_content_tags={"script", "style"},
        attributes=ATTRIBUTES,
        url_schemes={"http", "https", "mailto"},
        strip_comments=True,
        link_rel=None,
    )


def with_id_prefix(html: str, prefix: str) -> str:
    """Every id, and every link to one of them, with `prefix` before it, so that prose cannot take an id of its page."""
    own = set(re.findall(r'\bid="([^"]*)"', html))

    def renamed(attribute: re.Match[str]) -> str:
        start, name = attribute.groups()
        return f'{start}{prefix}{name}"' if start == 'id="' or name in own else attribute.group()

    return TAG.sub(lambda tag: re.sub(r'\b(id="|href="#)([^"]+)"', renamed, tag.group()), html)


def with_headings_from(html: str, top: int) -> str:
    """Headings moved so that the highest used becomes `h{top}` and no level is skipped on the way down."""
    used = sorted({int(level) for _, level in HEADING.findall(html)})
    wanted = {level: top + place for place, level in enumerate(used)}
    before = top - 1

    def moved(match: re.Match[str]) -> str:
        nonlocal before
        if not match.group(1):
            before = min(wanted[int(match.group(2))], before + 1, 6)
        return f"<{match.group(1)}h{before}"

    return HEADING.sub(moved, html)


def with_scroll_boxes(html: str, label: str) -> str:
    """Each table in its own box that scrolls sideways, reachable by keyboard and named; `pre` scrolls by itself."""
    count = 0

    def opened(_: re.Match[str]) -> str:
        nonlocal count
        count += 1
        name = f"{Markup.escape(label)}, table {count}"
        return f'<div class="scroll" role="group" tabindex="0" aria-label="{name}"><table'

    html = re.sub(r"<table(?=[\s>])", opened, html).replace("</table>", "</table></div>")
    return re.sub(r"<pre(?=[\s>])", '<pre tabindex="0"', html)


def outside_tags(html: str, in_text: Callable[[str, bool], str], in_tag: Callable[[str], str]) -> str:
    """`html` with `in_text(text, inside_link)` applied between tags and `in_tag(tag)` applied to each tag."""
    made: list[str] = []
    links, end = 0, 0
    for tag in TAG.finditer(html):
        made.append(in_text(html[end : tag.start()], links > 0))
        links += tag.group().startswith("<a ") - tag.group().startswith("</a")
        made.append(in_tag(tag.group()))
        end = tag.end()
    made.append(in_text(html[end:], links > 0))
    return "".join(made)
