"""Logs stored as Parquet. All logs are invented."""

from __future__ import annotations

import datetime
import hashlib
import io
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from generator.intake.log_records import SIMULATED_MARK
from tests.intake.log_files import CHANNELS, make_rig, numbers, problems_of, read

ROWS = [[0.0, 100.0, 1.5], [1.0, 200.0, 2.5]]
COLUMNS: dict[str, Any] = {"Time": [0.0, 1.0], "Note": ["a", "b"], "Speed": [100, 200], "Thrust": [1.5, 2.5]}
CLOCK = make_rig({"time": {"column": "Time", "unit": "clock"}})


def stored(columns: dict[str, Any] | pa.Table, metadata: dict[bytes, bytes] | None = None) -> bytes:
    table = columns if isinstance(columns, pa.Table) else pa.table(columns)
    sink = io.BytesIO()
    pq.write_table(table.replace_schema_metadata(metadata), sink)
    return sink.getvalue()


def test_columns_are_read_by_name(tmp_path: Path) -> None:
    content = stored(COLUMNS)
    log = read(tmp_path, content, name="run.parquet")
    assert (numbers(log), log.rows, log.simulated, log.remarks) == (ROWS, 2, None, ())
    assert log.sha256 == hashlib.sha256(content).hexdigest()
    assert log.dialect.container == "parquet"
    assert log.columns == (("time_s", "Time"), ("speed_rpm", "Speed"), ("thrust_n", "Thrust"))


def test_names_are_compared_as_in_text(tmp_path: Path) -> None:
    columns = {" TIME ": COLUMNS["Time"], "speed": COLUMNS["Speed"], "Thrust": COLUMNS["Thrust"]}
    assert numbers(read(tmp_path, stored(columns))) == ROWS
    found = problems_of(tmp_path, stored({"Time": [0.0], "Spead": [1], "Thrust": [1]}))
    assert [(problem.line, problem.key) for problem in found] == [(None, "speed")]
    assert "The nearest is 'Spead'." in found[0].remedy


def test_twin_names(tmp_path: Path) -> None:
    arrays = [pa.array([0.0, 1.0]), pa.array([7, 8]), pa.array([100, 200]), pa.array([1.5, 2.5])]
    content = stored(pa.Table.from_arrays(arrays, names=["Time", "Speed", "Speed", "Thrust"]))
    (problem,) = problems_of(tmp_path, content)
    assert "the name of 2 columns" in problem.what
    rig = make_rig({**CHANNELS, "speed": {"column": "#3", "unit": "rpm"}})
    assert numbers(read(tmp_path, content, rig)) == ROWS


@pytest.mark.parametrize(
    "kind",
    [
        pa.int16(),
        pa.uint64(),
        pa.float32(),
        pa.float64(),
        pa.decimal128(9, 2),
        pa.string(),
        pa.large_string(),
    ],
)
def test_number_types(tmp_path: Path, kind: pa.DataType) -> None:
    values = (
        ["100", None, "300"]
        if pa.types.is_string(kind) or pa.types.is_large_string(kind)
        else [100, None, 300]
    )
    log = read(tmp_path, stored({"Time": [0, 1, 2], "Speed": pa.array(values, kind), "Thrust": [1, 2, 3]}))
    assert np.array_equal(log.frame["speed_rpm"], [100, np.nan, 300], equal_nan=True)


def test_other_types(tmp_path: Path) -> None:
    coded = pa.array(["100", "200", "100"]).dictionary_encode()
    nothing = pa.nulls(3)
    log = read(tmp_path, stored({"Time": [0, 1, 2], "Speed": coded, "Thrust": nothing}))
    assert log.frame["speed_rpm"].tolist() == [100, 200, 100]
    assert log.frame["thrust_n"].isna().all()
    for odd in ([True, False, True], [[1], [2], [3]], [{"a": 1}, {"a": 2}, {"a": 3}], [b"1", b"2", b"3"]):
        (problem,) = problems_of(tmp_path, stored({"Time": [0, 1, 2], "Speed": odd, "Thrust": [1, 2, 3]}))
        assert "not numbers" in problem.what


def test_faults_name_their_row(tmp_path: Path) -> None:
    columns = {"Time": [0.0, 2.0, 1.0], "Speed": ["1", "x", "3"], "Thrust": [1.0, np.inf, 2.0]}
    found = problems_of(tmp_path, stored(columns))
    assert {problem.what for problem in found} == {
        "row 2: 'x' is not a number.",
        "row 3: goes back from 2 s to 1 s.",
        "row 2: is infinite.",
    }
    (problem,) = problems_of(tmp_path, stored({**COLUMNS, "Time": [0.0, None]}))
    assert problem.what == "row 2: has no time."


@pytest.mark.parametrize(
    "kind",
    [
        pa.timestamp("ms"),
        pa.timestamp("us"),
        pa.timestamp("ns", tz="UTC"),
        pa.time32("ms"),
        pa.time64("ns"),
        pa.duration("us"),
    ],
)
def test_temporal_columns(tmp_path: Path, kind: pa.DataType) -> None:
    moments: list[Any] = [datetime.datetime(2031, 5, 4, 14, 2, 3, micros) for micros in (500_000, 750_000)]
    if pa.types.is_time(kind):
        moments = [moment.time() for moment in moments]
    if pa.types.is_duration(kind):
        moments = [datetime.timedelta(seconds=3, microseconds=moment.microsecond) for moment in moments]
    content = stored({"Time": pa.array(moments, kind)})
    assert read(tmp_path, content, CLOCK).frame["time_s"].tolist() == [0, 0.25]
    (problem,) = problems_of(tmp_path, content, make_rig({"time": CHANNELS["time"]}))
    assert "`unit: clock`" in problem.remedy


def test_clock_times_as_text_and_dates(tmp_path: Path) -> None:
    log = read(tmp_path, stored({"Time": ["14:02:03.5", "14:02:03.75"]}), CLOCK)
    assert log.frame["time_s"].tolist() == [0, 0.25]
    (problem,) = problems_of(tmp_path, stored({"Time": [datetime.date(2031, 5, 4)]}), CLOCK)
    assert "too coarse" in problem.what


def test_simulated_sentence_is_in_the_metadata(tmp_path: Path) -> None:
    said = f"{SIMULATED_MARK}; seed 4\nhold, repeat 1"
    log = read(tmp_path, stored(COLUMNS, {b"whirlbook": said.encode()}))
    assert log.simulated == f"{SIMULATED_MARK}; seed 4"
    assert log.remarks == (f"{SIMULATED_MARK}; seed 4", "hold, repeat 1")
    assert read(tmp_path, stored(COLUMNS, {b"other": said.encode()})).simulated is None


def test_no_samples_and_no_time(tmp_path: Path) -> None:
    empty = {
        "Time": pa.array([], pa.float64()),
        "Speed": pa.array([], pa.int64()),
        "Thrust": pa.array([], pa.int64()),
    }
    (problem,) = problems_of(tmp_path, stored(empty))
    assert problem.what == "holds column names but no samples."
    found = problems_of(tmp_path, stored({"Speed": [1], "Thrust": [2]}))
    assert [problem.key for problem in found] == ["time"]


def test_too_large(tmp_path: Path) -> None:
    many = {"Time": np.arange(10_000.0), "Speed": np.zeros(10_000), "Thrust": np.zeros(10_000)}
    (problem,) = problems_of(tmp_path, stored(many), max_bytes=100_000)
    assert "opens to more than" in problem.what
    texts = {"Time": ["1" * 1000] * 2000, "Speed": np.zeros(2000), "Thrust": np.zeros(2000)}
    (problem,) = problems_of(tmp_path, stored(texts), max_bytes=100_000)
    assert "opens to more than" in problem.what


def test_damaged_files(tmp_path: Path) -> None:
    content = stored(COLUMNS)
    for cut in (4, 12, len(content) // 2, len(content) - 1):
        (problem,) = problems_of(tmp_path, content[:cut])
        assert "cannot be read as Parquet" in problem.what
        assert problem.what.isprintable()
