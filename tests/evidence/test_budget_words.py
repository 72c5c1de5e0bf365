"""What the budget tells to improve first: one sentence, from the row that dominates, for every source there is."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from generator.evidence import budget_words
from generator.evidence.budget_words import advice, dominating, improve_first
from generator.evidence.records import BudgetRow, ResponseSummary
from generator.evidence.summaries import summarise
from generator.intake.rig import CHANNEL_KINDS
from tests.evidence.invented_bench import AT, BASE, KINDS, make_run, response
from tests.evidence.test_sentences import plain_spaces
from tests.rehearsed import rehearse_in_memory

ROOT = Path(__file__).parents[2] / "generator"
MAKERS = {"variable": 2, "_component": 0, "ufloat": -1}  # function -> place of the source among its arguments


def sources_in_code() -> Iterator[tuple[str, str]]:
    """(file, source) for every source that reduction and evidence write out, "{...}" filled with a word.

    Looked at: what `variable` and `_component` are given, `source=` and `name=` of components and contributions, and
    what generators of (source, ...) yield; names of constants are looked up in their module.
    """
    for file in sorted([*(ROOT / "reduction").glob("*.py"), *(ROOT / "evidence").glob("*.py")]):
        if file.name in ("budget_words.py", "budget.py", "records.py"):
            continue
        tree = ast.parse(file.read_text(encoding="utf-8"))
        constants = {
            target.id: node.value
            for node in tree.body
            if isinstance(node, ast.Assign)
            for target in node.targets
            if isinstance(target, ast.Name)
        }
        for node in ast.walk(tree):
            found: list[ast.expr] = []
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
                place = MAKERS.get(node.func.id, -1)
                if 0 <= place < len(node.args):
                    found.append(node.args[place])
                if node.func.id in ("Component", "Contribution", "variable"):
                    found += [k.value for k in node.keywords if k.arg in ("source", "name")]
            elif isinstance(node, ast.Yield) and isinstance(node.value, ast.Tuple) and file.name == "soak.py":
                found.append(node.value.elts[0])
            for expression in found:
                for text in texts_of(expression, constants):
                    yield file.name, text


def texts_of(expression: ast.expr, constants: dict[str, ast.expr]) -> list[str]:
    """What an expression can be, as far as it is written out."""
    if isinstance(expression, ast.Name) and expression.id in constants:
        expression = constants[expression.id]
    if isinstance(expression, ast.IfExp):
        return [*texts_of(expression.body, constants), *texts_of(expression.orelse, constants)]
    if isinstance(expression, ast.Constant) and isinstance(expression.value, str):
        return [expression.value]
    if isinstance(expression, ast.JoinedStr):
        text = "".join(
            str(part.value) if isinstance(part, ast.Constant) else sample_of(part)
            for part in expression.values
        )
        return [text] if text not in ("thrust", "scatter") else []
    return []


def sample_of(part: ast.expr) -> str:
    """A word for what stands in braces: a source itself is taken for the scatter, anything else for a channel."""
    inner = part.value if isinstance(part, ast.FormattedValue) else part
    return "scatter" if isinstance(inner, ast.Name) and inner.id == "source" else "thrust"


def test_every_source_that_the_code_names_has_advice() -> None:
    found = set(sources_in_code())
    names = {name for _, name in found}
    # the search itself works: one of each way a source comes about
    assert {
        "scatter", "scatter between runs", "scatter within the run", "thrust gain", "thrust calibration age",
        "thrust lag", "zero noise", "thrust zero drift", "wiring resistance", "air temperature",
        "setpoint miss (thrust)", "interpolation", "speed noise",
        "thermal fit", "motor temperature lag",
    } <= names  # fmt: skip
    for file, name in sorted(found):
        try:
            advice(name)
        except KeyError:
            pytest.fail(f"{file}: the source '{name}' has no advice in budget_words.py")


@pytest.mark.parametrize(
    ("session", "procedures"),
    [
        ("cell-count-capped", ("hold", "spin-up")),
        ("switching-frequency", ("soak",)),
        ("two-or-three-blades", ("staircase",)),
    ],
)
def test_every_source_of_a_rehearsed_session_has_advice(session: str, procedures: tuple[str, ...]) -> None:
    analysis = rehearse_in_memory(session, 101, procedures).analysis
    names = {c.source for run in analysis.runs for r in run.responses for c in r.components}
    names |= {row.source for summary in analysis.responses for row in summary.budget}
    assert len(names) > 5
    for name in names:
        assert advice(name).do
    for summary in analysis.responses:
        said = improve_first(summary.budget)
        assert said.endswith(".")
        assert said.count(". ") == 0  # one sentence


def test_every_rule_is_reached_and_reads_as_a_sentence() -> None:
    channels = [name.replace("_", " ") for name in CHANNEL_KINDS]
    names = [
        "scatter between runs", "scatter", "scatter within the run", "scatter of the check standard", "time gain",
        *(f"{c} {end}" for c in channels if c != "time" for end in ("gain", "offset", "calibration age", "lag")),
        "thrust zero drift", "zero drift", "zero noise", "resolution", "wiring resistance", "air temperature",
        "air density", "setpoint miss (4S)", "sampling", "interpolation", "state levels", "speed noise",
        "hysteresis", "thrust calibration residual", "thermal fit",
        "winding temperature", "model misfit", "bridge loss", "throttle as duty", "terminal resistance of heron",
        "speed logger clock",
    ]  # fmt: skip
    reached = set()
    for name in names:
        told = advice(name)
        reached.add(next(p for p, _ in budget_words._RULES if re.fullmatch(p, name)))
        assert told.what[0].islower()
        assert not told.do.endswith(".")
        assert "{" not in told.what + told.do
    assert reached == {pattern for pattern, _ in budget_words._RULES}
    with pytest.raises(KeyError, match="no advice for the source 'moonlight'"):
        advice("moonlight")


def summary_of(*rows: tuple[str, float, bool]) -> ResponseSummary:
    return ResponseSummary(
        key="k", response="thrust", treatment=BASE, at=AT, value=1.0, unit="gf", standard_uncertainty=1.0, dof=3.0,
        per_run=(),
        budget=tuple(BudgetRow(source=s, standard_uncertainty=v**0.5, share=v, shared=same) for s, v, same in rows),
    )  # fmt: skip


def test_the_dominating_source_its_share_and_what_to_do() -> None:
    gain = summary_of(("thrust gain", 0.81, True), ("scatter between runs", 0.19, False))
    assert plain_spaces(improve_first(gain.budget)) == (
        "The gain of the thrust dominates the uncertainty, with 81 % of the variance: calibrate the thrust channel; "
        "it is the same in every run of the session, so repeats do not lessen it."
    )
    scatter = summary_of(
        ("thrust gain", 0.4, True), ("scatter between runs", 0.45, False), ("resolution", 0.15, False)
    )
    assert plain_spaces(improve_first(scatter.budget)) == (
        "The scatter between runs is the largest part of the uncertainty, with 45 % of the variance: make more "
        "repeats; four times as many halve it."
    )
    row = dominating(scatter.budget)
    assert row is not None
    assert row.source == "scatter between runs"
    assert dominating(summary_of().budget) is None
    assert "names no uncertainty" in improve_first(summary_of(("resolution", 0.0, False)).budget)


def test_from_runs_to_the_sentence() -> None:
    for scatter_gf, first in ((0.1, "The gain of the thrust"), (30.0, "The scatter between runs")):
        runs = [
            make_run(
                BASE,
                order,
                response("thrust", 500.0 + scatter_gf * (-1) ** order, AT, shared={"thrust gain": 2.5}),
            )
            for order in range(1, 5)
        ]
        (summary,) = summarise(runs, KINDS)
        assert improve_first(summary.budget).startswith(f"{first} dominates the uncertainty")
