"""What the forecast of a session says, in the shapes that its design and its run sheet take."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from generator.intake.caution_texts import CautionText
from generator.intake.session import Season, Session
from generator.planning.design import ASSUMED_COOLING, Cooling
from generator.planning.design_demand import Point
from generator.planning.design_repeats import Values
from generator.planning.plan_records import Forecast, SetpointForecast
from generator.planning.run_sheet_forecast import (
    answered,
    expected_blocks,
    glance,
    raised,
    settings_blocks,
    unsafe,
)
from generator.planning.run_sheet_records import Block, SheetCaution
from generator.planning.run_sheet_settings import read_back
from generator.reduction.measured import GF_PER_N
from generator.reduction.records import At

# Over the time constant while the propeller blows at the motor. Our own choice, no source.
SLOWER_AT_REST = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Foreseen:
    """A forecast for design and sheet.

    values    (response, condition) -> value foreseen for the baseline
    points    (procedure, treatment) -> what is foreseen at its setpoints
    rise_k    (procedure, treatment) -> motor above the air at the end of a run from cold
    cooling   how a motor cools that stands still
    glance    facts for the top of the sheet
    settings  what to set; expected: what to expect and when to stop
    read_back what to read back before the first run
    raised    cautions
    assumed   what was assumed
    refused   (key, why the plan is not safe) of what nobody has answered for
    answered  what is not safe and why the tester goes on all the same
    """

    values: Values = field(default_factory=dict)
    points: Mapping[tuple[str, str], tuple[Point, ...]] = field(default_factory=dict)
    rise_k: Mapping[tuple[str, str], float] = field(default_factory=dict)
    cooling: Cooling = ASSUMED_COOLING
    glance: tuple[tuple[str, str], ...] = ()
    settings: tuple[Block, ...] = ()
    expected: tuple[Block, ...] = ()
    read_back: tuple[str, ...] = ()
    raised: tuple[SheetCaution, ...] = ()
    assumed: tuple[str, ...] = ()
    refused: tuple[tuple[str, str], ...] = ()
    answered: tuple[str, ...] = ()


def foreseen(
    season: Season, session: Session, forecast: Forecast, texts: Mapping[str, CautionText]
) -> Foreseen:
    """A forecast in the shapes of design and sheet. texts: caution id -> text, for how a hazard is avoided"""
    points: dict[tuple[str, str], tuple[Point, ...]] = {}
    for one in forecast.setpoints:
        made = _point(one)
        if made is not None and one.reachable:
            key = (one.procedure, one.treatment)
            points[key] = (*points.get(key, ()), made)
    return Foreseen(
        values=_values(session, forecast),
        points=points,
        rise_k={(one.procedure, one.treatment): one.rise_k.value for one in forecast.temperatures},
        cooling=_cooling(forecast),
        glance=glance(forecast),
        settings=settings_blocks(season, session, forecast),
        expected=expected_blocks(season, session, forecast),
        read_back=read_back(session),
        raised=raised(session, forecast, texts),
        assumed=(
            *(one.words for one in forecast.assumptions if one.basis.kind == "assumed"),
            *forecast.notes,
        ),
        refused=tuple(unsafe(forecast)),
        answered=tuple(answered(forecast)),
    )


def _point(one: SetpointForecast) -> Point | None:
    held = dict(one.at)
    common = {
        "current_a": one.supply_current_a.value,
        "power_w": one.electrical_power_w.value,
        "sound_db": one.sound_db,
    }
    if "speed_rpm" in held:
        return Point(kind="speed", value=held["speed_rpm"], **common)
    if "throttle_percent" in held:
        return Point(kind="throttle", value=held["throttle_percent"] / 100.0, **common)
    return None


def _values(session: Session, forecast: Forecast) -> dict[tuple[str, At], float]:
    """What is foreseen of the baseline, in published units."""
    found: dict[tuple[str, At], float] = {}
    for one in forecast.setpoints:
        if one.treatment != session.file.baseline or not one.reachable:
            continue
        at: At = tuple((name, float(f"{value:.10g}")) for name, value in one.at)
        found["electrical_power", at] = one.electrical_power_w.value
        found["current", at] = one.supply_current_a.value
        found["voltage", at] = one.tap_voltage_v.value
        if one.thrust_n is not None:
            found["thrust", at] = GF_PER_N * one.thrust_n.value
            found["thrust_per_power", at] = found["thrust", at] / one.electrical_power_w.value
        if one.shaft_power_w is not None:
            found["shaft_power", at] = one.shaft_power_w.value
        if "throttle_percent" in dict(one.at):
            found["speed", at] = one.speed_rpm.value
    for advice in forecast.sampling:
        targets: tuple[float, ...] = getattr(session.plans.get(advice.procedure), "to_rpm", ())
        # the shortest rise of several steps is not that of each
        if advice.treatment == session.file.baseline and advice.shortest_ms is not None and len(targets) == 1:
            found["rise_time", (("speed_rpm", float(targets[0])),)] = advice.shortest_ms
    return found


def _cooling(forecast: Forecast) -> Cooling:
    """The slowest motor's: what is foreseen holds while the propeller blows at it, at rest it takes longer."""
    if not forecast.temperatures:
        return ASSUMED_COOLING
    slowest = max(forecast.temperatures, key=lambda one: one.time_constant_s)
    at_rest = SLOWER_AT_REST * slowest.time_constant_s
    return Cooling(
        time_constant_s=at_rest,
        told=(
            f"A motor that stands still is taken to cool with a time constant of {at_rest / 60.0:.1f} min: "
            f"{SLOWER_AT_REST:g} times that with its propeller turning ({slowest.basis.words})."
        ),
        assumed=True,
    )
