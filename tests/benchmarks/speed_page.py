"""The figures of a benchmark run as a table for the terminal, a Markdown file, and a page with a chart."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import altair as alt


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """One figure.

    value      in wall time, where it is a time or a ratio of times
    processor  the same in processor time; None where it is no time
    limit      the most it may be, or the least where `least`; None where there is no limit
    busy       whether processor time is held against the limit
    """

    part: str
    what: str
    value: float
    unit: str
    processor: float | None = None
    limit: float | None = None
    least: bool = False
    busy: bool = False
    note: str = ""

    @property
    def judged(self) -> float:
        """What is held against the limit."""
        return self.processor if self.busy and self.processor is not None else self.value

    @property
    def share(self) -> float | None:
        """How much of its limit it takes: at most 1 is within."""
        if self.limit is None:
            return None
        return self.limit / self.judged if self.least else self.judged / self.limit

    @property
    def verdict(self) -> str:
        """`met`, `MISSED`, or nothing without a limit."""
        return "" if self.share is None else "met" if self.share <= 1 else "MISSED"


HEADINGS = ("part", "what", "value", "in processor time", "limit", "", "note")


def rows(figures: Sequence[Measured]) -> list[tuple[str, ...]]:
    """Cells as text."""
    made = []
    for one in figures:
        limit = "" if one.limit is None else f"{'≥' if one.least else '≤'} {one.limit:.3g} {one.unit}"
        processor = "" if one.processor is None else f"{one.processor:.4g} {one.unit}"
        made.append(
            (one.part, one.what, f"{one.value:.4g} {one.unit}", processor, limit, one.verdict, one.note)
        )
    return made


def as_markdown(figures: Sequence[Measured], machine: str) -> str:
    """A table in Markdown with the state of the machine below."""
    lines = [HEADINGS, ("---",) * len(HEADINGS), *rows(figures)]
    return "\n".join(f"| {' | '.join(cells)} |" for cells in lines) + f"\n\n{machine}\n"


def write(folder: Path, figures: Sequence[Measured], machine: str) -> None:
    """Write speed.md and speed.html."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "speed.md").write_text(as_markdown(figures, machine), encoding="utf-8")
    drawn = [
        {
            "what": f"({one.part}) {one.what}",
            "share": one.share,
            "verdict": one.verdict,
            "value": row[2],
            "processor": row[3],
            "limit": row[4],
        }
        for one, row in zip(figures, rows(figures), strict=True)
        if one.share is not None
    ]
    base = alt.Chart(alt.InlineData(values=drawn)).encode(
        y=alt.Y("what:N", sort=None, title=None, axis=alt.Axis(labelLimit=420)),
        tooltip=["what:N", "value:N", "processor:N", "limit:N", "verdict:N"],
    )
    bars = base.mark_bar(height=12).encode(
        x=alt.X("share:Q", title="share of the limit; 1 is the limit"),
        color=alt.Color(
            "verdict:N", scale=alt.Scale(domain=["met", "MISSED"], range=["#0067a3", "#b84c00"]), title=None
        ),
    )
    words = base.mark_text(align="left", dx=4).encode(x="share:Q", text="value:N")
    rule = alt.Chart(alt.InlineData(values=[{"limit": 1}])).mark_rule(strokeDash=[4, 3]).encode(x="limit:Q")
    chart = (bars + words + rule).properties(
        width=560, title={"text": "Measured against the limits", "subtitle": machine}
    )
    chart.save(folder / "speed.html", inline=True)
