"""Values of a rig's channels that carry the channel's own unit, turned to house units."""

from __future__ import annotations

from typing import Any

from generator.intake.log_cells import is_row_number
from generator.intake.log_channels import CLOCK_UNIT
from generator.intake.problems import Problem
from generator.intake.quantities import UnreadableQuantity, conversion, parse_quantity
from generator.intake.rig import CHANNEL_KINDS, Channel, Channels, Rig
from generator.intake.yaml_source import YamlSource


def channels_in_house_units(rig: Rig, source: YamlSource, problems: list[Problem]) -> Rig | None:
    """The rig with the values that carry a channel's own unit turned to house units."""
    before = len(problems)
    made: dict[str, Channel] = {}
    for name, channel in rig.channels.present().items():

        def fault(field: str, what: str, remedy: str, name: str = name) -> None:
            path = ("channels", name, field)
            problems.append(
                Problem(
                    file=source.shown,
                    line=source.line(path),
                    key=f"channels.{name}.{field}",
                    what=what,
                    remedy=remedy,
                )
            )

        kind, _ = CHANNEL_KINDS[name]
        has_ends = channel.idle is not None and channel.full is not None
        if name == "throttle" and has_ends and channel.idle == channel.full:
            fault("full", "is the same as `idle`.", "Give the readings at idle and at full throttle.")
        if channel.unit is None:
            if not (name == "throttle" and has_ends):
                fault(
                    "unit",
                    "is missing.",
                    "Add the unit of the numbers in the log."
                    + (" Or give `idle` and `full`." if name == "throttle" else ""),
                )
        elif name == "time" and channel.unit == CLOCK_UNIT:
            if is_row_number(channel.column):
                fault(
                    "unit",
                    "makes a clock of the number of the row.",
                    "Write the time from row to row: 20 ms.",
                )
        elif not (name == "throttle" and has_ends):
            try:
                conversion(channel.unit, kind)
            except UnreadableQuantity as error:
                fault("unit", error.what, error.remedy)
        if name != "speed" and (channel.electrical or channel.pulses_per_revolution is not None):
            fault(
                "electrical" if channel.electrical else "pulses_per_revolution",
                "belongs to the speed channel only.",
                "Remove it here.",
            )
        difference = "temperature_difference" if kind == "temperature" else kind

        def house(field: str, value: object, kind: str) -> float | None:
            if value is None:
                return None
            try:
                return parse_quantity(value, kind)
            except UnreadableQuantity as error:
                fault(field, error.what, error.remedy)
                return None

        span = channel.range
        made[name] = channel.model_copy(
            update={
                "offset": house("offset", channel.offset, difference),
                "offset_uncertainty": house("offset_uncertainty", channel.offset_uncertainty, difference),
                "resolution": house("resolution", channel.resolution, difference),
                "range": None
                if span is None
                else (house("range", span[0], kind), house("range", span[1], kind)),
            }
        )
    if len(problems) > before:
        return None
    channels: dict[str, Any] = {**dict.fromkeys(Channels.model_fields), **made}
    return rig.model_copy(update={"channels": Channels.model_construct(None, **channels)})
