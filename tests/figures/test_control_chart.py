"""The control chart of a rig as a figure: marks, limits, words and table from the same points."""

from __future__ import annotations

import altair as alt
import pytest

from generator.evidence.rig_history import rig_history
from generator.figures.control_chart import control_chart
from tests.evidence.invented_bench import KINDS
from tests.evidence.test_rig_history import STEADY, made_of


def figure_of(values: list[float]):  # type: ignore[no-untyped-def]
    (chart,) = rig_history(made_of(values), "stand", KINDS).charts
    titles = {f"s{day:02d}": f"Session {day}" for day in range(len(values))}
    return chart, control_chart(chart, KINDS["thrust"], titles)


def test_specification_is_valid_and_narrow_has_the_same_data() -> None:
    _, figure = figure_of([*STEADY, 400.1, 406.0])
    for spec in (figure.spec, figure.narrow):
        alt.Chart.from_dict(dict(spec), validate=True)
    assert figure.spec["datasets"] == figure.narrow["datasets"]


def test_every_session_is_drawn_and_listed_with_its_state() -> None:
    chart, figure = figure_of([*STEADY, 400.1, 406.0])
    assert list(figure.table["State"]) == [point.state for point in chart.points]
    assert list(figure.table["Session"])[-1] == "Session 6"
    drawn = [row for rows in figure.spec["datasets"].values() for row in rows if "state" in row]
    assert [row["value"] for row in drawn] == pytest.approx([p.value for p in chart.points], abs=0.05)
    limits = [row for rows in figure.spec["datasets"].values() for row in rows if "low" in row]
    assert [row["place"] for row in limits] == [6, 7]


def test_words_name_what_is_out_of_control() -> None:
    assert figure_of([*STEADY, 400.1, 406.0])[1].states.endswith("Out of control: Session 6.")
    assert figure_of([*STEADY, 400.1])[1].states.endswith("No session is out of control.")
    assert figure_of(STEADY)[1].states.endswith("Too few sessions yet to set limits.")
