"""How far single runs of a response will scatter, from the best that is known, and where that comes from."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from generator.evidence.estimates import Design as Method
from generator.evidence.estimates import design_of
from generator.evidence.repeatability import RunScatter, run_scatter
from generator.evidence.summaries import Observation, gather
from generator.evidence.wording import counted
from generator.intake.problems import WhirlbookError, suggestion
from generator.intake.quantities import UnreadableQuantity, parse_published, parse_quantity
from generator.intake.rig import Channel, Rig
from generator.intake.session import Session
from generator.planning.design_records import Scatter
from generator.reduction.measured import GF_PER_N
from generator.reduction.records import At, ResponseKind, RunReduction

Earlier = Sequence[tuple[Session, Sequence[RunReduction]]]
# Fewer degrees of freedom than these tell nothing of a scatter: with two, it may as well be four times as large
# (chi-square, 5 %). Our own choice.
FEWEST_DOF = 3
# With so many the first history is taken even where a second has more. Our own choice.
ENOUGH_DOF = 6
# Scatter of one run where nothing is known. Our own choice, no source: about twice what a careful bench shows.
ASSUMED_SHARE = 0.01
ASSUMED_SD: Mapping[str, float] = {"K": 1.0, "dB": 0.5, "%": 0.5}


@dataclass(slots=True)
class _Pool:
    """Sums over sessions for one response."""

    squares: float = 0.0
    dof: int = 0
    runs: int = 0
    sessions: set[str] = field(default_factory=set)


def scatter_of(
    response: str,
    kind: ResponseKind,
    session: Session,
    earlier: Earlier,
    kinds: Mapping[str, ResponseKind],
    *,
    method: Method,
    value: float | None = None,
) -> Scatter:
    """The scatter of one run of a response in a session to be made.

    earlier  reduced sessions of the season, any rig, any date; runs of the session itself are left out
    method   how the runs will be compared: inside blocks, so that what blocks share drops out; with a line over run
             order taken out; or as they are
    value    of the response, where it is foreseen; what the rig states of offsets is taken as a share of it

    In this order: the rig's check standard; runs of earlier sessions on this rig about the mean of their treatment
    (and of their block, or a line over run order, as `method` has it); what the rig file states of its channels; an
    assumption. A history with fewer than FEWEST_DOF degrees of freedom is passed over, and one with few is passed
    over for a longer one. Measured sessions go before simulated ones.
    """
    found: list[Scatter] = []
    for simulated in (False, True):
        of_kind = [
            (other, [run for run in runs if (run.simulated is not None) == simulated])
            for other, runs in earlier
            if other.id != session.id
            and other.rig.id == session.rig.id
            and other.file.date <= session.file.date
        ]
        standard = run_scatter(of_kind, session, {response: kind}).get(response)
        if standard is not None and standard.dof >= FEWEST_DOF:
            found.append(_of_standard(standard, kind, simulated))
        pooled = _pooled(of_kind, response, kind, method)
        if pooled is not None and pooled.dof >= FEWEST_DOF:
            found.append(_of_sessions(pooled, kind, simulated, method))
        if found:
            enough = [one for one in found if one.dof >= ENOUGH_DOF]
            return enough[0] if enough else max(found, key=lambda one: one.dof)
    return _stated(response, kind, session.rig, value) or _assumed(kind)


def given_scatter(text: str, kinds: Mapping[str, ResponseKind]) -> tuple[str, Scatter]:
    """The scatter of one run as a tester states it: `electrical_power=0.8 %`, `temperature_rise=0.5 K`.

    Raises  WhirlbookError for an unknown response or a size that cannot be read
    """
    response, _, size = (part.strip() for part in text.partition("="))
    kind = kinds.get(response)
    if kind is None:
        raise WhirlbookError(
            f"--scatter: '{response}' is not a response. {suggestion(response, list(kinds))}"
        )
    share = size.endswith("%") and kind.unit != "%"
    try:
        sd = parse_quantity(size, "ratio") if share else parse_published(size, kind.unit)
    except UnreadableQuantity as fault:
        raise WhirlbookError(f"--scatter: {fault.what} {fault.remedy}") from None
    if not sd > 0.0:
        raise WhirlbookError(f"--scatter: '{size}' is not above zero.")
    return response, Scatter(
        sd=sd, unit=kind.unit, relative=share, dof=math.inf, basis="given", told="as the tester states it"
    )


def left_over_share(response: str, kind: ResponseKind, session: Session, earlier: Earlier) -> float | None:
    """What the rig's errors left in earlier differences of a response, as root mean square; None without any.

    A share of the baseline's value for kinds that have one, else in the response's unit. It is the part of a
    difference's uncertainty that repeats do not lessen.
    """
    squares: list[float] = []
    for other, runs in earlier:
        if other.id == session.id or other.rig.id != session.rig.id or other.file.date > session.file.date:
            continue
        for (name, _), treatments in gather(runs).items():
            base = treatments.get(other.file.baseline, ())
            if name != response or not base:
                continue
            for treatment, observations in treatments.items():
                if treatment not in (other.file.baseline, other.file.check_standard):
                    squares.append(_left_over(observations, base, kind) ** 2)
    return math.sqrt(math.fsum(squares) / len(squares)) if squares else None


def earlier_value(response: str, at: At, session: Session, earlier: Earlier) -> tuple[float, str] | None:
    """A value of a response for sizes of margins, and where it comes from; None where no session on the rig has one.

    The mean of the same condition where there is one, else that of the nearest condition of the same kind, of the
    newest session that has it; simulated sessions are told as such.
    """
    wanted = dict(at)
    best: tuple[float, float, str] | None = None
    for other, runs in earlier:
        if other.id == session.id or other.rig.id != session.rig.id or other.file.date > session.file.date:
            continue
        for (name, where), treatments in gather(runs).items():
            if name != response or set(dict(where)) != set(wanted):
                continue
            away = sum(abs(math.log(dict(where)[k] / wanted[k])) for k in wanted if wanted[k] > 0.0)
            values = [o.value for observations in treatments.values() for o in observations]
            mean = math.fsum(values) / len(values)
            if best is None or away <= best[0]:
                simulated = any(run.simulated is not None for run in runs)
                best = (away, mean, f"as in session {other.id}{', which was simulated' if simulated else ''}")
    return None if best is None else (best[1], best[2])


# --- what earlier runs tell ---------------------------------------------------------------------------------


def _of_standard(found: RunScatter, kind: ResponseKind, simulated: bool) -> Scatter:
    return Scatter(
        sd=found.sd,
        unit=kind.unit,
        relative=found.relative,
        dof=float(found.dof),
        basis="check standard",
        told=f"from {counted(found.runs, 'run')} of the check standard in {counted(found.sessions, 'session')}"
        + (SIMULATED if simulated else ""),
        simulated=simulated,
    )


def _of_sessions(pool: _Pool, kind: ResponseKind, simulated: bool, method: Method) -> Scatter:
    taken_out = {"blocks": " inside their blocks", "drift": ", a drift taken out", "unpaired": ""}[method]
    return Scatter(
        sd=math.sqrt(pool.squares / pool.dof),
        unit=kind.unit,
        relative=kind.relative,
        dof=float(pool.dof),
        basis="earlier sessions",
        told=f"from {counted(pool.runs, 'run')} in {counted(len(pool.sessions), 'earlier session')} on this rig"
        + taken_out
        + (SIMULATED if simulated else ""),
        simulated=simulated,
    )


SIMULATED = ", which were simulated, not measured"


def _pooled(earlier: Earlier, response: str, kind: ResponseKind, method: Method) -> _Pool | None:
    """Squares of what treatments (and blocks) do not explain, pooled over sessions and conditions.

    Conditions of one run scatter together, so a session's conditions count once: their squares are averaged, and
    their degrees of freedom are those of one condition.
    Source  two-way layout without interaction, NIST/SEMATECH e-Handbook 7.4.3.8 (from memory)
    """
    pool = _Pool()
    for session, runs in earlier:
        usable = [run for run in runs if run.refused is None and run.treatment != session.file.check_standard]
        by_procedure: dict[str, list[tuple[float, int, int]]] = {}
        for (name, _), treatments in gather(usable).items():
            if name != response:
                continue
            observations = [o for found in treatments.values() for o in found]
            procedure = observations[0].run.procedure
            blocked = method == "blocks" and design_of(session, procedure) == "blocks"
            squares, dof = _residual_squares(treatments, kind, blocked, drift=method == "drift")
            if dof > 0:
                by_procedure.setdefault(procedure, []).append((squares, dof, len(observations)))
        for conditions in by_procedure.values():
            dof = min(dof for _, dof, _ in conditions)
            mean_square = math.fsum(squares / own for squares, own, _ in conditions) / len(conditions)
            pool.squares += mean_square * dof
            pool.dof += dof
            pool.runs += max(count for *_, count in conditions)
            pool.sessions.add(session.id)
    return pool if pool.dof > 0 and pool.squares > 0.0 else None


def _residual_squares(
    treatments: Mapping[str, Sequence[Observation]], kind: ResponseKind, blocked: bool, drift: bool
) -> tuple[float, int]:
    """Sum of squares about treatment means (and block means, or a line over run order), and its degrees of freedom."""
    rows = [(place, o) for place, found in enumerate(treatments.values()) for o in found]
    scale = {
        place: (abs(math.fsum(o.value for o in found) / len(found)) if kind.relative else 1.0)
        for place, found in enumerate(treatments.values())
    }
    if any(size == 0.0 for size in scale.values()):
        return 0.0, 0
    values = np.array([o.value / scale[place] for place, o in rows])
    columns = [np.array([place == k for place, _ in rows], dtype=float) for k in range(len(treatments))]
    if blocked:
        blocks = sorted({o.run.block for _, o in rows})
        columns += [np.array([o.run.block == b for _, o in rows], dtype=float) for b in blocks[1:]]
    if drift:
        order = np.array([float(o.run.order) for _, o in rows])
        columns.append(order - order.mean())
    design = np.column_stack(columns)
    rank = int(np.linalg.matrix_rank(design))
    level = float(values.mean())  # taken out first, so that large levels keep their digits
    residual = (values - level) - design @ np.linalg.lstsq(design, values - level, rcond=None)[0]
    return float(residual @ residual), len(rows) - rank


def _left_over(ours: Sequence[Observation], base: Sequence[Observation], kind: ResponseKind) -> float:
    """Root of the sum over sources of what of each does not cancel in the difference of the means."""
    sources = sorted({source for o in (*ours, *base) for source in o.shared})
    left = [
        math.fsum(o.shared.get(source, 0.0) for o in ours) / len(ours)
        - math.fsum(o.shared.get(source, 0.0) for o in base) / len(base)
        for source in sources
    ]
    mean = abs(math.fsum(o.value for o in base) / len(base))
    scale = mean if kind.relative and mean > 0.0 else 1.0
    return math.hypot(*left) / scale


# --- without runs -------------------------------------------------------------------------------------------

# response -> the channels whose errors it carries, each once
_CARRIES: Mapping[str, tuple[str, ...]] = {
    "electrical_power": ("voltage", "current"),
    "thrust_per_power": ("thrust", "voltage", "current"),
    "thrust": ("thrust",),
    "top_thrust": ("thrust",),
    "current": ("current",),
    "peak_current": ("current",),
    "voltage": ("voltage",),
    "torque": ("torque",),
    "shaft_power": ("torque",),
    "speed": ("speed",),
    "top_speed": ("speed",),
    "sound_level": ("sound_level",),
    "vibration": ("vibration",),
    "temperature_rise": ("motor_temperature",),
    "motor_temperature_rise": ("motor_temperature",),
    "controller_rise": ("controller_temperature",),
    "controller_temperature_rise": ("controller_temperature",),
}
_OFFSET_SCALE = {"thrust": GF_PER_N}


def _stated(response: str, kind: ResponseKind, rig: Rig, value: float | None) -> Scatter | None:
    """As if the errors that the rig states of its channels were drawn anew in every run.

    They are larger than what the channels themselves do from run to run, which makes up for what they leave out:
    how the parts are put up. None where the file states nothing for the response.
    """
    parts: list[float] = []
    for name in _CARRIES.get(response, ()):
        channel = rig.channels.present().get(name)
        if channel is None:
            return None
        parts.append(_channel_sd(name, channel, kind, value if len(_CARRIES[response]) == 1 else None))
    sd = math.hypot(*parts)
    if sd == 0.0:
        return None
    return Scatter(
        sd=sd,
        unit=kind.unit,
        relative=kind.relative,
        dof=math.inf,
        basis="stated by the rig",
        told="which is what the rig file states of its channels, as if it were new in each run; no run tells it",
    )


def _channel_sd(name: str, channel: Channel, kind: ResponseKind, value: float | None) -> float:
    """Stated errors of one channel: a share for relative kinds, else in the response's unit."""
    if not kind.relative:
        return math.hypot(channel.offset_uncertainty or 0.0, (channel.resolution or 0.0) / math.sqrt(12.0))
    parts = [channel.gain_uncertainty or 0.0]
    if value:
        to_unit = _OFFSET_SCALE.get(name, 1.0)
        parts.append(to_unit * (channel.offset_uncertainty or 0.0) / abs(value))
        parts.append(to_unit * (channel.resolution or 0.0) / math.sqrt(12.0) / abs(value))
    return math.hypot(*parts)


def _assumed(kind: ResponseKind) -> Scatter:
    relative = kind.relative
    sd = ASSUMED_SHARE if relative else ASSUMED_SD.get(kind.unit, 1.0)
    return Scatter(
        sd=sd,
        unit=kind.unit,
        relative=relative,
        dof=math.inf,
        basis="assumed",
        told="assumed, since neither runs on this rig nor the rig file tell it",
    )
