"""`whirlbook check`: everything that is wrong or doubtful in a season, nothing written."""

from __future__ import annotations

import argparse
from pathlib import Path

from generator.commands.exit_codes import DONE, PROBLEMS
from generator.commands.problem_list import print_problems
from generator.console import stages

NAME = "check"
DOES = "say everything that is wrong, write nothing"
EXAMPLES = ("whirlbook check demo_sessions",)


def arguments(parser: argparse.ArgumentParser) -> None:
    """Options of this command."""
    parser.add_argument("season", type=Path, metavar="SEASON", help="folder that holds season.yaml")


def run(options: argparse.Namespace) -> int:
    """Print what is wrong and what is doubtful."""
    from generator import pipeline

    with stages() as tell:
        problems = pipeline.check(options.season, progress=tell)
    print_problems(problems)
    return PROBLEMS if any(problem.severity == "error" for problem in problems) else DONE
