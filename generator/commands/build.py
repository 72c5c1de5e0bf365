"""`whirlbook build`: a season's site."""

from __future__ import annotations

import argparse
import os
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING

from generator.commands.exit_codes import DONE, NOT_WRITTEN
from generator.commands.problem_list import print_waiting
from generator.console import note, say, stages
from generator.store import Store, cache_folder
from generator.unchanged import is_current, made_from, program

if TYPE_CHECKING:
    from generator.executors import Workers
    from generator.memory import Memory

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
    parser.add_argument(
        "--scheduler",
        metavar="ADDRESS",
        help="work on the Dask cluster of this scheduler, such as 127.0.0.1:8786; its workers need the same Whirlbook, "
        "and the season under the same path",
    )


def run(options: argparse.Namespace) -> int:
    """Build the site and say how to see it."""
    made = made_from(options.season, options.since)
    if not options.anew and is_current(options.out, made):
        say(f"{options.out}: Nothing has changed since it was built.")
    else:
        from generator.executors import NoWorkers
        from generator.memory import Memory

        memory = None if options.no_cache else Memory(Store(cache_folder()), program())
        try:
            with _workers(options, memory) as workers, stages() as tell:
                from generator import pipeline

                report = pipeline.build(
                    options.season,
                    options.out,
                    workers=workers,
                    progress=tell,
                    memory=memory,
                    since=options.since,
                    made_from=made,
                )
        except NoWorkers as fault:
            note(f"{fault} Nothing was written.", style="red")
            return NOT_WRITTEN
        say(report.summary())
        from generator.intake.waiting import waiting

        print_waiting("Left out of the site", waiting(options.season, str(options.season)))
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


@contextmanager
def _workers(options: argparse.Namespace, memory: Memory | None) -> Iterator[Workers]:
    """Who does the work: a cluster, or processes of this machine.

    Where everything will have to be made they start at once, and load what they need while the season is read.
    """
    if options.scheduler:
        from generator.cluster import cluster

        with cluster(options.scheduler, options.season) as there:
            yield there
        return
    from generator.executors import RUNS_WORTH_WORKERS, Processes

    with Processes(os.cpu_count() or 1) as here:
        logs = len(list(islice(options.season.glob("*/logs/*"), RUNS_WORTH_WORKERS)))
        if here.worth(logs, RUNS_WORTH_WORKERS) and (memory is None or memory.is_new()):
            here.start()
        yield here
