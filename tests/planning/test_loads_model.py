"""A rehearsed stand at rest: the loads it carries, what they truly are, and logs of a channel that is calibrated."""

from __future__ import annotations

import datetime
from pathlib import Path

import numpy as np
import pytest

from generator import pipeline
from generator.intake.calibrations import CalibratedChannel, CalibrationRecord, calibrated
from generator.intake.logs import read_log
from generator.intake.season import load_season
from generator.planning.loads_model import loaded_frame
from generator.planning.rehearsal_file import Rehearsal, load_rehearsal
from generator.planning.rehearse import rehearse_session, simulate_session
from generator.planning.sensors import reading_of
from generator.planning.set_up import Assumptions, RunDraws, bench_model
from generator.reduction.calibration_loads import ZeroPlan
from generator.reduction.procedures import contracts
from tests.drain_season import write_drain_season

GF = 0.00980665
PLAN = ZeroPlan.model_validate(
    {"channel": "thrust", "loads": ["0 gf", "100 gf", "200 gf", "100 gf", "0 gf"], "load_uncertainty": "1 %",
     "settle": "1 s", "window": "2 s"}
)  # fmt: skip


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_drain_season(tmp_path_factory.mktemp("stand") / "season")


def frame(folder: Path, *, hysteresis: float = 0.0, seed: int = 1) -> tuple[np.ndarray, np.ndarray]:
    season = load_season(folder, contracts(), logs_needed=False)
    session = next(session for session in season.sessions if session.id == "load-cell")
    model = bench_model(season, session, "thimble", Rehearsal(), RunDraws(), Assumptions())
    made = loaded_frame(
        PLAN, model, hysteresis=hysteresis, background_db=40.0, step_s=0.01, rng=np.random.default_rng(seed)
    )
    assert (made["speed_rpm"] == 0.0).all()
    return made["time_s"].to_numpy(), made["thrust_n"].to_numpy()


def test_every_load_stays_for_settling_and_window(folder: Path) -> None:
    _, thrust = frame(folder)
    levels, counts = np.unique(np.round(thrust / thrust.max(), 9), return_counts=True)
    long = {float(level): int(count) for level, count in zip(levels, counts, strict=True) if count > 350}
    assert long == {
        0.0: pytest.approx(800, abs=3),
        0.5: pytest.approx(800, abs=3),
        1.0: pytest.approx(400, abs=3),
    }


def test_loads_are_wrong_by_what_their_uncertainty_allows(folder: Path) -> None:
    tops = [frame(folder, seed=seed)[1].max() / (200.0 * GF) - 1.0 for seed in range(40)]
    assert float(np.std(tops)) == pytest.approx(0.01, rel=0.35)


def test_hysteresis_is_a_gap_in_the_middle_and_none_at_the_ends(folder: Path) -> None:
    time, with_gap = frame(folder, hysteresis=0.02)
    _, without = frame(folder)
    gap = with_gap - without
    third = (time > 17.0) & (time < 20.0)  # 100 gf on the way down
    assert gap[third] == pytest.approx(0.02, rel=1e-6)
    assert gap[-1] == pytest.approx(0.0, abs=1e-12)
    assert gap[time < 10.0] == pytest.approx(0.0, abs=1e-12)


def test_a_rehearsed_log_of_a_calibrated_channel_reads_back(tmp_path: Path) -> None:
    """The numbers in the log are the sensor's own; read through the record they are the true values again."""
    folder = write_drain_season(tmp_path / "season")
    season = load_season(folder, contracts(), logs_needed=False)
    rehearse_session(season, "load-cell")
    list(pipeline.calibrate(folder / "load-cell"))
    rig = folder / "rigs" / "stand.yaml"
    text = rig.read_text(encoding="utf-8")
    rig.write_text(
        text.replace("unit: gf,", "unit: gf, calibration: stand-thrust-2031-05-04,"), encoding="utf-8"
    )
    season = load_season(folder, contracts(), logs_needed=False)
    session = next(session for session in season.sessions if session.id == "packs")
    channel = session.rig.channels.thrust
    assert isinstance(channel, CalibratedChannel)
    assert isinstance(channel.used, CalibrationRecord)
    true = np.array([0.0, 1.0, 3.0, 5.0])
    reading = reading_of("thrust", channel, 7)
    number = reading.number(true)
    raw_n = number * GF
    assert channel.used.true(raw_n) == pytest.approx(true, abs=reading.step * GF)
    hidden = load_rehearsal(folder / "packs" / "rehearsal.yaml")
    simulated = simulate_session(season, session, hidden, runs=["01-drain"], step_s=0.004)["01-drain"]
    rehearse_session(season, "packs")
    log = read_log(
        folder / "packs/logs/01-drain.csv", shown="01", path="01", rig=session.rig, pole_pairs=7
    ).frame
    assert log["thrust_n"].max() == pytest.approx(simulated.logged["thrust_n"].max(), rel=0.02)
    before = calibrated(season.rigs["stand"], season.calibrations, datetime.date(2031, 5, 3))
    assert not isinstance(before.channels.thrust, CalibratedChannel)
