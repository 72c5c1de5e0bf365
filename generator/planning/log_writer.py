"""A rehearsed log as the rig's logger would have written it: bytes, and where they may go."""

from __future__ import annotations

import gzip
import io
from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import zstandard

from generator.intake.log_records import SIMULATED_MARK
from generator.intake.problems import WhirlbookError
from generator.intake.rig import CHANNEL_KINDS, Rig
from generator.planning.sensors import Reading

PARQUET_KEY = b"whirlbook"
PEEK_BYTES = 4096
LONGEST_COMMENT_START = 4  # three characters at most (`LogFormat.comment`) and a space


class RehearsalRefused(WhirlbookError):
    """A rehearsal would have to overwrite, or write where it must not."""

    def __init__(self, file: str, what: str, remedy: str) -> None:
        super().__init__(f"{file}: {what}\n    {remedy}")
        self.file = file
        self.what = what
        self.remedy = remedy


def log_bytes(
    frame: pd.DataFrame,
    readings: Mapping[str, Reading],
    rig: Rig,
    *,
    name: str,
    seed: int,
    remarks: Sequence[str] = (),
    line_ending: str = "\n",
) -> bytes:
    """The log file as bytes; the same input gives the same bytes.

    frame        house units, as `sensors.log_of` gives it
    name         file name; its ending decides: .parquet, .gz, .zst, else plain text
    remarks      further comment lines of a text log
    """
    mark = f"{SIMULATED_MARK}; seed {seed}"
    numbers = {
        channel.column: readings[quantity].number(
            frame[CHANNEL_KINDS[quantity][1]].to_numpy(dtype=np.float64)
        )
        for quantity, channel in rig.channels.present().items()
    }
    if name.endswith(".parquet"):
        return _parquet(numbers, "\n".join((mark, *remarks)))
    places = [reading.digits for reading in readings.values()]
    text = _text(numbers, places, rig, (mark, *remarks), line_ending)
    plain = text.encode(rig.log.encoding or "utf-8")
    if name.endswith(".gz"):
        return gzip.compress(plain, compresslevel=9, mtime=0)
    if name.endswith(".zst"):
        return zstandard.ZstdCompressor(level=19, write_checksum=True).compress(plain)
    return plain


def _parquet(numbers: Mapping[str, np.ndarray], note: str) -> bytes:
    table = pa.table({column: pa.array(values, from_pandas=True) for column, values in numbers.items()})
    table = table.replace_schema_metadata({PARQUET_KEY: note.encode()})
    sink = io.BytesIO()
    pq.write_table(table, sink, compression="zstd")
    return sink.getvalue()


def _text(
    numbers: Mapping[str, np.ndarray],
    places: Sequence[int],
    rig: Rig,
    remarks: Sequence[str],
    line_ending: str,
) -> str:
    form = rig.log
    delimiter, comment = form.delimiter or ",", form.comment
    decimal_comma = form.decimal == ","
    columns: list[list[str]] = []
    for digits, values in zip(places, numbers.values(), strict=True):
        cells = ["" if value != value else f"{value:.{digits}f}" for value in values.tolist()]
        columns.append([cell.replace(".", ",") for cell in cells] if decimal_comma else cells)
    notes = [f"{comment} {remark}" for remark in remarks]
    lead = [comment] * max(0, form.skip_rows - len(notes))
    lines = [*notes, *lead]
    if not form.no_header:
        header = delimiter.join(numbers)
        if form.header_row is None:
            lines.append(header)
        else:
            # the header stands where the rig says; comment lines that find no room above it follow it
            above = form.header_row - 1
            lines += [comment] * max(0, above - len(lines))
            lines = [*lines[:above], header, *lines[above:]]
    lines += [delimiter.join(row) for row in zip(*columns, strict=True)]
    return line_ending.join(lines) + line_ending


def is_simulated(file: Path) -> bool:
    """Whether a log says of itself that it is simulated. A file that cannot be read is not taken for one."""
    try:
        if file.name.endswith(".parquet"):
            metadata = pq.read_schema(file).metadata or {}
            return bool(metadata.get(PARQUET_KEY, b"").startswith(SIMULATED_MARK.encode()))
        with file.open("rb") as raw:
            if file.name.endswith(".gz"):
                with gzip.open(raw) as packed:
                    head = packed.read(PEEK_BYTES)
            elif file.name.endswith(".zst"):
                with zstandard.ZstdDecompressor().stream_reader(raw) as packed_zst:
                    head = packed_zst.read(PEEK_BYTES)
            else:
                head = raw.read(PEEK_BYTES)
    except (OSError, EOFError, zstandard.ZstdError, pa.ArrowInvalid):
        return False
    # second line as well: a logger whose header stands in line 1 leaves no room above it
    lines = head.decode("latin-1").splitlines()[:2]
    return any(0 <= line.find(SIMULATED_MARK) <= LONGEST_COMMENT_START for line in lines)


def require_writable(file: Path, session_folder: Path, shown: str, *, force: bool) -> None:
    """Refuse to write over what was measured, or outside the session's folder.

    Raises  RehearsalRefused
    """
    inside = file.resolve().is_relative_to(session_folder.resolve())
    if not inside:
        raise RehearsalRefused(
            shown, "leads out of the session folder.", "Write a path such as logs/01-hold.csv."
        )
    if file.is_symlink() or (file.exists() and not file.is_file()):
        raise RehearsalRefused(shown, "is not a plain file.", "Choose another name for the log.")
    if not file.exists() or file.stat().st_size == 0:
        return
    if not is_simulated(file):
        raise RehearsalRefused(
            shown,
            "holds a log that does not say it is simulated, so it is taken as measured and left alone.",
            "Move the measured logs out of logs/ first, or rehearse a copy of the session.",
        )
    if not force:
        raise RehearsalRefused(
            shown,
            "holds a simulated log already.",
            "Say --force to have simulated logs replaced, or remove it first.",
        )
