"""What one run takes: time from the pattern it is driven through, charge and noise from what is foreseen of it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

from pydantic import BaseModel

from generator.planning.bench_model import RPM, Stretch
from generator.planning.design_records import RunDemand
from generator.planning.drive_patterns import NoPattern, drive_pattern
from generator.reduction.calibration_loads import ZeroPlan

ASSUMED_RUN_S = 60.0
LOAD_S = 5.0  # to put a known load on or off; our own choice
RAMP_PIECES = 10  # in which a throttle that moves is counted; our own choice
# exponents of current, power and sound pressure over speed, between foreseen points only
_CURRENT, _POWER = 2.0, 3.0
# A propeller's sound rises with about the fifth to sixth power of its tip speed: common practice, no source.
_SOUND_DB_PER_DECADE = 55.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """What is foreseen at one setpoint.

    kind, value  "speed" [rpm] or "throttle" [share]
    """

    kind: Literal["speed", "throttle"]
    value: float
    current_a: float | None = None
    power_w: float | None = None
    sound_db: float | None = None


def run_demand(
    procedure: str,
    plan: BaseModel,
    points: Sequence[Point],
    rise_k: float | None = None,
    pack_ah: float | None = None,
) -> RunDemand:
    """What one run takes.

    points   foreseen setpoints of this procedure and treatment; between them current goes with the square and power
             with the cube of speed (or throttle) from the nearest one
    rise_k   motor above the air at the end of a run from cold, where it is foreseen
    pack_ah  capacity of the pack that feeds it: a drain is over when that has been taken
    """
    if isinstance(plan, ZeroPlan):
        each = plan.settle_s + plan.window_s + LOAD_S
        return RunDemand(duration_s=each * len(plan.loads), running_s=0.0, charge_ah=0.0, energy_wh=0.0)
    try:
        pattern = drive_pattern(plan)
    except NoPattern:
        said = f"A run of {procedure} is taken to last {ASSUMED_RUN_S / 60.0:g} min."
        return RunDemand(duration_s=ASSUMED_RUN_S, running_s=ASSUMED_RUN_S, rise_k=rise_k, assumed=(said,))
    course = _Course(points, pack_ah)
    for stretch in pattern:
        course.add(stretch)
    return RunDemand(
        duration_s=course.duration_s,
        running_s=course.running_s,
        charge_ah=course.charge_ah if course.foreseen else None,
        energy_wh=course.energy_wh if course.foreseen else None,
        rise_k=rise_k,
        sound=tuple(sorted(course.sound.items())),
        assumed=tuple(course.assumed),
    )


class _Course:
    """Sums over the stretches of a run."""

    def __init__(self, points: Sequence[Point], pack_ah: float | None) -> None:
        self.points, self.pack_ah = points, pack_ah
        self.duration_s = self.running_s = self.charge_ah = self.energy_wh = 0.0
        self.foreseen = True
        self.sound: dict[float, float] = {}
        self.assumed: dict[str, None] = {}

    def add(self, stretch: Stretch) -> None:
        """One stretch; one that ends when the pack is empty lasts no longer than that. A ramp counts in pieces."""
        if stretch.until is not None:
            width, each = (stretch.until - stretch.value) / RAMP_PIECES, stretch.duration_s / RAMP_PIECES
            for place in range(RAMP_PIECES):
                middle = stretch.value + (place + 0.5) * width
                self.add(replace(stretch, value=middle, until=None, duration_s=each))
            return
        if stretch.value <= 0.0 or stretch.kind in ("off", "still"):
            self.duration_s += stretch.duration_s
            return
        kind: Literal["speed", "throttle"] = "throttle" if stretch.kind == "throttle" else "speed"
        value = stretch.value if kind == "throttle" else stretch.value / RPM
        current = _at(self.points, kind, value, "current_a", _CURRENT)
        power = _at(self.points, kind, value, "power_w", _POWER)
        seconds = stretch.duration_s
        if stretch.stop_cell_v is not None:
            if current and self.pack_ah is not None:
                seconds = min(seconds, max(self.pack_ah - self.charge_ah, 0.0) * 3600.0 / current)
            else:
                said = "A drain is planned with an hour, since nothing tells how soon the pack is empty."
                self.assumed[said] = None
        self.duration_s += seconds
        self.running_s += seconds
        if current is None or power is None:
            self.foreseen = False
        else:
            self.charge_ah += current * seconds / 3600.0
            self.energy_wh += power * seconds / 3600.0
        level = _level(self.points, kind, value)
        if level is not None and seconds > 0.0:
            self.sound[level] = self.sound.get(level, 0.0) + seconds


def _nearest(points: Sequence[Point], kind: str, value: float, what: str) -> Point | None:
    fitting = [p for p in points if p.kind == kind and p.value > 0.0 and getattr(p, what) is not None]
    return min(fitting, key=lambda p: abs(math.log(p.value / value))) if fitting else None


def _at(points: Sequence[Point], kind: str, value: float, what: str, exponent: float) -> float | None:
    near = _nearest(points, kind, value, what)
    return None if near is None else float(getattr(near, what)) * (value / near.value) ** exponent


def _level(points: Sequence[Point], kind: str, value: float) -> float | None:
    near = _nearest(points, kind, value, "sound_db")
    if near is None or near.sound_db is None:
        return None
    return round(near.sound_db + _SOUND_DB_PER_DECADE * math.log10(value / near.value), 1)
