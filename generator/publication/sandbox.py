"""Layouts that a season brings with it: templates are programs, and a season may come from somebody else.

They see what their page shows and nothing of the machine: no attribute that begins with an underscore, no call but of
macros, of `range` and of what reads a mapping, no filter that makes long text out of short. How much they may do is
counted. Their pages get the content policy whatever they say themselves.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import jinja2
from jinja2.exceptions import SecurityError
from jinja2.runtime import Context, Macro
from jinja2.sandbox import ImmutableSandboxedEnvironment

from generator.intake.problems import Problem

POLICY = (
    "default-src 'none'; connect-src 'self'; style-src 'self'; img-src 'self' data:; font-src 'self'; "
    "script-src 'self'; base-uri 'none'; form-action 'none'"
)
MOST_STEPS = (
    5_000_000  # calls, look-ups and turns of `range` in one page; our largest page takes far below a tenth
)
LONGEST_TEXT = 1_000_000  # that a multiplication may make
READERS = frozenset({"items", "keys", "values", "get"})  # of a mapping
GROWING = frozenset({"center", "format", "indent", "pprint", "replace", "wordwrap", "xmlattr", "urlize"})


class Sandbox(ImmutableSandboxedEnvironment):
    """Environment for templates that nobody has looked through."""

    intercepted_binops = frozenset({"*", "**", "%"})

    def __init__(self, **options: Any) -> None:
        super().__init__(**options)
        self.steps = 0
        self.globals = {"range": self._range, "dict": dict}
        for name in GROWING:
            self.filters.pop(name, None)

    def begin(self) -> None:
        """Another page: its steps are counted from none."""
        self.steps = 0

    def _step(self, count: int = 1) -> None:
        self.steps += count
        if self.steps > MOST_STEPS:
            raise SecurityError("it does more than any page needs")

    def _range(self, *bounds: int) -> range:
        made = range(*bounds)
        self._step(len(made))
        return made

    def is_safe_callable(self, obj: Any) -> bool:
        """Only what a layout has to call."""
        if isinstance(obj, Macro) or obj in (self._range, dict):
            return True
        owner = getattr(obj, "__self__", None)
        ours = type(obj).__module__ == "jinja2.runtime"  # super(), caller(), loop()
        return ours or (isinstance(owner, dict) and getattr(obj, "__name__", "") in READERS)

    def call(self, context: Context, obj: Any, *args: Any, **kwargs: Any) -> Any:
        """A call, counted."""
        self._step()
        return super().call(context, obj, *args, **kwargs)

    def getattr(self, obj: Any, attribute: str) -> Any:
        """`obj.attribute`, counted."""
        self._step()
        return super().getattr(obj, attribute)

    def getitem(self, obj: Any, argument: Any) -> Any:
        """`obj[argument]`, counted."""
        self._step()
        return super().getitem(obj, argument)

    def call_binop(self, context: Context, operator: str, left: Any, right: Any) -> Any:
        """Numbers may be multiplied; texts and lists only to a bounded length; there are no powers, no `%` layouts."""
        self._step()
        numbers = all(isinstance(side, (int, float)) for side in (left, right))
        if operator == "*":
            longest = max((len(s) for s in (left, right) if hasattr(s, "__len__")), default=1)
            most = max((abs(s) for s in (left, right) if isinstance(s, (int, float))), default=1)
            if longest * most <= LONGEST_TEXT or (numbers and most < 1e15):
                return left * right
        elif operator == "%" and numbers:
            return left % right
        raise SecurityError(f"it calculates with {operator} what no page needs")


def with_policy(html: str, policy: str) -> str:
    """A page with the content policy before anything that it could forbid.

    A browser applies every policy it finds, so one of the page's own can only forbid more.
    """
    head, mark, rest = (
        html.partition(">") if html.lstrip().lower().startswith("<!doctype") else ("", "", html)
    )
    return f'{head}{mark}\n<meta http-equiv="Content-Security-Policy" content="{policy}">{rest}'


def render(environment: jinja2.Environment, name: str, **values: object) -> str:
    """A template as a page. Raises LayoutFails where a season's own fails; errors of ours are errors of the program."""
    if not isinstance(environment, Sandbox):
        return environment.get_template(name).render(**values)
    environment.begin()
    try:
        return environment.get_template(name).render(**values)
    except Exception as fault:  # a template can fail in every way a program can
        raise LayoutFails(_told(environment, name, fault)) from fault


class LayoutFails(ValueError):
    """A season's own layout cannot be rendered; carries the problem."""

    def __init__(self, problem: Problem) -> None:
        super().__init__(problem.what)
        self.problem = problem


def _told(environment: Sandbox, name: str, fault: Exception) -> Problem:
    """Where a template failed: its innermost line that is on the way to the fault."""
    file, line = _file_of(environment, name), getattr(fault, "lineno", None)
    step = fault.__traceback__
    while step is not None:
        place = step.tb_frame.f_code.co_filename
        if place.endswith(".html"):
            file, line = place, step.tb_lineno
        step = step.tb_next
    reason = " ".join(str(fault).split())[:200] or type(fault).__name__
    return Problem(
        file=file, line=line, what=f"cannot be rendered: {reason}.",
        remedy="Mend it, or take it away to have the built-in layout.",
    )  # fmt: skip


def _file_of(environment: Sandbox, name: str) -> str:
    loader = environment.loader
    try:
        found: Callable[..., Any] | None = getattr(loader, "get_source", None)
        return str(found(environment, name)[1]) if found is not None else name
    except (jinja2.TemplateError, OSError, ValueError):
        return str(Path("layouts", name))
