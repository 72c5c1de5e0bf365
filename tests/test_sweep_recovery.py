"""Rehearsed free runs and ramps of known truth: what is found lies within the uncertainty it states.

The truth comes from the simulation's own model, before sensors, scatter between runs and logging: KV of the motor, its
drag with the bearing's, and for a ramp the steady curve that a staircase of long steps would give.
"""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from generator.evidence.contrast_statistics import coverage_factor
from tests.sweep_season import BELOW_FULL, BY_SPEED, BY_THROTTLE, Swept, sweep_in_memory, write_sweep_season
from tests.test_recovery import fewest_covered

SEEDS = tuple(range(301, 309))
FREE_RUN = {"effective_kv", "free_run_current", "free_run_power", "drag_torque"}


@pytest.fixture(
    scope="module", params=[BY_THROTTLE, BELOW_FULL, BY_SPEED], ids=["full", "below-full", "speed"]
)
def free_runs(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> list[Swept]:
    folder = write_sweep_season(
        tmp_path_factory.mktemp("free") / "season", procedure=request.param, repeats=3
    )
    return sweep_in_memory(folder, "bearings", SEEDS)


@pytest.fixture(scope="module")
def ramps(tmp_path_factory: pytest.TempPathFactory) -> list[Swept]:
    folder = write_sweep_season(tmp_path_factory.mktemp("ramp") / "season", up="8 s", repeats=3)
    return sweep_in_memory(folder, "pitches", SEEDS)


def held_often_enough(held: list[tuple[int, bool]]) -> None:
    """Conditions of one session share their runs, so that the sessions are the trials, and not the conditions.

    That asks little of eight sessions. A study of 120 others (ramps of 8 s, seeds 1001 to 1120) found 1022 of 1080
    differences in their 95 % intervals, 453 of 480 in electrical power, and none of nine means off by more than two
    standard errors.

    held  (seed's place, whether an interval held the truth)
    """
    sessions = len({place for place, _ in held})
    share = sum(good for _, good in held) / len(held)
    assert share >= fewest_covered(sessions, 0.95) / sessions, f"{share:.0%} of {len(held)} hold the truth"


def contrasts_hold(found: list[Swept], wanted: set[str]) -> None:
    held, seen = [], set()
    for place, swept in enumerate(found):
        for c in swept.analysis.contrasts:
            pair = [swept.truth.get((c.response, c.at, name)) for name in (c.treatment, c.baseline)]
            if None not in pair:
                seen.add(c.response)
                true = float(pair[0] or 0.0) - float(pair[1] or 0.0)
                held.append((place, c.interval[0] <= true <= c.interval[1]))
    assert seen == wanted
    held_often_enough(held)


def means_hold(found: list[Swept], wanted: set[str], fewest: int) -> None:
    """95 % intervals of the means, with the degrees of freedom that three runs leave; and no bias over the seeds."""
    held, misses = [], {}
    for place, swept in enumerate(found):
        for s in swept.analysis.responses:
            true = swept.truth.get((s.response, s.at, s.treatment))
            if true is not None:
                assert s.response in wanted
                score = abs(s.value - true) / s.standard_uncertainty
                held.append((place, score <= coverage_factor(0.95, s.dof)))
                misses.setdefault(s.key, []).append(s.value / true - 1.0)
    assert len(held) >= fewest
    held_often_enough(held)
    for key, shares in misses.items():
        error = float(np.std(shares, ddof=1)) / math.sqrt(len(shares))
        assert abs(float(np.mean(shares))) < 5.0 * error + 1e-3, (
            f"{key} is off by {np.mean(shares):.2%} on average"
        )


def test_free_runs_hold_the_true_difference(free_runs: list[Swept]) -> None:
    contrasts_hold(free_runs, FREE_RUN)


def test_free_runs_hold_the_true_value(free_runs: list[Swept]) -> None:
    means_hold(free_runs, FREE_RUN, fewest=100)


def test_a_motor_of_known_kv_and_free_run_current(free_runs: list[Swept]) -> None:
    """Against the bench's own: KV 1712 rpm/V, I0 0.8 A × (1/2 + 1/2 n/n0), n0 = KV (15 V - I0 R)."""
    n0 = 1712.0 * (15.0 - 0.8 * 0.08)
    for swept in free_runs:
        reed = [c for c in swept.analysis.constants if c.treatment == "reed"]
        (kv,) = [c for c in reed if c.name == "kv"]
        assert abs(kv.fitted.value - 1712.0) < 4.0 * kv.fitted.standard_uncertainty
        assert kv.part == "reed"
        assert kv.nominal == 1750.0
        currents = [c for c in reed if c.name == "free_run_current"]
        assert len(currents) >= 3
        for c in currents:
            true = 0.8 * (0.5 + 0.5 * dict(c.at)["speed_rpm"] / n0)
            assert abs(c.fitted.value - true) < 3.0 * c.fitted.standard_uncertainty, c.sentence


def test_nothing_of_a_free_run_speaks_of_a_propeller(free_runs: list[Swept]) -> None:
    for swept in free_runs:
        analysis = swept.analysis
        assert not {"tip-mach", "speed-over-propeller-limit"} & {c.id for c in analysis.cautions}
        assert not analysis.curves
        assert not analysis.curve_contrasts
        assert {c.name for c in analysis.constants}.isdisjoint({"thrust_coefficient", "power_coefficient"})
        assert not [check for check in analysis.checks if check.outcome == "failed"]


def test_a_motor_over_its_limit_without_load_is_told(tmp_path: Path) -> None:
    """27 300 rpm without a propeller, limit 26 000 rpm; with 22 000 rpm at most there is nothing to tell."""
    for place, (procedure, told) in enumerate(((BY_THROTTLE, True), (BY_SPEED, False))):
        folder = write_sweep_season(tmp_path / f"season-{place}", procedure=procedure, repeats=1)
        (swept,) = sweep_in_memory(folder, "bearings", SEEDS[:1])
        assert any(c.id.startswith("free-run-overspeed") for c in swept.analysis.cautions) is told


def test_ramps_hold_the_true_difference(ramps: list[Swept]) -> None:
    contrasts_hold(ramps, {"electrical_power", "thrust", "speed"})


def test_ramps_hold_the_true_value(ramps: list[Swept]) -> None:
    means_hold(ramps, {"electrical_power", "thrust", "speed"}, fewest=100)


def test_ramps_are_compared_as_whole_curves(ramps: list[Swept]) -> None:
    """As staircases are: mean curves, difference curves, and the flight of the season's aircraft."""
    for swept in ramps[:2]:
        axes = {(c.response, c.axis) for c in swept.analysis.curve_contrasts}
        assert {("electrical_power", "thrust_gf"), ("thrust", "throttle_percent")} <= axes
        assert {curve.treatment for curve in swept.analysis.curves} == {"leaf", "petal"}
