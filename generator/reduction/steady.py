"""A stretch of steady running, held or a step of a staircase, with its means and the rig's errors on them."""

from __future__ import annotations

import math
from typing import Literal

import numpy as np

from generator.reduction.measured import Number, RigErrors, StretchMeans, variable
from generator.reduction.records import At, PreparedRun, StepRow, Window

Way = Literal["up", "down"]

# A throttle that reads within this of the planned step counts as the planned one: half a step of an 8-bit
# scale is 0.2 %. Our own choice, no source.
AS_PLANNED = 0.0025
KEPT = ("speed_rpm", "thrust_n", "torque_nm", "power_w", "voltage_v", "current_a",
        "motor_temperature_k", "controller_temperature_k", "sound_level_db")  # fmt: skip


class SteadyPoint:
    """One steady stretch of a run.

    at        condition it stands for: the speed held, or () for a step of a staircase
    way       of a staircase; a hold counts as "up"
    throttle  planned, 0 to 1; None where it was not planned and what was read counts
    """

    def __init__(
        self,
        run: PreparedRun,
        errors: RigErrors,
        window: Window,
        *,
        at: At = (),
        way: Way = "up",
        throttle: float | None = None,
    ) -> None:
        time = run.columns["time_s"]
        self.means = StretchMeans(run, errors, (time >= window.start_s) & (time <= window.stop_s))
        self.at = at
        self.way: Way = way
        self.window = window
        self.planned = throttle
        self._measured: dict[str, Number] = {}

    @property
    def throttle(self) -> float:
        """Throttle, 0 to 1: the planned one if the log agrees with it, else what was read; NaN if unknown."""
        if not self.means.has("throttle"):
            return math.nan if self.planned is None else self.planned
        read = float(np.nanmean(self.means.samples("throttle")))
        if self.planned is not None and abs(read - self.planned) <= AS_PLANNED:
            return self.planned
        return read

    def measured(self, column: str) -> Number:
        """Mean of a column with scatter and the rig's errors, house unit; NaN where it was not measured.

        Asked for twice it is the same variable: a power and a thrust read at one speed share its errors.
        `voltage_v` is the voltage at the controller, `power_w` the electrical power there.
        """
        if column == "throttle":
            return self.throttle
        if column not in self._measured:
            self._measured[column] = self._mean(column)
        return self._measured[column]

    def _mean(self, column: str) -> Number:
        means = self.means
        if column == "power_w":
            if not means.electrical():
                return math.nan
            value = means.power()
        elif not means.has(column):
            return math.nan
        elif column == "voltage_v" and means.has("current_a"):
            value = means.voltage()
        else:
            value = means.mean("tap_voltage_v" if column == "voltage_v" else column)
        scatter = means.estimate(column)[1] if means.has(column) else math.nan
        return value + variable(0.0, scatter, "scatter")

    def row(self) -> StepRow:
        """The stretch as a plain record."""
        return StepRow(
            direction=self.way,
            throttle=self.throttle if self.planned is None else self.planned,
            start_s=self.window.start_s,
            stop_s=self.window.stop_s,
            means=tuple((column, *self.means.estimate(column)) for column in KEPT if self.means.has(column)),
        )
