"""Problems on the screen."""

from __future__ import annotations

from collections.abc import Sequence

from generator.console import note, tell_problem
from generator.intake.problems import Problem


def print_problems(problems: Sequence[Problem]) -> None:
    """Every problem on a line of its own, then how many there are."""
    for problem in problems:
        tell_problem(problem)
    errors = sum(problem.severity == "error" for problem in problems)
    doubtful = len(problems) - errors
    counts = [f"{errors} problem{'' if errors == 1 else 's'}"] if errors else []
    counts += [f"{doubtful} doubtful"] if doubtful else []
    note(", ".join(counts) + ". Nothing was written." if counts else "No problems.")
