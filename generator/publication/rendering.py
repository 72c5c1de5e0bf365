"""Templates, Markdown, and the cleaning of what people write."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from pathlib import Path

import jinja2
import nh3
from markdown import Markdown
from markupsafe import Markup

from generator.intake.outside import UNSEEN
from generator.publication.sandbox import Sandbox

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


def environment(folders: Sequence[Path], *, trusted: bool = False) -> jinja2.Environment:
    """Environment for templates. The first folder that holds a template wins, so a season can override single ones.

    trusted  True where all folders are ours; templates of a season run in a sandbox
    """
    kind = jinja2.Environment if trusted else Sandbox
    return kind(
        loader=jinja2.ChoiceLoader([jinja2.FileSystemLoader(str(folder)) for folder in folders]),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )


# What is turned into HTML of one text. Our own choice, no source: many times what a page needs; beyond it the converter
# takes minutes, since it looks through the rest of a paragraph for each bracket, and of the text for each tag.
MOST_CHARACTERS = 200_000
LONGEST_PARAGRAPH = 20_000
MOST_BRACKETS, MOST_IN_PARAGRAPH = 2_000, 500
MOST_TAGS = 1_000
MOST_HEADINGS = 1_000


class ProseRefused(ValueError):
    """A text is not turned into HTML; carries what is wrong, the remedy, and the line or None."""

    def __init__(self, what: str, remedy: str, line: int | None = None) -> None:
        super().__init__(what)
        self.what, self.remedy, self.line = what, remedy, line


def _require_bounded(text: str) -> None:
    shorter = "Write it shorter, or in several pages."
    if len(text) > MOST_CHARACTERS:
        raise ProseRefused(f"has more than {MOST_CHARACTERS:,} characters.", shorter)
    tags, brackets = text.count("<"), text.count("[")
    headings = len(re.findall(r"^(?:#|=+\s*$|-+\s*$)", text, re.MULTILINE))
    for count, most, name in (
        (tags, MOST_TAGS, "signs <"), (brackets, MOST_BRACKETS, "brackets ["), (headings, MOST_HEADINGS, "headings"),
    ):  # fmt: skip
        if count > most:
            raise ProseRefused(f"has {count:,} {name}; at most {most:,} are read.", shorter)
    if "<![" in text:
        line = text.count("\n", 0, text.index("<![")) + 1
        raise ProseRefused("holds <![, which no page needs.", "Take it away.", line)
    line = 1
    for paragraph in text.split("\n\n"):
        if len(paragraph) > LONGEST_PARAGRAPH or paragraph.count("[") > MOST_IN_PARAGRAPH:
            what = f"has a paragraph of more than {LONGEST_PARAGRAPH:,} characters or {MOST_IN_PARAGRAPH} brackets [."
            raise ProseRefused(what, "Put an empty line between paragraphs.", line)
        line += paragraph.count("\n") + 2


def markdown_html(text: str) -> str:
    """Markdown as HTML, not yet cleaned. Tables, footnotes, definition lists, attribute lists, heading ids.

    Characters that nobody sees are left out. Raises ProseRefused for a text that would take minutes.
    """
    text = UNSEEN.sub("", text)
    _require_bounded(text)
    converter = Markdown(
        extensions=["tables", "footnotes", "def_list", "attr_list", "abbr", "toc", "sane_lists"],
        extension_configs={"footnotes": {"BACKLINK_TEXT": "back"}, "toc": {"permalink": False}},
        output_format="html",
    )
    try:
        return converter.convert(text)
    except RecursionError:
        raise ProseRefused("is nested too deeply.", "Write lists and quotations flat.") from None


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
