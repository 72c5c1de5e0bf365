"""`whirlbook archive`: a season, or each of its sessions, as a bag to be kept."""

from __future__ import annotations

import argparse
import os
from pathlib import Path

from generator.commands.exit_codes import DONE
from generator.commands.problem_list import print_waiting
from generator.console import note, say, stages

NAME = "archive"
DOES = "put a season away to be kept: raw logs, results, pages, versions, checksums (BagIt)"
EXAMPLES = (
    "whirlbook archive demo_sessions --out demo-2031",
    "whirlbook archive demo_sessions --out demo-2031 --zip",
    "whirlbook archive demo_sessions --out by-session --sessions --zip",
)


def arguments(parser: argparse.ArgumentParser) -> None:
    """Options of this command."""
    parser.add_argument("season", type=Path, metavar="SEASON", help="folder that holds season.yaml")
    parser.add_argument(
        "--out",
        type=Path,
        required=True,
        metavar="FOLDER",
        help="where the archive goes; nothing there is replaced",
    )
    parser.add_argument(
        "--sessions", action="store_true", help="one archive a session, each with all that it rests on"
    )
    parser.add_argument("--zip", action="store_true", help="zip files, the same bytes every time")


def run(options: argparse.Namespace) -> int:
    """Write the archive; say what was left out and how to check it."""
    from generator.archiving import archive

    with stages() as tell:
        report = archive(
            options.season,
            options.out,
            sessions=options.sessions,
            zipped=options.zip,
            workers=os.cpu_count() or 1,
            progress=tell,
        )
    from generator.intake.waiting import waiting

    print_waiting("Kept without results", waiting(options.season, str(options.season)))
    for left in report.left_out:
        note(f"{options.season}/{left.path} was left out: it {left.why}.", style="yellow")
    for bag in report.bags:
        say(bag.summary())
    say(f"Archived in {report.seconds:.1f} s. To check it: whirlbook verify {report.bags[0].path}")
    return DONE
