"""The ledger of corrections."""

from __future__ import annotations

from pathlib import Path

from generator.publication.corrections_page import CorrectionsPage, corrections_page
from generator.publication.page_frame import Site
from tests.publication.reader_sites import CORRECTIONS
from tests.publication.site_checks import Page
from tests.publication.site_season import Given, make_season


def site_of(given: Given) -> Site:
    return Site(season=given.season, version="0", newest="4 May 2031", has_claims=True, simulated="")


def ledger(given: Given) -> CorrectionsPage:
    return corrections_page(site_of(given), {a.session_id: a for a in given.analyses})[1]


def test_newest_first_with_the_door_to_the_session(tmp_path: Path) -> None:
    page = ledger(make_season(tmp_path / "s", repeats=1, session={"corrections": CORRECTIONS}))
    assert [(line.date, line.what, line.why) for line in page.lines] == [
        ("2\u00a0June 2031", CORRECTIONS[1]["what"], CORRECTIONS[1]["why"]),
        ("20\u00a0May 2031", CORRECTIONS[0]["what"], CORRECTIONS[0]["why"]),
    ]
    # each leads to its own place, which is also how the feed names it
    assert [line.session.href for line in page.lines] == [
        f"sessions/cells/index.html#correction-{number}" for number in (2, 1)
    ]
    assert page.tally == "2 corrections in 1 session."
    # a key stays with its correction when a later one is added
    assert [line.key for line in page.lines] == ["correction-cells-2", "correction-cells-1"]


def test_an_empty_ledger_says_so(tmp_path: Path) -> None:
    page = ledger(make_season(tmp_path / "s", repeats=1, small=True))
    assert page.lines == ()
    assert page.tally == "Nothing has been corrected so far."
    assert page.feed == ""


def test_the_feed_is_named_where_there_is_one(tmp_path: Path) -> None:
    given = make_season(tmp_path / "s", repeats=1, small=True, season={"base_url": "https://example.org/b"})
    assert ledger(given).feed == "feed.xml"


def test_ledger_is_on_the_site_and_one_click_away(plain_site: Path) -> None:
    page = Page(plain_site, plain_site / "corrections.html")
    assert "Its <speed> was missed." in page.words()
    front = Page(plain_site, plain_site / "index.html")
    assert "corrections.html" in front.hrefs()
    session = Page(plain_site, plain_site / "sessions/cells/index.html")
    assert [session.ids()[name] for name in ("corrections", "correction-1", "correction-2")] == [1, 1, 1]
