"""What each session gives to the overlay page: curves, holds and warming in time, as plain columns of numbers.

A session's numbers are loaded in the browser only when somebody chooses one of them. They come as a script that
hands itself over, since a page opened from disk may load scripts but not fetch data; the same numbers stand
beside it as CSV tables.
"""

from __future__ import annotations

import csv
import io
import json
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Literal

import numpy as np

from generator.evidence.records import SessionAnalysis
from generator.figures.trace_panels import Array, values_of
from generator.intake.session import Session
from generator.publication import navigation
from generator.publication.csv_cells import text_cell
from generator.publication.session_blocks import labels_of, pairs_of
from generator.reduction.records import RunReduction
from generator.reduction.run import air_state

Kind = Literal["curve", "hold", "soak", "fit"]
Column = tuple[float | None, ...]

DIGITS = 6  # significant digits; enough to draw and to read, fewer than any figure is published with
TIME_POINTS = 120  # points of a line in time at most
ICE_POINT_K = 273.15


@dataclass(frozen=True, slots=True, kw_only=True)
class Quantity:
    """What an axis can show.

    key      short name, also in addresses of views: never change one
    label    name of the axis
    unit     published unit
    density  whether it scales with the density of the air at equal speed
    law      whether it follows a power law of the others about, so that curves are read in logarithms
    """

    key: str
    label: str
    unit: str
    density: bool = False
    law: bool = False


# Order of the choices on the page.
QUANTITIES: tuple[Quantity, ...] = (
    Quantity(key="thrust", label="Thrust", unit="gf", density=True, law=True),
    Quantity(key="power", label="Electrical power", unit="W", density=True, law=True),
    Quantity(key="speed", label="Speed", unit="rpm", law=True),
    Quantity(key="thrust_per_power", label="Thrust per watt", unit="gf/W", law=True),
    Quantity(key="throttle", label="Throttle", unit="%", law=True),
    Quantity(key="motor_rise", label="Motor temperature above the air", unit="K"),
    Quantity(key="controller_rise", label="Controller temperature above the air", unit="K"),
    Quantity(key="time", label="Time", unit="s"),
)
TITLES: Mapping[str, str] = {q.key: f"{q.label} ({q.unit})" for q in QUANTITIES}

# response of a hold -> quantity
HELD: Mapping[str, str] = {
    "thrust": "thrust",
    "electrical_power": "power",
    "thrust_per_power": "thrust_per_power",
    "throttle": "throttle",
    "motor_temperature_rise": "motor_rise",
    "controller_temperature_rise": "controller_rise",
}
# temperatures of a soak: house column -> quantity
WARMING: Mapping[str, str] = {
    "motor_temperature_k": "motor_rise",
    "controller_temperature_k": "controller_rise",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Series:
    """One thing that can be laid over others.

    key        unique within its session and stable: it stands in addresses of shared views
    kind       "curve": points along a staircase; "hold": single points at held speeds; "soak": temperatures in
               time; "fit": the fitted warming in time
    treatment  id
    detail     what tells it from others of its treatment: `going up`
    runs       number of runs behind each point, at most
    columns    quantity -> one value a point, all of one length; None where there is none
    """

    key: str
    kind: Kind
    treatment: str
    detail: str
    runs: int
    columns: tuple[tuple[str, Column], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Contribution:
    """All that a session gives.

    session_id      of the session
    title           of the session
    date            as YYYY-MM-DD
    density_kg_m3   of the session's air
    simulated       whether its logs were made by a rehearsal
    treatments      (id, label), the baseline first
    comparisons     (treatment, baseline) that have a page with intervals
    series          what can be chosen; empty where the session has neither curves nor holds nor soaks
    """

    session_id: str
    title: str
    date: str
    density_kg_m3: float
    simulated: bool
    treatments: tuple[tuple[str, str], ...]
    comparisons: tuple[tuple[str, str], ...]
    series: tuple[Series, ...]


def page_path(number: int) -> str:
    """Path of the n-th overlay page, counted from 1, the newest sessions first."""
    return "overlay/index.html" if number == 1 else f"overlay/page-{number}.html"


def piece_path(session_id: str) -> str:
    """Path of a session's numbers as a script."""
    return f"{navigation.session_folder(session_id)}/overlay.js"


def table_path(session_id: str, *, in_time: bool = False) -> str:
    """Path of the same numbers as a table: steady points, or temperatures in time."""
    return f"{navigation.session_folder(session_id)}/overlay{'-in-time' if in_time else ''}.csv"


def contribution(session: Session, analysis: SessionAnalysis) -> Contribution:
    """What a session gives to the overlay. Points without any number are left out; nothing is computed anew."""
    series = [*_curves(analysis), *_holds(session, analysis), *_soaks(session, analysis)]
    return Contribution(
        session_id=session.id,
        title=session.file.title,
        date=session.file.date.isoformat(),
        density_kg_m3=_rounded(air_state(session.file.air).density_kg_m3) or 0.0,
        simulated=analysis.simulated,
        treatments=tuple(labels_of(session).items()),
        comparisons=pairs_of(analysis, session),
        series=tuple(found for found in series if found.columns),
    )


def _curves(analysis: SessionAnalysis) -> Iterable[Series]:
    """Mean curves, the way up and the way down apart, by rising throttle."""
    places = dict.fromkeys((point.treatment, point.direction) for point in analysis.curves)
    for treatment, direction in places:
        own = [p for p in analysis.curves if (p.treatment, p.direction) == (treatment, direction)]
        own.sort(key=lambda point: point.throttle_percent)
        yield Series(
            key=f"curve~{treatment}~{direction}",
            kind="curve",
            treatment=treatment,
            detail=f"going {direction}",
            runs=max(point.runs for point in own),
            columns=_columns(
                {
                    "throttle": [point.throttle_percent for point in own],
                    "speed": [point.speed_rpm for point in own],
                    "thrust": [point.thrust_gf for point in own],
                    "power": [point.power_w for point in own],
                    "thrust_per_power": [point.thrust_per_power_gf_w for point in own],
                }
            ),
        )


def _holds(session: Session, analysis: SessionAnalysis) -> Iterable[Series]:
    """Held speeds of each treatment, with every response that a hold gives there.

    A response that a staircase was read for at the same speed is not a hold's: only values whose runs are all
    holds count.
    """
    holds = {run.run_id for run in analysis.runs if run.procedure == "hold"}
    for treatment in session.file.treatments:
        points: dict[float, dict[str, float]] = {}
        runs = 0
        for summary in analysis.responses:
            if summary.treatment != treatment or summary.response not in HELD:
                continue
            if [name for name, _ in summary.at] != ["speed_rpm"] or not summary.per_run:
                continue
            if not all(run.run_id in holds for run in summary.per_run):
                continue
            points.setdefault(summary.at[0][1], {})[HELD[summary.response]] = summary.value
            runs = max(runs, summary.runs)
        speeds = sorted(points)
        if speeds:
            columns: dict[str, Sequence[float | None]] = {"speed": speeds}
            columns |= {name: [points[speed].get(name) for speed in speeds] for name in HELD.values()}
            yield Series(
                key=f"hold~{treatment}",
                kind="hold",
                treatment=treatment,
                detail="held speeds",
                runs=runs,
                columns=_columns(columns),
            )


def _soaks(session: Session, analysis: SessionAnalysis) -> Iterable[Series]:
    """Temperatures above the air of each soak, and the fit, from the first moment the motor is on."""
    for run in analysis.runs:
        if run.refused is not None or run.procedure != "soak" or run.trace.empty:
            continue
        start_s = min((window.start_s for window in run.windows if window.kind == "on"), default=0.0)
        air_k = _air_k(run, session.file.air.temperature_k)
        trace, fitted = run.trace, run.fitted
        rises = {
            name: values_of(trace, column) - air_k for column, name in WARMING.items() if column in trace
        }
        measured = _in_time(values_of(trace, "time_s") - start_s, rises)
        fit: tuple[tuple[str, Column], ...] = ()
        if fitted is not None and not fitted.empty:
            column = next(str(name) for name in fitted.columns if name != "time_s")
            rise = values_of(fitted, column) - (0.0 if "rise" in column else air_k)
            fit = _in_time(values_of(fitted, "time_s") - start_s, {"motor_rise": rise})
        for kind, words, columns in (("soak", "warming", measured), ("fit", "warming as fitted", fit)):
            if len(columns) > 1:  # more than time alone
                yield Series(
                    key=f"{kind}~{run.run_id}",
                    kind="soak" if kind == "soak" else "fit",
                    treatment=run.treatment,
                    detail=f"{words}, repeat {run.repeat}",
                    runs=1,
                    columns=columns,
                )


def _air_k(run: RunReduction, given_k: float) -> float:
    """Air of a run: its own reading where it has one, else that of the session."""
    if "air_temperature_k" not in run.trace:
        return given_k
    own = _read(values_of(run.trace, "air_temperature_k"))
    return float(own.mean()) if own.size else given_k


def _in_time(time_s: Array, lines: Mapping[str, Array]) -> tuple[tuple[str, Column], ...]:
    """Lines over time as means of neighbouring readings, at most TIME_POINTS of them; to be drawn, not reduced.

    time_s  shape (n,), rising [s]; lines  shape (n,) each, any unit, NaN where there is no reading
    """
    if time_s.size == 0 or not lines:
        return ()
    edges = np.linspace(0, time_s.size, min(TIME_POINTS, time_s.size) + 1).astype(np.int64)
    groups = [slice(int(start), int(stop)) for start, stop in pairwise(edges)]
    columns: dict[str, Sequence[float | None]] = {"time": [_mean(time_s[part]) for part in groups]}
    columns |= {name: [_mean(line[part]) for part in groups] for name, line in lines.items()}
    return _columns(columns)


def _mean(values: Array) -> float | None:
    """Mean of what was read, to a hundredth of a second or of a kelvin; None where nothing was read."""
    read = _read(values)
    return round(float(read.mean()), 2) if read.size else None


def _read(values: Array) -> Array:
    return values[np.isfinite(values)]


def _columns(columns: Mapping[str, Sequence[float | None]]) -> tuple[tuple[str, Column], ...]:
    """Columns in the order of QUANTITIES, rounded; those without a single number left out."""
    rounded = {name: tuple(_rounded(value) for value in values) for name, values in columns.items()}
    return tuple(
        (quantity.key, rounded[quantity.key])
        for quantity in QUANTITIES
        if any(value is not None for value in rounded.get(quantity.key, ()))
    )


def _rounded(value: float | None) -> float | None:
    if value is None or not math.isfinite(value):
        return None
    return float(f"{value:.{DIGITS}g}") + 0.0  # no minus zero


# --- as files -------------------------------------------------------------------------------------------------


def overlay_files(session: Session, analysis: SessionAnalysis) -> dict[str, bytes]:
    """Path -> bytes of all that the overlay page loads or links to for one session; empty where it gives nothing."""
    made = contribution(session, analysis)
    if not made.series:
        return {}
    steady = [series for series in made.series if series.kind in ("curve", "hold")]
    in_time = [series for series in made.series if series.kind in ("soak", "fit")]
    files = {piece_path(session.id): piece(made, session.file.baseline).encode()}
    if steady:
        files[table_path(session.id)] = table_csv(made, steady).encode()
    if in_time:
        files[table_path(session.id, in_time=True)] = table_csv(made, in_time).encode()
    return files


def piece(made: Contribution, baseline: str) -> str:
    """The numbers as a script that hands itself to the overlay page; ASCII, so that no reader needs to guess.

    baseline  id of the session's baseline treatment
    """
    document: dict[str, Any] = {
        "session": made.session_id,
        "title": made.title,
        "date": made.date,
        "density": made.density_kg_m3,
        "simulated": made.simulated,
        "baseline": baseline,
        "treatments": [{"id": name, "label": label} for name, label in made.treatments],
        "comparisons": [
            {"treatment": pair[0], "baseline": pair[1], "page": _comparison(made.session_id, *pair)}
            for pair in made.comparisons
        ],
        "series": [
            {
                "key": series.key,
                "kind": series.kind,
                "treatment": series.treatment,
                "detail": series.detail,
                "runs": series.runs,
                "columns": {name: [_short(value) for value in values] for name, values in series.columns},
            }
            for series in made.series
        ],
    }
    text = json.dumps(document, ensure_ascii=True, separators=(",", ":"), allow_nan=False)
    return f"whirlbookOverlay({text});\n"


def _comparison(session_id: str, treatment: str, baseline: str) -> str:
    """Address of a comparison page, from the session's own folder."""
    page = navigation.comparison_page(session_id, treatment, baseline)
    return navigation.link(navigation.session_page(session_id), page)


def _short(value: float | None) -> float | int | None:
    """Whole numbers without their `.0`."""
    return int(value) if value is not None and value.is_integer() else value


def table_csv(made: Contribution, chosen: Sequence[Series]) -> str:
    """Series as comma-separated text (RFC 4180, lines ending in a line feed), one row a point.

    The density of the air stands in each row, so that a reader can recalculate to any other.
    """
    labels = dict(made.treatments)
    present = [q.key for q in QUANTITIES if any(q.key in dict(series.columns) for series in chosen)]
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(
        ["Treatment", "Series", "Runs", "Air density (kg/m³)", *(TITLES[name] for name in present)]
    )
    for series in chosen:
        columns = dict(series.columns)
        for place in range(len(series.columns[0][1])):
            row = [columns[name][place] if name in columns else None for name in present]
            writer.writerow(
                [
                    text_cell(labels[series.treatment]),
                    text_cell(series.detail),
                    series.runs,
                    made.density_kg_m3,
                    *("" if value is None else _short(value) for value in row),
                ]
            )
    return text.getvalue()
