"""The command line: parse, call, print, return a code. Each command is a module in `generator.commands`."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from types import ModuleType

from generator import __version__
from generator.commands import build, check, rehearse
from generator.commands.exit_codes import DONE, EXIT_CODES, NOT_WRITTEN, PROBLEMS, USAGE
from generator.commands.problem_list import print_problems
from generator.intake.problems import OutputRefused, SeasonProblems, WhirlbookError

__all__ = ["DONE", "NOT_WRITTEN", "PROBLEMS", "USAGE", "main", "parser"]

# in the order of the work
COMMANDS: tuple[ModuleType, ...] = (rehearse, check, build)


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
    for command in COMMANDS:
        examples = "".join(f"  {line}\n" for line in command.EXAMPLES)
        added = commands.add_parser(
            command.NAME,
            help=command.DOES,
            description=command.DOES[0].upper() + command.DOES[1:] + ".",
            epilog=f"example{'s' if len(command.EXAMPLES) > 1 else ''}:\n{examples}\n{EXIT_CODES}",
            formatter_class=argparse.RawDescriptionHelpFormatter,
        )
        command.arguments(added)
        added.set_defaults(run=command.run)
    return top


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command. Returns the exit code; bad input never ends in a traceback."""
    options = parser().parse_args(argv)
    try:
        code: int = options.run(options)
        return code
    except SeasonProblems as found:
        print_problems(found.problems)
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


if __name__ == "__main__":
    sys.exit(main())
