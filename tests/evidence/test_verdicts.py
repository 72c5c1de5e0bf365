"""Verdicts of intervals against margins."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from generator.evidence.contrast_statistics import Estimate, interval
from generator.evidence.equivalence import two_one_sided
from generator.evidence.verdicts import (
    LESS,
    MORE,
    NO_DIFFERENCE,
    NOT_SETTLED,
    PERHAPS_LESS,
    PERHAPS_MORE,
    direction,
    exploratory_verdict,
    verdict,
)


# interval of 95 %, interval of 90 %, margin, verdict; each worked by hand from the rule of the method page
@pytest.mark.parametrize(
    ("i95", "i90", "margin", "expected"),
    [
        ((2.1, 4.0), (2.3, 3.8), 2.0, MORE),
        ((-4.0, -2.1), (-3.8, -2.3), 2.0, LESS),
        ((0.1, 4.0), (0.4, 3.7), 2.0, PERHAPS_MORE),
        ((-4.0, -0.1), (-3.7, -0.4), 2.0, PERHAPS_LESS),
        ((2.0, 4.0), (2.2, 3.8), 2.0, PERHAPS_MORE),  # touching the margin is not beyond it
        ((-1.0, 1.5), (-0.8, 1.3), 2.0, NO_DIFFERENCE),
        ((0.3, 1.5), (0.4, 1.4), 2.0, NO_DIFFERENCE),  # clear of zero and certainly too small to matter
        ((-1.0, 2.2), (-0.8, 1.9), 2.0, NO_DIFFERENCE),  # the one-sided tests decide, not the 95 % interval
        ((-1.0, 2.2), (-0.8, 2.0), 2.0, NOT_SETTLED),  # reaching the margin is not inside it
        ((-3.0, 3.0), (-2.5, 2.5), 2.0, NOT_SETTLED),
        ((0.1, 0.2), (0.11, 0.19), None, MORE),
        ((-0.2, -0.1), (-0.19, -0.11), None, LESS),
        ((-0.1, 0.2), (-0.05, 0.15), None, NOT_SETTLED),
        ((0.0, 0.2), (0.05, 0.15), None, NOT_SETTLED),
    ],
)
def test_verdict(
    i95: tuple[float, float], i90: tuple[float, float], margin: float | None, expected: str
) -> None:
    assert verdict(i95, i90, margin) == expected


@given(st.floats(-10, 10), st.floats(0.01, 5), st.floats(1, 50), st.one_of(st.none(), st.floats(0.01, 5)))
def test_turning_the_sign_turns_the_verdict(d: float, u: float, dof: float, margin: float | None) -> None:
    def judged(sign: float) -> str:
        estimate = Estimate(difference=sign * d, standard_error=u, dof=dof)
        return verdict(interval(estimate, 0.95), interval(estimate, 0.9), margin)

    mirrored = {MORE: LESS, LESS: MORE, PERHAPS_MORE: PERHAPS_LESS, PERHAPS_LESS: PERHAPS_MORE}
    assert judged(-1.0) == mirrored.get(judged(1.0), judged(1.0))


@given(st.floats(-10, 10), st.floats(0.01, 5), st.floats(1, 50), st.floats(0.01, 5))
def test_no_difference_is_what_the_two_one_sided_tests_say(
    d: float, u: float, dof: float, margin: float
) -> None:
    estimate = Estimate(difference=d, standard_error=u, dof=dof)
    found = verdict(interval(estimate, 0.95), interval(estimate, 0.9), margin)
    equivalent = two_one_sided(estimate, margin).equivalent
    assert found != NO_DIFFERENCE or equivalent
    assert not equivalent or found in (NO_DIFFERENCE, PERHAPS_MORE, PERHAPS_LESS)


def test_exploratory_needs_its_adjusted_p() -> None:
    clear = ((2.1, 4.0), (2.3, 3.8), 2.0)
    assert exploratory_verdict(*clear, 0.049, 0.9) == MORE
    assert exploratory_verdict(*clear, 0.05, 0.9) == NOT_SETTLED
    assert exploratory_verdict(*clear, None, 0.9) == NOT_SETTLED
    perhaps = ((0.1, 4.0), (0.4, 1.9), 2.0)
    assert exploratory_verdict(*perhaps, 0.01, 0.03) == PERHAPS_MORE
    assert exploratory_verdict(*perhaps, 0.5, 0.03) == NOT_SETTLED  # its interval still reaches the margin
    # no difference needs its own adjusted value
    assert exploratory_verdict((-1.0, 1.5), (-0.8, 1.3), 2.0, 0.9, 0.049) == NO_DIFFERENCE
    assert exploratory_verdict((-1.0, 1.5), (-0.8, 1.3), 2.0, 0.9, 0.05) == NOT_SETTLED
    assert exploratory_verdict((-1.0, 1.5), (-0.8, 1.3), 2.0, 0.9, math.nan) == NOT_SETTLED


def test_direction() -> None:
    assert [direction(v) for v in (MORE, PERHAPS_MORE, LESS, PERHAPS_LESS, NO_DIFFERENCE, NOT_SETTLED)] == [
        1, 1, -1, -1, 0, 0,
    ]  # fmt: skip


@pytest.mark.parametrize("bad", [(2.0, 1.0), (math.nan, 1.0), (0.0, math.nan)])
def test_refuses_intervals_that_are_none(bad: tuple[float, float]) -> None:
    with pytest.raises(ValueError, match="runs from low to high"):
        verdict(bad, (0.0, 1.0), 1.0)


@pytest.mark.parametrize("margin", [0.0, -1.0, math.nan])
def test_refuses_margins_that_are_none(margin: float) -> None:
    with pytest.raises(ValueError, match="a margin is positive"):
        verdict((0.0, 1.0), (0.1, 0.9), margin)
