"""What speaks against a plan: what is foreseen, held against the limits of parts and of shared/thresholds.yaml."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

from generator.evidence.bench_extremes import (
    ZERO_CELSIUS_K,
    cells_of,
    magnet_limit_k,
    winding_limit_k,
)
from generator.evidence.cautions import SLOWING
from generator.evidence.wording import number, plain, with_unit
from generator.intake.parts import Motor, Pack, Propeller, Supply
from generator.intake.reference_texts import Thresholds
from generator.intake.session import Season, Session, Treatment
from generator.planning.plan_records import (
    Hazard,
    NoiseForecast,
    SetpointForecast,
    Severity,
    TemperatureForecast,
    TreatmentForecast,
)
from generator.reduction.air import tip_mach

BURSTS = "A propeller beyond its limit can burst; blades fly off in the plane of the disc."
FAR_OVER = "plan.current_over_rating_percent"


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """One treatment with all that is foreseen of it.

    windings  procedure -> peak of the winding above the air [K]
    """

    name: str
    treatment: Treatment
    season: Season
    session: Session
    thresholds: Thresholds
    forecast: TreatmentForecast
    setpoints: tuple[SetpointForecast, ...]
    temperatures: tuple[TemperatureForecast, ...]
    windings: tuple[tuple[str, float], ...]
    noise: NoiseForecast | None

    @property
    def label(self) -> str:
        return self.treatment.label

    def hazard(
        self, id_: str, what: str, why: str, figures: tuple[float, float, str], source: str,
        severity: Severity = "refuse",
    ) -> Hazard:  # fmt: skip
        """A hazard of this treatment; figures are number, limit, unit."""
        number_, limit, unit = figures
        return Hazard(
            id=id_, treatment=self.name, what=what, why=why, number=number_, limit=limit, unit=unit,
            source=source, severity=severity,
        )  # fmt: skip


def hazards(plans: Sequence[Plan], session: Session) -> tuple[Hazard, ...]:
    """All hazards of a session, those that refuse first; with the reasons that session.yaml gives for going on.

    A reason under an id answers for every treatment that the hazard meets.
    """
    found = _once([hazard for rule in RULES for plan in plans for hazard in rule(plan)])
    reasons = session.file.go_on_because
    made = [replace(hazard, go_on=reasons.get(hazard.id, "")) for hazard in found]
    return tuple(sorted(made, key=lambda hazard: hazard.severity != "refuse"))


def _once(found: Sequence[Hazard]) -> list[Hazard]:
    """What is said word for word of several treatments is said once, of all."""
    said: dict[tuple[str, str], list[Hazard]] = {}
    for hazard in found:
        said.setdefault((hazard.id, hazard.what), []).append(hazard)
    return [same[0] if len(same) == 1 else replace(same[0], treatment="") for same in said.values()]


def _cells(plan: Plan) -> Iterator[Hazard]:
    """Cells over what the controller, refused, or the motor, told, is rated for."""
    cells = cells_of(plan.treatment, plan.season.source(plan.treatment))
    rules: tuple[tuple[str, str, Severity], ...] = (
        ("controller", "Its transistors can fail at once, short the supply and burn.", "refuse"),
        (
            "motor",
            "Only a cap or an early hand on the throttle then keeps its speed and heat in bounds.",
            "warn",
        ),
    )
    for kind, why, severity in rules:
        part = (
            plan.season.controller(plan.treatment)
            if kind == "controller"
            else plan.season.motor(plan.treatment)
        )
        rated = part.rated_cells_max
        if cells is not None and rated is not None and cells > rated:
            what = f"{plan.label} puts {cells} cells on {part.label}, which is rated for {rated}."
            figures = (float(cells), float(rated), "cells")
            yield plan.hazard(f"cells-over-{kind}", what, why, figures, "stated for the part", severity)


def _speeds(plan: Plan) -> Iterator[Hazard]:
    """Speeds of the plan over the limits of propeller and motor: refused. What full throttle or a lost cap would give,
    where the plan does not go there: told.
    """
    full = plan.forecast.top_speed_rpm.value
    lost = plan.forecast.uncapped_speed_rpm
    for part in (plan.season.propeller(plan.treatment), plan.season.motor(plan.treatment)):
        limit = part.speed_limit_rpm
        if limit is None:
            continue
        kind = "propeller" if isinstance(part, Propeller) else "motor"
        planned = _highest_planned(plan, with_propeller=kind == "propeller")
        why = BURSTS if kind == "propeller" else "Its magnets or its bell can come off."
        source = f"stated for {part.label}"
        id_, over = f"speed-over-{kind}-limit", f"the {plain(limit, 'rpm')} of {part.label}"
        if planned > limit:
            what = f"{plan.label} is to turn at {plain(planned, 'rpm')}, over {over}."
            yield plan.hazard(id_, what, why, (planned, limit, "rpm"), source)
        elif full > limit:
            what = f"Full throttle takes {plan.label} to {plain(full, 'rpm')}, over {over}."
            yield plan.hazard(id_, what, why, (full, limit, "rpm"), source, "warn")
        if lost is not None and lost.value > limit:
            what = f"If the cap is lost, full throttle takes {plan.label} to {plain(lost.value, 'rpm')}, over {over}."
            yield plan.hazard("cap-lost-overspeed", what, why, (lost.value, limit, "rpm"), source, "warn")


def _tip_mach(plan: Plan) -> Iterator[Hazard]:
    """Tips close to the speed of sound: refused where the plan goes there, told where only a lost cap would."""
    diameter, air_k = plan.season.propeller(plan.treatment).diameter_m, plan.session.file.air.temperature_k
    limit, source = plan.thresholds.value("propeller.tip_mach"), plan.thresholds.source("propeller.tip_mach")
    lost = plan.forecast.uncapped_speed_rpm
    cases: list[tuple[str, float, Severity]] = [("", _highest_planned(plan, with_propeller=True), "refuse")]
    if lost is not None:
        cases.append(("If the cap is lost, ", lost.value, "warn"))
    for when, speed, severity in cases:
        mach = tip_mach(diameter, speed, air_k)
        if mach >= limit:
            what = f"{when}{plan.label} reaches tip Mach {number(mach, 2)} at {plain(speed, 'rpm')}."
            why = "Noise climbs steeply, and the blades are near what they were made for."
            yield plan.hazard("tip-mach", what, why, (mach, limit, "1"), source, severity)
            return


def _currents(plan: Plan) -> Iterator[Hazard]:
    """Supply current over a continuous rating: told; far over it: refused."""
    held = [point for point in plan.setpoints if point.reachable]
    if not held:
        return
    point = max(held, key=lambda point: point.supply_current_a.value)
    current = point.supply_current_a.value
    source = plan.season.source(plan.treatment)
    ratings = [
        ("current-over-rating", part.label, part.continuous_current_a)
        for part in (plan.season.motor(plan.treatment), plan.season.controller(plan.treatment))
    ]
    if isinstance(source, Pack):
        ratings.append(("pack-current-over-rating", source.label, source.continuous_current_a))
    far = plan.thresholds.share(FAR_OVER)
    for id_, part, rating in ratings:
        if rating is not None and current > rating:
            what = (
                f"{plan.label} takes {plain(current, 'A', 3)} at {plain(point.speed_rpm.value, 'rpm')}; {part} is "
                f"rated for {plain(rating, 'A')}."
            )
            why = "It overheats within seconds to minutes, and can burn."
            refuse = current > rating * far
            cited = plan.thresholds.source(FAR_OVER) if refuse else "stated for the part"
            limit = rating * far if refuse else rating
            figures = (current, limit, "A")
            yield plan.hazard(id_, what, why, figures, cited, "refuse" if refuse else "warn")


def _supply(plan: Plan) -> Iterator[Hazard]:
    """What supply or wiring cannot give, and setpoints that lie out of reach for another reason: both refused."""
    source = plan.season.source(plan.treatment)
    volts = plan.forecast.rest_voltage_v
    why = "The voltage would collapse and come back, and the controller lose step."
    if isinstance(source, Supply) and volts > source.voltage_max_v:
        most = plain(source.voltage_max_v, "V")
        what = f"{plan.label} needs {plain(volts, 'V')}; {source.label} gives {most} at most."
        figures = (volts, source.voltage_max_v, "V")
        yield plan.hazard(
            "supply-cannot-give", what, "The plan cannot be run.", figures, "stated for the part"
        )
    told: set[str] = set()
    for point in plan.setpoints:
        if point.reachable or point.why_not in told:
            continue
        told.add(point.why_not)
        at = dict(point.at)
        if "the supply gives" in point.why_not:
            limit = source.current_limit_a if isinstance(source, Supply) else math.inf
            figures = (point.supply_current_a.value, limit, "A")
            yield plan.hazard("supply-cannot-give", point.why_not, why, figures, "stated for the part")
        else:
            number_ = at.get("speed_rpm", at.get("throttle_percent", 0.0))
            unit = "rpm" if "speed_rpm" in at else "%"
            limit = point.speed_rpm.value if unit == "rpm" else number_
            yield plan.hazard(
                "setpoint-not-reached", point.why_not, "The run would end at full throttle, and its hold be refused.",
                (number_, limit, unit), "computed from the parts",
            )  # fmt: skip


def _temperatures(plan: Plan) -> Iterator[Hazard]:
    """Heat within one run over the winding's class or the stated limit: refused. Magnets' guide values, and where a run
    without end would settle: told."""
    motor, air_k = plan.season.motor(plan.treatment), plan.session.file.air.temperature_k
    winding = winding_limit_k(motor, plan.thresholds)
    hottest = max(plan.windings, key=lambda pair: pair[1], default=None)
    if winding is not None and hottest is not None and hottest[1] + air_k > winding[0]:
        over = f"over its {winding[1]}, {_celsius(winding[0])}"
        what = f"{_gets(plan, 'winding', hottest[0], hottest[1] + air_k)}, {over}."
        why = "Its insulation fails, and it shorts or burns."
        figures = (hottest[1] + air_k - ZERO_CELSIUS_K, winding[0] - ZERO_CELSIUS_K, "°C")
        source = plan.thresholds.source(f"thermal_class.{motor.thermal_class}")
        yield plan.hazard("winding-class", what, why, figures, source)
    if not plan.temperatures:
        return
    warmest = max(plan.temperatures, key=lambda one: one.rise_k.value)
    reached = warmest.rise_k.value + air_k
    yield from _case(plan, motor, warmest.procedure, reached)
    for one in plan.temperatures:
        if one.limit_k is not None and reached <= one.limit_k < one.settled_k and one.procedure in LASTING:
            gets = _gets(plan, "motor", one.procedure, one.settled_k)
            what = f"{gets} if it goes on; its limit is {_celsius(one.limit_k)}."
            figures = (one.settled_k - ZERO_CELSIUS_K, one.limit_k - ZERO_CELSIUS_K, "°C")
            why = "A run that lasts longer than planned goes over the limit."
            yield plan.hazard("temperature-over-limit", what, why, figures, one.limit_words, "warn")


LASTING = ("soak", "drain")


def _case(plan: Plan, motor: Motor, procedure: str, reached_k: float) -> Iterator[Hazard]:
    stated, magnet = motor.temperature_limit_k, magnet_limit_k(motor, plan.thresholds)
    if stated is not None and reached_k > stated:
        what = f"{_gets(plan, 'motor', procedure, reached_k)}, over the {_celsius(stated)} stated for {motor.label}."
        figures = (reached_k - ZERO_CELSIUS_K, stated - ZERO_CELSIUS_K, "°C")
        yield plan.hazard(
            "temperature-over-limit",
            what,
            "It takes harm, and burns fingers.",
            figures,
            "stated for the part",
        )
    if magnet is not None and reached_k > magnet[0]:
        what = f"{_gets(plan, 'motor', procedure, reached_k)}; {magnet[1]} is {_celsius(magnet[0])}."
        figures = (reached_k - ZERO_CELSIUS_K, magnet[0] - ZERO_CELSIUS_K, "°C")
        source = plan.thresholds.source(f"magnet_suffix.{motor.magnet_grade}")
        yield plan.hazard("magnet-limit", what, "Its magnets weaken for good.", figures, source, "warn")


NOT_INTO_THE_SUPPLY = (
    "Any one of three makes it safe: switch braking off in the controller, and say so under `go_on_because`; run on a "
    "pack instead of the supply; or, only if the supply can take energy back, write `absorbs_returned_energy: true` "
    "into parts/"
)


def _returned_energy(plan: Plan) -> Iterator[Hazard]:
    """A supply that cannot absorb what braking returns: refused where every cycle steps down, else told."""
    source = plan.season.source(plan.treatment)
    if not isinstance(source, Supply) or source.absorbs_returned_energy:
        return
    slowing = [name for name in plan.session.plans if name in SLOWING]
    if slowing:
        steps = "spin-up" in slowing
        what = f"{source.label} cannot absorb energy, and {'spin-up' if steps else slowing[0]} slows the motor down."
        why = "A controller that brakes lifts the voltage until the supply switches off or something breaks down."
        found = plan.hazard(
            "supply-cannot-absorb", what, why, (0.0, 0.0, "1"), "stated for the part",
            "refuse" if steps else "warn",
        )  # fmt: skip
        yield replace(found, mend=f"{NOT_INTO_THE_SUPPLY}{source.id}.yaml.")


def _noise(plan: Plan) -> Iterator[Hazard]:
    """Levels from where a day's allowance counts."""
    noise, limit = plan.noise, plan.thresholds.value("sound.caution_from_db")
    if noise is not None and noise.level_db.value >= limit:
        figures = (noise.level_db.value, limit, "dB")
        why = "Hearing lost does not come back."
        source = plan.thresholds.source("sound.level_db")
        yield plan.hazard("sound-level", noise.words, why, figures, source, "warn")


Rule = Callable[[Plan], Iterator[Hazard]]
RULES: tuple[Rule, ...] = (
    _cells, _speeds, _tip_mach, _currents, _supply, _temperatures, _returned_energy, _noise,
)  # fmt: skip


def _highest_planned(plan: Plan, *, with_propeller: bool = False) -> float:
    """Highest speed that a setpoint of the plan asks for or, by throttle, leads to [rpm].

    with_propeller  leave out what is run without one
    """
    points = [p for p in plan.setpoints if p.shaft_power_w is not None or not with_propeller]
    asked = [dict(point.at).get("speed_rpm", 0.0) for point in points]
    led = [point.speed_rpm.value for point in points if "throttle_percent" in dict(point.at)]
    return max([*asked, *led], default=0.0)


def _gets(plan: Plan, what: str, procedure: str, kelvin: float) -> str:
    return f"The {what} of {plan.label} gets to {_celsius(kelvin)} in {procedure}"


def _celsius(kelvin: float) -> str:
    return with_unit(number(kelvin - ZERO_CELSIUS_K, 0), "°C")
