"""Columns in the logger's units -> house columns of the rig's channels, and the checks only these allow."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from generator.intake.calibrations import CalibratedChannel
from generator.intake.log_cells import (
    DATE_TIME,
    PLACES_LISTED,
    TIME_OF_DAY,
    find_columns,
    is_clock,
    is_empty,
    is_number,
    is_row_number,
    position_of,
    printable,
    shortened,
)
from generator.intake.log_numbers import Floats, RawColumns
from generator.intake.problems import COLUMN, HERE, Problem, nearest
from generator.intake.quantities import LARGEST, UnreadableQuantity, conversion
from generator.intake.rig import CHANNEL_KINDS, Channel, Rig

CLOCK_UNIT = "clock"
NOTES_BELOW = 5  # rows without a time below a table; our own choice, no source
_NAMES_LISTED = 20
_REMEDY_EMPTY = "Correct the cell, or leave it empty where there is no reading."
_DAY_S = 86_400.0
# Longest log and fastest sampling that are read. Our own choice, no source: far beyond any bench, and what would
# otherwise be worked on for hours.
LONGEST_LOG_S = 31 * _DAY_S
SHORTEST_INTERVAL_S = 1e-10
VANISHING = 1e-30
_HOUR_S = 3_600.0
_NONE = np.zeros(1, dtype=bool)


def rig_file(rig: Rig) -> str:
    """The rig's file as the tester knows it."""
    return f"rigs/{rig.id}.yaml"


def is_clock_time(rig: Rig) -> bool:
    """True when the time column holds clock times instead of numbers."""
    time = rig.channels.time
    return (time.unit or "").strip().lower() == CLOCK_UNIT and not is_row_number(time.column)


def wanted_columns(rig: Rig) -> dict[str, str]:
    """Channel -> column to look for in the log; those that stand for the number of the row are in no log."""
    channels = rig.channels.present().items()
    return {name: channel.column for name, channel in channels if not is_row_number(channel.column)}


def without_time(rig: Rig, chosen: Mapping[str, int]) -> bool:
    """True when the time is a column of the log that was not found."""
    return "time" not in chosen and "time" in wanted_columns(rig)


def in_seconds(rig: Rig) -> Rig:
    """The rig as a file sees it that brings its own time, in seconds, whatever column the rig names for it."""
    time = Channel(column="time of the file", unit="s")
    return rig.model_copy(update={"channels": rig.channels.model_copy(update={"time": time})})


def with_row_numbers(raw: RawColumns, rig: Rig) -> RawColumns:
    """The columns with those that stand for the number of the row, counted from 0."""
    counted = [name for name in rig.channels.present() if name not in wanted_columns(rig)]
    rows = np.arange(raw.rows, dtype=np.float64)
    return replace(raw, numbers={**raw.numbers, **dict.fromkeys(counted, rows)}) if counted else raw


def without_notes_below(raw: RawColumns) -> tuple[RawColumns, tuple[str, ...]]:
    """The columns of a text without the lines after the last one that has a time, and a remark on them.

    Spreadsheets leave sums and notes below a table. More than NOTES_BELOW such lines are no notes: there the time
    has stopped, which is reported as missing.
    """
    if raw.clock is not None:
        timed = np.array([str(text).strip() != "" for text in raw.clock], dtype=bool)
    else:
        timed = ~np.isnan(raw.numbers.get("time", np.zeros(raw.rows)))
    kept = int(np.flatnonzero(timed)[-1]) + 1 if timed.any() else raw.rows
    if raw.lines is None or not 0 < raw.rows - kept <= NOTES_BELOW:
        return raw, ()
    first, last = int(raw.lines[kept]), int(raw.lines[-1])
    if first == last:
        remark = f"Line {first}, below the last sample, has no time and was left out."
    else:
        remark = f"Lines {first} to {last}, below the last sample, have no time and were left out."
    above = RawColumns(
        numbers={name: values[:kept] for name, values in raw.numbers.items()},
        clock=None if raw.clock is None else raw.clock[:kept],
        lines=raw.lines[:kept],
        rows=kept,
    )
    return above, (remark,)


def choose_columns(
    names: Sequence[str],
    *,
    rig: Rig,
    shown: str,
    header_line: int | None,
    known: Sequence[str] = (),
) -> tuple[dict[str, int], list[Problem]]:
    """Channel -> 0-based column of the log, with a problem for each channel whose column is not plain.

    known  channels that the log brings without a column
    """
    chosen: dict[str, int] = {}
    problems: list[Problem] = []
    for channel, column in wanted_columns(rig).items():
        if channel in known:
            continue
        found = find_columns(column, names)
        if len(found) == 1:
            chosen[channel] = found[0]
            continue
        where = f"`channels.{channel}.column` in {rig_file(rig)}"
        if found:
            places = " or ".join(f"'#{index + 1}'" for index in found[:PLACES_LISTED])
            what = f"'{printable(column)}' is the name of {len(found)} columns {HERE}."
            remedy = f"Say which one is meant: write {places} as {where}."
        else:
            what = f"there is no column '{printable(column)}' {HERE}."
            remedy = f"{_columns_here(column, names, header_line)} Write the right one as {where}."
        problems.append(
            Problem(file=shown, line=header_line, key=channel, what=what, remedy=remedy, kind=COLUMN)
        )
    return chosen, problems


def _columns_here(wanted: str, names: Sequence[str], header_line: int | None) -> str:
    if position_of(wanted) is not None:
        return f"The log has {len(names)} column{'s' if len(names) != 1 else ''}."
    if header_line is None and all(position_of(name) is not None for name in names):
        return f"The log has {len(names)} columns without names, '#1' to '#{len(names)}'."
    if all(is_number(name) or is_clock(name) or is_empty(name) for name in names):
        return "The log seems to have no line of column names; then its columns are counted, as '#2'."
    clean = [printable(name) for name in names if name.strip()]
    match = nearest(wanted.strip().casefold(), [name.casefold() for name in clean])
    like = next((name for name in clean if name.casefold() == match), None)
    listed = ", ".join(f"'{name}'" for name in clean[:_NAMES_LISTED])
    more = f" and {len(clean) - _NAMES_LISTED} more" if len(clean) > _NAMES_LISTED else ""
    nearest_one = f"The nearest is '{like}'. " if like else ""
    return f"{nearest_one}Columns here: {listed}{more}."


def house_columns(
    raw: RawColumns, *, rig: Rig, pole_pairs: int, shown: str
) -> tuple[dict[str, Floats], list[Problem], list[str]]:
    """House column -> values in house units, problems, remarks.

    House value = sign × (converted − offset), where the offset is in house units already. A speed is then
    divided by the pole pairs (electrical) or by the pulses of a turn; a channel's calibration comes last. The time
    starts at 0.
    Infinite values, missing or unordered times and values too large for their unit are problems; a value below
    VANISHING is zero. The numbers are taken out of `raw` one by one: of a long log there is no room for both.
    """
    columns: dict[str, Floats] = {}
    problems: list[Problem] = []
    remarks: list[str] = []
    read = raw.numbers if isinstance(raw.numbers, dict) else dict(raw.numbers)
    if raw.clock is not None:
        read["time"], found, remarks = _clock_seconds(raw.clock, raw, rig, shown)
        problems += found
    for channel, made in rig.channels.present().items():
        if channel not in read:
            continue
        logged = read.pop(channel)
        house, finite = CHANNEL_KINDS[channel][1], np.isfinite(logged)
        infinite = _NONE if finite.all() else np.isinf(logged)
        if infinite.any() and not (channel == "time" and raw.clock is not None):
            problems += _places(infinite, raw, shown, made.column, lambda row: "is infinite.", _REMEDY_EMPTY)
        try:
            if channel == "time":
                values, found = _time_s(logged, raw, rig, shown)
                problems += found
            else:
                with np.errstate(all="ignore"):
                    values = _converted(logged, channel, made, pole_pairs)
                size = np.abs(values)
                lost = finite & ~(size <= LARGEST)
                if lost.any():
                    found = _places(
                        lost, raw, shown, made.column, lambda row: "is too large a number.", _REMEDY_EMPTY
                    )
                    problems += found
                # so small a reading is none, and dividing by its square would leave all numbers
                values[size < VANISHING] = 0.0
            columns[house] = values
        except UnreadableQuantity as fault:
            remedy = f"{fault.remedy} It stands under `channels.{channel}` in {rig_file(rig)}."
            problems.append(Problem(file=shown, key=channel, what=fault.what, remedy=remedy))
    return columns, problems, remarks


def _places(
    faulty: NDArray[np.bool_],
    raw: RawColumns,
    shown: str,
    key: str,
    what: Callable[[int], str],
    remedy: str,
) -> list[Problem]:
    """Problems for the first faulty rows, and one that counts the rest."""
    rows = np.flatnonzero(faulty)
    listed = []
    for row in rows[:PLACES_LISTED]:
        line = None if raw.lines is None else int(raw.lines[row])
        before = f"row {int(row) + 1}: " if line is None else ""
        listed.append(
            Problem(file=shown, line=line, key=printable(key), what=before + what(int(row)), remedy=remedy)
        )
    return shortened(listed, len(rows))


def _converted(values: Floats, channel: str, made: Channel, pole_pairs: int) -> Floats:
    kind = CHANNEL_KINDS[channel][0]
    offset = 0.0 if made.offset is None else float(made.offset)
    if channel == "throttle" and (made.idle is not None or made.full is not None):
        if made.idle is None or made.full is None or made.idle == made.full:
            what = "the throttle needs two different readings, `idle` and `full`."
            raise UnreadableQuantity(what, "Give both in the logger's own count.")
        share: Floats = (values - made.idle) / (made.full - made.idle)
        return made.sign * (share - offset)
    if made.unit is None:
        what = f"the {channel.replace('_', ' ')} has no unit."
        raise UnreadableQuantity(what, "Write the unit of the numbers in the log.")
    house: Floats = np.asarray(conversion(made.unit, kind)(values), dtype=np.float64) - offset
    if made.sign < 0:
        house = -house
    if channel == "speed" and made.electrical:
        house = house / pole_pairs
    if channel == "speed" and made.pulses_per_revolution is not None:
        house = house / made.pulses_per_revolution
    return made.used.true(house) if isinstance(made, CalibratedChannel) else house


def _time_s(logged: Floats, raw: RawColumns, rig: Rig, shown: str) -> tuple[Floats, list[Problem]]:
    """Seconds from the first sample, with a problem where a time is missing, goes back or repeats."""
    made = rig.channels.time
    problems: list[Problem] = []
    key = made.column
    missing = np.isnan(logged)
    if missing.any():
        remedy = "Delete the rows without a time, or fill the time in."
        problems += _places(missing, raw, shown, key, lambda row: "has no time.", remedy)
    if is_clock_time(rig):
        scale: Callable[[Floats], Floats] = np.asarray
    elif made.unit is None:
        raise UnreadableQuantity(
            "the time has no unit.", "Write the unit of the numbers in the log, or `clock`."
        )
    else:
        scale = conversion(made.unit, "time")
    finite = np.isfinite(logged)
    usable = np.flatnonzero(finite)
    seconds = np.full(len(logged), np.nan)
    if usable.size == len(logged) > 0:  # as below, without picking rows out
        with np.errstate(all="ignore"):
            seconds = np.asarray(scale(made.sign * (logged - logged[0])))
            steps = np.diff(seconds)
        if (steps > 0.0).all() and np.isfinite(seconds[-1]):
            return seconds, _absurd_times(seconds, steps, rig, key, shown) if steps.size else []
    elif usable.size:
        # The first value is taken off before the unit, so that microseconds since 1970 keep their digits.
        with np.errstate(all="ignore"):
            seconds[usable] = scale(made.sign * (logged[usable] - logged[usable[0]]))
    wrong = np.zeros(len(logged), dtype=bool)
    with np.errstate(all="ignore"):
        forward = np.diff(seconds[usable]) > 0.0
    wrong[usable[1:]] = ~forward & np.isfinite(seconds[usable[1:]])

    def told(row: int) -> str:
        before = int(usable[np.searchsorted(usable, row) - 1])
        if raw.clock is not None:
            old, new = str(raw.clock[before]), str(raw.clock[row])
        else:
            unit = "s" if is_clock_time(rig) else made.unit
            old, new = (f"{logged[at]:.12g} {unit}" for at in (before, row))
        return f"repeats {new}." if seconds[row] == seconds[before] else f"goes back from {old} to {new}."

    problems += _places(
        wrong, raw, shown, key, told, "Delete the repeated rows, or split the log at this line."
    )
    lost = np.isfinite(logged) & ~np.isfinite(seconds)
    if lost.any():
        problems += _places(lost, raw, shown, key, lambda row: "is too large a number.", "Correct the time.")
    elif not problems and usable.size > 1:
        problems += _absurd_times(seconds[usable], np.diff(seconds[usable]), rig, key, shown)
    return seconds, problems


def _absurd_times(seconds: Floats, steps: Floats, rig: Rig, key: str, shown: str) -> list[Problem]:
    """A problem where a log lasts longer, or is sampled faster, than any bench test: most often a wrong unit."""
    lasts, interval = float(seconds[-1] - seconds[0]), float(np.median(steps))
    if lasts > LONGEST_LOG_S:
        what = f"the log lasts {lasts / _DAY_S:,.3g} days."
    elif interval < SHORTEST_INTERVAL_S:
        what = f"the log holds a sample every {interval:.3g} s."
    else:
        return []
    remedy = f"Correct the time, or its unit under `channels.time` in {rig_file(rig)}."
    return [Problem(file=shown, key=key, what=what, remedy=remedy)]


def _clock_seconds(
    texts: NDArray[np.object_], raw: RawColumns, rig: Rig, shown: str
) -> tuple[Floats, list[Problem], list[str]]:
    """Seconds from the first row of ISO 8601 date-times or times of day.

    A time of day that starts again within an hour of midnight is the next day, which is told in the remarks.
    Date-times without an offset from UTC are compared as they stand.
    """
    key = rig.channels.time.column
    series = pd.Series(texts, dtype=object).astype(str).str.strip().str.replace(",", ".", regex=False)
    empty = (series == "").to_numpy(dtype=bool)
    dated = series.str.fullmatch(re.compile(DATE_TIME, re.ASCII)).to_numpy(dtype=bool)
    daily = series.str.fullmatch(re.compile(TIME_OF_DAY, re.ASCII)).to_numpy(dtype=bool)
    style, word = (dated, "a date and time") if dated.sum() >= daily.sum() else (daily, "a time of day")
    seconds = np.full(len(series), np.nan)
    remarks: list[str] = []
    problems: list[Problem] = []
    if style is dated:
        moments = pd.to_datetime(series[style], format="ISO8601", utc=True, errors="coerce")
        ticks, known = _ticks(moments.dt.tz_localize(None), "datetime64[ns]")
        zoned = series[style].str.contains(r"(?:Z|[+-]\d\d(?::?\d\d)?)$", regex=True).to_numpy(dtype=bool)
        if zoned.any() and not zoned.all():
            odd = np.zeros(len(series), dtype=bool)
            odd[np.flatnonzero(style)[zoned != zoned[0]]] = True
            what = "some times state their offset from UTC and some do not."
            problems += _places(
                odd, raw, shown, key, lambda row: what, "Write all times of the log in one way."
            )
    else:
        ticks, known = _ticks(pd.to_timedelta(series[style], errors="coerce"), "timedelta64[ns]")
    rows = np.flatnonzero(style)[known]
    if rows.size:
        seconds[rows] = (ticks[known] - ticks[known][0]).astype(np.float64) * 1e-9
    if style is daily and rows.size > 1:
        clock = ticks[known].astype(np.float64) * 1e-9
        late = (clock[:-1] >= _DAY_S - _HOUR_S) & (clock[:-1] < _DAY_S)
        midnight = np.concatenate(([False], late & (clock[1:] < _HOUR_S)))
        if midnight.any():
            seconds[rows] += np.cumsum(midnight) * _DAY_S
            remarks.append("The clock passed midnight during this log; a day was added from there on.")
    unread = ~empty & ~style
    unread[np.flatnonzero(style)[~known]] = True
    problems += _places(
        unread,
        raw,
        shown,
        key,
        lambda row: f"'{printable(str(texts[row]))}' is not {word}.",
        "Write 2031-05-04T14:02:03.250 or 14:02:03.250, the same way in the whole log.",
    )
    # A time that could not be read was reported above; infinite, it is passed over by later checks.
    seconds[unread] = np.inf
    return seconds, problems, remarks


def _ticks(
    moments: pd.Series[pd.Timestamp] | pd.Series[pd.Timedelta], unit: str
) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """Nanoseconds as whole numbers, and where there are any."""
    values = moments.to_numpy().astype(unit)
    return values.astype(np.int64), ~np.isnat(values)


def house_names(chosen: Mapping[str, int], names: Sequence[str], rig: Rig) -> tuple[tuple[str, str], ...]:
    """House column -> the logger's own column name, or its number where it has no name."""
    own = {channel: names[index].strip() or f"#{index + 1}" for channel, index in chosen.items()}
    counted = {name: channel.column for name, channel in rig.channels.present().items() if name not in own}
    return tuple((CHANNEL_KINDS[channel][1], name) for channel, name in {**own, **counted}.items())
