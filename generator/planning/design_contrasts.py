"""Which comparisons a session will hold, before any run is made: responses, conditions, families."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from pydantic import BaseModel

from generator.evidence.contrasts import compared_pairs
from generator.evidence.records import Family
from generator.evidence.verdicts import ALPHA
from generator.intake.rig import Rig
from generator.intake.session import Session
from generator.reduction.drain import DrainPlan
from generator.reduction.free_run import FreeRunPlan
from generator.reduction.measured import GF_PER_N
from generator.reduction.procedures import PROCEDURES
from generator.reduction.records import At, ResponseKind

# Word in the name of a response -> channel it cannot be without. What no word fits is taken as measured.
_CHANNEL_OF = (
    ("drag_torque", "current"),  # of a free run: it is computed from the current
    ("torque", "torque"),
    ("shaft_power", "torque"),
    ("system_efficiency", "torque"),
    ("thrust", "thrust"),
    ("controller_", "controller_temperature"),
    ("temperature", "motor_temperature"),
    ("sound_level", "sound_level"),
    ("vibration", "vibration"),
    ("power", "current"),
    ("power", "voltage"),
    ("current", "current"),
    ("voltage", "voltage"),
)
WHOLE_RUNS = (DrainPlan,)  # what they give is about the run as a whole
_QUANTITY = {"speed_rpm": "speed", "thrust_gf": "thrust", "throttle_percent": "throttle"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Expected:
    """One response at one condition, as one procedure will give it to every treatment."""

    procedure: str
    response: str
    at: At


def expected_responses(session: Session) -> tuple[Expected, ...]:
    """Every response that the plans and the channels of the rig let one expect, each condition once.

    A few too many may be named, such as the top of a curve that ends early; a family counted too large asks for a
    little more than it need (a family of 50 in place of 40: 2 % more repeats).
    """
    found: dict[tuple[str, At], Expected] = {}
    for name, plan in session.plans.items():
        if PROCEDURES[name].of_rig:
            continue
        for at in conditions(plan):
            for kind in PROCEDURES[name].responses:
                if (isinstance(plan, WHOLE_RUNS) or _given(kind, at)) and _measured(kind.name, session.rig):
                    found.setdefault((kind.name, at), Expected(procedure=name, response=kind.name, at=at))
    return tuple(found.values())


def conditions(plan: BaseModel) -> tuple[At, ...]:
    """Conditions at which a plan compares; the empty one where it compares whole runs, or the tops of curves."""
    if isinstance(plan, WHOLE_RUNS):
        return ((),)
    if isinstance(plan, FreeRunPlan):
        return (
            (),
            *(_at("speed_rpm", value) for value in dict.fromkeys((*plan.speed_rpm, *plan.read_at_rpm))),
        )
    if (compare := getattr(plan, "compare_at", None)) is not None:
        return (
            *(_at("thrust_gf", value * GF_PER_N) for value in getattr(compare, "thrust_n", ())),
            *(_at("speed_rpm", value) for value in getattr(compare, "speed_rpm", ())),
            *(_at("throttle_percent", 100.0 * value) for value in getattr(compare, "throttle", ())),
            (),
        )
    for field in ("to_rpm", "speed_rpm"):
        speeds = getattr(plan, field, None)
        if speeds is not None:
            values = speeds if isinstance(speeds, tuple) else (speeds,)
            return tuple(_at("speed_rpm", value) for value in values)
    return ((),)


def family_of(expected: Expected, session: Session) -> Family:
    """What the comparisons of a response with the baseline will be adjusted with; a claim about any counts."""
    if expected.response in session.file.primary:
        return "primary"
    claimed = any(claim.response == expected.response for claim in session.file.claims)
    return "claimed" if claimed else "exploratory"


def family_size(family: Family, expected: Sequence[Expected], session: Session) -> int:
    """How many comparisons are judged together: for a primary response those at one condition, else the family's."""
    pairs = compared_pairs(session)
    if family == "primary":
        return max(len(pairs), 1)
    claimed = {(claim.response, claim.treatment) for claim in session.file.claims}
    count = 0
    for one in expected:
        if one.response in session.file.primary:
            continue
        for treatment, baseline in pairs:
            asked = (one.response, treatment) in claimed and baseline == session.file.baseline
            count += asked == (family == "claimed")
    return max(count, 1)


def level_of(size: int) -> float:
    """Level of one comparison among so many: Bonferroni's, and the first and hardest step of Holm's."""
    return ALPHA / size


def _given(kind: ResponseKind, at: At) -> bool:
    """A response is read at a condition unless it is that condition; the top of a curve stands at none."""
    if kind.name.startswith("top_") or kind.name == "effective_kv":
        return at == ()
    return bool(at) and all(_QUANTITY.get(name) != kind.name for name, _ in at)


def _measured(response: str, rig: Rig) -> bool:
    have = rig.channels.present()
    return all(channel in have for channel in _needs(response))


def _needs(response: str) -> Iterator[str]:
    for word, channel in _CHANNEL_OF:
        if word in response:
            yield channel
            if word in ("drag_torque", "shaft_power", "torque", "controller_"):
                return


def _at(name: str, value: float) -> At:
    # to ten digits, as the analysis rounds conditions, so that a conversion does not part equal setpoints
    return ((name, float(f"{value:.10g}")),)
