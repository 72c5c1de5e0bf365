"""Do the intervals hold what they promise? Run by hand from the repository: python -m tests.benchmarks.coverage

Rehearsed sessions with a known truth go through the real analysis, in two layers. The first invents the numbers of
the runs and tries the statistics in tens of thousands of contrasts; the second simulates whole logs and sends them
through reduction and evidence. Everything is drawn from one seed, and the tables do not depend on the number of
workers. The exit code is 1 if any row is out of bounds.
"""

from __future__ import annotations

import argparse
import multiprocessing
import sys
import time
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path

if __package__ in (None, ""):  # started as a file: the repository is not on the path then
    sys.path[0] = str(Path(__file__).parents[2])

from tests.benchmarks.coverage_invented import TOO_WIDE, WIDE_ROWS, invented_session, power_session
from tests.benchmarks.coverage_rehearsed import WIDE_REHEARSED, rehearsed_session
from tests.benchmarks.coverage_report import report
from tests.benchmarks.coverage_tally import Tally
from tests.benchmarks.coverage_timing import LOGS, seconds_per_session

INVENTED, POWER, REHEARSED = 15_000, 2_100, 1_000
SEED = 20310504
CHUNK = 10
Session = Callable[[int, int], Tally]


def counted(session: Session, seed: int, indices: Sequence[int]) -> Tally:
    """Counts of some sessions, each from its own random numbers."""
    return Tally().merge(session(seed, index) for index in indices)


def study(session: Session, seed: int, sessions: int, workers: int = 1) -> Tally:
    """Counts of so many sessions; the same whatever the number of workers."""
    chunks = [range(start, min(start + CHUNK, sessions)) for start in range(0, sessions, CHUNK)]
    work = partial(counted, session, seed)
    if workers <= 1:
        return Tally().merge(map(work, chunks))
    with multiprocessing.get_context("spawn").Pool(workers) as pool:
        return Tally().merge(pool.imap_unordered(work, chunks))


def main(argv: Sequence[str] | None = None) -> int:
    """Run the study and print its tables; 0 if every row is within its bounds."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sessions", type=int, default=INVENTED, help="sessions of invented runs")
    parser.add_argument("--power", type=int, default=POWER, help="sessions that try the promised power")
    parser.add_argument("--rehearsed", type=int, default=REHEARSED, help="sessions of simulated logs")
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--workers", type=int, default=2)
    options = parser.parse_args(argv)
    started = time.perf_counter()
    tally = study(invented_session, options.seed, options.sessions, options.workers)
    tally.merge([study(power_session, options.seed, options.power, options.workers)])
    tally.merge([study(rehearsed_session, options.seed, options.rehearsed, options.workers)])
    lines, bad = report(tally, may_be_wide=TOO_WIDE, wide={**WIDE_ROWS, **WIDE_REHEARSED})
    print("\n".join(lines))
    invented, taken = options.sessions + options.power, time.perf_counter() - started
    print(
        f"\n{invented} invented and {options.rehearsed} simulated sessions, seed {options.seed},"
        f" {taken:.0f} s with {options.workers} workers."
    )
    seconds, rows = seconds_per_session()
    print(
        f"Analysis of a session of {LOGS} logs, {rows} rows, without pages: {seconds:.2f} s (asked: under 1 s)."
    )
    return 1 if bad else 0


if __name__ == "__main__":
    raise SystemExit(main())
