"""Problems on the screen."""

from __future__ import annotations

import sys
from collections.abc import Sequence

from generator.intake.problems import Problem


def print_problems(problems: Sequence[Problem]) -> None:
    """Every problem on a line of its own, then how many there are."""
    for problem in problems:
        word = "" if problem.severity == "error" else "(doubtful) "
        print(f"{word}{problem}", file=sys.stderr)
    errors = sum(problem.severity == "error" for problem in problems)
    doubtful = len(problems) - errors
    counts = [f"{errors} problem{'' if errors == 1 else 's'}"] if errors else []
    counts += [f"{doubtful} doubtful"] if doubtful else []
    print(", ".join(counts) + ". Nothing was written." if counts else "No problems.", file=sys.stderr)
