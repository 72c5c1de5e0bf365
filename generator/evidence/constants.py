"""Fitted constants of motors and propellers against their nominal ones."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from generator.evidence.contrast_statistics import coverage_factor, effective_dof
from generator.evidence.physics_records import EffectiveConstant, Measured
from generator.evidence.records import ResponseSummary
from generator.evidence.summaries import summarise
from generator.evidence.wording import (
    NBSP,
    at_words,
    interval_decimals,
    number,
    percent,
    plain,
    with_unit,
)
from generator.evidence.wording import measured as measured_text
from generator.intake.parts import Pack, Propeller
from generator.intake.session import Season, Session, Treatment
from generator.reduction.constants import CONSTANT_KINDS
from generator.reduction.losses import NOMINAL_UNCERTAINTY
from generator.reduction.records import At, RunReduction
from generator.reduction.stated_coefficients import Coefficient, stated_coefficient

LEVEL = 0.95
MOTOR = (
    "kv", "winding_resistance", "free_run_current", "free_run_current_standing", "free_run_current_slope",
)  # fmt: skip
WITHOUT_NOMINAL = ("free_run_current_standing", "free_run_current_slope")  # no part file states them
PACK = ("internal_resistance", "pack_charge")
COEFFICIENTS: Mapping[str, Coefficient] = {"thrust_coefficient": "thrust", "power_coefficient": "power"}
EXPONENTS = {
    "thrust_coefficient_exponent": "thrust_coefficient",
    "power_coefficient_exponent": "power_coefficient",
}
ORDER = (
    *MOTOR, "thrust_coefficient", "thrust_coefficient_exponent", "power_coefficient", "power_coefficient_exponent",
    *PACK,
)  # fmt: skip
# Relative standard uncertainty of what a pack's file states; our own choice, no source. A stated resistance rarely says
# at which temperature, charge and time after a step it holds.
PACK_UNCERTAINTY: Mapping[str, float] = {"internal_resistance": 0.15, "pack_charge": 0.03}
# A free-run current is compared within this share of the speed it was stated at: it grows with speed, and how much is
# not stated. Our own choice, no source.
FREE_RUN_REACH = 0.25


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """Smallest departure that counts, as a share of the nominal value, and why."""

    share: float
    reason: str


# All shares are our own choice, no source.
LIMITS: Mapping[str, Limit] = {
    "kv": Limit(
        share=0.05,
        reason="Motors of one type differ by a few percent, and a part file rounds; a pole pair too many or a winding "
        "of one turn less makes more than ten.",
    ),
    "winding_resistance": Limit(
        share=0.30,
        reason="The fitted resistance contains leads, joints and what commutation does, which no part file states.",
    ),
    "free_run_current": Limit(
        share=0.50,
        reason="It is a small difference of two large currents, and under load the iron is magnetised otherwise.",
    ),
    "thrust_coefficient": Limit(
        share=0.05,
        reason="A wall nearby, the stand in the slipstream or a spinner makes some percent; another propeller, a gain "
        "that moved or a diameter that is off makes more.",
    ),
    "power_coefficient": Limit(
        share=0.05,
        reason="A wall nearby, the stand in the slipstream or a spinner makes some percent; another propeller, a gain "
        "that moved or a diameter that is off makes more.",
    ),
    "internal_resistance": Limit(
        share=0.40,
        reason="Cold alone makes a third more at 10 °C less, and leads and plugs up to the tap count here; a pack that "
        "ages, or one weak cell, makes more.",
    ),
    "pack_charge": Limit(
        share=0.20,
        reason="A pack is rated at a slow discharge to a lower voltage; one that has aged, or was not full, gives "
        "less.",
    ),
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class _Nominal:
    """A stated value and its relative standard uncertainty; `of` says what it is of, where that needs saying."""

    value: float
    relative_u: float
    of: str = ""


def effective_constants(
    runs: Sequence[RunReduction], session: Session, season: Season
) -> tuple[EffectiveConstant, ...]:
    """Constants of every treatment's motor and propeller: mean over its runs, against the part files.

    runs  reduced runs; refused ones give nothing

    Means, their uncertainty and degrees of freedom are those of responses (`summaries`): scatter between runs and,
    signed, what the runs share. The departure's uncertainty holds that of the nominal value too; where its file
    states none, NOMINAL_UNCERTAINTY is taken. A departure counts if its interval leaves out zero and it exceeds the
    share in LIMITS. A step of a staircase carries its throttle and the speed it ran at in `at`.
    Source  JCGM 100:2008 (GUM), 5.1.2, G.4.1 (Welch-Satterthwaite)
    """
    made = [replace(run, responses=run.constants) for run in runs if run.refused is None and run.constants]
    by_treatment: dict[str, list[ResponseSummary]] = {}
    for summary in summarise(made, CONSTANT_KINDS):
        by_treatment.setdefault(summary.treatment, []).append(summary)
    return tuple(
        constant
        for name, treatment in session.file.treatments.items()
        for constant in _of_treatment(by_treatment.get(name, ()), treatment, season)
    )


def _of_treatment(
    summaries: Sequence[ResponseSummary], treatment: Treatment, season: Season
) -> Iterator[EffectiveConstant]:
    speeds = {s.at: s.value for s in summaries if s.response == "speed"}
    for name in ORDER:
        own = [s for s in summaries if s.response == name]
        own.sort(key=lambda s: dict(s.at).get("speed_rpm") or speeds.get(s.at, 0.0))
        for summary in own:
            at = _placed(summary.at, speeds)
            if name in EXPONENTS:
                reach = [
                    dict(_placed(s.at, speeds))["speed_rpm"]
                    for s in summaries
                    if s.response == EXPONENTS[name] and "speed_rpm" in dict(_placed(s.at, speeds))
                ]
                yield _exponent(summary, treatment, season, (min(reach), max(reach)))
            else:
                yield _constant(summary, at, treatment, season)


def _placed(at: At, speeds: Mapping[At, float]) -> At:
    """A condition with the speed it ran at, where that is known."""
    if at in speeds and "speed_rpm" not in dict(at):
        return (*at, ("speed_rpm", float(round(speeds[at]))))
    return at


def _constant(summary: ResponseSummary, at: At, treatment: Treatment, season: Season) -> EffectiveConstant:
    name = summary.response
    nominal = _nominal(name, treatment, season, dict(at).get("speed_rpm"))
    departure = None if nominal is None else _departure(summary, nominal)
    outcome: Literal["agrees", "departs", "no nominal value"] = "no nominal value"
    if departure is not None:
        low, high = departure.interval
        beyond = abs(departure.value) > LIMITS[name].share and not low <= 0.0 <= high
        outcome = "departs" if beyond else "agrees"
    return EffectiveConstant(
        key=summary.key,
        name=name,
        label=CONSTANT_KINDS[name].label,
        treatment=summary.treatment,
        part=_part(name, treatment),
        at=at,
        unit=summary.unit,
        fitted=_measured(summary.value, summary.standard_uncertainty, summary.dof),
        runs=summary.runs,
        nominal=None if nominal is None else nominal.value,
        departure=departure,
        outcome=outcome,
        sentence=_sentence(summary, at, treatment, nominal, departure, outcome),
    )


def _part(name: str, treatment: Treatment) -> str:
    """Id of the part that a constant belongs to."""
    if name in PACK:
        return treatment.supply
    return treatment.motor if name in MOTOR else treatment.propeller


def _exponent(
    summary: ResponseSummary, treatment: Treatment, season: Season, reach: tuple[float, float]
) -> EffectiveConstant:
    """How a coefficient changes over the speeds it was measured at; has no nominal value of its own."""
    of = EXPONENTS[summary.response]
    return EffectiveConstant(
        key=summary.key,
        name=summary.response,
        label=CONSTANT_KINDS[summary.response].label,
        treatment=summary.treatment,
        part=treatment.propeller,
        at=(),
        unit=summary.unit,
        fitted=(fitted := _measured(summary.value, summary.standard_uncertainty, summary.dof)),
        runs=summary.runs,
        nominal=None,
        departure=None,
        outcome="no nominal value",
        sentence=_course(of, fitted, summary.runs, treatment, season, reach),
    )


def _nominal(name: str, treatment: Treatment, season: Season, speed: float | None) -> _Nominal | None:
    """What the part files state for a constant, at a speed where it depends on one."""
    motor, u = season.motor(treatment), NOMINAL_UNCERTAINTY
    source = season.source(treatment)
    if name in WITHOUT_NOMINAL:
        return None
    if name in PACK:
        if not isinstance(source, Pack):
            return None
        house = source.internal_resistance_ohm if name == "internal_resistance" else source.capacity_ah
        # mΩ and mAh
        return None if house is None else _Nominal(value=1000.0 * house, relative_u=PACK_UNCERTAINTY[name])
    if name == "kv":
        return _Nominal(value=motor.kv_rpm_per_v, relative_u=u["kv"])
    if name == "winding_resistance":
        winding, path = motor.terminal_resistance_ohm, season.controller(treatment).resistance_ohm or 0.0
        if winding is None:
            return None
        doubt = math.hypot(winding * u["terminal_resistance"], path * u["controller_resistance"])
        of = " of winding and controller" if path else " of the winding alone"
        return _Nominal(value=winding + path, relative_u=doubt / (winding + path), of=of)
    if name == "free_run_current":
        current, volts = motor.free_run_current_a, motor.free_run_voltage_v
        if current is None or volts is None or speed is None:
            return None
        stated = motor.kv_rpm_per_v * (volts - current * (motor.terminal_resistance_ohm or 0.0))
        near = abs(speed / stated - 1.0) <= FREE_RUN_REACH
        return _Nominal(value=current, relative_u=u["free_run_current"]) if near else None
    propeller = season.propeller(treatment)
    value = None if speed is None else stated_coefficient(propeller, COEFFICIENTS[name], speed)
    if value is None:
        return None
    return _Nominal(value=value, relative_u=coefficients_uncertainty(propeller))


def coefficients_uncertainty(propeller: Propeller) -> float:
    """Relative standard uncertainty of stated coefficients; our own where the file gives none."""
    share = propeller.coefficients_uncertainty
    return NOMINAL_UNCERTAINTY["power_coefficient"] if share is None else share


def _measured(value: float, u: float, dof: float) -> Measured:
    half = coverage_factor(LEVEL, dof) * u
    return Measured(value=value, standard_uncertainty=u, interval=(value - half, value + half))


def _departure(summary: ResponseSummary, nominal: _Nominal) -> Measured:
    """Fitted over nominal, less one; first order in both."""
    ratio = summary.value / nominal.value
    parts = (summary.standard_uncertainty / nominal.value, ratio * nominal.relative_u)
    return _measured(ratio - 1.0, math.hypot(*parts), effective_dof(parts, (summary.dof, math.inf)))


# --- sentences ----------------------------------------------------------------------------------------------


def _sentence(
    summary: ResponseSummary,
    at: At,
    treatment: Treatment,
    nominal: _Nominal | None,
    departure: Measured | None,
    outcome: str,
) -> str:
    label = CONSTANT_KINDS[summary.response].label
    value = measured_text(summary.value, summary.unit, summary.standard_uncertainty)
    subject = " ".join(filter(None, (f"{label} with {treatment.label}", where(at))))
    if nominal is None or departure is None:
        fitted = _measured(summary.value, summary.standard_uncertainty, summary.dof)
        low, high = interval_ends(fitted, summary.unit)
        return _begun(
            f"{subject}: {value} ({_level()} {low} to {high}); no stated value holds here", summary.runs
        )
    share = departure.value
    side = "above" if share >= 0.0 else "below"
    low, high = (percent(end, departure.interval, signed=True) for end in departure.interval)
    size = percent(abs(share), departure.interval)
    stated = f"the stated {plain(nominal.value, summary.unit)}{nominal.of}"
    return _begun(
        f"{subject}: {value}, {size} {side} {stated} "
        f"({_level()} {low.removesuffix(f'{NBSP}%')} to {high}); {verdict(summary.response, departure, outcome)}",
        summary.runs,
    )


def verdict(name: str, departure: Measured, outcome: str) -> str:
    """What a departure says, as the end of a sentence."""
    limit = LIMITS[name].share
    share = plain(100.0 * limit, "%")
    low, high = departure.interval
    if outcome == "departs":
        return f"that is more than the {share} from which it counts as a departure"
    if not low <= 0.0 <= high:
        return f"less than the {share} from which a departure counts"
    if abs(departure.value) > limit:
        return "too uncertain to be called a departure"
    half = 0.5 * (high - low)
    seen = percent(half, departure.interval) if half > limit else share
    return f"no departure found; one below {seen} would not show"


def is_rough(name: str, departure: Measured) -> bool:
    """Whether a departure that counts might hide inside the interval, which holds zero."""
    limit = LIMITS[name].share
    low, high = departure.interval
    return low <= 0.0 <= high and not (-limit <= low and high <= limit)


def _course(
    of: str,
    exponent: Measured,
    runs: int,
    treatment: Treatment,
    season: Season,
    reach: tuple[float, float],
) -> str:
    """Whether a coefficient changes with speed beyond noise, in percent over the speeds measured."""
    ratio = math.log(reach[1] / reach[0])
    low, high = (math.expm1(end * ratio) for end in exponent.interval)
    change = math.expm1(exponent.value * ratio)
    name = "CT" if of == "thrust_coefficient" else "CP"
    ends = [percent(end, (low, high), signed=True) for end in (low, high)]
    interval = f"{_level()} {ends[0].removesuffix(f'{NBSP}%')} to {ends[1]}"
    between = f"from {plain(reach[0])} to {plain(reach[1], 'rpm')}"
    if low <= 0.0 <= high:
        size = percent(change, (low, high), signed=True)
        text = f"{name} with {treatment.label} does not change with speed beyond its noise"
        text += f", {size} {between} ({interval})"
    else:
        verb = "rises" if change > 0.0 else "falls"
        text = f"{name} with {treatment.label} {verb} by {percent(abs(change), (low, high))} {between} ({interval})"
    propeller = season.propeller(treatment)
    stated = [stated_coefficient(propeller, COEFFICIENTS[of], speed) for speed in reach]
    if stated[0] is not None and stated[1] is not None:
        text += (
            f"; the stated one changes by {percent(stated[1] / stated[0] - 1.0, (low, high), signed=True)}"
        )
    return _begun(text, runs)


def where(at: At) -> str:
    """A condition in words: `at 16 000 rpm`; a step's speed with its throttle: `at 11 490 rpm (35 % throttle)`."""
    places = dict(at)
    if "speed_rpm" in places and "throttle_percent" in places:
        throttle = with_unit(plain(places["throttle_percent"]), "%")
        return f"{at_words((('speed_rpm', places['speed_rpm']),))} ({throttle} throttle)"
    return at_words(at)


def _begun(text: str, runs: int) -> str:
    """A whole sentence; one run is never more than indicative."""
    if runs > 1:
        return f"{text}."
    kept = text if text[:2].isupper() else f"{text[:1].lower()}{text[1:]}"
    return f"Indicative, one run: {kept}."


def _level() -> str:
    return f"{100.0 * LEVEL:.0f}{NBSP}% interval"


def interval_ends(found: Measured, unit: str) -> tuple[str, str]:
    """Ends of a value's interval as text; the unit stands at the second."""
    low, high = found.interval
    places = interval_decimals(low, high)
    return number(low, places), with_unit(number(high, places), unit)
