"""How long a sound level may be heard in a day without protection."""

from __future__ import annotations

import math


def allowed_minutes(
    level_db: float, *, criterion_db: float = 85.0, duration_h: float = 8.0, exchange_rate_db: float = 3.0
) -> float:
    """Minutes a day at a steady A-weighted level that use up the whole daily allowance.

    level_db          sound level [dB], A-weighted, at the ear
    criterion_db      level that is allowed for duration_h [dB]
    exchange_rate_db  step in level that halves the time [dB]
    Raises  ValueError for a level that is not finite
    Source  NIOSH Publication 98-126 (1998), Table 1-1: T = 480 min / 2^((L - 85) / 3)
    """
    if not math.isfinite(level_db):
        raise ValueError(f"a sound level is a finite number of decibels: {level_db}")
    return float(60.0 * duration_h / 2.0 ** ((level_db - criterion_db) / exchange_rate_db))


def duration_words(minutes: float) -> str:
    """A duration for people, rounded down since it is a limit: `8 h`, `1 h 35 min`, `18 min`, `4 min 43 s`, `28 s`."""
    if minutes >= 24.0 * 60.0:
        return "24 h"
    # A hair above, so that a duration that is exact but for rounding in the arithmetic stays whole.
    seconds = math.floor(60.0 * minutes + 1e-6)
    if seconds >= 3600:
        hours, rest = divmod(seconds // 60, 60)
        return f"{hours} h {rest} min" if rest else f"{hours} h"
    if seconds >= 600:
        return f"{seconds // 60} min"
    if seconds >= 60:
        whole, rest = divmod(seconds, 60)
        return f"{whole} min {rest} s" if rest else f"{whole} min"
    return f"{seconds} s"
