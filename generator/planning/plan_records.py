"""What is foreseen of a planned session: speeds, currents, heat, noise, and what speaks against making it at all."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

Origin = Literal["fitted", "measured", "stated", "assumed"]
Severity = Literal["refuse", "warn"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Basis:
    """Where a figure comes from.

    kind   "fitted" or "measured" in an earlier session, "stated" by a part file, or "assumed"
    words  for the reader: `fitted in session matched-motors`, `from the part files`, `assumed`
    """

    kind: Origin
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Foretold:
    """A figure with its standard uncertainty (k = 1), both in the unit that the name of its field ends in."""

    value: float
    u: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SetpointForecast:
    """One setpoint of one procedure with one treatment, once everything has settled.

    at               what is held: (("speed_rpm", 16000.0),) or (("throttle_percent", 60.0),)
    speed_rpm        speed there, or the highest that can be had where it is not reachable
    throttle         share of full, 0 to 1; no higher than the cap
    duty             share of the voltage that reaches the motor: the throttle, cut off at the cap
    motor_current_a  mean current in the winding
    supply_current_a mean current from supply or pack
    tap_voltage_v    voltage at the tap, with the source's own sag
    thrust_n, shaft_power_w  None where no propeller turns (free run)
    heat_w           heat in motor and controller
    sound_db         at the rig's sound distance, 1 m where none is stated
    reachable        False: `why_not` says in a sentence what stands in the way
    seconds          how long a run stays there, where the plan tells
    basis            the weakest of what it rests on
    """

    procedure: str
    treatment: str
    at: tuple[tuple[str, float], ...]
    speed_rpm: Foretold
    throttle: Foretold
    duty: float
    motor_current_a: Foretold
    supply_current_a: Foretold
    tap_voltage_v: Foretold
    electrical_power_w: Foretold
    shaft_power_w: Foretold | None
    thrust_n: Foretold | None
    tip_mach: float | None
    heat_w: float
    reachable: bool
    why_not: str
    seconds: float | None
    sound_db: float | None
    basis: Basis


@dataclass(frozen=True, slots=True, kw_only=True)
class TreatmentForecast:
    """One treatment at full throttle, and what to set before it runs.

    top_speed_rpm               at full throttle under its cap, with its propeller
    full_current_a              from the source there; full_motor_current_a in the winding
    equalising_cap              output cap that gives the baseline's top speed, share of full; None for the baseline,
                                and where no cap can (`cap_words` says so in a sentence either way)
    uncapped_speed_rpm          with the cap lost; None where there is no cap
    free_run_bound_rpm          KV times the voltage with the cap lost: no propeller, nothing can turn it faster
    rest_voltage_v              without load: as set at a supply, of a full pack
    set_voltage_v               what to set at the supply: the same, since runs are corrected to the controller; None
                                for a pack
    set_current_a               current limit to set at the supply: above what is foreseen, no more than it gives; None
                                for a pack
    set_current_words           why that much
    wiring_drop_v               lost between tap and controller at full throttle
    supply_gives                False where the source or the wiring cannot give what the plan asks
    supply_words                what the supply or wiring cannot give, or what they give; a sentence
    pack_minutes                at the highest setpoint of the plan, on the usable part of a full pack; None for a
                                supply
    """

    treatment: str
    label: str
    cap: float
    top_speed_rpm: Foretold
    full_current_a: Foretold
    full_motor_current_a: Foretold
    full_power_w: Foretold
    full_tap_voltage_v: Foretold
    top_tip_mach: float
    equalising_cap: Foretold | None
    cap_words: str
    uncapped_speed_rpm: Foretold | None
    free_run_bound_rpm: float
    rest_voltage_v: float
    set_voltage_v: float | None
    set_current_a: float | None
    set_current_words: str
    wiring_drop_v: float
    supply_gives: bool
    supply_words: str
    pack_minutes: float | None
    basis: Basis


@dataclass(frozen=True, slots=True, kw_only=True)
class Hazard:
    """Something that speaks against the plan.

    id          key for `go_on_because:` in session.yaml; unique within a forecast's `hazards` by (id, treatment)
    treatment   id of the treatment it is about, "" for all
    what        what would happen, one sentence with its numbers
    why         what that can do to people or parts, one sentence
    number, limit, unit  what is foreseen, held against the limit
    source      of the limit
    severity    "refuse": no run sheet unless the session says why somebody goes on; "warn": told
    go_on       the reason that session.yaml gives under `go_on_because:`, or ""
    mend        what would take it away, one sentence, where that is not plain from `what`
    """

    id: str
    treatment: str
    what: str
    why: str
    number: float
    limit: float
    unit: str
    source: str
    severity: Severity
    go_on: str = ""
    mend: str = ""

    @property
    def refuses(self) -> bool:
        """Whether it stands in the way: severe, and nobody has said why they go on."""
        return self.severity == "refuse" and not self.go_on


@dataclass(frozen=True, slots=True, kw_only=True)
class SamplingAdvice:
    """How fast to sample for one procedure with one treatment, and whether its windows are long enough.

    shortest_ms   shortest rise foreseen, 10 to 90 %; None where no step is timed
    at_least_hz   samples a second that put five of them into it (the limit of the check of the data), or that fill a
                  window with enough samples
    lag_at_most_ms  time constant of the speed sensor that may remain; None where no step is timed
    window_s      averaging window of the plan; None where there is none
    words         one sentence
    """

    procedure: str
    treatment: str
    shortest_ms: float | None
    at_least_hz: float
    lag_at_most_ms: float | None
    window_s: float | None
    words: str
    basis: Basis


@dataclass(frozen=True, slots=True, kw_only=True)
class NoiseForecast:
    """Sound level of a treatment at its fastest setpoint.

    level_db     at `distance_m`, where the rig states one, else at 1 m
    minutes      a day without hearing protection, NIOSH 98-126
    words        one sentence
    """

    treatment: str
    speed_rpm: float
    level_db: Foretold
    distance_m: float
    minutes: float
    words: str
    basis: Basis


@dataclass(frozen=True, slots=True, kw_only=True)
class TemperatureForecast:
    """Motor temperature of a procedure with a treatment.

    rise_k           above the air, at the end of one run from cold
    settled_rise_k   above the air, where it would settle if the run went on for ever at that duty
    settled_k        the same as a temperature
    limit_k          of the motor, and limit_words what it rests on; None where nothing states one
    minutes_to_limit None where the limit is not reached
    time_constant_s  of the motor's case
    words            one sentence
    """

    procedure: str
    treatment: str
    rise_k: Foretold
    settled_rise_k: Foretold
    settled_k: float
    limit_k: float | None
    limit_words: str
    minutes_to_limit: float | None
    time_constant_s: float
    words: str
    basis: Basis


@dataclass(frozen=True, slots=True, kw_only=True)
class Assumption:
    """A value that nothing stated, or that an earlier session gave, told.

    part   id of the part it is of, or ""
    words  one sentence or clause, such as `tri-5.1: power coefficient 0.052, assumed`
    """

    part: str
    words: str
    basis: Basis


@dataclass(frozen=True, slots=True, kw_only=True)
class Forecast:
    """Everything foreseen of a session. Tuples are in the order of the treatments and procedures of the session."""

    session: str
    treatments: tuple[TreatmentForecast, ...]
    setpoints: tuple[SetpointForecast, ...]
    temperatures: tuple[TemperatureForecast, ...]
    noise: tuple[NoiseForecast, ...]
    sampling: tuple[SamplingAdvice, ...]
    hazards: tuple[Hazard, ...]
    assumptions: tuple[Assumption, ...]
    notes: tuple[str, ...] = field(default=())

    @property
    def refusals(self) -> tuple[Hazard, ...]:
        """What stands in the way of the plan."""
        return tuple(hazard for hazard in self.hazards if hazard.refuses)
