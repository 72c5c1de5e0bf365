"""Numbers that a conclusion types: those that a result or an input carries pass, others are told with their line."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from generator.publication.typed_numbers import typed_numbers

# invented; keys as in results.json
RESULTS: dict[str, Any] = {
    "responses": [
        {"response": "electrical_power", "value": 262.417, "unit": "W", "at": {"speed_rpm": 16000}},
        {"response": "thrust", "value": 801.6, "unit": "gf", "at": {"throttle_percent": 80}},
        {"response": "current", "value": 16.412, "unit": "A", "at": {}},
        {"response": "settled_rise", "value": 31.24, "unit": "K", "at": {}},
    ],
    "contrasts": [
        {"difference": -18.3, "interval": [-24.4, -12.2], "unit": "ms", "relative": -0.0301, "level": 0.95},
    ],
}


def told(source: str, *stated: str) -> list[tuple[int | None, str]]:
    return [
        (problem.line, problem.what.split("'")[1])
        for problem in typed_numbers(source, "q/conclusion.md", RESULTS, stated)
    ]


@pytest.mark.parametrize(
    "source",
    [
        "It draws 262 W.", "262.4 W", "262.42 W", "0.26 kW", "At 16000 rpm", "At 16 000 rpm", "At 16,000 rpm",
        "802 gf", "0.802 kgf", "7.86 N", "18 ms less", "0.018 s", "3.0 % less", "95 % of it", "16.4 A", "31 K", "80 %",
        "between 12.2 ms and 24.4 ms",
    ],
)  # fmt: skip
def test_what_a_result_carries_may_be_said(source: str) -> None:
    assert told(source) == []


@pytest.mark.parametrize(
    ("source", "number"),
    [
        ("It draws 263 W.", "263 W"), ("262.5 W", "262.5 W"), ("At 17 000 rpm", "17 000 rpm"), ("19 ms", "19 ms"),
        ("4 % less", "4 %"), ("16.3 A", "16.3 A"), ("262 A", "262 A"), ("33 °C", "33 °C"),
    ],
)  # fmt: skip
def test_what_none_carries_is_told(source: str, number: str) -> None:
    assert told(f"First.\n\n{source}\n") == [(3, number)]


def test_no_prose_of_the_author_is_read() -> None:
    hidden = (
        "{{ value('thrust', 'b') }} <!-- 99 W --> `99 W` [a](b-99 W.html)\n```\n99 W\n```\nhttps://x.org/99 W"
    )
    assert [what for _, what in told(hidden)] == []


def test_a_number_without_a_unit_and_a_name_with_one_are_left_alone() -> None:
    assert told("Two of 20 runs; the Heron 1806; 5S; a 48 kHz drive; the 9000s; section 3.2.") == []


def test_what_an_input_states_may_be_repeated() -> None:
    assert told("On 4.0 V a cell, capped to 85 %.") == [(1, "4.0 V"), (1, "85 %")]
    assert told("On 4.0 V a cell, capped to 85 %.", "volts_per_cell: 4.0 V, output_cap: 85 %") == []


@given(st.floats(0.01, 9999.0), st.integers(0, 3))
def test_any_rounding_of_a_result_is_carried_and_the_next_digit_is_not(value: float, decimals: int) -> None:
    results = {"value": value, "unit": "W"}

    def found(number: float) -> bool:
        return not typed_numbers(f"{number:.{decimals}f} W", "", results, ())

    assert found(round(value, decimals))
    assert not found(round(value, decimals) + 2.0 * 10.0**-decimals)
