"""Second layer of the coverage study: simulated logs with a known truth through reduction and evidence.

Small sessions on the rigs, parts and hidden truths of the demo season. Gains, offsets and wiring are drawn once a
session from what the rig file states; scatter, zeros and noise are drawn for each run. The runs are short so that
a thousand sessions can be made in minutes.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cache
from typing import Any, Literal

import numpy as np

from generator.evidence.assess import assess
from generator.evidence.contrast_statistics import coverage_factor
from generator.evidence.records import SessionAnalysis
from generator.evidence.verdicts import DIRECTIONS, NO_DIFFERENCE, direction
from generator.intake.log_records import SIMULATED_MARK, BenchLog, LogDialect
from generator.intake.reference_texts import load_caution_texts, load_thresholds
from generator.intake.season import load_season
from generator.intake.session import Margin, Run, Season, Session
from generator.planning.rehearsal_file import Drift, Rehearsal, TreatmentTruth, load_rehearsal
from generator.planning.rehearse import simulate_session, true_responses
from generator.reduction.procedures import PROCEDURES, contracts, response_kinds
from generator.reduction.records import At, Setup
from generator.reduction.run import air_state, reduce_run
from tests.benchmarks.coverage_invented import method_of
from tests.benchmarks.coverage_tally import Row, Tally
from tests.conftest import DEMO, ROOT

Truth = Mapping[tuple[str, At, str], float]
Effects = Literal["none", "some", "margin"]
PLAIN, OTHER = "plain", "other"
REPEATS = (2, 3, 4, 6)
NOISE = (0.3, 1.0, 3.0)  # over the scatter of the demo season
DESIGNS = ("unpaired", "blocks", "drift")
EFFECTS: tuple[Effects, ...] = ("none", "some", "margin")


@dataclass(frozen=True, slots=True, kw_only=True)
class Short:
    """A short session.

    demo         session of the demo season whose rig, air and hidden truth it takes
    treatment    the demo's treatment that both sides are made of
    against      another of the demo's treatments for the other side, or None for the same
    procedure, plan  as in session.yaml
    truth        what is different on the other side where there is an effect
    primary      response that is primary; the others are exploratory
    sampling_hz, step_s  of the logs and of the simulation
    """

    demo: str
    treatment: str
    against: str | None = None
    procedure: str
    plan: Mapping[str, Any]
    truth: Mapping[str, float]
    primary: str
    sampling_hz: float = 80.0
    step_s: float = 0.002


HOLD = {"speed": ["9000 rpm"], "settle": "0.4 s", "window": "1 s"}
LOFT = Short(
    demo="cell-count-capped", treatment="four-cell", procedure="hold", plan=HOLD,
    truth={"electrical_power": 1.02, "thrust": 0.985}, primary="electrical_power",
)  # fmt: skip
SHORTS: Mapping[str, Short] = {
    "hold, loft stand": LOFT,
    "hold, four cells and five": replace(LOFT, against="five-cell"),
    "hold, barn stand": replace(LOFT, demo="switching-frequency", treatment="f24"),
    "spin-up": replace(
        LOFT, procedure="spin-up", primary="rise_time", truth={"inertia": 1.06},
        plan={"from": "4000 rpm", "to": ["9000 rpm"], "cycles": 5, "dwell": "0.503 s"},
        sampling_hz=200.0, step_s=0.001,
    ),
    "soak": replace(
        LOFT, procedure="soak", primary="temperature_rise", truth={"cooling": 0.8},
        plan={"speed": "12000 rpm", "on": "2 s", "off": "1 s", "cycles": 3},
    ),
    "staircase": replace(
        LOFT, demo="two-or-three-blades", treatment="two-blades", procedure="staircase",
        plan={
            "throttle": ["20 %", "35 %", "50 %", "65 %"], "step": "1.2 s", "average": "0.5 s",
            "compare_at": {"thrust": ["120 gf"]},
        },
    ),
}  # fmt: skip
AIR = "the air of a rehearsal is just as stated; its stated uncertainty is not drawn"
BOUNDS = "lag and lines between samples enter as bounds of errors that go one way; they are not drawn"
WIDE_REHEARSED: dict[Row, str] = {
    ("mean of a treatment", procedure, response): reason
    for procedure, response, reason in (
        ("soak", "temperature_rise", AIR),
        ("soak", "controller_rise", AIR),
        ("spin-up", "rise_time", BOUNDS),
        ("spin-up", "fall_time", BOUNDS),
    )
}
# Holds are cheap and carry most questions; the others take turns with them.
TURNS = (
    "hold, loft stand", "hold, barn stand", "hold, four cells and five", "spin-up",
    "hold, loft stand", "hold, barn stand", "staircase", "hold, four cells and five", "soak",
)  # fmt: skip


def rehearsed_session(seed: int, index: int) -> Tally:
    """Counts of one session; the same numbers whatever else is run."""
    rng = np.random.default_rng([seed, 3, index])
    name = TURNS[index % len(TURNS)]
    turn = index // len(TURNS)
    effects = EFFECTS[turn % len(EFFECTS)]
    repeats, noise = int(rng.choice(REPEATS)), float(rng.choice(NOISE))
    design = str(rng.choice(DESIGNS))
    analysis, truth = rehearse(
        name, effects, design=design, repeats=repeats, noise=noise,
        drift=0.01 if design == "drift" else 0.0, seed=int(rng.integers(2**31)),
    )  # fmt: skip
    return counted(analysis, truth, name, effects, noise)


def rehearse(
    name: str, effects: Effects, *, design: str, repeats: int, noise: float, drift: float, seed: int
) -> tuple[SessionAnalysis, Truth]:
    """One short session, simulated and analysed, and what is true in it.

    noise  factor on the scatter from run to run; drift  of thrust and shaft power over the session, a share
    """
    season, _ = demo(SHORTS[name].demo)
    session, rehearsal = short_session(name, effects)
    truth = truth_of(name, effects)
    margins = {}
    for response, at, treatment in truth:
        if treatment == OTHER:
            effect = abs(truth[response, at, OTHER] - truth[response, at, PLAIN])
            size = effect if effects == "margin" and effect > 0.0 else 0.02 * abs(truth[response, at, PLAIN])
            margins[response] = Margin(text="invented", absolute=size)
    runs = in_turn(SHORTS[name].procedure, design, repeats, seed)
    file = session.file.model_copy(update={"runs": runs, "design": design})
    session = session.model_copy(update={"file": file, "margins": margins})
    scatter = rehearsal.scatter
    louder = {
        key: noise * getattr(scatter, key) for key in ("thrust", "shaft_power", "kv", "resistance", "speed")
    }
    rehearsal = rehearsal.model_copy(
        update={
            "scatter": scatter.model_copy(update={**louder, "start_temperature_k": 0.3}),
            "drift": Drift.model_construct(thrust=drift, shaft_power=drift, air_temperature_k=0.0),
        }
    )
    return analysed(season, session, rehearsal, seed, SHORTS[name].step_s), truth


def counted(analysis: SessionAnalysis, truth: Truth, name: str, effects: Effects, noise: float) -> Tally:
    """What held in one analysed session."""
    tally = Tally()
    procedure = SHORTS[name].procedure
    null = []
    for c in analysis.contrasts:
        pair = [truth.get((c.response, c.at, side)) for side in (OTHER, PLAIN)]
        if pair[0] is None or pair[1] is None:
            continue
        true, base = pair[0] - pair[1], pair[1]
        held = c.interval[0] <= true <= c.interval[1]
        tally.add(("rehearsed", "difference", procedure, c.response), held)
        if c.primary:
            tally.add(("rehearsed by method", method_of(c), str(min(c.runs))), held)
            tally.add(("rehearsed by noise", procedure, f"{noise:g}"), held)
        if c.relative_interval is not None:
            inside = c.relative_interval[0] <= true / base <= c.relative_interval[1]
            tally.add(("rehearsed", "percentage", procedure, c.response), inside)
        if effects == "margin" and c.primary:
            tally.add(
                ("rehearsed false", f"no difference where it is the margin, {procedure}"),
                c.verdict == NO_DIFFERENCE,
            )
        if true == 0.0:
            null.append(c)
        elif direction(c.verdict):
            tally.add(("rehearsed false", "direction the wrong way round"), direction(c.verdict) * true < 0.0)
    for primary in (True, False):
        members = [c for c in null if c.primary is primary]
        if members:
            family = "primary" if primary else "exploratory"
            false = any(c.verdict in DIRECTIONS for c in members)
            tally.add(("rehearsed false", f"more or less where there is none, {family}"), false)
    for s in analysis.responses:
        true_mean = truth.get((s.response, s.at, s.treatment))
        if true_mean is not None:
            half = coverage_factor(0.95, s.dof) * s.standard_uncertainty
            tally.add(
                ("rehearsed", "mean of a treatment", procedure, s.response), abs(s.value - true_mean) <= half
            )
    return tally


# --- how a short session is made ----------------------------------------------------------------------------


@cache
def _season() -> Season:
    return load_season(DEMO, contracts(), logs_needed=False)


@cache
def demo(session_id: str) -> tuple[Season, Session]:
    season = _season()
    return season, next(session for session in season.sessions if session.id == session_id)


@cache
def short_session(name: str, effects: Effects) -> tuple[Session, Rehearsal]:
    """The short session without runs, and its hidden truth."""
    short = SHORTS[name]
    _, shown = demo(short.demo)
    plain = shown.file.treatments[short.treatment]
    other = shown.file.treatments[short.against or short.treatment]
    treatments = {PLAIN: plain, OTHER: other.model_copy(update={"label": "other"})}
    file = shown.file.model_copy(
        update={
            "baseline": PLAIN, "treatments": treatments, "primary": (short.primary,), "claims": (), "pairs": (),
            "check_standard": None, "runs": (),
        }
    )  # fmt: skip
    plan = PROCEDURES[short.procedure].plan.model_validate(short.plan)
    session = shown.model_copy(update={"file": file, "plans": {short.procedure: plan}, "margins": {}})
    rehearsal = load_rehearsal(DEMO / short.demo / "rehearsal.yaml")
    changed = {} if effects == "none" else {OTHER: TreatmentTruth.model_validate(dict(short.truth))}
    rehearsal = rehearsal.model_copy(
        update={"treatments": changed, "faults": {}, "sampling_hz": short.sampling_hz}
    )
    return session, rehearsal


@cache
def truth_of(name: str, effects: Effects) -> Truth:
    season, _ = demo(SHORTS[name].demo)
    session, rehearsal = short_session(name, effects)
    found = true_responses(season, session, rehearsal, step_s=SHORTS[name].step_s)
    truth = {(true.response, true.at, true.treatment): true.value for true in found}
    for (response, at, treatment), value in tuple(truth.items()):
        power = truth.get(("electrical_power", at, treatment))
        if response == "thrust" and power is not None:
            truth["thrust_per_power", at, treatment] = value / power
    return truth


def in_turn(procedure: str, design: str, repeats: int, seed: int) -> tuple[Run, ...]:
    """In turn and back, A B B A; unpaired runs in an order drawn by lot."""
    order = [
        (treatment, repeat)
        for repeat in range(1, repeats + 1)
        for treatment in ((PLAIN, OTHER) if repeat % 2 else (OTHER, PLAIN))
    ]
    if design == "unpaired":
        order = [order[i] for i in np.random.default_rng([seed, 4]).permutation(len(order))]
    return tuple(
        Run(
            log=f"logs/{place:02d}.csv", procedure=procedure, treatment=treatment, repeat=repeat,
            block=repeat if design == "blocks" else None,
        )
        for place, (treatment, repeat) in enumerate(order, start=1)
    )  # fmt: skip


@cache
def _shipped() -> tuple[Any, Any]:
    return load_caution_texts([ROOT / "content" / "cautions"]), load_thresholds([ROOT / "shared"])


def analysed(
    season: Season, session: Session, rehearsal: Rehearsal, seed: int, step_s: float
) -> SessionAnalysis:
    """Simulated logs in, analysis out, nothing written."""
    simulated = simulate_session(season, session, rehearsal, seed=seed, step_s=step_s)
    air = air_state(session.file.air)
    reduced = []
    for order, run in enumerate(session.file.runs, start=1):
        treatment = session.file.treatments[run.treatment]
        setup = Setup(
            treatment=treatment, motor=season.motor(treatment), controller=season.controller(treatment),
            propeller=season.propeller(treatment), source=season.source(treatment), rig=session.rig, air=air,
            date=session.file.date,
        )  # fmt: skip
        frame = simulated[run.id].logged
        log = BenchLog(
            path=run.log, sha256="0" * 64, frame=frame, columns=(), rows=len(frame), simulated=SIMULATED_MARK,
            dialect=LogDialect(container="text", encoding="utf-8", delimiter=",", decimal=".", header_line=1),
        )  # fmt: skip
        plan = session.plans[run.procedure]
        reduced.append(reduce_run(log, run, order, setup, plan, PROCEDURES[run.procedure]))
    texts, thresholds = _shipped()
    return assess(session, season, tuple(reduced), response_kinds(), texts, thresholds, air)
