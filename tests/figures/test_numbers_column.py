"""A column rounded at once is each of its numbers rounded."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
from hypothesis import given
from hypothesis import strategies as st

from generator.figures.numbers import rounded, rounded_column

NUMBERS = st.lists(st.floats(min_value=-1e9, max_value=1e9) | st.just(math.nan), min_size=1, max_size=30)


@given(NUMBERS, st.integers(0, 4))
def test_a_column_is_rounded_as_its_numbers_are(values: list[float], places: int) -> None:
    column = np.asarray(values, dtype=np.float64)
    one_by_one = pd.DataFrame({"c": [rounded(value, places) for value in column]})["c"]
    at_once = pd.DataFrame({"c": rounded_column(column, places)})["c"]
    pd.testing.assert_series_equal(at_once, one_by_one, check_exact=True)
    assert [math.copysign(1, v) for v in at_once] == [math.copysign(1, v) for v in one_by_one]


def test_infinity_is_no_reading() -> None:
    assert np.isnan(rounded_column(np.array([np.inf, 1.0]), 0)[0])
