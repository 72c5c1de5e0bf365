"""Rehearsal of a planned session: simulated runs in memory, or as logs that say they are simulated."""

from __future__ import annotations

import os
import tempfile
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from generator.intake.problems import suggestion
from generator.intake.session import Run, Season, Session
from generator.planning.bench_model import run_bench
from generator.planning.drive_patterns import NoPattern, drive_pattern, require_source, stopped_as_shown
from generator.planning.loads_model import (
    before_own_record,
    loaded_frame,
    with_calibration,
    without_calibration,
)
from generator.planning.log_writer import RehearsalRefused, log_bytes, require_writable
from generator.planning.logger_files import logger_files
from generator.planning.rehearsal_file import Rehearsal, Scatter, TreatmentTruth, load_rehearsal
from generator.planning.sensors import Reading, RigTruth, draw_rig_truth, log_of, true_frame
from generator.planning.set_up import Assumptions, RunDraws, bench_model, without_propeller
from generator.planning.truth import TrueResponse, true_of_treatment
from generator.progress import Progress, counter, quiet
from generator.reduction.calibration_loads import ZeroPlan

STEP_S = 0.001
SOUND_DISTANCE_M = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class SimulatedRun:
    """One rehearsed run.

    logged    house units, as reading its log would give it: `time_s` and one column a channel of the rig
    truth     house units, true values at every step, and `power_w` at the controller
    readings  how each channel is written
    """

    run: Run
    logged: pd.DataFrame
    truth: pd.DataFrame
    readings: Mapping[str, Reading]


@dataclass(frozen=True, slots=True, kw_only=True)
class RehearsalReport:
    """What a rehearsal wrote, with which seed, and what had to be assumed because no part file says it."""

    written: tuple[Path, ...]
    seed: int
    assumed: tuple[str, ...]


def _stream(seed: int, *names: str) -> np.random.Generator:
    """Random numbers of one purpose: the same whatever else is drawn, in whatever order."""
    return np.random.default_rng([seed, *(zlib.crc32(name.encode()) for name in names)])


def _draws(
    rehearsal: Rehearsal, place: float, wiring_ohm: float, charge_sd: float, rng: np.random.Generator
) -> RunDraws:
    """Run-to-run scatter and drift; `place` runs from -0.5 for the first run to 0.5 for the last."""
    scatter, drift = rehearsal.scatter, rehearsal.drift
    z = rng.standard_normal(8)
    return RunDraws(
        thrust=float(1.0 + z[0] * scatter.thrust + place * drift.thrust),
        shaft_power=float(1.0 + z[1] * scatter.shaft_power + place * drift.shaft_power),
        kv=float(1.0 + z[2] * scatter.kv),
        resistance=float(max(0.1, 1.0 + z[3] * scatter.resistance)),
        speed=float(1.0 + z[4] * scatter.speed),
        vibration=float(max(0.05, 1.0 + z[5] * scatter.vibration)),
        start_temperature_k=float(abs(z[6]) * scatter.start_temperature_k),
        air_temperature_k=float(place * drift.air_temperature_k),
        state_of_charge=float(z[7] * charge_sd),
        wiring_ohm=wiring_ohm,
    )


def simulate_session(
    season: Season,
    session: Session,
    rehearsal: Rehearsal,
    *,
    seed: int | None = None,
    runs: Sequence[str] | None = None,
    step_s: float = STEP_S,
    assumed: Assumptions | None = None,
    progress: Progress = quiet,
) -> dict[str, SimulatedRun]:
    """Every run of a session, simulated in memory; nothing is read or written.

    seed     of all random numbers; the rehearsal's own where not given
    runs     ids of the runs wanted; all where not given. A run comes out the same whichever others are asked for
    assumed  collects what had to be assumed
    progress is told how many runs have been simulated
    Returns  run id -> SimulatedRun, in the order of the session
    Raises   RehearsalRefused where a procedure has no pattern
    """
    seed = rehearsal.seed if seed is None else seed
    assumed = Assumptions() if assumed is None else assumed
    shared_rng = _stream(seed, session.id, "rig")
    rig = before_own_record(season, session)
    shared: RigTruth = draw_rig_truth(rig, rehearsal, shared_rng)
    wiring = float(shared_rng.standard_normal()) * session.rig.wiring.resistance_uncertainty_ohm
    made: dict[str, SimulatedRun] = {}
    count = len(session.file.runs)
    one_simulated = counter(progress, "simulating runs", count if runs is None else len(runs))
    for order, run in enumerate(session.file.runs):
        if runs is not None and run.id not in runs:
            continue
        one_simulated()
        rng = _stream(seed, session.id, "run", run.id)
        place = order / (count - 1) - 0.5 if count > 1 else 0.0
        # a run of the stand alone belongs to no treatment; whatever is mounted stands still
        treatment_id = run.treatment or session.file.baseline
        treatment = session.file.treatments[treatment_id]
        source = rehearsal.sources.get(treatment.supply)
        draws = _draws(rehearsal, place, wiring, source.state_of_charge_scatter if source else 0.0, rng)
        model = bench_model(season, session, treatment_id, rehearsal, draws, assumed)
        truth_of_treatment = rehearsal.treatments.get(run.treatment, TreatmentTruth.model_construct())
        plan = session.plans[run.procedure]
        if getattr(plan, "propeller_off", False):
            model = without_propeller(model)
        if isinstance(plan, ZeroPlan):
            hidden = {str(name): truth for name, truth in rehearsal.sensors.items()}.get(plan.channel)
            truth = loaded_frame(
                plan,
                model,
                hysteresis=0.0 if hidden is None or hidden.hysteresis is None else float(hidden.hysteresis),
                background_db=rehearsal.background_sound_db,
                step_s=step_s,
                rng=_stream(seed, session.id, "loads"),
            )
        else:
            try:
                pattern = drive_pattern(plan, draws.speed)
                require_source(plan, season.source(treatment))
            except NoPattern as error:
                raise RehearsalRefused(
                    f"{session.id}/session.yaml",
                    f"{error}.",
                    "Rehearse the other procedures without this run.",
                ) from None
            # whoever watches the voltage sees it as the rig shows it
            shown = (1.0 + shared.gains.get("voltage", 0.0)) * truth_of_treatment.gains.get("voltage", 1.0)
            watched = stopped_as_shown(pattern, shown, shared.offsets.get("voltage", 0.0), model.source.cells)
            truth = true_frame(
                run_bench(model, watched, step_s),
                model,
                vibration=draws.vibration * truth_of_treatment.vibration,
                distance_m=session.rig.sound_distance_m or SOUND_DISTANCE_M,
                background_db=rehearsal.background_sound_db,
            )
        logged, readings = log_of(
            truth,
            rig,
            pole_pairs=season.motor(treatment).pole_pairs,
            rehearsal=rehearsal,
            shared=shared,
            gains={str(name): factor for name, factor in truth_of_treatment.gains.items()},
            faults=rehearsal.faults.get(run.id, ()),
            rng=rng,
        )
        if isinstance(plan, ZeroPlan):
            logged, readings = without_calibration(logged, readings, rig)
        elif rig is not session.rig:
            logged, readings = with_calibration(*without_calibration(logged, readings, rig), session.rig)
        made[run.id] = SimulatedRun(run=run, logged=logged, truth=truth, readings=readings)
    return made


def true_responses(
    season: Season, session: Session, rehearsal: Rehearsal, *, step_s: float = STEP_S
) -> tuple[TrueResponse, ...]:
    """What is true of every treatment in every planned procedure: no sensor errors, no scatter between runs, no drift.

    A gain of a channel that moved, or a propeller swapped by mistake, is part of the hidden truth: the second
    shows in these values, the first does not.
    """
    still = rehearsal.model_copy(update={"scatter": Scatter.model_construct(start_temperature_k=0.0)})
    found: list[TrueResponse] = []
    for treatment in session.file.treatments:
        model = bench_model(season, session, treatment, still, RunDraws(), Assumptions())
        for procedure, plan in session.plans.items():
            bench = without_propeller(model) if getattr(plan, "propeller_off", False) else model
            found += true_of_treatment(bench, procedure, plan, treatment, step_s)
    return tuple(found)


def rehearse(
    season: Season, session_id: str, *, seed: int | None = None, force: bool = False
) -> tuple[Path, ...]:
    """Write a simulated log for every run of a session; the paths written. See `rehearse_session`."""
    return rehearse_session(season, session_id, seed=seed, force=force).written


def rehearse_session(
    season: Season,
    session_id: str,
    *,
    seed: int | None = None,
    force: bool = False,
    progress: Progress = quiet,
) -> RehearsalReport:
    """Write a simulated log for every run of a session, and tell what had to be assumed.

    season      as loaded; `season.folder` says where it is
    seed        of all random numbers; that of rehearsal.yaml, or 1, where not given
    force       replace logs that say they are simulated; measured logs are never replaced
    progress    is told how many runs have been simulated
    Returns     RehearsalReport
    Raises      RehearsalRefused before anything is written; SeasonProblems for faults in rehearsal.yaml
    """
    found = [session for session in season.sessions if session.id == session_id]
    if not found:
        known = ", ".join(session.id for session in season.sessions)
        raise RehearsalRefused(season.folder, f"holds no session '{session_id}'.", f"Known here: {known}.")
    session = found[0]
    folder = Path(season.folder) / session.id
    rehearsal = load_rehearsal(folder / "rehearsal.yaml", f"{season.folder}/{session.id}/rehearsal.yaml")
    check_names(season, session, rehearsal, f"{season.folder}/{session.id}/rehearsal.yaml")
    seed = rehearsal.seed if seed is None else seed
    for run in session.file.runs:
        for log in run.logs:
            require_writable(folder / log, folder, f"{season.folder}/{session.id}/{log}", force=force)
    assumed = Assumptions()
    simulated = simulate_session(season, session, rehearsal, seed=seed, assumed=assumed, progress=progress)
    written: list[Path] = []
    for run in session.file.runs:
        item = simulated[run.id]
        pole_pairs = season.motor(session.file.treatments[run.treatment or session.file.baseline]).pole_pairs
        clocks = _stream(seed, session.id, "loggers", run.id)
        for file in logger_files(run, item.logged, item.readings, session.rig, pole_pairs, clocks):
            content = log_bytes(
                file.frame,
                file.readings,
                file.rig,
                name=file.log,
                seed=seed,
                remarks=(
                    f"{session.rig.label}; {run.procedure}{f' with {run.treatment}' if run.treatment else ''}, "
                    f"repeat {run.repeat}",
                ),
                line_ending="\r\n" if rehearsal.line_ending == "crlf" else "\n",
            )
            _write(folder / file.log, content)
            written.append(folder / file.log)
    return RehearsalReport(written=tuple(written), seed=seed, assumed=tuple(assumed.told))


def check_names(season: Season, session: Session, rehearsal: Rehearsal, shown: str) -> None:
    """Every name in rehearsal.yaml must mean something, or a hidden difference would be lost without a word.

    Raises  RehearsalRefused with the first name that does not
    """
    parts = {kind: [name for name, part in season.parts.items() if part.kind in kinds] for kind, kinds in (
        ("motors", ("motor",)), ("controllers", ("controller",)), ("propellers", ("propeller",)),
        ("sources", ("pack", "supply")),
    )}  # fmt: skip
    channels = list(session.rig.channels.present())
    known: list[tuple[str, Sequence[str], Sequence[str]]] = [
        ("treatments", list(rehearsal.treatments), list(session.file.treatments)),
        ("faults", list(rehearsal.faults), [run.id for run in session.file.runs]),
        ("sensors", list(rehearsal.sensors), channels),
        *((kind, list(getattr(rehearsal, kind)), names) for kind, names in parts.items()),
    ]
    for name, truth in rehearsal.treatments.items():
        known.append((f"treatments.{name}.gains", list(truth.gains), channels))
        known.append(
            (
                f"treatments.{name}.propeller",
                [truth.propeller] if truth.propeller else [],
                parts["propellers"],
            )
        )
    for name, faults in rehearsal.faults.items():
        known.append((f"faults.{name}", [fault.channel for fault in faults if fault.channel], channels))
    for place, words, there in known:
        for word in words:
            if word not in there:
                raise RehearsalRefused(
                    shown, f"{place}: '{word}' is not known here.", suggestion(word, there)
                )


def _write(file: Path, content: bytes) -> None:
    """Whole or not at all: written beside, then renamed."""
    file.parent.mkdir(parents=True, exist_ok=True)
    handle, beside = tempfile.mkstemp(dir=file.parent, prefix=".rehearsal-")
    try:
        with os.fdopen(handle, "wb") as out:
            out.write(content)
        os.chmod(beside, 0o644)
        os.replace(beside, file)
    except BaseException:
        Path(beside).unlink(missing_ok=True)
        raise
