"""`whirlbook build`: a season's site."""

from __future__ import annotations

import argparse
import os
from pathlib import Path

from generator.commands.exit_codes import DONE
from generator.console import note, say, stages
from generator.store import Store, cache_folder
from generator.unchanged import is_current, made_from, program

NAME = "build"
DOES = "analyse a season and write its site"
EXAMPLES = (
    "whirlbook build demo_sessions --out site",
    "whirlbook build demo_sessions --out site --since demo-2031",
)


def arguments(parser: argparse.ArgumentParser) -> None:
    """Options of this command."""
    parser.add_argument("season", type=Path, metavar="SEASON", help="folder that holds season.yaml")
    parser.add_argument("--out", type=Path, required=True, metavar="FOLDER", help="where the site goes")
    parser.add_argument(
        "--since",
        type=Path,
        metavar="BAG",
        help="an earlier archive; the site tells which figures changed since",
    )
    parser.add_argument(
        "--no-cache",
        action="store_true",
        help="take nothing from earlier builds, keep nothing for later ones",
    )
    parser.add_argument("--anew", action="store_true", help="build even if nothing has changed")


def run(options: argparse.Namespace) -> int:
    """Build the site and say how to see it."""
    made = made_from(options.season, options.since)
    if not options.anew and is_current(options.out, made):
        say(f"{options.out}: Nothing has changed since it was built.")
    else:
        from generator import pipeline
        from generator.memory import Memory

        memory = None if options.no_cache else Memory(Store(cache_folder()), program())
        with stages() as tell:
            report = pipeline.build(
                options.season,
                options.out,
                workers=os.cpu_count() or 1,
                progress=tell,
                memory=memory,
                since=options.since,
                made_from=made,
            )
        say(report.summary())
    say(f"To see it, open {options.out / 'index.html'} in a browser; it needs no server.")
    from generator.intake.placeholders import placeholders

    left = placeholders(options.season, str(options.season))
    if left:
        files = f"{len(left)} file{'s' if len(left) > 1 else ''}"
        note(
            f"Not ready to publish: invented values are left in {files}. `whirlbook check` names them.",
            style="yellow",
        )
    return DONE
