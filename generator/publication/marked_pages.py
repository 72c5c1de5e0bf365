"""Finished pages with two things marked in them: quantities, so that a reader can choose units, and glossary words.

What people typed is set as our own words are: a number and its unit on one line, apostrophes as a printer sets them.

Pages are made as if neither existed. What has no unit to choose stays untouched: pictures, the captions and tables
that belong to them, code, and texts that are there to be copied.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from markupsafe import Markup, escape

from generator.evidence.wording import listed
from generator.publication import navigation
from generator.publication.definitions import FirstUses, Term
from generator.publication.navigation import link
from generator.publication.rendering import TAG
from generator.publication.units import Choice, in_units, pieces

# Kept as they are, with all inside them; none of these ever holds another of its own kind on our pages.
KEPT = re.compile(
    r"<(?P<kept>head|svg|script|style|pre|code|textarea|select|figcaption)\b.*?</(?P=kept)>", re.DOTALL
)
TOKEN = re.compile(rf"{KEPT.pattern}|{TAG.pattern}", re.DOTALL)
NAME = re.compile(r"</?([A-Za-z][A-Za-z0-9]*)")
CLASSES = re.compile(r'\bclass="([^"]*)"')
VOID = frozenset({"area", "br", "col", "hr", "img", "input", "link", "meta", "source", "wbr"})
# Where our own words stand, as opposed to headings, answers, and what people wrote.
OUR_LABELS = frozenset({"dt", "th", "caption"})
OUR_CLASSES = frozenset({"support", "strip-key", "range", "quiet", "mild-label", "meta"})
NO_LINKS_IN = frozenset(
    {"a", "summary", "button", "label", "h1", "h2", "h3", "h4", "h5", "h6", "nav", "header", "footer"}
)
# what people wrote; and small notes in a cell, too near to what else is linked there
NO_LINKS_CLASSES = frozenset({"prose", "cell-note"})
# A typed number and its unit: no line is broken between them. Where the word is none (`4 in all`) that does no harm.
TYPED_UNIT = re.compile(
    r"(?<=\d) (?=(?:%|°[CF]?|[kM]?Hz|k?rpm|[mk]?[VAWΩ]|m?Ah|[mk]?gf?|m?N|K|[mµ]?s|min|[mck]?m|in|inch|µH|µF|[hk]?Pa|dB)"
    r"(?![A-Za-z]))"
)
APOSTROPHE = re.compile(r"(?:(?<=[^\W\d_])(?:'|&#39;)(?=[^\W\d_])|^(?:'|&#39;)(?=s\b))")
DRAWN_UNITS = re.compile(r"\((gf/W|gf|°C|K)\)")


@dataclass(frozen=True, slots=True, kw_only=True)
class Marks:
    """What is marked on all pages of a site. choice: the season's own units; terms: words of its glossary."""

    choice: Choice
    terms: tuple[Term, ...] = ()

    def page(self, path: str, html: str) -> str:
        """A finished page with quantities and first uses marked.

        A page to be shown inside another has no script and no room for links: it is shown in the season's units.
        """
        if "/embed/" in path:
            return _Walk(self.choice, FirstUses(()), path, spans=False).over(html)
        terms = () if path == navigation.GLOSSARY else self.terms
        return _Walk(self.choice, FirstUses(terms), path, spans=True).over(html)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Element:
    """An element that is open. blocked, ours: whether it or one around it takes no links, or holds our own words."""

    tag: str
    start: int
    blocked: bool
    ours: bool


class _Walk:
    """One pass over one page."""

    def __init__(self, choice: Choice, uses: FirstUses, path: str, *, spans: bool) -> None:
        self._choice, self._uses, self._path, self._spans = choice, uses, path, spans
        self._open: list[_Element] = []

    def over(self, html: str) -> str:
        made: list[str] = []
        end = 0
        for token in TOKEN.finditer(html):
            made.append(typeset(self._text(html[end : token.start()])))
            made.append(self._token(token, html))
            end = token.end()
        made.append(typeset(self._text(html[end:])))
        return "".join(made)

    def _token(self, token: re.Match[str], html: str) -> str:
        text = token.group()
        if token["kept"] == "figcaption":
            figure = next((element for element in reversed(self._open) if element.tag == "figure"), None)
            note = drawn_in(html[figure.start : token.end()]) if figure is not None else ""
            opened = text.index(">") + 1
            return f"{text[:opened]}{note}{typeset(text[opened:])}"
        if token["kept"] or text.startswith("<!"):
            return text
        name = NAME.match(text)
        tag = name.group(1).lower() if name else ""
        if text.startswith("</"):
            while self._open and self._open.pop().tag != tag:
                pass
        elif tag not in VOID:
            classes = CLASSES.search(text)
            named = classes.group(1).split() if classes else ()
            outer = self._open[-1] if self._open else None
            blocked = tag in NO_LINKS_IN or not NO_LINKS_CLASSES.isdisjoint(named)
            ours = tag in OUR_LABELS or not OUR_CLASSES.isdisjoint(named)
            if outer is not None:
                blocked, ours = blocked or outer.blocked, ours or outer.ours
            self._open.append(_Element(tag=tag, start=token.start(), blocked=blocked, ours=ours))
        return text

    def _text(self, html: str) -> str:
        if not html or html.isspace():
            return html
        if not self._spans:
            return str(escape(in_units(Markup(html).unescape(), self._choice))) if "\u00a0" in html else html
        quantities, words = "\u00a0" in html, self._linkable()
        if not quantities and not words:
            return html
        made = []
        for piece in pieces(Markup(html).unescape()):
            if isinstance(piece, str):
                made.append(self._with_links(piece) if words else escape(piece))
                continue
            shown = self._choice.of(piece)
            others = "".join(
                f' data-{key}="{escape(text)}"' for key, text in piece.texts.items() if key != shown
            )
            made.append(Markup(f'<span class="q"{others}>{escape(piece.texts[shown])}</span>'))
        return "".join(str(part) for part in made)

    def _linkable(self) -> bool:
        return bool(self._open) and self._open[-1].ours and not self._open[-1].blocked

    def _with_links(self, text: str) -> str:
        made: list[str] = []
        for piece in self._uses.split(text):
            if isinstance(piece, str):
                made.append(str(escape(piece)))
                continue
            word, term = piece
            href = link(self._path, navigation.GLOSSARY, term.key)
            made.append(
                f'<a class="term" href="{escape(href)}" title="{escape(term.told)}">{escape(word)}</a>'
            )
        return "".join(made)


def typeset(html: str) -> str:
    """Words of a page with typed numbers kept beside their units, and typographic apostrophes.

    A word without a space around it may be the name of a file: its apostrophe stays.
    """
    if " " not in html:
        return html
    return APOSTROPHE.sub("\u2019", TYPED_UNIT.sub("\u00a0", html))


def drawn_in(figure: str) -> Markup:
    """A line for the caption of a chart whose axes carry units that a reader can change elsewhere; "" for others.

    figure  its HTML. The style sheet shows the line only where other units are chosen.
    """
    units = list(dict.fromkeys(DRAWN_UNITS.findall(figure)))
    kinds = sorted({"of-thrust" if unit.startswith("gf") else "of-temperature" for unit in units})
    if not units:
        return Markup("")
    return Markup('\n<p class="drawn-in {}">Chart and table stay in {}, as published.</p>').format(
        " ".join(kinds), listed(units)
    )
