"""Claims as pages show them: what the runs say of each in plain words, and a line that says it without them."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from generator.publication.claim_rows import RUNS_DO, decision_text
from generator.publication.marked_pages import typeset
from generator.reduction.records import At
from tests.publication.site_checks import Page

NBSP, THIN = "\u00a0", "\u202f"


def at(speed_rpm: float) -> At:
    return (("speed_rpm", speed_rpm),)


@pytest.mark.parametrize(
    ("outcome", "places", "said"),
    [
        ("supported", {}, "The runs agree"),
        ("left open", {"left open": [()]}, "The runs leave it open"),
        ("contradicted", {"contradicted": [at(9000), at(16000)]}, "The runs say otherwise"),
        (
            "contradicted",
            {"supported": [at(10000)], "contradicted": [at(17000)]},
            "The runs say otherwise at 17 000 rpm, but agree at 10 000 rpm",
        ),
        (
            "contradicted",
            {"left open": [at(9000)], "supported": [at(10000)], "contradicted": [at(17000)]},
            "The runs say otherwise at 17 000 rpm, but agree at 10 000 rpm and leave it open at 9 000 rpm",
        ),
    ],
)
def test_the_decision_is_told_in_plain_words(outcome: str, places: dict[str, list[At]], said: str) -> None:
    assert decision_text(outcome, places).replace(NBSP, " ").replace(THIN, " ") == said


def test_a_claim_shows_its_words_first_then_what_the_runs_say_and_no_label(plain_site: Path) -> None:
    ledger = Page(plain_site, plain_site / "claims.html")
    articles = re.findall(r'<article class="claim claim-(.*?)".*?</article>', ledger.text, re.DOTALL)
    whole = re.findall(r'<article class="claim .*?</article>', ledger.text, re.DOTALL)
    assert len(whole) == len(articles) > 2
    for classes, text in zip(articles, whole, strict=True):
        outcome = classes.split()[0].replace("-", " ")
        assert (
            text.index("<q>") < text.index(f"The runs {RUNS_DO[outcome]}") < text.index(outcome.capitalize())
        )
        assert "said by" not in text
        assert ("claim-weak" in classes) == ('<b>Doubt:</b> <a href="' in text)
        assert "Heard from" in text or "not stated" in text


@pytest.mark.parametrize(
    ("typed", "shown"),
    [
        ("Mean of 96 kHz", f"Mean of 96{NBSP}kHz"),
        ("5S capped to 80 % against 4S", f"5S capped to 80{NBSP}% against 4S"),
        ("Bench supply, 30 V 40 A", f"Bench supply, 30{NBSP}V 40{NBSP}A"),
        ("4 runs of 2 Volunteers", "4 runs of 2 Volunteers"),
        ("the stand&#39;s cell, the rig's own", "the stand’s cell, the rig’s own"),
        ("bob's.csv", "bob's.csv"),
    ],
)
def test_what_people_typed_is_set_as_our_own_words_are(typed: str, shown: str) -> None:
    assert typeset(typed) == shown
