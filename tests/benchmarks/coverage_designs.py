"""Invented sessions of reduced runs with a known truth, for the coverage study. No number here was measured.

Each session has eleven responses that differ in what the rig's errors do to them: nothing, the same to every
treatment (they cancel in a difference), or not the same (something remains). The true errors are drawn once a
session from the very distributions that the runs state, the scatter of runs from a normal distribution.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from generator.evidence.records import Contrast
from generator.evidence.repeatability import History, run_scatter
from generator.intake.session import Margin, Session
from generator.reduction.records import RunReduction, RunResponse
from tests.evidence.invented_bench import (
    KINDS,
    at_speed,
    make_run,
    make_session,
    percent_margin,
    response,
    treatment,
    unit_margin,
)

Array = NDArray[np.float64]
Errors = Literal["no rig error", "cancels", "remains"]
Effects = Literal["none", "some", "margin"]
BASE = "base"
LETTERS = ("base", "first", "second", "third")
STANDARD = "standard"
AT = at_speed(9000.0)
TRUE_VALUE = 100.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """One response of the invented sessions and what the rig does to it."""

    name: str
    errors: Errors
    family: Literal["primary", "claimed", "exploratory"]


RESPONSES = (
    Kind(name="electrical_power", errors="remains", family="primary"),
    Kind(name="rise_time", errors="no rig error", family="primary"),
    Kind(name="thrust", errors="cancels", family="claimed"),
    Kind(name="temperature_rise", errors="remains", family="claimed"),
    Kind(name="current", errors="remains", family="exploratory"),
    Kind(name="torque", errors="cancels", family="exploratory"),
    Kind(name="shaft_power", errors="remains", family="exploratory"),
    Kind(name="sound_level", errors="cancels", family="exploratory"),
    Kind(name="top_speed", errors="no rig error", family="exploratory"),
    Kind(name="vibration", errors="no rig error", family="exploratory"),
    Kind(name="voltage", errors="cancels", family="exploratory"),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """How one session is made.

    design         as declared; "found" leaves it to be found from the blocks of the runs
    repeats        runs of each treatment, the baseline first
    noise          scatter of one run of the baseline, as a share of its value
    scatter_ratio  scatter of the other treatments over that of the baseline
    left_over      standard uncertainty that the rig leaves in a difference, over the standard error from scatter
    block_sd       scatter of the blocks, over that of the runs
    drift          change of every response from the first run to the last, over the scatter of the runs
    step           resolution of the readings, over the scatter of the runs; zero for none
    within         what a run states of its own scatter, as a share of the scatter of the runs
    pair           whether the first two treatments are compared with each other, too
    lost           runs that are lost after they were planned
    standards      check-standard runs made on an earlier day
    margin         smallest difference that would matter, over the standard error of a difference
    margins        whether margins are set at all; without them every direction is told, however small
    told           why the intervals of this session need not hold at 95 %; "" where they have to
    """

    design: Literal["unpaired", "blocks", "drift", "found"] = "unpaired"
    repeats: tuple[int, ...] = (4, 4)
    noise: float = 0.005
    scatter_ratio: float = 1.0
    left_over: float = 0.0
    block_sd: float = 0.0
    drift: float = 0.0
    step: float = 0.0
    within: float = 0.2
    pair: bool = False
    lost: int = 0
    standards: int = 0
    effects: Effects = "none"
    margin: float = 4.0
    margins: bool = True
    all_primary: bool = False
    told: str = ""

    @property
    def treatments(self) -> tuple[str, ...]:
        """Names of the treatments, the baseline first."""
        return LETTERS[: len(self.repeats)]


@dataclass(frozen=True, slots=True, kw_only=True)
class Made:
    """A session with its runs and the truth.

    truth    (response, treatment) -> true value, at the middle of a drift and over all blocks
    effects  (response, treatment) -> true difference to the baseline, in margins
    """

    scene: Scene
    session: Session
    runs: tuple[RunReduction, ...]
    history: History
    truth: Mapping[tuple[str, str], float]
    effects: Mapping[tuple[str, str], float]

    def difference(self, contrast: Contrast) -> float:
        """True difference of a contrast."""
        return (
            self.truth[contrast.response, contrast.treatment]
            - self.truth[contrast.response, contrast.baseline]
        )

    def in_margins(self, contrast: Contrast) -> float:
        """Size of the true difference of a contrast, in margins."""
        sides = (contrast.treatment, contrast.baseline)
        treatment, baseline = (self.effects[contrast.response, side] for side in sides)
        return abs(treatment - baseline)


@dataclass(frozen=True, slots=True)
class _Slot:
    """A place in the running order."""

    treatment: str
    repeat: int
    block: int


def make_scene(
    scene: Scene,
    rng: np.random.Generator,
    *,
    delta: float | None = None,
    margin_size: float | None = None,
) -> Made:
    """One session of a scene; the same generator state gives the same session.

    delta, margin_size  true difference and margin of every response in its unit, instead of the scene's own
    """
    order = _running_order(scene, rng)
    sd = dict.fromkeys(scene.treatments, scene.noise * TRUE_VALUE)
    sd |= dict.fromkeys(scene.treatments[1:], sd[BASE] * scene.scatter_ratio)
    margins, truth, effects = _truth(scene, sd, rng, delta, margin_size)
    values, parts = _readings(scene, order, sd, truth, rng)
    lost = set(rng.permutation(len(order))[: scene.lost].tolist())
    runs = tuple(
        make_run(
            slot.treatment, place + 1, *_responses(scene, sd[slot.treatment], values[:, place], parts[place]),
            block=slot.block, repeat=slot.repeat,
        )
        for place, slot in enumerate(order)
        if place not in lost
    )  # fmt: skip
    session = _session(scene, order, margins)
    return Made(
        scene=scene,
        session=session,
        runs=runs,
        history=_history(scene, session, sd[BASE], rng),
        truth=truth,
        effects=effects,
    )


def _running_order(scene: Scene, rng: np.random.Generator) -> list[_Slot]:
    """Blocks in turn and back, A B B A; unpaired runs in an order drawn by lot."""
    names = scene.treatments
    made = []
    for repeat in range(1, max(scene.repeats) + 1):
        row = [name for name, count in zip(names, scene.repeats, strict=True) if repeat <= count]
        made += [_Slot(name, repeat, repeat) for name in (row if repeat % 2 else reversed(row))]
    return [made[i] for i in rng.permutation(len(made))] if scene.design == "unpaired" else made


def _truth(
    scene: Scene,
    sd: Mapping[str, float],
    rng: np.random.Generator,
    delta: float | None,
    margin_size: float | None,
) -> tuple[dict[str, Margin], dict[tuple[str, str], float], dict[tuple[str, str], float]]:
    margins: dict[str, Margin] = {}
    truth: dict[tuple[str, str], float] = {}
    effects: dict[tuple[str, str], float] = {}
    error = (
        sd[BASE]
        * math.sqrt(1.0 / scene.repeats[0] + 1.0 / scene.repeats[-1])
        * math.hypot(1.0, scene.left_over)
    )
    for place, kind in enumerate(RESPONSES):
        size = float(scene.margin * error) if margin_size is None else margin_size
        # half of the margins are written as a share of the baseline, as most testers do
        share = KINDS[kind.name].relative and place % 2 == 0
        margins[kind.name] = (
            percent_margin(size / TRUE_VALUE) if share else unit_margin(size, KINDS[kind.name].unit)
        )
        for name in scene.treatments:
            effect = 0.0
            if name != BASE and scene.effects == "margin":
                effect = float(rng.choice((-1.0, 1.0)))
            elif name != BASE and scene.effects == "some" and rng.random() < 0.5:
                effect = float(rng.choice((-1.0, 1.0)) * rng.uniform(0.3, 3.0))
            if name != BASE and delta is not None:
                effect = delta / size
            effects[kind.name, name] = effect
            truth[kind.name, name] = TRUE_VALUE + effect * size
    return margins, truth, effects


def _readings(
    scene: Scene,
    order: list[_Slot],
    sd: Mapping[str, float],
    truth: Mapping[tuple[str, str], float],
    rng: np.random.Generator,
) -> tuple[Array, list[list[dict[str, float]]]]:
    """Values, shape (responses, runs), and run by run the shared contributions that each response states."""
    count, base = len(order), sd[BASE]
    scatter = np.array([sd[slot.treatment] for slot in order])
    blocks = rng.standard_normal((len(RESPONSES), 1 + max(slot.block for slot in order)))
    block = scene.block_sd * base * blocks[:, [slot.block for slot in order]]
    drift = scene.drift * base * (np.arange(count) / max(count - 1, 1) - 0.5)
    values = np.array([[truth[kind.name, slot.treatment] for slot in order] for kind in RESPONSES])
    values = values + scatter * rng.standard_normal((len(RESPONSES), count)) + block + drift
    true_errors = rng.standard_normal((len(RESPONSES), 3))
    error = base * math.sqrt(1.0 / scene.repeats[0] + 1.0 / scene.repeats[-1])
    parts: list[list[dict[str, float]]] = []
    for place, slot in enumerate(order):
        stated = []
        for row, kind in enumerate(RESPONSES):
            common = 0.0 if kind.errors == "no rig error" else 5.0 * error
            left = scene.left_over * error if kind.errors == "remains" else 0.0
            shared = {
                "thrust gain": common * float(values[row, place]) / TRUE_VALUE,
                "thrust offset": common,
                # such as one error of the current at two voltages: it weighs more on one side
                "current offset": common + left * scene.treatments.index(slot.treatment),
            }
            values[row, place] += float(true_errors[row] @ np.array(list(shared.values())))
            stated.append({name: size for name, size in shared.items() if size != 0.0})
        parts.append(stated)
    if scene.step > 0.0:
        values = np.round(values / (scene.step * base)) * (scene.step * base)
    return values, parts


def _responses(
    scene: Scene, sd: float, values: Array, shared: Sequence[Mapping[str, float]]
) -> list[RunResponse]:
    own = {"resolution": scene.step * scene.noise * TRUE_VALUE / math.sqrt(12.0)} if scene.step else {}
    return [
        response(kind.name, float(value), AT, scatter=scene.within * sd, shared=stated, own=own)
        for kind, value, stated in zip(RESPONSES, values, shared, strict=True)
    ]


def _session(scene: Scene, order: list[_Slot], margins: Mapping[str, Margin]) -> Session:
    more: dict[str, Any] = {} if scene.design == "found" else {"design": scene.design}
    planned = [
        {
            "log": f"logs/{place + 1:02d}.csv", "procedure": "hold", "treatment": slot.treatment,
            "repeat": slot.repeat, "block": slot.block,
        }
        for place, slot in enumerate(order)
    ]  # fmt: skip
    names = {**{name: treatment(name) for name in scene.treatments}, STANDARD: treatment("check standard")}
    primary = [kind.name for kind in RESPONSES if scene.all_primary or kind.family == "primary"]
    claims = [
        {"says": "Invented.", "response": kind.name, "treatment": name, "expects": "less"}
        for kind in RESPONSES
        for name in scene.treatments[1:]
        if kind.family == "claimed"
    ]
    pairs = [{"treatment": LETTERS[2], "against": LETTERS[1]}] if scene.pair else []
    return make_session(
        treatments=names, margins=margins if scene.margins else {}, baseline=BASE, check_standard=STANDARD,
        primary=primary, runs=planned, claims=claims, pairs=pairs, **more,
    )  # fmt: skip


def _history(scene: Scene, session: Session, sd: float, rng: np.random.Generator) -> History:
    """Scatter of single runs, from check-standard runs of an earlier session on the same rig."""
    if not scene.standards:
        return {}
    values = TRUE_VALUE + sd * rng.standard_normal((scene.standards, len(RESPONSES)))
    runs = [
        make_run(STANDARD, place + 1, *(
            response(kind.name, float(value), AT) for kind, value in zip(RESPONSES, row, strict=True)
        ))
        for place, row in enumerate(values)
    ]  # fmt: skip
    return run_scatter([(session, runs)], session, KINDS)
