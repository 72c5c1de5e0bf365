"""Cautions of a session: those always shown, those its data and parts raise, and those the tester adds."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from generator.evidence import bench_extremes as extremes
from generator.evidence.bench_extremes import ZERO_CELSIUS_K, cells_of
from generator.evidence.noise import allowed_minutes, duration_words
from generator.evidence.records import Caution, SignalWord
from generator.evidence.wording import number, plain, with_unit
from generator.intake.caution_texts import CautionText
from generator.intake.parts import Pack, Supply
from generator.intake.reference_texts import Thresholds
from generator.intake.session import Season, Session, Treatment
from generator.reduction.air import tip_mach
from generator.reduction.records import RunReduction

# Order of severity, ANSI Z535.6; NOTICE is about property alone.
SEVERITY: tuple[SignalWord, ...] = ("DANGER", "WARNING", "CAUTION", "NOTICE")
# Procedures that slow the motor down under control, so that braking may return energy.
SLOWING = ("spin-up", "staircase", "ramp", "soak")
PARTS = (("motor", "motor_temperature_k"), ("controller", "controller_temperature_k"))


@dataclass(frozen=True, slots=True, kw_only=True)
class Raised:
    """A caution that the data or the parts raise: id of its text, facts for its places, treatments it is about."""

    id: str
    facts: Mapping[str, str]
    treatments: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Bench:
    """One treatment with its runs; refused runs count too, since what they did to people and parts is done."""

    name: str
    treatment: Treatment
    runs: tuple[RunReduction, ...]
    season: Season
    session: Session
    thresholds: Thresholds

    @property
    def air_k(self) -> float:
        return self.session.file.air.temperature_k


def cautions(
    runs: Sequence[RunReduction],
    season: Season,
    session: Session,
    texts: Mapping[str, CautionText],
    thresholds: Thresholds,
) -> tuple[Caution, ...]:
    """All cautions of a session, the gravest signal word first, within one word those always shown first.

    texts  caution id -> text; every raised id must be there
    Facts that several treatments share are told once. A caution that several treatments raise with different
    facts is told for each; ids stay unique, the later ones carrying the treatment.
    Raises  KeyError for a raised caution without a text
    """
    made = [_filled(text, {}, (), text.id) for text in texts.values() if text.always_on]
    seen: set[str] = set()
    for raised in raised_by(runs, season, session, thresholds):
        id_ = "-".join((raised.id, *raised.treatments)) if raised.id in seen else raised.id
        seen.add(raised.id)
        made.append(_filled(texts[raised.id], raised.facts, raised.treatments, id_))
    for place, stated in enumerate(session.file.cautions, start=1):
        made.append(
            Caution(
                id=f"stated-{place}", signal=stated.signal, title="The tester adds", hazard=stated.text,
                consequence="", avoidance="", threshold="Stated with the session.",
                source="the tester", always_on=False,
            )
        )  # fmt: skip
    return tuple(sorted(made, key=lambda c: (SEVERITY.index(c.signal), not c.always_on)))


def raised_by(
    runs: Sequence[RunReduction], season: Season, session: Session, thresholds: Thresholds
) -> tuple[Raised, ...]:
    """What the data and the parts raise, rule by rule, treatments with the same facts merged."""
    benches = [
        _Bench(
            name=name,
            treatment=treatment,
            runs=tuple(run for run in runs if run.treatment == name),
            season=season,
            session=session,
            thresholds=thresholds,
        )
        for name, treatment in session.file.treatments.items()
    ]
    merged: dict[tuple[str, tuple[tuple[str, str], ...]], list[str]] = {}
    for rule in RULES:
        for bench in benches:
            for id_, facts in rule(bench):
                merged.setdefault((id_, tuple(facts.items())), []).append(bench.name)
    found = [
        Raised(id=id_, facts=dict(facts), treatments=tuple(dict.fromkeys(names)))
        for (id_, facts), names in merged.items()
    ]
    return tuple(_hottest_only(found))


def _hottest_only(found: Sequence[Raised]) -> Iterator[Raised]:
    """A part's surface is told once, with its highest temperature; the facts are in whole degrees."""
    surfaces: dict[str, Raised] = {}
    for raised in found:
        part = raised.facts.get("part", "")
        if raised.id != "hot-surface":
            continue
        known = surfaces.get(part)
        if known is None or float(raised.facts["temperature_c"]) > float(known.facts["temperature_c"]):
            surfaces[part] = raised
    for raised in found:
        if raised.id != "hot-surface" or raised is surfaces[raised.facts.get("part", "")]:
            yield raised


def _filled(text: CautionText, facts: Mapping[str, str], treatments: tuple[str, ...], id_: str) -> Caution:
    return Caution(
        id=id_,
        signal=text.signal,
        title=text.title.format_map(facts),
        hazard=text.hazard.format_map(facts),
        consequence=text.consequence.format_map(facts),
        avoidance=text.avoidance.format_map(facts),
        threshold=text.threshold.format_map(facts),
        source=text.source,
        always_on=text.always_on,
        applies_to=treatments,
    )


# --- the rules: each yields (id of the text, facts for its places) for one treatment ------------------------

Told = Iterator[tuple[str, dict[str, str]]]


def _cells(bench: _Bench) -> Told:
    """Cells over what motor and controller are rated for."""
    cells = cells_of(bench.treatment, bench.season.source(bench.treatment))
    motor, controller = bench.season.motor(bench.treatment), bench.season.controller(bench.treatment)
    for id_, part in (("cells-over-motor", motor), ("cells-over-controller", controller)):
        if cells is not None and part.rated_cells_max is not None and cells > part.rated_cells_max:
            yield id_, {"cells": str(cells), "rated": str(part.rated_cells_max), "part": part.label}


def _cap(bench: _Bench) -> Told:
    """A cap that alone keeps motor or propeller below their speed limits; KV times full cells is the upper bound."""
    source = bench.season.source(bench.treatment)
    cells = cells_of(bench.treatment, source)
    motor, propeller = bench.season.motor(bench.treatment), bench.season.propeller(bench.treatment)
    limits = [
        (part.speed_limit_rpm, part.label) for part in (motor, propeller) if part.speed_limit_rpm is not None
    ]
    if bench.treatment.output_cap >= 1.0 or cells is None or not limits:
        return
    full_v = max(bench.thresholds.value("cell.full_v"), bench.treatment.volts_per_cell_v or 0.0)
    speed = motor.kv_rpm_per_v * full_v * cells
    limit, part = min(limits)
    if speed > limit:
        yield (
            "cap-lost-overspeed",
            {
                "treatment": bench.treatment.label,
                "cap_percent": plain(100.0 * bench.treatment.output_cap),
                "speed_rpm": plain(speed),
                "limit_rpm": plain(limit),
                "part": part,
            },
        )


def _currents(bench: _Bench) -> Told:
    """Mean current above the continuous rating of motor, controller or pack."""
    current = extremes.highest_mean_current_a(bench.runs)
    if current is None:
        return
    source = bench.season.source(bench.treatment)
    motor, controller = bench.season.motor(bench.treatment), bench.season.controller(bench.treatment)
    rated = [("current-over-rating", p.label, p.continuous_current_a) for p in (motor, controller)]
    if isinstance(source, Pack):
        rated.append(("pack-current-over-rating", source.label, source.continuous_current_a))
    for id_, part, rating in rated:
        if rating is not None and current > rating:
            yield (
                id_,
                {
                    "treatment": bench.treatment.label,
                    "part": part,
                    "current_a": plain(current),
                    "rating_a": plain(rating),
                },
            )


def _temperatures(bench: _Bench) -> Told:
    """Measured temperatures against the limits of motor and controller.

    A motor without a stated limit is held against its thermal class and its magnets by cautions of their own, so
    `temperature-over-limit` is left to stated limits. What was measured with the sensor is not the hottest spot.
    """
    motor, controller = bench.season.motor(bench.treatment), bench.season.controller(bench.treatment)
    measured = {
        part: extremes.highest_temperature_k(bench.runs, column, bench.air_k) for part, column in PARTS
    }
    for part, limit in (("motor", motor.temperature_limit_k), ("controller", controller.temperature_limit_k)):
        label = motor.label if part == "motor" else controller.label
        found = measured[part]
        if limit is not None and found is not None and found > limit:
            yield "temperature-over-limit", _of_limit(bench, label, found, limit, "stated for the part")
    hottest = measured["motor"]
    if hottest is not None:
        winding = extremes.winding_limit_k(motor, bench.thresholds)
        if winding is not None and hottest >= winding[0]:
            yield "winding-class", {"class": str(motor.thermal_class), **_against(hottest, winding[0])}
        magnet = extremes.magnet_limit_k(motor, bench.thresholds)
        if magnet is not None and hottest >= magnet[0]:
            yield "magnet-limit", {"grade": str(motor.magnet_grade), **_against(hottest, magnet[0])}
    for part, found in measured.items():
        if found is not None and found - ZERO_CELSIUS_K >= bench.thresholds.value("touch.handling_c"):
            label = motor.label if part == "motor" else controller.label
            yield "hot-surface", {"temperature_c": _celsius(found), "part": label}


def _projected(bench: _Bench) -> Told:
    """A soak that would settle above the motor's limit without having reached it."""
    motor = bench.season.motor(bench.treatment)
    limit = extremes.motor_limit_k(motor, bench.thresholds)
    rises = [
        r.value
        for run in bench.runs
        if run.refused is None
        for r in run.responses
        if r.response == "settled_rise" and math.isfinite(r.value)
    ]
    if limit is None or not rises:
        return
    projected = math.fsum(rises) / len(rises) + bench.air_k
    measured = extremes.highest_temperature_k(bench.runs, "motor_temperature_k", bench.air_k)
    if projected > limit[0] and (measured is None or measured <= limit[0]):
        yield "temperature-near-limit", _of_limit(bench, motor.label, projected, *limit)


def _speeds(bench: _Bench) -> Told:
    """Speed above the propeller's limit, and blade tips close to the speed of sound."""
    propeller = bench.season.propeller(bench.treatment)
    speed = extremes.highest_speed_rpm(bench.runs)
    if speed is None:
        return
    if propeller.speed_limit_rpm is not None and speed > propeller.speed_limit_rpm:
        yield (
            "speed-over-propeller-limit",
            {
                "speed_rpm": plain(speed),
                "limit_rpm": plain(propeller.speed_limit_rpm),
                "part": propeller.label,
            },
        )
    mach = tip_mach(propeller.diameter_m, speed, bench.air_k)
    if mach >= bench.thresholds.value("propeller.tip_mach"):
        yield (
            "tip-mach",
            {
                "mach": number(mach, 2),
                "treatment": bench.treatment.label,
                "speed_rpm": plain(speed),
            },
        )


def _sound(bench: _Bench) -> Told:
    """Sound level from where a day's allowance counts, with the minutes that use it up."""
    level = extremes.highest_sound_level_db(bench.runs)
    if level is None or level < bench.thresholds.value("sound.caution_from_db"):
        return
    minutes = allowed_minutes(
        level,
        criterion_db=bench.thresholds.value("sound.level_db"),
        duration_h=bench.thresholds.value("sound.duration_h"),
        exchange_rate_db=bench.thresholds.value("sound.exchange_rate_db"),
    )
    distance = bench.session.rig.sound_distance_m
    yield (
        "sound-level",
        {
            "level_db": number(level, 0),
            "allowed": duration_words(minutes),
            "distance": "not stated" if distance is None else with_unit(plain(distance, digits=2), "m"),
        },
    )


def _returned_energy(bench: _Bench) -> Told:
    """A supply that cannot take energy back, with a procedure that slows the motor down."""
    source = bench.season.source(bench.treatment)
    slowing = any(run.procedure in SLOWING for run in bench.runs)
    if isinstance(source, Supply) and not source.absorbs_returned_energy and slowing:
        yield "supply-cannot-absorb", {"supply": source.label}


RULES: tuple[Callable[[_Bench], Told], ...] = (
    _cells,
    _cap,
    _speeds,
    _currents,
    _temperatures,
    _projected,
    _sound,
    _returned_energy,
)


def _of_limit(bench: _Bench, part: str, found_k: float, limit_k: float, basis: str) -> dict[str, str]:
    return {
        "treatment": bench.treatment.label,
        "part": part,
        **_against(found_k, limit_k),
        "basis": basis,
    }


def _against(found_k: float, limit_k: float) -> dict[str, str]:
    """A temperature and its limit; with a decimal where whole degrees would make them look the same."""
    places = 0 if abs(found_k - limit_k) >= 1.0 else 1
    return {"temperature_c": _celsius(found_k, places), "limit_c": _celsius(limit_k, places)}


def _celsius(kelvin: float, places: int = 0) -> str:
    """Degrees Celsius without the unit, which stands in the text."""
    return f"{kelvin - ZERO_CELSIUS_K:.{places}f}"
