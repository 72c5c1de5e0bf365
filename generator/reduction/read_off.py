"""Read-off: steady values written down one row a state, from a display or out of a table; no samples behind a row."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from generator.intake.parts import Record, key
from generator.intake.quantities import Force, Speed
from generator.reduction import response_kinds as kinds
from generator.reduction.constants import fitted_constants
from generator.reduction.measured import GF_PER_N, Number, RigErrors, StretchMeans, components, nominal
from generator.reduction.readings import AXES, as_responses, hover_readings, preferred_readings, read_axis
from generator.reduction.records import (
    At,
    Finding,
    Outcome,
    PreparedRun,
    Procedure,
    ResponseKind,
    RunResponse,
    StepRow,
    Window,
)
from generator.reduction.run_curves import tabulate
from generator.reduction.steady import KEPT, SteadyPoint

Array = NDArray[np.float64]
MOST_ROWS = 500  # nobody writes down more; such a log holds samples. Our own choice, no source


class ReadAt(Record):
    """Conditions at which curves through the rows are read, between the rows."""

    speed_rpm: tuple[Speed, ...] = key("speed", "Equal speeds.", default=())
    thrust_n: tuple[Force, ...] = key("thrust", "Equal thrusts.", default=())


class ReadOffPlan(Record):
    """`read-off:` in session.yaml."""

    # rows are states, not samples one after the other: none of them can be a spike or a stuck sensor
    rows_are_states: ClassVar[bool] = True

    compare_at: ReadAt = Field(ReadAt.model_construct(), description="Conditions between the rows.")


class RowMeans(StretchMeans):
    """One row: its values are the means, with the rig's errors on them; how they scatter is not known."""

    def has(self, column: str) -> bool:
        """Whether the row holds a value of a column."""
        return column in self._columns and bool(np.isfinite(self.samples(column)).any())

    def mean(self, column: str) -> Number:
        """The row's value with gain, offset and resolution."""
        if column not in self._means:
            self._means[column] = self._errors.apply(column, float(self.samples(column)[0]))
        return self._means[column]


class Row(SteadyPoint):
    """One row as a steady point; it stands for its own throttle, or for its own speed where no throttle was read."""

    def __init__(self, run: PreparedRun, errors: RigErrors, row: int) -> None:
        time = float(run.columns["time_s"][row])
        window = Window(kind="averaged", label=f"row {row + 1}", start_s=time, stop_s=time)
        super().__init__(run, errors, window)
        rows = np.arange(run.columns["time_s"].size) == row
        self.means: StretchMeans = RowMeans(run, errors, rows)
        self.at = self._condition()

    def _condition(self) -> At:
        if self.means.has("throttle"):
            return (("throttle_percent", round(100.0 * self.throttle, 6)),)
        if self.means.has("speed_rpm"):
            return (("speed_rpm", round(nominal(self.means.mean("speed_rpm")), 6)),)
        return ()

    def row(self) -> StepRow:
        """The row as a plain record; no scatter is known of it."""
        means = tuple(
            (column, float(self.means.samples(column)[0]), math.nan)
            for column in KEPT
            if self.means.has(column)
        )
        at = self.window.start_s
        return StepRow(direction="up", throttle=self.throttle, start_s=at, stop_s=at, means=means)

    def responses(self) -> Iterator[tuple[ResponseKind, Number]]:
        """Everything that the row holds, in published units."""
        means = self.means
        power: Number = means.power() if means.electrical() else math.nan
        shaft = means.shaft_power() if means.has("torque_nm") and means.has("speed_rpm") else math.nan
        thrust = means.mean("thrust_n") * GF_PER_N if means.has("thrust_n") else math.nan
        yield kinds.ELECTRICAL_POWER, power
        yield kinds.THRUST, thrust
        yield kinds.SHAFT_POWER, shaft
        if nominal(power) > 0.0:
            yield kinds.THRUST_PER_POWER, thrust / power
            yield kinds.SYSTEM_EFFICIENCY, 100.0 * shaft / power
        for kind, column in (
            (kinds.CURRENT, "current_a"),
            (kinds.TORQUE, "torque_nm"),
            (kinds.SOUND_LEVEL, "sound_level_db"),
        ):
            if means.has(column):
                yield kind, means.mean(column)
        if means.has("tap_voltage_v"):
            yield kinds.VOLTAGE, means.voltage() if means.has("current_a") else means.mean("tap_voltage_v")
        if means.has("throttle") and means.has("speed_rpm"):
            yield kinds.SPEED, means.mean("speed_rpm")


def reduce_read_off(run: PreparedRun) -> Outcome:
    """What the rows hold, and the curves through them at the conditions that the plan asks for.

    A row is one reading: there is no scatter within it, so that only the rig's errors stand on it. Rows in one
    state (two with the same throttle, or the same speed) are averaged.
    """
    plan = run.plan
    assert isinstance(plan, ReadOffPlan)
    if run.columns["time_s"].size > MOST_ROWS:
        return Outcome(findings=(_samples(run.columns["time_s"].size),))
    errors = RigErrors.of(run)
    rows = [Row(run, errors, place) for place in range(run.columns["time_s"].size)]
    usable = [row for row in rows if row.at]
    means = tabulate(usable)
    responses = [response for row in usable for response in _own(row)]
    asked = {"thrust_gf": plan.compare_at.thrust_n, "speed_rpm": plan.compare_at.speed_rpm}
    taken = {(response.response, response.at) for response in responses}
    for axis in AXES:
        wanted = np.array(tuple(dict.fromkeys(asked.get(axis.name, ()))), dtype=np.float64)
        at: list[At] = [((axis.name, round(float(x) * axis.factor, 6)),) for x in wanted]
        for kind in read_axis(means, axis, wanted) if wanted.size else ():
            read = (found for _, found in as_responses(kind.kind, kind.reading, at, means.sources))
            responses += [found for found in read if (found.response, found.at) not in taken]
    return Outcome(
        responses=tuple(responses),
        steps=tuple(row.row() for row in usable if row.means.has("throttle")),
        constants=fitted_constants(run, usable),
        readings=(*preferred_readings(run, usable, means), *hover_readings(run, usable, means)),
    )


def _samples(rows: int) -> Finding:
    sentence = (
        f"The log holds {rows} rows; above {MOST_ROWS} they are taken for samples, which have a procedure of "
        "their own, such as hold or staircase. Not used."
    )
    return Finding(kind="samples", channel="", grade="refused", count=rows, sentence=sentence)


def _own(row: Row) -> Iterator[RunResponse]:
    for kind, value in row.responses():
        centre, parts = components(value)
        if math.isfinite(centre):
            yield RunResponse(
                response=kind.name, at=row.at, value=centre, components=parts, window=row.window
            )


READ_OFF = Procedure(
    name="read-off",
    plan=ReadOffPlan,
    needs=(),
    responses=(
        kinds.ELECTRICAL_POWER,
        kinds.THRUST,
        kinds.THRUST_PER_POWER,
        kinds.CURRENT,
        kinds.TORQUE,
        kinds.SHAFT_POWER,
        kinds.SYSTEM_EFFICIENCY,
        kinds.VOLTAGE,
        kinds.SPEED,
        kinds.SOUND_LEVEL,
    ),
    reduce=reduce_read_off,
    about="Steady values are written down one row a state; each row stands for itself, with the rig's errors on it.",
)
