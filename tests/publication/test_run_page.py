"""The run page says in words which stretches of the log were averaged."""

from __future__ import annotations

from dataclasses import replace

from generator.publication.run_page import STRETCHES_TOLD, averaged_text
from generator.reduction.records import RunReduction, Window
from tests.factory_runs import hold_run

RUN = hold_run(run_id="01-hold", treatment="four-cell", place=0, repeat=1, order=1)


def with_windows(*windows: tuple[str, str, float, float]) -> RunReduction:
    return replace(
        RUN, windows=tuple(Window(kind=k, label=label, start_s=a, stop_s=b) for k, label, a, b in windows)
    )


def said(run: RunReduction) -> str:
    return averaged_text(run).replace("\u00a0", " ").replace("\u202f", " ")


def test_each_averaged_stretch_is_told_with_its_times_and_nothing_else() -> None:
    run = with_windows(
        ("rest", "rest", 0.0, 1.5), ("averaged", "9000 rpm", 3.44, 6.4), ("averaged", "16000 rpm", 8.0, 11.0)
    )
    assert said(run) == "Averaged in the log: 9 000 rpm, 3.4 to 6.4 s; 16 000 rpm, 8.0 to 11.0 s."
    assert said(with_windows(("rest", "rest", 0.0, 1.5))) == ""


def test_many_are_told_by_the_first_and_the_last() -> None:
    steps = [("step", f"up {n} %", float(n), n + 0.5) for n in range(1, STRETCHES_TOLD + 2)]
    assert said(with_windows(*steps)) == (
        f"{len(steps)} stretches of the log were averaged. The first: up 1 %, 1.0 to 1.5 s. "
        f"The last: up {len(steps)} %, {len(steps)}.0 to {len(steps)}.5 s."
    )
