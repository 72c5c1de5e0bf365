"""The coverage study's tables as plain text, each row with its judgement."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from types import MappingProxyType

from tests.benchmarks.coverage_tally import (
    BAD,
    HIGHEST,
    Row,
    Tally,
    exact_interval,
    judge_coverage,
    judge_false,
    judge_power,
)

NO_REASONS: Mapping[Row, str] = MappingProxyType({})
Judge = Callable[[Row, int, int], str]

_COVERAGE = (
    ("coverage", "Coverage of the 95 % intervals", ("interval", "method", "error of the rig in it")),
    (
        "by repeats",
        "Coverage by repeats (the fewer side) and scatter of the sides",
        ("method", "runs", "scatter"),
    ),
    (
        "by rig error",
        "Coverage by what the rig leaves in a difference (standard uncertainty over standard error from scatter)",
        ("method", "left over"),
    ),
    ("rehearsed", "Simulated logs: coverage of the 95 % intervals", ("interval", "procedure", "response")),
    ("rehearsed by method", "Simulated logs: coverage of primary differences", ("method", "runs")),
    (
        "rehearsed by noise",
        "Simulated logs: coverage of primary differences by the scatter between runs, over that of the demo season",
        ("procedure", "scatter"),
    ),
    ("by true effect", "Coverage by true effect", ("interval", "effects")),
)


def report(
    tally: Tally, *, may_be_wide: Sequence[str] = (), wide: Mapping[Row, str] = NO_REASONS
) -> tuple[list[str], list[str]]:
    """Lines to print, and the rows that are out of bounds.

    may_be_wide  reasons of told rows that explain intervals too wide: they must not be too narrow
    wide         rows of the other tables that are too wide for a reason, which is printed
    """
    lines: list[str] = []
    bad: list[str] = []

    def table(name: str, title: str, heads: Sequence[str], judge: Judge, share: str) -> None:
        rows = tally.table(name)
        if not rows:
            return
        cells = [(*heads, "cases", share, "95 % interval", "judgement")]
        for row, cases, hits in rows:
            low, high = exact_interval(hits, cases)
            judged = judge(row, hits, cases)
            cells.append(
                (
                    *row,
                    str(cases),
                    f"{100 * hits / cases:.2f} %",
                    f"{100 * low:.2f} to {100 * high:.2f} %",
                    judged,
                )
            )
            if judged in BAD:
                bad.append(f"{title}: {', '.join(row)}: {judged}")
        lines.extend(("", title, *_aligned(cells)))

    def coverage(row: Row, hits: int, cases: int) -> str:
        judged = judge_coverage(hits, cases)
        return f"too wide: {wide[row]}" if row in wide and hits / cases > HIGHEST else judged

    def told(row: Row, hits: int, cases: int) -> str:
        judged = judge_coverage(hits, cases)
        return judged if row[0] in may_be_wide and judged == "too low" else f"told ({judged})"

    def false(row: Row, hits: int, cases: int) -> str:
        return judge_false(hits, cases)

    def power(row: Row, hits: int, cases: int) -> str:
        return judge_power(hits, cases, float(row[-1]))

    for name, title, heads in _COVERAGE:
        table(name, title, heads, coverage, "covered")
    table(
        "told", "Where the intervals have a reason not to hold at 95 %", ("reason", "method"), told, "covered"
    )
    table(
        "false direction", "False more or less where there is no difference, any in a family",
        ("family", "true effects", "margins"), false, "false",
    )  # fmt: skip
    table(
        "false no difference", "False 'no difference that matters' where the difference is just the margin",
        ("contrasts", "of"), false, "false",
    )  # fmt: skip
    table("wrong way", "Direction told the wrong way round", ("finding",), false, "false")
    table("rehearsed false", "Simulated logs: false findings", ("finding",), false, "false")
    table(
        "power", "Power against what the plan promises", ("design", "what is to be shown", "runs", "promised"),
        power, "shown",
    )  # fmt: skip
    few = sum(line.endswith("within chance") for line in lines)
    lines.extend(("", f"Rows outside by no more than chance: {few}."))
    lines.extend(
        ("", *(f"OUT OF BOUNDS: {row}" for row in bad)) if bad else ("", "Every row is within its bounds.")
    )
    return lines, bad


def _aligned(cells: Sequence[Sequence[str]]) -> list[str]:
    widths = [max(len(row[column]) for row in cells) for column in range(len(cells[0]))]
    return [
        "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()
        for row in cells
    ]
