"""Rehearsed drains and calibrations of known truth: found within the uncertainty that is stated, whatever the seed."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from generator.intake.log_records import SIMULATED_MARK, BenchLog, LogDialect
from generator.intake.season import load_season
from generator.intake.session import Season, Session
from generator.planning.bench_model import SourceModel, source_resistance_ohm
from generator.planning.rehearsal_file import Rehearsal, Scatter, load_rehearsal
from generator.planning.rehearse import simulate_session, true_responses
from generator.planning.set_up import ACTIVATION_J_MOL
from generator.reduction.procedures import PROCEDURES, contracts
from generator.reduction.records import RunReduction, Setup
from generator.reduction.run import air_state, reduce_run
from tests.drain_season import CONSTANT, PATTERN, write_drain_season

SEEDS = tuple(range(201, 207))
DRAINS = SEEDS[:4]
NO_SCATTER = Scatter.model_validate(
    dict.fromkeys(("thrust", "shaft_power", "kv", "resistance", "speed", "vibration"), "0 %")
    | {"start_temperature": "0 K"}
)


def opened(folder: Path, session_id: str) -> tuple[Season, Session, Rehearsal]:
    """A session with its truth, without scatter from run to run: what is left is the sensors' and the rig's."""
    season = load_season(folder, contracts(), logs_needed=False)
    session = next(session for session in season.sessions if session.id == session_id)
    hidden = load_rehearsal(folder / session_id / "rehearsal.yaml")
    sources = {
        name: truth.model_copy(update={"state_of_charge_scatter": 0.0})
        for name, truth in hidden.sources.items()
    }
    return season, session, hidden.model_copy(update={"scatter": NO_SCATTER, "sources": sources})


def reductions(season: Season, session: Session, hidden: Rehearsal, seed: int) -> list[RunReduction]:
    """Every run of a session, simulated with a seed and reduced as if it had been read from its log."""
    simulated = simulate_session(season, session, hidden, seed=seed)
    made = []
    for order, run in enumerate(session.file.runs, start=1):
        treatment = session.file.treatments[run.treatment or session.file.baseline]
        frame = simulated[run.id].logged
        setup = Setup(
            treatment=treatment, motor=season.motor(treatment), controller=season.controller(treatment),
            propeller=season.propeller(treatment), source=season.source(treatment), rig=session.rig,
            air=air_state(session.file.air), date=session.file.date,
        )  # fmt: skip
        log = BenchLog(
            path=run.log, sha256="0" * 64, frame=frame, columns=(), rows=len(frame), simulated=SIMULATED_MARK,
            dialect=LogDialect(container="text", encoding="utf-8", delimiter=",", decimal=".", header_line=1),
        )  # fmt: skip
        made.append(
            reduce_run(log, run, order, setup, session.plans[run.procedure], PROCEDURES[run.procedure])
        )
    return made


@pytest.mark.parametrize("procedure", [CONSTANT, PATTERN], ids=["constant", "pattern"])
def test_a_drain_finds_the_pack(tmp_path: Path, procedure: str) -> None:
    """Resistance, charge, energy and time against the bench model's own state; gains are drawn for each seed."""
    shorter = procedure.replace("}", ", window: 1 s}")  # these packs are empty in minutes
    season, session, hidden = opened(
        write_drain_season(tmp_path / "s", procedure=shorter, repeats=1), "packs"
    )
    truth = {(true.response, true.treatment): true.value for true in true_responses(season, session, hidden)}
    assert truth["internal_resistance", "acorn"] > 1.4 * truth["internal_resistance", "thimble"]
    scores: dict[str, list[float]] = {}
    for seed in DRAINS:
        for run in reductions(season, session, hidden, seed):
            assert run.refused is None
            found = {response.response: response for response in run.responses}
            for (name, treatment), true in truth.items():
                if treatment != run.treatment:
                    continue
                parts = found[name].components
                u = math.sqrt(sum(part.contribution**2 for part in parts))
                scores.setdefault(name, []).append((found[name].value - true) / u)
    assert set(scores) == {
        "internal_resistance", "delivered_charge", "delivered_energy", "time_to_cut_off", "pack_temperature_rise",
    }  # fmt: skip
    for name, z in scores.items():
        assert max(map(abs, z)) < 4.0, (name, z)
        assert np.mean(np.abs(z) < 2.0) >= 0.75, (name, z)


def test_the_truth_is_the_resistance_of_the_source_model() -> None:
    """A pack of known resistance at 25 °C has just that; at 20 °C it has more, as the model says."""
    source = SourceModel(
        cells=4, cell_curve=((0.0, 3.0), (1.0, 4.2)), resistance_ohm=0.06, current_limit_a=1e9, capacity_c=360.0,
        state_of_charge=1.0, temperature_k=298.15, activation_j_mol=ACTIVATION_J_MOL, heat_capacity_j_k=60.0,
    )  # fmt: skip
    assert source_resistance_ohm(source, 298.15) == pytest.approx(0.06)
    assert source_resistance_ohm(source, 293.15) > 0.06


def test_contrasts_of_packs_keep_what_both_share_out(tmp_path: Path) -> None:
    """The gains are one unknown for both packs: their share of the difference is their share of a tenth of it."""
    season, session, hidden = opened(write_drain_season(tmp_path / "s", repeats=1), "packs")
    runs = {run.treatment: run for run in reductions(season, session, hidden, 1)}
    gain = {
        name: next(
            part.contribution
            for response in run.responses
            if response.response == "delivered_charge"
            for part in response.components
            if part.source == "current gain"
        )
        for name, run in runs.items()
    }
    assert gain["thimble"] * gain["acorn"] > 0.0
    assert abs(gain["thimble"] - gain["acorn"]) < 0.05 * abs(gain["thimble"])


@pytest.mark.parametrize("error", [-0.04, 0.0, 0.03])
def test_known_loads_find_the_gain_of_the_load_cell(tmp_path: Path, error: float) -> None:
    """A cell whose gain is off by a stated error, with noise, hysteresis and a drifting zero."""
    season, session, hidden = opened(write_drain_season(tmp_path / "s"), "load-cell")
    thrust = hidden.sensors["thrust"].model_copy(update={"gain_error": error})
    hidden = hidden.model_copy(update={"sensors": {**hidden.sensors, "thrust": thrust}})
    z = []
    for seed in SEEDS:
        (run,) = reductions(season, session, hidden, seed)
        fit = run.calibration
        assert fit is not None
        assert len(fit.points) == 9
        u = math.hypot(fit.scatter.gain, fit.loads.gain)
        z.append((fit.gain - 1.0 / (1.0 + error)) / u)
    assert max(map(abs, z)) < 4.0, z
    assert np.mean(np.abs(z) < 2.0) >= 0.6, z
