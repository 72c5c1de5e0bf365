"""Counts of the coverage study: how often something held, and whether that is what was promised."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from scipy import stats

# A row is called out of bounds only if chance is no excuse for it, at one in a thousand: there are many rows.
SURE = 0.999
LOWEST, HIGHEST = 0.93, 0.97  # coverage that a 95 % interval may have
MOST_FALSE = 0.05
POWER_TOLERANCE = 0.05

Row = tuple[str, ...]


@dataclass(slots=True)
class Tally:
    """Cases and hits by table and row. Adding tallies in any order gives the same tally."""

    counts: dict[Row, list[int]] = field(default_factory=dict)

    def add(self, row: Row, hit: bool, cases: int = 1) -> None:
        """Count a case; `row` begins with the name of its table."""
        found = self.counts.setdefault(row, [0, 0])
        found[0] += cases
        found[1] += int(hit)

    def merge(self, others: Iterable[Tally]) -> Tally:
        """All counts together."""
        for other in others:
            for row, (cases, hits) in other.counts.items():
                found = self.counts.setdefault(row, [0, 0])
                found[0] += cases
                found[1] += hits
        return self

    def table(self, name: str) -> list[tuple[Row, int, int]]:
        """Rows of a table in order: the row without the table's name, cases, hits."""
        return [
            (row[1:], cases, hits) for row, (cases, hits) in sorted(self.counts.items()) if row[0] == name
        ]


def exact_interval(hits: int, cases: int, level: float = 0.95) -> tuple[float, float]:
    """Interval of a proportion: (low, high).

    Source  C. J. Clopper and E. S. Pearson, Biometrika 26 (1934) 404-413, from memory
    """
    found = stats.binomtest(hits, cases).proportion_ci(level, method="exact")
    return float(found.low), float(found.high)


def judge_coverage(hits: int, cases: int, level: float = SURE) -> str:
    """ "inside", "inside within chance", "too low" or "too wide"; `level` is that of the interval of the share."""
    share = hits / cases
    low, high = exact_interval(hits, cases, level)
    if LOWEST <= share <= HIGHEST:
        return "inside"
    if high < LOWEST:
        return "too low"
    if low > HIGHEST:
        return "too wide"
    return "inside within chance"


def judge_false(hits: int, cases: int, level: float = SURE) -> str:
    """ "at most 5 %", "5 % within chance" or "too many"."""
    if hits / cases <= MOST_FALSE:
        return "at most 5 %"
    return "too many" if exact_interval(hits, cases, level)[0] > MOST_FALSE else "5 % within chance"


def judge_power(hits: int, cases: int, promised: float, level: float = SURE) -> str:
    """ "as promised", "less than promised" or "more than promised", with a tolerance of five points."""
    low, high = exact_interval(hits, cases, level)
    if high < promised - POWER_TOLERANCE:
        return "less than promised"
    return "more than promised" if low > promised + POWER_TOLERANCE else "as promised"


BAD = ("too low", "too wide", "too many", "less than promised")
