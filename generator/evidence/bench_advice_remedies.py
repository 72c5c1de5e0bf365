"""What to do where a check of a whole session does not pass."""

from __future__ import annotations

import re

# pattern of a check's id -> what to do; the first that fits counts
_REMEDIES: tuple[tuple[str, str], ...] = (
    ("same-thrust", "Find out which was not the same, speed, thrust or air, and make these runs again."),
    (".*-exponent", "Look for a gain, a zero or a speed that is off at one end of the range."),
    ("shaft-below-electrical|figure-of-merit|speed-below-kv",
     "Look for a wrong propeller, gain, unit, pole pairs or KV; correct it and build again, or make the runs again."),
    ("top-speed", "Set the cap so that both reach the same top speed, and make these runs again."),
    ("energy-balance", "Look for a part file, a gain or a resistance that cannot be right."),
    (".*-as-stated", "Look whether it is the part that the file says; if it is, correct the file."),
    ("zero-drift", "Let the load cell come to rest and to the room's warmth, and make these runs again."),
    ("start-temperature", "Let the motor come to the same temperature before each run, and make these runs again."),
    ("warm-up", "Warm the bench up before the first run, and plan the runs in blocks."),
    ("supply", "Raise the supply's limit, mend its leads, or take less out of it, and make these runs again."),
    ("sampling-interval", "Log faster, and make these runs again."),
    (".*-lag", "Use a faster sensor, or do not rest on what its lag hides."),
    ("range-", "Give the channel more range, and make these runs again."),
    ("calibration", "Calibrate, and write the date into the rig's file."),
    ("rig-in-control", "Run the check standard again; if it stays out, find what moved before you measure on."),
    ("repeats", "Make at least a second run of each."),
    ("equal-repeats", "Make the runs that are missing."),
    ("run-order", "Make a further block in which the treatments take turns; `plan` writes such a list."),
)  # fmt: skip
OTHERWISE = "Read what the check says on the session's page, and judge whether the verdicts can stand."


def remedy_of_check(id_: str) -> str:
    """What to do where the check of this id warned or failed."""
    return next((remedy for pattern, remedy in _REMEDIES if re.match(pattern, id_)), OTHERWISE)
