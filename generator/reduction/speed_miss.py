"""What was measured at one speed, moved to the speed that was to be held."""

from __future__ import annotations

import math
from collections.abc import Mapping

from generator.reduction.measured import Number, StretchMeans, nominal, variable

# How far the true exponent of a set-up may lie from 2 (thrust) or 3 (power). Measured exponents of small
# propellers scatter by this much; common practice, no source. It weighs only with the size of the miss, and it is
# one number for all runs of a set-up: a miss that is the same in every run does not average out.
EXPONENT_UNCERTAINTY = 0.15


def at_speed(
    means: StretchMeans,
    value: Number,
    exponent: float,
    target_rpm: float,
    columns: Mapping[str, float],
    whose: str,
) -> Number:
    """A value at the target speed, with the scatter of what was sampled and the doubt about the exponent of `whose`.

    exponent  of the speed that the value goes with: 2 for thrust, 3 for power
    columns   exponents of the channels the value is made of, for their scatter together
    Source    similarity of propeller coefficients at constant advance ratio (static: J = 0)
    """
    speed = means.mean("speed_rpm")
    moved = value * (target_rpm / speed) ** exponent
    centre = nominal(moved)
    powers = {**columns, "speed_rpm": columns.get("speed_rpm", 0.0) - exponent}
    scatter = variable(0.0, abs(centre) * means.relative_scatter(powers), "scatter")
    doubt = variable(0.0, EXPONENT_UNCERTAINTY, f"setpoint miss ({whose})", shared=True)
    return moved + scatter + centre * math.log(target_rpm / nominal(speed)) * doubt
