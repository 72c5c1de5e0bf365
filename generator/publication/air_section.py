"""The section of a session's page that carries its answer over to aircraft."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from generator.evidence.flight_sentences import (
    decimals_of_parts,
    named,
    range_text,
    signed_text,
    value_text,
)
from generator.evidence.physics_records import FlightEffect, InTheAir, InTheAirDifference, Measured
from generator.evidence.records import SessionAnalysis
from generator.evidence.wording import counted, plain
from generator.figures.flight_chart import flight_strip
from generator.figures.records import Figure
from generator.intake.session import Session
from generator.publication import texts
from generator.publication.cautions import CautionPanel
from generator.publication.figure_blocks import FigureBlock
from generator.publication.navigation import anchor
from generator.publication.session_blocks import against, labels_of
from generator.publication.tables import Cell, Table, table
from generator.publication.texts import Labels

NOT_KNOWN = "not known"
EFFECTS = {
    "set-up": "Set-up, at equal thrust",
    "mass": "Mass of the pack",
    "energy": "Energy in the pack",
}
POWER_RESPONSES = frozenset({"electrical_power", "thrust", "thrust_per_power", "top_thrust"})
INTERVALS = "Each interval holds at 95 % by itself; among several differences one may miss."
NO_FLIGHT_PLAN = CautionPanel(
    key="caution-in-the-air",
    signal="CAUTION",
    signal_class="caution",
    alert=True,
    title="These minutes are not a flight plan",
    hazard=(
        "The bench stood still and clear: no wind, no climb, no frame in the stream of the propellers, nothing else "
        "on the pack, and every motor as good as the one that was measured."
    ),
    consequence="In the air the pack may be empty sooner, and a multirotor with an empty pack falls.",
    avoidance=(
        "Try it low, over ground that is clear of people, and land with a reserve. "
        "Local rules and licensed practice come first."
    ),
    threshold="",
    source="",
    applies_to=(),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class AircraftBlock:
    """One aircraft.

    key        id on the page
    title      its name
    sentences  what each treatment means for it, the answer first
    figure     minutes of each treatment, or None where none are known
    table      mass, thrust, power, minutes and margin of each treatment
    effects    what differences are made of, or None where all fly with equal packs
    notes      what the numbers stand on
    """

    key: str
    title: str
    sentences: tuple[str, ...]
    figure: FigureBlock | None
    table: Table
    effects: Table | None
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class AirSection:
    """What it means in the air.

    aircraft     one block each, in the order of the session
    weakened_by  checks that weaken the power or the thrust it rests on
    caution      what these minutes are not, or None where none are known
    """

    aircraft: tuple[AircraftBlock, ...]
    weakened_by: tuple[str, ...]
    caution: CautionPanel | None


def air_figures(analysis: SessionAnalysis, session: Session) -> dict[str, Figure]:
    """Aircraft -> its strip, for those of which some minutes are known."""
    labels = labels_of(session)
    made = {
        name: flight_strip(flights, labels, session.file.baseline)
        for name, flights in _by_aircraft(analysis).items()
    }
    return {name: figure for name, figure in made.items() if figure is not None}


def air_section(
    analysis: SessionAnalysis, session: Session, figures: Mapping[str, FigureBlock]
) -> AirSection | None:
    """The section; None for a session without aircraft.

    figures  aircraft -> its strip as drawn, from `air_figures`
    """
    labels = labels_of(session)
    blocks = tuple(
        _block(name, flights, analysis, labels, figures.get(name))
        for name, flights in _by_aircraft(analysis).items()
    )
    if not blocks:
        return None
    weakening = [
        check
        for check in analysis.checks
        if check.outcome != "passed" and check.at is None and POWER_RESPONSES & set(check.weakens)
    ]
    known = any(flight.minutes is not None for flight in analysis.in_the_air)
    return AirSection(
        aircraft=blocks,
        weakened_by=tuple(texts.check_text(check) for check in weakening) if known else (),
        caution=NO_FLIGHT_PLAN if known else None,
    )


def _by_aircraft(analysis: SessionAnalysis) -> dict[str, tuple[InTheAir, ...]]:
    names = dict.fromkeys(flight.aircraft for flight in analysis.in_the_air)
    return {name: tuple(f for f in analysis.in_the_air if f.aircraft == name) for name in names}


def _block(
    name: str,
    flights: Sequence[InTheAir],
    analysis: SessionAnalysis,
    labels: Labels,
    figure: FigureBlock | None,
) -> AircraftBlock:
    differences = [d for d in analysis.in_the_air_differences if d.aircraft == name]
    sentences = _sentences(flights, differences)
    compared = sum(d.minutes is not None for d in differences)
    notes = [note for note in _notes(flights, labels) if not any(note in sentence for sentence in sentences)]
    return AircraftBlock(
        key=anchor("air", name),
        title=flights[0].label,
        sentences=sentences,
        figure=figure,
        table=_table(name, flights, labels),
        effects=_effects(name, differences, labels),
        notes=(*notes, INTERVALS) if compared > 1 else tuple(notes),
    )


def _sentences(flights: Sequence[InTheAir], differences: Sequence[InTheAirDifference]) -> tuple[str, ...]:
    """Differences where both sides are known; then what else is known; then what is not, with the reason."""
    told = [d.sentence for d in differences if d.minutes is not None]
    paired = {side for d in differences if d.minutes is not None for side in (d.treatment, d.baseline)}
    if all(flight.minutes is None for flight in flights):
        reasons = dict.fromkeys(flight.notes[0] for flight in flights if flight.notes)
        craft = named(flights[0].label)
        return (" ".join((f"What this means for {craft} cannot be told.", *reasons)),)
    told += [f.sentence for f in flights if f.minutes is not None and f.treatment not in paired]
    told += [d.sentence for d in differences if d.minutes is None]
    told += [f.sentence for f in flights if f.minutes is None]
    return tuple(told)


def _notes(flights: Sequence[InTheAir], labels: Labels) -> tuple[str, ...]:
    """Notes of all flights, each once; one that does not hold for all says for which it holds."""
    notes = dict.fromkeys(note for flight in flights for note in flight.notes)
    made = []
    for note in notes:
        holds = [labels[flight.treatment] for flight in flights if note in flight.notes]
        whose = len(holds) < len(flights) and not any(label in note for label in holds)
        made.append(f"{', '.join(holds)}: {note}" if whose else note)
    return tuple(made)


def _table(name: str, flights: Sequence[InTheAir], labels: Labels) -> Table:
    rows = []
    for flight in flights:
        thrust = flight.thrust_per_motor_gf
        pack = f"{counted(flight.cells, 'cell')}, {plain(flight.energy_wh, 'Wh', digits=3)} usable"
        runs = f"; {counted(len(flight.logs), 'run')}" if flight.logs else ""
        rows.append(
            (
                Cell(text=labels[flight.treatment], note=pack + runs),
                Cell(text=NOT_KNOWN if flight.mass_kg is None else plain(1000.0 * flight.mass_kg, "g"), numeric=True),
                Cell(text=NOT_KNOWN if thrust is None else plain(thrust, "gf"), numeric=True),
                _measured(flight.hover_power_w, "W"),
                _measured(flight.minutes, "min"),
                _measured(flight.thrust_to_weight, ""),
            )
        )  # fmt: skip
    return table(
        f"{anchor('air', name)}-table",
        f"{flights[0].label}: hovering with each treatment; small figures are 95 % intervals",
        (
            "Treatment",
            "Mass with pack",
            "Thrust a motor",
            "Hover power",
            "Minutes of hover",
            "Thrust to weight",
        ),
        rows,
    )


def _measured(found: Measured | None, unit: str) -> Cell:
    if found is None:
        return Cell(text=NOT_KNOWN, numeric=True)
    return Cell(text=value_text(found, unit), note=range_text(found, unit), numeric=True)


def _effects(name: str, differences: Sequence[InTheAirDifference], labels: Labels) -> Table | None:
    """What each difference in minutes is made of, where packs differ and it is known."""
    told = [d for d in differences if d.minutes is not None and d.effects]
    if not told:
        return None
    present = [kind for kind in EFFECTS if any(e.name == kind for d in told for e in d.effects)]
    rows = [
        (
            Cell(text=against(labels, d.treatment, d.baseline)),
            *(_effect(d.effects, kind, decimals_of_parts(d)) for kind in present),
            _signed(d.minutes, decimals_of_parts(d)),
        )
        for d in told
    ]
    columns = ("Comparison", *(EFFECTS[kind] for kind in present), "All together")
    return table(
        f"{anchor('air', name)}-effects",
        "Minutes of hover: what a difference is made of, one part after the other, with 95 % intervals",
        columns,
        rows,
    )


def _effect(effects: Sequence[FlightEffect], kind: str, most: int) -> Cell:
    found = [effect for effect in effects if effect.name == kind]
    return _signed(found[0].minutes, most) if found else Cell(text="none", numeric=True)


def _signed(found: Measured | None, most: int) -> Cell:
    if found is None:
        return Cell(text=NOT_KNOWN, numeric=True)
    size, _, ends = signed_text(found, "min", most).partition(" (")
    return Cell(text=size, note=ends.removesuffix(")"), numeric=True)
