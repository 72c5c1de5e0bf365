"""`whirlbook calibrate`: a calibration record from the `zero` runs of a session."""

from __future__ import annotations

import argparse
from pathlib import Path

from generator.commands.exit_codes import DONE
from generator.console import say, stages

NAME = "calibrate"
DOES = "write the calibration record of a channel from known loads"
EXAMPLES = ("whirlbook calibrate my-season/load-cell",)


def arguments(parser: argparse.ArgumentParser) -> None:
    """Options of this command."""
    parser.add_argument("session", type=Path, metavar="SESSION", help="session folder with `zero` runs")
    parser.add_argument(
        "--force", action="store_true", help="replace a record of the same name that says something else"
    )


def run(options: argparse.Namespace) -> int:
    """Write the record and say how the rig file refers to it."""
    from generator import pipeline

    with stages() as tell:
        lines = list(pipeline.calibrate(options.session, force=options.force, progress=tell))
    for line in lines:
        say(line)
    return DONE
