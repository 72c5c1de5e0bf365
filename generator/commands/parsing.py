"""The parser of the command line: mistakes are told in plain words, with the nearest word that would have done."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from typing import Any, NoReturn

from generator.commands.exit_codes import USAGE
from generator.console import note
from generator.intake.problems import nearest


class PlainParser(argparse.ArgumentParser):
    """As the standard library's, but a misspelt command or option is answered with what was probably meant."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        # an abbreviation that works today would mean something else the day another option begins like it
        super().__init__(*args, **{"allow_abbrev": False, **kwargs})

    def parse_known_args(  # type: ignore[override]
        self, args: Sequence[str] | None = None, namespace: argparse.Namespace | None = None
    ) -> tuple[argparse.Namespace, list[str]]:
        """As the standard library's; unknown options are refused first, since others seem missing without them."""
        args = sys.argv[1:] if args is None else list(args)
        for word in args:
            if word == "--" or (self._subparsers is not None and not word.startswith("-")):
                break  # what follows is no option, or belongs to a command
            name = word.partition("=")[0]
            if name.startswith("--") and name not in self._option_string_actions:
                self.error(f"There is no option {name}.{_meant(name, list(self._option_string_actions))}")
        return super().parse_known_args(args, namespace)

    def _check_value(self, action: argparse.Action, value: Any) -> None:
        if action.choices is None or value in action.choices:
            return
        known = [str(choice) for choice in action.choices]
        if isinstance(action, argparse._SubParsersAction):
            self.error(f"There is no command '{value}'.{_meant(str(value), known)}")
        name = action.option_strings[-1] if action.option_strings else action.metavar or action.dest
        self.error(f"{name}: '{value}' is not one of {', '.join(known)}.{_meant(str(value), known)}")

    def error(self, message: str) -> NoReturn:
        """What is wrong with the command line, and where help is."""
        first = message[0].upper() + message[1:]
        note(first if first.endswith((".", "?")) else f"{first}.")
        note(f"Help: {self.prog} --help")
        sys.exit(USAGE)


def _meant(word: str, known: Sequence[str]) -> str:
    likely = nearest(word, known)
    return f" Did you mean {likely}?" if likely is not None else ""
