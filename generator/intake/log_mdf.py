"""A log stored as ASAM MDF, version 4 -> its wanted columns as numbers in the logger's own units.

Every channel of such a file brings its own time, in seconds (ASAM MDF 4: the master channel), so the time needs no
column. The library that reads it, asammdf, is an optional extra: `pip install 'whirlbook[mdf]'`.
"""

from __future__ import annotations

import gc
import sys
import warnings
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, TypeVar

import numpy as np

from generator.intake.log_bytes import refusal
from generator.intake.log_cells import printable
from generator.intake.log_header import MAX_COLUMNS
from generator.intake.log_join import on_clock
from generator.intake.log_numbers import Floats, RawColumns, ReadResult
from generator.intake.log_records import SIMULATED_MARK
from generator.intake.problems import Problem, SeasonProblems

# Conversions that a formula written in the file would carry out: a stranger's log is not to be computed with.
_FORMULA = "CONVERSION_TYPE_ALG"
T = TypeVar("T")
CLOCK_OF = ("speed", "thrust")  # channels whose samples set the rows, the first that is there


def _library(shown: str) -> Any:
    try:
        import asammdf
    except ImportError:
        raise refusal(
            shown,
            "is an ASAM MDF file, which needs one more package to be read.",
            "Install it (pip install 'whirlbook[mdf]'), or export the log as delimited text.",
        ) from None
    return asammdf


def read_names(file: Path, *, shown: str) -> tuple[tuple[str, ...], str | None]:
    """Names of all channels, and what the log says of itself if it is simulated.

    Raises SeasonProblems for a damaged file, or where the library is not there.
    """
    library = _library(shown)

    def listed() -> tuple[tuple[str, ...], str]:
        with _opened(library, file) as mdf:
            names = tuple(sorted(name for name, places in mdf.channels_db.items() if places))
            return names, str(getattr(mdf.header, "comment", "") or "")

    names, comment = _safely(shown, listed)
    if len(names) > MAX_COLUMNS:
        what = f"has {len(names):,} channels; at most {MAX_COLUMNS:,} are read."
        raise refusal(shown, what, "Leave out the channels that no channel of the rig uses.")
    start = comment.find(SIMULATED_MARK)
    return names, None if start < 0 else printable(comment[start:].split("<")[0], 300)


def read_columns(
    file: Path, names: tuple[str, ...], chosen: Mapping[str, int], *, shown: str, max_bytes: int
) -> ReadResult:
    """Numbers of the chosen channels (channel of the rig -> place in `names`), and their time as `time`.

    Rows are the samples of the speed, else of the thrust, else of the first; channels sampled at other instants are
    read at those (see `log_join.on_clock`).
    Raises SeasonProblems for a damaged file or one that opens to more than `max_bytes`.
    """
    library = _library(shown)
    problems: list[Problem] = []
    read: dict[str, tuple[Floats, Floats]] = {}

    def taken() -> None:
        opened_bytes = 0
        with _opened(library, file) as mdf:
            for channel, index in chosen.items():
                name = names[index]
                if len(mdf.channels_db[name]) > 1:
                    what = f"holds {len(mdf.channels_db[name])} channels called '{printable(name)}'."
                    remedy = "Export the log with each channel once."
                    problems.append(Problem(file=shown, key=channel, what=what, remedy=remedy))
                    continue
                group, place = mdf.channels_db[name][0]
                held = mdf.groups[group].channel_group
                opened_bytes += 16 * int(held.cycles_nr)
                # records are read whole, however much of them is wanted
                if max(opened_bytes, int(held.cycles_nr) * int(held.samples_byte_nr)) > max_bytes:
                    what = f"opens to more than {max_bytes / 1e6:,.0f} MB of data."
                    raise refusal(shown, what, "Split the log.")
                fault = _formula(mdf, group, place)
                values = None if fault else _numbers(mdf.get(group=group, index=place))
                if values is None:
                    key = f"{channel} ({printable(name)})"
                    remedy = "Store the quantity as numbers in a fixed unit."
                    what = fault or "does not hold numbers."
                    problems.append(Problem(file=shown, key=key, what=what, remedy=remedy))
                else:
                    read[channel] = values

    _safely(shown, taken)
    return ReadResult(raw=_rows(read), decimal="", faults=len(problems), problems=tuple(problems))


def _safely(shown: str, work: Callable[[], T]) -> T:
    """What `work` gives; a damaged file is told, whatever the library makes of it.

    It may leave a half-made object behind whose end Python would report on the terminal.
    """
    hook = sys.unraisablehook
    sys.unraisablehook = lambda _: None
    try:
        try:
            return work()
        except SeasonProblems:
            raise
        except Exception as fault:
            said = str(fault) or type(fault).__name__
        gc.collect()
    finally:
        sys.unraisablehook = hook
    what = f"cannot be read as ASAM MDF 4: {printable(said, 120)}."
    raise refusal(shown, what, "Copy the log again, or export it as delimited text.")


def _opened(library: Any, file: Path) -> Any:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return library.MDF(file, process_bus_logging=False)


def _formula(mdf: Any, group: int, place: int) -> str:
    """Why a channel's conversion is not carried out, or ""."""
    from asammdf.blocks import v4_constants

    conversion = getattr(mdf.groups[group].channels[place], "conversion", None)
    kind = getattr(conversion, "conversion_type", None)
    return "is computed by a formula in the file." if kind == getattr(v4_constants, _FORMULA) else ""


def _numbers(signal: Any) -> tuple[Floats, Floats] | None:
    samples = np.asarray(signal.samples)
    if samples.ndim != 1 or samples.dtype.kind not in "iufb":
        return None
    values = samples.astype(np.float64)
    lost = signal.invalidation_bits
    if lost is not None:
        values = np.where(np.asarray(lost, dtype=bool), np.nan, values)
    return np.asarray(signal.timestamps, dtype=np.float64), values


def _rows(read: Mapping[str, tuple[Floats, Floats]]) -> RawColumns:
    first = next((name for name in (*CLOCK_OF, *read) if name in read), None)
    if first is None:
        return RawColumns(numbers={}, clock=None, lines=None, rows=0)
    clock = read[first][0]
    numbers: dict[str, Floats] = {"time": clock}
    for channel, (times, values) in read.items():
        same = len(times) == len(clock) and bool(np.array_equal(times, clock))
        numbers[channel] = values if same else on_clock(clock, times, values, 0.0)
    return RawColumns(numbers=numbers, clock=None, lines=None, rows=len(clock))
