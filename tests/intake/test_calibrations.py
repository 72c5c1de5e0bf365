"""Calibration records: read back as written, used by date, refused where they do not belong."""

from __future__ import annotations

import datetime
import re
from dataclasses import replace
from pathlib import Path

import pytest

from generator import pipeline
from generator.intake.calibrations import (
    CalibratedChannel,
    CalibrationRecord,
    calibrated,
    due_date,
    uncalibrated,
    written,
)
from generator.intake.logs import read_log
from generator.intake.problems import SeasonProblems
from generator.intake.quantities import parse_quantity
from generator.intake.season import inspect_season, load_season
from generator.intake.session import Season
from generator.reduction.calibration_run import ZERO
from generator.reduction.measured import RigErrors, components
from generator.reduction.procedures import contracts
from generator.reduction.records import Setup
from generator.reduction.run import air_state, reduce_run
from tests.calibration_season import write_h3_season

NAME = "stand-air-temperature-2031-05-04"


@pytest.fixture
def season(tmp_path: Path) -> Path:
    """The season of the thermometer with its record written and named."""
    folder = write_h3_season(tmp_path / "season")
    list(pipeline.calibrate(folder / "bath"))
    name_it(folder, NAME)
    return folder


def name_it(folder: Path, names: str) -> None:
    rig = folder / "rigs" / "stand.yaml"
    text = rig.read_text(encoding="utf-8")
    rig.write_text(text.replace("unit: degC}", f"unit: degC, calibration: {names}}}"), encoding="utf-8")


def change(file: Path, pattern: str, new: str) -> None:
    text, count = re.subn(pattern, new, file.read_text(encoding="utf-8"))
    assert count
    file.write_text(text, encoding="utf-8")


def loaded(folder: Path) -> Season:
    return load_season(folder, contracts())


def told(folder: Path) -> str:
    return "\n".join(str(problem) for problem in inspect_season(folder, contracts()).problems)


def test_a_record_reads_back_as_the_line_that_was_found(season: Path) -> None:
    record = loaded(season).calibrations[NAME]
    fit = pipeline.analyse_season(season).sessions[0].runs[0].calibration
    assert fit is not None
    assert record.gain == pytest.approx(fit.gain, rel=1e-9)
    assert record.at == pytest.approx(293.15)
    assert record.offset == pytest.approx(fit.offset, rel=1e-8)
    assert record.from_scatter.offset == pytest.approx(fit.scatter.offset, rel=1e-8)
    assert record.from_scatter.correlation == pytest.approx(fit.scatter.correlation, rel=1e-8)
    assert [point.load for point in record.points] == pytest.approx([point.load for point in fit.points])


def test_a_session_from_that_day_on_reads_through_it(season: Path) -> None:
    (session,) = loaded(season).sessions
    channel = session.rig.channels.air_temperature
    assert isinstance(channel, CalibratedChannel)
    assert channel.calibrated == datetime.date(2031, 5, 4)
    # the run that made it is read without it, or it would find nothing left to correct
    run = pipeline.analyse_season(season).sessions[0].runs[0]
    assert run.calibration is not None
    assert run.calibration.gain == pytest.approx(1.00218, abs=0.000005)
    plain = uncalibrated(session.rig).channels.air_temperature
    assert plain is not None
    assert not isinstance(plain, CalibratedChannel)


def test_a_session_before_the_record_does_not_use_it(season: Path) -> None:
    change(season / "bath" / "session.yaml", "date: 2031-05-04", "date: 2031-05-03")
    (session,) = loaded(season).sessions
    assert not isinstance(session.rig.channels.air_temperature, CalibratedChannel)


def test_the_newest_record_that_is_not_after_the_session_counts(season: Path) -> None:
    records = season / "rigs" / "calibrations"
    text = (records / f"{NAME}.yaml").read_text(encoding="utf-8")
    for day in ("2031-05-01", "2031-05-09"):
        made = text.replace("date: 2031-05-04", f"date: {day}")
        (records / f"day-{day}.yaml").write_text(made, encoding="utf-8")
    change(season / "rigs" / "stand.yaml", NAME, f"[day-2031-05-09, {NAME}, day-2031-05-01]")
    read = loaded(season)
    rig = read.rigs["stand"]
    used = {}
    for day in (30, 31, 32, 33, 34, 35, 38, 39, 40):  # days of April, counted on into May
        date = datetime.date(2031, 4, 1) + datetime.timedelta(days=day - 1)
        channel = calibrated(rig, read.calibrations, date).channels.air_temperature
        used[date.isoformat()] = channel.used.id if isinstance(channel, CalibratedChannel) else None
    assert used["2031-04-30"] is None
    assert used["2031-05-01"] == used["2031-05-03"] == "day-2031-05-01"
    assert used["2031-05-04"] == used["2031-05-08"] == NAME
    assert used["2031-05-09"] == used["2031-05-10"] == "day-2031-05-09"


def test_the_uncertainty_of_a_corrected_reading_is_that_of_the_line(season: Path) -> None:
    """At 30 °C the guide gives 0.0041 °C (H.3.4); here widened for nine degrees of freedom, sqrt(9/7)."""
    (session,) = loaded(season).sessions
    channel = session.rig.channels.air_temperature
    assert isinstance(channel, CalibratedChannel)
    corrected = channel.used.true(303.15)
    _, parts = components(RigErrors(session.rig).apply("air_temperature_k", corrected))
    by_source = {part.source: part.contribution for part in parts}
    assert by_source.keys() == {
        "air temperature gain", "air temperature offset", "air temperature calibration residual",
    }  # fmt: skip
    line = (by_source["air temperature gain"] ** 2 + by_source["air temperature offset"] ** 2) ** 0.5
    assert line == pytest.approx(0.0041386 * (9.0 / 7.0) ** 0.5, rel=1e-4)
    assert all(part.shared for part in parts)


@pytest.mark.parametrize(("pattern", "new", "words"), [
    ("rig: stand", "rig: other", "on rig 'other'"),
    ("channel: air_temperature", "channel: motor_temperature", "is a calibration of motor temperature"),
    ("unit: degC, sign: 1", "unit: degF, sign: 1", "another unit, sign or offset"),
    ("gain: 1.002182698", "gain: -1", "must be above 0"),
    ("offset: -0.1712037901 K", "offset: -0.17", "has no unit"),
    ("degrees_of_freedom", "degrees_of_fredom", "degrees_of_freedom"),
])  # fmt: skip
def test_a_record_that_does_not_fit_is_told_with_its_line(
    season: Path, pattern: str, new: str, words: str
) -> None:
    change(season / "rigs" / "calibrations" / f"{NAME}.yaml", pattern, new)
    found = told(season)
    assert words in found
    assert re.search(r"(stand|2031-05-04)\.yaml:\d+", found)


def test_a_name_without_a_record_is_told_with_the_nearest(season: Path) -> None:
    change(season / "rigs" / "stand.yaml", NAME, NAME.replace("05-04", "05-40"))
    assert f"Did you mean '{NAME}'?" in told(season)


def test_only_a_run_of_the_stand_may_go_without_a_treatment(tmp_path: Path) -> None:
    folder = write_h3_season(tmp_path / "season")
    assert told(folder) == ""
    session = folder / "bath" / "session.yaml"
    change(session, "procedure: zero}", "procedure: hold}")
    change(session, "procedures:\n", "procedures:\n  hold: {speed: [9000 rpm]}\n")
    assert "runs[1].treatment: is missing." in told(folder)


def test_a_calibrated_channel_the_rig_does_not_have_is_told(tmp_path: Path) -> None:
    folder = write_h3_season(tmp_path / "season")
    change(folder / "rigs" / "stand.yaml", "air_temperature:", "motor_temperature:")
    with pytest.raises(SeasonProblems, match="needs air_temperature"):
        loaded(folder)


def test_an_interval_makes_a_due_date(season: Path) -> None:
    change(season / "rigs" / "stand.yaml", "calibration:", "calibration_interval: 365 day, calibration:")
    channel = loaded(season).rigs["stand"].channels.air_temperature
    assert channel is not None
    assert due_date(channel, datetime.date(2031, 5, 4)) == datetime.date(2032, 5, 3)
    assert due_date(channel, None) is None


@pytest.mark.parametrize(("value", "kind"), [
    (0.1234567, "force"), (0.01, "torque"), (294.671, "temperature"), (16.2, "voltage"), (3.5, "current"),
])  # fmt: skip
def test_values_come_back_as_they_were_written(value: float, kind: str) -> None:
    assert parse_quantity(written(value, kind), kind) == pytest.approx(value, rel=1e-9)


def test_few_degrees_of_freedom_widen_what_is_used(season: Path) -> None:
    record = loaded(season).calibrations[NAME]
    few = record.model_copy(update={"degrees_of_freedom": 3})
    assert isinstance(few, CalibrationRecord)
    assert few.gain_uncertainty() / record.gain_uncertainty() == pytest.approx((3.0 * 7.0 / 9.0) ** 0.5)


def test_a_measured_log_corrected_by_a_rehearsal_is_told(season: Path) -> None:
    change(
        season / "rigs" / "calibrations" / f"{NAME}.yaml", "made_by:", "simulated: SIMULATED DATA\nmade_by:"
    )
    read = loaded(season)
    (session,) = read.sessions
    treatment = session.file.treatments["a"]
    setup = Setup(
        treatment=treatment, motor=read.motor(treatment), controller=read.controller(treatment),
        propeller=read.propeller(treatment), source=read.source(treatment), rig=session.rig,
        air=air_state(session.file.air),
    )  # fmt: skip
    (run,) = session.file.runs
    log = read_log(season / "bath" / run.log, shown=run.log, path=run.log, rig=session.rig, pole_pairs=7)
    reduction = reduce_run(log, run, 1, setup, session.plans["zero"], ZERO)
    (told,) = [finding for finding in reduction.findings if finding.kind == "simulated calibration"]
    assert told.grade == "doubtful"
    rehearsed = replace(log, simulated="SIMULATED DATA")
    reduction = reduce_run(rehearsed, run, 1, setup, session.plans["zero"], ZERO)
    assert not [finding for finding in reduction.findings if finding.kind == "simulated calibration"]
