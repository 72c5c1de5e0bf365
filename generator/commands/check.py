"""`whirlbook check`: everything that is wrong or doubtful in a season, nothing written."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from generator.commands.exit_codes import DONE, PROBLEMS, REPEAT
from generator.console import say, stages

if TYPE_CHECKING:
    from generator.check_records import CheckReport

NAME = "check"
DOES = "say everything that is wrong or doubtful, and which runs to repeat; write nothing"
EXAMPLES = (
    "whirlbook check demo_sessions",
    "whirlbook check demo_sessions --session cold-pack",
    "whirlbook check demo_sessions --json",
)
EXIT_CODES = """exit codes:
  0  nothing to mend and nothing to repeat; what is only doubtful, or still to be measured, is printed, and alone it
     changes nothing of this
  1  errors: `build` would refuse the season
  2  the command line is wrong
  3  the disk could not be read
  5  no errors, but runs to repeat while the stand is still set up
"""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Options of this command."""
    parser.add_argument("season", type=Path, metavar="SEASON", help="folder that holds season.yaml")
    parser.add_argument(
        "--session", metavar="NAME", help="look at this session alone, between two runs at the bench"
    )
    parser.add_argument("--all", action="store_true", help="print also what is only noted")
    parser.add_argument("--json", action="store_true", help="print for programs (shared/check.schema.json)")


def run(options: argparse.Namespace) -> int:
    """Print what is wrong, what is doubtful and what to repeat."""
    import json

    from generator.check_records import document
    from generator.checking import check
    from generator.commands.problem_list import print_report

    with stages() as tell:
        report = check(options.season, session=options.session, progress=tell)
    code = exit_code(report)
    if options.json:
        say(json.dumps(document(report, code), ensure_ascii=False, indent=1))
        return code
    print_report(report, noted=options.all)
    return code


def exit_code(report: CheckReport) -> int:
    """What the command ends with."""
    if report.count("error"):
        return PROBLEMS
    return REPEAT if report.count("repeat") else DONE
