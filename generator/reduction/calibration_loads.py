"""`zero:` in session.yaml: the known loads of a calibration, each in the unit it was written in."""

from __future__ import annotations

import itertools
import math
from typing import Annotated, Any, ClassVar, Self

from pydantic import Field, ValidationInfo, field_validator, model_validator
from pydantic_core import PydanticCustomError

from generator.intake.calibrations import CalibratedName
from generator.intake.parts import Record, key
from generator.intake.quantities import Acceleration, Length, Time, UnreadableQuantity, parse_quantity
from generator.intake.rig import CHANNEL_KINDS

ICE_POINT_K = 273.15
# Two loads one after the other must differ by this share of their whole reach, or their steps cannot be told apart in
# the reading. Our own choice, no source.
SMALLEST_STEP = 0.002


class ZeroPlan(Record):
    """`zero:` in session.yaml: known loads put on and taken off a stand at rest, in this order.

    Texts are kept as they were written, for the reader; `load_values` and the rest give house units.
    """

    # nothing turns: there is no rest to take a zero from, and the reading moves because loads are put on
    stand_at_rest: ClassVar[bool] = True

    channel: CalibratedName = Field(description="The channel that is calibrated.")
    arm_m: Length | None = key(
        "arm",
        "Torque: lever of the loads; they are forces then, or masses with `gravity`.",
        default=None,
        gt=0,
    )
    arm_uncertainty_m: Length = key("arm_uncertainty", "Standard uncertainty of it.", default=0.0, ge=0)
    gravity_m_s2: Acceleration | None = key(
        "gravity",
        "Local gravity. With it loads are masses, such as `100 g`; it differs by up to 0.3 % from the standard one.",
        default=None,
        gt=9.7,
        lt=9.9,
    )
    loads: Annotated[tuple[Any, ...], Field(min_length=3, max_length=200)] = Field(
        description="Known loads in the order they were put on, up and down: `[0 gf, 100 gf, 200 gf, 100 gf, 0 gf]`."
    )
    load_uncertainty: Any = Field(
        None,
        description="Standard uncertainty of the loads: `0.1 %` of all alike, or `0.2 gf` of each load apart.",
    )
    at: Any = Field(
        None, description="Reading that the offset is stated for; zero, or 0 degC, where it is not given."
    )
    settle_s: Time = key("settle", "Left out after a load is put on.", default=2.0, ge=0)
    window_s: Time = key("window", "Averaged at the end of each load.", default=3.0, gt=0)

    @field_validator("loads")
    @classmethod
    def _readable(cls, loads: tuple[Any, ...], info: ValidationInfo) -> tuple[Any, ...]:
        if "channel" not in info.data:
            return loads  # that fault is told already
        values = [cls._load(text, place, info.data) for place, text in enumerate(loads, start=1)]
        smallest = SMALLEST_STEP * (max(values, default=0.0) - min(values, default=0.0))
        for place, (before, now) in enumerate(itertools.pairwise(values), start=2):
            if abs(now - before) <= smallest:
                raise _fault(
                    f"load {place} ({loads[place - 1]}) is that before it again.",
                    "Two loads one after the other must differ, or their steps cannot be told apart.",
                )
        return loads

    @field_validator("load_uncertainty", "at")
    @classmethod
    def _in_unit(cls, found: Any, info: ValidationInfo) -> Any:
        if found is None or "channel" not in info.data:
            return found
        if info.field_name == "at":
            _parsed(found, _kind(info.data["channel"]))
            return found
        relative = isinstance(found, str) and found.strip().endswith("%")
        if relative and _kind(info.data["channel"]) == "temperature":
            raise _fault(
                "a share of a temperature has no meaning.", "Write it as a difference, such as `0.05 K`."
            )
        size = _parsed(found, "ratio") if relative else cls._load(found, 0, info.data, difference=True)
        if not size >= 0.0:
            raise _fault(f"'{found}' is below zero.", "A standard uncertainty is zero or more.")
        return found

    @model_validator(mode="after")
    def _fits_together(self) -> Self:
        if self.arm_m is not None and self.channel != "torque":
            raise ValueError("arm: belongs to a calibration of the torque only")
        if self.gravity_m_s2 is not None and self.channel not in ("thrust", "torque"):
            raise ValueError("gravity: belongs to a calibration with masses, of thrust or torque")
        if self.gravity_m_s2 is not None and self.channel == "torque" and self.arm_m is None:
            raise ValueError("arm: is missing; masses make a torque through the arm they hang on")
        return self

    @staticmethod
    def _load(text: Any, place: int, given: dict[str, Any], *, difference: bool = False) -> float:
        """One load in the channel's house unit."""
        channel, arm, gravity = given["channel"], given.get("arm_m"), given.get("gravity_m_s2")
        factor = 1.0
        kind = _kind(channel)
        if channel == "torque" and arm is not None:
            kind, factor = "force", arm
        if gravity is not None and channel in ("thrust", "torque"):
            kind, factor = "mass", factor * gravity
        if difference and kind == "temperature":
            kind = "temperature_difference"
        return factor * _parsed(text, kind, "" if place == 0 else f"load {place}: ")

    def _given(self) -> dict[str, Any]:
        return {"channel": self.channel, "arm_m": self.arm_m, "gravity_m_s2": self.gravity_m_s2}

    @property
    def channels_needed(self) -> tuple[str, ...]:
        """What the rig must have for this plan."""
        return (self.channel,)

    @property
    def column(self) -> str:
        """House column of the channel."""
        return CHANNEL_KINDS[self.channel][1]

    def load_values(self) -> tuple[float, ...]:
        """Loads in the channel's house unit, in the order they were put on."""
        return tuple(self._load(text, 0, self._given()) for text in self.loads)

    def load_relative(self) -> float:
        """Standard uncertainty that all loads share, as a share of each: stated, and of the arm."""
        text = self.load_uncertainty
        stated = _parsed(text, "ratio") if isinstance(text, str) and text.strip().endswith("%") else 0.0
        return math.hypot(stated, 0.0 if self.arm_m is None else self.arm_uncertainty_m / self.arm_m)

    def load_absolute(self) -> float:
        """Standard uncertainty of each load apart, house unit."""
        text = self.load_uncertainty
        if text is None or (isinstance(text, str) and text.strip().endswith("%")):
            return 0.0
        return self._load(text, 0, self._given(), difference=True)

    def at_reading(self) -> float:
        """Reading that the offset is stated for, house unit."""
        if self.at is not None:
            return _parsed(self.at, _kind(self.channel))
        return ICE_POINT_K if _kind(self.channel) == "temperature" else 0.0


def _kind(channel: str) -> str:
    return CHANNEL_KINDS[channel][0]


def _fault(what: str, remedy: str) -> PydanticCustomError:
    return PydanticCustomError("quantity", "{what}", {"what": what, "remedy": remedy})


def _parsed(text: Any, kind: str, before: str = "") -> float:
    try:
        return parse_quantity(text, kind)
    except UnreadableQuantity as fault:
        raise _fault(f"{before}{fault.what}", fault.remedy) from None
