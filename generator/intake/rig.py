"""The rig: which column of the logger is which quantity, how well it is known, and the wiring."""

from __future__ import annotations

import datetime
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, WithJsonSchema

from generator.intake.parts import Id, Record, Text, key
from generator.intake.quantities import Length, Ratio, Resistance, Time

Quantity = Annotated[str | int | float, Field(description="A value with its unit, such as `0.5 gf`.")]


# one name or several; kept as several
CalibrationNames = Annotated[
    tuple[Id, ...],
    BeforeValidator(lambda found: (found,) if isinstance(found, str) else found),
    WithJsonSchema({"anyOf": [{"type": "string"}, {"type": "array", "items": {"type": "string"}}]}),
]


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
    logger: Id | None = Field(
        None,
        description="Logger that records it, one of `loggers`; none where it stands in the run's own log.",
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
    calibration: CalibrationNames = Field(
        (),
        description="Records of `rigs/calibrations/`, as `whirlbook calibrate` writes them: a session uses the newest "
        "that is not after it, instead of `gain_uncertainty` and `calibrated`.",
    )
    calibration_interval_s: Time | None = key(
        "calibration_interval",
        "How long a calibration counts as good, such as `365 day`.",
        default=None,
        gt=0,
    )
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

    time: Channel = Field(description="Time of each row.")
    throttle: Channel | None = Field(None, description="What the controller is told; give `idle` and `full`.")
    speed: Channel | None = Field(None, description="Speed of the shaft, or what it is computed from.")
    thrust: Channel | None = Field(None, description="Thrust of the propeller.")
    torque: Channel | None = Field(None, description="Torque about the shaft.")
    voltage: Channel | None = Field(None, description="Voltage at the tap.")
    current: Channel | None = Field(None, description="Current into the controller.")
    motor_temperature: Channel | None = Field(
        None, description="Temperature of the motor, where it is touched."
    )
    controller_temperature: Channel | None = Field(None, description="Temperature of the controller.")
    air_temperature: Channel | None = Field(None, description="Temperature of the air at the bench.")
    pack_temperature: Channel | None = Field(
        None, description="Temperature of the pack, where it is touched."
    )
    sound_level: Channel | None = Field(None, description="Sound level, A-weighted.")
    vibration: Channel | None = Field(None, description="Vibration of the stand, as an acceleration.")

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
    "pack_temperature": ("temperature", "pack_temperature_k"),
    "sound_level": ("sound_level", "sound_level_db"),
    "vibration": ("acceleration", "vibration_m_s2"),
}


class LogFormat(Record):
    """How the logger writes its files; whatever is not given is found from the file."""

    delimiter: Literal[",", ";", "\t", "|", " "] | None = Field(
        None, description="What stands between columns."
    )
    decimal: Literal[".", ","] | None = Field(None, description="Decimal point or decimal comma.")
    header_row: Annotated[int, Field(ge=1, le=10000)] | None = Field(
        None, description="Line number of the column names, counted from 1."
    )
    no_header: bool = Field(
        False, description="True where the file has no line of column names; columns are `#1`, `#2`, ..."
    )
    skip_rows: Annotated[int, Field(ge=0, le=10000)] = Field(
        0, description="Lines to pass over before anything else."
    )
    encoding: Text | None = Field(None, description="Encoding of the text, such as `utf-8` or `cp1252`.")
    comment: Annotated[str, Field(min_length=1, max_length=3)] = Field(
        "#", description="Start of a comment line."
    )


class AlignedBy(Record):
    """A quantity that the run's own log holds too: it tells how far the two clocks are apart."""

    channel: Text = Field(description="The channel of the run's own log.")
    column: Annotated[
        str, Field(min_length=1, max_length=200, description="Its column in this logger's log.")
    ]
    unit: Text | None = Field(None, description="Unit of the numbers in that column.")
    sign: Literal[1, -1] = Field(1, description="-1 where this logger counts the other way.")
    idle: float | None = Field(None, description="Throttle: reading at idle.")
    full: float | None = Field(None, description="Throttle: reading at full.")


class Logger(Record):
    """A second logger of a stand, with a clock and a log of its own."""

    time: Channel = Field(description="Time of each row of its log.")
    log: LogFormat = Field(LogFormat(), description="How it writes its files, as `log` of the rig.")
    aligned_by: AlignedBy | None = Field(
        None, description="How its clock is found where a run states no `offset`."
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
    label: Text = Field(description="Name shown on pages.")
    about: Text | None = Field(None, description="What a reader should know about the stand and its logger.")
    channels: Channels = Field(
        description="Which column of the log is which quantity, and how well it is known."
    )
    log: LogFormat = Field(
        LogFormat(),
        description="How the logger writes its files; whatever is not given is found from the file.",
    )
    loggers: dict[Id, Logger] = Field(
        {}, description="Further loggers that record channels of this stand, each with a clock of its own."
    )
    wiring: Wiring = Field(Wiring(), description="The wiring between the voltage tap and the controller.")
    torque_arm_m: Length | None = key(
        "torque_arm", "For the reader; the torque channel is in N·m already.", default=None, gt=0
    )
    sound_distance_m: Length | None = key(
        "sound_distance", "From propeller to sound level meter.", default=None, gt=0
    )
    check_standard: Text | None = Field(None, description="The fixed reference set-up of this rig.")
    photo: Text | None = Field(None, description="Picture file beside the YAML file.")
