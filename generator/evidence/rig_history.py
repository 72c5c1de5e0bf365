"""The runs of a rig's check standard over the sessions, on a control chart whose limits come from earlier sessions."""

from __future__ import annotations

import datetime
import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from scipy import special

from generator.evidence.repeatability import Sessions
from generator.evidence.summaries import gather
from generator.intake.reference_texts import Thresholds
from generator.intake.session import Session
from generator.reduction.air import STANDARD_DENSITY_KG_M3
from generator.reduction.records import At, ResponseKind
from generator.reduction.run import air_state

# What is charted, and the channels of the rig whose calibration it rests on. Current and voltage are in the power.
CHARTED: dict[str, tuple[str, ...]] = {
    "thrust": ("thrust", "speed"),
    "torque": ("torque", "speed"),
    "electrical_power": ("voltage", "current", "speed"),
}
LEAST_BASELINE = 3  # below, the limits are so wide that nothing is ever seen
State = Literal["baseline", "in control", "out of control"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ChartRules:
    """baseline     sessions that set the limits before any is judged
    weight       of the newest session in the moving average, 0 to 1
    false_alarm  chance that a steady rig is called out of control in one session, all its charts together, at most
    Own choices; the weight lies in the usual range of 0.2 to 0.3 of the e-Handbook, 6.3.2.4.
    """

    baseline: int = 5
    weight: float = 0.3
    false_alarm: float = 0.02


def chart_rules(thresholds: Thresholds) -> ChartRules:
    """The rules that `shared/thresholds.yaml` states, or a season's own."""
    return ChartRules(
        baseline=max(LEAST_BASELINE, round(thresholds.value("rig.baseline_sessions"))),
        weight=thresholds.value("rig.average_weight"),
        false_alarm=thresholds.share("rig.false_alarm_percent"),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class ChartPoint:
    """One session on a chart, in the response's unit; limits and average are None while the baseline is gathered.

    value          mean of the session's check-standard runs at its setpoint speed, in air of 1.225 kg/m³
    runs, run_sd   number of runs, standard deviation between them (NaN for one)
    average        moving average up to this session, with its limits
    limits         of the single session
    restarts       calibration that began this stretch of the chart, told at its first session, or ""
    """

    session: str
    date: datetime.date
    value: float
    runs: int
    run_sd: float
    state: State
    limits: tuple[float, float] | None = None
    average: float | None = None
    average_limits: tuple[float, float] | None = None
    restarts: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Scatter:
    """A standard deviation with its degrees of freedom and the standard uncertainty that few of them leave."""

    sd: float
    dof: float

    @property
    def u(self) -> float:
        """sd / √(2 ν): first-order standard deviation of a standard deviation of normal values."""
        return self.sd / math.sqrt(2.0 * self.dof) if self.dof > 0 else math.nan


@dataclass(frozen=True, slots=True, kw_only=True)
class Chart:
    """One response of the check standard at one condition, sessions by date.

    repeatability    between runs of one session, pooled; None where no session has two runs
    reproducibility  of one run of any session: within and between sessions together, sessions in control only
    trend_p          p-value of Kendall's test against a trend over the newest stretch, None below `baseline` sessions
    """

    response: str
    at: At
    unit: str
    points: tuple[ChartPoint, ...]
    repeatability: Scatter | None
    reproducibility: Scatter | None
    trend_p: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class RigHistory:
    """Every chart of one rig."""

    rig: str
    rules: ChartRules
    charts: tuple[Chart, ...]

    def latest(self, session: Session) -> tuple[tuple[Chart, ChartPoint], ...]:
        """The newest point of each chart that is not after a session; later ones say nothing of it.

        Where a response is charted at several speeds, a chart that a newer session has left off no longer counts.
        """
        return self._latest((session.file.date, session.id))

    def newest(self) -> tuple[tuple[Chart, ChartPoint], ...]:
        """The newest point of each chart, in the same way."""
        return self._latest(None)

    def _latest(self, when: tuple[datetime.date, str] | None) -> tuple[tuple[Chart, ChartPoint], ...]:
        found = []
        for chart in self.charts:
            before = [p for p in chart.points if when is None or (p.date, p.session) <= when]
            if before:
                found.append((chart, before[-1]))
        last = {
            name: max((p.date, p.session) for chart, p in found if chart.response == name)
            for name in {chart.response for chart, _ in found}
        }
        return tuple((c, p) for c, p in found if (p.date, p.session) == last[c.response])

    @property
    def state(self) -> State | None:
        """State today: the gravest of the newest points of all charts; None without a check standard."""
        newest = {point.state for _, point in self.newest()}
        order: tuple[State, ...] = ("out of control", "baseline", "in control")
        return next((state for state in order if state in newest), None)


def rig_history(
    sessions: Sessions, rig: str, kinds: Mapping[str, ResponseKind], rules: ChartRules | None = None
) -> RigHistory:
    """Control charts of one rig from the reduced sessions of a season.

    sessions  reduced sessions, any rig, any order; those of the rig with runs of their `check_standard` count
    rig       id of the rig
    kinds     response name -> kind

    Values are session means at the exact setpoint (as the hold gives them), thrust, torque and power brought to air
    of 1.225 kg/m³ in proportion to the density. Power follows the density only nearly: its free-run losses do not.
    The first `rules.baseline` sessions set mean and scatter; those after them are judged by themselves (a step) and by
    an exponentially weighted moving average (a drift, which single values show late). A later session never changes
    the state of an earlier one. A calibration of a channel that a response rests on starts its chart anew, since the
    reading was meant to change; a rig is told as back then only when the new baseline is complete and holds.
    Source  NIST/SEMATECH e-Handbook 2.2.2 and 2.6.2 (check standards), 6.3.2.2 and 6.3.2.4 (charts); limits by
            Student's t in place of the 3 of a known scatter, see `limit_factors`
    """
    rules = rules or ChartRules()
    own = sorted(
        ((s, runs) for s, runs in sessions if s.rig.id == rig and s.file.check_standard is not None),
        key=lambda item: (item[0].file.date, item[0].id),
    )
    found: dict[tuple[str, At], list[tuple[Session, list[float]]]] = {}
    for session, runs in own:
        standard = session.file.check_standard or ""
        scale = STANDARD_DENSITY_KG_M3 / air_state(session.file.air).density_kg_m3
        for (response, at), by in gather([run for run in runs if run.treatment == standard]).items():
            if response in CHARTED and response in kinds:
                values = [observation.value * scale for observation in by.get(standard, ())]
                if values:
                    found.setdefault((response, at), []).append((session, values))
    # every chart has its own share of the false alarms, however many sessions it has yet
    tail = rules.false_alarm / (2.0 * max(len(found), 1))
    return RigHistory(
        rig=rig,
        rules=rules,
        charts=tuple(
            _chart(name, at, kinds[name].unit, rows, rules, tail) for (name, at), rows in found.items()
        ),
    )


def _chart(
    response: str,
    at: At,
    unit: str,
    rows: Sequence[tuple[Session, list[float]]],
    rules: ChartRules,
    tail: float,
) -> Chart:
    points: list[ChartPoint] = []
    stretch: list[ChartPoint] = []
    channels = CHARTED[response]
    before: dict[str, datetime.date | None] = {}
    for place, (session, values) in enumerate(rows):
        now = {name: _calibrated(session, name) for name in channels}
        changed = [name for name in channels if place and now[name] != before.get(name)]
        before = now
        if changed:
            points, stretch = [*points, *stretch], []
        mean, sd = mean_and_sd(values)
        restarts = f"{' and '.join(changed)} calibrated" if changed else ""
        stretch.append(_judged(session, mean, sd, len(values), restarts, stretch, rules, tail))
    points += stretch
    steady = [point for point in points if point.state != "out of control"]
    within = pooled([(point.run_sd, point.runs - 1) for point in points if point.runs > 1])
    trend = None
    if len(stretch) >= rules.baseline:
        from scipy import stats  # half a second to import, for the few rigs with so long a history

        tau = stats.kendalltau(range(len(stretch)), [point.value for point in stretch])
        trend = float(tau.pvalue)
    return Chart(
        response=response,
        at=at,
        unit=unit,
        points=tuple(points),
        repeatability=within,
        reproducibility=reproducibility(steady, within),
        trend_p=trend,
    )


def _calibrated(session: Session, name: str) -> datetime.date | None:
    """Day of the calibration that a channel's readings in a session rest on; one after the session is not it."""
    channel = session.rig.channels.present().get(name)
    day = None if channel is None else channel.calibrated
    return day if day is not None and day <= session.file.date else None


def _judged(
    session: Session,
    value: float,
    run_sd: float,
    runs: int,
    restarts: str,
    earlier: Sequence[ChartPoint],
    rules: ChartRules,
    tail: float,
) -> ChartPoint:
    made = ChartPoint(
        session=session.id, date=session.file.date, value=value, runs=runs, run_sd=run_sd, state="baseline",
        restarts=restarts,
    )  # fmt: skip
    n = rules.baseline
    if len(earlier) < n:
        return made
    centre, sd = mean_and_sd([point.value for point in earlier[:n]])
    since = [*(point.value for point in earlier[n:]), value]
    average = moving_average(since, centre, rules.weight)[-1]
    alone, averaged = limit_factors(n, len(since), rules.weight, tail)
    limits = (centre - alone * sd, centre + alone * sd)
    average_limits = (centre - averaged * sd, centre + averaged * sd)
    inside = limits[0] <= value <= limits[1] and average_limits[0] <= average <= average_limits[1]
    return ChartPoint(
        session=session.id, date=session.file.date, value=value, runs=runs, run_sd=run_sd,
        state="in control" if inside else "out of control", limits=limits, average=average,
        average_limits=average_limits, restarts=restarts,
    )  # fmt: skip


def moving_average(values: Sequence[float], start: float, weight: float) -> list[float]:
    """Exponentially weighted moving average z_i = w x_i + (1 - w) z_(i-1), z_0 = start.

    Source  NIST/SEMATECH e-Handbook 6.3.2.4
    """
    made = itertools.accumulate(values, lambda z, x: weight * x + (1.0 - weight) * z, initial=start)
    return list(made)[1:]


def average_spread(place: int, weight: float, baseline: float) -> float:
    """Standard deviation of (average - centre) at the `place`-th value after the baseline, over that of one value.

    √(w/(2-w) (1-(1-w)^2i) + (1-(1-w)^i)²/n): the average's own scatter and that of the mean of a baseline of n.
    With n infinite and i large it is the √(w/(2-w)) of the e-Handbook, 6.3.2.4.
    """
    left = (1.0 - weight) ** place
    return math.sqrt(weight / (2.0 - weight) * (1.0 - left**2) + (1.0 - left) ** 2 / baseline)


def limit_factors(baseline: int, place: int, weight: float, tail: float) -> tuple[float, float]:
    """Half-widths of the limits of one value and of the average, over the baseline's standard deviation.

    tail  chance that each of the two is left by a steady rig, both sides together
    Exact for independent normal session means: value and average are independent of the baseline's standard
    deviation, so Student's t with baseline - 1 degrees of freedom holds (a prediction interval).
    """
    t = float(special.stdtrit(baseline - 1, 1.0 - tail / 2.0))
    return t * math.sqrt(1.0 + 1.0 / baseline), t * average_spread(place, weight, baseline)


def mean_and_sd(values: Sequence[float]) -> tuple[float, float]:
    """Mean and standard deviation; the latter NaN for one value."""
    mean = math.fsum(values) / len(values)
    if len(values) < 2:
        return mean, math.nan
    return mean, math.sqrt(math.fsum((value - mean) ** 2 for value in values) / (len(values) - 1))


def pooled(parts: Sequence[tuple[float, int]]) -> Scatter | None:
    """Pooled standard deviation of (standard deviation, degrees of freedom) pairs; None for none.

    Source  NIST/SEMATECH e-Handbook 2.6.2
    """
    dof = sum(freedom for _, freedom in parts)
    if dof == 0:
        return None
    return Scatter(sd=math.sqrt(math.fsum(freedom * sd * sd for sd, freedom in parts) / dof), dof=dof)


def reproducibility(points: Sequence[ChartPoint], within: Scatter | None) -> Scatter | None:
    """Standard deviation of one run of any session: variance of the session means, with what they average put back.

    Each stretch of the chart between calibrations has its own mean. Degrees of freedom by Welch-Satterthwaite. None
    with fewer than three means in a stretch, or without repeated runs.
    Source  variance components of a one-way layout, as ISO 5725-2 forms them (from memory)
    """
    if within is None:
        return None
    stretches: list[list[float]] = []
    for point in points:
        if point.restarts or not stretches:
            stretches.append([])
        stretches[-1].append(point.value)
    between = pooled([(mean_and_sd(found)[1], len(found) - 1) for found in stretches if len(found) > 2])
    if between is None:
        return None
    shrink = math.fsum(1.0 / point.runs for point in points) / len(points)
    means, runs = between.sd**2, (1.0 - shrink) * within.sd**2
    # session means cannot scatter less than their runs make them
    total = max(means + runs, within.sd**2)
    share = means**2 / between.dof + runs**2 / within.dof
    return Scatter(sd=math.sqrt(total), dof=total**2 / share if share > 0.0 else between.dof)
