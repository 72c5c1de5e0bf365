"""Logs that come without a time, in counts, or with notes below the table: measured ones, and faults made after them.

Measured files: SOURCES.md beside this file. The small logs are invented, in the shape of measured ones.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from generator.intake.log_channels import NOTES_BELOW
from generator.intake.log_records import BenchLog
from generator.intake.logs import read_log
from generator.intake.problems import Problem
from generator.intake.quantities import UnreadableQuantity, conversion, parse_quantity
from generator.intake.rig import Rig
from generator.intake.rig_units import channels_in_house_units
from generator.intake.yaml_source import read_yaml
from tests.intake.log_files import make_rig, problems_of, read

LOGS = Path(__file__).parent / "logs"
ICE_POINT_K = 273.15
ROWS: dict[str, Any] = {"column": "#0", "unit": "1 s"}


def measured(name: str, rig: Rig) -> BenchLog:
    return read_log(LOGS / name, shown=name, path=name, rig=rig, pole_pairs=1)


# --- the number of the row in the place of a time -----------------------------------------------------------


def test_thermocouples_without_header_and_time() -> None:
    """One line a second is an assumption of SOURCES.md; the rises stand in the file."""
    channels = {
        "time": ROWS,
        "motor_temperature": {"column": "#2", "unit": "degC"},
        "controller_temperature": {"column": "#3", "unit": "degC"},
        "air_temperature": {"column": "#5", "unit": "degC"},
    }
    log = measured("cell-discharge-temperature-3c.lvm", make_rig(channels, no_header=True))
    assert log.rows == 1316
    assert log.frame["time_s"].to_numpy().tolist() == list(range(1316))
    assert dict(log.columns) == {
        "time_s": "#0",
        "motor_temperature_k": "#2",
        "controller_temperature_k": "#3",
        "air_temperature_k": "#5",
    }
    for column, cold, warm in (("motor_temperature_k", 24.7, 42.1), ("controller_temperature_k", 24.9, 43.0)):
        values = log.frame[column].to_numpy() - ICE_POINT_K
        assert (values[0], values.max()) == pytest.approx((cold, warm), abs=0.07)
    assert np.abs(log.frame["air_temperature_k"].to_numpy() - ICE_POINT_K - 25.0).max() < 0.7


def test_static_curve_without_a_time() -> None:
    channels = {
        "time": {"column": "#0", "unit": "20 ms"},
        "speed": {"column": "y", "unit": "deg/s"},
        "voltage": {"column": "u", "unit": "V"},
    }
    log = measured("DCmotor_static_gain_response.csv", make_rig(channels))
    assert log.rows == 100
    assert log.frame["time_s"].iloc[-1] == pytest.approx(99 * 0.020)
    # first and last line of the file; 6 deg/s are one turn a minute
    assert log.frame["voltage_v"].iloc[[0, -1]].tolist() == [-5.0, 5.0]
    assert log.frame["speed_rpm"].iloc[[0, -1]].to_numpy() * 6.0 == pytest.approx(
        [-762.04291016, 758.57147705]
    )


def test_row_numbers_do_not_count_lines_that_are_no_samples(tmp_path: Path) -> None:
    rig = make_rig({"time": {"column": "#0", "unit": "0.5 s"}, "thrust": {"column": "F", "unit": "N"}})
    log = read(tmp_path, "# made by hand\nF\n1\n\n2\n# a pause\n4\n", rig)
    assert log.frame.to_numpy().tolist() == [[0.0, 1.0], [0.5, 2.0], [1.0, 4.0]]


def test_row_numbers_of_a_log_read_line_by_line(tmp_path: Path) -> None:
    """A faulty cell sends the table the slow way; the fault is told, and the time is none of the faults."""
    rig = make_rig({"time": ROWS, "thrust": {"column": "F", "unit": "N"}})
    (problem,) = problems_of(tmp_path, "F,G\n1,0\nx,0\n3,0\n", rig)
    assert (problem.line, problem.what) == (3, "'x' is not a number.")


def test_row_numbers_of_a_parquet_log(tmp_path: Path) -> None:
    file = tmp_path / "run.parquet"
    pd.DataFrame({"F": [1.0, 2.0]}).to_parquet(file)
    rig = make_rig({"time": ROWS, "thrust": {"column": "F", "unit": "N"}})
    log = read_log(file, shown="run.parquet", path="run.parquet", rig=rig, pole_pairs=7)
    assert log.frame.to_numpy().tolist() == [[0.0, 1.0], [1.0, 2.0]]


def test_a_rig_of_row_numbers_alone_reads_no_column(tmp_path: Path) -> None:
    """Nothing says then which line holds names, so every line counts."""
    log = read(tmp_path, "F\n1\n2\n", make_rig({"time": ROWS}))
    assert log.frame.to_numpy().tolist() == [[0.0], [1.0], [2.0]]


# --- what a count stands for --------------------------------------------------------------------------------


def test_counts_of_a_converter(tmp_path: Path) -> None:
    """A converter of 8 bits: 2.9348 counts a gram-force, 27 counts at rest; by hand (91 - 27) / 2.9348."""
    rig = make_rig(
        {
            "time": {"column": "t", "unit": "s"},
            "thrust": {"column": "adc", "unit": "0.34073872 gf", "offset": 27 * 0.34073872 * 9.80665e-3},
        }
    )
    log = read(tmp_path, "t,adc\n0,91\n1,27\n", rig)
    assert log.frame["thrust_n"].to_numpy() / 9.80665e-3 == pytest.approx([21.8073, 0.0], abs=1e-4)


@pytest.mark.parametrize(
    ("unit", "kind", "reading", "house"),
    [
        ("9.82 N", "force", 0.5, 4.91),
        ("60 rpm", "speed", 27, 1620.0),
        ("0.5 Hz", "speed", 4, 120.0),
        # a scale at the end of an arm of 19.5 in: 1 ozf = 0.2780138509537812 N, 1 in = 0.0254 m
        ("19.5 ozf*in", "torque", 7.1, 7.1 * 19.5 * 0.2780138509537812 * 0.0254),
        ("20 ms", "time", 50, 1.0),
        ("0.1 degC", "temperature", 215, ICE_POINT_K + 21.5),
        ("1/s", "speed", 2, 120.0),
    ],
)
def test_what_one_stands_for(unit: str, kind: str, reading: float, house: float) -> None:
    assert conversion(unit, kind)(reading) == pytest.approx(house, rel=1e-12)


@pytest.mark.parametrize("unit", ["0 gf", "-0.34 gf", "1e999 gf"])
def test_one_must_stand_for_something(unit: str) -> None:
    with pytest.raises(UnreadableQuantity, match=r"is not what a reading of 1 can stand for"):
        conversion(unit, "force")


@pytest.mark.parametrize("found", ["24 0.5 V", "3 1e2 s"])
def test_a_quantity_has_one_number(found: str) -> None:
    with pytest.raises(UnreadableQuantity, match=r"is not a unit"):
        parse_quantity(found, "voltage" if found.endswith("V") else "time")


def rig_problems(tmp_path: Path, channels: str) -> list[Problem]:
    file = tmp_path / "stand.yaml"
    file.write_text(f"label: Stand\nchannels:\n{channels}", encoding="utf-8")
    source, problems = read_yaml(file, "rigs/stand.yaml")
    rig = Rig.model_validate({"id": "stand", **source.data})
    assert (channels_in_house_units(rig, source, problems) is None) == bool(problems)
    return problems


def test_a_rig_states_what_a_count_stands_for(tmp_path: Path) -> None:
    good = "  time: {column: '#0', unit: 20 ms}\n  thrust: {column: adc, unit: 0.34 gf, offset: 9.2 gf}\n"
    assert rig_problems(tmp_path, good) == []
    (problem,) = rig_problems(tmp_path, good.replace("0.34 gf,", "0.34 V,"))
    assert str(problem).startswith("rigs/stand.yaml:4: channels.thrust.unit: 'V' is not a unit of force.")


def test_a_row_number_is_no_clock(tmp_path: Path) -> None:
    (problem,) = rig_problems(tmp_path, "  time: {column: '#0', unit: clock}\n")
    assert problem.key == "channels.time.unit"
    assert problem.what == "makes a clock of the number of the row."
    assert "20 ms" in problem.remedy


# --- notes below the table ----------------------------------------------------------------------------------

SHEET = " Time , Speed, Thrust ,,\n0,100,1,,\n1,200,2,,0.44\n2,300,3,,\n"


def test_notes_below_the_last_sample_are_left_out_and_told(tmp_path: Path) -> None:
    """Sums in unnamed cells beside and below the samples, as spreadsheets leave them."""
    log = read(tmp_path, f"{SHEET},,,,\n,3,4,,,\n,600,,,\n")
    assert log.frame["speed_rpm"].tolist() == [100.0, 200.0, 300.0]
    assert "Lines 6 to 7, below the last sample, have no time and were left out." in log.remarks
    log = read(tmp_path, f"{SHEET},600,6,,\n")
    assert log.rows == 3
    assert "Line 5, below the last sample, has no time and was left out." in log.remarks


def test_notes_below_clock_times(tmp_path: Path) -> None:
    rig = make_rig({"time": {"column": "t", "unit": "clock"}, "thrust": {"column": "F", "unit": "N"}})
    log = read(tmp_path, "t,F\n14:02:03.0,1\n14:02:03.5,2\n,3\n", rig)
    assert log.frame.to_numpy().tolist() == [[0.0, 1.0], [0.5, 2.0]]


def test_a_missing_time_between_samples_stays_a_fault(tmp_path: Path) -> None:
    (problem,) = problems_of(tmp_path, "Time,Speed,Thrust\n0,100,1\n,200,2\n2,300,3\n")
    assert (problem.line, problem.what) == (3, "has no time.")


def test_a_time_that_stops_is_no_note(tmp_path: Path) -> None:
    rows = "".join(f",{100 + k},1\n" for k in range(NOTES_BELOW + 1))
    problems = problems_of(tmp_path, f"Time,Speed,Thrust\n0,100,1\n1,100,1\n{rows}")
    assert problems[0].what == "has no time."
    assert problems[0].line == 4


def test_a_log_without_any_time_is_refused(tmp_path: Path) -> None:
    problems = problems_of(tmp_path, "Time,Speed,Thrust\n,100,1\n,200,2\n")
    assert {problem.what for problem in problems} == {"has no time."}


# --- a test that never ran ----------------------------------------------------------------------------------


def test_comments_and_column_names_alone_are_no_log(tmp_path: Path) -> None:
    """As a logger leaves it whose supply was off: comments with the settings, one of them quoted, names, no sample."""
    text = '# supply = 0.0 V\r\n"# limit = 0 A, never run"\r\ntime [s],speed [Hz],load [g]\r\n'
    rig = make_rig(
        {
            "time": {"column": "time [s]", "unit": "s"},
            "speed": {"column": "speed [Hz]", "unit": "Hz"},
            "thrust": {"column": "load [g]", "unit": "g"},
        }
    )
    (problem,) = problems_of(tmp_path, text, rig)
    assert problem.what == "holds column names but no samples."
    assert "take the run out" in problem.remedy
