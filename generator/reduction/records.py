"""Records between one run's frame and its responses."""

from __future__ import annotations

import datetime
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, fields
from typing import Any, Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from pydantic import BaseModel

from generator.intake.log_records import JoinedLog
from generator.intake.parts import Controller, Motor, Pack, Propeller, Supply
from generator.intake.rig import Rig
from generator.intake.session import Treatment
from generator.reduction.calibration import CalibrationFit
from generator.reduction.packing import packed, unpacked

Array = NDArray[np.float64]
At = tuple[tuple[str, float], ...]  # (("speed_rpm", 16000.0),); keys as in results.json, empty where none
Better = Literal["lower", "higher", "neither"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ResponseKind:
    """What a response is and how a sentence speaks of it.

    name      key in results.json and in `matters:`
    label     for tables and chart titles: "Electrical power"
    unit      published unit
    more      clause for a positive difference, with {amount}: "draws {amount} more electrical power"
    less      clause for a negative difference, with {amount}
    same      clause without a difference that matters: "draws the same electrical power"
    explain   one sentence: how it was computed; the door behind the number
    relative  whether a percentage of the baseline is meaningful (never for temperatures)
    """

    name: str
    label: str
    unit: str
    better: Better
    more: str
    less: str
    same: str
    explain: str
    relative: bool = True

    @property
    def words(self) -> tuple[str, str]:
        """What more and less of it are called: `more`, `less`; `slower`, `faster` of a time; `hotter`, `cooler`.

        The one word in which the two clauses differ; `more` and `less` where they differ otherwise.
        """
        more, less = self.more.split(), self.less.split()
        apart = [pair for pair in zip(more, less, strict=False) if pair[0] != pair[1]]
        return apart[0] if len(apart) == 1 and len(more) == len(less) else ("more", "less")


@dataclass(frozen=True, slots=True, kw_only=True)
class AirState:
    """Air of a session; temperature_u_k and density_u_kg_m3 are standard uncertainties."""

    temperature_k: float
    pressure_pa: float
    humidity: float
    density_kg_m3: float
    density_u_kg_m3: float
    temperature_u_k: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Setup:
    """What one run was made with.

    date             of the session: the age of a calibration counts to it
    hover_thrusts_n  thrusts a motor gives in the hover of the session's aircraft: curves are read there too
    clock_u_s        house column -> standard uncertainty of the clock of the logger it comes from, of this run
    """

    treatment: Treatment
    motor: Motor
    controller: Controller
    propeller: Propeller
    source: Pack | Supply
    rig: Rig
    air: AirState
    date: datetime.date | None = None
    hover_thrusts_n: tuple[float, ...] = ()
    clock_u_s: tuple[tuple[str, float], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """Something found in the data of one run, for its page and for the checks.

    kind     "gap", "dropout", "stuck", "clipped", "spike", "zero drift", "speed missed", "not reached", ...
    channel  house column or ""
    grade    "noted" (handled, harmless), "doubtful" (weakens what rests on it), "refused" (not used)
    sentence one plain sentence with the numbers in it
    """

    kind: str
    channel: str
    start_s: float | None = None
    stop_s: float | None = None
    count: int = 1
    grade: Literal["noted", "doubtful", "refused"] = "noted"
    sentence: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Window:
    """A stretch of the run that was used. kind: "rest", "averaged", "transition", "on", "off", "step"."""

    kind: str
    label: str
    start_s: float
    stop_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Component:
    """One input's share of a response's uncertainty: signed standard uncertainty in the response's unit.

    source  "scatter", "resolution", "zero noise", "hysteresis", "thermal fit", "interpolation", "sampling",
            "state levels", "<channel> noise"; "<channel> gain", "<channel> offset", "<channel> lag",
            "<channel> zero drift", "<channel> calibration age", "<channel> logger clock"; "wiring resistance",
            "setpoint miss (<propeller or treatment label>)", "air density", "air temperature".
            `evidence.budget_words` has advice for each
    shared  True: the same unknown error sits in every run made on this rig in this session (adds signed,
            so it cancels in contrasts); False: independent from run to run
    """

    source: str
    contribution: float
    shared: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class RunResponse:
    """One response of one run, in its published unit."""

    response: str
    at: At
    value: float
    components: tuple[Component, ...] = ()
    window: Window | None = None
    per_cycle: tuple[float, ...] = ()

    def within_run_uncertainty(self) -> float:
        """Root sum of squares of the components that are independent from run to run (the shared left out)."""
        return float(sum(c.contribution**2 for c in self.components if not c.shared) ** 0.5)


@dataclass(frozen=True, slots=True, kw_only=True)
class StepRow:
    """One step of a staircase: means in house units with within-run standard uncertainties (NaN if no channel)."""

    direction: Literal["up", "down"]
    throttle: float
    start_s: float
    stop_s: float
    means: tuple[tuple[str, float, float], ...]  # (house column, mean, standard uncertainty)


@dataclass(frozen=True, slots=True, kw_only=True)
class PreparedRun:
    """A run after the common corrections, ready for its procedure.

    columns     house column -> shape (n,), not to be written to: spikes masked to NaN, zero removed, voltage at the
                controller, plus `power_w` (voltage × current) and `shaft_power_w` where there is torque
    rests       windows of rest before and after
    zero_u      house column -> standard uncertainty that the removed zero leaves
    zero_drift  house column -> how far its zero moved over the run, house unit; channels with both rests only
    """

    setup: Setup
    plan: BaseModel
    columns: Mapping[str, Array]
    rests: tuple[Window, ...]
    zero_u: Mapping[str, float]
    zero_drift: Mapping[str, float]
    findings: tuple[Finding, ...]

    @property
    def frame(self) -> pd.DataFrame:
        """The columns as a frame of their own, made anew each time."""
        return pd.DataFrame(dict(self.columns))


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What a procedure makes of a prepared run.

    responses  what is compared
    losses     where the electrical power went, part by part (`reduction.losses`)
    constants  of motor and propeller, fitted from this run (`reduction.constants`)
    readings   of the run's curves at preferred numbers and at the hover thrusts (`reduction.readings`)
    """

    responses: tuple[RunResponse, ...] = ()
    losses: tuple[RunResponse, ...] = ()
    constants: tuple[RunResponse, ...] = ()
    readings: tuple[RunResponse, ...] = ()
    windows: tuple[Window, ...] = ()
    steps: tuple[StepRow, ...] = ()
    fits: tuple[tuple[str, float], ...] = ()  # named figures of a fit, house units, for charts and checks
    fitted: pd.DataFrame | None = None  # fitted curve over time for the run chart: time_s + one column
    calibration: CalibrationFit | None = None  # of a run that calibrates a channel; it gives no responses
    findings: tuple[Finding, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class LogUsed:
    """A log that a run rests on: path as session.yaml names it, checksum of its bytes, samples in it."""

    path: str
    sha256: str
    rows: int


@dataclass(frozen=True, slots=True, kw_only=True)
class RunReduction:
    """One run, reduced. `refused` says why nothing of it is used, else None.

    responses are compared for verdicts; losses, constants and readings (see Outcome) are not. `treatment` is empty for
    a run that belongs to the stand.
    """

    run_id: str
    log: str
    sha256: str
    rows: int
    procedure: str
    treatment: str
    repeat: int
    block: int
    order: int  # 1-based place in the order made
    started: str | None
    simulated: str | None
    refused: str | None
    responses: tuple[RunResponse, ...] = ()
    losses: tuple[RunResponse, ...] = ()
    constants: tuple[RunResponse, ...] = ()
    readings: tuple[RunResponse, ...] = ()
    windows: tuple[Window, ...] = ()
    steps: tuple[StepRow, ...] = ()
    fits: tuple[tuple[str, float], ...] = ()
    fitted: pd.DataFrame | None = None
    calibration: CalibrationFit | None = None
    findings: tuple[Finding, ...] = ()
    trace: pd.DataFrame = field(
        default_factory=pd.DataFrame
    )  # thinned raw frame, house columns, at most 1500 rows
    columns: tuple[tuple[str, str], ...] = ()
    sampling_hz: float | None = None
    joined: tuple[JoinedLog, ...] = ()
    zero_drift: tuple[tuple[str, float], ...] = ()  # house column -> drift over the run, house unit
    start_motor_temperature_k: float | None = None

    @property
    def lost(self) -> bool:
        """Whether its log is not there any more; only a run that was left out may lack it."""
        return not self.sha256

    @property
    def logs(self) -> tuple[LogUsed, ...]:
        """The run's own log and those of further loggers that it was joined with; none where the log is lost."""
        if self.lost:
            return ()
        own = LogUsed(path=self.log, sha256=self.sha256, rows=self.rows)
        further = (LogUsed(path=log.path, sha256=log.sha256, rows=log.rows) for log in self.joined)
        return (own, *further)

    def __reduce__(self) -> tuple[Callable[..., RunReduction], tuple[dict[str, Any]]]:
        """For pickle: the frames, which are most of it, travel packed."""
        held = {one.name: getattr(self, one.name) for one in fields(self)}
        return _restored, ({**held, **{name: packed(held[name]) for name in FRAMES}},)


FRAMES = ("trace", "fitted")


def _restored(held: dict[str, Any]) -> RunReduction:
    return RunReduction(**{**held, **{name: unpacked(held[name]) for name in FRAMES}})


@dataclass(frozen=True, slots=True, kw_only=True)
class Procedure:
    """A registered way of driving a run.

    plan       model of its block under `procedures:` in session.yaml
    needs      channels without which it cannot be reduced
    responses  kinds of response it can give
    reduce     the computation
    about      one sentence for the method page and the run page
    of_rig     True where a run belongs to the stand and to no treatment
    """

    name: str
    plan: type[BaseModel]
    needs: tuple[str, ...]
    responses: tuple[ResponseKind, ...]
    reduce: Callable[[PreparedRun], Outcome]
    about: str
    of_rig: bool = False


def fits_of(pairs: Mapping[str, Any]) -> tuple[tuple[str, float], ...]:
    """Named figures as a tuple, in the order given."""
    return tuple((name, float(value)) for name, value in pairs.items())
