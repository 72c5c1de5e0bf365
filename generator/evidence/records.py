"""Records of what the responses of all runs say."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from generator.evidence.basis import Basis
from generator.evidence.physics_records import (
    CurveContrast,
    EffectiveConstant,
    EnergyBalance,
    HeatDifference,
    InTheAir,
    InTheAirDifference,
    LossDifference,
)
from generator.reduction.records import At, ResponseKind, RunReduction

Verdict = Literal[
    "more",
    "less",
    "more, perhaps too little to matter",
    "less, perhaps too little to matter",
    "no difference that matters",
    "not settled",
]
Family = Literal["primary", "claimed", "exploratory"]
SignalWord = Literal["DANGER", "WARNING", "CAUTION", "NOTICE"]


@dataclass(frozen=True, slots=True, kw_only=True)
class RunValue:
    """One run's value of a response."""

    run_id: str
    log: str
    repeat: int
    block: int
    order: int
    value: float
    within_run_uncertainty: float


@dataclass(frozen=True, slots=True, kw_only=True)
class BudgetRow:
    """One line of an uncertainty budget, in the response's unit; share is of the variance, 0 to 1."""

    source: str
    standard_uncertainty: float
    share: float
    shared: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class ResponseSummary:
    """A response of one treatment: mean over runs. Units as published."""

    key: str  # stable id for anchors: "electrical_power-16000rpm-four-cell"
    response: str
    treatment: str
    at: At
    value: float
    unit: str
    standard_uncertainty: float  # of the mean, statistical and systematic together
    dof: float
    per_run: tuple[RunValue, ...]
    budget: tuple[BudgetRow, ...] = ()

    @property
    def runs(self) -> int:
        """Number of runs behind the mean."""
        return len(self.per_run)


@dataclass(frozen=True, slots=True, kw_only=True)
class Contrast:
    """Treatment minus baseline in one response.

    margin is absolute, in `unit`; margin_text as the tester wrote it; both None when none was set.
    relative and relative_interval are shares of the baseline (0.02 = 2 %), None where a share has no meaning.
    jointly counts the comparisons of one primary response at one condition: all their intervals hold together at
    `level`. family is what a p-value was adjusted with, family_size how many contrasts that is. budget is of the
    difference.
    weakened_by holds ids of checks.
    """

    key: str
    response: str
    at: At
    treatment: str
    baseline: str
    baseline_value: float
    treatment_value: float
    difference: float
    standard_uncertainty: float
    dof: float
    interval: tuple[float, float]
    unit: str
    relative: float | None
    relative_interval: tuple[float, float] | None
    level: float
    margin: float | None
    margin_text: str | None
    verdict: Verdict
    indicative: bool  # one run a treatment: never stronger than indicative
    primary: bool
    p_value: float | None
    p_adjusted: float | None
    p_equivalence: float | None
    basis: Basis
    method: str  # "Welch", "paired in blocks", ...
    runs: tuple[int, int]  # treatment, baseline
    repeats_to_settle: int | None
    sentence: str
    jointly: int = 1
    family: Family = "exploratory"
    family_size: int = 1
    budget: tuple[BudgetRow, ...] = ()
    weakened_by: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class ClaimOutcome:
    """A claim held against the contrasts of its response."""

    says: str
    by: str
    response: str
    treatment: str
    expects: str
    outcome: Literal["supported", "contradicted", "left open"]
    sentence: str
    contrasts: tuple[str, ...]  # keys


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """A test of the data's own credibility.

    weakens  names of responses whose verdicts a warning or failure weakens
    at       the one condition it concerns; None where it concerns all
    """

    id: str
    title: str
    outcome: Literal["passed", "warned", "failed"]
    sentence: str
    threshold: str
    reason: str
    source: str
    treatments: tuple[str, ...] = ()
    runs: tuple[str, ...] = ()
    weakens: tuple[str, ...] = ()
    at: At | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Caution:
    """A caution raised for a session, with its facts filled in."""

    id: str
    signal: SignalWord
    title: str
    hazard: str
    consequence: str
    avoidance: str
    threshold: str
    source: str
    always_on: bool
    applies_to: tuple[str, ...] = ()  # treatments


@dataclass(frozen=True, slots=True, kw_only=True)
class CurvePoint:
    """One point of a treatment's mean curve; throttle in percent, thrust in gf, power in W, speed in rpm."""

    treatment: str
    direction: str
    throttle_percent: float
    speed_rpm: float
    thrust_gf: float | None
    power_w: float
    thrust_per_power_gf_w: float | None
    runs: int


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionAnalysis:
    """Everything the analysis says about one session; pages and results.json are made from this alone."""

    session_id: str
    runs: tuple[RunReduction, ...]
    kinds: Mapping[str, ResponseKind]
    responses: tuple[ResponseSummary, ...]
    contrasts: tuple[Contrast, ...]
    claims: tuple[ClaimOutcome, ...]
    checks: tuple[Check, ...]
    cautions: tuple[Caution, ...]
    curves: tuple[CurvePoint, ...]
    headline: str  # the answer, in a few short sentences
    simulated: bool
    curve_contrasts: tuple[CurveContrast, ...] = ()
    energy: tuple[EnergyBalance, ...] = ()
    heat: tuple[HeatDifference, ...] = ()
    loss_differences: tuple[LossDifference, ...] = ()
    constants: tuple[EffectiveConstant, ...] = ()
    in_the_air: tuple[InTheAir, ...] = ()
    in_the_air_differences: tuple[InTheAirDifference, ...] = ()
    notes: tuple[str, ...] = ()  # missing or refused runs and the like, told
