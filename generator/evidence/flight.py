"""What hovering takes: thrust from weight, energy from a pack, minutes from both. Plain arithmetic."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from generator.evidence.wording import counted
from generator.intake.parts import AnyPart, Pack
from generator.intake.session import Aircraft, Treatment

STANDARD_GRAVITY_M_S2 = 9.80665  # 3rd CGPM (1901); makes the gram-force
DIGITS = 10  # of a hover thrust, so that it is the same number wherever it is looked up


@dataclass(frozen=True, slots=True, kw_only=True)
class FlightPack:
    """The pack that a treatment flies with.

    part       id of the pack it is made from
    label      for sentences
    cells      in series
    mass_kg    None where it is not stated
    energy_wh  of its usable part
    volts_v    mean in use
    notes      how it was chosen or scaled, where a reader must know
    """

    part: str
    label: str
    cells: int
    mass_kg: float | None
    energy_wh: float
    volts_v: float
    volts_per_cell_v: float
    continuous_current_a: float | None
    notes: tuple[str, ...] = ()


def hover_thrust_gf(mass_kg: float, motors: int) -> float:
    """Thrust that each of some equal motors gives in a hover [gf], to ten digits.

    mass_kg  all up [kg]; a kilogram weighs 1000 gf at standard gravity, by definition
    """
    return float(f"{1000.0 * mass_kg / motors:.{DIGITS}g}")


def newtons(thrust_gf: float) -> float:
    """gf to N, with standard gravity."""
    return thrust_gf * STANDARD_GRAVITY_M_S2 / 1000.0


def usable_energy_wh(capacity_ah: float, usable_share: float, volts_v: float) -> float:
    """Energy of the part of a pack that is used [Wh]: capacity [Ah], share 0 to 1, mean volts in use [V]."""
    return capacity_ah * usable_share * volts_v


def hover_minutes(energy_wh: float, power_w: float) -> float:
    """Minutes that an energy [Wh] lasts at a steady power [W]."""
    return 60.0 * energy_wh / power_w


def flight_pack(treatment: Treatment, aircraft: Aircraft, parts: Mapping[str, AnyPart]) -> FlightPack:
    """The pack a treatment would fly with.

    The pack it was tested on; else the pack it names; else the aircraft's own, and where the treatment stands for
    another number of cells, the aircraft's own with so many cells: mass and volts grow with the number of cells,
    the capacity stays. That is an assumption, told in `notes`.
    """
    tested, named = parts[treatment.supply], treatment.pack
    own = parts[aircraft.pack]
    assert isinstance(own, Pack)
    if isinstance(tested, Pack):
        return _as_stated(tested, treatment)
    if named is not None:
        pack = parts[named]
        assert isinstance(pack, Pack)
        return _as_stated(pack, treatment)
    if treatment.cells is None or treatment.cells == own.cells:
        return _made(own, own.cells, own.label)
    cells = treatment.cells
    note = (
        f"{treatment.label} flies with {own.label} made of {counted(cells, 'cell')} instead of {own.cells}: "
        "mass and energy are scaled with the number of cells, an assumption."
    )
    return _made(own, cells, f"{own.label} made of {counted(cells, 'cell')}", note)


def _as_stated(pack: Pack, treatment: Treatment) -> FlightPack:
    """A pack taken as it is, also where the treatment was set up for another number of cells, which is told."""
    if treatment.cells in (None, pack.cells):
        return _made(pack, pack.cells, pack.label)
    note = (
        f"{treatment.label} was tested for {counted(treatment.cells or 0, 'cell')} and flies with {pack.label}, "
        f"which has {pack.cells}."
    )
    return _made(pack, pack.cells, pack.label, note)


def _made(pack: Pack, cells: int, label: str, *notes: str) -> FlightPack:
    scale = cells / pack.cells
    volts = pack.volts_per_cell_v * cells
    return FlightPack(
        part=pack.id,
        label=label,
        cells=cells,
        mass_kg=None if pack.mass_kg is None else pack.mass_kg * scale,
        energy_wh=usable_energy_wh(pack.capacity_ah, pack.usable_share, volts),
        volts_v=volts,
        volts_per_cell_v=pack.volts_per_cell_v,
        continuous_current_a=pack.continuous_current_a,
        notes=notes,
    )
