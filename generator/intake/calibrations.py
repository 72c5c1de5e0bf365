"""Calibration records in `rigs/calibrations/`: what `whirlbook calibrate` writes and a rig's channel refers to."""

from __future__ import annotations

import datetime
import math
from collections.abc import Iterator, Mapping
from typing import Annotated, Any, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from generator.intake.parts import Id, Record, Text
from generator.intake.problems import Problem, suggestion
from generator.intake.quantities import UnreadableQuantity, parse_quantity
from generator.intake.rig import CHANNEL_KINDS, Channel, Channels, Rig
from generator.intake.yaml_source import YamlSource

Array = NDArray[np.float64]
CalibratedName = Literal[
    "thrust", "torque", "voltage", "current", "motor_temperature", "controller_temperature", "air_temperature",
    "speed", "sound_level", "vibration", "pack_temperature",
]  # fmt: skip
# A t distribution of two degrees of freedom or fewer has no standard deviation; this is the least that counts. Our own
# choice, no source.
LEAST_DOF = 2.5
# Unit that a record is written in, channel by channel, where it is not the house unit as pint spells it.
WRITTEN_UNITS = {
    "force": "gf", "torque": "N*m", "voltage": "V", "current": "A", "temperature": "degC",
    "temperature_difference": "K", "speed": "rpm", "sound_level": "dB", "acceleration": "m/s^2",
}  # fmt: skip


class LineDoubt(Record):
    """Standard uncertainties of offset and gain, and how they hang together."""

    offset: Any = Field(description="Standard uncertainty of the offset, with its unit.")
    gain: Annotated[float, Field(ge=0)] = Field(description="Standard uncertainty of the gain.")
    correlation: Annotated[float, Field(ge=-1, le=1)] = Field(description="Between offset and gain.")


class CalibrationPoint(Record):
    """One known load and the mean reading it gave."""

    load: Any = Field(description="Known value.")
    reading: Any = Field(description="Mean of the window.")
    way: Literal["up", "down"] = Field(description="Whether the load before it was smaller or larger.")


class CalibrationLog(Record):
    """A log that the record was made from."""

    log: Annotated[str, Field(min_length=1, max_length=300)] = Field(description="Path in the session.")
    sha256: Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")] = Field(description="Checksum of the log.")


class ReadAs(Record):
    """How the rig file read the channel then. Another unit, sign or offset makes the record worthless."""

    column: Text = Field(description="Column of the log.")
    unit: Text | None = Field(None, description="Unit of the numbers in the log.")
    sign: Literal[1, -1] = Field(1, description="-1 where the logger counts the other way.")
    offset: Any = Field(None, description="What was subtracted from the reading.")


class CalibrationRecord(Record):
    """`rigs/calibrations/NAME.yaml`: true value = at + offset + gain × (reading - at).

    Values are kept in house units once read; `id` is the file's name without `.yaml`.
    """

    id: Id
    rig: Id = Field(description="The rig it belongs to.")
    channel: CalibratedName = Field(description="The channel it belongs to.")
    date: datetime.date = Field(description="Day of the calibration; sessions from that day on may use it.")
    session: Id = Field(description="The session it was made in.")
    logs: Annotated[tuple[CalibrationLog, ...], Field(min_length=1)] = Field(description="Logs behind it.")
    simulated: Text | None = Field(
        None, description="What the logs say of themselves where they are simulated."
    )
    made_by: Text | None = Field(None, description="The program that wrote this record.")
    read_as: ReadAs = Field(description="How the rig file read the channel then.")
    loads: tuple[Text, ...] = Field((), description="Known loads as the session states them.")
    load_uncertainty: Text | None = Field(
        None, description="Their standard uncertainty as the session states it."
    )
    at: Any = Field(description="Reading that the offset is stated for.")
    offset: Any = Field(description="Added to that reading.")
    gain: Annotated[float, Field(gt=0)] = Field(description="True step for a step of one in the reading.")
    from_scatter: LineDoubt = Field(description="Uncertainty from the scatter about the line.")
    from_loads: LineDoubt = Field(description="Uncertainty from the loads themselves.")
    residual_standard_deviation: Any = Field(description="Scatter of single points about the line.")
    degrees_of_freedom: Annotated[int, Field(ge=1)] = Field(description="Number of points less two.")
    hysteresis: Any = Field(None, description="Largest reading on the way down less that on the way up.")
    return_to_zero: Any = Field(None, description="Last reading less the first, of the same load.")
    points: Annotated[tuple[CalibrationPoint, ...], Field(min_length=3)] = Field(
        description="What was found."
    )

    @property
    def kind(self) -> str:
        """Kind of quantity of the channel."""
        return CHANNEL_KINDS[self.channel][0]

    def true(self, reading: Array) -> Array:
        """True values of readings, house unit, any shape."""
        made: Array = self.at + self.offset + self.gain * (reading - self.at)
        return made

    def covariance(self) -> tuple[float, float, float]:
        """Variance of the offset, variance of the gain and their covariance, scatter and loads together.

        The scatter was found from few points: it is widened by √(ν/(ν - 2)), since nobody who uses the record
        carries its degrees of freedom along.
        Source  JCGM 101:2008, 6.4.9.4 (standard deviation of the t distribution)
        """
        known = max(float(self.degrees_of_freedom), LEAST_DOF)
        factor = known / (known - 2.0)
        scatter, loads = self.from_scatter, self.from_loads
        return (
            factor * scatter.offset**2 + loads.offset**2,
            factor * scatter.gain**2 + loads.gain**2,
            factor * scatter.correlation * scatter.offset * scatter.gain
            + loads.correlation * loads.offset * loads.gain,
        )

    def pivot(self) -> tuple[float, float]:
        """True value at which the errors of value and gain do not hang together, and the uncertainty there.

        Source  JCGM 100:2008, H.3.5: the reference may be chosen so that the correlation is zero
        """
        offset2, gain2, both = self.covariance()
        if gain2 == 0.0:
            return self.at + self.offset, math.sqrt(offset2)
        away = -both / gain2
        return self.at + self.offset + self.gain * away, math.sqrt(max(offset2 - both**2 / gain2, 0.0))

    def gain_uncertainty(self) -> float:
        """Relative standard uncertainty of the gain."""
        return math.sqrt(self.covariance()[1]) / self.gain


class CalibratedChannel(Channel):
    """A channel of one session with the record that corrects it; `gain_uncertainty` and `calibrated` are its."""

    used: CalibrationRecord


def record_in_house_units(
    record: CalibrationRecord, source: YamlSource, problems: list[Problem]
) -> CalibrationRecord | None:
    """The record with the values that carry the channel's unit as numbers; None where some cannot be read."""
    before = len(problems)
    kind = record.kind
    difference = _difference(kind)

    def house(path: tuple[str | int, ...], value: Any, kind: str) -> Any:
        if value is None:
            return None
        try:
            return parse_quantity(value, kind)
        except UnreadableQuantity as fault:
            problems.append(
                Problem(
                    file=source.shown,
                    line=source.line(path),
                    key=".".join(str(part) for part in path),
                    what=fault.what,
                    remedy=fault.remedy,
                )
            )
            return None

    update: dict[str, Any] = {"at": house(("at",), record.at, kind)}
    for name in ("offset", "residual_standard_deviation", "hysteresis", "return_to_zero"):
        update[name] = house((name,), getattr(record, name), difference)
    for name in ("from_scatter", "from_loads"):
        part: LineDoubt = getattr(record, name)
        offset = house((name, "offset"), part.offset, difference)
        update[name] = part.model_copy(update={"offset": offset})
    offset = house(("read_as", "offset"), record.read_as.offset, difference)
    update["read_as"] = record.read_as.model_copy(update={"offset": offset})
    update["points"] = tuple(
        point.model_copy(
            update={
                "load": house(("points", place, "load"), point.load, kind),
                "reading": house(("points", place, "reading"), point.reading, kind),
            }
        )
        for place, point in enumerate(record.points)
    )
    return record.model_copy(update=update) if len(problems) == before else None


def check_calibrations(
    rig: Rig, source: YamlSource, records: Mapping[str, CalibrationRecord | None], problems: list[Problem]
) -> None:
    """Records that a rig's channels name must be there, be theirs, and fit how the channel is read now.

    records  name -> record in house units, None for one with faults, which are told already
    """
    for name, channel in rig.channels.present().items():
        for place, wanted in enumerate(channel.calibration):
            faults = (
                _misfits(rig, name, channel, records[wanted])
                if wanted in records
                else iter([_not_there(wanted, rig, name, records)])
            )
            path: tuple[str | int, ...] = ("channels", name, "calibration", place)
            for what, remedy in faults:
                problems.append(
                    Problem(
                        file=source.shown,
                        line=source.line(path),
                        key=f"channels.{name}.calibration",
                        what=what,
                        remedy=remedy,
                    )
                )


def _not_there(
    wanted: str, rig: Rig, channel: str, records: Mapping[str, CalibrationRecord | None]
) -> tuple[str, str]:
    own = [n for n, r in records.items() if r is None or (r.rig, r.channel) == (rig.id, channel)]
    remedy = suggestion(wanted, own) if own else "`whirlbook calibrate SESSION` writes one from a `zero` run."
    return f"there is no record '{wanted}' in rigs/calibrations/.", remedy


def _misfits(
    rig: Rig, name: str, channel: Channel, record: CalibrationRecord | None
) -> Iterator[tuple[str, str]]:
    if record is None:
        return
    if (record.rig, record.channel) != (rig.id, name):
        yield (
            f"'{record.id}' is a calibration of {record.channel.replace('_', ' ')} on rig '{record.rig}'.",
            "Name a record of this channel on this rig.",
        )
        return
    then = record.read_as
    now = (channel.unit, channel.sign, float(channel.offset or 0.0))
    if now != (then.unit, then.sign, float(then.offset or 0.0)):
        yield (
            f"'{record.id}' was made while this channel was read with another unit, sign or offset.",
            f"Put them back (unit {then.unit}, sign {then.sign}), or calibrate again.",
        )


def calibrated(rig: Rig, records: Mapping[str, CalibrationRecord | None], date: datetime.date) -> Rig:
    """The rig as it is to be read in a session of this date: each channel with its newest record not after it.

    A session before the first record keeps what the rig file states: a correction found later is not known to have
    held then. Records of the very day count.
    """
    made: dict[str, Channel] = {}
    for name, channel in rig.channels.present().items():
        found = [record for wanted in channel.calibration if (record := records.get(wanted)) is not None]
        usable = [record for record in found if record.date <= date]
        if not usable:
            made[name] = channel
            continue
        newest = max(usable, key=lambda record: (record.date, record.id))
        stated = {field: getattr(channel, field) for field in Channel.model_fields}
        stated |= {"gain_uncertainty": newest.gain_uncertainty(), "calibrated": newest.date}
        made[name] = CalibratedChannel.model_construct(channel.model_fields_set, **stated, used=newest)
    if not any(isinstance(channel, CalibratedChannel) for channel in made.values()):
        return rig
    return _with_channels(rig, made)


def uncalibrated(rig: Rig) -> Rig:
    """The rig with every channel read as its file alone says; how far a calibration is off is found on it."""
    plain: dict[str, Channel] = {
        name: Channel.model_construct(
            channel.model_fields_set, **{field: getattr(channel, field) for field in Channel.model_fields}
        )
        if isinstance(channel, CalibratedChannel)
        else channel
        for name, channel in rig.channels.present().items()
    }
    return _with_channels(rig, plain)


def _with_channels(rig: Rig, made: Mapping[str, Channel]) -> Rig:
    channels: dict[str, Any] = {**dict.fromkeys(Channels.model_fields), **made}
    return rig.model_copy(update={"channels": Channels.model_construct(None, **channels)})


def due_date(channel: Channel, calibrated_on: datetime.date | None) -> datetime.date | None:
    """Day from which a calibration of this channel counts as overdue; None where none or no interval is stated."""
    if calibrated_on is None or channel.calibration_interval_s is None:
        return None
    try:
        return calibrated_on + datetime.timedelta(seconds=channel.calibration_interval_s)
    except OverflowError:  # later than any date there is
        return datetime.date.max


def _difference(kind: str) -> str:
    return "temperature_difference" if kind == "temperature" else kind


def written(value: float | None, kind: str, *, difference: bool = False) -> str | None:
    """A house value as a record writes it: ten significant digits and its unit."""
    if value is None:
        return None
    kind = _difference(kind) if difference else kind
    unit = WRITTEN_UNITS[kind]
    zero, one = (parse_quantity(f"{number} {unit}", kind) for number in (0, 1))
    return f"{(value - zero) / (one - zero):.10g} {unit}"
