"""The coverage study in small: the code of tests/benchmarks/coverage.py on a few hundred sessions of one seed."""

from __future__ import annotations

import math
from collections import Counter
from typing import Literal

import numpy as np
import pytest

from generator.evidence.contrast_statistics import Estimate, interval
from tests.benchmarks.coverage import counted, study
from tests.benchmarks.coverage_designs import Scene, make_scene
from tests.benchmarks.coverage_invented import (
    PATTERNS,
    REPEATS,
    count_session,
    invented_session,
    power_session,
)
from tests.benchmarks.coverage_rehearsed import TURNS, rehearsed_session
from tests.benchmarks.coverage_report import report
from tests.benchmarks.coverage_tally import (
    BAD,
    Tally,
    exact_interval,
    judge_coverage,
    judge_false,
    judge_power,
)

SEED = 20310504
ROUND = PATTERNS * len(REPEATS)  # every design with every number of repeats once
SURE = 1.0 - 1e-5


@pytest.fixture(scope="module")
def tally() -> Tally:
    return study(invented_session, SEED, ROUND)


def test_every_kind_of_contrast_holds_what_it_promises(tally: Tally) -> None:
    pooled: dict[tuple[str, str], list[int]] = {}
    for (kind, method, _), cases, hits in tally.table("coverage"):
        found = pooled.setdefault((kind, method), [0, 0])
        found[0] += cases
        found[1] += hits
    assert {kind for kind, _ in pooled} == {
        "difference", "percentage", "differences together", "mean of a treatment",
    }  # fmt: skip
    methods = Counter(method for kind, method in pooled if kind == "difference")
    assert set(methods) == {
        "Welch", "Welch, unequal repeats", "paired in blocks", "drift taken out", "one run each, rig's history",
    }  # fmt: skip
    for row, (cases, hits) in pooled.items():
        assert cases >= 14
        assert judge_coverage(hits, cases, SURE) not in BAD, f"{row}: {hits} of {cases}"


def test_false_findings_stay_within_five_percent(tally: Tally) -> None:
    rows = [*tally.table("false direction"), *tally.table("false no difference"), *tally.table("wrong way")]
    assert len(rows) > 10
    for row, cases, hits in rows:
        assert judge_false(hits, cases, SURE) not in BAD, f"{row}: {hits} of {cases}"


def sessions_of(scene: Scene, count: int) -> Tally:
    """Counts of so many sessions of one scene."""
    rngs = (np.random.default_rng([SEED, number]) for number in range(count))
    return Tally().merge(count_session(make_scene(scene, rng)) for rng in rngs)


@pytest.mark.parametrize("design", ["unpaired", "blocks", "drift"])
def test_two_runs_and_a_small_error_of_the_rig(design: Literal["unpaired", "blocks", "drift"]) -> None:
    # The hardest case: two runs that happen to agree, beside a part that is known without degrees of freedom.
    # Welch-Satterthwaite alone lets 13 of 100 intervals of two blocks miss the truth.
    found = sessions_of(Scene(design=design, repeats=(2, 2), left_over=0.3), 60)
    for kind in ("difference", "percentage"):
        rows = [(cases, hits) for (of, *_, errors), cases, hits in found.table("coverage")
                if of == kind and errors == "remains"]  # fmt: skip
        ((cases, hits),) = rows
        assert judge_coverage(hits, cases) != "too low", f"{kind}: {hits} of {cases}"


def test_no_difference_is_rarely_found_where_every_response_differs_by_its_margin() -> None:
    found = sessions_of(Scene(design="blocks", repeats=(5, 5), effects="margin", margin=9.0), 120)
    rows = {
        row[0]: (hits, cases)
        for row, cases, hits in found.table("false no difference")
        if row[1] == "any of them"
    }
    assert set(rows) == {
        "primary, one in the family", "claimed, several in the family", "exploratory, several in the family",
    }  # fmt: skip
    for row, (hits, cases) in rows.items():
        assert judge_false(hits, cases) not in BAD, f"{row}: {hits} of {cases}"


@pytest.mark.parametrize("n", [2, 5])
def test_power_is_what_the_plan_promises(n: int) -> None:
    found = counted(power_session, SEED, range(REPEATS.index(n), 84 * len(REPEATS), len(REPEATS)))
    rows = found.table("power")
    assert len(rows) == 6
    for row, cases, hits in rows:
        assert judge_power(hits, cases, float(row[-1])) == "as promised", f"{row}: {hits} of {cases}"


@pytest.mark.parametrize(("factor", "judged"), [(0.6, "too low"), (2.0, "too wide")])
def test_the_study_notices_intervals_of_a_wrong_width(
    monkeypatch: pytest.MonkeyPatch, factor: float, judged: str
) -> None:
    def wrong(estimate: Estimate, level: float = 0.95) -> tuple[float, float]:
        low, high = interval(estimate, level)
        half = factor * (high - low) / 2.0
        return estimate.difference - half, estimate.difference + half

    monkeypatch.setattr("generator.evidence.contrasts.interval", wrong)
    found = study(invented_session, SEED, 60)
    rows = [(cases, hits) for (kind, _, _), cases, hits in found.table("coverage") if kind == "difference"]
    cases, hits = (sum(column) for column in zip(*rows, strict=True))
    assert judge_coverage(hits, cases) == judged
    # one telling row is enough for the study to end with an error
    told = Tally({("coverage", "difference", "Welch", "remains"): [cases, hits]})
    assert report(told)[1] == [f"Coverage of the 95 % intervals: difference, Welch, remains: {judged}"]


def test_the_same_counts_however_the_sessions_are_shared_out() -> None:
    parts = [counted(invented_session, SEED, range(first, 15, 3)) for first in (2, 0, 1)]
    assert Tally().merge(parts).counts == study(invented_session, SEED, 15).counts


def test_simulated_logs_hold_the_truth() -> None:
    one_of_each = [TURNS.index(name) for name in ("hold, loft stand", "spin-up", "staircase", "soak")]
    found = counted(rehearsed_session, SEED, one_of_each)
    rows = found.table("rehearsed")
    assert {procedure for (_, procedure, _), _, _ in rows} == {"hold", "spin-up", "soak", "staircase"}
    assert {kind for (kind, _, _), _, _ in rows} == {"difference", "percentage", "mean of a treatment"}
    cases, hits = (sum(column) for column in zip(*((cases, hits) for _, cases, hits in rows), strict=True))
    assert cases >= 30
    assert judge_coverage(hits, cases, SURE) not in BAD, f"{hits} of {cases}"


def test_the_interval_of_a_proportion_in_closed_form() -> None:
    # none of n: the upper limit of Clopper and Pearson is 1 - (alpha / 2)^(1 / n), by hand
    low, high = exact_interval(0, 20)
    assert low == 0.0
    assert high == pytest.approx(1.0 - 0.025 ** (1.0 / 20.0))
    assert exact_interval(20, 20)[0] == pytest.approx(0.025 ** (1.0 / 20.0))


def test_judgements() -> None:
    assert judge_coverage(950, 1000) == "inside"
    assert judge_coverage(9_000, 10_000) == "too low"
    assert judge_coverage(9_900, 10_000) == "too wide"
    assert judge_coverage(10, 10) == "inside within chance"
    assert judge_false(5, 100) == "at most 5 %"
    assert judge_false(6, 100) == "5 % within chance"
    assert judge_false(1_000, 10_000) == "too many"
    assert judge_power(7_000, 10_000, 0.8) == "less than promised"
    assert judge_power(8_000, 10_000, 0.8) == "as promised"
    assert math.isclose(sum(exact_interval(5, 10)), 1.0)
