"""A reduced run comes back from another process or the disk as it was, to the last bit."""

from __future__ import annotations

import dataclasses
import pickle

import numpy as np
import pandas as pd
from hypothesis import given
from hypothesis import strategies as st

from generator.reduction.packing import packed, unpacked
from tests.factory_runs import hold_run

FLOATS = st.floats(width=64, allow_nan=True, allow_infinity=True)


@given(st.lists(st.tuples(FLOATS, FLOATS), min_size=1, max_size=50))
def test_every_bit_comes_back(rows: list[tuple[float, float]]) -> None:
    frame = pd.DataFrame(np.array(rows, dtype=np.float64), columns=["time_s", "thrust_n"])
    small = packed(frame)
    assert isinstance(small, tuple)
    back = unpacked(small)
    assert back is not None
    assert back.to_numpy().tobytes() == frame.to_numpy().tobytes()
    pd.testing.assert_index_equal(back.index, frame.index)
    pd.testing.assert_index_equal(back.columns, frame.columns)


def test_a_frame_of_another_kind_is_left_as_it_is() -> None:
    for frame in (
        None,
        pd.DataFrame(),
        pd.DataFrame({"a": [1, 2]}),
        pd.DataFrame({"a": [1.0, 2.0]}, index=[3, 4]),
        pd.DataFrame({"a": ["x"]}),
    ):
        assert unpacked(packed(frame)) is frame


def test_a_run_travels_small() -> None:
    run = hold_run(run_id="01", treatment="a", place=0, repeat=1, order=1)
    body = pickle.dumps(run, protocol=5)
    back = pickle.loads(body)
    pd.testing.assert_frame_equal(back.trace, run.trace, check_exact=True)
    for one in dataclasses.fields(run):
        if one.name not in ("trace", "fitted"):
            assert getattr(back, one.name) == getattr(run, one.name)
    assert len(body) < len(pickle.dumps(run.trace, protocol=5))
