"""A season with a session of free runs and one of ramps, for tests. All invented.

The second motor of the free runs has a bearing that drags; the second propeller of the ramps has less pitch.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from generator.evidence.aircraft import hover_thrusts_n
from generator.evidence.assess import assess
from generator.evidence.records import SessionAnalysis
from generator.intake.log_records import SIMULATED_MARK, BenchLog, LogDialect
from generator.intake.reference_texts import load_caution_texts, load_thresholds
from generator.intake.season import load_season
from generator.planning.rehearsal_file import load_rehearsal
from generator.planning.rehearse import simulate_session, true_responses
from generator.reduction.procedures import PROCEDURES, contracts, response_kinds
from generator.reduction.records import At, Setup
from generator.reduction.run import air_state, reduce_run
from tests.conftest import ROOT
from tests.seasons import SEASON

RIG = """\
label: Test stand
channels:
  time: {column: t, unit: s}
  throttle: {column: cmd, idle: 1000, full: 2000}
  speed: {column: n, unit: rpm, gain_uncertainty: 0.05 %, lag: 20 ms}
  thrust: {column: f, unit: gf, gain_uncertainty: 0.5 %, resolution: 0.1 gf, lag: 40 ms}
  voltage: {column: u, unit: V, gain_uncertainty: 0.2 %}
  current: {column: i, unit: A, gain_uncertainty: 0.4 %, lag: 20 ms}
  motor_temperature: {column: tm, unit: degC, offset_uncertainty: 0.5 K}
wiring: {resistance: 8 mohm, resistance_uncertainty: 1 mohm}
"""
PARTS = {
    "reed": "kind: motor\nlabel: Reed\nkv: 1750 rpm/V\npole_pairs: 7\nrated_cells: 4\nmass: 30 g\n"
    "terminal_resistance: 80 mohm\nfree_run_current: 0.8 A\nfree_run_voltage: 15 V\nspeed_limit: 26000 rpm\n",
    "rush": "kind: motor\nlabel: Rush\nkv: 1750 rpm/V\npole_pairs: 7\nrated_cells: 4\nmass: 30 g\n"
    "terminal_resistance: 80 mohm\nfree_run_current: 0.8 A\nfree_run_voltage: 15 V\nspeed_limit: 26000 rpm\n",
    "brook": "kind: controller\nlabel: Brook\nrated_cells: 4\ncontinuous_current: 30 A\n",
    "leaf": "kind: propeller\nlabel: Leaf\ndiameter: 5.1 in\nblades: 3\npitch: 4 in\nspeed_limit: 25000 rpm\n",
    "petal": "kind: propeller\nlabel: Petal\ndiameter: 5.1 in\nblades: 3\npitch: 3.5 in\nspeed_limit: 25000 rpm\n",
    "bench-supply": "kind: supply\nlabel: Bench supply\nvoltage: 30 V\ncurrent_limit: 60 A\n",
    "pond-4s": "kind: pack\nlabel: Pond\ncells: 4\ncapacity: 1300 mAh\nmass: 160 g\ninternal_resistance: 12 mohm\n",
}
SUPPLY = "supply: bench-supply, cells: 4, volts_per_cell: 4.0 V"
BY_THROTTLE = """\
free-run: {throttle: [30 %, 45 %, 60 %, 75 %, 90 %, 100 %], hold: 2 s, average: 1 s,
             read_at: [10000 rpm, 18000 rpm, 25000 rpm]}"""
BY_SPEED = "free-run: {speed: [9000 rpm, 15000 rpm, 21000 rpm], hold: 2 s, average: 1 s}"
BELOW_FULL = """\
free-run: {throttle: [30 %, 45 %, 60 %, 75 %, 90 %], hold: 2 s, average: 1 s, read_at: [10000 rpm, 18000 rpm]}"""
FREE_RUNS = f"""\
title: Does the second motor drag?
question: Does the rush take more than the reed to turn itself?
date: 2031-07-02
rig: stand
air: {{{{temperature: 20 degC, pressure: 1004 hPa, humidity: 46 %}}}}
baseline: reed
treatments:
  reed: {{{{label: Reed, motor: reed, controller: brook, propeller: leaf, {SUPPLY}}}}}
  rush: {{{{label: Rush, motor: rush, controller: brook, propeller: leaf, {SUPPLY}}}}}
primary: [drag_torque]
matters: {{{{drag_torque: 5 %, free_run_current: 5 %, free_run_power: 5 %, effective_kv: 1 %}}}}
procedures:
  {{procedure}}
runs:
{{runs}}"""
FREE_RUNS_TRUTH = """\
seed: 5
sampling: 200 Hz
motors:
  reed: {kv: 1712 rpm/V}
  rush: {kv: 1765 rpm/V, bearing_torque: 0.4 mN*m}
"""
RAMPS = f"""\
title: Does less pitch cost thrust?
question: Which propeller gives more thrust for the power?
date: 2031-07-03
rig: stand
air: {{{{temperature: 20 degC, pressure: 1004 hPa, humidity: 46 %}}}}
baseline: leaf
treatments:
  leaf: {{{{label: Leaf, motor: reed, controller: brook, propeller: leaf, {SUPPLY}}}}}
  petal: {{{{label: Petal, motor: reed, controller: brook, propeller: petal, {SUPPLY}}}}}
primary: [electrical_power]
matters: {{{{electrical_power: 3 %, thrust: 3 %, speed: 1 %}}}}
procedures:
  ramp: {{{{from: 15 %, to: 90 %, up: {{up}}, compare_at: {{{{thrust: [200 gf, 400 gf], speed: [12000 rpm],
         throttle: [50 %]}}}}}}}}
runs:
{{runs}}"""
RAMPS_TRUTH = """\
seed: 5
sampling: 200 Hz
"""


def runs_of(procedure: str, names: tuple[str, str], repeats: int) -> str:
    """`runs:` of both treatments in turn."""
    lines = []
    for repeat in range(1, repeats + 1):
        for name in names if repeat % 2 else names[::-1]:
            number = len(lines) + 1
            lines.append(
                f"  - {{log: logs/{number:02d}-{procedure}.csv, procedure: {procedure}, treatment: {name}, "
                f"repeat: {repeat}, block: {repeat}}}\n"
            )
    return "".join(lines)


def write_sweep_season(
    folder: Path, *, procedure: str = BY_THROTTLE, up: str = "12 s", repeats: int = 2
) -> Path:
    """The season without logs; returns its folder. Sessions: `bearings` and `pitches`, with their hidden truths."""
    for name in ("rigs", "parts", "bearings/logs", "pitches/logs"):
        (folder / name).mkdir(parents=True)
    free_runs = FREE_RUNS.format(procedure=procedure, runs=runs_of("free-run", ("reed", "rush"), repeats))
    ramps = RAMPS.format(up=up, runs=runs_of("ramp", ("leaf", "petal"), repeats))
    texts = {
        "season.yaml": SEASON,
        "rigs/stand.yaml": RIG,
        **{f"parts/{name}.yaml": text for name, text in PARTS.items()},
        "bearings/session.yaml": free_runs,
        "bearings/rehearsal.yaml": FREE_RUNS_TRUTH,
        "bearings/conclusion.md": "The rush drags.\n",
        "pitches/session.yaml": ramps,
        "pitches/rehearsal.yaml": RAMPS_TRUTH,
        "pitches/conclusion.md": "The petal gives less thrust.\n",
    }
    for name, text in texts.items():
        (folder / name).write_text(text, encoding="utf-8")
    return folder


@dataclass(frozen=True)
class Swept:
    """One rehearsed session with its analysis and the true value of (response, at, treatment)."""

    analysis: SessionAnalysis
    truth: dict[tuple[str, At, str], float]


def sweep_in_memory(folder: Path, session_id: str, seeds: tuple[int, ...]) -> list[Swept]:
    """A session of the season simulated with each seed and analysed as if it had been read from logs."""
    season = load_season(folder, contracts(), logs_needed=False)
    session = next(session for session in season.sessions if session.id == session_id)
    rehearsal = load_rehearsal(folder / session_id / "rehearsal.yaml")
    truth = {(t.response, t.at, t.treatment): t.value for t in true_responses(season, session, rehearsal)}
    texts = load_caution_texts([ROOT / "content" / "cautions"])
    thresholds = load_thresholds([ROOT / "shared"])
    air, made = air_state(session.file.air), []
    for seed in seeds:
        simulated = simulate_session(season, session, rehearsal, seed=seed)
        reduced = []
        for order, run in enumerate(session.file.runs, start=1):
            treatment = session.file.treatments[run.treatment]
            setup = Setup(
                treatment=treatment, motor=season.motor(treatment), controller=season.controller(treatment),
                propeller=season.propeller(treatment), source=season.source(treatment), rig=session.rig, air=air,
                date=session.file.date, hover_thrusts_n=hover_thrusts_n(session, season),
            )  # fmt: skip
            frame = simulated[run.id].logged
            log = BenchLog(
                path=run.log, sha256="0" * 64, frame=frame, columns=(), rows=len(frame), simulated=SIMULATED_MARK,
                dialect=LogDialect(container="text", encoding="utf-8", delimiter=",", decimal=".", header_line=1),
            )  # fmt: skip
            plan, procedure = session.plans[run.procedure], PROCEDURES[run.procedure]
            reduced.append(reduce_run(log, run, order, setup, plan, procedure))
        found = assess(session, season, tuple(reduced), response_kinds(), texts, thresholds, air)
        made.append(Swept(analysis=found, truth=truth))
    return made
