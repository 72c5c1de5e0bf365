"""The rig: which column of the logger is which quantity, how well it is known, and the wiring."""

from __future__ import annotations

import datetime
from typing import Annotated, Any, Literal

from pydantic import Field

from generator.intake.parts import Id, Record, Text, key
from generator.intake.quantities import Length, Ratio, Resistance, Time

Quantity = Annotated[str | int | float, Field(description="A value with its unit, such as `0.5 gf`.")]


class Channel(Record):
    """One quantity of the log. `column` and `unit` are the logger's own.

    Values that carry the channel's unit (`offset`, `offset_uncertainty`, `resolution`, `range`) are kept in
    house units; `intake.season` converts them, since the dimension depends on the channel's name.
    Uncertainties are standard uncertainties (k = 1).
    """

    column: Annotated[
        str,
        Field(
            min_length=1,
            max_length=200,
            description="Column header in the log, or `#3` for the third column; `#0` is the number of the row, "
            "counted from 0, where the log holds no time.",
        ),
    ]
    unit: Text | None = Field(
        None,
        description="Unit of the numbers in the log; what 1 stands for, such as `0.34 gf`, where they are counts.",
    )
    sign: Literal[1, -1] = Field(1, description="-1 where the logger counts the other way.")
    offset: Any = Field(None, description="What the logger shows at true zero; subtracted.")
    gain_uncertainty: Ratio = key(
        "gain_uncertainty", "Standard uncertainty of the gain, such as `0.5 %`.", default=0.0, ge=0
    )
    gain_drift: Ratio = key(
        "gain_drift", "Largest drift of the gain in a year, such as `0.3 %`; counts from `calibrated`.",
        default=0.0, ge=0,
    )  # fmt: skip
    offset_uncertainty: Any = Field(
        None, description="Standard uncertainty of the offset that the rest zero does not remove."
    )
    resolution: Any = Field(None, description="Smallest step of the reading.")
    lag_s: Time = key("lag", "Delay of the sensor and its filter.", default=0.0, ge=0)
    calibrated: datetime.date | None = Field(None, description="Date of the last calibration.")
    range: tuple[Any, Any] | None = Field(
        None, description="Lowest and highest reading the channel can show."
    )
    # throttle only
    idle: float | None = Field(None, description="Throttle: reading at idle, in the logger's own count.")
    full: float | None = Field(None, description="Throttle: reading at full, in the logger's own count.")
    # speed only
    electrical: bool = Field(False, description="Speed: electrical speed; divided by the motor's pole pairs.")
    pulses_per_revolution: Annotated[float, Field(gt=0)] | None = Field(
        None, description="Speed: pulses a turn, where the log counts pulses."
    )


class Channels(Record):
    """All channels of a rig. Only `time` must exist; a procedure says what else it needs."""

    time: Channel
    throttle: Channel | None = None
    speed: Channel | None = None
    thrust: Channel | None = None
    torque: Channel | None = None
    voltage: Channel | None = None
    current: Channel | None = None
    motor_temperature: Channel | None = None
    controller_temperature: Channel | None = None
    air_temperature: Channel | None = None
    sound_level: Channel | None = None
    vibration: Channel | None = None

    def present(self) -> dict[str, Channel]:
        """Name -> channel for the channels this rig has, in the order of this class."""
        return {
            name: getattr(self, name) for name in type(self).model_fields if getattr(self, name) is not None
        }


# channel -> (kind of quantity, column of the frame `intake.logs` makes)
CHANNEL_KINDS: dict[str, tuple[str, str]] = {
    "time": ("time", "time_s"),
    "throttle": ("ratio", "throttle"),
    "speed": ("speed", "speed_rpm"),
    "thrust": ("force", "thrust_n"),
    "torque": ("torque", "torque_nm"),
    "voltage": ("voltage", "voltage_v"),
    "current": ("current", "current_a"),
    "motor_temperature": ("temperature", "motor_temperature_k"),
    "controller_temperature": ("temperature", "controller_temperature_k"),
    "air_temperature": ("temperature", "air_temperature_k"),
    "sound_level": ("sound_level", "sound_level_db"),
    "vibration": ("acceleration", "vibration_m_s2"),
}


class LogFormat(Record):
    """How the logger writes its files; whatever is not given is found from the file."""

    delimiter: Literal[",", ";", "\t", "|", " "] | None = None
    decimal: Literal[".", ","] | None = None
    header_row: Annotated[int, Field(ge=1, le=10000)] | None = Field(
        None, description="Line number of the column names, counted from 1."
    )
    no_header: bool = Field(
        False, description="True where the file has no line of column names; columns are `#1`, `#2`, ..."
    )
    skip_rows: Annotated[int, Field(ge=0, le=10000)] = Field(
        0, description="Lines to pass over before anything else."
    )
    encoding: Text | None = None
    comment: Annotated[str, Field(min_length=1, max_length=3)] = Field(
        "#", description="Start of a comment line."
    )


class Wiring(Record):
    """The wiring between the voltage tap and the controller."""

    resistance_ohm: Resistance = key("resistance", "Both leads together.", default=0.0, ge=0)
    resistance_uncertainty_ohm: Resistance = key(
        "resistance_uncertainty", "Standard uncertainty of it.", default=0.0, ge=0
    )


class Rig(Record):
    """A thrust stand. `id` is the file's name without `.yaml`."""

    id: Id
    label: Text
    about: Text | None = None
    channels: Channels
    log: LogFormat = LogFormat()
    wiring: Wiring = Wiring()
    torque_arm_m: Length | None = key(
        "torque_arm", "For the reader; the torque channel is in N·m already.", default=None, gt=0
    )
    sound_distance_m: Length | None = key(
        "sound_distance", "From propeller to sound level meter.", default=None, gt=0
    )
    check_standard: Text | None = Field(None, description="The fixed reference set-up of this rig.")
    photo: Text | None = None
