"""Sentences about flights: what was measured, what it rests on, and why something is not known.

As in `sentences`, the verb tells the grade: *would hover*, *would probably hover* for single runs, and *the data
do not settle whether*.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from generator.evidence.flight import FlightPack
from generator.evidence.flight_curves import Flown
from generator.evidence.physics_records import InTheAir, InTheAirDifference, Measured
from generator.evidence.records import ResponseSummary
from generator.evidence.sentences import runs_text
from generator.evidence.wording import (
    NBSP,
    at_words,
    counted,
    interval_decimals,
    interval_words,
    number,
    plain,
    sentence_case,
    with_unit,
)
from generator.intake.session import Treatment
from generator.reduction.curves import FEWEST_POINTS
from generator.reduction.measured import GF_PER_N
from generator.reduction.records import RunReduction
from generator.reduction.response_kinds import ELECTRICAL_POWER, THRUST, TOP_THRUST

LONGER = ("longer", "shorter")
INTERVAL = f"95{NBSP}% interval"


def value_text(found: Measured, unit: str) -> str:
    """A value with the digits its interval bears: `62.1 W`."""
    return with_unit(number(found.value, interval_decimals(*found.interval)), unit)


def range_text(found: Measured, unit: str) -> str:
    """The interval of what cannot be negative: `61.0 to 63.2 W`."""
    places = interval_decimals(*found.interval)
    return with_unit(f"{number(found.interval[0], places)} to {number(found.interval[1], places)}", unit)


def signed_text(found: Measured, unit: str, most: int = 9) -> str:
    """A difference with its interval: `+2.9 min (+2.8 to +3.0 min)`. most: decimals at most."""
    places = min(interval_decimals(*found.interval), most)
    size, low, high = (number(v, places, signed=True) for v in (found.value, *found.interval))
    return f"{with_unit(size, unit)} ({with_unit(f'{low} to {high}', unit)})"


def settled(found: Measured) -> bool:
    """Whether the interval of a difference leaves out zero."""
    return found.interval[0] > 0.0 or found.interval[1] < 0.0


def named(craft: str) -> str:
    """An aircraft inside a sentence: `the Orchard mapper`."""
    return craft if craft.lower().startswith("the ") else f"the {craft}"


# --- sentences ----------------------------------------------------------------------------------------------


def flight_sentence(flight: InTheAir, label: str, reason: str) -> str:
    """How long one treatment hovers, or why that is not known."""
    who = named(flight.label)
    if flight.minutes is None or flight.hover_power_w is None:
        return f"How long {who} would hover with {label} is not known. {reason}"
    probably = "would probably hover" if flight.indicative else "would hover"
    text = (
        f"with {label} {who} {probably} {value_text(flight.minutes, 'min')} "
        f"({INTERVAL} {range_text(flight.minutes, 'min')}), "
        f"drawing {value_text(flight.hover_power_w, 'W')} in all ({range_text(flight.hover_power_w, 'W')})."
    )
    return f"Indicative, one run: {text}" if flight.indicative else sentence_case(text)


def difference_sentence(
    found: InTheAirDifference, treatment: InTheAir, baseline: InTheAir, labels: Mapping[str, str]
) -> str:
    """How much longer or shorter one treatment hovers than another, what that is made of, and the power behind it."""
    who, base = labels[found.treatment], labels[found.baseline]
    craft = named(treatment.label)
    if found.minutes is None or treatment.minutes is None or baseline.minutes is None:
        return _not_told(found, treatment, baseline, labels)
    parts = [_minutes(found, treatment.minutes, baseline.minutes, (craft, who, base))]
    if found.effects:
        parts.append(_effects(found, treatment, baseline, base))
    if found.hover_power_w is not None:
        parts.append(_power(found.hover_power_w))
    text = " ".join(parts)
    if not found.indicative:
        return sentence_case(text)
    single = "one run each" if found.runs == (1, 1) else f"one run of {who if found.runs[0] == 1 else base}"
    return f"Indicative, {single}: {text}"


def _minutes(
    found: InTheAirDifference, treatment: Measured, baseline: Measured, names: tuple[str, str, str]
) -> str:
    """Minutes of both sides and their difference. names: of the aircraft, the treatment and the baseline."""
    minutes, (craft, who, base) = found.minutes, names
    assert minutes is not None
    runs = "" if found.indicative else runs_text(found.runs)
    if not settled(minutes):
        places = interval_decimals(*minutes.interval)
        side = LONGER[0 if minutes.value >= 0.0 else 1]
        size = f"{with_unit(number(abs(minutes.value), places), 'min')} {side}"
        known = ", ".join(
            filter(None, (f"{INTERVAL} {interval_words(*minutes.interval, 'min', LONGER)}", runs))
        )
        return (
            f"the data do not settle whether {craft} would hover longer or shorter with {who} than with {base}: "
            f"the difference is {size} ({known})."
        )
    places = min(interval_decimals(*side.interval) for side in (treatment, baseline))
    here, there = (with_unit(number(side.value, places), "min") for side in (treatment, baseline))
    verb = "would probably hover" if found.indicative else "would hover"
    # a design that takes out blocks or a drift gives another difference than the plain means do
    apart = abs(minutes.value - (treatment.value - baseline.value)) > 10.0**-places
    how = ", ".join(filter(None, (runs, found.method if apart else "")))
    return f"with {who} {craft} {verb} {here} instead of {there} with {base}: {_amount(minutes, 'min', how)}."


def _power(power: Measured) -> str:
    if settled(power):
        return f"Hovering draws {_amount(power, 'W')}."
    return f"Whether hovering draws more power is not settled: {signed_text(power, 'W')}."


def _amount(found: Measured, unit: str, how: str = "") -> str:
    """A settled difference with its direction in a word: `0.6 min less (95 % interval 0.4 to 0.8 min less)`."""
    places = interval_decimals(*found.interval)
    word = "more" if found.value > 0.0 else "less"
    low, high = sorted(abs(end) for end in found.interval)
    ends = with_unit(f"{number(low, places)} to {number(high, places)}", unit)
    size = with_unit(number(abs(found.value), places), unit)
    return f"{size} {word} ({', '.join(filter(None, (f'{INTERVAL} {ends} {word}', how)))})"


def decimals_of_parts(found: InTheAirDifference) -> int:
    """Decimals at most of the parts of a difference in minutes: those of the whole, so that they add up by eye."""
    return 9 if found.minutes is None else interval_decimals(*found.minutes.interval)


def _effects(found: InTheAirDifference, treatment: InTheAir, baseline: InTheAir, base: str) -> str:
    """What the difference is made of, one part after the other."""
    parts = []
    most = decimals_of_parts(found)
    for effect in found.effects:
        if effect.minutes is None:
            continue
        if effect.name == "set-up":
            cause = f"the set-up itself, at the thrust that {base} takes,"
        elif effect.name == "mass":
            assert treatment.mass_kg is not None
            assert baseline.mass_kg is not None
            extra = 1000.0 * (treatment.mass_kg - baseline.mass_kg)
            kind, word = ("heavier", "more") if extra > 0.0 else ("lighter", "less")
            cause = f"the {kind} pack ({plain(abs(extra), 'g', digits=3)} {word})"
        else:
            share = 100.0 * (treatment.energy_wh / baseline.energy_wh - 1.0)
            cause = f"the energy in the pack ({number(share, 0, signed=True)}{NBSP}%)"
        parts.append(f"{cause} {signed_text(effect.minutes, 'min', most)}")
    if len(parts) == len(found.effects):
        return f"Of that, one after the other: {'; '.join(parts)}."
    told = f" What can be told: {'; '.join(parts)}." if parts else ""
    return f"How much of it is the set-up and how much the pack is not known.{told}"


def _not_told(
    found: InTheAirDifference, treatment: InTheAir, baseline: InTheAir, labels: Mapping[str, str]
) -> str:
    who, base = labels[found.treatment], labels[found.baseline]
    unknown = [labels[side.treatment] for side in (treatment, baseline) if side.minutes is None]
    if len(unknown) == 2:
        why = "the hover power is known with neither"
    elif unknown:
        why = f"the hover power with {unknown[0]} is not known"
    elif found.method:
        why = found.method
    else:
        why = "the runs agree to the last digit and nothing says how well one of them is known"
    text = f"Whether {named(treatment.label)} would hover longer with {who} than with {base} cannot be told: {why}."
    for effect in found.effects:
        if effect.name == "set-up" and effect.hover_power_w is not None:
            size = signed_text(effect.hover_power_w, "W")
            text += f" At the thrust that {base} takes, the difference in power is {size}."
    return text


# --- why something is not known, and what the rest stands on ------------------------------------------------


def missing_reason(flight: Flown, treatment: str, label: str) -> str:
    """Why there is no hover power, in one sentence."""
    pack, thrust = flight.packs[treatment], flight.thrusts_gf.get(treatment)
    if thrust is None:
        return f"The mass of {pack.label} is not stated, so neither is the thrust that a hover takes."
    if flight.reached(treatment):
        return f"The runs of {label} agree to the last digit, and nothing says how well one of them is known."
    runs = flight.runs[treatment]
    if not runs:
        return f"No run of {label} is used."
    points = [_points(run) for run in runs]
    most = max(len(found) for found in points)
    if most == 0:
        return f"With {label} thrust and power were not measured together."
    if most < FEWEST_POINTS:
        return (
            f"With {label} thrust and power were measured together at {counted(most, 'speed')} of a run; "
            f"a curve needs {FEWEST_POINTS}."
        )
    measured = [x for found in points for x in found]
    low, high = (plain(end, digits=3) for end in (min(measured), max(measured)))
    needed = plain(thrust, "gf")
    if min(measured) <= thrust <= max(measured):
        return f"With {label} no curve could be read at {needed} a motor, though thrust was measured on both sides."
    return f"With {label} the curve reaches from {low} to {high}{NBSP}gf a motor; the hover takes {needed}."


def _points(run: RunReduction) -> tuple[float, ...]:
    """Thrusts [gf] that a run measured together with power: steps of a staircase, or held speeds."""
    steps = [{column: mean for column, mean, _ in step.means} for step in run.steps]
    if steps:
        by_throttle = {
            step.throttle: means["thrust_n"] * GF_PER_N
            for step, means in zip(run.steps, steps, strict=True)
            if "thrust_n" in means and "power_w" in means
        }
        return tuple(by_throttle.values())
    found = {(r.response, r.at): r.value for r in run.responses}
    return tuple(
        value
        for (name, at), value in found.items()
        if name == THRUST.name and (ELECTRICAL_POWER.name, at) in found
    )


def flight_notes(
    flight: Flown,
    treatment: str,
    setup: Treatment,
    top: ResponseSummary | None,
    thrust_to_weight: Measured | None,
    density_kg_m3: float,
) -> Iterator[str]:
    """What the numbers of a flight stand on, one sentence each; the same words for what treatments share."""
    pack, label = flight.packs[treatment], setup.label
    reached, curves = len(flight.reached(treatment)), len(flight.of_curve(treatment))
    yield from pack.notes
    if 0 < reached < curves:
        yield (
            f"Only {reached} of {counted(curves, 'curve')} of {label} reach the thrust of the hover; the others are "
            "left out, which favours the stronger runs."
        )
    if thrust_to_weight is not None and top is not None:
        yield from _lift(flight, label, top, thrust_to_weight)
    if reached:
        yield from _power_notes(pack, setup, density_kg_m3)
        run = f"{flight.procedures[treatment]} run"
        yield f"Read from the {'curve' if reached == 1 else 'curves'} of {counted(reached, run)}."


def _lift(flight: Flown, label: str, top: ResponseSummary, found: Measured) -> Iterator[str]:
    where = "in the highest step of the staircase" if top.response == TOP_THRUST.name else at_words(top.at)
    yield f"Thrust to weight counts the highest thrust measured, {where}; the set-up may give more."
    if found.interval[1] < 1.0:
        yield f"With {label} the highest thrust measured does not lift {named(flight.craft.label)}."
    elif found.interval[0] < 1.0:
        yield f"With {label} the highest thrust measured may not lift {named(flight.craft.label)}."


def _power_notes(pack: FlightPack, setup: Treatment, density_kg_m3: float) -> Iterator[str]:
    if pack.part == setup.supply:
        yield (
            f"Power was measured on {pack.label} itself, at the volts it gave on the bench; the minutes count "
            f"{plain(pack.volts_per_cell_v, 'V')} a cell and the whole usable part, "
            "which a cold or worn pack does not give."
        )
    else:
        bench = ""
        if setup.volts_per_cell_v is not None:
            bench = (
                f" Power was measured at {plain(setup.volts_per_cell_v, 'V')} a cell; "
                f"the minutes count {plain(pack.volts_per_cell_v, 'V')}."
            )
        yield f"A bench supply holds its voltage, a pack sags under load and as it empties.{bench}"
    yield (
        f"It holds in the air of the bench, {plain(density_kg_m3, 'kg/m³', digits=3)}; "
        "in thinner air the same thrust takes more power."
    )
    yield (
        "Masses, capacity, usable part and volts count as stated; the intervals hold what the bench leaves unknown, "
        "not how far a pack falls short of its label."
    )


def overload_note(pack: FlightPack, label: str, power_w: float) -> Iterator[str]:
    """That hovering takes more current than the pack is rated for."""
    limit, current = pack.continuous_current_a, power_w / pack.volts_v
    if limit is not None and current > limit:
        yield (
            f"With {label} hovering takes about {plain(current, 'A', digits=2)}, more than the "
            f"{plain(limit, 'A')} that {pack.label} is rated for."
        )


def unique(notes: Sequence[str]) -> tuple[str, ...]:
    """Notes in their order, each once."""
    return tuple(dict.fromkeys(notes))
