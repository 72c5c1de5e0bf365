"""What every check looks at, with the look-ups they share."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd

from generator.evidence.records import ResponseSummary
from generator.intake.parts import Motor, Propeller
from generator.intake.reference_texts import Thresholds
from generator.intake.session import Season, Session, Treatment
from generator.reduction.records import AirState, At, RunReduction

Outcome = Literal["passed", "warned", "failed"]
OWN_CHOICE = "own choice, no source"
# A reading counts as sustained if a running median over so many rows of the thinned trace shows it.
SUSTAINED_ROWS = 9

POWER_RESPONSES = ("electrical_power", "thrust_per_power", "system_efficiency")
THRUST_RESPONSES = ("thrust", "thrust_per_power", "top_thrust")
TEMPERATURE_RESPONSES = (
    "motor_temperature_rise",
    "controller_temperature_rise",
    "temperature_rise",
    "controller_rise",
    "settled_rise",
    "time_constant",
    "minutes_to_limit",
)
TIME_RESPONSES = ("rise_time", "fall_time", "delay_time", "overshoot")


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckInput:
    """Everything about one session that a check may look at."""

    runs: tuple[RunReduction, ...]
    summaries: tuple[ResponseSummary, ...]
    session: Session
    season: Season
    thresholds: Thresholds
    air: AirState

    @property
    def used(self) -> tuple[RunReduction, ...]:
        """Runs that were not refused."""
        return tuple(run for run in self.runs if run.refused is None)

    @property
    def baseline(self) -> str:
        """Id of the baseline treatment."""
        return self.session.file.baseline

    @property
    def others(self) -> tuple[str, ...]:
        """Ids of all other treatments, in the session's order."""
        return tuple(name for name in self.session.file.treatments if name != self.baseline)

    def treatment(self, name: str) -> Treatment:
        """A treatment by its id."""
        return self.session.file.treatments[name]

    def label(self, name: str) -> str:
        """Label of a treatment, or its id if the session does not know it."""
        found = self.session.file.treatments.get(name)
        return found.label if found is not None else name

    def motor(self, name: str) -> Motor:
        """Motor of a treatment."""
        return self.season.motor(self.treatment(name))

    def propeller(self, name: str) -> Propeller:
        """Propeller of a treatment."""
        return self.season.propeller(self.treatment(name))

    def value(self, response: str, at: At, treatment: str) -> float | None:
        """Mean of a response, or None where it was not measured."""
        for summary in self.summaries:
            if (summary.response, summary.at, summary.treatment) == (response, at, treatment):
                return summary.value
        return None

    def conditions(self, treatment: str) -> tuple[At, ...]:
        """Conditions under which anything was measured of a treatment, in the order of the summaries."""
        return tuple(dict.fromkeys(s.at for s in self.summaries if s.treatment == treatment))

    def thrust_gf(self, at: At, treatment: str) -> float | None:
        """Thrust at a condition: the condition itself, measured, or what power and thrust per watt imply."""
        given = dict(at).get("thrust_gf")
        if given is not None:
            return given
        measured = self.value("thrust", at, treatment)
        if measured is not None:
            return measured
        power = self.value("electrical_power", at, treatment)
        ratio = self.value("thrust_per_power", at, treatment)
        return None if power is None or ratio is None else power * ratio

    def responses_of(self, runs: Sequence[RunReduction]) -> tuple[str, ...]:
        """Names of the responses that these runs give."""
        return tuple(dict.fromkeys(r.response for run in runs for r in run.responses))


def speed_of(at: At) -> float | None:
    """Speed of a condition that is nothing but a speed."""
    return at[0][1] if len(at) == 1 and at[0][0] == "speed_rpm" else None


def graded(size: float, warn: float, fail: float) -> Outcome:
    """Passed up to `warn`, warned up to `fail`, failed beyond; a size that is not a number fails."""
    if not math.isfinite(size):
        return "failed"
    return "failed" if size > fail else "warned" if size > warn else "passed"


def worst(outcomes: Sequence[Outcome]) -> Outcome:
    """The gravest of several outcomes; passed if there are none."""
    order: tuple[Outcome, ...] = ("passed", "warned", "failed")
    return max(outcomes, key=order.index, default="passed")


def sustained_highest(trace: pd.DataFrame, column: str) -> float | None:
    """Highest reading of a column that a running median over SUSTAINED_ROWS rows shows; None if not measured.

    A spike of one sample stays in the thinned trace for the eye, but is no temperature and no speed.
    """
    if column not in trace:
        return None
    values = trace[column].to_numpy(dtype=np.float64)
    values = values[np.isfinite(values)]
    if values.size == 0:
        return None
    if values.size <= SUSTAINED_ROWS:
        return float(np.median(values))
    windows = np.lib.stride_tricks.sliding_window_view(values, SUSTAINED_ROWS)
    return float(np.median(windows, axis=1).max())


def step_means(run: RunReduction, column: str) -> tuple[float, ...]:
    """Means of a column over the steps of a staircase."""
    return tuple(mean for step in run.steps for name, mean, _ in step.means if name == column)
