"""A forecast as tables of the run sheet: what to set, what to expect, when to stop, how warm and how loud it gets."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from generator.evidence.bench_extremes import ZERO_CELSIUS_K
from generator.evidence.noise import duration_words
from generator.evidence.wording import decimals_for, listed, number, plain, sentence_case, with_unit
from generator.intake.caution_texts import CautionText
from generator.intake.parts import Pack
from generator.intake.session import Season, Session
from generator.planning.plan_records import (
    Forecast,
    Foretold,
    Hazard,
    SetpointForecast,
    TemperatureForecast,
    TreatmentForecast,
)
from generator.planning.run_sheet_records import Block, SheetCaution, Table, Words
from generator.planning.run_sheet_settings import NOTHING, speed_limit_words
from generator.reduction.measured import GF_PER_N
from generator.reduction.spin_up import SpinUpPlan

# A current is stopped at a quarter above what is foreseen, or three times its doubt, or half an ampere, whichever is
# most, and never above what motor, controller or supply may give. Our own choice, no source.
STOP_SHARE, STOP_DOUBTS, STOP_A = 0.25, 3.0, 0.5
# The motor is stopped so far below its limit: the winding is warmer than the case that is touched. Our own choice.
STOP_BELOW_K = 20.0
PEAKS = (
    "While it spins up, more flows for an instant: no reason to stop while the supply's limit is not reached."
)


def settings_blocks(season: Season, session: Session, forecast: Forecast) -> tuple[Block, ...]:
    """What to set for each treatment, and what a lost cap would do."""
    cells = {one.treatment: _settings(season, session, one) for one in forecast.treatments}
    rows = list(dict.fromkeys(name for found in cells.values() for name in found))
    used = [row for row in rows if any(found[row] != NOTHING for found in cells.values())]
    table = Table(
        caption="What to set for each treatment, and what full throttle gives",
        head=("What", *(one.label for one in forecast.treatments)),
        rows=tuple((row, *(found[row] for found in cells.values())) for row in used),
        numeric=(False,) * (1 + len(cells)),
    )
    words = [_sentence(w) for one in forecast.treatments for w in (one.cap_words, one.supply_words) if w]
    rests = listed(list(dict.fromkeys(one.basis.words for one in forecast.treatments)))
    return (table, Words(texts=(*dict.fromkeys(words), f"These figures rest on what is {rests}.")))


def expected_blocks(season: Season, session: Session, forecast: Forecast) -> tuple[Block, ...]:
    """Setpoints with what to expect and when to stop; temperatures, noise and sampling after them."""
    blocks: list[Block] = []
    for procedure in dict.fromkeys(point.procedure for point in forecast.setpoints):
        points = [point for point in forecast.setpoints if point.procedure == procedure]
        rows = [_setpoint(season, session, forecast, point) for point in points]
        # a speed that is held says itself what it is
        columns = [
            name for name in rows[0] if name != "Speed" or any(_speed_matters(point) for point in points)
        ]
        blocks.append(
            Table(
                caption=f"{sentence_case(procedure)}: what each setpoint shows once it is settled",
                head=("Setpoint", *columns),
                rows=tuple(
                    (_held(session, point), *(row[name] for name in columns))
                    for point, row in zip(points, rows, strict=True)
                ),
                numeric=(False, *(True for _ in columns)),
                notes=(
                    *dict.fromkeys(_sentence(p.why_not) for p in points if not p.reachable),
                    *((PEAKS,) if isinstance(session.plans.get(procedure), SpinUpPlan) else ()),
                ),
            )
        )
    if forecast.temperatures:
        blocks.append(
            Table(
                caption="Motor temperature",
                head=("Procedure", "Stop at", "Above the air after a run", "Would settle at", "Limit"),
                rows=tuple(_temperature(session, one) for one in forecast.temperatures),
                numeric=(False, True, True, True, False),
            )
        )
    heard = tuple(dict.fromkeys(_sentence(one.words) for one in forecast.noise))
    sampled = tuple(dict.fromkeys(_sentence(one.words) for one in forecast.sampling))
    if heard or sampled:
        blocks.append(Words(texts=(*sampled, *heard)))
    return tuple(blocks)


def glance(forecast: Forecast) -> tuple[tuple[str, str], ...]:
    """Sampling rate and noise, the highest of the session."""
    pairs: list[tuple[str, str]] = []
    if forecast.sampling:
        fastest = max(one.at_least_hz for one in forecast.sampling)
        pairs.append(("Sampling", f"at least {plain(fastest, digits=2)} a second"))
    if forecast.noise:
        loudest = max(forecast.noise, key=lambda one: one.level_db.value)
        pairs.append(
            (
                f"Noise at {plain(loudest.distance_m, 'm')}",
                f"up to {_with_doubt(loudest.level_db, 'dB')}, "
                f"{duration_words(loudest.minutes)} a day without protection",
            )
        )
    return tuple(pairs)


def raised(
    session: Session, forecast: Forecast, texts: Mapping[str, CautionText]
) -> tuple[SheetCaution, ...]:
    """Hazards as cautions, once for all treatments they are said of alike: those that would refuse are warnings."""
    alike: dict[tuple[str, str, str], list[Hazard]] = {}
    for hazard in forecast.hazards:
        own = session.file.treatments[hazard.treatment].label if hazard.treatment else ""
        what = hazard.what.replace(own, "") if own else hazard.what
        alike.setdefault((hazard.severity, what, hazard.why), []).append(hazard)
    return tuple(_caution(session, found, texts.get(found[0].id)) for found in alike.values())


def _caution(session: Session, alike: Sequence[Hazard], text: CautionText | None) -> SheetCaution:
    first = alike[0]
    about = [session.file.treatments[one.treatment].label for one in alike if one.treatment]
    hazard = f"Said of {listed(about)}." if about and not all(label in first.what for label in about) else ""
    limit = (
        f" Limit: {plain(first.limit, first.unit)}, {first.source.rstrip('.')}."
        if first.unit not in ("", "1")
        else ""
    )
    how = text.avoidance if text is not None and "{" not in text.avoidance else ""
    on = f" The tester goes on because: {_sentence(first.go_on)}" if first.go_on else ""
    return SheetCaution(
        signal="WARNING" if first.severity == "refuse" else "CAUTION",
        title=sentence_case(first.what.strip().rstrip(".")),
        hazard=hazard,
        consequence=f"{_sentence(first.why)}{limit}{on}",
        avoidance=how,
    )


def stop_current_a(
    season: Season, session: Session, settings: Mapping[str, TreatmentForecast], point: SetpointForecast
) -> float:
    """Current above which a setpoint is left at once [A]."""
    foreseen = point.supply_current_a
    stop = foreseen.value + max(STOP_SHARE * foreseen.value, STOP_DOUBTS * foreseen.u, STOP_A)
    treatment = session.file.treatments[point.treatment]
    source = season.source(treatment)
    own = source.continuous_current_a if isinstance(source, Pack) else source.current_limit_a
    ratings = [
        season.motor(treatment).continuous_current_a,
        season.controller(treatment).continuous_current_a,
        own,
    ]
    setting = settings[point.treatment].set_current_a if point.treatment in settings else None
    return min([stop, *(amps for amps in (*ratings, setting) if amps is not None)])


# --- rows ---------------------------------------------------------------------------------------------------


def _settings(season: Season, session: Session, one: TreatmentForecast) -> dict[str, str]:
    treatment = session.file.treatments[one.treatment]
    capped = one.cap < 1.0
    equal = one.equalising_cap
    lost = one.uncapped_speed_rpm
    return {
        "Supply or pack": season.source(treatment).label,
        "Voltage to set": plain(one.set_voltage_v, "V") if one.set_voltage_v is not None else NOTHING,
        "Voltage at rest": plain(one.rest_voltage_v, "V"),
        "Current limit to set": NOTHING
        if one.set_current_a is None
        else f"{plain(one.set_current_a, 'A', 3)}: {one.set_current_words.rstrip('.')}",
        "Output cap": plain(100.0 * one.cap, "%") if capped else "none",
        "Cap for the baseline's top speed": NOTHING
        if equal is None
        else _with_doubt(_scaled(equal, 100.0), "%"),
        "Top speed": _with_doubt(one.top_speed_rpm, "rpm"),
        "If the cap is lost": _with_doubt(lost, "rpm") if lost is not None else NOTHING,
        "KV times voltage, without a cap": plain(one.free_run_bound_rpm, "rpm", 3),
        "Lowest speed limit": speed_limit_words(season, treatment),
        "Current at full throttle": _with_doubt(one.full_current_a, "A"),
        "Power at full throttle": _with_doubt(one.full_power_w, "W"),
        "Tip Mach number at top speed": plain(one.top_tip_mach, digits=2),
        "A full pack lasts": plain(one.pack_minutes, "min", 2) if one.pack_minutes is not None else NOTHING,
    }


def _setpoint(
    season: Season, session: Session, forecast: Forecast, point: SetpointForecast
) -> dict[str, str]:
    """What is foreseen at a setpoint, by the name of its column; the limit first, for a narrow screen."""
    speed = _with_doubt(point.speed_rpm, "rpm")
    names = ("Stop above", "Current", "Power", "Throttle", "Speed", "Thrust")
    if not point.reachable:
        return {**dict.fromkeys(names, NOTHING), "Stop above": "not reachable", "Speed": speed}
    settings = {one.treatment: one for one in forecast.treatments}
    thrust = point.thrust_n
    found = (
        plain(stop_current_a(season, session, settings, point), "A", 2),
        _with_doubt(point.supply_current_a, "A"),
        _with_doubt(point.electrical_power_w, "W"),
        _with_doubt(_scaled(point.throttle, 100.0), "%"),
        speed,
        NOTHING if thrust is None else _with_doubt(_scaled(thrust, GF_PER_N), "gf"),
    )
    return dict(zip(names, found, strict=True))


def _speed_matters(point: SetpointForecast) -> bool:
    return not point.reachable or all(name != "speed_rpm" for name, _ in point.at)


def _scaled(found: Foretold, factor: float) -> Foretold:
    return Foretold(value=factor * found.value, u=factor * found.u)


def _held(session: Session, point: SetpointForecast) -> str:
    units = {"speed_rpm": "rpm", "throttle_percent": "% throttle", "thrust_gf": "gf"}
    held = ", ".join(with_unit(plain(value, digits=5), units.get(name, "")) for name, value in point.at)
    return f"{held or point.procedure}, {session.file.treatments[point.treatment].label}"


def _temperature(session: Session, one: TemperatureForecast) -> tuple[str, ...]:
    stop = one.limit_k - STOP_BELOW_K if one.limit_k is not None else None
    return (
        f"{sentence_case(one.procedure)}, {session.file.treatments[one.treatment].label}",
        _celsius(stop) if stop is not None else NOTHING,
        _with_doubt(one.rise_k, "K"),
        _celsius(one.settled_k),
        f"{_celsius(one.limit_k)}, {one.limit_words}" if one.limit_k is not None else "no limit stated",
    )


def _with_doubt(found: Foretold, unit: str) -> str:
    """A value to the digits that its standard uncertainty bears."""
    places = decimals_for(found.u, digits=1, largest=found.value) if found.u > 0.0 else None
    return plain(found.value, unit, 3) if places is None else with_unit(number(found.value, places), unit)


def _celsius(kelvin: float) -> str:
    return with_unit(number(kelvin - ZERO_CELSIUS_K, 0), "°C")


def _sentence(text: str) -> str:
    flat = sentence_case(text.strip())
    return flat if flat.endswith((".", "?", "!")) else f"{flat}."


def unsafe(forecast: Forecast) -> Iterator[tuple[str, str]]:
    """(key for `go_on_because`, what speaks against the plan) of everything that nobody has answered for."""
    told = (
        (hazard.id, " ".join(_sentence(text) for text in (hazard.what, hazard.why, hazard.mend) if text))
        for hazard in forecast.refusals
    )
    yield from dict.fromkeys(told)  # what holds for several treatments is told once


def answered(forecast: Forecast) -> Iterator[str]:
    """What speaks against the plan and why somebody goes on all the same."""
    told = (
        f"Not safe: {_sentence(hazard.what)} Goes on because: {_sentence(hazard.go_on)}"
        for hazard in forecast.hazards
        if hazard.severity == "refuse" and hazard.go_on
    )
    yield from dict.fromkeys(told)
