"""A procedure's plan -> the pattern a bench is driven through, rest before and after included."""

from __future__ import annotations

from pydantic import BaseModel

from generator.planning.bench_model import RPM, Stretch
from generator.reduction.hold import HoldPlan
from generator.reduction.soak import SoakPlan
from generator.reduction.spin_up import SpinUpPlan
from generator.reduction.staircase import StaircasePlan

REST_BEFORE_S = 1.8
REST_AFTER_S = 2.4
HOLD_SLACK_S = 0.6  # held a little longer than settling and window need, as an operator does
SPIN_UP_LEAD_S = 1.0


class NoPattern(ValueError):
    """The procedure cannot be rehearsed."""


def drive_pattern(plan: BaseModel, speed_factor: float = 1.0) -> tuple[Stretch, ...]:
    """Stretches of one run.

    speed_factor  what the operator's governor holds over what was asked for
    Returns       labels: "hold 9000", "from", "to 9000", "on 1", "off 1", "up 0", "down 5" (index of the step)
    Raises        NoPattern for a procedure that has no pattern here
    """
    return (
        Stretch(kind="off", value=0.0, duration_s=REST_BEFORE_S, label="rest before"),
        *_driven(plan, speed_factor * RPM),
        Stretch(kind="still", value=0.0, duration_s=REST_AFTER_S, label="rest after"),
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
        case _:
            raise NoPattern(f"a rehearsal of {type(plan).__name__} is not provided for")
