"""Properties of log reading: any dialect gives the same numbers; no input gives anything but a clear refusal."""

from __future__ import annotations

import gzip
import io
import math
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import zstandard
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from generator.intake.log_channels import VANISHING
from generator.intake.log_records import BenchLog
from generator.intake.problems import Problem, SeasonProblems
from generator.intake.rig import Rig
from tests.intake.log_files import CHANNELS, counted, make_rig, read

NAME_MARKS = "abcXYZ °µ()[]/_-,;|%äé"
FINITE = st.floats(allow_nan=False, allow_infinity=False, width=64, min_value=-1e15, max_value=1e15)
PACKERS: dict[str, Any] = {
    "text": bytes,
    "gzip": gzip.compress,
    "zstd": zstandard.ZstdCompressor().compress,
}


@dataclass(frozen=True, kw_only=True)
class Dialect:
    """How the test writes a table."""

    delimiter: str
    decimal: str
    encoding: str
    line_end: str
    container: str
    quote_all: bool
    trailing: bool
    ended: bool
    units: bool
    comments: tuple[str, ...]
    blank_lines: bool

    def cell(self, text: str) -> str:
        blank = self.delimiter.startswith(" ") and (" " in text or not text)
        return f'"{text}"' if self.quote_all or blank or self.delimiter in text else text

    def line(self, cells: list[str]) -> str:
        line = self.delimiter.join(map(self.cell, cells))
        return line + self.delimiter if self.trailing and not self.delimiter.startswith(" ") else line

    def number(self, value: float) -> str:
        if math.isnan(value):
            return "nan" if self.delimiter.startswith(" ") else ""
        return repr(value).replace(".", self.decimal)

    def write(self, names: list[str], rows: list[list[Any]]) -> bytes:
        lines = [f"# {comment}" for comment in self.comments] + [self.line(names)]
        if self.units:
            lines.append(self.line(["s" for _ in names]))
        for row in rows:
            lines.append(self.line([cell if isinstance(cell, str) else self.number(cell) for cell in row]))
            if self.blank_lines:
                lines += ["", "# marker"]
        text = self.line_end.join(lines) + (self.line_end if self.ended else "")
        return bytes(PACKERS[self.container](text.encode(self.encoding)))


@st.composite
def dialects(draw: st.DrawFn) -> Dialect:
    delimiter = draw(st.sampled_from([",", ";", "\t", "|", "  "]))
    quote_all = draw(st.booleans())
    return Dialect(
        delimiter=delimiter,
        decimal=draw(st.sampled_from([".", ","])) if delimiter != "," or quote_all else ".",
        encoding=draw(st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "cp1252"])),
        line_end=draw(st.sampled_from(["\n", "\r\n", "\r"])),
        container=draw(st.sampled_from(sorted(PACKERS))),
        quote_all=quote_all,
        trailing=draw(st.booleans()),
        ended=draw(st.booleans()),
        units=draw(st.booleans()),
        comments=tuple(draw(st.lists(st.text("abc ,;|\t.", max_size=20), max_size=3))),
        blank_lines=draw(st.booleans()),
    )


def distinct(name: str) -> str:
    return " ".join(name.casefold().split())


@st.composite
def tables(draw: st.DrawFn) -> tuple[list[str], list[list[Any]], dict[str, int]]:
    """Names, rows, and the column of each standard channel; other columns hold numbers or words."""
    name = st.text(NAME_MARKS, min_size=1, max_size=12).filter(lambda text: any(map(str.isalpha, text)))
    names = draw(st.lists(name, min_size=3, max_size=6, unique_by=distinct))
    places = draw(st.permutations(range(len(names))))
    columns = dict(zip(("time", "speed", "thrust"), places, strict=False))
    # Whole multiples of 1/1024 have exact differences.
    ticks = sorted(draw(st.lists(st.integers(-(10**6), 10**9), min_size=1, max_size=12, unique=True)))
    rows: list[list[Any]] = []
    for tick in ticks:
        row: list[Any] = [draw(FINITE | st.just("steady")) for _ in names]
        row[columns["time"]] = tick / 1024
        for channel in ("speed", "thrust"):
            row[columns[channel]] = draw(FINITE | st.just(math.nan))
        rows.append(row)
    return names, rows, columns


def read_bytes(content: bytes, rig: Rig) -> BenchLog:
    with tempfile.TemporaryDirectory() as folder:
        return read(Path(folder), content, rig)


@settings(max_examples=80, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(table=tables(), dialect=dialects(), by_number=st.booleans())
def test_any_dialect_gives_the_same_numbers(
    table: tuple[list[str], list[list[Any]], dict[str, int]], dialect: Dialect, by_number: bool
) -> None:
    names, rows, columns = table
    channels = {
        channel: {**CHANNELS[channel], "column": f"#{place + 1}" if by_number else names[place]}
        for channel, place in columns.items()
    }
    log = read_bytes(dialect.write(names, rows), make_rig(channels))
    written = np.array([[row[columns[channel]] for channel in columns] for row in rows], dtype=np.float64)
    written[:, 0] -= written[0, 0]
    written[np.abs(written) < VANISHING] = 0.0
    np.testing.assert_allclose(log.frame.to_numpy(), written, rtol=1e-15, atol=0)
    assert log.dialect.delimiter == dialect.delimiter[0]
    assert log.rows == len(rows)


ALPHABET = "0123456789.,;|\t \"'#-+eE:TZnaif\n\r\0°µTimeSpeedThrust"
PIECES = st.sampled_from([
    "Time", "Speed", "Thrust", "Time,Speed,Thrust\n", "Time;Speed;Thrust\n", "# ", '"', '"#', ",", ";", "\t", "\n",
    "0,1,2\n", "1,2,3\n", "2;3,5;4\n", "nan", "inf", "1e999", "True", "14:02:03", "2031-05-04T14:02:03", "  ", "|",
    "\r\n", "s,rpm,N\n", "\ufeff", "\0", "-", "1_0", ",,,\n", "\x85", "\u2028", "\x0b", "\x1a",
])  # fmt: skip
LOG_FORMATS = st.fixed_dictionaries(
    {},
    optional={
        "delimiter": st.sampled_from([",", ";", "\t", "|", " "]),
        "decimal": st.sampled_from([".", ","]),
        "header_row": st.integers(1, 4),
        "no_header": st.booleans(),
        "skip_rows": st.integers(0, 3),
        "comment": st.sampled_from(["#", '"', "//", "1", ",", " ", "é", "\t"]),
        "encoding": st.sampled_from(
            ["utf-8", "cp1252", "utf-16", "utf-7", "idna", "punycode", "unicode_escape"]
        ),
    },
)
UNITS = st.sampled_from(["s", "ms", "clock"])


def any_rig(log: dict[str, Any], unit: str, by_number: bool) -> Rig:
    channels = counted("time", "speed", "thrust") if by_number else CHANNELS
    return make_rig({**channels, "time": {**channels["time"], "unit": unit}}, **log)


def read_or_refuse(content: bytes, rig: Rig, *, lines: int | None = None) -> None:
    """Read; a refusal must be complete, and what is not refused must keep the promises of a BenchLog."""
    refused: tuple[Problem, ...] = ()
    log = None
    try:
        log = read_bytes(content, rig)
    except SeasonProblems as found:
        refused = found.problems
    for problem in refused:
        assert problem.what.strip()
        assert problem.remedy.strip()
        assert problem.file == "logs/run.csv"
        assert lines is None or problem.line is None or 1 <= problem.line <= lines
    if log is None:
        assert refused
        return
    values = log.frame.to_numpy()
    assert log.rows == len(values) >= 1
    assert values[0, 0] == 0.0
    assert (np.diff(values[:, 0]) > 0).all()
    assert not np.isinf(values).any()
    assert list(log.frame.columns) == ["time_s", "speed_rpm", "thrust_n"]


@settings(max_examples=120, deadline=None)
@given(content=st.binary(max_size=300), log=LOG_FORMATS, unit=UNITS, by_number=st.booleans())
def test_any_bytes_are_read_or_refused(
    content: bytes, log: dict[str, Any], unit: str, by_number: bool
) -> None:
    read_or_refuse(content, any_rig(log, unit, by_number))


@settings(max_examples=250, deadline=None)
@given(
    content=st.text(ALPHABET, max_size=200) | st.lists(PIECES, max_size=30).map("".join),
    encoding=st.sampled_from(["utf-8", "utf-16"]),
    log=LOG_FORMATS,
    unit=UNITS,
    by_number=st.booleans(),
)
def test_any_text_is_read_or_refused(
    content: str, encoding: str, log: dict[str, Any], unit: str, by_number: bool
) -> None:
    lines = content.count("\n") + content.count("\r") + 1
    stated = log.get("encoding", encoding) != encoding
    read_or_refuse(content.encode(encoding), any_rig(log, unit, by_number), lines=None if stated else lines)


def damaged(draw: st.DrawFn, content: bytes) -> bytes:
    changed = bytearray(content)
    for _ in range(draw(st.integers(1, 4))):
        place = draw(st.integers(0, max(0, len(changed) - 1)))
        kind = draw(st.sampled_from(["change", "insert", "delete", "cut"]))
        if kind == "cut":
            del changed[place:]
        elif kind == "delete":
            del changed[place : place + draw(st.integers(1, 8))]
        elif kind == "insert":
            changed[place:place] = draw(st.binary(min_size=1, max_size=4))
        elif changed:
            changed[place] = draw(st.integers(0, 255))
    return bytes(changed)


def sound_text() -> bytes:
    rows = "".join(f"{second},{second * 10},{second / 4}\n" for second in range(40))
    return ("# invented\nTime,Speed,Thrust\ns,rpm,N\n" + rows).encode()


def sound_parquet() -> bytes:
    sink = io.BytesIO()
    second = np.arange(40.0)
    pq.write_table(pa.table({"Time": second, "Speed": second * 10, "Thrust": second / 4}), sink)
    return sink.getvalue()


SOUND = {
    "text": sound_text(),
    "gzip": gzip.compress(sound_text()),
    "zstd": zstandard.ZstdCompressor().compress(sound_text()),
    "parquet": sound_parquet(),
}


@settings(max_examples=200, deadline=None)
@given(data=st.data(), container=st.sampled_from(sorted(SOUND)))
def test_damaged_logs_are_read_or_refused(data: st.DataObject, container: str) -> None:
    content = data.draw(st.composite(damaged)(SOUND[container]))
    read_or_refuse(content, make_rig())


@settings(max_examples=40, deadline=None)
@given(shift=st.integers(-(10**6), 10**6))
def test_moving_the_time_origin_changes_nothing(shift: int) -> None:
    def log(origin: int) -> BenchLog:
        rows = "".join(f"{origin + second},{second},{second / 3}\n" for second in range(5))
        return read_bytes(("Time,Speed,Thrust\n" + rows).encode(), make_rig())

    assert log(shift).frame.equals(log(0).frame)
