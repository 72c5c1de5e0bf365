"""First layer of the coverage study: invented runs with a known truth through the real evidence stage."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
from scipy.optimize import brentq

from generator.evidence.contrast_statistics import coverage_factor
from generator.evidence.contrasts import contrasts
from generator.evidence.power import power_beyond, power_equivalence
from generator.evidence.records import Contrast, ResponseSummary
from generator.evidence.summaries import summarise
from generator.evidence.verdicts import DIRECTIONS, NO_DIFFERENCE, direction
from tests.benchmarks.coverage_designs import RESPONSES, Effects, Made, Scene, make_scene
from tests.benchmarks.coverage_tally import Row, Tally
from tests.evidence.invented_bench import KINDS

REPEATS = tuple(range(2, 9))
NOISES = (0.001, 0.005, 0.02)
LEFT_OVER = (0.0, 0.3, 1.0, 3.0)
EFFECTS: tuple[Effects, ...] = ("none", "some", "margin")
MARGINS = (3.0, 5.0, 9.0)
ERRORS = {kind.name: kind.errors for kind in RESPONSES}
# Scenes whose intervals have a reason not to hold at 95 %; the study prints what they do and asks nothing of them,
# except that they may not be too narrow where the reason says that they are too wide.
ONE_RUN = "one run each, no history: a run cannot know how runs differ (indicative only)"
ROUNDED = "resolution of three times the scatter: no mean is taken to be known better than a step"
LEFT_IN = "drift of ten times the scatter that the design does not take out: it passes for scatter"
UNEQUAL_LINE = "one scatter for all treatments in the fit, of which one has twice the scatter of the other"
FEW_NOISY = "two noisy runs against eight quiet ones: Welch is narrow there by nature"
TOO_WIDE = (ROUNDED, LEFT_IN)
# With two runs a side the degrees of freedom that Welch finds lie anywhere between one and two.
WIDE_ROWS: dict[Row, str] = {
    (
        "Welch",
        "2",
        "alike",
    ): "Welch does not take the two scatters for alike, of which each rests on two runs",
}
PATTERNS = 12
POWER_PROMISED = 0.8


def draw_scene(index: int, rng: np.random.Generator) -> Scene:
    """The scene of the session with this number: designs and repeats in turn, the rest by lot."""
    n = REPEATS[index // PATTERNS % len(REPEATS)]
    several = tuple([n] * 3)
    effects = EFFECTS[index // PATTERNS % len(EFFECTS)]
    common = Scene(
        noise=float(rng.choice(NOISES)),
        left_over=float(rng.choice(LEFT_OVER)),
        effects=effects,
        margin=float(rng.choice(MARGINS)),
        margins=effects == "margin" or bool(rng.random() < 0.5),
        scatter_ratio=float(rng.choice((1.0, 1.0, 2.0))),
    )
    block_sd, drift = float(rng.choice((0.0, 2.0))), float(rng.choice((0.0, 3.0, 10.0)))

    pair = bool(rng.random() < 0.5)

    def scene(**changes: Any) -> Scene:
        return replace(common, **changes)

    match index % PATTERNS:
        case 0:
            return scene(repeats=(n, n))
        case 1:
            return scene(repeats=(n, n), design="blocks", block_sd=block_sd)
        case 2:
            return scene(repeats=(n, n), design="drift", drift=drift, scatter_ratio=1.0)
        case 3:
            return scene(repeats=(n, n), design="found", block_sd=block_sd)
        case 4:
            return scene(repeats=several, pair=pair)
        case 5:
            return scene(repeats=several, design="blocks", block_sd=block_sd, pair=pair)
        case 6:
            return scene(repeats=several, design="drift", drift=drift, scatter_ratio=1.0, pair=pair)
        case 7:
            return scene(repeats=(n, n + int(rng.integers(1, 4))))
        case 8:
            return scene(repeats=(max(n, 3),) * 2, design="blocks", block_sd=block_sd, lost=1)
        case 9:
            return scene(repeats=(1, 1), standards=4 + n, scatter_ratio=1.0)
        case 10:
            return scene(repeats=(max(n, 3),) * 3, design="blocks", block_sd=block_sd, lost=1)
        case _:
            return _told(index // PATTERNS % 5, n, common)


def _told(which: int, n: int, common: Scene) -> Scene:
    match which:
        case 0:
            return replace(common, repeats=(1, 1), told=ONE_RUN)
        case 1:
            return replace(common, repeats=(n, n), step=3.0, left_over=0.0, told=ROUNDED)
        case 2:
            return replace(common, repeats=(n, n), design="found", drift=10.0, told=LEFT_IN)
        case 3:
            return replace(common, repeats=(n, n), design="drift", scatter_ratio=2.0, told=UNEQUAL_LINE)
        case _:
            return replace(common, repeats=(8, 2), scatter_ratio=2.0, told=FEW_NOISY)


def invented_session(seed: int, index: int) -> Tally:
    """Counts of one session; the same numbers whatever else is run."""
    rng = np.random.default_rng([seed, 1, index])
    return count_session(make_scene(draw_scene(index, rng), rng))


def count_session(made: Made) -> Tally:
    """Counts of one invented session, sent through the evidence stage."""
    summaries = summarise(made.runs, KINDS)
    found = contrasts(summaries, made.runs, made.session, KINDS, made.history)
    tally = Tally()
    for contrast in found:
        _count_contrast(tally, made, contrast)
    _count_families(tally, made, found)
    if made.scene.drift == 0.0 and not made.scene.told and min(made.scene.repeats) > 1:
        for summary in summaries:
            _count_mean(tally, made, summary)
    return tally


def method_of(contrast: Contrast) -> str:
    """Method of a contrast in a few words."""
    if contrast.basis == "rig repeatability":
        return "one run each, rig's history"
    if contrast.basis == "within one run":
        return "one run each, scatter within"
    if contrast.method.startswith("paired"):
        return "paired in blocks"
    if contrast.method.startswith("straight-line"):
        return "drift taken out"
    return "Welch" if len(set(contrast.runs)) == 1 else "Welch, unequal repeats"


def _count_contrast(tally: Tally, made: Made, c: Contrast) -> None:
    true, base = made.difference(c), made.truth[c.response, c.baseline]
    held = _holds(made, c)
    method = method_of(c)
    if made.scene.told:
        tally.add(("told", made.scene.told, method), held)
        return
    if c.jointly == 1:  # joint ones are judged together
        tally.add(("coverage", "difference", method, ERRORS[c.response]), held)
        tally.add(("by repeats", method, str(min(c.runs)), _scatters(made)), held)
        tally.add(("by true effect", "difference", made.scene.effects), held)
        if ERRORS[c.response] == "remains":
            tally.add(("by rig error", method, f"{made.scene.left_over:g}"), held)
        if c.relative_interval is not None:
            inside = c.relative_interval[0] <= true / base <= c.relative_interval[1]
            tally.add(("coverage", "percentage", method, ERRORS[c.response]), inside)
            tally.add(("by true effect", "percentage", made.scene.effects), inside)
    if made.scene.effects == "margin" and not c.indicative and made.in_margins(c) >= 1.0:
        tally.add(("false no difference", method, f"each of {c.jointly}"), c.verdict == NO_DIFFERENCE)
    if true != 0.0 and direction(c.verdict):
        tally.add(("wrong way", "more or less, the other way round"), direction(c.verdict) * true < 0.0)


def _holds(made: Made, c: Contrast) -> bool:
    return c.interval[0] <= made.difference(c) <= c.interval[1]


def _scatters(made: Made) -> str:
    return "alike" if made.scene.scatter_ratio == 1.0 else "twice"


def _count_families(tally: Tally, made: Made, found: Sequence[Contrast]) -> None:
    """False findings in any contrast of a family, and intervals that are to hold together."""
    if made.scene.told:
        return
    families: dict[tuple[str, str], list[Contrast]] = defaultdict(list)
    for c in found:
        families[c.family, c.response if c.family == "primary" else ""].append(c)
    for (family, _), members in families.items():
        first = members[0]
        size = f"{family}, {'one' if len(members) == 1 else 'several'} in the family"
        nulls = [c for c in members if made.in_margins(c) == 0.0]
        if nulls and made.scene.effects != "margin":
            others = "no effect at all" if made.scene.effects == "none" else "effects elsewhere"
            margins = "margins set" if made.scene.margins else "no margins"
            false = any(c.verdict in DIRECTIONS for c in nulls)
            tally.add(("false direction", size, others, margins), false)
        large = [c for c in members if made.in_margins(c) >= 1.0]
        if large and made.scene.effects == "margin" and not first.indicative:
            false = any(c.verdict == NO_DIFFERENCE for c in large)
            tally.add(("false no difference", size, "any of them"), false)
        if first.jointly > 1:
            row = ("coverage", "differences together", method_of(first), ERRORS[first.response])
            tally.add(row, all(_holds(made, c) for c in members))


def _count_mean(tally: Tally, made: Made, s: ResponseSummary) -> None:
    true = made.truth[s.response, s.treatment]
    half = coverage_factor(0.95, s.dof) * s.standard_uncertainty
    held = abs(s.value - true) <= half
    tally.add(("coverage", "mean of a treatment", "scatter between runs", ERRORS[s.response]), held)
    tally.add(("by repeats", "mean of a treatment", str(s.runs), "alike"), held)


# --- power --------------------------------------------------------------------------------------------------


@cache
def promised_difference(n: int, paired: bool, threshold: float) -> float:
    """True difference, in scatters of a run (of a block's difference), shown with a power of 80 %."""
    return float(
        brentq(
            lambda delta: power_beyond(n, delta, 1.0, threshold, paired=paired) - POWER_PROMISED,
            threshold,
            threshold + 200.0,
        )
    )


@cache
def promised_margin(n: int, paired: bool) -> float:
    """Margin, in the same scatter, within which no difference at all is found with a power of 80 %."""
    return float(
        brentq(
            lambda margin: power_equivalence(n, 0.0, 1.0, margin, paired=paired) - POWER_PROMISED, 1e-3, 200.0
        )
    )


def power_session(seed: int, index: int) -> Tally:
    """Counts of one session whose responses have effects that ought to be shown four times in five."""
    rng = np.random.default_rng([seed, 2, index])
    n = REPEATS[index % len(REPEATS)]
    paired = index // len(REPEATS) % 2 == 1
    route = ("a difference", "beyond the margin", "no difference that matters")[
        index // (2 * len(REPEATS)) % 3
    ]
    noise = 0.005
    scene = Scene(
        repeats=(n, n), design="blocks" if paired else "unpaired", noise=noise, block_sd=1.0 if paired else 0.0,
        all_primary=True, margin=2.0, within=0.2,
    )  # fmt: skip
    sd = noise * 100.0 * (math.sqrt(2.0) if paired else 1.0)
    # the scene's margin is in standard errors of the difference; what is asked for here is set apart from it
    margin_size = {
        "a difference": 1e6 * sd,  # no margin in the way
        "beyond the margin": 2.0 * sd,
        "no difference that matters": promised_margin(n, paired) * sd,
    }[route]
    delta = {
        "a difference": promised_difference(n, paired, 0.0) * sd,
        "beyond the margin": promised_difference(n, paired, 2.0) * sd,
        "no difference that matters": 0.0,
    }[route]
    made = make_scene(scene, rng, delta=delta, margin_size=margin_size)
    summaries = summarise(made.runs, KINDS)
    tally = Tally()
    for c in contrasts(summaries, made.runs, made.session, KINDS):
        if ERRORS[c.response] == "cancels":
            continue
        shown = {
            "a difference": c.interval[0] > 0.0,
            "beyond the margin": c.verdict == "more",
            "no difference that matters": c.verdict == NO_DIFFERENCE,
        }[route]
        tally.add(("power", "paired" if paired else "unpaired", route, str(n), f"{POWER_PROMISED:g}"), shown)
    return tally
