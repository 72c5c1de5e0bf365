"""The command line: parse, call, print, return a code. Each command is a module in `generator.commands`."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence
from types import ModuleType

from generator import __version__
from generator.commands import (
    archive,
    build,
    calibrate,
    check,
    completion,
    plan,
    rehearse,
    start,
    verify,
    view,
)
from generator.commands.exit_codes import DONE, EXIT_CODES, NOT_WRITTEN, PROBLEMS, USAGE
from generator.commands.parsing import PlainParser
from generator.commands.problem_list import print_problems
from generator.console import note
from generator.executors import one_thread
from generator.intake.problems import OutputRefused, SeasonProblems, WhirlbookError

__all__ = ["DONE", "NOT_WRITTEN", "PROBLEMS", "USAGE", "main", "parser"]

# in the order of the work
COMMANDS: tuple[ModuleType, ...] = (
    start, plan, rehearse, check, view, build, calibrate, archive, verify, completion,
)  # fmt: skip


def _help(prog: str) -> argparse.HelpFormatter:
    """Layout of help: examples and exit codes keep their lines, and the longest command stands on its own."""
    return argparse.RawDescriptionHelpFormatter(prog, max_help_position=28)


def parser() -> argparse.ArgumentParser:
    """The command line with its help."""
    top = PlainParser(
        prog="whirlbook",
        description="Compiles a season of bench tests into a site of comparisons, conclusions and cautions.",
        epilog=EXIT_CODES,
        formatter_class=_help,
    )
    top.add_argument("--version", action="version", version=f"whirlbook {__version__}")
    commands = top.add_subparsers(
        dest="command", required=True, metavar="COMMAND", title="commands, in the order of the work"
    )
    for command in COMMANDS:
        examples = "".join(f"  {line}\n" for line in command.EXAMPLES)
        exit_codes = getattr(command, "EXIT_CODES", EXIT_CODES)
        added = commands.add_parser(
            command.NAME,
            help=command.DOES,
            description=command.DOES[0].upper() + command.DOES[1:] + ".",
            epilog=f"example{'s' if len(command.EXAMPLES) > 1 else ''}:\n{examples}\n{exit_codes}",
            formatter_class=_help,
        )
        command.arguments(added)
        added.set_defaults(run=command.run, whole_parser=parser)
    return top


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command. Returns the exit code; bad input never ends in a traceback."""
    options = parser().parse_args(argv)
    one_thread()
    try:
        code: int = options.run(options)
        return code
    except SeasonProblems as found:
        print_problems(found.problems)
        return PROBLEMS
    except OutputRefused as refused:
        note(refused, style="red")
        return NOT_WRITTEN
    except WhirlbookError as error:
        note(error, style="red")
        return PROBLEMS
    except BrokenPipeError:  # the reader of our output has seen enough
        sys.stdout = open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115  the exit would write once more
        return DONE
    except OSError as error:
        place = f"{error.filename}: " if error.filename else ""
        note(f"{place}{error.strerror or error}. Nothing was replaced.", style="red")
        return NOT_WRITTEN
    except KeyboardInterrupt:
        note("Stopped. Nothing was replaced.")
        return NOT_WRITTEN


if __name__ == "__main__":
    sys.exit(main())
