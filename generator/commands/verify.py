"""`whirlbook verify`: whether an archive is whole, and gives the same figures again."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from generator.commands.exit_codes import DONE, PROBLEMS
from generator.console import note, say, stages, tell_problem

if TYPE_CHECKING:
    from generator.publication.bag_check import BagState
    from generator.verifying import Recomputed

NAME = "verify"
DOES = "check an archive's files, and compute its figures again from its raw logs"
EXAMPLES = (
    "whirlbook verify demo-2031",
    "whirlbook verify demo-2031.zip --sums-only",
)
EXIT_CODES = """exit codes:
  0  every file is as it was, and every figure came out the same but for rounding
  1  a file is missing, extra or altered, a figure differs, or it cannot be read as an archive; all is printed
  2  the command line is wrong
  3  the disk could not be read or written
"""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Options of this command."""
    parser.add_argument("bag", type=Path, metavar="BAG", help="an archive: its folder, or its zip file")
    parser.add_argument(
        "--sums-only", action="store_true", help="files and checksums alone; works for any BagIt bag"
    )


def run(options: argparse.Namespace) -> int:
    """Tell everything that is wrong, then what was looked at."""
    from generator.verifying import verify

    with stages() as tell:
        report = verify(options.bag, sums_only=options.sums_only, progress=tell)
    _tell_files(report.state)
    if report.recomputed is not None:
        _tell_figures(report.recomputed)
    verdict = "Nothing is wrong with it" if report.sound else "It is not what it was"
    say(f"{options.bag}: {verdict}. {report.seconds:.1f} s.", style="green" if report.sound else "red")
    return DONE if report.sound else PROBLEMS


def _tell_files(state: BagState) -> None:
    from generator.evidence.wording import counted

    for fault in state.faults:
        doubtful = fault.kind == "doubtful"
        note(f"{'(doubtful) ' if doubtful else ''}{fault}", style="yellow" if doubtful else "red")
    wrong = sum(fault.kind != "doubtful" for fault in state.faults)
    sums = " and ".join(state.algorithms) or "no checksums"
    say(f"Files: {counted(state.files, 'file')} held against {sums}; {counted(wrong, 'fault')}.")


def _tell_figures(found: Recomputed) -> None:
    from generator.evidence.change_words import sentence
    from generator.evidence.wording import counted

    for problem in found.problems:
        tell_problem(problem)
    for why in found.refused:
        note(why, style="red")
    for change in found.differing:
        note(sentence(change), style="red")
    if found.comparisons:
        told = f"{counted(found.compared, 'figure')} of {counted(len(found.comparisons), 'session')}"
        say(
            f"Figures: {told} computed again from the raw logs; {counted(len(found.differing), 'difference')}."
        )
    elif found.problems:
        say("Figures: not computed again, since the season in it has the problems above.")
    for change in (change for change in found.reworded if change.numbers_differ):
        note(f"(doubtful) {sentence(change)}", style="yellow")
    if found.reworded:
        say(f"This version words {counted(len(found.reworded), 'sentence')} otherwise.")
    added = sorted({name for comparison in found.comparisons for name in comparison.added})
    if added:
        say(f"This version would add to the results: {', '.join(added)}.")
    if found.versions:
        say("Versions: " + "; ".join(found.versions) + ".")
