"""Calibrations as pages show them: the line, what it leaves over, and when it is due again."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from generator.evidence.records import SessionAnalysis
from generator.evidence.wording import counted, number, with_unit
from generator.figures.calibration_chart import Residual, calibration_residuals
from generator.figures.records import Figure
from generator.intake.calibrations import CalibrationRecord, LineDoubt, due_date
from generator.intake.rig import CHANNEL_KINDS, Channel, Rig
from generator.publication import navigation
from generator.publication.facts import Fact, date_text, key_text
from generator.publication.figure_blocks import FigureBlock, figure_block, order_of, picture
from generator.publication.navigation import Link, anchor, link
from generator.publication.tables import Cell, Table, table
from generator.reduction.calibration import CalibrationFit, LineUncertainty, LoadPoint
from generator.reduction.measured import GF_PER_N, ICE_POINT_K
from generator.reduction.records import RunReduction

# kind of quantity -> (unit shown, factor from the house unit, house value that is zero there, unit of a difference)
SHOWN: dict[str, tuple[str, float, float, str]] = {
    "force": ("gf", GF_PER_N, 0.0, "gf"),
    "torque": ("mN·m", 1000.0, 0.0, "mN·m"),
    "temperature": ("°C", 1.0, ICE_POINT_K, "K"),
    "voltage": ("V", 1.0, 0.0, "V"),
    "current": ("A", 1.0, 0.0, "A"),
    "speed": ("rpm", 1.0, 0.0, "rpm"),
    "sound_level": ("dB", 1.0, 0.0, "dB"),
    "acceleration": ("m/s²", 1.0, 0.0, "m/s²"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class CalibrationBlock:
    """One record on the rig's page.

    key      id on the page
    title    channel and date
    facts    gain, offset, what they rest on, when it is due
    figures  what the line leaves over
    points   every load with its reading
    """

    key: str
    title: str
    facts: tuple[Fact, ...]
    figures: tuple[FigureBlock, ...]
    points: Table


@dataclass(frozen=True, slots=True, kw_only=True)
class RunCalibration:
    """What one run with known loads says, on its session's page.

    run      link to the run, with the channel it calibrates
    facts    gain, offset and what they rest on
    figures  what the line leaves over
    """

    run: Link
    facts: tuple[Fact, ...]
    figures: tuple[FigureBlock, ...]


def run_calibrations(
    analysis: SessionAnalysis, page: str, figures_of: Callable[[str, str], Sequence[FigureBlock]]
) -> tuple[RunCalibration, ...]:
    """Runs of a session that calibrate a channel, in the order made.

    figures_of  page, run id -> the figures of that run
    """
    made = []
    for run in analysis.runs:
        if run.calibration is None:
            continue
        own = f"figure-{anchor(residuals_name(run))}"
        text = f"{key_text(run.calibration.channel)}, run {run.run_id}"
        made.append(
            RunCalibration(
                run=Link(text=text, href=link(page, navigation.run_page(analysis.session_id, run.run_id))),
                facts=line_facts(run.calibration),
                figures=tuple(block for block in figures_of(page, run.run_id) if block.key == own),
            )
        )
    return tuple(made)


def residuals_name(run: RunReduction) -> str:
    """File stem of the chart of a run's line."""
    return f"{run.run_id}-calibration"


def fit_of(record: CalibrationRecord) -> CalibrationFit:
    """A record as the line it holds."""

    def doubt(part: LineDoubt) -> LineUncertainty:
        return LineUncertainty(offset=float(part.offset), gain=part.gain, correlation=part.correlation)

    return CalibrationFit(
        channel=record.channel,
        at=float(record.at),
        offset=float(record.offset),
        gain=record.gain,
        scatter=doubt(record.from_scatter),
        loads=doubt(record.from_loads),
        residual_sd=float(record.residual_standard_deviation),
        degrees_of_freedom=record.degrees_of_freedom,
        hysteresis=record.hysteresis,
        return_to_zero=record.return_to_zero,
        points=tuple(
            LoadPoint(
                load=float(p.load), reading=float(p.reading), scatter=0.0, way=p.way, start_s=0.0, stop_s=0.0
            )
            for p in record.points
        ),
    )


def residuals_of_run(run: RunReduction) -> Figure | None:
    """What the line of a run leaves over; None for a run that calibrates nothing."""
    if run.calibration is None:
        return None
    return residuals(run.calibration, name=residuals_name(run), sources=(run.log,))


def residuals(fit: CalibrationFit, *, name: str, sources: tuple[str, ...]) -> Figure | None:
    """Chart of a line's residuals."""
    unit, factor, zero, _ = SHOWN[CHANNEL_KINDS[fit.channel][0]]
    points = [
        Residual(
            load=(point.load - zero) * factor,
            left_over=fit.residual(point) * factor,
            line_u=fit.line_uncertainty(point.reading) * factor,
            way=point.way,
        )
        for point in fit.points
    ]
    return calibration_residuals(
        points,
        name=name,
        channel=fit.channel.replace("_", " "),
        unit=unit,
        residual_sd=fit.residual_sd * factor,
        sources=sources,
    )


def line_facts(fit: CalibrationFit) -> tuple[Fact, ...]:
    """Gain and offset with their standard uncertainties, correlation, residuals, hysteresis, return to zero."""
    unit, factor, zero, difference = SHOWN[CHANNEL_KINDS[fit.channel][0]]
    gain_u, offset_u = (
        (getattr(fit.scatter, name) ** 2 + getattr(fit.loads, name) ** 2) ** 0.5
        for name in ("gain", "offset")
    )
    together = fit.scatter.covariance + fit.loads.covariance
    places = _places(factor * max(fit.residual_sd, offset_u))

    def size(value: float) -> str:
        return with_unit(number(factor * value, places), difference)

    facts = [
        Fact(name="Gain", value=f"{number(fit.gain, _places(gain_u))} ± {number(gain_u, _places(gain_u))}"),
        Fact(
            name=f"Offset at a reading of {with_unit(number(factor * (fit.at - zero), 0), unit)}",
            value=f"{number(factor * fit.offset, places)} ± {size(offset_u)}",
        ),
        Fact(
            name="Correlation of the two",
            value=number(together / (gain_u * offset_u), 3) if gain_u * offset_u > 0.0 else "none",
        ),
        Fact(name="Scatter of the loads about the line", value=size(fit.residual_sd)),
        Fact(
            name="Loads", value=f"{len(fit.points)}, {counted(fit.degrees_of_freedom, 'degree')} of freedom"
        ),
    ]
    if fit.hysteresis is not None:
        facts.append(Fact(name="Way down less way up, at most", value=size(fit.hysteresis)))
    if fit.return_to_zero is not None:
        facts.append(Fact(name="Return to the first load, missed by", value=size(fit.return_to_zero)))
    return tuple(facts)


def _places(uncertainty: float) -> int:
    """Decimals that show two digits of an uncertainty."""
    digits = next((n for n in range(7) if uncertainty >= 10.0 ** (1 - n)), 7)
    return min(digits, 7)


def points_table(fit: CalibrationFit, key: str) -> Table:
    """Every load with its reading and what the line leaves over."""
    unit, factor, zero, difference = SHOWN[CHANNEL_KINDS[fit.channel][0]]
    places = _places(factor * max(fit.residual_sd, 1e-9))
    rows = [
        (
            Cell(text=number(factor * (point.load - zero), places), numeric=True),
            Cell(text=point.way),
            Cell(text=number(factor * (point.reading - zero), places), numeric=True),
            Cell(text=number(factor * fit.residual(point), places), numeric=True),
        )
        for point in fit.points
    ]
    columns = (f"Load ({unit})", "Way", f"Reading ({unit})", f"Left over ({difference})")
    return table(key, "Known loads and what the channel showed", columns, rows)


def calibration_blocks(
    rig: Rig, records: Mapping[str, CalibrationRecord], analyses: Mapping[str, SessionAnalysis], page: str
) -> tuple[CalibrationBlock, ...]:
    """Every record that the channels of a rig name, newest first, for its page `page`."""
    made = []
    for name, channel in rig.channels.present().items():
        named = [records[wanted] for wanted in channel.calibration if wanted in records]
        newest = max((record.date for record in named), default=None)
        for record in named:
            made.append((record.date, name, _block(record, rig, analyses, page, record.date == newest)))
    made.sort(key=lambda item: (item[0], item[1]), reverse=True)
    return tuple(block for _, _, block in made)


def newest_record(channel: Channel, records: Mapping[str, CalibrationRecord]) -> CalibrationRecord | None:
    """The newest record that a channel names, or None."""
    named = [records[wanted] for wanted in channel.calibration if wanted in records]
    return max(named, key=lambda record: (record.date, record.id), default=None)


def _block(
    record: CalibrationRecord, rig: Rig, analyses: Mapping[str, SessionAnalysis], page: str, newest: bool
) -> CalibrationBlock:
    """newest  whether no newer record of the channel is named: only the newest one can be due."""
    fit = fit_of(record)
    key = key_of(record)
    here = record.session in analyses
    facts = [
        Fact(
            name="Made",
            value=date_text(record.date),
            href=link(page, navigation.session_page(record.session)) if here else "",
        ),
        *line_facts(fit),
    ]
    if record.load_uncertainty is not None:
        facts.append(Fact(name="Standard uncertainty of the loads, stated", value=record.load_uncertainty))
    if record.simulated is not None:
        facts.append(Fact(name="The log says of itself", value=record.simulated))
    for log in record.logs:
        facts.append(Fact(name=f"SHA-256 of {log.log}", value=log.sha256))
    due = due_date(rig.channels.present()[record.channel], record.date) if newest else None
    if due is not None:
        facts.append(Fact(name="Due again", value=date_text(due)))
    return CalibrationBlock(
        key=key,
        title=f"{key_text(record.channel)}, {date_text(record.date)}",
        facts=tuple(facts),
        figures=tuple(_figures(record, fit, analyses.get(record.session), page)),
        points=points_table(fit, f"{key}-points"),
    )


def key_of(record: CalibrationRecord) -> str:
    """Id of a record on the rig's page."""
    return anchor("calibration", record.id)


def _figures(
    record: CalibrationRecord, fit: CalibrationFit, analysis: SessionAnalysis | None, page: str
) -> Iterator[FigureBlock]:
    """The charts of the runs behind a record, with their files; without the session, the record's own chart alone."""
    logs = {log.sha256 for log in record.logs}
    own = [run for run in analysis.runs if run.sha256 in logs] if analysis is not None else []
    charts = [(residuals_of_run(run), run.log) for run in own]
    whole = len(charts) == len(record.logs) and all(figure is not None for figure, _ in charts)
    if not whole:
        charts = [(residuals(fit, name=key_of(record), sources=()), "")]
    for place, (figure, log) in enumerate(charts, start=1):
        if figure is None:
            continue
        block = figure_block(figure, picture(order_of(figure)), record.session, page)
        key = f"{key_of(record)}-chart-{place}"
        yield replace(
            block,
            key=key,
            title=figure.title if len(charts) == 1 else f"{figure.title}: {log}",
            table=replace(block.table, key=f"{key}-numbers"),
            files=block.files if whole else (),
        )
