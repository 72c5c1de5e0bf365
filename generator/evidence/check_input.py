"""What every check looks at, with the look-ups they share."""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from generator.evidence.physics_records import EffectiveConstant, EnergyBalance
from generator.evidence.records import ResponseSummary
from generator.evidence.rig_history import RigHistory
from generator.intake.parts import Motor, Propeller
from generator.intake.reference_texts import Thresholds
from generator.intake.rig import CHANNEL_KINDS
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
# House column -> responses that rest on it; a column that is not here is one of time or unknown: everything.
RESTS_ON = {
    "thrust_n": (*THRUST_RESPONSES, "figure_of_merit"),
    "torque_nm": ("torque", "shaft_power", "system_efficiency", "figure_of_merit"),
    "voltage_v": ("voltage", *POWER_RESPONSES),
    "current_a": ("current", "peak_current", *POWER_RESPONSES),
    "throttle": ("throttle", "delay_time"),
    "motor_temperature_k": tuple(
        name
        for name in TEMPERATURE_RESPONSES
        if name not in ("controller_temperature_rise", "controller_rise")
    ),
    "controller_temperature_k": ("controller_temperature_rise", "controller_rise"),
    "air_temperature_k": TEMPERATURE_RESPONSES,
    "sound_level_db": ("sound_level",),
    "vibration_m_s2": ("vibration",),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckInput:
    """Everything about one session that a check may look at.

    balances, constants  what `energy_balances` and `effective_constants` found in the runs, where they have been
                         asked already; with None their checks ask them
    rig_history          control charts of the session's rig, of the whole season; None where nobody made them
    """

    runs: tuple[RunReduction, ...]
    summaries: tuple[ResponseSummary, ...]
    session: Session
    season: Season
    thresholds: Thresholds
    air: AirState
    balances: tuple[EnergyBalance, ...] | None = None
    constants: tuple[EffectiveConstant, ...] | None = None
    rig_history: RigHistory | None = None

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

    def ranges(self) -> dict[str, tuple[float | None, float | None]]:
        """House column -> range that the rig states for its channel, house units, None for an open end."""
        found: dict[str, tuple[float | None, float | None]] = {}
        for name, channel in self.session.rig.channels.present().items():
            if channel.range is not None:
                low, high = (None if end is None else float(end) for end in channel.range)
                found[CHANNEL_KINDS[name][1]] = (low, high)
        return found

    def responses_of(self, runs: Sequence[RunReduction]) -> tuple[str, ...]:
        """Names of the responses that these runs give."""
        return tuple(dict.fromkeys(r.response for run in runs for r in run.responses))

    def present(self, wanted: Collection[str] | None, runs: Sequence[RunReduction]) -> tuple[str, ...]:
        """Responses of these runs, only those wanted unless None."""
        return tuple(name for name in self.responses_of(runs) if wanted is None or name in wanted)


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
    found = sustained_ends(trace, column)
    return None if found is None else found[1]


def sustained_lowest(trace: pd.DataFrame, column: str) -> float | None:
    """Lowest reading of a column, in the same way."""
    found = sustained_ends(trace, column)
    return None if found is None else found[0]


def sustained_ends(trace: pd.DataFrame, column: str) -> tuple[float, float] | None:
    """Lowest and highest reading of a column, in the same way, both in one pass."""
    found = _sustained(trace, column)
    return None if found is None else (float(found.min()), float(found.max()))


def _sustained(trace: pd.DataFrame, column: str) -> NDArray[np.float64] | None:
    """Running median of the finite readings of a column; one value for fewer than SUSTAINED_ROWS rows."""
    if column not in trace:
        return None
    values = trace[column].to_numpy(dtype=np.float64)
    values = values[np.isfinite(values)]
    if values.size == 0:
        return None
    if values.size <= SUSTAINED_ROWS:
        return np.array([np.median(values)])
    return _medians_of_nine(values)


def _medians_of_nine(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Running median over SUSTAINED_ROWS = 9 rows, shape (n,) with n >= 9 to shape (n - 8,).

    The median of nine is the median of three: the largest low, the middle middle and the smallest high of three
    triples. Each triple is sorted once and serves three windows, with array operations alone; sorting every window
    takes ten times as long.
    """

    def middle(a: NDArray[np.float64], b: NDArray[np.float64], c: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.maximum(np.minimum(a, b), np.minimum(np.maximum(a, b), c))

    def thrice(triples: NDArray[np.float64]) -> tuple[NDArray[np.float64], ...]:
        return triples[:-6], triples[3:-3], triples[6:]

    a, b, c = values[:-2], values[1:-1], values[2:]
    lows = thrice(np.minimum(np.minimum(a, b), c))
    middles = thrice(middle(a, b, c))
    highs = thrice(np.maximum(np.maximum(a, b), c))
    largest_low = np.maximum(np.maximum(lows[0], lows[1]), lows[2])
    smallest_high = np.minimum(np.minimum(highs[0], highs[1]), highs[2])
    return middle(largest_low, middle(*middles), smallest_high)


def step_means(run: RunReduction, column: str) -> tuple[float, ...]:
    """Means of a column over the steps of a staircase."""
    return tuple(mean for step in run.steps for name, mean, _ in step.means if name == column)


def treatments_of(runs: Sequence[RunReduction]) -> tuple[str, ...]:
    """Ids of the treatments of these runs, each once."""
    return tuple(dict.fromkeys(run.treatment for run in runs))


def run_ids(runs: Sequence[RunReduction]) -> tuple[str, ...]:
    """Ids of these runs, each once."""
    return tuple(dict.fromkeys(run.run_id for run in runs))


def channel_words(column: str) -> str:
    """A house column in words: `motor_temperature_k` is the motor temperature; no column is the time."""
    names = {house: name.replace("_", " ") for name, (_, house) in CHANNEL_KINDS.items()}
    return names.get(column, column.replace("_", " ")) if column else "time"
