"""Two documents of one session held against each other."""

from __future__ import annotations

import copy
import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from generator.evidence.change_words import digits_apart, sentence, shown, shown_apart
from generator.evidence.results_comparison import (
    FLOOR,
    RELATIVE,
    Change,
    Comparison,
    compare,
    matched,
    same_number,
    unreadable,
)

SPEED = {"speed_rpm": 9000.0}


def document() -> dict[str, Any]:
    """Invented results of one session, small but with every kind of value."""
    return {
        "format": "whirlbook-results/1",
        "session": "q",
        "generator": {"name": "Whirlbook", "version": "1"},
        "headline": "B draws 1.2 W more than A.",
        "responses": [
            {"key": "p-a", "response": "power", "treatment": "a", "at": SPEED, "value": 40.0, "unit": "W",
             "standard_uncertainty": 0.1, "dof": None, "per_run": [39.9, 40.1],
             "budget": [{"source": "gain", "standard_uncertainty": 1e-15, "share": 0.5, "shared": True}]},
            {"key": "p-b", "response": "power", "treatment": "b", "at": SPEED, "value": 41.2, "unit": "W",
             "standard_uncertainty": 0.1, "dof": 3.0, "per_run": [41.1, 41.3], "budget": []},
        ],
        "contrasts": [
            {"response": "power", "treatment": "b", "baseline": "a", "at": SPEED, "treatment_value": 41.2,
             "baseline_value": 40.0, "difference": 1.2, "interval": [0.9, 1.5], "unit": "W", "verdict": "more",
             "p_value": 1e-12, "relative": 0.03, "primary": True, "sentence": "B draws 1.2 W more than A."},
        ],
        "curves": [{"treatment": "a", "direction": "up", "throttle_percent": 50.0, "speed_rpm": 9000.0}],
        "notes": ["one"],
    }  # fmt: skip


def changed(path: str, value: Any) -> Comparison:
    """The document against one with a single value changed; the path as `contrasts.0.difference`."""
    other: Any = document()
    *way, last = [int(step) if step.isdigit() else step for step in path.split(".")]
    inside = other
    for step in way:
        inside = inside[step]
    inside[last] = value
    return compare(document(), other)


def only(found: Comparison) -> Change:
    assert len(found.changes) == 1, found.changes
    return found.changes[0]


def test_a_document_is_itself() -> None:
    found = compare(document(), json.loads(json.dumps(document())))
    assert found.changes == ()
    assert found.added == ()
    # value, uncertainty, two runs of each; dof of one; budget: two; contrast: 7; curve: 2; conditions: 3
    assert found.compared == 2 * 4 + 1 + 2 + 7 + 2 + 3


@pytest.mark.parametrize(
    ("path", "value", "field", "before"),
    [
        ("responses.0.value", 40.001, "value", 40.0),
        ("responses.1.per_run.1", 41.2, "per_run[1]", 41.3),
        ("responses.1.dof", None, "dof", 3.0),
        ("responses.0.budget.0.share", 0.51, "budget[gain].share", 0.5),
        ("contrasts.0.interval.0", 0.8, "interval[0]", 0.9),
        ("contrasts.0.p_value", 1e-3, "p_value", 1e-12),
    ],
)
def test_a_figure_that_differs_is_told_with_both_values(
    path: str, value: Any, field: str, before: Any
) -> None:
    change = only(changed(path, value))
    assert (change.kind, change.field, change.before, change.after) == ("figure", field, before, value)
    assert (change.session, change.part, change.response) == ("q", path.split(".")[0], "power")
    assert change.at == (("speed_rpm", 9000.0),)


def test_the_place_is_told_in_words() -> None:
    change = only(changed("contrasts.0.difference", 1.3))
    told = sentence(change).replace("\u00a0", " ").replace("\u202f", " ")
    assert told == (
        "q: contrasts: power of b against a at 9 000 rpm, difference: stored 1.200 W; computed now 1.300 W."
    )


def test_verdicts_and_flags_are_decisions_and_sentences_are_words() -> None:
    assert only(changed("contrasts.0.verdict", "less")).kind == "decision"
    assert only(changed("contrasts.0.primary", False)).kind == "decision"
    words = only(changed("headline", "B needs 1.2 W more than A."))
    assert (words.kind, words.numbers_differ) == ("words", False)
    numbers = only(changed("contrasts.0.sentence", "B draws 1.3 W more than A."))
    assert (numbers.kind, numbers.numbers_differ) == ("words", True)


@pytest.mark.parametrize(
    ("first", "second", "scale", "same"),
    [
        (1.0, 1.0 + 0.9 * RELATIVE, 0.0, True),
        (1.0, 1.0 + 1.1 * RELATIVE, 0.0, False),
        (0.0, 0.9 * FLOOR * 50.0, 50.0, True),  # a difference of two figures of 50, equal but for rounding
        (0.0, 1.1 * FLOOR * 50.0, 50.0, False),
        (0.0, 1e-300, 0.0, False),
        (1e-15, 3e-15, 40.0, True),
        (float("inf"), float("inf"), 0.0, True),
        (float("inf"), 1.0, 1.0, False),
        (float("nan"), 1.0, 1.0, False),
    ],
)
def test_what_counts_as_rounding(first: float, second: float, scale: float, same: bool) -> None:
    assert same_number(first, second, scale) is same


def test_rounding_is_held_against_the_figure_a_number_belongs_to() -> None:
    # an uncertainty that is nothing but rounding of its 40 W
    assert changed("responses.0.budget.0.standard_uncertainty", 9e-15).changes == ()
    assert changed("contrasts.0.difference", 1.2 + 3e-8).changes == ()
    assert changed("contrasts.0.p_value", 3e-12).changes == ()
    assert only(changed("contrasts.0.difference", 1.2 + 3e-6)).kind == "figure"


@given(st.floats(-1e6, 1e6), st.floats(-1e6, 1e6), st.floats(0.0, 1e6))
def test_rounding_does_not_depend_on_the_order(first: float, second: float, scale: float) -> None:
    assert same_number(first, second, scale) == same_number(second, first, scale)


def test_order_of_entries_does_not_matter() -> None:
    other = document()
    other["responses"].reverse()
    assert compare(document(), other).changes == ()


def test_entries_and_keys_that_are_gone_or_new() -> None:
    other = document()
    gone = other["responses"].pop(0)
    del other["contrasts"][0]["relative"]
    other["contrasts"][0]["family"] = "primary"
    other["constants"] = []
    found = compare(document(), other)
    assert {(c.kind, c.part, c.field) for c in found.changes} == {
        ("gone", "responses", ""), ("gone", "contrasts", "relative"),
    }  # fmt: skip
    assert found.changes[0].before == gone
    assert found.added == ("constants", "contrasts.family")
    back = compare(other, document())
    assert {(c.kind, c.part) for c in back.changes if c.part == "responses"} == {("new", "responses")}


def test_a_condition_that_was_computed_may_be_rounded_otherwise() -> None:
    assert changed("curves.0.throttle_percent", 50.0 + 1e-9).changes == ()
    moved = only(changed("curves.0.throttle_percent", 51.0))
    assert (moved.kind, moved.field, moved.before, moved.after) == ("figure", "throttle_percent", 50.0, 51.0)


def test_entries_are_matched_one_to_one() -> None:
    first = [{"name": "a", "x": 1}, {"name": "a", "x": 2}, {"name": "b"}]
    second = [{"name": "c"}, {"name": "a", "x": 3}]
    pairs, gone, new = matched(first, second, "parts")
    assert [(one["x"], other["x"]) for one, other in pairs] == [(1, 3)]
    assert gone == [{"name": "a", "x": 2}, {"name": "b"}]
    assert new == [{"name": "c"}]


def test_lists_of_another_length() -> None:
    change = only(changed("responses.0.per_run", [39.9]))
    assert (change.kind, change.before, change.after) == ("figure", [39.9, 40.1], [39.9])


@pytest.mark.parametrize(
    ("written", "told"),
    [
        ("whirlbook-results/1", ""),
        ("whirlbook-results/2", "of a newer Whirlbook"),
        ("other/1", "written in other/1"),
        (None, "not in whirlbook-results/1"),
    ],
)
def test_formats(written: str | None, told: str) -> None:
    why = unreadable({"format": written})
    assert why == "" if not told else told in why


def test_formats_that_are_not_known_are_not_compared() -> None:
    with pytest.raises(ValueError, match="newer"):
        compare(document() | {"format": "whirlbook-results/7"}, document())
    assert unreadable([1, 2])


def test_documents_are_left_as_they_are() -> None:
    first, second = document(), document()
    before = copy.deepcopy((first, second))
    compare(first, second)
    assert (first, second) == before


@given(st.floats(-1e9, 1e9), st.floats(-1e9, 1e9))
def test_numbers_that_differ_read_differently(first: float, second: float) -> None:
    one, other = shown_apart(first, second, "W")
    head = digits_apart(first, second)
    assert (one != other) or head == 10


@pytest.mark.parametrize(
    ("value", "text"),
    [(None, "none"), (True, "yes"), (False, "no"), (1.5, "1.5"), ("more", "more"), ([1.0, None], "[1, none]"),
     ({"a": 1}, "an entry")],
)  # fmt: skip
def test_values_in_words(value: Any, text: str) -> None:
    assert shown(value) == text


KEYS = ("at", "value", "unit", "response", "treatment", "name", "id", "speed_rpm", "budget", "runs")
ANYTHING = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5) | st.just(10**400),
    lambda inside: st.lists(inside, max_size=3) | st.dictionaries(st.sampled_from(KEYS), inside, max_size=4),
    max_leaves=12,
)  # fmt: skip


@given(st.sampled_from(sorted(document())), ANYTHING, st.sampled_from(sorted(document())), ANYTHING)
def test_whatever_somebody_wrote_is_told_and_breaks_nothing(
    one: str, first: Any, other: str, second: Any
) -> None:
    changed = {**document(), one: first, other: second, "format": "whirlbook-results/1"}
    for found in (compare(changed, document()), compare(document(), changed)):
        assert all(sentence(change) for change in found.changes)
    again = compare(changed, changed)
    assert again.changes == ()
