"""All logs of one run, each logger's own, as one frame on the clock of the run's own log."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np

from generator.intake.log_bytes import refusal
from generator.intake.log_join import NoOffset, Offset, find_offset, on_clock
from generator.intake.log_records import BenchLog, JoinedLog
from generator.intake.logs import read_log
from generator.intake.problems import Problem, SeasonProblems, suggestion
from generator.intake.rig import CHANNEL_KINDS, Channel, Logger, Rig
from generator.intake.session import FurtherLog, Run
from generator.intake.yaml_source import YamlSource, dotted


def check_loggers(rig: Rig, source: YamlSource, problems: list[Problem]) -> None:
    """Loggers that channels name, and the channels that tell their clocks."""

    def report(path: tuple[str, ...], what: str, remedy: str) -> None:
        line = source.line(path)
        problems.append(Problem(file=source.shown, line=line, key=dotted(path), what=what, remedy=remedy))

    own = [name for name, channel in rig.channels.present().items() if channel.logger is None]
    for name, channel in rig.channels.present().items():
        path = ("channels", name, "logger")
        if channel.logger is not None and name == "time":
            report(path, "is the clock of the run's own log.", "Take `logger` away here.")
        elif channel.logger is not None and channel.logger not in rig.loggers:
            what = f"'{channel.logger}' is not one of `loggers`."
            report(path, what, suggestion(channel.logger, list(rig.loggers)) or "Add it under `loggers:`.")
    for name, logger in rig.loggers.items():
        if logger.aligned_by is not None and logger.aligned_by.channel not in own:
            place = ("loggers", name, "aligned_by", "channel")
            what = f"'{logger.aligned_by.channel}' is not a channel of the run's own log."
            report(place, what, suggestion(logger.aligned_by.channel, own))


def loggers_needed(rig: Rig) -> tuple[str, ...]:
    """Loggers that record at least one channel of the rig."""
    named = (channel.logger for channel in rig.channels.present().values())
    return tuple(dict.fromkeys(name for name in named if name is not None))


def read_run(folder: Path, run: Run, *, shown: str, rig: Rig, pole_pairs: int) -> BenchLog:
    """The logs of a run as one frame, on the clock of its own log.

    folder      of the session
    shown       the folder as the user would type it
    pole_pairs  of the motor, for a channel of electrical speed
    Raises      SeasonProblems with all problems of all its logs
    """
    problems: list[Problem] = []

    def read(log: str, seen_by: Rig) -> BenchLog | None:
        try:
            place = f"{shown}/{log}"
            return read_log(folder / log, shown=place, path=log, rig=seen_by, pole_pairs=pole_pairs)
        except SeasonProblems as found:
            problems.extend(found.problems)
            return None

    own = read(run.log, of_own_log(rig))
    further = {
        name: read(log.log, of_logger(rig, name))
        for name, log in run.further_logs.items()
        if name in rig.loggers
    }
    read_ones = {name: log for name, log in further.items() if log is not None}
    if own is None or len(read_ones) < len(further):
        raise SeasonProblems(problems)
    for name, log in read_ones.items():
        own = _joined(own, log, name, run.further_logs[name], rig, f"{shown}/{log.path}")
    return own


def of_own_log(rig: Rig) -> Rig:
    """The rig as the run's own log knows it."""
    there = rig.channels.present().items()
    away: dict[str, None] = {name: None for name, channel in there if channel.logger is not None}
    return rig.model_copy(update={"channels": rig.channels.model_copy(update=away)}) if away else rig


def of_logger(rig: Rig, name: str) -> Rig:
    """The rig as the log of one of its loggers knows it; the quantity that tells the clock under its channel's name."""
    logger = rig.loggers[name]
    there = rig.channels.present().items()
    seen: dict[str, Channel | None] = {
        channel: made if made.logger == name else None for channel, made in there
    }
    seen["time"] = logger.time
    if logger.aligned_by is not None:
        seen[logger.aligned_by.channel] = _aligning(rig, logger)
    return rig.model_copy(update={"channels": rig.channels.model_copy(update=seen), "log": logger.log})


def _aligning(rig: Rig, logger: Logger) -> Channel:
    assert logger.aligned_by is not None
    by = logger.aligned_by
    like = rig.channels.present()[by.channel]
    return Channel(
        column=by.column,
        unit=by.unit if by.unit is not None or by.idle is not None else like.unit,
        sign=by.sign,
        idle=by.idle,
        full=by.full,
    )


def _joined(own: BenchLog, log: BenchLog, name: str, stated: FurtherLog, rig: Rig, shown: str) -> BenchLog:
    logger = rig.loggers[name]
    offset = _offset(own, log, stated, logger, shown)
    time = own.frame["time_s"].to_numpy(dtype=np.float64)
    clock = log.frame["time_s"].to_numpy(dtype=np.float64)
    wanted = {
        CHANNEL_KINDS[channel][1]: made.column
        for channel, made in rig.channels.present().items()
        if made.logger == name
    }
    here = {
        column: on_clock(time, clock, log.frame[column].to_numpy(dtype=np.float64), offset.seconds)
        for column in wanted
        if column in log.frame
    }
    if here and all(not np.isfinite(values).any() for values in here.values()):
        what = f"has no sample in the time of the run's own log; its clock is {offset.seconds:+.3f} s off."
        raise refusal(shown, what, "Correct `offset` of this log in session.yaml.")
    frame = own.frame.assign(**here)
    order = [column for _, column in CHANNEL_KINDS.values() if column in frame]
    part = JoinedLog(
        logger=name,
        path=log.path,
        sha256=log.sha256,
        rows=log.rows,
        offset_s=offset.seconds,
        offset_u_s=offset.u_s,
        found=offset.found,
        columns=tuple(here),
    )
    names = {**dict(own.columns), **{column: f"{wanted[column]} ({name})" for column in here}}
    return replace(
        own,
        frame=frame[order],
        columns=tuple((column, names[column]) for column in order if column in names),
        simulated=own.simulated or log.simulated,
        joined=(*own.joined, part),
    )


def _offset(own: BenchLog, log: BenchLog, stated: FurtherLog, logger: Logger, shown: str) -> Offset:
    if stated.offset_s is not None:
        return Offset(seconds=stated.offset_s, u_s=stated.offset_uncertainty_s, found=False)
    if logger.aligned_by is None:
        what = "has a clock of its own, and nothing says how far it is off."
        raise refusal(shown, what, "State `offset` beside it, or `aligned_by` under the rig's logger.")
    column = CHANNEL_KINDS[logger.aligned_by.channel][1]
    lacking = [place for place, one in ((own.path, own), (log.path, log)) if column not in one.frame]
    if lacking:
        raise refusal(
            shown, f"{lacking[0]} holds no {logger.aligned_by.channel}.", "State `offset` beside it."
        )
    records: Mapping[str, np.ndarray] = {
        f"{which}{part}": one.frame[name].to_numpy(dtype=np.float64)
        for which, one in (("own ", own), ("other ", log))
        for part, name in (("time", "time_s"), ("values", column))
    }
    try:
        return find_offset(
            records["own time"], records["own values"], records["other time"], records["other values"]
        )
    except NoOffset as fault:
        what = (
            f"its clock cannot be found from the {logger.aligned_by.channel.replace('_', ' ')}: {fault.what}"
        )
        raise refusal(shown, what, fault.remedy) from None
