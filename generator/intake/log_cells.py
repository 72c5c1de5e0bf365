"""One line into cells, one cell into a number, one wanted name into a column."""

from __future__ import annotations

import csv
import math
import re
import unicodedata
from collections.abc import Iterable, Sequence

from generator.intake.problems import Problem

PLACES_LISTED = 3
# How a missing reading may be written; anything else that is not a number is a fault.
EMPTY_WORDS = ("", "nan", "NaN", "NAN", "Nan", "-nan", "-NaN", "-NAN", "+nan", "+NaN")
_EMPTY = frozenset(EMPTY_WORDS)
_NUMBER = {
    ".": re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?", re.ASCII),
    ",": re.compile(r"[+-]?(?:\d+,?\d*|,\d+)(?:[eE][+-]?\d+)?", re.ASCII),
}
_INFINITE = re.compile(r"[+-]?inf(?:inity)?", re.IGNORECASE)
_THOUSANDS = re.compile(r"[+-]?\d{1,3}(?:[., '’\u00a0\u202f]\d{3})+(?:[.,]\d+)?", re.ASCII)
ROW_NUMBER = "#0"  # stands for no column of the log but for the number of the row, counted from 0
_POSITION = re.compile(r"#([1-9]\d{0,5})", re.ASCII)
# ISO 8601-1 extended format; the time of day may run past 24 h, as elapsed-time counters do.
DATE_TIME = r"(?:19|20|21)\d\d-\d\d-\d\d[T ]\d\d:\d\d(?::\d\d(?:[.,]\d{1,9})?)?(?:Z|[+-]\d\d(?::?\d\d)?)?"
TIME_OF_DAY = r"\d{1,3}:[0-5]\d:[0-5]\d(?:[.,]\d{1,9})?"
_CLOCK = re.compile(f"{DATE_TIME}|{TIME_OF_DAY}", re.ASCII)


def split_line(line: str, delimiter: str) -> list[str]:
    """Cells of one line, blanks kept; a delimiter inside quotation marks does not count."""
    return split_quoted(line, delimiter)[0]


def split_quoted(line: str, delimiter: str) -> tuple[list[str], bool]:
    """Cells of one line and whether every quotation mark that opens a cell is closed on this line.

    `" "` stands for any run of blanks and tabs.
    """
    if delimiter == " ":
        line = line.replace("\t", " ").strip(" ")
    if '"' not in line:
        cells = line.split(delimiter)
        return ([cell for cell in cells if cell] if delimiter == " " else cells), True
    reader = csv.reader((line + "\n", ""), delimiter=delimiter, skipinitialspace=True)
    try:
        cells = next(reader, [])
    except csv.Error:  # a cell beyond the csv module's size limit
        return line.split(delimiter), True
    return [cell.rstrip("\n") for cell in cells], reader.line_num == 1


def is_empty(cell: str) -> bool:
    """True for a cell that stands for no reading."""
    return cell.strip() in _EMPTY


def number_in(cell: str, decimal: str) -> float | None:
    """The number in a cell; NaN for an empty one, infinity for a written infinity, None for text.

    `decimal` is "." or ",". Signs, fractions and powers of ten are read; thousands separators are not.
    """
    word = cell.strip()
    if word in _EMPTY:
        return math.nan
    if _NUMBER[decimal].fullmatch(word):
        return float(word.replace(",", "."))
    if _INFINITE.fullmatch(word):
        return -math.inf if word.startswith("-") else math.inf
    return None


def is_number(cell: str, decimals: str = ".,") -> bool:
    """True when the cell holds a number under one of the decimal signs; an empty cell holds none."""
    word = cell.strip()
    return any(_NUMBER[decimal].fullmatch(word) for decimal in decimals)


def is_clock(cell: str) -> bool:
    """True for an ISO 8601 date and time, or a time of day with seconds."""
    return _CLOCK.fullmatch(cell.strip()) is not None


def text_remedy(cell: str, decimal: str, rig_file: str) -> str:
    """How to mend a cell that is text where a number should stand."""
    word = cell.strip()
    other = "," if decimal == "." else "."
    if _THOUSANDS.fullmatch(word) and (len(re.findall(r"\D", word.lstrip("+-"))) > 1 or not is_number(word)):
        return "Write numbers without thousands separators; most loggers can switch them off."
    if is_number(word, other):
        return f"Write every number of the log with '{decimal}', or state `log: decimal` in {rig_file}."
    return "Correct the cell, or leave it empty where there is no reading."


def printable(text: str, limit: int = 40) -> str:
    """Text from a log made fit for a message: one line, no control characters, at most `limit` characters."""
    clean = " ".join("".join(mark if mark.isprintable() else " " for mark in text[: 4 * limit]).split())
    return clean if len(clean) <= limit else clean[: limit - 3] + "..."


def _folded(name: str) -> str:
    # NFKC makes the two micro signs one, and full-width letters plain.
    return " ".join(unicodedata.normalize("NFKC", name).casefold().split())


def position_of(wanted: str) -> int | None:
    """0-based column of `#3`; None for a name."""
    match = _POSITION.fullmatch(wanted.strip())
    return int(match.group(1)) - 1 if match else None


def is_row_number(wanted: str) -> bool:
    """True for `#0`, the number of the row."""
    return wanted.strip() == ROW_NUMBER


def find_columns(wanted: str, names: Sequence[str]) -> tuple[int, ...]:
    """0-based columns that `wanted` may mean: none, one, or several where a name is there more than once.

    `#3` is the third column. A name is compared as written first, then without blanks around it, then
    without regard to capitals.
    """
    position = position_of(wanted)
    if position is not None:
        return (position,) if position < len(names) else ()
    exact = tuple(index for index, name in enumerate(names) if name == wanted)
    if exact:
        return exact
    stripped = tuple(index for index, name in enumerate(names) if name.strip() == wanted.strip())
    if stripped:
        return stripped
    sought = _folded(wanted)
    return tuple(index for index, name in enumerate(names) if _folded(name) == sought)


def count_found(wanted: Iterable[str], names: Sequence[str]) -> int:
    """How many of the wanted columns `find_columns` would find; quick for many names."""
    known = {*names, *map(str.strip, names), *map(_folded, names)}
    found = 0
    for column in wanted:
        position = position_of(column)
        here = {column, column.strip(), _folded(column)}
        found += position < len(names) if position is not None else not known.isdisjoint(here)
    return found


def shortened(listed: Sequence[Problem], total: int) -> list[Problem]:
    """The first places of one kind of fault, then one line that counts the rest."""
    first = list(listed[:PLACES_LISTED])
    if total > len(first) and first:
        pattern = first[0]
        what = f"and {total - len(first):,} more of this kind."
        first.append(Problem(file=pattern.file, key=pattern.key, what=what, remedy=pattern.remedy))
    return first
