"""`whirlbook view`: local pages that follow changes."""

from __future__ import annotations

import argparse
import os
from pathlib import Path

from generator.commands.exit_codes import DONE
from generator.console import note, say, stages

NAME = "view"
DOES = "show the pages on this machine and follow changes"
EXAMPLES = ("whirlbook view demo_sessions", "whirlbook view demo_sessions --port 8031 --open")


def _port(text: str) -> int:
    if not (text.isdecimal() and int(text) <= 65535):
        raise argparse.ArgumentTypeError(f"'{text}' is not a port from 1 to 65535, or 0 for any that is free")
    return int(text)


def arguments(parser: argparse.ArgumentParser) -> None:
    """Options of this command."""
    parser.add_argument("season", type=Path, metavar="SEASON", help="folder that holds season.yaml")
    parser.add_argument("--port", type=_port, default=0, metavar="NUMBER", help="any free one if not given")
    parser.add_argument("--open", action="store_true", help="open the pages in the browser")


def run(options: argparse.Namespace) -> int:
    """Serve until interrupted; that is how it is meant to end."""
    from generator.viewing import view

    view(
        options.season,
        port=options.port,
        open_browser=options.open,
        workers=os.cpu_count() or 1,
        tell=lambda line: say(line, flush=True),
        bars=stages,
    )
    note("Stopped. The season's files are as you left them.")
    return DONE
