"""What reading a log gives."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd


@dataclass(frozen=True, slots=True, kw_only=True)
class LogDialect:
    """How the file was written, found or given: for the run page."""

    container: str  # "text", "gzip", "zstd", "parquet", "mdf"
    encoding: str
    delimiter: str
    decimal: str
    header_line: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class JoinedLog:
    """A further log of the same run, by another logger, whose channels stand in the frame.

    offset_s    added to its clock; offset_u_s its standard uncertainty; found: not stated but found from the logs
    columns     house columns that come from it
    """

    logger: str
    path: str
    sha256: str
    rows: int
    offset_s: float
    offset_u_s: float
    found: bool
    columns: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchLog:
    """One log in house units.

    path       as written in session.yaml
    sha256     of the file's bytes, as stored
    frame      one row a sample; columns `time_s` (float, strictly increasing, as logged) and one column for each
               channel of the rig, named as in `intake.rig.CHANNEL_KINDS`; NaN where a cell was empty
    columns    house column -> the logger's own column name, for the door back to the source
    rows       samples in the file
    dialect    how it was written
    simulated  the sentence the log says of itself if it is simulated, else None
    remarks    comment lines of the file, at most 20
    joined     further logs of the run, by other loggers
    """

    path: str
    sha256: str
    frame: pd.DataFrame
    columns: tuple[tuple[str, str], ...]
    rows: int
    dialect: LogDialect
    simulated: str | None = None
    remarks: tuple[str, ...] = ()
    joined: tuple[JoinedLog, ...] = ()


# The first comment line of a rehearsed log starts with these words; any reader of the log sees them.
SIMULATED_MARK = "SIMULATED DATA, not measured"
