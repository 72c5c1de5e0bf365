"""Rehearsed sessions with a known effect: the analysis finds it within the uncertainty it states.

The truth comes from the simulation's own state, before sensors, scatter between runs and logging.
"""

from __future__ import annotations

import math

import pytest
from scipy import stats

from tests.rehearsed import Rehearsed, rehearse_in_memory

SEEDS = tuple(range(101, 105))
CASES = {
    "cell-count-capped": ("hold", "spin-up"),
    "switching-frequency": ("soak",),
    "two-or-three-blades": ("staircase",),
}
RECOVERED = {
    "cell-count-capped": {"electrical_power", "thrust", "rise_time"},
    "switching-frequency": {"temperature_rise"},
    "two-or-three-blades": {"electrical_power", "speed"},
}


@pytest.fixture(scope="module", params=sorted(CASES))
def rehearsals(request: pytest.FixtureRequest) -> tuple[str, list[Rehearsed]]:
    return request.param, [rehearse_in_memory(request.param, seed, CASES[request.param]) for seed in SEEDS]


def fewest_covered(trials: int, level: float) -> int:
    """Fewest intervals out of `trials` that may hold the truth if each does with `level`, at 1 in 10 000."""
    return int(stats.binom.ppf(1e-4, trials, level))


def test_contrasts_hold_the_true_difference(rehearsals: tuple[str, list[Rehearsed]]) -> None:
    session_id, found = rehearsals
    covered, trials, seen = 0, 0, set()
    for rehearsed in found:
        for c in rehearsed.analysis.contrasts:
            pair = [rehearsed.truth.get((c.response, c.at, name)) for name in (c.treatment, c.baseline)]
            if c.response not in RECOVERED[session_id] or None in pair:
                continue
            seen.add(c.response)
            true = float(pair[0] or 0.0) - float(pair[1] or 0.0)
            z = (c.difference - true) / c.standard_uncertainty
            trials += 1
            covered += c.interval[0] <= true <= c.interval[1]
            # no single one may be absurd: 1 in a million for its degrees of freedom
            limit = float(stats.t.isf(0.5e-6, max(c.dof, 1.0))) if math.isfinite(c.dof) else 5.0
            assert abs(z) < limit, f"{c.key}: {c.difference:.4g} found, {true:.4g} true"
    assert seen == RECOVERED[session_id]
    assert covered >= fewest_covered(trials, 0.95), f"{covered} of {trials} intervals hold the truth"


def test_means_hold_the_true_value(rehearsals: tuple[str, list[Rehearsed]]) -> None:
    """Gain and offset errors of the rig are drawn anew for each seed, within what the rig file states."""
    session_id, found = rehearsals
    scores = []
    for rehearsed in found:
        for s in rehearsed.analysis.responses:
            true = rehearsed.truth.get((s.response, s.at, s.treatment))
            if s.response in RECOVERED[session_id] and true is not None:
                scores.append((s.value - true) / s.standard_uncertainty)
                assert abs(scores[-1]) < 8.0, f"{s.key}: {s.value:.4g} found, {true:.4g} true"
    within = sum(abs(score) < 3.0 for score in scores)
    assert within >= 0.95 * len(scores), f"{within} of {len(scores)} within three standard uncertainties"


@pytest.mark.parametrize("seed", SEEDS[:2])
def test_the_cap_costs_what_it_costs(seed: int) -> None:
    """The planted effect is found as such: more power at the lower speed, whatever the seed."""
    rehearsed = rehearse_in_memory("cell-count-capped", seed, CASES["cell-count-capped"])
    at = (("speed_rpm", 9000.0),)
    true, base = (rehearsed.truth[("electrical_power", at, name)] for name in ("five-cell", "four-cell"))
    (found,) = [c for c in rehearsed.analysis.contrasts if c.response == "electrical_power" and c.at == at]
    assert true > base * 1.02
    assert found.verdict.startswith("more")
