"""Records of what the responses of all runs say."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from generator.reduction.records import At, ResponseKind, RunReduction

Verdict = Literal[
    "more",
    "less",
    "more, perhaps too little to matter",
    "less, perhaps too little to matter",
    "no difference that matters",
    "not settled",
]
Basis = Literal["between runs", "within one run", "rig repeatability"]
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
class Measured:
    """A value with its standard uncertainty and its 95 % interval, all in one unit."""

    value: float
    standard_uncertainty: float
    interval: tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class BandPoint:
    """One point of a difference curve; low and high bound the band that holds over the whole curve."""

    x: float
    treatment_value: float
    baseline_value: float
    difference: float
    low: float
    high: float


@dataclass(frozen=True, slots=True, kw_only=True)
class CurveRange:
    """A range of x over which the band settles the difference. direction: +1 more, -1 less, 0 within the margin."""

    low: float
    high: float
    direction: int


@dataclass(frozen=True, slots=True, kw_only=True)
class CurveContrast:
    """Treatment minus baseline along a whole curve.

    axis       "thrust_gf", "speed_rpm" or "throttle_percent"
    points     of the difference curve, x rising
    method     one sentence: how the band is made and what it promises
    ranges     where the difference is settled, x rising; empty where nowhere
    crossings  ranges of x in which the sign changes from settled one way to settled the other
    """

    key: str
    response: str
    axis: str
    treatment: str
    baseline: str
    unit: str
    axis_unit: str
    points: tuple[BandPoint, ...]
    level: float
    margin: float | None
    margin_text: str | None
    method: str
    basis: Basis
    runs: tuple[int, int]  # treatment, baseline
    ranges: tuple[CurveRange, ...]
    crossings: tuple[tuple[float, float], ...]
    sentence: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LossPart:
    """One part of the electrical power. share is of the electrical power; how says how it was found."""

    name: str
    label: str
    power_w: Measured
    share: float
    how: str


@dataclass(frozen=True, slots=True, kw_only=True)
class EnergyBalance:
    """Where the electrical power of a treatment goes at one condition. The parts add up to the electrical power.

    shaft_from  "torque", or "propeller coefficients" where no torque was measured
    notes       assumptions that a reader must know, one sentence each
    """

    key: str
    treatment: str
    at: At
    electrical_w: Measured
    parts: tuple[LossPart, ...]
    shaft_from: str
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class HeatDifference:
    """Extra electrical power at equal propeller and speed: heat, beside the temperature rise it explains.

    contrast  key of the contrast in electrical power; rises  keys of the contrasts in temperature rise
    """

    treatment: str
    baseline: str
    at: At
    contrast: str
    rises: tuple[str, ...]
    sentence: str


@dataclass(frozen=True, slots=True, kw_only=True)
class EffectiveConstant:
    """A constant of a motor or propeller fitted from the session's own runs, beside the nominal one.

    part       id of the part it belongs to
    departure  fitted over nominal, less one, with its 95 % interval; None without a nominal value
    """

    key: str
    name: str
    label: str
    treatment: str
    part: str
    at: At
    unit: str
    fitted: Measured
    runs: int
    nominal: float | None
    departure: Measured | None
    outcome: Literal["agrees", "departs", "no nominal value"]
    sentence: str


@dataclass(frozen=True, slots=True, kw_only=True)
class InTheAir:
    """One treatment carried over to one aircraft, hovering in the air of the bench.

    thrust_per_motor_gf  needed to hover; mass_kg all up, with pack; both None where the pack's mass is not stated
    hover_power_w        electrical, all motors; None where the measured curve does not reach the thrust
    minutes              hovering on the usable part of the pack; None likewise
    thrust_to_weight     highest measured thrust of all motors over the weight; None if not measured
    notes                assumptions, and what the curve does not reach
    cells, energy_wh     of the pack it flies with: `pack`, with so many of its cells, and what is used of its energy
    logs                 of the runs whose curves were read
    indicative           whether that is one run
    """

    key: str
    aircraft: str
    label: str
    treatment: str
    pack: str
    mass_kg: float | None
    thrust_per_motor_gf: float | None
    hover_power_w: Measured | None
    minutes: Measured | None
    thrust_to_weight: Measured | None
    notes: tuple[str, ...]
    sentence: str
    cells: int = 0
    energy_wh: float = 0.0
    logs: tuple[str, ...] = ()
    indicative: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class FlightEffect:
    """One part of a difference in the air, with 95 % intervals; None where it is not known.

    name   "set-up": at the thrust that the baseline needs, on its pack
           "mass": what another pack weighs, through the thrust that takes
           "energy": what another pack holds; it changes the minutes only
    """

    name: Literal["set-up", "mass", "energy"]
    hover_power_w: Measured | None
    minutes: Measured | None


@dataclass(frozen=True, slots=True, kw_only=True)
class InTheAirDifference:
    """Treatment minus baseline on one aircraft, with 95 % intervals; None where one side is not known.

    effects     its parts, taken one after the other, so that they add up; empty where both fly with equal packs
    indicative  one run on a side: never stronger than indicative
    """

    aircraft: str
    treatment: str
    baseline: str
    hover_power_w: Measured | None
    minutes: Measured | None
    sentence: str
    effects: tuple[FlightEffect, ...] = ()
    runs: tuple[int, int] = (0, 0)  # treatment, baseline
    method: str = ""
    indicative: bool = False


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
    headline: str  # one sentence: the answer
    simulated: bool
    curve_contrasts: tuple[CurveContrast, ...] = ()
    energy: tuple[EnergyBalance, ...] = ()
    heat: tuple[HeatDifference, ...] = ()
    constants: tuple[EffectiveConstant, ...] = ()
    in_the_air: tuple[InTheAir, ...] = ()
    in_the_air_differences: tuple[InTheAirDifference, ...] = ()
    notes: tuple[str, ...] = ()  # missing or refused runs and the like, told
