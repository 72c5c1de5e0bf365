"""The tester's prose, with its numbers taken from the results.

Between double braces stands one call of a function, such as `{{ difference("thrust", "cold", speed_rpm=16000) }}`,
and nothing else: no loop, no filter, no attribute. Each number becomes a link to the place it comes from.
"""

from __future__ import annotations

import posixpath
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TypeVar
from urllib.parse import unquote, urlsplit

from jinja2 import StrictUndefined, TemplateError, nodes
from jinja2.sandbox import ImmutableSandboxedEnvironment
from markupsafe import Markup, escape

from generator.evidence.records import Contrast, ResponseSummary, SessionAnalysis
from generator.intake.problems import Problem, suggestion
from generator.intake.session import Session
from generator.publication import navigation, rendering, texts
from generator.publication.navigation import link
from generator.publication.photos import Photo, PhotoRefused

PREFIX = "conclusion-"  # of every id in the prose
AT_KEYS = ("speed_rpm", "thrust_gf", "throttle_percent")
# Private-use characters hold the place of a number while Markdown is turned into HTML and cleaned.
OPEN, CLOSE = "\ue000", "\ue001"
MOST_REFERENCES = 2_000  # in one conclusion; each is read and looked up by itself
MOST_TOLD = 50
T = TypeVar("T", ResponseSummary, Contrast)
PLACE = re.compile(f"{OPEN}(\\d+){CLOSE}")


class ReferenceFails(ValueError):
    """A call names something the results do not hold; carries what is wrong and the remedy."""

    def __init__(self, what: str, remedy: str) -> None:
        super().__init__(what)
        self.what = what
        self.remedy = remedy


@dataclass(frozen=True, slots=True, kw_only=True)
class CarriedText:
    """What a call stands for: the text, and where on the site it comes from."""

    text: str
    href: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteLink:
    """A link inside the site: path of the page, id of the place on it or "", line it is written on if known."""

    path: str
    fragment: str
    line: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Conclusion:
    """A conclusion, ready for the session page.

    html      cleaned prose with the numbers in it; "" where there is none
    photos    names of the session's photos that it shows
    links     places of the site that it points at
    problems  every reference that fails
    """

    html: Markup
    photos: tuple[str, ...] = ()
    links: tuple[SiteLink, ...] = ()
    problems: tuple[Problem, ...] = ()


def conclusion_of(
    session: Session,
    analysis: SessionAnalysis,
    photos: Mapping[str, Photo] | None = None,
    refused: Mapping[str, PhotoRefused] | None = None,
) -> Conclusion:
    """`conclusion.md` as HTML for the session page. Never raises for what the author wrote.

    photos   file name -> photo of the session that can be shown; each gets its size, so that nothing jumps
    refused  file name -> why a photo of the session cannot
    """
    source = session.conclusion
    if not source or not source.strip():
        return Conclusion(html=Markup(""))
    file = session.conclusion_path or f"{session.id}/conclusion.md"
    source = source.replace(OPEN, "").replace(CLOSE, "")
    page = navigation.session_page(session.id)
    carried: list[CarriedText] = []
    problems: list[Problem] = []
    functions = _functions(session, analysis, page)

    text, at = "", 0
    for start, end in _references(source):
        text, at = text + source[at:start], end + 2
        if len(problems) + len(carried) >= MOST_REFERENCES:
            what = f"holds more than {MOST_REFERENCES:,} references."
            return _failed(file, [*problems, _problem(file, _line(source, start), what, "Write fewer.")])
        try:
            carried.append(_call(source[start + 2 : end].strip(), functions))
            text += f"{OPEN}{len(carried) - 1}{CLOSE}"
        except ReferenceFails as fault:
            problems.append(_problem(file, _line(source, start), fault.what, fault.remedy))
            text += "?"
    if "{{" in source[at:]:
        remedy = "Close the reference with }} after the function."
        line = _line(source, source.index("{{", at))
        problems.append(_problem(file, line, "{{ is not closed.", remedy))
    try:
        html = rendering.cleaned(rendering.markdown_html(text + source[at:]))
    except rendering.ProseRefused as fault:
        return _failed(file, [*problems, _problem(file, fault.line, fault.what, fault.remedy)])
    html = rendering.with_id_prefix(html, PREFIX)
    html = rendering.with_headings_from(html, 3)
    html = rendering.with_scroll_boxes(html, "The tester's conclusion")
    html = rendering.outside_tags(
        html,
        lambda part, in_link: PLACE.sub(lambda m: _link(carried[int(m.group(1))], in_link), part),
        lambda tag: PLACE.sub(lambda m: str(escape(carried[int(m.group(1))].text)), tag),
    )
    html, shown, links = _addresses(
        html, session, source, file, page, problems, dict(photos or {}), dict(refused or {})
    )
    return Conclusion(html=Markup(_captioned(html)), photos=shown, links=links, problems=tuple(problems))


def _references(source: str) -> Iterator[tuple[int, int]]:
    """Where each reference opens and closes. No pattern: of many that stay open, each would be sought to the end."""
    start = source.find("{{")
    while start >= 0:
        end = source.find("}}", start + 2)
        if end < 0:
            return
        yield start, end
        start = source.find("{{", end + 2)


def _failed(file: str, problems: list[Problem]) -> Conclusion:
    """No prose; its problems, only counted where there are very many."""
    told = problems[:MOST_TOLD]
    if len(problems) > MOST_TOLD:
        what = f"and {len(problems) - MOST_TOLD:,} more of this kind."
        told.append(_problem(file, None, what, "Mend these first."))
    return Conclusion(html=Markup(""), problems=tuple(told))


def _captioned(html: str) -> str:
    """A photo in a paragraph of its own as a figure; its title becomes the caption."""

    def figure(found: re.Match[str]) -> str:
        tag = found.group(1)
        title = re.search(r' title="([^"]*)"', tag)
        caption = f"<figcaption>{title.group(1)}</figcaption>" if title else ""
        return f'<figure class="photo">{tag.replace(title.group(), "") if title else tag}{caption}</figure>'

    return re.sub(r"<p>(<img [^>]*>)</p>", figure, html)


def _line(source: str, offset: int) -> int:
    return source.count("\n", 0, offset) + 1


def _problem(file: str, line: int | None, what: str, remedy: str) -> Problem:
    return Problem(file=file, line=line, what=what, remedy=remedy)


def _link(carried: CarriedText, in_link: bool) -> str:
    if in_link or not carried.href:
        return str(escape(carried.text))
    return f'<a class="carried" href="{escape(carried.href)}">{escape(carried.text)}</a>'


def _call(expression: str, functions: dict[str, Callable[..., CarriedText]]) -> CarriedText:
    """One call, with constants for arguments, and nothing else."""
    shown = expression if len(expression) <= 60 else expression[:57] + "..."
    remedy = 'Write one function with its arguments: difference("thrust", "cold", speed_rpm=16000).'
    environment = ImmutableSandboxedEnvironment(undefined=StrictUndefined, autoescape=False)
    environment.globals.clear()
    environment.filters.clear()
    environment.tests.clear()
    if len(expression) > 400:
        raise ReferenceFails(f"'{shown}' is too long.", remedy)
    try:
        body = environment.parse("{{ " + expression + " }}").body
    except (TemplateError, RecursionError):
        raise ReferenceFails(f"'{shown}' cannot be read.", remedy) from None
    output = body[0] if len(body) == 1 else None
    call = output.nodes[0] if isinstance(output, nodes.Output) and len(output.nodes) == 1 else None
    if not isinstance(call, nodes.Call) or not isinstance(call.node, nodes.Name):
        raise ReferenceFails(f"'{shown}' is not a function of the results.", remedy)
    if call.node.name not in functions:
        raise ReferenceFails(
            f"'{call.node.name}' is not a function of the results.",
            suggestion(call.node.name, list(functions)),
        )
    values = [*call.args, *(pair.value for pair in call.kwargs)]
    if call.dyn_args or call.dyn_kwargs or not all(isinstance(value, nodes.Const) for value in values):
        raise ReferenceFails(f"'{shown}' holds more than names and numbers.", remedy)
    environment.globals[call.node.name] = functions[call.node.name]
    try:
        made = environment.compile_expression(expression, undefined_to_none=False)()
    except TypeError:
        raise ReferenceFails(f"'{shown}' lacks an argument or has one too many.", remedy) from None
    except TemplateError as error:
        raise ReferenceFails(f"'{shown}' cannot be used: {error}.", remedy) from None
    assert isinstance(made, CarriedText)
    return made


def _functions(
    session: Session, analysis: SessionAnalysis, page: str
) -> dict[str, Callable[..., CarriedText]]:
    """The functions a conclusion may call. A response and a treatment are named as in session.yaml."""

    def summary_of(response: object, treatment: object, at: dict[str, object]) -> ResponseSummary:
        return _one(analysis.responses, response, treatment, at)

    def contrast_of(response: object, treatment: object, at: dict[str, object]) -> Contrast:
        base = at.pop("against", session.file.baseline)
        if treatment == base:
            raise ReferenceFails(
                f"'{treatment}' is the baseline here, and has no difference from itself.",
                "Name the treatment that is held against it.",
            )
        own = [contrast for contrast in analysis.contrasts if contrast.baseline == base]
        if not own:
            known = list(dict.fromkeys(contrast.baseline for contrast in analysis.contrasts))
            raise ReferenceFails(f"Nothing was compared with '{base}'.", suggestion(str(base), known))
        return _one(own, response, treatment, at)

    def of_contrast(words: Callable[[Contrast], str]) -> Callable[..., CarriedText]:
        def function(response: object, treatment: object, /, **at: object) -> CarriedText:
            contrast = contrast_of(response, treatment, at)
            target = navigation.comparison_page(session.id, contrast.treatment, contrast.baseline)
            return CarriedText(text=words(contrast), href=link(page, target, contrast.key))

        return function

    def in_words(told: Callable[[Contrast, tuple[str, str]], str]) -> Callable[[Contrast], str]:
        """Told with the words of the response: slower and faster of a time, hotter and cooler of a temperature."""
        return lambda contrast: told(contrast, analysis.kinds[contrast.response].words)

    def value(response: object, treatment: object, /, **at: object) -> CarriedText:
        summary = summary_of(response, treatment, at)
        return CarriedText(text=texts.mean_text(summary), href=link(page, page, f"mean-{summary.key}"))

    return {
        "value": value,
        "difference": of_contrast(in_words(texts.amount_text)),
        "relative": of_contrast(in_words(texts.relative_amount_text)),
        "interval": of_contrast(in_words(texts.interval_in_words)),
        "verdict": of_contrast(lambda contrast: contrast.verdict),
        "sentence": of_contrast(lambda contrast: contrast.sentence),
    }


def _one(found: Sequence[T], response: object, treatment: object, at: dict[str, object]) -> T:
    """The one record of this response and treatment under these conditions."""
    unknown = [key for key in at if key not in AT_KEYS]
    if unknown:
        raise ReferenceFails(f"'{unknown[0]}' is not a condition.", suggestion(unknown[0], AT_KEYS))
    of_response = [record for record in found if record.response == response]
    if not of_response:
        known = list(dict.fromkeys(record.response for record in found))
        raise ReferenceFails(
            f"'{response}' is not a response of this session.", suggestion(str(response), known)
        )
    of_treatment = [record for record in of_response if record.treatment == treatment]
    if not of_treatment:
        known = list(dict.fromkeys(record.treatment for record in of_response))
        raise ReferenceFails(
            f"'{treatment}' has no result for {response}.", suggestion(str(treatment), known)
        )
    fitting = [record for record in of_treatment if _fits(dict(record.at), at)]
    if len(fitting) == 1:
        return fitting[0]
    conditions = "; ".join(
        ", ".join(f"{key}={value:g}" for key, value in record.at) for record in of_treatment
    )
    what = "holds for several conditions" if fitting else "was not measured at this condition"
    raise ReferenceFails(f"{response} of {treatment} {what}.", f"Write one of these: {conditions}.")


def _fits(have: dict[str, float], wanted: dict[str, object]) -> bool:
    return all(
        key in have
        and isinstance(value, (int, float))
        and abs(have[key] - value) <= 1e-6 * max(1.0, abs(value))
        for key, value in wanted.items()
    )


def _addresses(
    html: str,
    session: Session,
    source: str,
    file: str,
    page: str,
    problems: list[Problem],
    sizes: Mapping[str, Photo],
    refused: Mapping[str, PhotoRefused],
) -> tuple[str, tuple[str, ...], tuple[SiteLink, ...]]:
    """Photos turned to their copies, and the places of the site that the prose points at."""
    photos: list[str] = []
    links: list[SiteLink] = []

    def line_of(words: str) -> int | None:
        at = source.find(words)
        return _line(source, at) if at >= 0 else None

    def changed(tag: str) -> str:
        image = re.match(r'<img\b.*?\bsrc="([^"]*)"', tag)
        if tag.startswith("<img"):
            name = unquote(image.group(1)) if image else ""
            if image is None or name not in session.photos:
                what = f"'{name}' is not a photo of this session."
                remedy = suggestion(name, session.photos)
                problems.append(_problem(file, line_of(name or "<img"), what, remedy))
                return ""
            if name in refused:
                fault = refused[name]
                what = f"'{name}' {fault.what}"
                problems.append(_problem(file, line_of(name), what, fault.remedy))
                return ""
            photos.append(name)
            copy = escape(link(page, navigation.photo_copy(session.id, name)))
            told = f'src="{copy}" loading="lazy"'
            if name in sizes:
                told += f' width="{sizes[name].width}" height="{sizes[name].height}"'
            bare = re.sub(r' (?:width|height)="[^"]*"', "", tag)
            return bare.replace(f'src="{image.group(1)}"', told)
        address = re.match(r'<a\b.*?\bhref="([^"]*)"', tag)
        if address and 'class="carried"' not in tag:
            parts = urlsplit(address.group(1).replace("&amp;", "&"))
            if not parts.scheme and not parts.netloc and not parts.fragment.startswith(PREFIX):
                folder = posixpath.dirname(page)
                path = posixpath.normpath(posixpath.join(folder, unquote(parts.path))) if parts.path else page
                place = SiteLink(
                    path=path,
                    fragment=unquote(parts.fragment),
                    line=line_of(parts.path or f"#{parts.fragment}"),
                )
                links.append(place)
        return tag

    made = rendering.outside_tags(html, lambda part, _: part, changed)
    return made, tuple(dict.fromkeys(photos)), tuple(dict.fromkeys(links))
