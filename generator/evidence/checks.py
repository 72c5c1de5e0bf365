"""All checks of a session, and which contrasts they weaken."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from generator.evidence import (
    channel_checks,
    constant_checks,
    data_checks,
    design_checks,
    energy_checks,
    order_checks,
    physics_checks,
    rig_checks,
    rig_state_checks,
)
from generator.evidence.check_input import CheckInput
from generator.evidence.group_sentences import WEAK_FIRST, outcomes_of, weakness
from generator.evidence.physics_records import EffectiveConstant, EnergyBalance
from generator.evidence.records import Check, Contrast, ResponseSummary
from generator.evidence.rig_history import RigHistory
from generator.intake.reference_texts import Thresholds
from generator.intake.session import Season, Session
from generator.reduction.records import AirState, RunReduction

# In the order in which a reader meets them: what physics allows, how it was measured, how it was planned.
ALL_CHECKS = (
    physics_checks.same_thrust,
    physics_checks.exponents,
    physics_checks.shaft_below_electrical,
    physics_checks.figure_of_merit,
    physics_checks.speed_below_kv,
    physics_checks.top_speed_equal,
    energy_checks.energy_balance,
    constant_checks.constants_agree,
    data_checks.zero_drift,
    data_checks.doubtful_channels,
    data_checks.setpoints,
    data_checks.start_temperatures,
    order_checks.warm_up,
    rig_checks.supply_limit,
    rig_checks.supply_voltage,
    rig_checks.sampling,
    rig_checks.sensor_lag,
    channel_checks.channel_range,
    channel_checks.calibration_age,
    rig_state_checks.calibration_due,
    rig_state_checks.rig_in_control,
    data_checks.refused_runs,
    design_checks.repeats,
    design_checks.equal_repeats,
    design_checks.run_order,
)


def checks(
    runs: Sequence[RunReduction],
    summaries: Sequence[ResponseSummary],
    season: Season,
    session: Session,
    thresholds: Thresholds,
    air: AirState,
    balances: Sequence[EnergyBalance] | None = None,
    constants: Sequence[EffectiveConstant] | None = None,
    rig_history: RigHistory | None = None,
) -> tuple[Check, ...]:
    """Every check that the data at hand allow, passed ones too; failed before warned before passed.

    A check that has nothing to look at (no torque, no staircase, another propeller) is not listed. Contrasts are
    not asked: a check looks at the data alone, so it cannot depend on what the answer is.
    balances, constants  as `CheckInput` has them: those of the same runs, or None to have them made
    """
    given = CheckInput(
        runs=tuple(runs),
        summaries=tuple(summaries),
        session=session,
        season=season,
        thresholds=thresholds,
        air=air,
        balances=None if balances is None else tuple(balances),
        constants=None if constants is None else tuple(constants),
        rig_history=rig_history,
    )
    found = [check for make in ALL_CHECKS for check in make(given)]
    return tuple(sorted(found, key=lambda check: ("failed", "warned", "passed").index(check.outcome)))


def weakened(contrasts: Sequence[Contrast], checks: Sequence[Check]) -> tuple[Contrast, ...]:
    """The contrasts with the ids of the checks that weaken them; their sentences say so before anything else."""
    outcomes = outcomes_of(checks)
    found = []
    for contrast in contrasts:
        ids = tuple(check.id for check in checks if weakens(check, contrast))
        weak = WEAK_FIRST[weakness(replace(contrast, weakened_by=ids), outcomes)]
        found.append(replace(contrast, weakened_by=ids, sentence=f"{weak}{contrast.sentence}"))
    return tuple(found)


def weakens(check: Check, contrast: Contrast) -> bool:
    """Whether a check that did not pass concerns a contrast: its response, its treatments, its condition.

    A comparison at equal thrust rests on the thrust too. A check that names no treatment, or the baseline,
    concerns every contrast of its responses.
    """
    if check.outcome == "passed" or (check.at is not None and check.at != contrast.at):
        return False
    at_thrust = any(name == "thrust_gf" for name, _ in contrast.at)
    if contrast.response not in check.weakens and not (at_thrust and "thrust" in check.weakens):
        return False
    return not check.treatments or bool({contrast.treatment, contrast.baseline} & set(check.treatments))
