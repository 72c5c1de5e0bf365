"""Season and session: the question, the treatments, the runs, the claims."""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from typing import Annotated, Any, Literal

from pydantic import BaseModel, Field

from generator.intake.parts import (
    AnyPart,
    Cells,
    Controller,
    Id,
    Motor,
    Pack,
    Propeller,
    Record,
    Supply,
    Text,
    key,
)
from generator.intake.quantities import Mass, Pressure, Ratio, Temperature, TemperatureDifference, Voltage
from generator.intake.rig import Rig

Expectation = Literal["no difference", "less", "more", "difference"]


class Air(Record):
    """The air of the session. Uncertainties are standard uncertainties (k = 1)."""

    temperature_k: Temperature = key("temperature", "Air temperature.", gt=0)
    pressure_pa: Pressure = key("pressure", "Air pressure at the bench, not reduced to sea level.", gt=0)
    humidity: Ratio = key("humidity", "Relative humidity.", ge=0, le=1)
    temperature_uncertainty_k: TemperatureDifference = key(
        "temperature_uncertainty", "Assumed 0.5 K if not given.", default=0.5, ge=0
    )
    pressure_uncertainty_pa: Pressure = key(
        "pressure_uncertainty", "Assumed 1 hPa if not given.", default=100.0, ge=0
    )
    humidity_uncertainty: Ratio = key("humidity_uncertainty", "Assumed 5 % if not given.", default=0.05, ge=0)


class Treatment(Record):
    """One set-up under comparison; `motor` and the rest are ids of files in `parts/`."""

    label: Text
    motor: Id
    controller: Id
    propeller: Id
    supply: Id = Field(description="A supply or a pack.")
    cells: Cells | None = Field(None, description="Cells in series that the supply stands for.")
    volts_per_cell_v: Voltage | None = key(
        "volts_per_cell", "Set voltage of a cell, such as `4.0 V`.", default=None, gt=0
    )
    output_cap: Ratio = key(
        "output_cap", "Highest output the controller is allowed, such as `80 %`.", default=1.0, gt=0, le=1
    )
    pack: Id | None = Field(
        None, description="Pack this set-up would fly with, where `supply` is a bench supply."
    )
    about: Text | None = None


class Pair(Record):
    """Two treatments to be compared besides each against the baseline."""

    treatment: Id
    against: Id


class Run(Record):
    """One recording: one log, one procedure, one treatment."""

    log: Annotated[str, Field(min_length=1, max_length=300)]
    procedure: Text
    treatment: Id
    repeat: Annotated[int, Field(ge=1, le=10000)] = 1
    block: Annotated[int, Field(ge=1, le=10000)] | None = None
    started: datetime.time | None = None
    left_out: Text | None = Field(None, description="Why this run is not used; it is still shown.")
    notes: Text | None = None

    @property
    def id(self) -> str:
        """The log's file name up to its first dot; unique within a session."""
        return self.log.replace("\\", "/").rsplit("/", 1)[-1].split(".", 1)[0]


class Claim(Record):
    """A statement somebody makes that the session can support, contradict or leave open."""

    says: Text
    by: Text = Field("not stated", description="Who says it, in general words.")
    response: Text
    treatment: Id
    expects: Expectation


class StatedCaution(Record):
    """A caution the tester adds in their own words."""

    signal: Literal["DANGER", "WARNING", "CAUTION", "NOTICE"]
    text: Text


class Correction(Record):
    """A correction made in the open."""

    date: datetime.date
    what: Text
    why: Text


class SessionFile(Record):
    """`session.yaml`. `intake.season` adds the procedures' own models to this one."""

    title: Text
    question: Text
    date: datetime.date
    rig: Id
    air: Air
    baseline: Id
    treatments: Annotated[dict[Id, Treatment], Field(min_length=2, max_length=12)]
    primary: tuple[Text, ...] = Field(
        (), description="Responses decided before the test; all others are exploratory."
    )
    matters: dict[str, Any] = Field(
        {}, description="Smallest difference that would matter, response by response."
    )
    procedures: Any
    runs: tuple[Run, ...] = ()
    pairs: tuple[Pair, ...] = Field(
        (), description="Pairs of treatments compared besides each against the baseline."
    )
    check_standard: Id | None = Field(
        None,
        description="The treatment that is the rig's check standard: it is not compared, it watches the rig.",
    )
    claims: tuple[Claim, ...] = ()
    aircraft: tuple[Id, ...] = ()
    cautions: tuple[StatedCaution, ...] = ()
    corrections: tuple[Correction, ...] = ()
    design: Literal["unpaired", "blocks", "drift"] | None = Field(
        None, description="How the runs were ordered; found from `block` where it is not given."
    )
    tester: Text | None = Field(None, description="Who answers for this session.")


class Aircraft(Record):
    """An aircraft that the difference is translated to."""

    label: Text
    mass_without_pack_kg: Mass = key("mass_without_pack", "All-up mass without its pack.", gt=0)
    motors: Annotated[int, Field(ge=1, le=24)]
    pack: Id


class DisplayUnits(Record):
    """Units the pages show first."""

    thrust: Literal["gf", "N", "ozf"] = "gf"
    temperature: Literal["°C", "°F"] = "°C"


class SeasonFile(Record):
    """`season.yaml`."""

    title: Text
    about: Text
    notice: Text | None = Field(
        None, description="Printed on every page, such as: all data here are invented."
    )
    author: Text | None = None
    base_url: Annotated[str, Field(pattern=r"^https?://\S+$")] | None = Field(
        None, description="Address the site will have, if known."
    )
    licence: Text | None = Field(None, description="Licence of data and texts.")
    language: Annotated[str, Field(pattern=r"^[a-z]{2,3}(-[A-Za-z0-9]{2,8})*$")] = "en"
    aircraft: dict[Id, Aircraft] = Field(default_factory=dict)
    units: DisplayUnits = DisplayUnits()


class Margin(Record):
    """The smallest difference that would matter. Relative margins are a share of the baseline's mean.

    text      as the tester wrote it, such as `2 %`
    relative  share, or None
    absolute  in the response's published unit, or None
    """

    text: str
    relative: float | None = None
    absolute: float | None = None


class Session(Record):
    """A session as later stages see it: references resolved, margins read, procedures' plans validated."""

    id: str
    file: SessionFile
    plans: Mapping[str, BaseModel]
    margins: Mapping[str, Margin]
    rig: Rig
    conclusion: str | None = None
    conclusion_path: str | None = None
    photos: tuple[str, ...] = ()


class Season(Record):
    """A whole season. `folder` is where its files are; nothing after intake needs it but publication."""

    folder: str
    file: SeasonFile
    rigs: Mapping[str, Rig]
    parts: Mapping[str, AnyPart]
    sessions: tuple[Session, ...]

    def motor(self, treatment: Treatment) -> Motor:
        """The motor of a treatment."""
        part = self.parts[treatment.motor]
        assert isinstance(part, Motor)
        return part

    def controller(self, treatment: Treatment) -> Controller:
        """The controller of a treatment."""
        part = self.parts[treatment.controller]
        assert isinstance(part, Controller)
        return part

    def propeller(self, treatment: Treatment) -> Propeller:
        """The propeller of a treatment."""
        part = self.parts[treatment.propeller]
        assert isinstance(part, Propeller)
        return part

    def source(self, treatment: Treatment) -> Pack | Supply:
        """The pack or supply of a treatment."""
        part = self.parts[treatment.supply]
        assert isinstance(part, Pack | Supply)
        return part
