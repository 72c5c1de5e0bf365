"""Static coefficients of a propeller as its part file states them."""

from __future__ import annotations

from typing import Literal

import numpy as np

from generator.intake.parts import Propeller

Coefficient = Literal["thrust", "power"]

# A coefficient is taken as constant so far beyond the speeds it is stated for, as a share of the outermost speed.
# It changes by a few percent when the speed doubles. Our own choice, no source.
COEFFICIENT_REACH = 0.10


def stated_coefficient(propeller: Propeller, which: Coefficient, speed_rpm: float) -> float | None:
    """CT or CP of the part file at a speed: straight between the stated speeds, constant a little beyond them.

    None where nothing is stated within COEFFICIENT_REACH of that speed.
    """
    stated = stated_coefficients(propeller, which)
    if not stated:
        return None
    speeds, values = zip(*stated, strict=True)
    low, high = speeds[0] * (1.0 - COEFFICIENT_REACH), speeds[-1] * (1.0 + COEFFICIENT_REACH)
    return float(np.interp(speed_rpm, speeds, values)) if low <= speed_rpm <= high else None


def stated_coefficients(propeller: Propeller, which: Coefficient) -> tuple[tuple[float, float], ...]:
    """(speed in rpm, CT or CP) as the part file states them, in the order of speed."""
    pairs = ((c.speed_rpm, c.thrust if which == "thrust" else c.power) for c in propeller.coefficients)
    return tuple(sorted((speed, value) for speed, value in pairs if value is not None))
