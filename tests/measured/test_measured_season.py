"""A season around logs that nobody here made, through the whole pipeline: what the source published comes out.

Files, licence, units and published values: SOURCES.md beside this file.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from markupsafe import escape

import generator
from generator import pipeline
from generator.evidence.records import SessionAnalysis
from generator.reduction.levels import smoothed
from generator.reduction.records import RunReduction
from generator.reduction.transitions import reference_crossing
from tests.publication.site_checks import Page, broken_links, pages_of

SEASON = Path(__file__).parent / "season"
DEG_S_PER_RPM = 6.0  # 360 degrees a turn over 60 seconds a minute

# DCmotor_fomodel_step.csv of the source: alpha in deg/s per volt, tau in s
PUBLISHED_GAIN = 1206.77566127
PUBLISHED_TIME_CONSTANT_S = 0.33546900
GAIN_TOLERANCE = 0.003
SAMPLING_S = 0.02  # the tolerance of the time, too
EDGE_S = 5.0  # first sample with the new voltage


@pytest.fixture(scope="module")
def analysed() -> pipeline.Analysed:
    return pipeline.analyse_season(SEASON)


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The season's site; only the charts are left empty, since no test here looks at them."""
    out = tmp_path_factory.mktemp("measured") / "site"

    def empty(figure_name: str, spec: Mapping[str, Any], title_text: str) -> str:
        return f'<svg viewBox="0 0 1 1" role="img"><title>{escape(title_text)}</title></svg>'

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("generator.publication.figure_blocks.render_svg", empty)
        pipeline.build(SEASON, out)
    return out


def session(analysed: pipeline.Analysed, name: str) -> SessionAnalysis:
    return next(one for one in analysed.sessions if one.session_id == name)


def run(analysis: SessionAnalysis, treatment: str) -> RunReduction:
    return next(one for one in analysis.runs if one.treatment == treatment)


def over(found: RunReduction, column: str, place: int) -> float:
    """Mean of a channel over one of the windows that the reduction averaged."""
    window = [w for w in found.windows if w.kind == "averaged"][place]
    time = found.trace["time_s"].to_numpy()
    inside = (time >= window.start_s) & (time <= window.stop_s)
    return float(np.nanmean(found.trace[column].to_numpy()[inside]))


def test_the_season_is_sound() -> None:
    """No error; what is told is what the data deserve: the voltage is a command, there is one run of each, the
    two set-ups are one motor driven in two ways, and nobody published when the sensors were calibrated."""
    problems = generator.check(SEASON)
    assert [problem for problem in problems if problem.severity == "error"] == []
    told = {(problem.run, problem.kind) for problem in problems if problem.severity != "noted"}
    assert told == {
        ("", "repeats"),
        ("", "treatments"),
        ("", "calibration-date"),
        ("DCmotor_step_open_exp", "supply-voltage"),
        ("DCmotor_prbs_open_exp", "supply-voltage"),
        ("DCmotor_prbs_open_exp", "not settled"),
    }


def test_published_gain_comes_out(analysed: pipeline.Analysed) -> None:
    """Speed over voltage between the two levels, over the windows that the holds were averaged over."""
    found = run(session(analysed, "levels"), "step")
    assert found.refused is None
    volts = {r.at: r.value for r in found.responses if r.response == "voltage"}
    # the voltage is a command: it repeats to the last digit of the file
    assert sorted(volts.values()) == [0.36324835, 0.4375011]
    assert [over(found, "voltage_v", place) for place in (0, 1)] == pytest.approx(sorted(volts.values()))
    rise = (over(found, "speed_rpm", 1) - over(found, "speed_rpm", 0)) * DEG_S_PER_RPM
    gain = rise / (max(volts.values()) - min(volts.values()))
    assert gain == pytest.approx(PUBLISHED_GAIN, rel=GAIN_TOLERANCE)


def test_published_time_constant_comes_out(analysed: pipeline.Analysed) -> None:
    """Time to 1 - 1/e of the step, levels from the averaged windows and instants as everywhere in the package."""
    levels = run(session(analysed, "levels"), "step")
    low, high = (over(levels, "speed_rpm", place) for place in (0, 1))
    time, speed = (levels.trace[column].to_numpy() for column in ("time_s", "speed_rpm"))
    level = low + (1.0 - math.exp(-1.0)) * (high - low)
    start = int(np.searchsorted(time, EDGE_S))
    crossing = reference_crossing(time, smoothed(time, speed), level, rising=True, start=start)
    assert crossing - EDGE_S == pytest.approx(PUBLISHED_TIME_CONSTANT_S, abs=SAMPLING_S)


def test_the_step_is_timed_from_its_command(analysed: pipeline.Analysed) -> None:
    """Half of the step comes a quarter of a second after the voltage; both are read off the file by eye, below.

    At 5.22 s the speed is 128.6 deg/s, at 5.24 s 135.0 deg/s: half way from 89.9 to 179.6 deg/s.
    """
    found = {r.response: r for r in run(session(analysed, "step"), "step").responses}
    assert found["delay_time"].value == pytest.approx(250.0, abs=1000 * SAMPLING_S)
    # 10 % is passed between 5.02 and 5.06 s, 90 % between 5.50 and 5.60 s
    assert 440.0 < found["rise_time"].value < 580.0
    assert found["rise_time"].within_run_uncertainty() < 1000 * SAMPLING_S


def test_steps_of_the_encoder_are_no_spikes_and_no_stuck_sensor(analysed: pipeline.Analysed) -> None:
    for analysis in analysed.sessions:
        for one in analysis.runs:
            kinds = {finding.kind for finding in one.findings if finding.channel == "speed_rpm"}
            assert not kinds & {"spike", "stuck", "clipped"}, one.run_id


def test_random_switching_is_told_for_what_it_is(analysed: pipeline.Analysed) -> None:
    """The log holds many steps that never settle: most are left out and counted, the rest is called doubtful."""
    found = {f.kind: f for f in run(session(analysed, "step"), "switching").findings}
    assert found["unclear step"].count > 10
    assert "left out" in found["unclear step"].sentence
    assert found["not settled"].grade == "doubtful"
    assert "too short" in found["not settled"].sentence


def test_two_logs_prove_nothing(analysed: pipeline.Analysed) -> None:
    analysis = session(analysed, "step")
    assert analysis.contrasts
    assert all(contrast.indicative for contrast in analysis.contrasts)
    assert [claim.outcome for claim in analysis.claims] == ["left open"]
    (repeats,) = (check for check in analysis.checks if check.id == "repeats")
    assert repeats.outcome == "warned"
    assert "No run of random switching is used" in " ".join(session(analysed, "levels").notes)


def test_pages_are_whole_and_tell_the_mess(site: Path) -> None:
    pages = pages_of(site)
    assert broken_links(pages) == []
    words = Page(site, site / "sessions" / "step" / "runs" / "DCmotor_prbs_open_exp.html").words()
    assert "Steps that could not be read and are left out: " in words
    assert "the time comes out too short" in words
    answer = Page(site, site / "sessions" / "step" / "index.html").words()
    assert "indicative, one run each: the data do not settle whether random switching" in answer
    assert "There is only one run each of: spin-up (one step and random switching)." in answer
    levels = Page(site, site / "sessions" / "levels" / "index.html").words()
    assert "No comparison could be made" in levels


def test_raw_logs_lie_beside_the_pages_as_they_were(site: Path) -> None:
    document = json.loads((site / "sessions" / "step" / "results.json").read_text(encoding="utf-8"))
    rows = {entry["path"]: entry["rows"] for entry in document["inputs"]}
    # SOURCES.md of the source: 502 and 4093 rows
    assert rows == {"logs/DCmotor_step_open_exp.csv": 502, "logs/DCmotor_prbs_open_exp.csv": 4093}
    for name in ("DCmotor_step_open_exp.csv", "DCmotor_prbs_open_exp.csv"):
        published = list((site / "sessions" / "step").rglob(name))
        assert [file.read_bytes() for file in published] == [(SEASON / "step" / "logs" / name).read_bytes()]
