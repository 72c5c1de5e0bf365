"""Reads one log of a bench run: any logger's file -> a frame in house units."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from generator.intake import log_mdf, log_parquet
from generator.intake.log_bytes import MAX_BYTES, StoredLog, load, refusal, text_of
from generator.intake.log_channels import (
    choose_columns,
    house_columns,
    house_names,
    in_seconds,
    is_clock_time,
    rig_file,
    wanted_columns,
    with_row_numbers,
    without_notes_below,
    without_time,
)
from generator.intake.log_header import locate_table
from generator.intake.log_numbers import ReadResult, read_columns
from generator.intake.log_records import BenchLog, LogDialect
from generator.intake.log_stream import StreamedLog, read_streamed
from generator.intake.log_text import MAX_REMARKS, cut_lines, sort_lines
from generator.intake.problems import Problem, SeasonProblems
from generator.intake.rig import CHANNEL_KINDS, Rig


def read_log(
    file: Path,
    *,
    shown: str,
    path: str,
    rig: Rig,
    pole_pairs: int,
    max_bytes: int = MAX_BYTES,
) -> BenchLog:
    """Read one log by the channels of its rig.

    file        where it lies; opened for reading only
    shown       the file as the user would type it, for messages
    path        the file as session.yaml names it
    pole_pairs  of the motor, for a channel of electrical speed
    max_bytes   largest size read, decompressed
    Raises SeasonProblems with all problems of this log.
    """
    try:
        streamed = read_streamed(file, shown=shown, rig=rig, max_bytes=max_bytes)
        if streamed is not None:
            return _from_stream(streamed, shown, path, rig, pole_pairs)
        stored = load(file, shown=shown, max_bytes=max_bytes)
        if stored.container == "parquet":
            return _read_parquet(file, stored, shown, path, rig, pole_pairs, max_bytes)
        if stored.container == "mdf":
            return _read_mdf(file, stored, shown, path, rig, pole_pairs, max_bytes)
        return _read_text(stored, shown, path, rig, pole_pairs)
    except MemoryError:
        what = "takes more memory than this machine has."
        raise refusal(shown, what, "Split the log, or leave out columns that no channel uses.") from None


def _read_text(stored: StoredLog, shown: str, path: str, rig: Rig, pole_pairs: int) -> BenchLog:
    text, encoding, said = text_of(stored.data, rig.log.encoding, shown=shown, rig_file=rig_file(rig))
    lines = cut_lines(text, shown=shown)
    kept, comments = sort_lines(lines, comment=rig.log.comment, skip_rows=rig.log.skip_rows)
    table = locate_table(
        lines,
        kept,
        comments,
        wanted=wanted_columns(rig),
        log=rig.log,
        shown=shown,
        rig_file=rig_file(rig),
    )
    chosen, problems = choose_columns(table.names, rig=rig, shown=shown, header_line=table.header_line)
    if without_time(rig, chosen):
        raise SeasonProblems(problems)
    result = read_columns(
        table,
        chosen,
        clock=is_clock_time(rig),
        decimal=rig.log.decimal,
        shown=shown,
        rig_file=rig_file(rig),
    )
    dialect = LogDialect(
        container=stored.container,
        encoding=encoding,
        delimiter=table.delimiter,
        decimal=result.decimal,
        header_line=table.header_line,
    )
    remarks = (*said, *table.remarks, *result.remarks, *(text for _, text in comments.first if text))
    return _bench_log(
        result,
        problems,
        rig=rig,
        pole_pairs=pole_pairs,
        shown=shown,
        path=path,
        sha256=stored.sha256,
        columns=house_names(chosen, table.names, rig),
        dialect=dialect,
        simulated=comments.simulated,
        remarks=remarks,
    )


def _from_stream(read: StreamedLog, shown: str, path: str, rig: Rig, pole_pairs: int) -> BenchLog:
    dialect = LogDialect(
        container=read.container,
        encoding=read.encoding,
        delimiter=read.table.delimiter,
        decimal=read.result.decimal,
        header_line=read.table.header_line,
    )
    return _bench_log(
        read.result,
        [],
        rig=rig,
        pole_pairs=pole_pairs,
        shown=shown,
        path=path,
        sha256=read.sha256,
        columns=house_names(read.chosen, read.table.names, rig),
        dialect=dialect,
        simulated=read.comments.simulated,
        remarks=(*read.remarks, *(text for _, text in read.comments.first if text)),
    )


def _read_parquet(
    file: Path, stored: StoredLog, shown: str, path: str, rig: Rig, pole_pairs: int, max_bytes: int
) -> BenchLog:
    head = log_parquet.read_head(file, shown=shown)
    chosen, problems = choose_columns(head.names, rig=rig, shown=shown, header_line=None)
    if without_time(rig, chosen):
        raise SeasonProblems(problems)
    result = log_parquet.read_columns(
        file,
        head.names,
        chosen,
        clock=is_clock_time(rig),
        shown=shown,
        rig_file=rig_file(rig),
        max_bytes=max_bytes,
    )
    return _bench_log(
        result,
        problems,
        rig=rig,
        pole_pairs=pole_pairs,
        shown=shown,
        path=path,
        sha256=stored.sha256,
        columns=house_names(chosen, head.names, rig),
        dialect=LogDialect(container="parquet", encoding="", delimiter="", decimal="", header_line=None),
        simulated=head.simulated,
        remarks=head.remarks,
    )


def _read_mdf(
    file: Path, stored: StoredLog, shown: str, path: str, rig: Rig, pole_pairs: int, max_bytes: int
) -> BenchLog:
    names, simulated = log_mdf.read_names(file, shown=shown)
    timed = in_seconds(rig)
    chosen, problems = choose_columns(names, rig=rig, shown=shown, header_line=None, known=("time",))
    result = log_mdf.read_columns(file, names, chosen, shown=shown, max_bytes=max_bytes)
    return _bench_log(
        result,
        problems,
        rig=timed,
        pole_pairs=pole_pairs,
        shown=shown,
        path=path,
        sha256=stored.sha256,
        columns=house_names(chosen, names, timed),
        dialect=LogDialect(container="mdf", encoding="", delimiter="", decimal="", header_line=None),
        simulated=simulated,
        remarks=(),
    )


def _bench_log(
    result: ReadResult,
    problems: list[Problem],
    *,
    rig: Rig,
    pole_pairs: int,
    shown: str,
    path: str,
    sha256: str,
    columns: tuple[tuple[str, str], ...],
    dialect: LogDialect,
    simulated: str | None,
    remarks: tuple[str, ...],
) -> BenchLog:
    raw, below = without_notes_below(result.raw)
    raw = with_row_numbers(raw, rig)
    problems = [*problems, *result.problems]
    if raw.rows == 0:
        if not problems:
            raise refusal(
                shown,
                "holds column names but no samples.",
                "Copy the log again, or take the run out of `runs`.",
            )
        raise SeasonProblems(problems)
    house, found, told = house_columns(raw, rig=rig, pole_pairs=pole_pairs, shown=shown)
    problems += found
    if problems:
        raise SeasonProblems(problems)
    ordered = {name: house[name] for _, name in CHANNEL_KINDS.values() if name in house}
    return BenchLog(
        path=path,
        sha256=sha256,
        frame=pd.DataFrame(ordered, copy=False),  # the arrays are ours alone
        columns=columns,
        rows=raw.rows,
        dialect=dialect,
        simulated=simulated,
        remarks=tuple([*told, *below, *remarks][:MAX_REMARKS]),
    )
