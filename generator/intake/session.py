"""Season and session: the question, the treatments, the runs, the claims."""

from __future__ import annotations

import datetime
import itertools
from collections.abc import Mapping
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, BeforeValidator, Field

from generator.intake.calibrations import CalibrationRecord
from generator.intake.outside import NOT_IN_NAMES
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
from generator.intake.quantities import (
    Mass,
    Pressure,
    Ratio,
    Temperature,
    TemperatureDifference,
    Time,
    Voltage,
)
from generator.intake.rig import Rig

Expectation = Literal["no difference", "less", "more", "difference"]


# As `reduction.air`, whose formula for the density holds no farther.
TEMPERATURES_K = (223.15, 343.15)
PRESSURES_PA = (30_000.0, 120_000.0)


def _as_at_a_bench(found: float) -> float:
    if not TEMPERATURES_K[0] <= found <= TEMPERATURES_K[1]:
        raise ValueError(f"is {found - 273.15:.6g} °C; air at a bench has -50 to 70 °C.")
    return found


def _as_on_the_ground(found: float) -> float:
    if not PRESSURES_PA[0] <= found <= PRESSURES_PA[1]:
        raise ValueError(f"is {found / 100.0:.6g} hPa; air at a bench has 300 to 1200 hPa.")
    return found


class Air(Record):
    """The air of the session. Uncertainties are standard uncertainties (k = 1)."""

    temperature_k: Annotated[Temperature, AfterValidator(_as_at_a_bench)] = key(
        "temperature", "Air temperature.", gt=0
    )
    pressure_pa: Annotated[Pressure, AfterValidator(_as_on_the_ground)] = key(
        "pressure", "Air pressure at the bench, not reduced to sea level.", gt=0
    )
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

    label: Text = Field(description="Short name of this set-up on pages and in charts.")
    motor: Id = Field(description="A motor of `parts/`: its file's name without `.yaml`.")
    controller: Id = Field(description="A controller of `parts/`.")
    propeller: Id = Field(description="A propeller of `parts/`.")
    supply: Id = Field(description="A supply or a pack of `parts/`.")
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
    about: Text | None = Field(None, description="What a reader should know about this set-up.")


class Pair(Record):
    """Two treatments to be compared besides each against the baseline."""

    treatment: Id = Field(description="The treatment that is compared.")
    against: Id = Field(description="The treatment it is compared with, in place of the baseline.")


def _usable(path: str) -> str:
    found = NOT_IN_NAMES.search(path.translate({ord(mark): None for mark in "/\\:"}))  # these lead elsewhere
    if found is not None:
        raise ValueError(f"has the character U+{ord(found.group()):04X} in its name; rename the log.")
    if any(len(name.encode(errors="replace")) > LONGEST_FILE_NAME for name in path.split("/")):
        raise ValueError(f"holds a name of more than {LONGEST_FILE_NAME} bytes, which no disk takes.")
    return path


LONGEST_FILE_NAME = 200
LogName = Annotated[str, Field(min_length=1, max_length=300), AfterValidator(_usable)]


class FurtherLog(Record):
    """The log of a run that another logger of the rig wrote meanwhile."""

    log: LogName = Field(description="File of the log, such as `logs/01-scope.csv`.")
    offset_s: Time | None = key(
        "offset",
        "What to add to its time, counted from its first sample, to have the time of the run's own log, counted from "
        "its first; found from the logs where not stated.",
        default=None,
    )
    offset_uncertainty_s: Time = key(
        "offset_uncertainty", "Standard uncertainty of a stated offset.", default=0.0, ge=0
    )


class Run(Record):
    """One recording: one procedure, one treatment, one log for each logger."""

    log: LogName = Field(description="File of the log, such as `logs/01.csv`.")
    procedure: Text = Field(description="One of the procedures planned above.")
    treatment: Id | Literal[""] = Field(
        "", description="One of the treatments above; a run of the stand alone, such as `zero`, has none."
    )
    repeat: Annotated[int, Field(ge=1, le=10000)] = Field(
        1, description="Which repetition of this procedure with this treatment: 1, 2, 3, ..."
    )
    block: Annotated[int, Field(ge=1, le=10000)] | None = Field(
        None,
        description="Runs made close together in time share a number; they are compared with each other.",
    )
    started: datetime.time | None = Field(None, description="Time of day, such as '14:02'.")
    further_logs: dict[Id, FurtherLog] = Field(
        {}, description="Logs of the same run by the rig's `loggers`, each under its logger's name."
    )
    left_out: Text | None = Field(None, description="Why this run is not used; it is still shown.")
    notes: Text | None = Field(None, description="Anything a reader should know about this run.")

    @property
    def logs(self) -> tuple[str, ...]:
        """The run's own log and those of the rig's further loggers."""
        return (self.log, *(further.log for further in self.further_logs.values()))

    @property
    def id(self) -> str:
        """The log's file name up to its first dot; unique within a session."""
        return self.log.replace("\\", "/").rsplit("/", 1)[-1].split(".", 1)[0]


# a `runs:` with nothing after it is a list that waits for `plan`
Runs = Annotated[
    tuple[Run, ...],
    BeforeValidator(
        lambda found: () if found is None else found, json_schema_input_type=tuple[Run, ...] | None
    ),
]


class Claim(Record):
    """A statement somebody makes that the session can support, contradict or leave open."""

    says: Text = Field(description="The statement, in the words it was made in.")
    by: Text = Field("not stated", description="Who says it, in general words.")
    response: Text = Field(description="The response it is about, such as `electrical_power`.")
    treatment: Id = Field(description="The treatment it is about, held against the baseline.")
    expects: Expectation = Field(description="What it says of the treatment against the baseline.")


class StatedCaution(Record):
    """A caution the tester adds in their own words."""

    signal: Literal["DANGER", "WARNING", "CAUTION", "NOTICE"] = Field(
        description="Signal word by ANSI Z535.6: how bad it would be, and how likely."
    )
    text: Text = Field(description="The hazard, what it does, and how it is avoided.")


class Correction(Record):
    """A correction made in the open."""

    date: datetime.date = Field(description="Day of the correction.")
    what: Text = Field(description="What was changed.")
    why: Text = Field(description="Why it was changed.")


class SessionFile(Record):
    """`session.yaml`. `intake.season` adds the procedures' own models to this one."""

    title: Text = Field(description="The question in a few words; the heading of the session's page.")
    question: Text = Field(
        description="What is asked: of which set-ups, in which response, at what equal condition."
    )
    date: datetime.date = Field(description="Day of the runs.")
    rig: Id = Field(description="A rig of `rigs/`: its file's name without `.yaml`.")
    air: Air = Field(description="Air at the bench, for its density.")
    baseline: Id = Field(description="The treatment that the others are held against.")
    treatments: Annotated[dict[Id, Treatment], Field(min_length=2, max_length=12)] = Field(
        description="The set-ups that are compared. Change one thing at a time."
    )
    primary: tuple[Text, ...] = Field(
        (), description="Responses decided before the test; all others are exploratory."
    )
    matters: dict[str, Any] = Field(
        {}, description="Smallest difference that would matter, response by response."
    )
    procedures: Any = Field(description="How the runs are driven.")
    runs: Runs = Field(
        (), description="Every recording, in the order made. Left empty until `plan` has written it."
    )
    pairs: tuple[Pair, ...] = Field(
        (), description="Pairs of treatments compared besides each against the baseline."
    )
    check_standard: Id | None = Field(
        None,
        description="The treatment that is the rig's check standard: it is not compared, it watches the rig.",
    )
    claims: tuple[Claim, ...] = Field(
        (), description="Statements that somebody makes and that this session is to judge."
    )
    aircraft: tuple[Id, ...] = Field(
        (), description="Aircraft of `season.yaml` that the answer is carried over to."
    )
    cautions: tuple[StatedCaution, ...] = Field(
        (), description="Cautions in your own words, besides those that the data raise."
    )
    go_on_because: dict[str, Text] = Field(
        {},
        description="Why you go on where `plan` refuses: the id of a hazard and your reason, which is published.",
    )
    corrections: tuple[Correction, ...] = Field(
        (), description="What was corrected after publication, in the open."
    )
    design: Literal["unpaired", "blocks", "drift"] | None = Field(
        None, description="How the runs were ordered; found from `block` where it is not given."
    )
    tester: Text | None = Field(None, description="Who answers for this session.")


def same_set_ups(session: Session) -> tuple[tuple[str, str], ...]:
    """Labels of compared treatments in which nothing differs but their names."""
    file = session.file
    compared = [one for name, one in file.treatments.items() if name != file.check_standard]
    told = {one.label: one.model_dump(exclude={"label"}) for one in compared}
    return tuple((a, b) for a, b in itertools.combinations(told, 2) if told[a] == told[b])


class Aircraft(Record):
    """An aircraft that the difference is translated to."""

    label: Text = Field(description="Name shown on pages.")
    mass_without_pack_kg: Mass = key("mass_without_pack", "All-up mass without its pack.", gt=0)
    motors: Annotated[int, Field(ge=1, le=24)] = Field(description="Number of motors.")
    pack: Id = Field(description="The pack of `parts/` that it flies with.")


class DisplayUnits(Record):
    """Units the pages show first."""

    thrust: Literal["gf", "N", "ozf"] = Field("gf", description="Unit of thrust.")
    temperature: Literal["°C", "°F"] = Field("°C", description="Unit of temperature.")


class SeasonFile(Record):
    """`season.yaml`."""

    title: Text = Field(description="Name of the season, at the head of every page.")
    about: Text = Field(description="Who asks what, and why, in a sentence or two.")
    notice: Text | None = Field(
        None, description="Printed on every page, such as: all data here are invented."
    )
    author: Text | None = Field(None, description="Who answers for the season.")
    base_url: Annotated[str, Field(pattern=r"^https?://\S+$")] | None = Field(
        None, description="Address the site will have, if known."
    )
    licence: Text | None = Field(None, description="Licence of data and texts.")
    language: Annotated[str, Field(pattern=r"^[a-z]{2,3}(-[A-Za-z0-9]{2,8})*$")] = Field(
        "en", description="Language of your texts, such as `en`."
    )
    aircraft: dict[Id, Aircraft] = Field(
        default_factory=dict, description="Aircraft that answers are carried over to."
    )
    units: DisplayUnits = Field(DisplayUnits(), description="Units that pages show first.")


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
    calibrations: Mapping[str, CalibrationRecord] = Field(default_factory=dict)
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
