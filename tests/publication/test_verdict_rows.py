"""Verdicts as a page shows them: the word, how sure it is, and what a reader must know first."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from generator.evidence.headline import headline
from generator.evidence.records import Check, SessionAnalysis
from generator.evidence.sentences import amount_text, relative_text
from generator.publication.verdict_rows import VerdictRow, round_reach, verdict_row
from tests.evidence.invented_bench import KINDS
from tests.factories import make_analysis, make_contrast

LABELS = {"four-cell": "4S", "five-cell": "5S capped", "six-cell": "6S capped"}
PERHAPS = ", perhaps too little to matter"


def check_of(outcome: Any, name: str = "same-thrust", title: str = "Thrust agrees") -> Check:
    return Check(id=name, title=title, outcome=outcome, sentence="", threshold="", reason="", source="")


def row_of(*checks: Check, **changes: Any) -> VerdictRow:
    analysis: SessionAnalysis = replace(make_analysis(), checks=checks, kinds=KINDS)
    contrast = make_contrast(**{"weakened_by": tuple(check.id for check in checks), **changes})
    return verdict_row(contrast, analysis, LABELS, "sessions/cells/index.html")


@pytest.mark.parametrize(
    ("response", "verdict", "word"),
    [
        ("electrical_power", "more", "more"),
        ("rise_time", "less", "faster"),
        ("rise_time", f"more{PERHAPS}", f"slower{PERHAPS}"),
        ("temperature_rise", f"less{PERHAPS}", f"cooler{PERHAPS}"),
        ("rise_time", "no difference that matters", "no difference that matters"),
        ("rise_time", "not settled", "not settled"),
    ],
)
def test_a_verdict_is_said_in_the_word_of_its_response(response: str, verdict: str, word: str) -> None:
    row = row_of(response=response, verdict=verdict)
    assert row.word == word
    assert row.verdict == verdict, "the verdict itself stays one of the six"


@pytest.mark.parametrize(
    ("outcome", "changes", "sureness", "weak"),
    [
        (None, {}, "Clear", False),
        (None, {"verdict": "not settled"}, "Open", False),
        (None, {"verdict": f"more{PERHAPS}"}, "Open", False),
        (None, {"indicative": True}, "Indicative", False),
        ("warned", {}, "With care", True),
        ("failed", {}, "Weak", True),
        ("failed", {"indicative": True}, "Weak", True),
    ],
)
def test_one_word_says_how_sure_it_is(
    outcome: str | None, changes: dict[str, Any], sureness: str, weak: bool
) -> None:
    row = row_of(*([check_of(outcome)] if outcome else []), **changes)
    assert (row.sureness, row.weak) == (sureness, weak)


def test_one_line_says_what_to_be_careful_of() -> None:
    assert row_of().careful == ""
    both = (check_of("warned", "zero-drift", "Zero drift"), check_of("failed"))
    assert row_of(*both).careful == (
        "Careful: the thrust differs at the same speed with the same propeller, so do not rely on this; "
        "a zero drifted."
    )
    single = row_of(check_of("warned", "repeats", "More than one run"), indicative=True)
    assert single.careful == "Careful: one run on a side, and separate runs may differ more."
    assert not single.weak


@pytest.mark.parametrize(
    ("response", "verdict", "named"),
    [
        ("electrical_power", "less", "less electrical power"),
        ("electrical_power", f"more{PERHAPS}", f"more electrical power{PERHAPS}"),
        ("rise_time", "less", "spin-up time: faster"),
        ("electrical_power", "no difference that matters", "electrical power: no difference that matters"),
        ("electrical_power", "not settled", "electrical power: not settled"),
    ],
)
def test_a_verdict_that_stands_alone_names_its_quantity(response: str, verdict: str, named: str) -> None:
    assert row_of(response=response, verdict=verdict).named == named


def test_a_weak_verdict_says_so_in_words() -> None:
    assert row_of().doubt == ""
    assert row_of(check_of("failed")).doubt == "weak: a check failed"
    assert row_of(check_of("warned")).doubt == "with care: a check warns"


def test_an_interval_beyond_the_margin_of_an_equal_verdict_is_explained() -> None:
    equal = {"verdict": "no difference that matters", "margin": 0.31, "level": 0.95}
    assert "90\u00a0% interval" in row_of(**equal, interval=(-0.34, 0.23)).note
    assert row_of(**equal, interval=(-0.30, 0.23)).note == ""
    assert row_of(verdict="not settled", margin=0.31, interval=(-0.34, 0.23)).note == ""


@given(st.floats(1e-6, 1e6))
def test_a_strip_ends_at_the_next_round_number(size: float) -> None:
    reach = round_reach(size)
    assert size * (1.0 - 1e-6) <= reach <= 1.5 * size * (1.0 + 1e-6)
    assert float(f"{reach:.1e}") == pytest.approx(reach, rel=1e-12), "two digits are enough to write it"


def test_a_strip_carries_its_scale() -> None:
    strip = row_of().strip  # +6.1 to +9.7 W, margin 5.248 W
    assert (strip.low, strip.high) == ("\u221215\u00a0W", "+15\u00a0W")
    middle, half = 120.0, 120.0 / 15.0
    assert strip.high_x == pytest.approx(middle + 9.7 * half, abs=0.05)
    assert strip.low_x == pytest.approx(middle + 6.1 * half, abs=0.05)


def test_the_margin_stands_beside_a_verdict_that_it_decides() -> None:
    assert row_of(verdict=f"more{PERHAPS}", margin=2.1).near_margin == "margin 2.1\u00a0W"
    assert row_of(verdict="more", margin=2.1).near_margin == ""


def test_the_share_leads_where_the_rig_had_gone_out_of_control() -> None:
    """A gain that moved alike for both sides leaves shares between them, but not values."""
    off = check_of("warned", "rig-in-control")
    assert row_of(off).share == row_of().relative.partition(" of ")[0]
    assert row_of().share == row_of(check_of("warned")).share == ""
    assert row_of(off, relative=None, relative_interval=None).share == ""
    analysis = replace(make_analysis(), checks=(off,), kinds=KINDS)
    found = make_contrast(weakened_by=(off.id,))
    share, size = (
        relative_text(found, signed=False),
        amount_text(replace(found, weakened_by=())).partition(" (")[0],
    )
    assert amount_text(found) == f"{share} ({size})"
    assert f"{share} ({size})" in headline([found], KINDS, LABELS, (), analysis.checks)
