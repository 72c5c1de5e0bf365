"""Every kind of figure is held against the Vega-Lite schema that Altair carries: here and not at each render.

Figures are made with Altair's own validation switched off (`publication.session_figures`), so a kind without such a
test would be held against nothing.
"""

from __future__ import annotations

import ast
import dataclasses
from pathlib import Path

import altair as alt
import numpy as np
import pandas as pd
import pytest
from jsonschema import ValidationError

from generator.figures.calibration_chart import Residual, calibration_residuals
from generator.figures.drain_chart import OPEN_CIRCUIT, RESISTANCE, drain_course
from generator.figures.free_run_chart import CURRENT, DOUBT, LINE, free_run_line
from generator.figures.records import Figure
from tests.conftest import ROOT
from tests.factory_runs import hold_run
from tests.figures.chart_reading import assert_sound

TIME = np.linspace(0.0, 60.0, 61)
RUN = hold_run(run_id="01", treatment="a", place=0, repeat=1, order=1)


def drained() -> Figure | None:
    """A drain with a step of the load every ten seconds."""
    steps = np.where(TIME % 10 == 0, 0.06, np.nan)
    fitted = pd.DataFrame({"time_s": TIME, OPEN_CIRCUIT: 16.0 - TIME / 60, RESISTANCE: steps})
    trace = pd.DataFrame({"time_s": TIME, "voltage_v": 15.5 - TIME / 60})
    return drain_course(
        dataclasses.replace(RUN, procedure="drain", trace=trace, fitted=fitted, fits=(("cut_off_v", 13.6),))
    )


def free_run() -> Figure | None:
    """Four speeds and the line through them."""
    speed = np.array([9e3, 1.2e4, 1.5e4, 1.8e4])
    fitted = pd.DataFrame({"speed_rpm": speed, CURRENT: speed / 2e4, DOUBT: 0.01, LINE: speed / 2e4})
    return free_run_line(dataclasses.replace(RUN, procedure="free-run", fitted=fitted))


def residuals() -> Figure | None:
    """Loads put on and taken off."""
    points = [
        Residual(load=load, left_over=0.1 * (-1) ** place, line_u=0.05, way="up" if place < 4 else "down")
        for place, load in enumerate((0.0, 100.0, 200.0, 300.0, 300.0, 200.0, 100.0, 0.0))
    ]
    return calibration_residuals(points, name="residuals", channel="thrust", unit="gf", residual_sd=0.1)


@pytest.mark.parametrize("made", [drained, free_run, residuals])
def test_specification_is_valid(made) -> None:  # type: ignore[no-untyped-def]
    figure = made()
    assert figure is not None
    assert_sound(figure)


def test_a_wrong_specification_is_noticed() -> None:
    figure = free_run()
    assert figure is not None
    layers = [{**layer, "mark": {"type": "smear"}} for layer in figure.spec["layer"]]
    with pytest.raises(ValidationError):
        alt.LayerChart.validate({**figure.spec, "layer": layers})


def figure_functions() -> list[str]:
    """Every public function of `generator.figures` that gives a figure."""
    return [
        node.name
        for file in sorted((ROOT / "generator" / "figures").glob("*.py"))
        for node in ast.parse(file.read_text(encoding="utf-8")).body
        if isinstance(node, ast.FunctionDef)
        and not node.name.startswith("_")
        and node.returns is not None
        and "Figure" in ast.unparse(node.returns)
    ]


def validated_by(file: Path) -> set[str]:
    """Figure functions that a test file calls, if it holds specifications against the schema at all."""
    tree = ast.parse(file.read_text(encoding="utf-8"))
    called = {node.func for node in ast.walk(tree) if isinstance(node, ast.Call)}
    names = {func.id if isinstance(func, ast.Name) else getattr(func, "attr", "") for func in called}
    return names if names & {"assert_sound", "from_dict"} else set()


def test_each_kind_of_figure_is_validated_somewhere() -> None:
    functions = figure_functions()
    assert len(functions) >= 14
    validated = set().union(*(validated_by(file) for file in Path(__file__).parent.glob("test_*.py")))
    assert [name for name in functions if name not in validated] == []
