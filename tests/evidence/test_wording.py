"""Numbers as sentences show them."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from generator.evidence import wording
from generator.evidence.wording import MINUS, NBSP, THIN


@pytest.mark.parametrize(
    ("uncertainty", "decimals"),
    [(1.9, 1), (0.19, 2), (19.0, 0), (190.0, -1), (0.0996, 2), (0.994, 2), (0.996, 1), (9.96, 0), (99.6, -1)],
)
def test_decimals_show_two_digits_of_the_uncertainty(uncertainty: float, decimals: int) -> None:
    # JCGM 100:2008 (GUM), 7.2.6: at most two significant digits; a carry must not leave three
    assert wording.decimals_for(uncertainty) == decimals


@given(st.floats(1e-12, 1e12))
def test_shown_uncertainty_has_two_significant_digits(uncertainty: float) -> None:
    places = wording.decimals_for(uncertainty)
    shown = round(uncertainty, places) * 10.0**places
    assert 9.5 <= shown < 99.5 + 1e-6


def test_digits_are_capped_however_small_the_uncertainty() -> None:
    assert wording.measured(262.4123456789, "W", 1e-9) == f"262.412{NBSP}W"
    assert wording.measured(262.4123456789, "W", 0.0) == f"262.4{NBSP}W"
    assert wording.measured(262.4123456789, "W", math.nan) == f"262.4{NBSP}W"


def test_thousands_minus_plus_and_unit() -> None:
    assert wording.number(-16000.4, 0) == f"{MINUS}16{THIN}000"
    assert wording.number(1234567.0, -2) == f"1{THIN}234{THIN}600"
    assert wording.number(3.14, 1, signed=True) == "+3.1"
    assert wording.number(-0.04, 1, signed=True) == "0.0"
    assert wording.with_unit("0.61", "1") == "0.61"
    with pytest.raises(ValueError, match="cannot show nan"):
        wording.number(math.nan, 1)


@given(st.floats(-1e9, 1e9), st.integers(0, 6))
def test_a_number_reads_back_as_its_rounded_value(value: float, decimals: int) -> None:
    text = wording.number(value, decimals).replace(THIN, "").replace(MINUS, "-")
    assert float(text) == pytest.approx(round(value, decimals), abs=1e-9)


@pytest.mark.parametrize(
    ("value", "digits", "text"),
    [(0.0, 4, "0"), (40.0, 4, "40"), (0.5, 4, "0.5"), (15.8649, 4, "15.86"), (123456.0, 4, f"123{THIN}500")],
)
def test_plain_numbers(value: float, digits: int, text: str) -> None:
    assert wording.plain(value, digits=digits) == text


def test_intervals_and_percentages() -> None:
    assert wording.interval_text(1.2, 5.0, "W") == f"+1.2 to +5.0{NBSP}W"
    assert wording.interval_text(-0.41, 0.43, "%") == f"{MINUS}0.41 to +0.43{NBSP}percentage points"
    assert wording.percent(0.0242, (0.009, 0.039)) == f"2.4{NBSP}%"
    assert wording.percent(-0.0242, (-0.039, -0.009), signed=True) == f"{MINUS}2.4{NBSP}%"
    # a narrow interval gives no more than three digits
    assert wording.percent(0.25741, (0.25740, 0.25742)) == f"25.7{NBSP}%"
    assert wording.percent(0.0431) == f"4.3{NBSP}%"
    assert wording.percent(1.0) == f"100{NBSP}%"
    assert wording.percent(0.0) == f"0.0{NBSP}%"


def test_p_values_are_never_zero() -> None:
    assert wording.p_text(0.0) == "p < 0.001"
    assert wording.p_text(0.2134) == "p = 0.21"
    assert wording.p_text(0.0123) == "p = 0.012"


@pytest.mark.parametrize(
    ("at", "words", "key"),
    [
        ((("speed_rpm", 16000.0),), f"at 16{THIN}000{NBSP}rpm", "16000rpm"),
        ((("thrust_gf", 250.0),), f"at 250{NBSP}gf thrust", "250gf"),
        ((("throttle_percent", 60.0),), f"at 60{NBSP}% throttle", "60percent"),
        ((("throttle_percent", 12.5),), f"at 12.5{NBSP}% throttle", "12.5percent"),
        ((), "", ""),
    ],
)
def test_conditions(at: tuple[tuple[str, float], ...], words: str, key: str) -> None:
    assert wording.at_words(at) == words
    assert wording.at_key(at) == key


def test_keys_and_lists() -> None:
    assert wording.response_key("thrust", (("speed_rpm", 9000.0),), "six") == "thrust-9000rpm-six"
    assert wording.response_key("top_speed", (), "six") == "top_speed-six"
    assert wording.listed([]) == ""
    assert wording.listed(["a", "b", "c"]) == "a, b and c"
    assert wording.counted(1, "run") == "1 run"
    assert wording.counted(2, "miss", "misses") == "2 misses"


@pytest.mark.parametrize(
    ("clause", "text"),
    [
        ("draws the same electrical power", "draws the same electrical power as 4S"),
        ("runs equally hot", "runs as hot as 4S"),
        ("heats its controller equally", "heats its controller as much as 4S"),
    ],
)
def test_sameness_reads_as_english(clause: str, text: str) -> None:
    assert wording.same_as(clause, "4S") == text


def test_a_clause_without_its_amount() -> None:
    assert wording.without_amount("takes {amount} longer to spin up") == "takes longer to spin up"


def test_intervals_in_sentences_have_their_side_in_a_word() -> None:
    def said(low: float, high: float, unit: str = "ms") -> str:
        return wording.interval_words(low, high, unit, ("slower", "faster")).replace(NBSP, " ")

    assert said(-7.63, -5.70) == "5.70 to 7.63 ms faster"
    assert said(4.05, 4.39) == "4.05 to 4.39 ms slower"
    assert said(-1.5, 0.9) == "1.5 ms faster to 0.9 ms slower"
    assert said(-0.04, 3.2) == "0.0 to 3.2 ms slower", "an end that rounds to zero has no side"
    assert said(-1.5, 0.9, "%") == "1.5 percentage points faster to 0.9 percentage points slower"


@given(st.floats(-1e3, 1e3), st.floats(1e-3, 1e3))
def test_the_words_of_an_interval_read_back_as_its_signs(low: float, width: float) -> None:
    high = low + width
    text = wording.interval_words(low, high, "W", ("more", "less"))
    places = wording.interval_decimals(low, high)
    assert ("less" in text) == (round(low, places) < 0.0 or (round(low, places) == 0.0 and high <= 0.0))
    assert ("more" in text) == (round(high, places) > 0.0 or (round(high, places) == 0.0 and low >= 0.0))


def test_conditions_of_one_kind_are_named_together() -> None:
    def speeds(*values: float) -> list[tuple[tuple[str, float], ...]]:
        return [(("speed_rpm", value),) for value in values]

    def said(*places: tuple[tuple[str, float], ...]) -> str:
        return wording.places_words(places).replace(NBSP, " ").replace(THIN, " ")

    assert said(*speeds(9000, 16000)) == "at 9 000 and 16 000 rpm"
    assert said(*speeds(16000, 9000, 12500)) == "at 9 000, 12 500 and 16 000 rpm"
    assert said(*speeds(9000, 10000, 12000, 16000)) == "at 9 000 to 16 000 rpm (4 conditions)"
    assert said((("thrust_gf", 200.0),), *speeds(9000)) == "at 200 gf thrust and at 9 000 rpm"
    assert said(()) == ""


def test_two_clauses_in_one() -> None:
    more, less = "draws {amount} more electrical power", "draws {amount} less electrical power"
    assert wording.either_way(more, less) == "draws more or less electrical power"
    assert wording.either_way("takes {amount} longer", "is {amount} faster") == "takes longer or is faster"
