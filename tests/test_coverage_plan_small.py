"""The study of plans in small: what repeats settle is held against what the plan promised, on chains of one seed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import pytest

from generator.planning import design_repeats
from generator.planning.design_records import Scatter
from tests.benchmarks.coverage_plan import (
    BENCHES,
    EFFECTS,
    POINTS,
    SEED,
    counted,
    judged,
    planned_session,
)
from tests.benchmarks.coverage_plan_rehearsed import rehearsed_plan
from tests.benchmarks.coverage_tally import Tally, exact_interval

SURE = 1.0 - 1e-5
BY_NAME = {bench.name: place for place, bench in enumerate(BENCHES)}


def chains_of(name: str, count: int) -> Tally:
    """Counts of the first so many chains of one bench at 80 %."""
    turns = [turn for turn in range(2 * count) if turn // 3 % 2 == 0][:count]
    return counted(planned_session, SEED, [len(BENCHES) * turn + BY_NAME[name] for turn in turns])


def pooled(tally: Tally, table: str = "plan") -> tuple[int, int, float]:
    """Hits, cases and mean promise over all rows of a table."""
    rows = tally.table(table)
    cases, hits = (sum(column) for column in zip(*((c, h) for _, c, h in rows), strict=True))
    promised = sum(tally.counts[f"{table}: promised", *row][1] for row, _, _ in rows)
    return hits, cases, promised / 10_000 / cases


@pytest.mark.parametrize(
    ("name", "count"),
    [
        ("blocks, two earlier sessions", 48),
        ("unpaired, scatter given", 90),
        ("unpaired of three, check standard", 30),
    ],
)
def test_power_achieved_is_within_ten_points_of_power_promised(name: str, count: int) -> None:
    tally = chains_of(name, count)
    assert {row[1] for row, _, _ in tally.table("plan")} == set(EFFECTS)
    hits, cases, promised = pooled(tally)
    assert 0.8 <= promised < 0.97
    low, high = exact_interval(hits, cases, SURE)
    assert low <= promised + POINTS, f"{hits} of {cases} for {promised}"
    assert high >= promised - POINTS, f"{hits} of {cases} for {promised}"


def test_the_study_notices_a_plan_that_promises_too_much(monkeypatch: pytest.MonkeyPatch) -> None:
    honest = design_repeats.scatter_of

    def too_small(*args: object, **kwargs: object) -> Scatter:
        found = honest(*args, **kwargs)  # type: ignore[arg-type]
        return replace(found, sd=0.3 * found.sd)

    monkeypatch.setattr(design_repeats, "scatter_of", too_small)
    tally = chains_of("blocks, two earlier sessions", 36)
    hits, cases, promised = pooled(tally)
    assert exact_interval(hits, cases, SURE)[1] < promised - POINTS
    assert judged(tally)[1]


def test_chains_do_not_depend_on_each_other() -> None:
    parts: Sequence[Tally] = [counted(planned_session, SEED, range(first, 20, 2)) for first in (1, 0)]
    assert Tally().merge(parts).counts == counted(planned_session, SEED, range(20)).counts


def test_simulated_logs_go_the_same_way() -> None:
    tally = counted(rehearsed_plan, SEED, (0, 1))
    hits, cases, promised = pooled(tally, "plan, simulated logs")
    assert cases == 2
    assert 0 <= hits <= 2
    assert 0.8 <= promised < 1.0
