"""Sentences, headline and claims read as they should."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from generator.evidence.claims import claim_on, claims
from generator.evidence.headline import headline
from generator.evidence.records import Contrast
from generator.evidence.sentences import (
    amount_text,
    contrast_sentence,
    relative_text,
    runs_text,
    short_sentence,
)
from generator.evidence.verdicts import (
    LESS,
    MORE,
    NO_DIFFERENCE,
    NOT_SETTLED,
    PERHAPS_LESS,
    PERHAPS_MORE,
)
from generator.evidence.wording import NBSP, THIN
from tests.evidence.invented_bench import BASE, KINDS, LABELS, OTHER, at_speed, make_session

ALL_VERDICTS = (MORE, LESS, PERHAPS_MORE, PERHAPS_LESS, NO_DIFFERENCE, NOT_SETTLED)


def power(**changes: Any) -> Contrast:
    """5S capped against 4S in electrical power at 16 000 rpm: +3.1 W of 129 W."""
    contrast = Contrast(
        key="electrical_power-16000rpm-five-cell", response="electrical_power", at=at_speed(16000), treatment=OTHER,
        baseline=BASE, baseline_value=129.2, treatment_value=132.3, difference=3.1, standard_uncertainty=0.78, dof=6.0,
        interval=(1.2, 5.0), unit="W", relative=0.024, relative_interval=(0.009, 0.039), level=0.95, margin=None,
        margin_text=None, verdict=MORE, indicative=False, primary=True, p_value=0.007, p_adjusted=None,
        p_equivalence=None, basis="between runs", method="Welch", runs=(4, 4), repeats_to_settle=None, sentence="",
    )  # fmt: skip
    return replace(contrast, **changes)


def plain_spaces(text: str) -> str:
    """The text with ordinary spaces, to be read in a test."""
    return text.replace(NBSP, " ").replace(THIN, " ")


def said(**changes: Any) -> str:
    contrast = power(**changes)
    return plain_spaces(contrast_sentence(contrast, KINDS[contrast.response], LABELS))


SAME = {"difference": -0.3, "interval": (-1.5, 0.9), "relative": -0.002, "relative_interval": (-0.012, 0.007)}
OPEN = {"difference": 0.8, "interval": (-2.0, 3.6), "verdict": NOT_SETTLED, "repeats_to_settle": 9}
TWO_PERCENT = {"margin": 2.584, "margin_text": "2 %"}


@pytest.mark.parametrize(
    ("changes", "sentence"),
    [
        (
            {},
            "5S capped draws 3.1 W (2.4 %) more electrical power than 4S at 16 000 rpm; "
            "95 % interval +1.2 to +5.0 W, 4 runs each.",
        ),
        (
            {"difference": -3.1, "interval": (-5.0, -1.2), "relative": -0.024, "relative_interval": (-0.039, -0.009),
             "verdict": LESS, "runs": (4, 3)},
            "5S capped draws 3.1 W (2.4 %) less electrical power than 4S at 16 000 rpm; "
            "95 % interval −5.0 to −1.2 W, 4 runs against 3.",
        ),
        (
            {"verdict": PERHAPS_MORE, **TWO_PERCENT},
            "5S capped draws 3.1 W (2.4 %) more electrical power than 4S at 16 000 rpm; 95 % interval +1.2 to "
            "+5.0 W, 4 runs each; whether that reaches the 2 % of 4S (2.6 W) that would matter is open.",
        ),
        (
            {**SAME, "verdict": NO_DIFFERENCE, **TWO_PERCENT},
            "5S capped draws the same electrical power as 4S at 16 000 rpm, to within the 2 % that would matter "
            "(−0.3 W, 95 % interval −1.5 to +0.9 W, 4 runs each).",
        ),
        (
            OPEN,
            "The data do not settle whether 5S capped draws more electrical power than 4S at 16 000 rpm; the "
            "difference "
            "is +0.8 W, 95 % interval −2.0 to +3.6 W, 4 runs each; about 9 runs each would settle it.",
        ),
        (
            {**OPEN, "repeats_to_settle": None},
            "The data do not settle whether 5S capped draws more electrical power than 4S at 16 000 rpm; the "
            "difference "
            "is +0.8 W, 95 % interval −2.0 to +3.6 W, 4 runs each; more runs alone would hardly settle it.",
        ),
        (
            {"verdict": NOT_SETTLED, "primary": False, "p_adjusted": 0.098, "repeats_to_settle": 6, "family_size": 14},
            "The data do not settle whether 5S capped draws more electrical power than 4S at 16 000 rpm; the "
            "difference "
            "is +3.1 W, 95 % interval +1.2 to +5.0 W, 4 runs each; the interval leaves out zero, but among 14 "
            "exploratory comparisons that may be chance (adjusted p = 0.098); about 6 runs each would settle it.",
        ),
        (
            {"indicative": True, "runs": (1, 1), "basis": "within one run"},
            "Indicative, one run each: 5S capped probably draws 3.1 W (2.4 %) more electrical power than 4S at "
            "16 000 rpm; 95 % interval from within the runs +1.2 to +5.0 W.",
        ),
        (
            {**OPEN, "repeats_to_settle": None, "indicative": True, "runs": (4, 1), "basis": "within one run"},
            "Indicative, one run of 4S: the data do not settle whether 5S capped draws more electrical power "
            "than 4S at "
            "16 000 rpm; the difference is +0.8 W, 95 % interval from within the runs −2.0 to +3.6 W; only "
            "repeats can "
            "tell how far runs differ.",
        ),
        (
            {"indicative": True, "runs": (1, 1), "basis": "rig repeatability"},
            "Indicative, one run each: 5S capped probably draws 3.1 W (2.4 %) more electrical power than 4S at "
            "16 000 rpm; 95 % interval from the rig’s check standard +1.2 to +5.0 W.",
        ),
        (
            {"jointly": 3},
            "5S capped draws 3.1 W (2.4 %) more electrical power than 4S at 16 000 rpm; 95 % interval, all 3 "
            "comparisons together, +1.2 to +5.0 W, 4 runs each.",
        ),
        (
            {"verdict": NOT_SETTLED, "primary": False, "p_adjusted": 0.051, "repeats_to_settle": 6, "family": "claimed",
             "family_size": 3},
            "The data do not settle whether 5S capped draws more electrical power than 4S at 16 000 rpm; the "
            "difference is +3.1 W, 95 % interval +1.2 to +5.0 W, 4 runs each; the interval leaves out zero, but among "
            "3 comparisons that claims are about that may be chance (adjusted p = 0.051); about 6 runs each would "
            "settle it.",
        ),
        (
            {"response": "rise_time", "unit": "ms", "difference": -18.3, "interval": (-24.4, -12.2), "relative": -0.198,
             "relative_interval": (-0.26, -0.13), "verdict": LESS},
            "5S capped spins up 18.3 ms (19.8 %) faster than 4S at 16 000 rpm; 95 % interval −24.4 to −12.2 ms, "
            "4 runs each.",
        ),
        (
            {"response": "temperature_rise", "unit": "K", "difference": 23.0, "interval": (19.2, 26.8),
             "relative": None, "relative_interval": None},
            "5S capped runs 23.0 K hotter than 4S at 16 000 rpm; 95 % interval +19.2 to +26.8 K, 4 runs each.",
        ),
        (
            {"response": "throttle", "unit": "%", "at": (("thrust_gf", 250.0),), "difference": 6.2,
             "interval": (5.1, 7.3), "relative": None, "relative_interval": None},
            "5S capped needs 6.2 percentage points more throttle than 4S at 250 gf thrust; 95 % interval +5.1 to "
            "+7.3 percentage points, 4 runs each.",
        ),
        (
            {"response": "top_speed", "unit": "rpm", "at": (), "difference": 120.0, "interval": (-300.0, 540.0),
             "relative": 0.005, "relative_interval": (-0.013, 0.024), "verdict": NO_DIFFERENCE, "margin": 500.0,
             "margin_text": "500 rpm"},
            "5S capped reaches the same top speed as 4S, to within the 500 rpm that would matter (+120 rpm, 95 % "
            "interval "
            "−300 to +540 rpm, 4 runs each).",
        ),
    ],
)  # fmt: skip
def test_sentences(changes: dict[str, Any], sentence: str) -> None:
    assert said(**changes) == sentence


def test_number_and_unit_stay_on_one_line() -> None:
    sentence = contrast_sentence(power(), KINDS["electrical_power"], LABELS)
    assert f"16{THIN}000{NBSP}rpm" in sentence
    assert f"3.1{NBSP}W (2.4{NBSP}%)" in sentence
    assert "95 %" not in sentence


def test_grades_of_certainty_have_words_far_apart() -> None:
    sure, less_sure, open_ = said(), said(verdict=PERHAPS_MORE, **TWO_PERCENT), said(**OPEN)
    assert "capped draws" in sure
    assert "capped draws" in less_sure
    assert less_sure.endswith("that would matter is open.")
    assert "probably draws" in said(indicative=True, runs=(1, 1), basis="within one run")
    assert open_.startswith("The data do not settle")
    same = said(**SAME, verdict=NO_DIFFERENCE, **TWO_PERCENT)
    assert "settle" not in same
    assert "probably" not in same


def test_every_kind_of_response_makes_a_sentence_of_every_verdict() -> None:
    for kind in KINDS.values():
        for verdict in ALL_VERDICTS:
            sign = -1.0 if verdict in (LESS, PERHAPS_LESS) else 1.0
            contrast = power(
                response=kind.name, unit=kind.unit, verdict=verdict, difference=sign * 3.1,
                interval=(1.2, 5.0) if sign > 0 else (-5.0, -1.2), **TWO_PERCENT,
            )  # fmt: skip
            text = contrast_sentence(contrast, kind, LABELS)
            assert text.count("5S capped") == 1, text
            assert "4S" in text
            assert "{" not in text
            assert "  " not in text
            assert text.endswith(".")


def test_parts() -> None:
    assert plain_spaces(amount_text(power())) == "3.1 W (2.4 %)"
    assert plain_spaces(relative_text(power())) == "+2.4 %"
    assert relative_text(power(unit="%")) == ""
    assert runs_text((1, 1)) == "1 run each"
    assert runs_text((1, 4)) == "1 run against 4"
    short = short_sentence(
        power(**{**SAME, "verdict": NO_DIFFERENCE, **TWO_PERCENT}), KINDS["electrical_power"], LABELS
    )
    assert plain_spaces(short) == (
        "5S capped draws the same electrical power as 4S at 16 000 rpm, to within the 2 % that would matter "
        "(95 % interval −1.5 to +0.9 W)"
    )


# --- headline -----------------------------------------------------------------------------------------------


def answer(*contrasts: Contrast, primary: tuple[str, ...] = ()) -> str:
    return plain_spaces(headline(contrasts, KINDS, {**LABELS, "six": "6S capped"}, primary))


def at(speed: float, **changes: Any) -> Contrast:
    return power(at=at_speed(speed), key=f"electrical_power-{speed:.0f}rpm-five-cell", **changes)


FIRST = (
    "5S capped draws 3.1 W (2.4 %) more electrical power than 4S at 16 000 rpm (95 % interval +1.2 to +5.0 W)"
)


def test_headline_of_one_contrast() -> None:
    assert answer(power()) == f"{FIRST}."
    assert answer(power(weakened_by=("same-thrust",))) == f"{FIRST}; a check of the data weakens this."


def test_headline_takes_the_largest_settled_share_and_tells_of_the_others() -> None:
    assert answer(at(9000, relative=0.01), power()) == f"{FIRST}; at 9 000 rpm likewise."
    assert (
        answer(at(9000, verdict=NOT_SETTLED, relative=0.2), power()) == f"{FIRST}; at 9 000 rpm not settled."
    )
    small = {"relative": 0.001}
    assert answer(
        power(),
        at(9000, verdict=NO_DIFFERENCE, **small, **TWO_PERCENT),
        at(12000, **small),
        at(14000, **small),
    ) == (f"{FIRST}; of 3 other conditions 2 agree and 1 shows no difference that matters.")
    assert (
        answer(power(), *(at(s, **small) for s in (9000, 12000, 14000)))
        == f"{FIRST}; the 3 other conditions agree."
    )
    assert answer(power(), power(treatment="six", verdict=LESS, relative=-0.01)) == (
        f"{FIRST}; see also 1 other primary comparison."
    )


def test_headline_follows_the_declared_order_and_prefers_repeats() -> None:
    rise = power(response="rise_time", unit="ms", relative=0.4, relative_interval=(0.3, 0.5))
    assert answer(rise, power(), primary=("electrical_power", "rise_time")).startswith(FIRST)
    assert answer(rise, power(), primary=("rise_time", "electrical_power")).startswith(
        "5S capped takes 3.1 ms (40 %)"
    )
    single = at(9000, relative=0.3, indicative=True, runs=(1, 1))
    assert answer(single, power()).startswith(FIRST)


def test_headline_without_a_settled_or_a_primary_contrast() -> None:
    assert answer(power(**OPEN)) == (
        "The data do not settle whether 5S capped draws more electrical power than 4S at 16 000 rpm "
        "(95 % interval −2.0 to +3.6 W)."
    )
    assert answer(power(primary=False)) == f"No primary response was measured; exploratory: {FIRST}."
    assert answer().startswith("No comparison could be made")


# --- claims -------------------------------------------------------------------------------------------------

SUPPORTED, CONTRADICTED, LEFT = "supported", "contradicted", "left open"


@pytest.mark.parametrize(
    ("expects", "outcomes"),
    [  # outcomes in the order of ALL_VERDICTS
        ("more", (SUPPORTED, CONTRADICTED, LEFT, CONTRADICTED, CONTRADICTED, LEFT)),
        ("less", (CONTRADICTED, SUPPORTED, CONTRADICTED, LEFT, CONTRADICTED, LEFT)),
        ("no difference", (CONTRADICTED, CONTRADICTED, LEFT, LEFT, SUPPORTED, LEFT)),
        ("difference", (SUPPORTED, SUPPORTED, LEFT, LEFT, CONTRADICTED, LEFT)),
    ],
)
def test_claims_against_every_verdict(expects: Any, outcomes: tuple[str, ...]) -> None:
    assert tuple(claim_on(expects, verdict) for verdict in ALL_VERDICTS) == outcomes
    assert {claim_on(expects, verdict, indicative=True) for verdict in ALL_VERDICTS} == {LEFT}


def judged(*contrasts: Contrast, expects: str = "more", **claim: Any) -> tuple[str, str]:
    said = {
        "says": "It draws more.",
        "response": "electrical_power",
        "treatment": OTHER,
        "expects": expects,
        **claim,
    }
    (found,) = claims(make_session(claims=[said]), contrasts, KINDS)
    return found.outcome, plain_spaces(found.sentence)


def test_a_claim_needs_all_conditions_and_falls_with_one() -> None:
    less = {"difference": -3.1, "interval": (-5.0, -1.2), "relative": -0.024, "verdict": LESS}
    assert judged(power(), at(9000)) == (SUPPORTED, f"Supported: {FIRST}; at 9 000 rpm likewise.")
    outcome, sentence = judged(power(), at(9000, **less))
    assert outcome == CONTRADICTED
    assert sentence.startswith(
        "Contradicted: 5S capped draws 3.1 W (2.4 %) less electrical power than 4S at 9 000 rpm"
    )
    assert sentence.endswith("; other conditions: 1 supported.")
    outcome, sentence = judged(power(), at(9000, **OPEN))
    assert outcome == LEFT
    assert sentence.startswith("Left open: the data do not settle whether 5S capped draws more")
    assert judged(at(9000, **OPEN), at(12000, **less), power())[0] == CONTRADICTED
    assert judged(power(), at(9000), at(12000))[1] == f"Supported: {FIRST}; likewise in 2 other conditions."


def test_one_run_leaves_a_claim_open() -> None:
    outcome, sentence = judged(power(indicative=True, runs=(1, 1)))
    assert outcome == LEFT
    assert sentence.startswith("Left open: indicative, one run each: 5S capped probably draws")


def test_a_claim_of_no_difference_needs_a_margin() -> None:
    outcome, sentence = judged(power(**OPEN), expects="no difference")
    assert outcome == LEFT
    assert sentence.endswith("no margin was set, so no difference can be called too small to matter.")
    outcome, _ = judged(power(**SAME, verdict=NO_DIFFERENCE, **TWO_PERCENT), expects="no difference")
    assert outcome == SUPPORTED


def test_a_weakened_contrast_is_told_with_the_claim() -> None:
    assert judged(power(weakened_by=("same-thrust",)))[1].endswith("; a check of the data weakens this.")


@pytest.mark.parametrize(
    ("claim", "why"),
    [
        ({"response": "thrust"}, "Left open: thrust was not measured on both 5S capped and 4S."),
        (
            {"treatment": BASE},
            "Left open: the claim is about 4S, the baseline, and there is nothing to compare it with.",
        ),
    ],
)
def test_a_claim_without_data_is_left_open(claim: dict[str, str], why: str) -> None:
    assert judged(power(), **claim) == (LEFT, why)
