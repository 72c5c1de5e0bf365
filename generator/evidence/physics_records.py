"""Records of what physics makes of a session: whole curves, energy, constants, flight."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from generator.evidence.basis import Basis
from generator.reduction.records import At


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """A value with its standard uncertainty and its 95 % interval, all in one unit."""

    value: float
    standard_uncertainty: float
    interval: tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class BandPoint:
    """One point of a difference curve; low and high bound the band that holds over the whole curve.

    relative    difference as a share of the baseline, with its band; None where a share has no meaning
    margin      the margin at this point, unit of the response; None where none was set
    """

    x: float
    treatment_value: float
    baseline_value: float
    difference: float
    low: float
    high: float
    relative: float | None = None
    relative_low: float | None = None
    relative_high: float | None = None
    margin: float | None = None


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
    margin     in `unit`; None where none was set or where it is a share of the baseline, and so one a point
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
    primary: bool = False  # whether the response was named before the test


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
class LossDifference:
    """Treatment minus baseline in the electrical power, or in one part of it, at one held speed [W].

    same_estimate  both come from the same figures of the same parts, so they cannot differ
    """

    treatment: str
    baseline: str
    at: At
    name: str
    label: str
    difference: Measured
    same_estimate: bool
