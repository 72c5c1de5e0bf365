"""The command line: parse, call, print, return a code."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence
from pathlib import Path

from generator import __version__
from generator.intake.problems import OutputRefused, Problem, SeasonProblems, WhirlbookError

DONE, PROBLEMS, USAGE, NOT_WRITTEN = 0, 1, 2, 3
EXIT_CODES = """exit codes:
  0  done
  1  the season has problems; all of them are printed, nothing was written
  2  the command line is wrong
  3  the output cannot be written or is not ours to replace; nothing was changed
"""


def parser() -> argparse.ArgumentParser:
    """The command line with its help."""
    top = argparse.ArgumentParser(
        prog="whirlbook",
        description="Compiles a season of bench tests into a site of comparisons, conclusions and cautions.",
        epilog=EXIT_CODES,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    top.add_argument("--version", action="version", version=f"whirlbook {__version__}")
    commands = top.add_subparsers(dest="command", required=True, metavar="COMMAND")

    build = _command(
        commands, "build", "analyse a season and write its site", "whirlbook build demo_sessions --out site"
    )
    build.add_argument("season", type=Path, metavar="SEASON", help="folder that holds season.yaml")
    build.add_argument("--out", type=Path, required=True, metavar="FOLDER", help="where the site goes")

    check = _command(
        commands, "check", "say everything that is wrong, write nothing", "whirlbook check demo_sessions"
    )
    check.add_argument("season", type=Path, metavar="SEASON", help="folder that holds season.yaml")

    rehearse = _command(
        commands,
        "rehearse",
        "write simulated logs for a planned session",
        "whirlbook rehearse demo_sessions/cold-pack --seed 3",
    )
    rehearse.add_argument("session", type=Path, metavar="SESSION", help="session folder inside a season")
    rehearse.add_argument("--seed", type=int, metavar="NUMBER", help="another draw of scatter and noise")
    rehearse.add_argument(
        "--force", action="store_true", help="replace simulated logs; measured logs are never replaced"
    )
    return top


def _command(
    commands: argparse._SubParsersAction[argparse.ArgumentParser], name: str, does: str, example: str
) -> argparse.ArgumentParser:
    return commands.add_parser(
        name,
        help=does,
        description=does[0].upper() + does[1:] + ".",
        epilog=f"example:\n  {example}\n\n{EXIT_CODES}",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command. Returns the exit code; bad input never ends in a traceback."""
    options = parser().parse_args(argv)
    try:
        if options.command == "build":
            return _build(options.season, options.out)
        if options.command == "check":
            return _check(options.season)
        return _rehearse(options.session, options.seed, options.force)
    except SeasonProblems as found:
        _print_problems(found.problems)
        return PROBLEMS
    except OutputRefused as refused:
        print(refused, file=sys.stderr)
        return NOT_WRITTEN
    except WhirlbookError as error:
        print(error, file=sys.stderr)
        return PROBLEMS
    except OSError as error:
        place = f"{error.filename}: " if error.filename else ""
        print(f"{place}{error.strerror or error}. Nothing was replaced.", file=sys.stderr)
        return NOT_WRITTEN
    except KeyboardInterrupt:
        print("Stopped. Nothing was replaced.", file=sys.stderr)
        return NOT_WRITTEN


def _print_problems(problems: Sequence[Problem]) -> None:
    for problem in problems:
        word = "" if problem.severity == "error" else "(doubtful) "
        print(f"{word}{problem}", file=sys.stderr)
    errors = sum(problem.severity == "error" for problem in problems)
    doubtful = len(problems) - errors
    counts = [f"{errors} problem{'' if errors == 1 else 's'}"] if errors else []
    counts += [f"{doubtful} doubtful"] if doubtful else []
    print(", ".join(counts) + ". Nothing was written." if counts else "No problems.", file=sys.stderr)


def _build(season: Path, out: Path) -> int:
    from generator import pipeline

    report = pipeline.build(season, out, workers=os.cpu_count() or 1)
    print(report.summary())
    print(f"To see it, open {out / 'index.html'} in a browser; it needs no server.")
    return DONE


def _check(season: Path) -> int:
    from generator import pipeline

    problems = pipeline.check(season)
    _print_problems(problems)
    return PROBLEMS if any(problem.severity == "error" for problem in problems) else DONE


def _rehearse(session: Path, seed: int | None, force: bool) -> int:
    from generator import pipeline

    for line in pipeline.rehearse(session, seed=seed, force=force):
        print(line)
    return DONE


if __name__ == "__main__":
    sys.exit(main())
