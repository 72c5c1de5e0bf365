"""`whirlbook rehearse`: simulated logs for a planned session."""

from __future__ import annotations

import argparse
from pathlib import Path

from generator.commands.exit_codes import DONE
from generator.console import note, say, stages

NAME = "rehearse"
DOES = "write simulated logs for a planned session"
EXAMPLES = (
    "whirlbook rehearse my-season/first-question",
    "whirlbook rehearse my-season/first-question --seed 3 --force",
)


def arguments(parser: argparse.ArgumentParser) -> None:
    """Options of this command."""
    parser.add_argument("session", type=Path, metavar="SESSION", help="session folder inside a season")
    parser.add_argument("--seed", type=int, metavar="NUMBER", help="another draw of scatter and noise")
    parser.add_argument(
        "--force", action="store_true", help="replace simulated logs; measured logs are never replaced"
    )


def run(options: argparse.Namespace) -> int:
    """Write the logs, one line each."""
    from generator import pipeline
    from generator.plan_session import doubt_of_plan

    with stages() as tell:
        lines = list(
            pipeline.rehearse(options.session, seed=options.seed, force=options.force, progress=tell)
        )
        doubt = doubt_of_plan(options.session, tell)
    for line in lines:
        say(line)
    if doubt is not None:
        note(f"(doubtful) {doubt}", style="yellow")
    return DONE
