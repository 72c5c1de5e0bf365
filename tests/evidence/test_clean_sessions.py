"""No check fires on clean rehearsed sessions: simulated logs without planted faults, whole analysis."""

from __future__ import annotations

import pytest

from tests.rehearsed import rehearse_in_memory

# Checks that look at what rehearsed runs hold. Not here: what is planted in the demo season on purpose.
WATCHED = {
    "warm-up-power", "warm-up-start", "supply-limit", "supply-voltage", "sampling-interval", "speed-lag",
    "channel-range", "zero-drift", "data-channels", "setpoints", "start-temperature", "runs-used", "figure-of-merit",
    "speed-below-kv",
    "thrust-exponent", "shaft-power-exponent", "electrical-power-exponent", "shaft-below-electrical",
}  # fmt: skip
CASES = {
    "cell-count-capped": ("hold", "spin-up"),
    "cold-pack": ("hold",),
    "two-or-three-blades": ("staircase",),
    "switching-frequency": ("soak",),
}


@pytest.mark.parametrize("session", CASES)
@pytest.mark.parametrize("seed", [101, 102])
def test_no_check_of_the_data_fires_on_a_clean_session(session: str, seed: int) -> None:
    checks = {c.id: c for c in rehearse_in_memory(session, seed, CASES[session]).analysis.checks}
    fired = [f"{c.id}: {c.sentence}" for c in checks.values() if c.outcome != "passed" and c.id in WATCHED]
    fired += [
        f"{name}: fired"
        for name in checks
        if name.startswith(("range-", "data-")) and name != "data-channels"
    ]
    assert fired == []
    assert {"warm-up-start", "channel-range", "data-channels", "calibration-age"} <= set(checks)
