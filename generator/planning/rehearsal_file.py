"""`rehearsal.yaml` beside session.yaml: the truth that a rehearsal hides, all of it optional."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field
from pydantic_core import PydanticCustomError

from generator.intake.parts import Id, Record, key
from generator.intake.problems import Problem, SeasonProblems
from generator.intake.quantities import (
    Frequency,
    Inductance,
    Inertia,
    Ratio,
    Resistance,
    SpeedConstant,
    Temperature,
    TemperatureDifference,
    Time,
    UnreadableQuantity,
    parse_quantity,
)
from generator.intake.rig import CHANNEL_KINDS
from generator.intake.validation import validated
from generator.intake.yaml_source import read_yaml

Factor = Annotated[float, Field(gt=0, le=10)]
ChannelName = Literal[
    "throttle", "speed", "thrust", "torque", "voltage", "current", "motor_temperature",
    "controller_temperature", "air_temperature", "pack_temperature", "sound_level", "vibration",
]  # fmt: skip


def _in(kind: str) -> BeforeValidator:
    def read(found: object) -> float:
        try:
            return parse_quantity(found, kind)
        except UnreadableQuantity as fault:
            raise PydanticCustomError(
                "quantity", "{what}", {"what": fault.what, "remedy": fault.remedy}
            ) from None

    return BeforeValidator(read)


Torque = Annotated[float, _in("torque")]
HeatResistance = Annotated[float, Field(gt=0, description="K/W, a bare number.")]


def difference_kind(channel: str) -> str:
    """Kind of quantity in which a channel's errors are written: a temperature's are differences."""
    kind = CHANNEL_KINDS[channel][0]
    return "temperature_difference" if kind == "temperature" else kind


class SensorTruth(Record):
    """Errors of one channel, written in units of the channel; house units once read by `load_rehearsal`.

    noise is a standard deviation with `correlation_time`; zero and zero_drift are standard deviations from run
    to run, of the zero at the start and of its change over the run. gain_error and offset_error are drawn
    from the rig's stated uncertainties where they are not given.
    """

    noise: Any = None
    correlation_time_s: Time | None = key(
        "correlation_time", "Correlation time of the noise.", default=None, ge=0
    )
    zero: Any = None
    zero_drift: Any = None
    gain_error: Ratio | None = None
    offset_error: Any = None
    hysteresis: Any = Field(
        None,
        description="How much more it shows on the way down, half-way through the known loads of a zero run.",
    )


class MotorTruth(Record):
    """True values of a motor where they differ from its part file or do not stand there."""

    kv_rpm_per_v: SpeedConstant | None = key("kv", "True speed constant.", default=None, gt=0)
    resistance_ohm: Resistance | None = key("resistance", "True terminal resistance.", default=None, gt=0)
    inductance_h: Inductance | None = key("inductance", "True inductance.", default=None, gt=0)
    inertia_kg_m2: Inertia | None = key("inertia", "True inertia of the bell.", default=None, gt=0)
    free_run_slope: Ratio | None = key(
        "free_run_slope", "Share of I0 that grows with speed.", default=None, ge=0, le=1
    )
    bearing_torque_nm: Torque | None = key("bearing_torque", "Extra friction.", default=None, ge=0)
    ripple_iron_ohm: Resistance | None = key(
        "ripple_iron",
        "Resistance seen by the ripple's voltage at 24 kHz; `0 ohm` leaves that loss out.",
        default=None,
        ge=0,
    )
    ripple_copper_factor: Factor | None = None
    winding_to_case_k_w: HeatResistance | None = None
    case_to_air_k_w: HeatResistance | None = None


class ControllerTruth(Record):
    """True values of a controller."""

    switching_time_s: Time | None = key(
        "switching_time", "Effective time of one switching loss.", default=None, ge=0
    )
    slew_time_s: Time | None = key("slew_time", "Time from idle to full output.", default=None, gt=0)
    brakes: bool | None = None
    to_air_k_w: HeatResistance | None = None


class PropellerTruth(Record):
    """True coefficients of a propeller at 15 000 rpm, and how they follow speed; else as its part file states them."""

    thrust_coefficient: Annotated[float, Field(gt=0, lt=1)] | None = None
    power_coefficient: Annotated[float, Field(gt=0, lt=1)] | None = None
    thrust_exponent: float | None = None
    power_exponent: float | None = None


class SourceTruth(Record):
    """True values of a supply or pack."""

    resistance_ohm: Resistance | None = key(
        "resistance", "True internal resistance at 25 °C.", default=None, gt=0
    )
    state_of_charge: Ratio | None = key(
        "state_of_charge", "At the start of each run.", default=None, gt=0, le=1
    )
    state_of_charge_scatter: Ratio = key(
        "state_of_charge_scatter", "Its scatter from run to run.", default=0.0, ge=0
    )


class TreatmentTruth(Record):
    """Known true differences of one treatment, so that the analysis can be held against them."""

    electrical_power: Factor = Field(1.0, description="Electrical power over what the physics gives.")
    thrust: Factor = 1.0
    shaft_power: Factor = 1.0
    inertia: Factor = 1.0
    cooling: Factor = Field(1.0, description="Heat flow from motor and controller to the air.")
    bearing_torque_nm: Torque = key("bearing_torque", "Extra friction.", default=0.0, ge=0)
    vibration: Factor = 1.0
    propeller: Id | None = Field(None, description="The propeller really fitted, swapped by mistake.")
    pack_temperature_k: Temperature | None = key(
        "pack_temperature", "Of the pack at the start.", default=None, gt=0
    )
    gains: dict[ChannelName, Factor] = Field(
        {}, description="Gain of a channel that moved for this treatment."
    )


class Scatter(Record):
    """Standard deviations from run to run: mounting again, other warmth, another setpoint."""

    thrust: Ratio = key("thrust", "Thrust coefficient.", default=0.003, ge=0)
    shaft_power: Ratio = key("shaft_power", "Power coefficient.", default=0.004, ge=0)
    kv: Ratio = key("kv", "Speed constant, by warmth of the magnets.", default=0.001, ge=0)
    resistance: Ratio = key("resistance", "Winding and connectors.", default=0.005, ge=0)
    speed: Ratio = key("speed", "Setpoint of the governor.", default=0.001, ge=0)
    vibration: Ratio = key("vibration", "Balance of the propeller as mounted.", default=0.1, ge=0)
    start_temperature_k: TemperatureDifference = key(
        "start_temperature", "Warmth left from the run before.", default=0.5, ge=0
    )


class Drift(Record):
    """Linear change from the first run to the last, centred on the middle of the session."""

    thrust: Ratio = key("thrust", "Thrust coefficient.", default=0.0)
    shaft_power: Ratio = key("shaft_power", "Power coefficient.", default=0.0)
    air_temperature_k: TemperatureDifference = key("air_temperature", "Air.", default=0.0)


class Fault(Record):
    """A fault of one log. Without a channel, whole rows are missing."""

    kind: Literal["dropout", "spike", "stuck"]
    channel: ChannelName | None = None
    at_s: Time = key("at", "When it begins.", ge=0)
    for_s: Time = key("for", "How long it lasts.", default=0.0, ge=0)
    size: Any = Field(None, description="Of a spike, in the channel's units.")


class Rehearsal(Record):
    """`rehearsal.yaml`."""

    seed: Annotated[int, Field(ge=0, le=2**63 - 1)] = 1
    sampling_hz: Frequency = key("sampling", "Sampling rate of the logs.", default=100.0, gt=0, le=5000)
    jitter_s: Time = key("jitter", "Standard deviation of the sampling instants.", default=0.0001, ge=0)
    line_ending: Literal["lf", "crlf"] = "lf"
    background_sound_db: Annotated[float, _in("sound_level")] = key(
        "background_sound", "Sound level of the room.", default=42.0
    )
    scatter: Scatter = Scatter.model_construct()
    drift: Drift = Drift.model_construct()
    sensors: dict[ChannelName, SensorTruth] = Field({})
    motors: dict[Id, MotorTruth] = Field({})
    controllers: dict[Id, ControllerTruth] = Field({})
    propellers: dict[Id, PropellerTruth] = Field({})
    sources: dict[Id, SourceTruth] = Field({})
    treatments: dict[Id, TreatmentTruth] = Field({})
    faults: dict[Id, tuple[Fault, ...]] = Field({}, description="Faults by run.")
    about: str | None = None


def load_rehearsal(file: Path, shown: str | None = None) -> Rehearsal:
    """Read rehearsal.yaml; the defaults where there is none.

    file    path of the file, which need not exist
    Raises  SeasonProblems with every fault found
    """
    if not file.exists():
        return Rehearsal()
    source, problems = read_yaml(file, shown or str(file))
    read = validated(source, Rehearsal, problems) if source.data else Rehearsal()
    found: list[Problem] = list(problems)

    def house(path: tuple[str | int, ...], value: object, channel: str) -> float | None:
        if value is None:
            return None
        try:
            return parse_quantity(value, difference_kind(channel))
        except UnreadableQuantity as fault:
            dotted = ".".join(str(part) for part in path)
            found.append(
                Problem(
                    file=source.shown,
                    line=source.line(path),
                    key=dotted,
                    what=fault.what,
                    remedy=fault.remedy,
                )
            )
            return None

    if read is None:
        raise SeasonProblems(found)
    sensors = {
        name: truth.model_copy(
            update={
                field: house(("sensors", name, field), getattr(truth, field), name)
                for field in ("noise", "zero", "zero_drift", "offset_error", "hysteresis")
            }
        )
        for name, truth in read.sensors.items()
    }
    faults: dict[str, tuple[Fault, ...]] = {}
    for run, items in read.faults.items():
        made = []
        for index, item in enumerate(items):
            path = ("faults", run, index)
            if item.channel is None and item.kind != "dropout":
                found.append(
                    Problem(
                        file=source.shown,
                        line=source.line(path),
                        key=f"faults.{run}.{index}",
                        what=f"a {item.kind} needs a channel.",
                        remedy="Add `channel:` with the name of a channel of the rig.",
                    )
                )
                continue
            size = None if item.channel is None else house((*path, "size"), item.size, item.channel)
            made.append(item.model_copy(update={"size": size}))
        faults[run] = tuple(made)
    if any(problem.severity == "error" for problem in found):
        raise SeasonProblems(found)
    return read.model_copy(update={"sensors": sensors, "faults": faults})
