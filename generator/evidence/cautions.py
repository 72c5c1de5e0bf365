"""Cautions of a session: those always shown, those its data and parts raise, and those the tester adds."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from generator.evidence import bench_extremes as extremes
from generator.evidence.bench_extremes import ZERO_CELSIUS_K, cells_of
from generator.evidence.check_input import sustained_lowest
from generator.evidence.noise import allowed_minutes, duration_words
from generator.evidence.records import Caution, SignalWord
from generator.evidence.wording import number, plain, with_unit
from generator.intake.caution_texts import CautionText
from generator.intake.parts import Controller, Motor, Pack, Propeller, Supply
from generator.intake.reference_texts import Thresholds
from generator.intake.session import Season, Session, Treatment
from generator.reduction.air import tip_mach
from generator.reduction.records import RunReduction

# Order of severity, ANSI Z535.6; NOTICE is about property alone.
SEVERITY: tuple[SignalWord, ...] = ("DANGER", "WARNING", "CAUTION", "NOTICE")
# Below this for each cell the pack is not connected yet. Our own choice, no source.
UNPLUGGED_V = 1.0
# Procedures that slow the motor down under control, so that braking may return energy.
SLOWING = ("spin-up", "staircase", "ramp", "soak")
WITHOUT_PROPELLER = "free-run"


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

    @property
    def motor(self) -> Motor:
        return self.season.motor(self.treatment)

    @property
    def controller(self) -> Controller:
        return self.season.controller(self.treatment)

    @property
    def propeller(self) -> Propeller:
        return self.season.propeller(self.treatment)

    @property
    def source(self) -> Pack | Supply:
        return self.season.source(self.treatment)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Told:
    """What a rule says of one treatment; of those with one id about one thing the largest size is printed."""

    id: str
    about: str
    size: float
    facts: Mapping[str, str]


def cautions(
    runs: Sequence[RunReduction],
    season: Season,
    session: Session,
    texts: Mapping[str, CautionText],
    thresholds: Thresholds,
) -> tuple[Caution, ...]:
    """All cautions of a session, the gravest signal word first, within one word those always shown first.

    texts  caution id -> text; every raised id must be there
    Ids are unique: a text that is raised for several treatments or parts is told for each, and the later ones
    carry the treatments.
    Raises  KeyError for a raised caution without a text
    """
    made = [_filled(text, {}, (), text.id) for text in texts.values() if text.always_on]
    seen: set[str] = set()
    for raised in raised_by(runs, season, session, thresholds):
        id_ = raised.id if raised.id not in seen else "-".join((raised.id, *raised.treatments))
        while id_ in seen:
            id_ += "-2"
        seen.add(id_)
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
    """What the data and the parts raise, rule by rule.

    Where the words name no treatment, several treatments share one caution about one part, with the worst facts.
    """
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
    told: dict[tuple[str, str], list[tuple[_Told, str]]] = {}
    for rule in RULES:
        for bench in benches:
            for one in rule(bench):
                told.setdefault((one.id, one.about), []).append((one, bench.name))
    return tuple(
        Raised(
            id=id_,
            facts=max((one for one, _ in found), key=lambda one: one.size).facts,
            treatments=tuple(dict.fromkeys(name for _, name in found)),
        )
        for (id_, _), found in told.items()
    )


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


# --- the rules, each for one treatment ----------------------------------------------------------------------


def _cells(bench: _Bench) -> Iterator[_Told]:
    """Cells over what motor and controller are rated for."""
    cells = cells_of(bench.treatment, bench.source)
    for id_, part in (("cells-over-motor", bench.motor), ("cells-over-controller", bench.controller)):
        if cells is not None and part.rated_cells_max is not None and cells > part.rated_cells_max:
            facts = {"cells": str(cells), "rated": str(part.rated_cells_max), "part": part.label}
            yield _Told(id=id_, about=part.label, size=cells, facts=facts)


def _cap(bench: _Bench) -> Iterator[_Told]:
    """A cap that alone keeps motor or propeller below their speed limits; KV times full cells is the upper bound."""
    cells = cells_of(bench.treatment, bench.source)
    limits = [
        (part.speed_limit_rpm, part.label)
        for part in (bench.motor, bench.propeller)
        if part.speed_limit_rpm is not None
    ]
    if bench.treatment.output_cap >= 1.0 or cells is None or not limits:
        return
    full_v = max(bench.thresholds.value("cell.full_v"), bench.treatment.volts_per_cell_v or 0.0)
    speed = bench.motor.kv_rpm_per_v * full_v * cells
    limit, part = min(limits)
    if speed > limit:
        facts = {
            "treatment": bench.treatment.label,
            "cap_percent": plain(100.0 * bench.treatment.output_cap),
            "speed_rpm": plain(speed),
            "limit_rpm": plain(limit),
            "part": part,
        }
        yield _Told(id="cap-lost-overspeed", about=bench.name, size=speed, facts=facts)


def _currents(bench: _Bench) -> Iterator[_Told]:
    """Mean current above the continuous rating of motor, controller or pack."""
    current = extremes.highest_mean_current_a(bench.runs)
    if current is None:
        return
    rated = [
        ("current-over-rating", p.label, p.continuous_current_a) for p in (bench.motor, bench.controller)
    ]
    if isinstance(bench.source, Pack):
        rated.append(("pack-current-over-rating", bench.source.label, bench.source.continuous_current_a))
    for id_, part, rating in rated:
        if rating is not None and current > rating:
            facts = {
                "treatment": bench.treatment.label,
                "part": part,
                "current_a": plain(current),
                "rating_a": plain(rating),
            }
            yield _Told(id=id_, about=f"{part} {bench.name}", size=current, facts=facts)


def _temperatures(bench: _Bench) -> Iterator[_Told]:
    """Measured temperatures against the limits of motor and controller.

    A motor without a stated limit is held against its thermal class and its magnets by cautions of their own, so
    `temperature-over-limit` is left to stated limits. What was measured with the sensor is not the hottest spot.
    """
    for part, column in (
        (bench.motor, "motor_temperature_k"),
        (bench.controller, "controller_temperature_k"),
    ):
        found = extremes.highest_temperature_k(bench.runs, column, bench.air_k)
        if found is None:
            continue
        limit = part.temperature_limit_k
        if limit is not None and found > limit:
            facts = _of_limit(bench, part.label, found, limit, "stated for the part")
            about = f"{part.label} {bench.name}"
            yield _Told(id="temperature-over-limit", about=about, size=found, facts=facts)
        if part is bench.motor:
            yield from _motor_materials(bench, found)
        if found - ZERO_CELSIUS_K >= bench.thresholds.value("touch.handling_c"):
            facts = {"temperature_c": _celsius(found), "part": part.label}
            yield _Told(id="hot-surface", about=part.label, size=found, facts=facts)


def _motor_materials(bench: _Bench, found_k: float) -> Iterator[_Told]:
    """Motor temperature against winding class and magnet grade."""
    motor = bench.motor
    winding = extremes.winding_limit_k(motor, bench.thresholds)
    if winding is not None and found_k >= winding[0]:
        facts = {"class": str(motor.thermal_class), **_against(found_k, winding[0])}
        yield _Told(id="winding-class", about=motor.label, size=found_k, facts=facts)
    magnet = extremes.magnet_limit_k(motor, bench.thresholds)
    if magnet is not None and found_k >= magnet[0]:
        facts = {"grade": str(motor.magnet_grade), **_against(found_k, magnet[0])}
        yield _Told(id="magnet-limit", about=motor.label, size=found_k, facts=facts)


def _projected(bench: _Bench) -> Iterator[_Told]:
    """A soak that would settle above the motor's limit without having reached it."""
    limit = extremes.motor_limit_k(bench.motor, bench.thresholds)
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
        facts = _of_limit(bench, bench.motor.label, projected, *limit)
        yield _Told(id="temperature-near-limit", about=bench.name, size=projected, facts=facts)


def _speeds(bench: _Bench) -> Iterator[_Told]:
    """Speed above the propeller's limit, and blade tips close to the speed of sound."""
    propeller = bench.propeller
    speed = extremes.highest_speed_rpm([run for run in bench.runs if run.procedure != WITHOUT_PROPELLER])
    if speed is None:
        return
    if propeller.speed_limit_rpm is not None and speed > propeller.speed_limit_rpm:
        facts = {
            "speed_rpm": plain(speed),
            "limit_rpm": plain(propeller.speed_limit_rpm),
            "part": propeller.label,
        }
        yield _Told(id="speed-over-propeller-limit", about=propeller.label, size=speed, facts=facts)
    mach = tip_mach(propeller.diameter_m, speed, bench.air_k)
    if mach >= bench.thresholds.value("propeller.tip_mach"):
        facts = {"mach": number(mach, 2), "treatment": bench.treatment.label, "speed_rpm": plain(speed)}
        yield _Told(id="tip-mach", about=bench.name, size=mach, facts=facts)


def _bare(bench: _Bench) -> Iterator[_Told]:
    """Runs without a propeller: it has to come off first, and the bare motor is fast."""
    if any(run.procedure == WITHOUT_PROPELLER for run in bench.runs):
        yield _Told(id="bare-motor", about="", size=0.0, facts={})


def _unloaded(bench: _Bench) -> Iterator[_Told]:
    """A motor without a propeller has nothing that slows it down: above its speed limit."""
    limit = bench.motor.speed_limit_rpm
    speed = extremes.highest_speed_rpm([run for run in bench.runs if run.procedure == WITHOUT_PROPELLER])
    if limit is not None and speed is not None and speed > limit:
        facts = {"speed_rpm": plain(speed), "limit_rpm": plain(limit), "part": bench.motor.label}
        yield _Told(id="free-run-overspeed", about=bench.motor.label, size=speed, facts=facts)


def _sound(bench: _Bench) -> Iterator[_Told]:
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
    facts = {
        "level_db": number(level, 0),
        "allowed": duration_words(minutes),
        "distance": "not stated" if distance is None else with_unit(plain(distance, digits=2), "m"),
    }
    yield _Told(id="sound-level", about="", size=level, facts=facts)


def _returned_energy(bench: _Bench) -> Iterator[_Told]:
    """A supply that cannot take energy back, with a procedure that slows the motor down."""
    source = bench.source
    slowing = any(run.procedure in SLOWING for run in bench.runs)
    if isinstance(source, Supply) and not source.absorbs_returned_energy and slowing:
        facts = {"supply": source.label}
        yield _Told(id="supply-cannot-absorb", about=source.label, size=0.0, facts=facts)


def _drained(bench: _Bench) -> Iterator[_Told]:
    """A pack that is emptied: down to where, and from how cold."""
    pack, plan = bench.source, bench.session.plans.get("drain")
    runs = [run for run in bench.runs if run.procedure == "drain"]
    if not isinstance(pack, Pack) or plan is None or not runs:
        return
    cut_off = float(getattr(plan, "cut_off_v", 0.0))
    facts = {"part": pack.label, "cut_off_v": plain(cut_off)}
    yield _Told(id="pack-over-discharge", about=pack.label, size=-cut_off, facts=facts)
    limit_k = bench.thresholds.value("cell.cold_c") + ZERO_CELSIUS_K
    coldest = min(dict(run.fits).get("pack_start_temperature_k", bench.air_k) for run in runs)
    if coldest < limit_k:
        facts = {"part": pack.label, **_against(coldest, limit_k)}
        yield _Told(id="pack-cold", about=pack.label, size=-coldest, facts=facts)


def _emptied(bench: _Bench) -> Iterator[_Told]:
    """A pack whose voltage fell below what a lithium cell stands, in whatever procedure."""
    pack, limit_v = bench.source, bench.thresholds.value("cell.lowest_v")
    if not isinstance(pack, Pack):
        return
    traces = [run.trace for run in bench.runs if "voltage_v" in run.trace]
    plugged_in = [trace[trace["voltage_v"] > UNPLUGGED_V * pack.cells] for trace in traces]
    found = [sustained_lowest(trace, "voltage_v") for trace in plugged_in]
    lowest = min((value for value in found if value is not None), default=math.inf) / pack.cells
    if lowest < limit_v:
        facts = {
            "treatment": bench.treatment.label,
            "part": pack.label,
            "lowest_v": number(lowest, 2),
            "limit_v": plain(limit_v),
        }
        yield _Told(id="pack-below-limit", about=f"{pack.label} {bench.name}", size=-lowest, facts=facts)


RULES: tuple[Callable[[_Bench], Iterator[_Told]], ...] = (
    _cells,
    _cap,
    _speeds,
    _bare,
    _unloaded,
    _currents,
    _temperatures,
    _projected,
    _sound,
    _returned_energy,
    _drained,
    _emptied,
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
