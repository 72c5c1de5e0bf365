"""The demo season: sound, marked as simulated, and what its own rehearsal makes of it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from generator.intake.calibrations import uncalibrated
from generator.intake.logs import read_log
from generator.intake.season import load_season, log_file
from generator.intake.session import Season
from generator.planning.log_writer import is_simulated
from generator.planning.rehearsal_file import load_rehearsal
from generator.planning.rehearse import check_names, simulate_session, true_responses
from generator.reduction.procedures import contracts

DEMO = Path(__file__).resolve().parents[2] / "demo_sessions"
SESSIONS = (
    "pitch-sweep",
    "cell-count-capped",
    "switching-frequency",
    "two-or-three-blades",
    "matched-motors",
    "worn-bearing",
    "cold-pack",
    "load-cell",
    "bearing-bare",
    "second-winter",
    "balanced-propeller",
    "nicked-propeller",
)  # fmt: skip


@pytest.fixture(scope="module")
def season() -> Season:
    return load_season(DEMO, contracts())


def test_the_twelve_sessions_are_there_and_say_they_are_invented(season):
    assert tuple(session.id for session in season.sessions) == SESSIONS
    assert season.file.notice is not None
    assert "invented" in season.file.notice
    assert "simulated" in season.file.notice
    for part in season.parts.values():
        assert part.notes is not None
        assert part.notes.startswith("Invented"), part.id


def test_every_log_says_it_is_simulated_and_none_is_left_over(season):
    listed = {
        log_file(season, session.id, run.log) for session in season.sessions for run in session.file.runs
    }
    there = {file for session in season.sessions for file in (DEMO / session.id / "logs").iterdir()}
    assert there == listed
    assert all(is_simulated(file) for file in listed)
    assert sum(file.stat().st_size for file in listed) < 12e6
    endings = {".".join(file.name.split(".")[1:]) for file in listed}
    assert {"csv", "csv.gz", "csv.zst", "parquet"} <= endings


def test_one_rig_writes_semicolons_and_decimal_commas(season):
    lines = (DEMO / "switching-frequency" / "logs" / "01-hold-f24-1.csv").read_bytes().split(b"\r\n")
    assert lines[0].startswith(b"# SIMULATED")
    assert lines[2].count(b";") == 9
    assert lines[10].count(b",") >= 8
    assert b"." not in lines[10]


@pytest.mark.parametrize(
    "name",
    [
        "cell-count-capped",
        "matched-motors",
        "worn-bearing",
        "cold-pack",
        "pitch-sweep",
        "load-cell",
        "nicked-propeller",
    ],
)
def test_the_logs_are_what_the_rehearsal_makes(season, name):
    session = next(session for session in season.sessions if session.id == name)
    rehearsal = load_rehearsal(DEMO / name / "rehearsal.yaml")
    check_names(season, session, rehearsal, "rehearsal.yaml")
    # the third is the one with a fault, or the Parquet one, or a run of the check standard
    wanted = [session.file.runs[0], session.file.runs[2]]
    made = simulate_session(season, session, rehearsal, runs=[run.id for run in wanted])
    for run in wanted:
        pole_pairs = season.motor(session.file.treatments[run.treatment or session.file.baseline]).pole_pairs
        file = log_file(season, session.id, run.log)
        # runs with known loads are read without the record that they gave
        rig = uncalibrated(session.rig) if run.procedure == "zero" else session.rig
        log = read_log(file, shown=run.log, path=run.log, rig=rig, pole_pairs=pole_pairs)
        expected = made[run.id].logged
        assert len(log.frame) == len(expected)
        expected["time_s"] -= expected["time_s"].iloc[0]  # the reading starts the time at its first row
        for column in log.frame.columns:
            # equal but for a last digit that another mathematics library may round the other way
            off = np.abs(log.frame[column].to_numpy() - expected[column].to_numpy())
            scale = np.nanmax(np.abs(expected[column].to_numpy())) + 1e-9
            assert float(np.nanmean(off > 1e-6 * scale)) < 0.01, (run.id, column)


def test_the_hidden_truth_is_the_story_that_the_season_tells(season):
    def share(
        name: str, procedure: str, response: str, at: tuple[tuple[str, float], ...], treatment: str
    ) -> float:
        """True difference to the baseline, as a share of it."""
        session = next(session for session in season.sessions if session.id == name)
        values = {
            r.treatment: r.value
            for r in true_responses(
                season, session, load_rehearsal(DEMO / name / "rehearsal.yaml"), step_s=0.002
            )
            if (r.procedure, r.response, r.at) == (procedure, response, at)
        }
        return values[treatment] / values[session.file.baseline] - 1.0

    fast = (("speed_rpm", 16000.0),)
    assert share("cell-count-capped", "hold", "electrical_power", fast, "five-cell") > 0.02
    assert share("cell-count-capped", "spin-up", "rise_time", fast, "five-cell") < -0.1
    assert (
        abs(share("matched-motors", "hold", "electrical_power", (("speed_rpm", 18000.0),), "five-cell"))
        < 0.006
    )
    assert 0.0 < share("worn-bearing", "hold", "electrical_power", fast, "worn") < 0.02
    at_200 = (("thrust_gf", 200.0),)
    assert abs(share("two-or-three-blades", "staircase", "electrical_power", at_200, "three-blades")) < 0.03
    assert share("cold-pack", "staircase", "thrust", (("throttle_percent", 80.0),), "cold") < -0.03
