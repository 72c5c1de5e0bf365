"""Rehearsed seasons of ten sessions on one rig: a drift is flagged at the right session, a steady rig is not."""

from __future__ import annotations

import datetime
import re
from pathlib import Path

import pytest

from generator.evidence.records import Check
from generator.evidence.rig_history import Chart, ChartPoint, RigHistory, moving_average
from generator.pipeline import Analysed, analyse_season, publish
from generator.publication.control_section import gone_off_since, off_since
from tests.rig_season import session_id, write_rig_season

SEEDS = (1, 2, 3)
STEADY = [0.0] * 10
# Gain of the thrust channel, %: steady for five sessions, then 0.8 % more each session. Invented.
DRIFT = [*([0.0] * 5), *(0.8 * k for k in range(1, 6))]


@pytest.fixture(scope="module", params=SEEDS)
def drifted(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Analysed:
    folder = tmp_path_factory.mktemp("rig") / "season"
    return analyse_season(write_rig_season(folder, DRIFT, request.param))


def history_of(analysed: Analysed) -> RigHistory:
    return analysed.rigs["stand"]


def chart_of(analysed: Analysed, response: str) -> Chart:
    return next(chart for chart in history_of(analysed).charts if chart.response == response)


def notices(analysed: Analysed) -> dict[str, Check]:
    return {
        analysis.session_id: check
        for analysis in analysed.sessions
        for check in analysis.checks
        if check.id == "rig-in-control"
    }


def first_visible(points: tuple[ChartPoint, ...], weight: float) -> int:
    """Place of the first session at which the true drift alone carries value or average over the chart's limit."""
    judged = [place for place, point in enumerate(points) if point.limits is not None]
    true = [DRIFT[place] / 100.0 for place in judged]
    for place, value, average in zip(judged, true, moving_average(true, 0.0, weight), strict=True):
        point = points[place]
        assert point.limits is not None
        assert point.average_limits is not None
        centre = sum(point.limits) / 2.0
        if centre * value > point.limits[1] - centre or centre * average > point.average_limits[1] - centre:
            return place
    raise AssertionError("the drift of this season is never visible")


def test_the_drift_is_flagged_at_the_right_session(drifted: Analysed) -> None:
    points = chart_of(drifted, "thrust").points
    states = [point.state for point in points]
    assert "out of control" not in states[:5]
    flagged = states.index("out of control")
    # scatter of the session moves the signal by one session to either side
    assert abs(flagged - first_visible(points, history_of(drifted).rules.weight)) <= 1
    assert states[flagged:] == ["out of control"] * (10 - flagged)
    assert history_of(drifted).state == "out of control"


def test_power_of_the_same_rig_is_not_flagged(drifted: Analysed) -> None:
    states = {point.state for point in chart_of(drifted, "electrical_power").points}
    assert states == {"baseline", "in control"}


def test_sessions_from_the_signal_on_carry_the_notice(drifted: Analysed) -> None:
    states = [point.state for point in chart_of(drifted, "thrust").points]
    flagged = states.index("out of control")
    found = notices(drifted)
    assert all(session_id(number) not in found for number in range(1, 6))
    outcomes = [found[session_id(number)].outcome for number in range(6, 11)]
    assert outcomes == ["passed"] * (flagged - 5) + ["warned"] * (10 - flagged)
    for analysis in drifted.sessions:
        number = int(analysis.session_id[-2:])
        weakened = {c.response for c in analysis.contrasts if "rig-in-control" in c.weakened_by}
        assert ("thrust" in weakened) == (number > flagged)
        assert "electrical_power" not in weakened


@pytest.mark.parametrize("seed", SEEDS)
def test_a_steady_rig_is_not_flagged(seed: int, tmp_path: Path) -> None:
    analysed = analyse_season(write_rig_season(tmp_path / "season", STEADY, seed))
    assert history_of(analysed).state == "in control"
    for chart in history_of(analysed).charts:
        assert "out of control" not in {point.state for point in chart.points}
    assert {check.outcome for check in notices(analysed).values()} == {"passed"}


def test_pages_of_a_session_after_the_signal_and_of_the_rig_say_so(tmp_path: Path) -> None:
    folder, out = write_rig_season(tmp_path / "season", DRIFT, 1), tmp_path / "site"
    analysed = analyse_season(folder)
    publish(analysed, folder, out, only=session_id(10))
    told = re.compile(
        r"The rig reads its check standard [\d.]+\u00a0% (?:above|below) its baseline"
        r".*check: the rig reads its check standard as before"
    )
    pages = [
        page for page in (out / "sessions").rglob("*.html") if told.search(page.read_text(encoding="utf-8"))
    ]
    assert {page.name for page in pages} >= {"index.html"}
    rig = (out / "rigs" / "stand.html").read_text(encoding="utf-8")
    assert "Out of control:</span> thrust since <a href=" in rig
    for name in ("thrust-9000rpm-control-chart.csv", "thrust-9000rpm-control-chart.vl.json"):
        assert f'href="stand/{name}"' in rig
        assert (out / "rigs" / "stand" / name).is_file()


def test_a_session_that_calibrated_learns_what_has_gone_out_of_control_since(drifted: Analysed) -> None:
    """Not what was so before it, nor what rests on other channels."""
    history = history_of(drifted)
    since = off_since(chart_of(drifted, "thrust")).date
    before, after = since - datetime.timedelta(days=1), since + datetime.timedelta(days=1)
    assert ("thrust", since) in gone_off_since(history, {"thrust"}, before)
    assert ("thrust", since) not in gone_off_since(history, {"thrust"}, since)
    assert gone_off_since(history, {"thrust"}, after) == ()
    assert ("thrust", since) not in gone_off_since(history, {"current"}, before)
    assert gone_off_since(None, {"thrust"}, before) == ()
