"""Allowed minutes at a sound level."""

from __future__ import annotations

import csv
import math
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from generator.evidence.noise import allowed_minutes, duration_words

# NIOSH Publication 98-126 (1998), Table 1-1; see tests/data/noise/SOURCES.md
TABLE = Path(__file__).parents[1] / "data" / "noise" / "niosh_table_1_1.csv"
MISPRINTED = 99


def rows() -> list[tuple[int, float, float]]:
    """(level, printed seconds, resolution of the print in seconds), the misprint left out."""
    with TABLE.open(encoding="utf-8") as file:
        return [
            (int(r["level_dBA"]), float(r["printed_total_s"]), float(r["print_resolution_s"]))
            for r in csv.DictReader(file)
            if int(r["level_dBA"]) != MISPRINTED
        ]


@pytest.mark.parametrize(("level", "printed_s", "resolution_s"), rows())
def test_niosh_table(level: int, printed_s: float, resolution_s: float) -> None:
    # within one printed unit: some rows are truncated, some rounded
    assert abs(60.0 * allowed_minutes(level) - printed_s) < resolution_s


def test_the_misprint_is_a_misprint() -> None:
    # prints 18 min 59 s; the formula that reproduces all other rows gives 18 min 53.9 s
    assert 60.0 * allowed_minutes(MISPRINTED) == pytest.approx(1133.93, abs=0.01)
    assert len(rows()) == 49


@given(st.floats(60, 140))
def test_three_decibels_halve_the_time(level: float) -> None:
    assert allowed_minutes(level + 3.0) == pytest.approx(allowed_minutes(level) / 2.0, rel=1e-12)


def test_other_rules_can_be_asked_for() -> None:
    # OSHA 29 CFR 1910.95 Table G-16: 8 h at 90 dB, halved every 5 dB: 2 h at 100 dB
    found = allowed_minutes(100.0, criterion_db=90.0, duration_h=8.0, exchange_rate_db=5.0)
    assert found == pytest.approx(120.0)


def test_refuses_a_level_that_is_none() -> None:
    with pytest.raises(ValueError, match="finite number of decibels"):
        allowed_minutes(math.nan)


@pytest.mark.parametrize(
    ("minutes", "words"),
    [
        (480.0, "8 h"),
        (95.24, "1 h 35 min"),
        (18.899, "18 min"),
        (4.7247, "4 min 43 s"),
        (3.0, "3 min"),
        (0.4687, "28 s"),
        (1e4, "24 h"),
        (59.999, "59 min"),
    ],
)
def test_durations_are_rounded_down(minutes: float, words: str) -> None:
    assert duration_words(minutes) == words
