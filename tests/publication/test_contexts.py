"""Templates and contexts agree: each field is documented and used, and no template asks for another."""

from __future__ import annotations

import dataclasses
import re
from pathlib import Path

import pytest

from generator.publication.cautions import CautionPanel
from generator.publication.claim_rows import ClaimRow
from generator.publication.comparison_page import ComparisonPage, ContrastBlock
from generator.publication.corrections_page import CorrectionLine, CorrectionsPage
from generator.publication.downloads_page import Citation, DownloadsPage
from generator.publication.facts import Fact
from generator.publication.figure_blocks import FigureBlock
from generator.publication.front_filters import Filter, FilterChoice, FilterSet
from generator.publication.front_page import ClaimsPage, FrontPage, SessionCard, ShortAnswer
from generator.publication.page_frame import Frame
from generator.publication.part_pages import PartPage, PartsPage
from generator.publication.rig_page import RigPage, RigsPage
from generator.publication.run_page import RunPage
from generator.publication.search_page import FoundGroup, SearchPage
from generator.publication.session_blocks import CheckRow
from generator.publication.session_page import CorrectionRow, SessionPage
from generator.publication.tables import Cell, Table
from generator.publication.text_pages import TextPage
from generator.publication.verdict_rows import SmallStrip, VerdictRow

LAYOUTS = Path(__file__).resolve().parents[2] / "layouts"
PAGES = {
    "front.html": FrontPage,
    "session.html": SessionPage,
    "comparison.html": ComparisonPage,
    "run.html": RunPage,
    "claims.html": ClaimsPage,
    "part.html": PartPage,
    "parts.html": PartsPage,
    "rig.html": RigPage,
    "rigs.html": RigsPage,
    "text.html": TextPage,
    "search.html": SearchPage,
    "downloads.html": DownloadsPage,
    "corrections.html": CorrectionsPage,
}
# Sections of the shared pieces that are handed the whole page.
HANDED = {"cautions_section", "checks", "how_found", "data", "rests_on"}


def fields(context: type) -> set[str]:
    return {field.name for field in dataclasses.fields(context)}


def asked(template: str) -> set[str]:
    """Fields of the page that a template asks for, those asked for by the pieces it hands the page to included."""
    text = (LAYOUTS / template).read_text(encoding="utf-8")
    blocks = (LAYOUTS / "blocks.html").read_text(encoding="utf-8")
    names = set(re.findall(r"(?<![.\w])page\.(\w+)", text))
    for macro in HANDED & set(re.findall(r"blocks\.(\w+)\(page\)", text)):
        body = re.search(rf"macro {macro}\(page\).*?endmacro", blocks, re.DOTALL)
        assert body is not None
        names |= set(re.findall(r"(?<![.\w])page\.(\w+)", body.group()))
    return names - {"html"} if template != "text.html" else names


@pytest.mark.parametrize("template", sorted(PAGES))
def test_a_page_asks_for_what_its_context_holds_and_for_all_of_it(template: str) -> None:
    # `path`, `first` and `ids` of a prose page serve its frame and the links that lead to it.
    not_shown = {"path", "first", "ids"} if template == "text.html" else set()
    assert asked(template) == fields(PAGES[template]) - not_shown


def test_the_frame_asks_for_what_its_context_holds_and_for_all_of_it() -> None:
    text = (LAYOUTS / "page.html").read_text(encoding="utf-8")
    assert set(re.findall(r"\bframe\.(\w+)", text)) == fields(Frame) - {"path"}


@pytest.mark.parametrize(
    "context",
    [*PAGES.values(), Frame, VerdictRow, SmallStrip, FigureBlock, Table, Cell, CheckRow, ClaimRow, CautionPanel,
     SessionCard, ShortAnswer, CorrectionRow, ContrastBlock, Fact, Filter, FilterChoice, FilterSet, FoundGroup,
     Citation, CorrectionLine],
)  # fmt: skip
def test_every_field_is_explained(context: type) -> None:
    doc = (context.__doc__ or "").lower()
    assert [name for name in fields(context) if name.replace("_", " ") not in doc.replace("_", " ")] == []


def test_every_context_is_frozen() -> None:
    for context in (*PAGES.values(), Frame):
        assert context.__dataclass_params__.frozen  # type: ignore[attr-defined]
