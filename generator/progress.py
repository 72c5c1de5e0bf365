"""How far long work has come, for whoever wants to know.

A stage that takes long tells a `Progress`; what is done with it (a bar, a line, nothing) is not its business.
"""

from __future__ import annotations

from collections.abc import Callable

# what is being done, how much is done, how much there is: ("reading logs", 12, 99)
Progress = Callable[[str, int, int], None]


def quiet(what: str, done: int, total: int) -> None:
    """Nobody wants to know."""


def counter(progress: Progress, what: str, total: int) -> Callable[[], None]:
    """A function to be called for each of `total` pieces as its turn comes; counts from 1."""
    done = 0

    def next_one() -> None:
        nonlocal done
        done += 1
        progress(what, done, total)

    return next_one
