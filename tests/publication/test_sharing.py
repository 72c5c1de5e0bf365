"""What lets a page be passed on: summary, citation, feed, site map, picture, short version."""

from __future__ import annotations

import json
import struct
from pathlib import Path
from xml.etree import ElementTree

import pytest

from generator.evidence.check_words import went_wrong
from generator.evidence.wording import sentence_case
from generator.pipeline import Analysed, build
from generator.publication import navigation
from generator.publication.session_blocks import of_pair, pairs_of
from generator.publication.share_card import card_svg, share_card
from generator.publication.sharing import (
    absolute,
    citation,
    dataset,
    embed_snippet,
    feed,
    site_map,
    summary_text,
)

ATOM = "{http://www.w3.org/2005/Atom}"
MAP = "{http://www.sitemaps.org/schemas/sitemap/0.9}"
HOME = "https://bench.example/season"


def with_address(demo: Analysed) -> Analysed:
    file = demo.season.file.model_copy(update={"base_url": f"{HOME}/"})
    season = demo.season.model_copy(update={"file": file})
    return Analysed(season=season, sessions=demo.sessions, documents=demo.documents)


def of_session(demo: Analysed, name: str):  # type: ignore[no-untyped-def]
    session = next(s for s in demo.season.sessions if s.id == name)
    return session, next(a for a in demo.sessions if a.session_id == name)


def test_a_summary_carries_interval_caveats_and_the_way_to_check(demo: Analysed) -> None:
    session, analysis = of_session(demo, "switching-frequency")
    pair = next(p for p in pairs_of(analysis, session) if p[0] == "f96")
    contrasts = [c for c in of_pair(analysis, session, *pair) if c.primary]
    text = summary_text(contrasts, analysis, session, demo.season)
    assert contrasts[0].sentence.replace("\u00a0", " ").replace("\u202f", " ") in text
    assert "95 % interval" in text
    assert "Simulated data" in text
    assert "\u00a0" not in text
    weak = {name for c in contrasts for name in c.weakened_by}
    checks = [check for check in analysis.checks if check.id in weak]
    assert checks  # this session is in the demo for its failed check
    for check in checks:  # what went wrong leads, the check's own name stands small at the end
        told = f"But: {sentence_case(went_wrong(check))}: ".replace("\u00a0", " ")
        assert told in text
        assert f"(check: {check.title[:1].lower()}{check.title[1:]}, " in text
    assert navigation.comparison_page(session.id, *pair) in text


def test_an_indicative_answer_is_never_passed_on_without_the_word(demo: Analysed) -> None:
    session, analysis = of_session(demo, "pitch-sweep")
    pair = pairs_of(analysis, session)[0]
    contrasts = of_pair(analysis, session, *pair)
    assert contrasts[0].indicative
    assert "indicative only" in summary_text(contrasts, analysis, session, demo.season)
    assert "Indicative only" in card_svg(contrasts[0], analysis, session, demo.season)


def test_without_an_address_nothing_absolute_is_claimed(demo: Analysed) -> None:
    session, analysis = of_session(demo, "cell-count-capped")
    assert absolute(demo.season, "index.html") == ""
    assert embed_snippet("t", "x.html", demo.season) == ""
    assert "http" not in citation("A title.", "x.html", session, demo.season, "1.0")
    assert "url" not in json.loads(dataset(session, analysis, demo.season))


def test_feed_and_map_hold_absolute_addresses(demo: Analysed) -> None:
    season = with_address(demo).season
    analyses = {analysis.session_id: analysis for analysis in demo.sessions}
    root = ElementTree.fromstring(feed(season, analyses))
    entries = root.findall(f"{ATOM}entry")
    assert len(entries) == len(season.sessions) + sum(len(s.file.corrections) for s in season.sessions)
    ids = [entry.findtext(f"{ATOM}id", "") for entry in entries]
    assert len(set(ids)) == len(ids)
    assert all(id_.startswith(f"{HOME}/sessions/") for id_ in ids)
    stamps = [entry.findtext(f"{ATOM}updated", "") for entry in entries]
    assert stamps == sorted(stamps, reverse=True)
    assert root.findtext(f"{ATOM}updated") == stamps[0]
    assert "Simulated data" in entries[0].findtext(f"{ATOM}summary", "")
    tree = ElementTree.fromstring(site_map(season, ["index.html", "sessions/x/index.html"]))
    found = [loc.text for loc in tree.iter(f"{MAP}loc")]
    assert found == [f"{HOME}/", f"{HOME}/sessions/x/index.html"]


def test_facts_for_search_engines_cannot_end_their_script(demo: Analysed) -> None:
    session, analysis = of_session(demo, "cell-count-capped")
    hostile = "</script><script>alert(1)</script><!-- & "
    file = session.file.model_copy(update={"title": hostile, "question": hostile * 3})
    told = dataset(session.model_copy(update={"file": file}), analysis, with_address(demo).season)
    assert "<" not in told
    facts = json.loads(told)
    assert facts["name"] == hostile
    assert 50 <= len(facts["description"]) <= 5000
    assert facts["distribution"][0]["contentUrl"].startswith(HOME)


def test_the_card_is_a_picture_of_the_right_size_named_by_its_content(demo: Analysed) -> None:
    session, analysis = of_session(demo, "cell-count-capped")
    contrast = of_pair(analysis, session, *pairs_of(analysis, session)[0])[0]
    card = share_card(contrast, analysis, session, demo.season)
    assert card.png[:8] == b"\x89PNG\r\n\x1a\n"
    assert struct.unpack(">II", card.png[16:24]) == (1200, 630)
    assert len(card.png) < 1_000_000
    assert "Simulated data" in card.alt
    again = share_card(contrast, analysis, session, demo.season)
    assert (again.path, again.png) == (card.path, card.png)
    file = session.file.model_copy(
        update={"title": session.file.title, "date": session.file.date.replace(year=2032)}
    )
    later = share_card(contrast, analysis, session.model_copy(update={"file": file}), demo.season)
    assert later.path != card.path


@pytest.mark.parametrize("label", ["4S", "A very long label of a set-up that nobody would ever want " * 2])
def test_words_on_the_card_stay_inside(demo: Analysed, label: str) -> None:
    session, analysis = of_session(demo, "cell-count-capped")
    treatments = {name: t.model_copy(update={"label": label}) for name, t in session.file.treatments.items()}
    file = session.file.model_copy(update={"treatments": treatments})
    contrast = of_pair(analysis, session, *pairs_of(analysis, session)[0])[0]
    svg = card_svg(contrast, analysis, session.model_copy(update={"file": file}), demo.season)
    for element in ElementTree.fromstring(svg).iter("{http://www.w3.org/2000/svg}text"):
        # 0.6 of its size is wider than the renderer's letters are on average
        width = 0.6 * float(element.attrib["font-size"]) * len(element.text or "")
        start = float(element.attrib["x"])
        low, high = (
            (start - width, start) if element.attrib["text-anchor"] == "end" else (start, start + width)
        )
        assert low > -100
        assert high < 1300


def test_a_site_with_an_address_says_so_on_its_pages(tmp_path: Path) -> None:
    from tests.seasons import write_season

    folder = write_season(tmp_path / "season")
    text = (folder / "season.yaml").read_text(encoding="utf-8")
    (folder / "season.yaml").write_text(f"{text}base_url: {HOME}\n", encoding="utf-8")
    build(folder, tmp_path / "site")
    page = next((tmp_path / "site" / "sessions").glob("*/*-against-*.html")).read_text(encoding="utf-8")
    assert f'<meta property="og:image" content="{HOME}/sessions/' in page
    assert '<meta name="twitter:card" content="summary_large_image">' in page
    assert "&lt;iframe src=" in page
    card = page.split('og:image" content="')[1].split('"')[0].removeprefix(f"{HOME}/")
    assert (tmp_path / "site" / card).is_file()
    assert (tmp_path / "site" / "feed.xml").is_file()
    assert (tmp_path / "site" / "sitemap.xml").is_file()
    assert "/embed/" not in (tmp_path / "site" / "sitemap.xml").read_text(encoding="utf-8")
