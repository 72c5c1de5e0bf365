"""Calibration records written from the `zero` runs of a session: one file a channel."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import yaml

from generator.intake.calibrations import WRITTEN_UNITS, written
from generator.intake.problems import OutputRefused, Problem, SeasonProblems
from generator.intake.rig import CHANNEL_KINDS, Channel
from generator.intake.session import Season, Session
from generator.reduction.calibration import CalibrationFit, LineUncertainty, fit_calibration
from generator.reduction.calibration_loads import ZeroPlan
from generator.reduction.records import RunReduction

FOLDER = "rigs/calibrations"
PROCEDURE = "zero"


@dataclass(frozen=True, slots=True, kw_only=True)
class Written:
    """One record: its file, its name, the channel it is of, and whether the very same one was there already."""

    file: Path
    name: str
    rig: str
    channel: str
    unchanged: bool
    says: str


def session_fit(plan: ZeroPlan, runs: Sequence[RunReduction]) -> CalibrationFit:
    """One line through the loads of all runs of a session that were used."""
    fits = [run.calibration for run in runs if run.calibration is not None]
    if len(fits) == 1:
        return fits[0]
    pooled = fit_calibration(
        [point for fit in fits for point in fit.points],
        channel=plan.channel,
        at=plan.at_reading(),
        load_relative=plan.load_relative(),
        load_absolute=plan.load_absolute(),
    )
    returns = [fit.return_to_zero for fit in fits if fit.return_to_zero is not None]
    return replace(pooled, return_to_zero=max(returns, key=abs, default=None))


def write_records(
    season: Season, session: Session, runs: Sequence[RunReduction], *, version: str, force: bool = False
) -> tuple[Written, ...]:
    """Write the record of the channel that a session calibrates.

    runs     of the session, reduced
    force    replace a record of the same name that says something else
    Returns  what was written, or was there already with the same content
    Raises   SeasonProblems where no run of the session gives a line; OutputRefused for a file that is another's
    """
    shown = f"{season.folder}/{session.id}"
    plan = session.plans.get(PROCEDURE)
    own = [run for run in runs if run.procedure == PROCEDURE]
    used = [run for run in own if run.calibration is not None]
    if not isinstance(plan, ZeroPlan) or not used:
        refused = " ".join(f"{run.log}: {run.refused}" for run in own if run.refused is not None)
        what = (
            "holds no `zero` run."
            if not own
            else f"holds no `zero` run that could be used. {refused}".rstrip()
        )
        remedy = "Add `zero:` under `procedures:` with the known loads, and a run of it."
        raise SeasonProblems([Problem(file=f"{shown}/session.yaml", what=what, remedy=remedy)])
    fit = session_fit(plan, used)
    rig = session.rig
    name = f"{rig.id}-{plan.channel.replace('_', '-')}-{session.file.date.isoformat()}"
    channel = rig.channels.present()[plan.channel]
    data = _data(session, plan, channel, fit, used, version)
    content = (_head(plan, fit, name, rig.id) + _yaml(data)).encode()
    file = Path(season.folder) / FOLDER / f"{name}.yaml"
    there = file.read_bytes() if file.is_file() else None
    if there is not None and there != content and not force:
        raise OutputRefused(
            f"{season.folder}/{FOLDER}/{file.name}: is there already and says something else.\n"
            "    Look at both; `--force` replaces it. Nothing was written."
        )
    if there != content:
        _write(file, content)
    says = _says(fit, plan.channel)
    if any(run.simulated for run in used):
        says += " Made from simulated logs, and says so: nothing that was measured is to rest on it."
    return (
        Written(
            file=file,
            name=name,
            rig=rig.id,
            channel=plan.channel,
            unchanged=there == content,
            says=says,
        ),
    )


def _data(
    session: Session,
    plan: ZeroPlan,
    channel: Channel,
    fit: CalibrationFit,
    used: Sequence[RunReduction],
    version: str,
) -> dict[str, Any]:
    """The record as plain data, keys in the order of the model."""
    kind = CHANNEL_KINDS[plan.channel][0]

    def value(house: float | None) -> str | None:
        return written(house, kind)

    def difference(house: float | None) -> str | None:
        return written(house, kind, difference=True)

    def doubt(part: LineUncertainty) -> dict[str, Any]:
        return {
            "offset": difference(part.offset),
            "gain": _figure(part.gain),
            "correlation": _figure(part.correlation),
        }

    read_as = {
        "column": channel.column,
        "unit": channel.unit,
        "sign": channel.sign,
        "offset": None if channel.offset is None else difference(float(channel.offset)),
    }
    made = {
        "rig": session.rig.id,
        "channel": plan.channel,
        "date": session.file.date,
        "session": session.id,
        "logs": [{"log": run.log, "sha256": run.sha256} for run in used],
        "simulated": next((run.simulated for run in used if run.simulated), None),
        "made_by": f"whirlbook {version}",
        "read_as": {name: found for name, found in read_as.items() if found is not None},
        "loads": [str(load) for load in plan.loads],
        "load_uncertainty": None if plan.load_uncertainty is None else str(plan.load_uncertainty),
        "at": value(fit.at),
        "offset": difference(fit.offset),
        "gain": _figure(fit.gain),
        "from_scatter": doubt(fit.scatter),
        "from_loads": doubt(fit.loads),
        "residual_standard_deviation": difference(fit.residual_sd),
        "degrees_of_freedom": fit.degrees_of_freedom,
        "hysteresis": difference(fit.hysteresis),
        "return_to_zero": difference(fit.return_to_zero),
        "points": [
            {"load": value(point.load), "reading": value(point.reading), "way": point.way}
            for point in fit.points
        ],
    }
    return {name: found for name, found in made.items() if found is not None}


def _figure(value: float) -> float:
    """Ten significant digits: more than any stand has, and the same text on every machine."""
    return float(f"{value:.10g}")


def _yaml(data: Mapping[str, Any]) -> str:
    text: str = yaml.safe_dump(
        dict(data), sort_keys=False, allow_unicode=True, default_flow_style=None, width=110
    )
    return text


def _head(plan: ZeroPlan, fit: CalibrationFit, name: str, rig: str) -> str:
    return (
        f"# Calibration of {plan.channel.replace('_', ' ')} on rig {rig}, written by `whirlbook calibrate`.\n"
        "# true value = at + offset + gain x (reading - at). Uncertainties are standard uncertainties.\n"
        f"# {_says(fit, plan.channel)}\n"
        f"# To use it, write under `channels.{plan.channel}` of rigs/{rig}.yaml:  calibration: {name}\n"
    )


def _says(fit: CalibrationFit, channel: str) -> str:
    """The line in words: gain and offset with their standard uncertainties."""
    unit = WRITTEN_UNITS[_difference_kind(channel)]
    scale = float(str(written(1.0, CHANNEL_KINDS[channel][0], difference=True)).split(" ")[0])
    gain_u = (fit.scatter.gain**2 + fit.loads.gain**2) ** 0.5
    offset_u = (fit.scatter.offset**2 + fit.loads.offset**2) ** 0.5
    return (
        f"Gain {fit.gain:.5f} +/- {gain_u:.5f}, offset {scale * fit.offset:.4g} +/- {scale * offset_u:.2g} {unit}, "
        f"from {len(fit.points)} loads; residuals scatter by {scale * fit.residual_sd:.2g} {unit}."
    )


def _difference_kind(channel: str) -> str:
    kind = CHANNEL_KINDS[channel][0]
    return "temperature_difference" if kind == "temperature" else kind


def _write(file: Path, content: bytes) -> None:
    """Whole or not at all: written beside, then renamed."""
    file.parent.mkdir(parents=True, exist_ok=True)
    handle, beside = tempfile.mkstemp(dir=file.parent, prefix=".calibration-")
    try:
        with os.fdopen(handle, "wb") as out:
            out.write(content)
        os.chmod(beside, 0o644)
        os.replace(beside, file)
    except BaseException:
        Path(beside).unlink(missing_ok=True)
        raise
