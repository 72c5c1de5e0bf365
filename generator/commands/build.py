"""`whirlbook build`: a season's site."""

from __future__ import annotations

import argparse
import os
from pathlib import Path

from generator.commands.exit_codes import DONE

NAME = "build"
DOES = "analyse a season and write its site"
EXAMPLES = ("whirlbook build demo_sessions --out site",)


def arguments(parser: argparse.ArgumentParser) -> None:
    """Options of this command."""
    parser.add_argument("season", type=Path, metavar="SEASON", help="folder that holds season.yaml")
    parser.add_argument("--out", type=Path, required=True, metavar="FOLDER", help="where the site goes")


def run(options: argparse.Namespace) -> int:
    """Build the site and say how to see it."""
    from generator import pipeline

    report = pipeline.build(options.season, options.out, workers=os.cpu_count() or 1)
    print(report.summary())
    print(f"To see it, open {options.out / 'index.html'} in a browser; it needs no server.")
    return DONE
