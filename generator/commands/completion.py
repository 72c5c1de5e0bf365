"""`whirlbook completion`: the script that lets a shell complete commands and options."""

from __future__ import annotations

import argparse
from collections.abc import Callable

from generator.commands.exit_codes import DONE
from generator.console import say

NAME = "completion"
DOES = "print what a shell needs to complete commands, options and files"
EXAMPLES = ("whirlbook completion bash", "whirlbook completion fish")
SHELLS = ("bash", "zsh", "fish")


def arguments(parser: argparse.ArgumentParser) -> None:
    """Options of this command."""
    parser.add_argument(
        "shell",
        metavar="SHELL",
        choices=SHELLS,
        help="bash, zsh or fish. For bash, put the output into a file and source it from ~/.bashrc",
    )


def run(options: argparse.Namespace) -> int:
    """Print the script for one shell."""
    import shtab

    whole: Callable[[], argparse.ArgumentParser] = options.whole_parser
    parser = whole()
    _mark_places(parser)
    say(shtab.complete(parser, shell=options.shell).rstrip("\n"))
    return DONE


def _mark_places(parser: argparse.ArgumentParser) -> None:
    """Tell which arguments are folders or files, by the word the help has for them."""
    import shtab

    folders = {"SEASON", "SESSION", "FOLDER", "NAME", "SEASON/NAME"}
    files = {"FILE", "BAG", "LOG"}
    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction):
            for command in dict.fromkeys(action.choices.values()):
                _mark_places(command)
        elif action.metavar in folders:
            action.complete = shtab.DIRECTORY  # type: ignore[attr-defined]
        elif action.metavar in files:
            action.complete = shtab.FILE  # type: ignore[attr-defined]
