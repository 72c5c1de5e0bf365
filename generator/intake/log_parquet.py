"""A log stored as Parquet -> its wanted columns as numbers in the logger's own units."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from generator.intake.log_bytes import refusal
from generator.intake.log_cells import PLACES_LISTED, number_in, printable, shortened, text_remedy
from generator.intake.log_header import MAX_COLUMNS
from generator.intake.log_numbers import Floats, RawColumns, ReadResult
from generator.intake.log_records import SIMULATED_MARK
from generator.intake.problems import Problem, SeasonProblems

MAX_CELL_BYTES = 1000  # of a text that stands for a number; our own choice, no source
METADATA_KEY = b"whirlbook"
_DAMAGED = (pa.ArrowException, OSError, ValueError, KeyError, TypeError, OverflowError, NotImplementedError)
_REMEDY_DAMAGED = "Copy the log again, or export it once more."
_SECONDS = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9}


@dataclass(frozen=True, slots=True, kw_only=True)
class ParquetHead:
    """Names of the columns, what the log says of itself if it is simulated, and the lines of our own metadata."""

    names: tuple[str, ...]
    simulated: str | None
    remarks: tuple[str, ...]


def read_head(file: Path, *, shown: str) -> ParquetHead:
    """Column names without reading any row. Raises SeasonProblems for a damaged file."""
    try:
        with file.open("rb") as stored:
            schema = pq.ParquetFile(stored).schema_arrow
            said = (schema.metadata or {}).get(METADATA_KEY, b"").decode("utf-8", "replace")
            names = tuple(str(name) for name in schema.names)
    except _DAMAGED as fault:
        raise _damaged(shown, fault) from None
    if len(names) > MAX_COLUMNS:
        what = f"has {len(names):,} columns; at most {MAX_COLUMNS:,} are read."
        raise refusal(shown, what, "Leave out the columns that no channel of the rig uses.")
    remarks = tuple(printable(line, 300) for line in said.splitlines() if line.strip())
    simulated = next((line for line in remarks if line.startswith(SIMULATED_MARK)), None)
    return ParquetHead(names=names, simulated=simulated, remarks=remarks)


def _damaged(shown: str, fault: BaseException) -> SeasonProblems:
    return refusal(shown, f"cannot be read as Parquet: {printable(str(fault), 120)}.", _REMEDY_DAMAGED)


def read_columns(
    file: Path,
    names: tuple[str, ...],
    chosen: Mapping[str, int],
    *,
    clock: bool,
    shown: str,
    rig_file: str,
    max_bytes: int,
) -> ReadResult:
    """Numbers of the chosen columns (channel -> 0-based column).

    Raises SeasonProblems for a damaged file or one that opens to more than `max_bytes`.
    """
    try:
        return _read_result(
            _read_arrow(file, names, chosen, shown, max_bytes), names, chosen, clock, shown, rig_file
        )
    except _DAMAGED as fault:
        raise _damaged(shown, fault) from None


def _read_result(
    columns: Mapping[str, pa.ChunkedArray],
    names: tuple[str, ...],
    chosen: Mapping[str, int],
    clock: bool,
    shown: str,
    rig_file: str,
) -> ReadResult:
    problems: list[Problem] = []
    numbers: dict[str, Floats] = {}
    texts: list[str] | None = None
    rows = 0
    for channel, column in columns.items():
        rows = len(column)
        key = printable(names[chosen[channel]])
        if channel == "time" and pa.types.is_temporal(column.type):
            numbers["time"], found = _seconds(column, clock, key, shown, rig_file)
            problems += found
        elif channel == "time" and clock:
            texts = ["" if text is None else str(text) for text in column.to_pylist()]
        else:
            numbers[channel], found = _numbers(column, key, shown, rig_file)
            problems += found
    if "time" in chosen and any(problem.key == printable(names[chosen["time"]]) for problem in problems):
        numbers.pop("time", None)  # reported already; without it nothing is said of missing times
    raw = RawColumns(
        numbers=numbers,
        clock=None if texts is None else np.array(texts, dtype=object),
        lines=None,
        rows=rows,
    )
    return ReadResult(raw=raw, decimal="", faults=len(problems), problems=tuple(problems))


def _read_arrow(
    file: Path, names: tuple[str, ...], chosen: Mapping[str, int], shown: str, max_bytes: int
) -> dict[str, pa.ChunkedArray]:
    wanted = list(dict.fromkeys(names[index] for index in chosen.values()))
    batches: list[pa.RecordBatch] = []
    opened_bytes = 0
    with file.open("rb") as stored:
        parquet = pq.ParquetFile(stored)
        if parquet.metadata.num_rows * 8 * len(wanted) > max_bytes:
            raise _too_large(shown, max_bytes)
        texts = any(not _is_number(parquet.schema_arrow.field(index).type) for index in chosen.values())
        # long texts come a few at a time, so that they are told before they fill the memory
        for batch in parquet.iter_batches(batch_size=1 << 10 if texts else 1 << 16, columns=wanted):
            opened_bytes += batch.nbytes
            if texts and batch.nbytes > MAX_CELL_BYTES * len(wanted) * max(batch.num_rows, 1):
                what = "holds texts of thousands of characters where numbers should stand."
                raise refusal(shown, what, "Store the channels as numbers.")
            if opened_bytes > max_bytes:
                raise _too_large(shown, max_bytes)
            batches.append(batch)
        schema = batches[0].schema if batches else pa.schema([parquet.schema_arrow.field(n) for n in wanted])
    table = pa.Table.from_batches(batches, schema=schema)
    columns: dict[str, pa.ChunkedArray] = {}
    for channel, index in chosen.items():
        # A name that occurs twice was asked for by number: take the same one of the twins.
        twin = names[:index].count(names[index])
        columns[channel] = table.column(table.schema.get_all_field_indices(names[index])[twin])
    return columns


def _is_number(kind: pa.DataType) -> bool:
    return bool(pa.types.is_integer(kind) or pa.types.is_floating(kind) or pa.types.is_temporal(kind))


def _too_large(shown: str, max_bytes: int) -> SeasonProblems:
    what = f"opens to more than {max_bytes / 1e6:,.0f} MB of data."
    return refusal(shown, what, "Split the log, or store it at a lower sampling rate.")


def _numbers(column: pa.ChunkedArray, key: str, shown: str, rig_file: str) -> tuple[Floats, list[Problem]]:
    kind = column.type
    if pa.types.is_dictionary(kind):
        column = column.cast(kind.value_type)
        kind = column.type
    if pa.types.is_integer(kind) or pa.types.is_floating(kind) or pa.types.is_decimal(kind):
        values = column.cast(pa.float64(), safe=False).to_numpy()
        return np.array(values, dtype=np.float64), []
    if pa.types.is_null(kind):
        return np.full(len(column), np.nan), []
    if not (pa.types.is_string(kind) or pa.types.is_large_string(kind)):
        what = f"holds values of type {printable(str(kind))}, not numbers."
        return np.full(len(column), np.nan), [
            Problem(file=shown, key=key, what=what, remedy="Store it as numbers.")
        ]
    read = np.full(len(column), np.nan)
    listed: list[Problem] = []
    count = 0
    for row, text in enumerate(column.to_pylist()):
        value = number_in(text or "", ".")
        if value is not None:
            read[row] = value
            continue
        count += 1
        if len(listed) < PLACES_LISTED:
            what = f"row {row + 1}: '{printable(text)}' is not a number."
            listed.append(Problem(file=shown, key=key, what=what, remedy=text_remedy(text, ".", rig_file)))
    return read, shortened(listed, count)


def _seconds(
    column: pa.ChunkedArray, clock: bool, key: str, shown: str, rig_file: str
) -> tuple[Floats, list[Problem]]:
    """Timestamps, times of day and durations as seconds from the first row, in whole ticks until then."""
    kind = column.type
    nothing = np.full(len(column), np.nan)
    if not clock:
        remedy = f"Write `unit: clock` for the time in {rig_file}."
        return nothing, [
            Problem(file=shown, key=key, what=f"holds clock times ({kind}), not numbers.", remedy=remedy)
        ]
    if pa.types.is_date(kind) or not hasattr(kind, "unit"):
        remedy = "Store the time of each sample with its fraction of a second."
        return nothing, [
            Problem(file=shown, key=key, what=f"holds {kind}, which is too coarse.", remedy=remedy)
        ]
    ticks = column.cast(pa.int32() if kind.bit_width == 32 else pa.int64()).cast(pa.int64())
    missing = np.array(ticks.is_null().to_numpy(), dtype=bool)
    whole = np.array(ticks.fill_null(0).to_numpy(), dtype=np.int64)
    first = whole[~missing][:1]
    seconds = (whole - first).astype(np.float64) * _SECONDS[kind.unit] if first.size else nothing
    seconds[missing] = np.nan
    return seconds, []
