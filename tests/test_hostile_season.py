"""A season whose every text field holds markup: nothing of it may become markup, address or script anywhere."""

from __future__ import annotations

import csv
import json
import re
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import html5lib
import pytest
import yaml

from generator import build
from generator.cli import main
from generator.publication.csv_cells import CALCULATED
from generator.publication.rendering import markdown_html
from generator.publication.sandbox import POLICY
from tests import factories, hostile_season
from tests.hostile_season import (
    FORMULA,
    MARKUP,
    PRODUCT,
    documents,
    free_fields,
    models_of,
    write_hostile_season,
)
from tests.publication.site_season import make_season

# What our own layouts and charts are made of; read off them, so that it can only be added to knowingly.
ELEMENTS = {
    "a", "abbr", "article", "aside", "b", "blockquote", "body", "br", "button", "caption", "circle", "cite",
    "clipPath", "code", "dd", "defs", "del", "details", "dfn", "div", "dl", "dt", "em", "fieldset",
    "figcaption", "figure", "footer", "form", "g", "h1", "h2", "h3", "h4", "h5", "h6", "head", "header", "hr",
    "html", "i", "iframe", "img", "input", "kbd", "label", "legend", "li", "line", "linearGradient", "link",
    "main", "meta", "nav", "noscript", "ol", "optgroup", "option", "output", "p", "path", "pre", "q", "rect",
    "s", "script", "search", "section", "select", "small", "span", "stop", "strong", "sub", "summary", "sup",
    "svg", "table", "tbody", "td", "template", "text", "textarea", "tfoot", "th", "thead", "time", "title",
    "tr", "tspan", "ul", "use", "var", "wbr",
}  # fmt: skip
ADDRESSES = {"href", "src", "action", "formaction", "data", "srcset", "poster", "background", "cite", "ping"}


def test_every_text_field_of_every_model_is_filled(tmp_path: Path) -> None:
    _, filled = write_hostile_season(tmp_path)
    wanted = {
        f"{inner.__name__}.{key}"
        for model, _ in documents().values()
        for inner in models_of(model)
        for key in free_fields(inner)
    }
    assert wanted == filled
    assert len(wanted) > 30
    for name in hostile_season.NAMES:  # none of them is a leftover
        model, _, field = name.partition(".")
        known = {inner.__name__: inner for top, _ in documents().values() for inner in models_of(top)}
        assert model == "Part" or field in known[model].model_fields


@pytest.fixture(scope="module")
def sites(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """The site of the hostile season; and one with all kinds of charts, whose labels are hostile."""
    folder = tmp_path_factory.mktemp("hostile")
    season, _ = write_hostile_season(folder / "season")
    build(season, folder / "site")
    with pytest.MonkeyPatch.context() as patch:
        for place, name in enumerate(list(factories.LABELS)):
            patch.setitem(factories.LABELS, name, f"{FORMULA}{place} {MARKUP}")
        make_season(folder / "charts", small=True, conclusion=None, kept=(1, 2, 3)).write(
            folder / "site-of-charts"
        )
    return [folder / "site", folder / "site-of-charts"]


def files(sites: list[Path], *endings: str) -> Iterator[Path]:
    for site in sites:
        yield from (file for file in sorted(site.rglob("*")) if file.suffix in endings)


def elements(file: Path) -> Iterator[tuple[str, dict[str, str], str]]:
    """Name, attributes and text of each element of a page; comments under the name `!`."""
    for found in html5lib.parse(file.read_text(encoding="utf-8"), namespaceHTMLElements=False).iter():
        name = found.tag.rsplit("}", 1)[-1] if isinstance(found.tag, str) else "!"
        yield name, dict(found.attrib), found.text or ""


def test_no_element_attribute_or_address_comes_out_of_a_text(sites: list[Path]) -> None:
    seen = 0
    for file in files(sites, ".html"):
        for name, attributes, text in elements(file):
            place = f"{file.name}: <{name} {attributes}>"
            seen += "hostile" in text
            assert name in ELEMENTS, place
            for key, value in attributes.items():
                assert not key.lower().startswith("on"), place
                assert key != "style" or "hostile" not in value, place
                if key in ADDRESSES:
                    assert "hostile" not in value, place
                    assert re.match(r"(?:https?:|mailto:)|(?![a-z][a-z0-9+.-]*:)", value.strip(), re.I), place
            if name == "script":
                assert attributes.get("type") == "application/ld+json" or not text.strip(), place
                if text.strip():
                    json.loads(text)
    assert seen > 100  # the texts are there, as texts


def test_pages_carry_the_policy_and_no_template_ran(sites: list[Path]) -> None:
    for file in files(sites, ".html"):
        policies = [a for name, a, _ in elements(file) if a.get("http-equiv") == "Content-Security-Policy"]
        assert [a["content"] for a in policies] == [POLICY], file
    for file in files(sites, ".html", ".json", ".svg", ".csv", ".xml", ".txt"):
        assert PRODUCT not in file.read_text(encoding="utf-8").replace(",", ""), file


def test_pictures_and_lists_for_machines_hold_what_they_may(sites: list[Path]) -> None:
    names: dict[str, set[str]] = {}
    for file in files(sites, ".svg", ".xml"):
        for found in ElementTree.parse(file).iter():
            names.setdefault(file.suffix, set()).add(found.tag.rsplit("}", 1)[-1])
            assert not any(key.startswith("on") or "hostile" in value for key, value in found.attrib.items())
    assert names[".svg"] <= ELEMENTS - {"a", "script", "iframe", "img"}
    assert names[".xml"] <= {
        "feed", "title", "id", "updated", "subtitle", "link", "author", "name", "entry", "summary",
        "urlset", "url", "loc",
    }  # fmt: skip
    for file in files(sites, ".json"):
        json.loads(file.read_text(encoding="utf-8"))


def cells(text: str) -> Iterator[str]:
    for row in csv.reader(text.splitlines(keepends=True)):
        yield from row


def test_no_cell_is_calculated_by_a_spreadsheet(sites: list[Path]) -> None:
    labels = 0
    for file in files(sites, ".csv"):
        if "logs" in file.parts:  # logs are published as they were recorded
            continue
        for cell in cells(file.read_text(encoding="utf-8")):
            labels += cell.startswith(f"'{FORMULA}")
            assert not cell.startswith(CALCULATED) or re.fullmatch(r"-[\d.]+(?:e[+-]?\d+)?", cell), (
                file,
                cell,
            )
    assert labels > 0


def test_the_same_season_with_plain_texts_has_pages_of_the_same_build(
    sites: list[Path], tmp_path: Path
) -> None:
    """Element by element, what differs between a page of markup and a page of plain words is text alone."""
    season, _ = write_hostile_season(tmp_path / "season")
    plain(season)
    build(season, tmp_path / "site")
    compared = 0
    for file in files([sites[0]], ".html"):
        other = tmp_path / "site" / file.relative_to(sites[0])
        shapes = [
            [
                (name, sorted(attributes))
                for name, attributes, _ in elements(page)
                if name
                not in ("line", "g", "path", "text", "rect", "tspan", "title")  # a chart makes room for words
            ]
            for page in (file, other)
        ]
        assert shapes[0] == shapes[1], file
        compared += len(shapes[0])
    assert compared > 5000


def plain(season: Path) -> None:
    """Markup replaced by words of the same length, everywhere but in logs."""
    for file in season.rglob("*.yaml"):
        text = file.read_text(encoding="utf-8")
        data = yaml.safe_load(text)
        file.write_text(yaml.safe_dump(replaced(data), allow_unicode=True, sort_keys=False), encoding="utf-8")
    for file in season.rglob("*.csv"):
        text = file.read_text(encoding="utf-8")
        head, _, body = text.partition("\n0.000,")
        names = ",".join(words(cell) for cell in next(csv.reader([head.splitlines()[1]])))
        file.write_text(f"# {words(MARKUP)}\n{names}\n0.000,{body}", encoding="utf-8")


def replaced(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: replaced(inner) for key, inner in value.items()}
    if isinstance(value, list):
        return [replaced(inner) for inner in value]
    return words(value) if isinstance(value, str) and "<script" in value else value


def words(text: str) -> str:
    return re.sub(r"[^\w.]", "x", text) if "<script" in text else text


def test_the_run_sheet_and_the_archive_hold_it_as_text(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    season, _ = write_hostile_season(tmp_path / "season")
    assert main(["archive", str(season), "--out", str(tmp_path / "bag")]) == 0
    archive = tmp_path / "bag"
    for file in archive.rglob("*.html"):
        assert {name for name, _, _ in elements(file)} <= ELEMENTS
    for file in archive.rglob("*.json"):
        json.loads(file.read_text(encoding="utf-8"))
    tags = {
        line.split(":", 1)[0] for line in (archive / "bag-info.txt").read_text(encoding="utf-8").splitlines()
    }
    assert all(re.fullmatch(r"[A-Z][A-Za-z-]*|\s.*", tag) for tag in tags), tags
    assert main(["verify", str(archive)]) == 0

    shutil.rmtree(season / "q" / "logs")
    document = season / "q" / "session.yaml"
    text = yaml.safe_load(document.read_text(encoding="utf-8"))
    del text["runs"]
    document.write_text(yaml.safe_dump(text, allow_unicode=True, sort_keys=False), encoding="utf-8")
    main(["plan", str(season / "q"), "--repeats", "2"])
    capsys.readouterr()
    sheets = sorted((season / "q").glob("*.html"))
    assert sheets
    for sheet in sheets:
        for name, attributes, _ in elements(sheet):
            assert name in ELEMENTS | {"style"}
            assert not any(key.startswith("on") for key in attributes)
            assert not any("hostile" in value for key, value in attributes.items() if key in ADDRESSES)
    sheets = [file for file in (season / "q").glob("*.md") if file.name != "conclusion.md"]
    assert sheets
    for sheet in sheets:
        made = html5lib.parse(markdown_html(sheet.read_text(encoding="utf-8")), namespaceHTMLElements=False)
        names = {found.tag for found in made.iter() if isinstance(found.tag, str)}
        assert names <= ELEMENTS - {"script", "img", "svg", "a"}, names


def test_a_terminal_is_not_steered_by_a_text(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    season, _ = write_hostile_season(tmp_path / "season")
    file = season / "season.yaml"
    file.write_text('title: "\\e[2Jx\\u202ey"\nabout: x\nnonsense\\e[2J: 1\n', encoding="utf-8")
    assert main(["check", str(season)]) == 1
    told = "".join(capsys.readouterr())
    assert "\x1b" not in told
    assert "\u202e" not in told
    assert "U+001B" in told
