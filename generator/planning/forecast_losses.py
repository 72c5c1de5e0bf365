"""The loss that ripple makes in the iron, from what earlier holds drew beyond all else."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from generator.intake.session import Season, Session, Treatment
from generator.planning.bench_model import RPM, BenchModel
from generator.planning.forecast_steady import RIPPLE_HZ, steady_at_speed
from generator.planning.plan_records import Basis
from generator.reduction.records import RunReduction
from generator.reduction.run import air_state

# Relative standard uncertainty of that conductance: what else the model leaves out is in it. Our own choice, no source.
RIPPLE_SHARE = 0.25
FEWEST_HOLDS = 2
# More than this share of the power left over is not the ripple: the propeller or the motor is not what it is taken for,
# and a conductance would hide that. Our own choice, no source.
LARGEST_SHARE = 0.15


def ripple_conductance(
    season: Season,
    treatment: Treatment,
    model: BenchModel,
    sessions: Sequence[tuple[Session, Sequence[RunReduction]]],
) -> tuple[Basis, float] | None:
    """Basis and conductance [S] at RIPPLE_HZ of the loss of the ripple, V² d (1 - d) on a resistance.

    sessions  earlier ones, the newest first
    Least squares through the origin, over the holds with this motor and propeller on a supply of the newest session
    that has them: electrical power beyond that of the model without this loss. None where there are none, where
    they drew less, or so much more that something else must be amiss.
    """
    bare = replace(model, motor=replace(model.motor, ripple_iron_ohm=0.0))
    for session, runs in sessions:
        pairs = [
            pair
            for run in runs
            if run.refused is None and run.procedure == "hold" and run.treatment
            for pair in _pairs(season, session, treatment, bare, run)
        ]
        if len(pairs) < FEWEST_HOLDS:
            continue
        conductance = math.fsum(x * y for x, y, _ in pairs) / math.fsum(x * x for x, _, _ in pairs)
        if conductance <= 0.0 or any(y > LARGEST_SHARE * power for _, y, power in pairs):
            return None
        simulated = ", simulated" if any(run.simulated for run in runs) else ""
        basis = Basis(kind="fitted", words=f"fitted to the holds of session {session.id}{simulated}")
        return basis, conductance
    return None


def _pairs(
    season: Season, session: Session, treatment: Treatment, bare: BenchModel, run: RunReduction
) -> list[tuple[float, float, float]]:
    """(mean square of the ripple's voltage, power left over, power) of each held speed of one run."""
    one = session.file.treatments[run.treatment]
    if (one.motor, one.propeller) != (treatment.motor, treatment.propeller):
        return []
    if one.cells is None or one.volts_per_cell_v is None:
        return []
    hertz = season.controller(one).switching_frequency_hz or bare.controller.frequency_hz
    then = replace(
        bare,
        air_density_kg_m3=air_state(session.file.air).density_kg_m3,
        controller=replace(bare.controller, frequency_hz=hertz),
        source=replace(bare.source, cells=one.cells, cell_curve=((1.0, one.volts_per_cell_v),)),
        wiring_ohm=session.rig.wiring.resistance_ohm,
    )
    made = []
    for response in run.responses:
        rpm = dict(response.at).get("speed_rpm")
        if response.response != "electrical_power" or rpm is None:
            continue
        found = steady_at_speed(then, rpm * RPM, bare.start_temperature_k)
        if found is not None:
            square = found.voltage_v**2 * found.duty * (1.0 - found.duty) * math.sqrt(RIPPLE_HZ / hertz)
            made.append((square, response.value - found.electrical_power_w, response.value))
    return made
