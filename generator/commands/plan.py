"""`whirlbook plan`: run sheet and list of runs for a session that has not been run yet."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from pathlib import Path

from generator.commands.exit_codes import DONE, REFUSED
from generator.console import note, say, stages
from generator.planning.run_sheet_records import Facts, RunSheet, Words

NAME = "plan"
DOES = "write run sheet and list of runs for a session to be made"
EXAMPLES = (
    "whirlbook plan my-season/first-question",
    "whirlbook plan my-season/first-question --power 95 --order random --seed 7",
    "whirlbook plan demo_sessions/cold-pack --dry-run",
)


def arguments(parser: argparse.ArgumentParser) -> None:
    """Options of this command."""
    parser.add_argument("session", type=Path, metavar="SESSION", help="session folder inside a season")
    parser.add_argument(
        "--repeats",
        type=_positive,
        metavar="NUMBER",
        help="repeats of each treatment; else the margins decide",
    )
    parser.add_argument(
        "--power", type=int, choices=(80, 95), default=80,
        help="of 100 such sessions, how many are to settle the margins (80)",
    )  # fmt: skip
    parser.add_argument(
        "--order", choices=("abba", "random"), default="abba",
        help="blocks that run there and back, or drawn by lot inside each block (abba)",
    )  # fmt: skip
    parser.add_argument("--seed", type=int, default=1, metavar="NUMBER", help="of the lot (1)")
    parser.add_argument(
        "--change-minutes", type=_minutes, metavar="MINUTES",
        help="how long any change of the set-up takes; else assumed for each part",
    )  # fmt: skip
    parser.add_argument(
        "--scatter", action="append", default=[], metavar="RESPONSE=SIZE",
        help="how far one run scatters, such as 'electrical_power=0.8 %%', where you know it better than the logs do",
    )  # fmt: skip
    parser.add_argument(
        "--out", type=Path, metavar="FOLDER", help="where the run sheet goes; else into the session's folder"
    )
    parser.add_argument("--dry-run", action="store_true", help="print the plan, write nothing")
    parser.add_argument(
        "--force", action="store_true",
        help="replace a list of runs that was typed, or whose logs are simulated; never one with measured logs",
    )  # fmt: skip


def run(options: argparse.Namespace) -> int:
    """Plan, print the sheet's first lines, write."""
    from generator.plan_session import PlanRefused, plan_session, write_plan
    from generator.planning.design import DesignOptions
    from generator.planning.design_scatter import given_scatter
    from generator.reduction.procedures import response_kinds

    wanted = DesignOptions(
        repeats=options.repeats,
        level=options.power,
        order=options.order,
        seed=options.seed,
        change_minutes=options.change_minutes,
        scatter=dict(given_scatter(text, response_kinds()) for text in options.scatter),
    )
    try:
        with stages() as tell:
            planned = plan_session(
                options.session,
                wanted,
                force=options.force,
                measured_stays=not options.dry_run,
                progress=tell,
            )
    except PlanRefused as refused:
        note(refused, style="red")
        return REFUSED
    for doubt in planned.doubts:
        note(f"(doubtful) {doubt}", style="yellow")
    if options.dry_run:
        say(planned.text)
        note("Nothing was written.")
        return DONE
    written = write_plan(planned, options.out)
    say(planned.sheet.title)
    for line in planned.sheet.warned:
        say(f"Warning: {line}", style="yellow")
    for line in _short(planned.sheet):
        say(line)
    for file in written:
        note(f"{file}: written")
    return DONE


def _short(sheet: RunSheet) -> Iterator[str]:
    """What stands at a glance."""
    for block in sheet.sections[0].blocks:
        if isinstance(block, Facts):
            yield from (f"  {name}: {value}" for name, value in block.pairs)
        elif isinstance(block, Words):
            yield from block.texts


def _positive(text: str) -> int:
    value = int(text)
    if not 1 <= value <= 200:
        raise argparse.ArgumentTypeError("between 1 and 200")
    return value


def _minutes(text: str) -> float:
    value = float(text)
    if not 0.0 <= value <= 600.0:
        raise argparse.ArgumentTypeError("between 0 and 600 minutes")
    return value
