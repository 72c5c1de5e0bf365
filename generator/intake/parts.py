"""Parts: motor, controller, propeller, pack, supply; as their maker or their owner describes them."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from generator.intake.quantities import (
    Angle,
    Capacity,
    Current,
    Frequency,
    Inductance,
    Inertia,
    Length,
    Mass,
    Ratio,
    Resistance,
    Speed,
    SpeedConstant,
    Temperature,
    Voltage,
)

Id = Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9._-]{0,63}$")]
Text = Annotated[str, Field(min_length=1, max_length=2000)]
Cells = Annotated[int, Field(ge=1, le=48)]


class Record(BaseModel):
    """Base of all records: immutable, no unknown keys, YAML keys in kebab or snake case by alias."""

    model_config = ConfigDict(frozen=True, extra="forbid", populate_by_name=False, serialize_by_alias=True)


def key(name: str, about: str, **more: Any) -> Any:
    """A field whose YAML key is `name`; `about` is its help text in the JSON Schema."""
    return Field(alias=name, description=about, **more)


class Part(Record):
    """What every part has. `id` is the file's name without `.yaml`."""

    id: Id
    kind: str = Field(description="Kind of part.")
    label: Text = Field(description="Name shown on pages.")
    mass_kg: Annotated[float, Field(gt=0)] | None = None
    notes: Text | None = Field(None, description="Anything a reader should know about this part.")
    photo: Text | None = Field(None, description="Picture file beside the YAML file.")


class Motor(Part):
    """A brushless motor. `terminal_resistance` is line to line."""

    kind: Literal["motor"]
    kv_rpm_per_v: SpeedConstant = key("kv", "Speed constant, rpm a volt.", gt=0)
    pole_pairs: Annotated[int, Field(ge=1, le=60, description="Magnets divided by two.")]
    stator_diameter_m: Length | None = key("stator_diameter", "Stator diameter.", default=None, gt=0)
    stator_height_m: Length | None = key("stator_height", "Stator height.", default=None, gt=0)
    mass_kg: Mass | None = key("mass", "Mass with its leads.", default=None, gt=0)
    terminal_resistance_ohm: Resistance | None = key(
        "terminal_resistance", "Line to line, at `resistance_temperature`.", default=None, gt=0
    )
    resistance_temperature_k: Temperature = key(
        "resistance_temperature", "Winding temperature of the stated resistance.", default=293.15, gt=0
    )
    free_run_current_a: Current | None = key(
        "free_run_current", "Current without a propeller.", default=None, gt=0
    )
    free_run_voltage_v: Voltage | None = key(
        "free_run_voltage", "Voltage of that current.", default=None, gt=0
    )
    inductance_h: Inductance | None = key("inductance", "Line to line.", default=None, gt=0)
    rated_cells_max: Cells | None = key(
        "rated_cells", "Highest number of lithium cells in series it is rated for.", default=None
    )
    continuous_current_a: Current | None = key(
        "continuous_current", "Rated continuous current.", default=None, gt=0
    )
    thermal_class: Literal["Y", "A", "E", "B", "F", "H", "N", "R"] | None = Field(
        None, description="Winding thermal class, IEC 60085."
    )
    magnet_grade: Literal["none", "M", "H", "SH", "UH", "EH", "AH"] | None = Field(
        None, description="Temperature suffix of the magnet grade; `none` for a grade without suffix."
    )
    temperature_limit_k: Temperature | None = key(
        "temperature_limit", "Limit the maker states.", default=None, gt=0
    )
    speed_limit_rpm: Speed | None = key("speed_limit", "Highest speed the maker states.", default=None, gt=0)
    inertia_kg_m2: Inertia | None = key("inertia", "Moment of inertia of the bell.", default=None, gt=0)


class Controller(Part):
    """A speed controller."""

    kind: Literal["controller"]
    mass_kg: Mass | None = key("mass", "Mass with its leads.", default=None, gt=0)
    rated_cells_max: Cells | None = key(
        "rated_cells", "Highest number of lithium cells in series it is rated for.", default=None
    )
    continuous_current_a: Current | None = key(
        "continuous_current", "Rated continuous current.", default=None, gt=0
    )
    switching_frequency_hz: Frequency | None = key(
        "switching_frequency", "Set switching frequency.", default=None, gt=0
    )
    timing_deg: Angle | None = key("timing", "Commutation advance.", default=None)
    temperature_limit_k: Temperature | None = key(
        "temperature_limit", "Limit the maker states.", default=None, gt=0
    )
    resistance_ohm: Resistance | None = key(
        "resistance", "Resistance of the path through it.", default=None, gt=0
    )


class Coefficients(Record):
    """Static coefficients of a propeller at one speed: T = CT ρ n² D⁴, P = CP ρ n³ D⁵, n in turns a second."""

    speed_rpm: Speed = key("speed", "Speed they hold at.", gt=0)
    thrust: Annotated[float, Field(gt=0, le=1, description="CT.")] | None = None
    power: Annotated[float, Field(gt=0, le=1, description="CP.")] | None = None


class Propeller(Part):
    """A propeller."""

    kind: Literal["propeller"]
    diameter_m: Length = key("diameter", "Diameter.", gt=0)
    pitch_m: Length | None = key("pitch", "Pitch.", default=None, gt=0)
    blades: Annotated[int, Field(ge=1, le=12, description="Number of blades.")]
    mass_kg: Mass | None = key("mass", "Mass.", default=None, gt=0)
    speed_limit_rpm: Speed | None = key("speed_limit", "Highest speed the maker states.", default=None, gt=0)
    inertia_kg_m2: Inertia | None = key("inertia", "Moment of inertia about the shaft.", default=None, gt=0)
    coefficients: Annotated[tuple[Coefficients, ...], Field(max_length=100)] = Field(
        (), description="Static coefficients, measured elsewhere or stated by the maker."
    )
    coefficients_uncertainty: Ratio | None = key(
        "coefficients_uncertainty", "Their standard uncertainty, such as `3 %`.", default=None, ge=0
    )
    coefficients_source: Text | None = Field(None, description="Where the coefficients come from.")


class Pack(Part):
    """A battery pack."""

    kind: Literal["pack"]
    cells: Cells = Field(description="Cells in series.")
    capacity_ah: Capacity = key("capacity", "Rated capacity.", gt=0)
    mass_kg: Mass | None = key("mass", "Mass with its leads.", default=None, gt=0)
    internal_resistance_ohm: Resistance | None = key(
        "internal_resistance", "Of the whole pack.", default=None, gt=0
    )
    usable_share: Ratio = key("usable_share", "Part of the capacity that is used.", default=0.8, gt=0, le=1)
    volts_per_cell_v: Voltage = key("volts_per_cell", "Mean voltage of a cell in use.", default=3.7, gt=0)
    continuous_current_a: Current | None = key(
        "continuous_current", "Rated continuous current.", default=None, gt=0
    )


class Supply(Part):
    """A bench supply."""

    kind: Literal["supply"]
    mass_kg: Mass | None = key("mass", "Mass.", default=None, gt=0)
    voltage_max_v: Voltage = key("voltage", "Highest voltage it gives.", gt=0)
    current_limit_a: Current = key("current_limit", "Highest current it gives.", gt=0)
    absorbs_returned_energy: bool = Field(
        False, description="Can it take the energy a braking motor returns? Most bench supplies cannot."
    )


AnyPart = Motor | Controller | Propeller | Pack | Supply
PART_MODELS: dict[str, type[Part]] = {
    "motor": Motor,
    "controller": Controller,
    "propeller": Propeller,
    "pack": Pack,
    "supply": Supply,
}
