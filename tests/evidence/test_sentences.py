"""Sentences, headline and claims read as they should."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import pytest

from generator.evidence.claims import claim_on, claims
from generator.evidence.group_sentences import terse_sentence
from generator.evidence.headline import MOST_WORDS, TERSE_WORDS, headline, short_answer
from generator.evidence.records import Check, Contrast
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
            "95 % interval 1.2 to 5.0 W more, 4 runs each.",
        ),
        (
            {"difference": -3.1, "interval": (-5.0, -1.2), "relative": -0.024, "relative_interval": (-0.039, -0.009),
             "verdict": LESS, "runs": (4, 3)},
            "5S capped draws 3.1 W (2.4 %) less electrical power than 4S at 16 000 rpm; "
            "95 % interval 1.2 to 5.0 W less, 4 runs against 3.",
        ),
        (
            {"verdict": PERHAPS_MORE, **TWO_PERCENT},
            "5S capped draws 3.1 W (2.4 %) more electrical power than 4S at 16 000 rpm; 95 % interval 1.2 to "
            "5.0 W more, 4 runs each; whether that reaches the 2 % of 4S (2.6 W) that would matter is open.",
        ),
        (
            {**SAME, "verdict": NO_DIFFERENCE, **TWO_PERCENT},
            "5S capped draws the same electrical power as 4S at 16 000 rpm, to within the 2 % that would matter "
            "(0.3 W less, 95 % interval 1.5 W less to 0.9 W more, 4 runs each).",
        ),
        (
            OPEN,
            "The data do not settle whether 5S capped draws more or less electrical power than 4S at 16 000 rpm; the "
            "difference is 0.8 W more, 95 % interval 2.0 W less to 3.6 W more, 4 runs each; about 9 runs "
            "each would settle it.",
        ),
        (
            {**OPEN, "repeats_to_settle": None},
            "The data do not settle whether 5S capped draws more or less electrical power than 4S at 16 000 rpm; the "
            "difference is 0.8 W more, 95 % interval 2.0 W less to 3.6 W more, 4 runs each; more runs "
            "alone would hardly settle it.",
        ),
        (
            {"verdict": NOT_SETTLED, "primary": False, "p_adjusted": 0.098, "repeats_to_settle": 6, "family_size": 14},
            "The data do not settle whether 5S capped draws more or less electrical power than 4S at 16 000 rpm; the "
            "difference is 3.1 W more, 95 % interval 1.2 to 5.0 W more, 4 runs each; the interval leaves out zero, "
            "but among 14 exploratory comparisons that may be chance (adjusted p = 0.098); about 6 runs "
            "each would settle it.",
        ),
        (
            {"indicative": True, "runs": (1, 1), "basis": "within one run"},
            "Indicative, one run each: 5S capped probably draws 3.1 W (2.4 %) more electrical power than 4S at "
            "16 000 rpm; 95 % interval from within the runs 1.2 to 5.0 W more.",
        ),
        (
            {**OPEN, "repeats_to_settle": None, "indicative": True, "runs": (4, 1), "basis": "within one run"},
            "Indicative, one run of 4S: the data do not settle whether 5S capped draws more or less electrical power "
            "than 4S at 16 000 rpm; the difference is 0.8 W more, 95 % interval from within the runs 2.0 W less to "
            "3.6 W more; only repeats can "
            "tell how far runs differ.",
        ),
        (
            {"indicative": True, "runs": (1, 1), "basis": "rig repeatability"},
            "Indicative, one run each: 5S capped probably draws 3.1 W (2.4 %) more electrical power than 4S at "
            "16 000 rpm; 95 % interval from the rig’s check standard 1.2 to 5.0 W more.",
        ),
        (
            {"jointly": 3},
            "5S capped draws 3.1 W (2.4 %) more electrical power than 4S at 16 000 rpm; 95 % interval 1.2 to "
            "5.0 W more, 4 runs each, widened so that all 3 comparisons hold at once.",
        ),
        (
            {"verdict": NOT_SETTLED, "primary": False, "p_adjusted": 0.051, "repeats_to_settle": 6, "family": "claimed",
             "family_size": 3},
            "The data do not settle whether 5S capped draws more or less electrical power than 4S at 16 000 rpm; the "
            "difference is 3.1 W more, 95 % interval 1.2 to 5.0 W more, 4 runs each; the interval leaves out zero, "
            "but among 3 comparisons that claims are about that may be chance (adjusted p = 0.051); about 6 "
            "runs each would settle it.",
        ),
        (
            {"response": "rise_time", "unit": "ms", "difference": -18.3, "interval": (-24.4, -12.2), "relative": -0.198,
             "relative_interval": (-0.26, -0.13), "verdict": LESS},
            "5S capped spins up 18.3 ms (19.8 %) faster than 4S at 16 000 rpm; 95 % interval 12.2 to 24.4 ms faster, "
            "4 runs each.",
        ),
        (
            {"response": "temperature_rise", "unit": "K", "difference": 23.0, "interval": (19.2, 26.8),
             "relative": None, "relative_interval": None},
            "5S capped runs 23.0 K hotter than 4S at 16 000 rpm; 95 % interval 19.2 to 26.8 K hotter, 4 runs each.",
        ),
        (
            {"response": "throttle", "unit": "%", "at": (("thrust_gf", 250.0),), "difference": 6.2,
             "interval": (5.1, 7.3), "relative": None, "relative_interval": None},
            "5S capped needs 6.2 percentage points more throttle than 4S at 250 gf thrust; 95 % interval 5.1 to "
            "7.3 percentage points more, 4 runs each.",
        ),
        (
            {"response": "top_speed", "unit": "rpm", "at": (), "difference": 120.0, "interval": (-300.0, 540.0),
             "relative": 0.005, "relative_interval": (-0.013, 0.024), "verdict": NO_DIFFERENCE, "margin": 500.0,
             "margin_text": "500 rpm"},
            "5S capped reaches the same top speed as 4S, to within the 500 rpm that would matter (120 rpm more, 95 % "
            "interval 300 rpm less to 540 rpm more, 4 runs each).",
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


def test_every_kind_of_response_has_a_word_for_more_and_one_for_less() -> None:
    """So that `more or less`, intervals and verdicts can speak of it: the clauses differ in just that word."""
    for kind in KINDS.values():
        more, less = kind.words
        assert more != less
        assert kind.more.replace(more, less, 1) == kind.less, kind.name
    assert KINDS["rise_time"].words == ("slower", "faster")
    assert KINDS["temperature_rise"].words == ("hotter", "cooler")


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
        "(95 % interval 1.5 W less to 0.9 W more)"
    )


# --- headline -----------------------------------------------------------------------------------------------


def answer(*contrasts: Contrast, primary: tuple[str, ...] = (), checks: Sequence[Check] = ()) -> str:
    return plain_spaces(headline(contrasts, KINDS, {**LABELS, "six": "6S capped"}, primary, checks))


def at(speed: float, **changes: Any) -> Contrast:
    return power(at=at_speed(speed), key=f"electrical_power-{speed:.0f}rpm-five-cell", **changes)


FIRST = "5S capped draws 3.1 W (2.4 %) more electrical power than 4S at 16 000 rpm (95 % interval 1.2 to 5.0 W more)"


def check_of(outcome: Any) -> Check:
    """A check of an outcome, by the id that the weakened contrasts of these tests name."""
    return Check(
        id="same-thrust",
        title="Thrust agrees",
        outcome=outcome,
        sentence="",
        threshold="",
        reason="",
        source="",
    )


WEAKENED = ("same-thrust",)
LESS_POWER: dict[str, Any] = {
    "difference": -3.1, "interval": (-5.0, -1.2), "relative": -0.024, "relative_interval": (-0.039, -0.009),
    "verdict": LESS,
}  # fmt: skip
FASTER: dict[str, Any] = {
    "response": "rise_time", "unit": "ms", "difference": -18.3, "interval": (-24.4, -12.2), "relative": -0.198,
    "relative_interval": (-0.26, -0.13), "verdict": LESS,
}  # fmt: skip


def test_headline_of_one_contrast_says_first_what_weakens_it() -> None:
    assert answer(power()) == f"{FIRST}."
    weak = power(weakened_by=WEAKENED)
    assert answer(weak, checks=[check_of("failed")]) == f"Weak, a check failed: {FIRST}."
    assert answer(weak, checks=[check_of("warned")]) == f"Careful, a check warns: {FIRST}."
    assert answer(weak).startswith("Weak"), "a check that is not known may have failed"


def test_headline_tells_of_all_conditions_of_a_response_together() -> None:
    small = {"difference": 1.0, "interval": (0.7, 1.3), "relative": 0.01, "relative_interval": (0.007, 0.013)}
    assert answer(at(9000, **small), power()) == (
        "5S capped draws 1.0 to 3.1 W (1.0 to 2.4 %) more electrical power than 4S at 9 000 and 16 000 rpm "
        "(95 % intervals between 0.7 and 5.0 W more)."
    )
    assert answer(at(9000, **OPEN), power()) == f"{FIRST}; at 9 000 rpm not settled."
    perhaps = at(9000, **small, verdict=PERHAPS_MORE, margin=1.1, margin_text="1.1 W")
    assert answer(perhaps, power()).endswith(
        "0.7 and 5.0 W more), though at 9 000 rpm perhaps too little to matter."
    )
    none = [at(s, **SAME, verdict=NO_DIFFERENCE, **TWO_PERCENT) for s in (9000, 12000)]
    assert answer(*none, power()) == f"{FIRST}; at 9 000 and 12 000 rpm no difference that matters."
    assert answer(*none) == (
        "5S capped draws the same electrical power as 4S at 9 000 and 12 000 rpm, to within the 2 % that would "
        "matter (95 % intervals between 1.5 W less and 0.9 W more)."
    )
    assert answer(power(), at(9000, **LESS_POWER)) == f"{FIRST}; at 9 000 rpm 3.1 W (2.4 %) less."


def test_a_sure_difference_too_small_to_matter_is_told_as_one() -> None:
    slower = {"response": "rise_time", "unit": "ms", "difference": 4.22, "interval": (4.05, 4.39), "relative": None,
              "relative_interval": None, "verdict": NO_DIFFERENCE, "margin": 10.0, "margin_text": "10 ms"}  # fmt: skip
    assert said(**slower) == (
        "5S capped spins up 4.22 ms slower than 4S at 16 000 rpm, less than the 10 ms that would matter "
        "(95 % interval 4.05 to 4.39 ms slower, 4 runs each)."
    )
    assert answer(power(**slower)) == (
        "5S capped spins up 4.22 ms slower than 4S at 16 000 rpm, less than the 10 ms that would matter "
        "(95 % interval 4.05 to 4.39 ms slower)."
    )


def test_headline_leads_with_what_is_clean() -> None:
    """The weakened one differs by more, and is declared first: still it follows."""
    weak = power(relative=0.2, weakened_by=WEAKENED)
    clean = power(treatment="six")
    assert answer(weak, clean, checks=[check_of("failed")]) == (
        f"{FIRST.replace('5S', '6S')}. "
        "Weak, a check failed: 5S capped draws 3.1 W (20.0 %) more electrical power at 16 000 rpm."
    )


def test_headline_tells_the_primary_responses_in_the_order_declared() -> None:
    found = (power(**FASTER), power())
    assert answer(*found, primary=("electrical_power", "rise_time")) == (
        f"{FIRST}. It spins up 18.3 ms (19.8 %) faster at 16 000 rpm."
    )
    assert answer(*found, primary=("rise_time", "electrical_power")) == (
        "5S capped spins up 18.3 ms (19.8 %) faster than 4S at 16 000 rpm (95 % interval 12.2 to 24.4 ms faster). "
        "It draws 3.1 W (2.4 %) more electrical power at 16 000 rpm."
    )
    single = at(9000, relative=0.3, indicative=True, runs=(1, 1))
    assert answer(single, power()).startswith(f"{FIRST}. Indicative, one run each: 5S capped probably draws")


def test_headline_says_what_came_of_a_response_that_a_claim_is_about() -> None:
    hotter = power(response="temperature_rise", unit="K", difference=5.0, interval=(3.3, 6.7), relative=None,
                   relative_interval=None, verdict=PERHAPS_MORE, margin=4.0, margin_text="4 K", primary=False,
                   family="claimed")  # fmt: skip
    assert answer(power(), hotter) == (
        f"{FIRST}. It runs 5.0 K (95 % interval 3.3 to 6.7 K) hotter at 16 000 rpm, but perhaps too little to matter."
    )
    assert "hotter" not in answer(power(), replace(hotter, family="exploratory"))


def test_an_answer_leads_with_what_the_title_asks_about() -> None:
    """The title asks for the heat: it is told first, called exploratory where it was not primary."""
    hotter = power(response="temperature_rise", unit="K", difference=5.0, interval=(3.3, 6.7), relative=None,
                   relative_interval=None, verdict=PERHAPS_MORE, margin=4.0, margin_text="4 K", primary=False,
                   family="claimed")  # fmt: skip
    asked = "Does a fifth cell run hotter?"
    text = plain_spaces(headline([power(), hotter], KINDS, LABELS, (), (), asked))
    assert text.startswith("5S capped runs 5.0 K hotter than 4S at 16 000 rpm, but perhaps")
    assert text.index("(exploratory).") < text.index("draws 3.1 W")
    assert "draws 3.1 W (2.4 %) more electrical power" in text
    found = short_answer([power(), hotter], KINDS, LABELS, (), (), asked)
    assert found is not None
    assert found[0] == hotter
    declared = ("rise_time", "electrical_power")
    both = [power(**FASTER), power()]
    assert plain_spaces(headline(both, KINDS, LABELS, declared, (), "Does it save power?")).startswith(FIRST)
    assert headline(both, KINDS, LABELS, declared, (), "Does it pay?") == headline(
        both, KINDS, LABELS, declared
    )


def test_what_weakens_several_conditions_says_which() -> None:
    weak = [at(speed, weakened_by=WEAKENED) for speed in (9000, 16000)]
    assert answer(*weak, checks=[check_of("failed")]).startswith(
        "Weak at 9 000 and 16 000 rpm, a check failed: 5S capped draws"
    )


def test_one_share_at_two_conditions_says_so() -> None:
    more = at(9000, difference=6.2, interval=(4.3, 8.1))
    assert "3.1 to 6.2 W (2.4 % at either) more" in answer(more, power())


def test_shares_stand_in_the_order_of_the_amounts_they_belong_to() -> None:
    less = at(9000, difference=1.0, interval=(0.7, 1.3), relative=0.048, relative_interval=(0.034, 0.062))
    assert "1.0 to 3.1 W (4.8 to 2.4 %) more" in answer(less, power())
    between = at(12500, difference=2.0, interval=(1.1, 2.9), relative=0.01, relative_interval=(0.002, 0.018))
    assert "1.0 to 3.1 W (1.0 to 4.8 %) more" in answer(less, between, power())


def test_headline_stays_short_and_counts_what_it_leaves_out() -> None:
    names = [f"t{place}" for place in range(12)]
    labels = {BASE: "4S", **{name: f"the set-up number {name}" for name in names}}
    text = headline([power(treatment=name) for name in names], KINDS, labels)
    told = text.count("electrical power")
    assert 1 < told < 12
    assert text.endswith(f" And {12 - told} more primary comparisons.")
    assert len(text.split(" ")) <= MOST_WORDS + TERSE_WORDS + 5  # those that count the rest


def shortly(*contrasts: Contrast, checks: Sequence[Check] = ()) -> tuple[str, str]:
    """Verdict and text of a short answer."""
    found = short_answer(contrasts, KINDS, {**LABELS, "six": "6S capped"}, (), checks)
    assert found is not None
    return found[0].verdict, plain_spaces(found[1])


def test_short_answer_leaves_intervals_and_baseline_to_the_page() -> None:
    assert shortly(power(), at(9000)) == ("more", "5S capped draws 3.1 W (2.4 %) more electrical power.")
    assert shortly(power(**OPEN))[1] == (
        "The data do not settle whether 5S capped draws more or less electrical power at 16 000 rpm."
    )
    clean, weak = power(treatment="six"), power(relative=0.2, weakened_by=WEAKENED)
    assert shortly(weak, clean, checks=[check_of("failed")])[1].startswith("6S capped draws")
    assert short_answer([], KINDS, LABELS) is None


def test_short_answer_stands_by_its_commonest_verdict() -> None:
    perhaps = at(9000, verdict=PERHAPS_MORE, margin=1.5, margin_text="1.5 W")
    assert shortly(perhaps, power(), at(12000))[0] == "more"
    assert shortly(perhaps)[0] == PERHAPS_MORE


def test_short_answer_adds_a_second_response_where_it_fits() -> None:
    hotter = power(response="temperature_rise", unit="K", key="temperature_rise-16000rpm-five-cell")
    assert shortly(power(), hotter)[1].endswith(" It runs 3.1 K (2.4 %) hotter.")
    assert "6S" not in shortly(power(), power(treatment="six"))[1]


def test_a_response_that_differs_at_some_conditions_is_told_tersely_too() -> None:
    none = at(9000, **SAME, verdict=NO_DIFFERENCE, **TWO_PERCENT)
    told = terse_sentence([power(), none], KINDS["electrical_power"], "it")
    assert (
        plain_spaces(told)
        == "it draws more electrical power at 16 000 rpm; elsewhere no difference that matters"
    )
    told = terse_sentence([power(), none], KINDS["electrical_power"], "it", amounts=True)
    assert plain_spaces(told).startswith(
        "it draws 3.1 W (2.4 %) more electrical power at 16 000 rpm; elsewhere"
    )
    both_ways = [power(), at(9000, **LESS_POWER)]
    assert terse_sentence(both_ways, KINDS["electrical_power"], "it") == ""


def test_headline_tells_every_group_in_short_before_it_counts_any() -> None:
    hotter = power(response="temperature_rise", unit="K", key="temperature_rise-16000rpm-five-cell")
    slower = power(response="rise_time", unit="ms", key="rise_time-16000rpm-five-cell")
    thrust = power(response="thrust", unit="gf", key="thrust-16000rpm-five-cell")
    current = power(response="current", unit="A", key="current-16000rpm-five-cell")
    told = [power(), at(9000), slower, hotter, thrust, current]
    text = answer(*told)
    assert "more primary" not in text
    assert text.endswith(
        "It spins up 3.1 ms (2.4 %) slower. It runs 3.1 K (2.4 %) hotter. It gives 3.1 gf (2.4 %) more thrust. "
        "It draws 3.1 A (2.4 %) more current."
    )
    # a number and its unit, held together by a fixed space, are one word
    assert len(headline(told, KINDS, LABELS).split(" ")) <= MOST_WORDS + TERSE_WORDS


def test_headline_without_a_settled_or_a_primary_contrast() -> None:
    assert answer(power(**OPEN)) == (
        "The data do not settle whether 5S capped draws more or less electrical power than 4S at 16 000 rpm "
        "(95 % interval 2.0 W less to 3.6 W more)."
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


def judged(
    *contrasts: Contrast, expects: str = "more", checks: Sequence[Check] = (), **claim: Any
) -> tuple[str, str]:
    said = {
        "says": "It draws more.",
        "response": "electrical_power",
        "treatment": OTHER,
        "expects": expects,
        **claim,
    }
    (found,) = claims(make_session(claims=[said]), contrasts, KINDS, checks)
    return found.outcome, plain_spaces(found.sentence)


def test_a_claim_needs_all_conditions_and_falls_with_one() -> None:
    both = (
        "5S capped draws 3.1 W (2.4 %) more electrical power than 4S at 9 000 and 16 000 rpm "
        "(95 % intervals between 1.2 and 5.0 W more)"
    )
    assert judged(power(), at(9000)) == (SUPPORTED, f"Supported: {both}.")
    assert judged(power(), at(9000, **OPEN))[0] == LEFT
    assert judged(at(9000, **OPEN), at(12000, **LESS_POWER), power())[0] == CONTRADICTED


def test_a_claim_says_first_where_it_is_supported_and_where_not() -> None:
    assert judged(power(), at(9000, **LESS_POWER)) == (
        CONTRADICTED,
        f"Contradicted at 9 000 rpm, supported at 16 000 rpm: {FIRST}; at 9 000 rpm 3.1 W (2.4 %) less.",
    )
    assert judged(power(), at(9000, **OPEN)) == (
        LEFT,
        f"Left open at 9 000 rpm, supported at 16 000 rpm: {FIRST}; at 9 000 rpm not settled; "
        "no margin was set, so no difference can be called too small to matter.",
    )


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


def test_a_weakened_claim_says_so_before_what_was_found() -> None:
    weak = power(weakened_by=WEAKENED)
    failed, warned = ([check_of(outcome)] for outcome in ("failed", "warned"))
    assert judged(weak, checks=failed)[1] == f"Supported. Weak, a check failed: {FIRST}."
    assert judged(weak, checks=warned)[1] == f"Supported. Careful, a check warns: {FIRST}."
    assert judged(weak, at(9000), checks=failed)[1].startswith(
        "Supported. Weak, a check failed at 16 000 rpm: 5S capped draws"
    )


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
