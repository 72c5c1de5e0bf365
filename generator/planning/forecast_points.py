"""What a plan holds, and the steady state it leads to."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from pydantic import BaseModel

from generator.evidence.wording import plain
from generator.planning.bench_model import RPM, BenchModel, Stretch
from generator.planning.drive_patterns import NoPattern, drive_pattern
from generator.planning.forecast_model import Known
from generator.planning.forecast_steady import Steady, steady_at_duty, steady_at_speed
from generator.planning.plan_records import Foretold

WINDING_ROUNDS = 12
WINDING_PRECISION_K = 1e-4
# A winding hotter than this is beyond any limit; a model that runs away stops here.
HOTTEST_WINDING_K = 800.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Setpoint:
    """One level that a plan holds. kind "speed": value in rpm; "throttle": share of full."""

    kind: Literal["speed", "throttle"]
    value: float

    @property
    def at(self) -> tuple[tuple[str, float], ...]:
        """The condition as in results."""
        if self.kind == "speed":
            return (("speed_rpm", self.value),)
        return (("throttle_percent", round(100.0 * self.value, 6)),)


def setpoints_of(plan: BaseModel) -> tuple[Setpoint, ...]:
    """Levels that a plan holds, in its order, each once. Reads whatever speeds and throttles the plan has."""
    found: dict[Setpoint, None] = {}
    for name, kind in (
        ("from_rpm", "speed"), ("to_rpm", "speed"), ("speed_rpm", "speed"),
        ("from_throttle", "throttle"), ("to_throttle", "throttle"), ("throttle", "throttle"),
    ):  # fmt: skip
        value = getattr(plan, name, None)
        values = value if isinstance(value, tuple) else () if value is None else (value,)
        for one in values:
            if isinstance(one, int | float) and one > 0.0:
                found[Setpoint(kind="speed" if kind == "speed" else "throttle", value=float(one))] = None
    return tuple(found)


def pattern_of(plan: BaseModel) -> tuple[Stretch, ...]:
    """The drive pattern of one run; empty where there is none."""
    try:
        return drive_pattern(plan)
    except NoPattern:
        return ()


def seconds_at(pattern: Sequence[Stretch], setpoint: Setpoint) -> float | None:
    """How long a run stays at a setpoint; None where the pattern does not hold it."""
    total = 0.0
    for stretch in pattern:
        value = stretch.value / RPM if stretch.kind == "speed" else stretch.value
        moving = stretch.until is not None
        if stretch.kind == setpoint.kind and not moving and math.isclose(value, setpoint.value, rel_tol=1e-9):
            total += stretch.duration_s
    return total if total > 0.0 else None


def without_propeller(model: BenchModel) -> BenchModel:
    """The bench with the propeller off."""
    propeller = replace(model.propeller, thrust_coefficient=0.0, power_coefficient=0.0, inertia_kg_m2=0.0)
    return replace(model, propeller=propeller)


def settled(
    model: BenchModel, solve: Callable[[float], Steady | None], case_k: float | None = None
) -> Steady | None:
    """A steady state whose winding is as warm as its own heat makes it above the case.

    solve   winding temperature [K] -> steady state
    case_k  temperature of the case; of the start where not given
    """
    base = model.start_temperature_k if case_k is None else case_k
    winding, found = base, None
    for _ in range(WINDING_ROUNDS):
        found = solve(winding)
        if found is None:
            return None
        warmer = min(base + found.winding_w * model.motor.winding_to_case_k_w, HOTTEST_WINDING_K)
        if abs(warmer - winding) < WINDING_PRECISION_K:
            return found
        winding = warmer
    return found


def at_setpoint(model: BenchModel, setpoint: Setpoint, case_k: float | None = None) -> Steady | None:
    """The steady state at a setpoint as far as the cap lets it; None where a speed is beyond full output."""
    if setpoint.kind == "speed":
        return settled(model, lambda k: steady_at_speed(model, setpoint.value * RPM, k), case_k)
    return at_duty(model, min(setpoint.value, model.controller.output_cap), case_k)


def at_duty(model: BenchModel, duty: float, case_k: float | None = None) -> Steady | None:
    """The steady state under a duty."""
    return settled(model, lambda k: steady_at_duty(model, duty, k), case_k)


def top(model: BenchModel) -> Steady | None:
    """Full throttle under the cap."""
    return at_duty(model, model.controller.output_cap)


def foretold(known: Known, of: Callable[[BenchModel], float | None]) -> Foretold | None:
    """A figure with the doubt that every constant leaves in it.

    of  model -> figure, or None where there is none; a variant without one gives no doubt of its own
    Source  JCGM 100:2008 (GUM), 5.1.2, sensitivities by one step of a standard uncertainty each (note 2 of 5.1.3)
    """
    value = of(known.model)
    if value is None:
        return None
    moved = [of(variant) for variant in known.variants]
    return Foretold(value=value, u=math.sqrt(math.fsum((m - value) ** 2 for m in moved if m is not None)))


def why_not(
    model: BenchModel, setpoint: Setpoint, found: Steady | None, label: str
) -> tuple[bool, str, Steady | None]:
    """Whether a setpoint is reached, else why not as a sentence and the nearest state that is."""
    cap = model.controller.output_cap
    limit = model.source.current_limit_a
    if setpoint.kind == "throttle":
        if found is None:
            return (
                False,
                f"The motor of {label} does not turn at {plain(100 * setpoint.value, '%')} throttle.",
                None,
            )
        if found.source_limited:
            said = (
                f"At {plain(100 * setpoint.value, '%')} throttle {label} asks for more than the "
                f"{plain(limit, 'A')} that the supply gives; the voltage would collapse."
            )
            return False, said, found
        return True, "", found
    rpm = plain(setpoint.value, "rpm")
    highest = top(model)
    if found is None or found.duty > cap:
        reach = "" if highest is None else f", {plain(highest.speed_rad_s / RPM, 'rpm')} is the most"
        under = f" under its cap of {plain(100 * cap, '%')}" if cap < 1.0 else " with full output"
        return False, f"{label} does not reach {rpm}{under}{reach}.", highest
    if found.supply_current_a > limit:
        said = (
            f"{label} takes {plain(found.supply_current_a, 'A', 3)} at {rpm}, more than the {plain(limit, 'A')} that "
            "the supply gives."
        )
        return False, said, highest
    return True, "", found
