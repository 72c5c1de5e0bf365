"""The one place that knows how the program speaks on a terminal.

What was asked for goes to standard output, plain enough to be piped on. Everything about the work itself
(problems, progress) goes to standard error. Colours only on a terminal, and never if NO_COLOR is set or TERM
is `dumb`; FORCE_COLOR asks for them anyway. A bar is shown only where a person watches.

Conventions  https://no-color.org (NO_COLOR set to anything but nothing switches colours off)
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import IO, TYPE_CHECKING

from generator.intake.problems import Problem
from generator.progress import Progress, quiet

if TYPE_CHECKING:
    from rich.console import Console

# a file name or a cell of a log must not steer the terminal it is shown on
_CONTROLS = {
    code: "�"
    for code in (*range(0x20), *range(0x7F, 0xA0), *range(0x202A, 0x202F), *range(0x2066, 0x206A))
    if code not in (0x09, 0x0A)
}


def colours(stream: IO[str]) -> bool:
    """Whether text for a stream may carry colours."""
    if os.environ.get("NO_COLOR"):
        return False
    if os.environ.get("FORCE_COLOR"):
        return True
    return _watched(stream) and os.environ.get("TERM", "") != "dumb"


def _watched(stream: IO[str]) -> bool:
    """Whether a stream is a terminal."""
    try:
        return stream.isatty()
    except ValueError:  # closed
        return False


def _console(stream: IO[str]) -> Console:
    """Made when it is needed: the library takes a while to load."""
    from rich.console import Console

    coloured = colours(stream)
    return Console(
        file=stream,
        color_system="standard" if coloured else None,
        force_terminal=True if coloured else None,
        no_color=not coloured,
        highlight=False,
        markup=False,
        emoji=False,
        soft_wrap=True,
    )


def _print(text: str, stream: IO[str], style: str | None) -> None:
    text = text.translate(_CONTROLS)
    encoding = getattr(stream, "encoding", None) or "utf-8"
    text = text.encode(encoding, "replace").decode(encoding)  # a terminal that knows few letters gets `?`
    if style is None or not colours(stream):
        print(text, file=stream)
    else:
        _console(stream).print(text, style=style)


def say(text: object, *, style: str | None = None, flush: bool = False) -> None:
    """What was asked for, to standard output. style: a colour or `bold`, used where colours are."""
    _print(str(text), sys.stdout, style)
    if flush:
        sys.stdout.flush()


def note(text: object, *, style: str | None = None) -> None:
    """Something about the work itself, to standard error."""
    _print(str(text), sys.stderr, style)


def tell_problem(problem: Problem) -> None:
    """One problem, to standard error: place, key, what is wrong; how to mend it below."""
    word, style = ("", "red") if problem.severity == "error" else ("(doubtful) ", "yellow")
    first, _, rest = f"{word}{problem}".partition("\n")
    note(first, style=style)
    if rest:
        note(rest)


def watched() -> bool:
    """Whether a person sits at standard input and can be asked."""
    return _watched(sys.stdin) and _watched(sys.stderr)


def ask(question: str, otherwise: str) -> str:
    """Ask the person at the terminal; an empty answer means `otherwise`. Raises KeyboardInterrupt where input ends."""
    _print(question, sys.stderr, None)
    print(f"  [{otherwise}] ".translate(_CONTROLS), end="", file=sys.stderr, flush=True)
    answer = sys.stdin.readline()
    if not answer:
        print(file=sys.stderr)
        raise KeyboardInterrupt
    return answer.strip() or otherwise


@contextmanager
def stages() -> Iterator[Progress]:
    """A bar for work in several stages, on standard error while a person watches it; gone afterwards.

    Gives  a function of (what is being done, how much is done, how much there is); a new `what` begins a new bar
    """
    if not _watched(sys.stderr) or os.environ.get("TERM", "") == "dumb":
        yield quiet
        return
    from rich.progress import BarColumn, MofNCompleteColumn, TaskID, TextColumn, TimeRemainingColumn
    from rich.progress import Progress as Bars

    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with Bars(*columns, console=_console(sys.stderr), transient=True) as bars:
        shown: dict[str, TaskID] = {}  # the one stage at work: what -> its bar

        def tell(what: str, done: int, total: int) -> None:
            if what not in shown:  # another stage has begun: the one before it is over
                bars.refresh()  # which is seen whole before it goes
                for bar in shown.values():
                    bars.remove_task(bar)
                shown.clear()
                shown[what] = bars.add_task(what.translate(_CONTROLS), total=total)
            bars.update(shown[what], completed=done, total=total)

        yield tell


@contextmanager
def progress(total: int, what: str) -> Iterator[Callable[[], None]]:
    """A bar for work of one kind.

    Gives  a function to be called after each of the `total` pieces
    """
    done = 0
    with stages() as tell:
        tell(what, done, total)

        def advance() -> None:
            nonlocal done
            done += 1
            tell(what, done, total)

        yield advance
