"""Holm's adjustment against published examples, statsmodels and its own properties."""

import csv
import math
from collections import defaultdict
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from statsmodels.stats.multitest import multipletests

from generator.evidence.multiplicity import holm

EXAMPLES: dict[str, list[dict[str, str]]] = defaultdict(list)
with (Path(__file__).parents[1] / "data" / "statistics" / "holm_examples.csv").open(newline="") as _file:
    for _row in csv.DictReader(_file):
        EXAMPLES[_row["example"]].append(_row)


@pytest.mark.parametrize("name", sorted(EXAMPLES))
def test_matches_published_example(name: str) -> None:
    # R package multtest as kept in statsmodels' tests; stepdown4: printed decisions.
    rows = EXAMPLES[name]
    adjusted = holm([float(row["p_raw"]) for row in rows])
    assert adjusted == pytest.approx([float(row["p_holm"]) for row in rows], abs=1e-12)
    for row, p in zip(rows, adjusted, strict=True):
        if row["rejected_alpha_0.05"]:
            assert (p <= 0.05) == (row["rejected_alpha_0.05"] == "yes")


families = st.lists(st.floats(0.0, 1.0), min_size=1, max_size=12)


@given(families)
@settings(max_examples=25)
def test_agrees_with_statsmodels(p: list[float]) -> None:
    assert holm(p) == pytest.approx(multipletests(p, method="holm")[1], abs=1e-12)


@given(families)
def test_never_below_raw_never_above_one_and_order_kept(p: list[float]) -> None:
    adjusted = holm(p)
    assert (adjusted >= np.array(p)).all()
    assert (adjusted <= 1.0).all()
    by_raw = adjusted[np.argsort(p, kind="stable")]
    assert (np.diff(by_raw) >= 0.0).all()


@given(families, st.randoms(use_true_random=False))
def test_order_of_questions_does_not_matter(p: list[float], random: object) -> None:
    order = list(range(len(p)))
    random.shuffle(order)  # type: ignore[attr-defined]
    assert holm([p[i] for i in order]) == pytest.approx(holm(p)[order], abs=0)


@given(families, st.integers(0, 12))
def test_missing_p_values_stay_missing_and_do_not_count(p: list[float], place: int) -> None:
    place = min(place, len(p))
    adjusted = holm([*p[:place], math.nan, *p[place:]])
    assert math.isnan(adjusted[place])
    assert np.delete(adjusted, place) == pytest.approx(holm(p), abs=0)


def test_nothing_to_adjust() -> None:
    assert holm([]).shape == (0,)
    assert np.isnan(holm([math.nan, math.nan])).all()
    assert holm([0.03]) == pytest.approx([0.03])


@pytest.mark.parametrize("bad", [-0.01, 1.01])
def test_refuses_what_is_no_p_value(bad: float) -> None:
    with pytest.raises(ValueError, match="between 0 and 1"):
        holm([0.5, bad])


def test_refuses_a_table() -> None:
    with pytest.raises(ValueError, match="plain list"):
        holm([[0.1, 0.2], [0.3, 0.4]])
