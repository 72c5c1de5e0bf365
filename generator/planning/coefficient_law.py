"""Coefficients of a propeller at a few speeds as a power law of speed, which is what the bench model follows."""

from __future__ import annotations

import math
from collections.abc import Sequence

from generator.reduction.motor_fit import LEAST_SPEED_RATIO


def power_law(points: Sequence[tuple[float, float]], reference_rpm: float) -> tuple[float, float]:
    """C and b of C (n/reference)^b through (speed in rpm, coefficient); b = 0 where speeds lie too close together."""
    logs = [(math.log(speed / reference_rpm), math.log(value)) for speed, value in points]
    x0 = math.fsum(x for x, _ in logs) / len(logs)
    y0 = math.fsum(y for _, y in logs) / len(logs)
    slope = 0.0
    if max(x for x, _ in logs) - min(x for x, _ in logs) >= math.log(LEAST_SPEED_RATIO):
        slope = math.fsum((x - x0) * (y - y0) for x, y in logs) / math.fsum((x - x0) ** 2 for x, _ in logs)
    return math.exp(y0 - slope * x0), slope
