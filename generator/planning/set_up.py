"""Parts, rig and hidden truth -> the bench model of one run, with a list of everything assumed."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

from generator.intake.parts import Controller, Motor, Pack, Propeller, Supply
from generator.intake.session import Season, Session, Treatment
from generator.planning.bench_model import (
    RPM,
    BenchModel,
    ControllerModel,
    MotorModel,
    PropellerModel,
    SourceModel,
)
from generator.planning.coefficient_law import power_law
from generator.planning.rehearsal_file import (
    ControllerTruth,
    MotorTruth,
    PropellerTruth,
    Rehearsal,
    SourceTruth,
    TreatmentTruth,
)
from generator.reduction.air import moist_air_density_kg_m3
from generator.reduction.stated_coefficients import Coefficient, stated_coefficients

# Values a part file need not give. All are assumptions for a rehearsal, of the size small multirotor parts
# have; no source. Resistance, free-run current and inductance follow the winding: R and L with 1/KV².
ASSUMED_KV_RPM_V = 2000.0
ASSUMED_RESISTANCE_OHM = 0.09
ASSUMED_FREE_RUN_A = 0.7
ASSUMED_FREE_RUN_V = 10.0
ASSUMED_INDUCTANCE_H = 24e-6
ASSUMED_MOTOR_MASS_KG = 0.025
ASSUMED_BELL_INERTIA_KG_M2_PER_KG = 8e-5
ASSUMED_FREE_RUN_SLOPE = 0.5
ASSUMED_RIPPLE_COPPER_FACTOR = 2.0
ASSUMED_RIPPLE_IRON_OHM = 60.0
ASSUMED_WINDING_J_K_PER_KG = 60.0
ASSUMED_CASE_J_K_PER_KG = 380.0
ASSUMED_WINDING_TO_CASE_K_W = 0.8
ASSUMED_CASE_TO_AIR_K_W = 3.0
ASSUMED_CONTROLLER_OHM = 0.008
ASSUMED_SWITCHING_HZ = 24000.0
ASSUMED_SWITCHING_S = 120e-9
ASSUMED_SLEW_S = 0.25
ASSUMED_CONTROLLER_A = 40.0
CURRENT_LIMIT_OVER_RATED = 1.5
ASSUMED_CONTROLLER_MASS_KG = 0.01
CONTROLLER_J_K_PER_KG = 700.0
ASSUMED_CONTROLLER_TO_AIR_K_W = 9.0
ASSUMED_PITCH_OVER_DIAMETER = 0.7
ASSUMED_FIGURE_OF_MERIT = 0.56
ASSUMED_THRUST_EXPONENT = 0.03
ASSUMED_POWER_EXPONENT = -0.02
ASSUMED_PROPELLER_MASS_KG = 0.004
REFERENCE_REV_S = 250.0  # 15 000 rpm
ASSUMED_SUPPLY_OHM = 0.010
ASSUMED_CELL_OHM_AH = 0.008  # internal resistance of a cell times its capacity
ASSUMED_PACK_J_K_PER_KG = 1000.0
ASSUMED_PACK_KG_PER_WH = 0.0075
ACTIVATION_J_MOL = 20000.0
ASSUMED_STATE_OF_CHARGE = 0.9
# State of charge and open-circuit voltage of a lithium-polymer cell; assumed shape.
CELL_CURVE = (
    (0.0, 3.00), (0.05, 3.40), (0.1, 3.55), (0.2, 3.66), (0.4, 3.76), (0.6, 3.86), (0.8, 4.00), (1.0, 4.18)
)  # fmt: skip
BELL_DIAMETER_M = 0.025  # of a motor without a propeller; assumed for rehearsal, no source
GOVERNOR_GAIN = 0.4
GOVERNOR_PER_S = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class RunDraws:
    """What differs from run to run, as factors and additions; the plain object is the run without errors."""

    thrust: float = 1.0
    shaft_power: float = 1.0
    kv: float = 1.0
    resistance: float = 1.0
    speed: float = 1.0
    vibration: float = 1.0
    start_temperature_k: float = 0.0
    air_temperature_k: float = 0.0
    state_of_charge: float = 0.0
    wiring_ohm: float = 0.0


@dataclass(slots=True)
class Assumptions:
    """Collects each assumed value once, in the order met."""

    told: list[str] = field(default_factory=list)

    def take(self, stated: float | None, assumed: float, words: str) -> float:
        """The stated value, or the assumed one with a note of it."""
        if stated is not None:
            return stated
        note = f"{words} assumed for rehearsal: {assumed:.3g}"
        if note not in self.told:
            self.told.append(note)
        return assumed


def bench_model(
    season: Season,
    session: Session,
    treatment_id: str,
    rehearsal: Rehearsal,
    draws: RunDraws,
    assumed: Assumptions,
) -> BenchModel:
    """The bench as it truly is for one run of a treatment.

    Raises  ValueError where the air of the session is not physical (see `reduction.air`)
    """
    treatment = session.file.treatments[treatment_id]
    truth = rehearsal.treatments.get(treatment_id, TreatmentTruth.model_construct())
    motor, controller = season.motor(treatment), season.controller(treatment)
    propeller = season.propeller(treatment)
    if truth.propeller is not None:
        fitted = season.parts.get(truth.propeller)
        if not isinstance(fitted, Propeller):
            raise ValueError(
                f"rehearsal.yaml: treatments.{treatment_id}.propeller: no propeller '{truth.propeller}'"
            )
        propeller = fitted
    source = season.source(treatment)
    air = session.file.air
    air_k = air.temperature_k + draws.air_temperature_k
    return BenchModel(
        motor=_motor(
            motor, rehearsal.motors.get(motor.id, MotorTruth.model_construct()), truth, draws, assumed
        ),
        controller=_controller(
            controller,
            rehearsal.controllers.get(controller.id, ControllerTruth.model_construct()),
            truth,
            treatment,
            assumed,
        ),
        propeller=_propeller(
            propeller,
            rehearsal.propellers.get(propeller.id, PropellerTruth.model_construct()),
            truth,
            draws,
            assumed,
        ),
        source=_source(
            source,
            rehearsal.sources.get(source.id, SourceTruth.model_construct()),
            treatment,
            truth.pack_temperature_k or air_k,
            draws,
            assumed,
        ),
        wiring_ohm=max(0.0, session.rig.wiring.resistance_ohm + draws.wiring_ohm),
        air_density_kg_m3=moist_air_density_kg_m3(air_k, air.pressure_pa, air.humidity),
        air_temperature_k=air_k,
        start_temperature_k=air_k + draws.start_temperature_k,
        governor_gain=GOVERNOR_GAIN,
        governor_per_s=GOVERNOR_PER_S,
    )


def without_propeller(model: BenchModel) -> BenchModel:
    """The bench with the propeller off: nothing on the shaft but the motor's own bell."""
    nothing = replace(
        model.propeller,
        diameter_m=BELL_DIAMETER_M,
        thrust_coefficient=0.0,
        power_coefficient=0.0,
        inertia_kg_m2=0.0,
        blades=0,
    )
    return replace(model, propeller=nothing)


def _motor(
    part: Motor, hidden: MotorTruth, truth: TreatmentTruth, draws: RunDraws, assumed: Assumptions
) -> MotorModel:
    name = part.id
    kv = hidden.kv_rpm_per_v or part.kv_rpm_per_v
    winding = (ASSUMED_KV_RPM_V / kv) ** 2
    stated = hidden.resistance_ohm or part.terminal_resistance_ohm
    resistance = assumed.take(stated, ASSUMED_RESISTANCE_OHM * winding, f"{name}: terminal resistance in Ω")
    free_run_v = assumed.take(
        part.free_run_voltage_v, ASSUMED_FREE_RUN_V, f"{name}: voltage of the free-run current in V"
    )
    free_run_a = assumed.take(
        part.free_run_current_a, ASSUMED_FREE_RUN_A * kv / ASSUMED_KV_RPM_V, f"{name}: free-run current in A"
    )
    inductance = assumed.take(
        hidden.inductance_h or part.inductance_h, ASSUMED_INDUCTANCE_H * winding, f"{name}: inductance in H"
    )
    mass = assumed.take(part.mass_kg, ASSUMED_MOTOR_MASS_KG, f"{name}: mass in kg")
    inertia = assumed.take(
        hidden.inertia_kg_m2 or part.inertia_kg_m2,
        ASSUMED_BELL_INERTIA_KG_M2_PER_KG * mass,
        f"{name}: inertia of the bell in kg·m²",
    )
    to_air = assumed.take(hidden.case_to_air_k_w, ASSUMED_CASE_TO_AIR_K_W, f"{name}: case to air in K/W")
    kv_true = kv * draws.kv
    return MotorModel(
        kv_rad_s_v=kv_true * RPM,
        resistance_ohm=resistance * draws.resistance,
        resistance_temperature_k=part.resistance_temperature_k,
        free_run_current_a=free_run_a,
        free_run_speed_rad_s=kv * RPM * (free_run_v - free_run_a * resistance),
        free_run_slope=assumed.take(
            hidden.free_run_slope,
            ASSUMED_FREE_RUN_SLOPE,
            f"{name}: share of the free-run current that grows with speed",
        ),
        inductance_h=inductance,
        inertia_kg_m2=inertia * truth.inertia,
        bearing_torque_nm=(hidden.bearing_torque_nm or 0.0) + truth.bearing_torque_nm,
        ripple_copper_factor=assumed.take(
            hidden.ripple_copper_factor,
            ASSUMED_RIPPLE_COPPER_FACTOR,
            f"{name}: resistance to ripple over resistance",
        ),
        ripple_iron_ohm=assumed.take(
            hidden.ripple_iron_ohm, ASSUMED_RIPPLE_IRON_OHM, f"{name}: eddy resistance at 24 kHz in Ω"
        ),
        winding_capacity_j_k=ASSUMED_WINDING_J_K_PER_KG * mass,
        case_capacity_j_k=ASSUMED_CASE_J_K_PER_KG * mass,
        winding_to_case_k_w=assumed.take(
            hidden.winding_to_case_k_w, ASSUMED_WINDING_TO_CASE_K_W, f"{name}: winding to case in K/W"
        ),
        case_to_air_k_w=to_air / truth.cooling,
    )


def _controller(
    part: Controller,
    hidden: ControllerTruth,
    truth: TreatmentTruth,
    treatment: Treatment,
    assumed: Assumptions,
) -> ControllerModel:
    name = part.id
    rated = assumed.take(part.continuous_current_a, ASSUMED_CONTROLLER_A, f"{name}: continuous current in A")
    mass = assumed.take(part.mass_kg, ASSUMED_CONTROLLER_MASS_KG, f"{name}: mass in kg")
    to_air = assumed.take(
        hidden.to_air_k_w, ASSUMED_CONTROLLER_TO_AIR_K_W, f"{name}: controller to air in K/W"
    )
    return ControllerModel(
        resistance_ohm=assumed.take(
            part.resistance_ohm, ASSUMED_CONTROLLER_OHM, f"{name}: path resistance in Ω"
        ),
        frequency_hz=assumed.take(
            part.switching_frequency_hz, ASSUMED_SWITCHING_HZ, f"{name}: switching frequency in Hz"
        ),
        switching_time_s=assumed.take(
            hidden.switching_time_s, ASSUMED_SWITCHING_S, f"{name}: effective switching time in s"
        ),
        # The draw at standstill is part of the current's zero, so it is left out here as well.
        own_power_w=0.0,
        current_limit_a=CURRENT_LIMIT_OVER_RATED * rated,
        slew_per_s=1.0
        / assumed.take(hidden.slew_time_s, ASSUMED_SLEW_S, f"{name}: idle to full output in s"),
        output_cap=treatment.output_cap,
        brakes=True if hidden.brakes is None else hidden.brakes,
        capacity_j_k=CONTROLLER_J_K_PER_KG * mass,
        to_air_k_w=to_air / truth.cooling,
        power_factor=truth.electrical_power,
    )


def _propeller(
    part: Propeller, hidden: PropellerTruth, truth: TreatmentTruth, draws: RunDraws, assumed: Assumptions
) -> PropellerModel:
    name = part.id
    ct, thrust_exponent = _truth_or_stated(
        part, "thrust", hidden.thrust_coefficient, hidden.thrust_exponent, ASSUMED_THRUST_EXPONENT
    )
    if ct is None:
        guess = ASSUMED_PITCH_OVER_DIAMETER * part.diameter_m
        pitch_m = assumed.take(part.pitch_m, guess, f"{name}: pitch in m")
        guess_ct = 0.11 * part.blades**0.4 * (pitch_m / part.diameter_m / 0.7) ** 0.5
        ct = assumed.take(None, guess_ct, f"{name}: thrust coefficient")
    cp, power_exponent = _truth_or_stated(
        part, "power", hidden.power_coefficient, hidden.power_exponent, ASSUMED_POWER_EXPONENT
    )
    # figure of merit = sqrt(2/π) CT^1.5 / CP, momentum theory of the hovering rotor
    guess_cp = (2.0 / math.pi) ** 0.5 * ct**1.5 / ASSUMED_FIGURE_OF_MERIT
    cp = assumed.take(cp, guess_cp, f"{name}: power coefficient")
    mass = assumed.take(part.mass_kg, ASSUMED_PROPELLER_MASS_KG, f"{name}: mass in kg")
    inertia = assumed.take(part.inertia_kg_m2, mass * part.diameter_m**2 / 24.0, f"{name}: inertia in kg·m²")
    return PropellerModel(
        diameter_m=part.diameter_m,
        thrust_coefficient=ct * truth.thrust * draws.thrust,
        power_coefficient=cp * truth.shaft_power * draws.shaft_power,
        thrust_exponent=thrust_exponent,
        power_exponent=power_exponent,
        reference_rev_s=REFERENCE_REV_S,
        inertia_kg_m2=inertia * truth.inertia,
        blades=part.blades,
    )


def _truth_or_stated(
    part: Propeller, which: Coefficient, truth: float | None, exponent: float | None, assumed_exponent: float
) -> tuple[float | None, float]:
    """CT or CP at the reference speed, and its power of speed: the hidden truth, else as the part file states it.

    None for the coefficient where neither says it.
    """
    stated = stated_coefficients(part, which)
    if truth is not None or not stated:
        return truth, assumed_exponent if exponent is None else exponent
    value, slope = power_law(stated, REFERENCE_REV_S * 60.0)
    return value, slope if exponent is None else exponent


def _source(
    part: Pack | Supply,
    hidden: SourceTruth,
    treatment: Treatment,
    temperature_k: float,
    draws: RunDraws,
    assumed: Assumptions,
) -> SourceModel:
    name = part.id
    if isinstance(part, Supply):
        cells = treatment.cells or 1
        volts = treatment.volts_per_cell_v
        if volts is None:
            volts = assumed.take(None, part.voltage_max_v / cells, f"{name}: volts of a cell")
        return SourceModel(
            cells=cells,
            cell_curve=((1.0, volts),),
            resistance_ohm=assumed.take(
                hidden.resistance_ohm, ASSUMED_SUPPLY_OHM, f"{name}: source resistance in Ω"
            ),
            current_limit_a=part.current_limit_a,
            capacity_c=1.0,
            state_of_charge=1.0,
            temperature_k=temperature_k,
            activation_j_mol=0.0,
            heat_capacity_j_k=1.0,
        )
    guess = part.cells * ASSUMED_CELL_OHM_AH / part.capacity_ah
    stated = hidden.resistance_ohm or part.internal_resistance_ohm
    mass = assumed.take(
        part.mass_kg, ASSUMED_PACK_KG_PER_WH * part.cells * 3.7 * part.capacity_ah, f"{name}: mass in kg"
    )
    charge = assumed.take(hidden.state_of_charge, ASSUMED_STATE_OF_CHARGE, f"{name}: state of charge")
    return SourceModel(
        cells=part.cells,
        cell_curve=CELL_CURVE,
        resistance_ohm=assumed.take(stated, guess, f"{name}: internal resistance in Ω"),
        current_limit_a=1e9,
        capacity_c=3600.0 * part.capacity_ah,
        state_of_charge=min(1.0, max(0.05, charge + draws.state_of_charge)),
        temperature_k=temperature_k,
        activation_j_mol=ACTIVATION_J_MOL,
        heat_capacity_j_k=ASSUMED_PACK_J_K_PER_KG * mass,
    )
