"""A procedure's plan -> the pattern a bench is driven through, rest before and after included."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Literal

from pydantic import BaseModel

from generator.intake.parts import Pack, Supply
from generator.planning.bench_model import RPM, Stretch
from generator.reduction.calibration_loads import ZeroPlan
from generator.reduction.drain import DrainPlan
from generator.reduction.free_run import FreeRunPlan
from generator.reduction.hold import HoldPlan
from generator.reduction.ramp import RampPlan
from generator.reduction.soak import SoakPlan
from generator.reduction.spin_up import SpinUpPlan
from generator.reduction.staircase import StaircasePlan

REST_BEFORE_S = 1.8
REST_AFTER_S = 2.4
HOLD_SLACK_S = 0.6  # held a little longer than settling and window need, as an operator does
SPIN_UP_LEAD_S = 1.0
RAMP_DWELL_S = 0.5  # at either end of a ramp
# A pack rests before and after, so that its open-circuit voltage is seen and the first and the last step of the load
# have a side each; and whoever watches stops here at the latest.
DRAIN_REST_S = 4.0
LONGEST_DRAIN_S = 3600.0


class NoPattern(ValueError):
    """The procedure cannot be rehearsed."""


def drive_pattern(plan: BaseModel, speed_factor: float = 1.0) -> tuple[Stretch, ...]:
    """Stretches of one run.

    speed_factor  what the operator's governor holds over what was asked for
    Returns       labels: "hold 9000", "from", "to 9000", "on 1", "off 1", "up 0", "down 5" (index of the step),
                  "drain 0" (index of the level), "way up", "way down" of a ramp
    Raises        NoPattern for a procedure that has no pattern here
    """
    return (
        Stretch(kind="off", value=0.0, duration_s=REST_BEFORE_S, label="rest before"),
        *_driven(plan, speed_factor * RPM),
        Stretch(kind="still", value=0.0, duration_s=REST_AFTER_S, label="rest after"),
    )


def require_source(plan: BaseModel, source: Pack | Supply) -> None:
    """Raises NoPattern where a plan cannot be driven on this source: a supply never runs empty."""
    if isinstance(plan, DrainPlan) and not isinstance(source, Pack):
        raise NoPattern(f"a drain needs a pack, and {source.label} is a supply")


def stopped_as_shown(
    pattern: tuple[Stretch, ...], gain: float, offset_v: float, cells: int
) -> tuple[Stretch, ...]:
    """The pattern as it is driven by the voltage that the rig shows, true voltage × gain + offset of the pack."""
    return tuple(
        stretch
        if stretch.stop_cell_v is None
        else replace(stretch, stop_cell_v=(stretch.stop_cell_v - offset_v / cells) / gain)
        for stretch in pattern
    )


def _driven(plan: BaseModel, rad_s_per_rpm: float) -> tuple[Stretch, ...]:
    def at_speed(rpm: float, duration_s: float, label: str) -> Stretch:
        return Stretch(kind="speed", value=rpm * rad_s_per_rpm, duration_s=duration_s, label=label)

    match plan:
        case HoldPlan():
            lasts = plan.settle_s + plan.window_s + HOLD_SLACK_S
            return tuple(at_speed(rpm, lasts, f"hold {rpm:.0f}") for rpm in plan.speed_rpm)
        case SpinUpPlan():
            pattern = [at_speed(plan.from_rpm, SPIN_UP_LEAD_S + plan.dwell_s, "from")]
            for rpm in plan.to_rpm:
                for _ in range(plan.cycles):
                    pattern.append(at_speed(rpm, plan.dwell_s, f"to {rpm:.0f}"))
                    pattern.append(at_speed(plan.from_rpm, plan.dwell_s, "from"))
            return tuple(pattern)
        case SoakPlan():
            pattern = []
            for cycle in range(1, plan.cycles + 1):
                pattern.append(at_speed(plan.speed_rpm, plan.on_s, f"on {cycle}"))
                if plan.off_s > 0.0:
                    pattern.append(
                        Stretch(kind="off", value=0.0, duration_s=plan.off_s, label=f"off {cycle}")
                    )
            return tuple(pattern)
        case StaircasePlan():
            up = [
                Stretch(kind="throttle", value=level, duration_s=plan.step_s, label=f"up {index}")
                for index, level in enumerate(plan.throttle)
            ]
            down = [
                Stretch(kind="throttle", value=level, duration_s=plan.step_s, label=f"down {index}")
                for index, level in reversed(list(enumerate(plan.throttle[:-1])))
            ]
            return (*up, *(down if plan.down else ()))
        case DrainPlan():
            rest = Stretch(kind="off", value=0.0, duration_s=DRAIN_REST_S, label="rest")
            return (rest, *_drained(plan, rad_s_per_rpm), rest)
        case FreeRunPlan():
            if plan.speed_rpm:
                lasts = plan.hold_s + HOLD_SLACK_S
                return tuple(at_speed(rpm, lasts, f"hold {rpm:.0f}") for rpm in plan.speed_rpm)
            return tuple(
                Stretch(kind="throttle", value=level, duration_s=plan.hold_s, label=f"up {index}")
                for index, level in enumerate(plan.throttle)
            )
        case RampPlan():
            low, high = plan.from_throttle, plan.to_throttle
            return (
                Stretch(kind="throttle", value=low, duration_s=RAMP_DWELL_S, label="low"),
                Stretch(kind="throttle", value=low, until=high, duration_s=plan.up_s, label="way up"),
                Stretch(kind="throttle", value=high, duration_s=RAMP_DWELL_S, label="top"),
                Stretch(kind="throttle", value=high, until=low, duration_s=plan.falls_s, label="way down"),
                Stretch(kind="throttle", value=low, duration_s=RAMP_DWELL_S, label="low"),
            )
        case ZeroPlan():
            raise NoPattern("a run with known loads has no drive pattern; nothing turns")
        case _:
            raise NoPattern(f"a rehearsal of {type(plan).__name__} is not provided for")


def _drained(plan: DrainPlan, rad_s_per_rpm: float) -> tuple[Stretch, ...]:
    """The levels of a drain, repeated until the longest time is over; the cut-off ends it before."""
    kind: Literal["throttle", "speed"] = "throttle" if plan.throttle else "speed"
    levels = plan.throttle or tuple(rpm * rad_s_per_rpm for rpm in plan.speed_rpm)
    each = LONGEST_DRAIN_S if plan.each_s is None else plan.each_s
    return tuple(
        Stretch(
            kind=kind,
            value=levels[place % len(levels)],
            duration_s=each,
            label=f"drain {place % len(levels)}",
            stop_cell_v=plan.cut_off_v,
        )
        for place in range(math.ceil(LONGEST_DRAIN_S / each))
    )
