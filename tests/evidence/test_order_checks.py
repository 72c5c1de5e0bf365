"""Warming through the session: found where it is common, clear and large, told as removed where the design does so."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from generator.evidence.records import Check
from generator.reduction.records import RunReduction
from tests.evidence.invented_bench import BASE, OTHER, at_speed, make_run, make_session, response
from tests.evidence.test_checks import found
from tests.evidence.test_sentences import plain_spaces

ORDER = (BASE, OTHER, OTHER, BASE, BASE, OTHER, OTHER, BASE)
LEVEL = {BASE: 100.0, OTHER: 112.0}


def warming(
    share: float = 0.0, kelvin: float = 0.0, *, scatter: float = 0.001, seed: int = 1
) -> list[RunReduction]:
    """Eight holds, power rising by `share` and starting temperature by `kelvin` from the first to the last."""
    rng = np.random.default_rng(seed)
    made = []
    for order, name in enumerate(ORDER, start=1):
        way = (order - 1) / (len(ORDER) - 1)
        power = LEVEL[name] * (1.0 + share * way + scatter * rng.standard_normal())
        start = 293.0 + kelvin * way + 200.0 * scatter * rng.standard_normal()
        made.append(
            make_run(
                name, order, response("electrical_power", power, at_speed(16000), scatter=0.1),
                response("motor_temperature_rise", 30.0, at_speed(16000), scatter=0.1),
                response("thrust", 500.0, at_speed(16000), scatter=0.1), block=(order + 1) // 2,
                start_motor_temperature_k=start,
            )
        )  # fmt: skip
    return made


def check(runs: list[RunReduction], what: str, **session: Any) -> Check:
    return found(runs, make_session(**session))[f"warm-up-{what}"]


@pytest.mark.parametrize(
    ("share", "outcome"),
    [(0.0, "passed"), (0.007, "passed"), (0.015, "warned"), (-0.015, "warned"), (0.04, "failed")],
)
def test_power_that_climbs_through_the_session(share: float, outcome: str) -> None:
    made = check(warming(share), "power")
    assert made.outcome == outcome
    assert made.weakens == (() if outcome == "passed" else ("electrical_power",))
    assert made.treatments == (() if outcome == "passed" else (BASE, OTHER))
    assert plain_spaces(made.threshold) == "1 %, and clear of the scatter between runs"
    if outcome != "passed":
        verb = "rises" if share > 0 else "falls"
        assert f"hold run to the last the electrical power at 16 000 rpm {verb} by" in plain_spaces(
            made.sentence
        )
        assert made.sentence.endswith("in all treatments alike.")


@pytest.mark.parametrize(("kelvin", "outcome"), [(1.0, "passed"), (7.0, "warned"), (20.0, "failed")])
def test_motors_that_start_warmer_and_warmer(kelvin: float, outcome: str) -> None:
    made = check(warming(kelvin=kelvin), "start")
    assert made.outcome == outcome
    assert made.weakens == (() if outcome == "passed" else ("motor_temperature_rise",))


@pytest.mark.parametrize(
    ("design", "words"),
    [
        ("blocks", "the comparison within blocks takes that"),
        ("drift", "the straight line over run order takes that"),
    ],
)
def test_a_design_that_takes_it_out_is_told_and_not_weakened(design: str, words: str) -> None:
    for what, runs in (("power", warming(0.04)), ("start", warming(kelvin=20.0))):
        made = check(runs, what, design=design)
        assert (made.outcome, made.weakens) == ("passed", ())
        assert words in made.sentence


def test_a_difference_between_treatments_is_no_trend() -> None:
    """The treatments differ by 12 % and take turns: only what all share over the order counts."""
    assert check(warming(), "power").outcome == "passed"
    late = [run for run in warming() if run.treatment == BASE][:3] + [
        run for run in warming() if run.treatment == OTHER
    ][1:]
    assert check(late, "power").outcome == "passed"


def test_scatter_is_not_taken_for_a_trend() -> None:
    """No trend and 3 % of scatter: the check may not fire in more than its 5 % of sessions (400 seeded ones)."""
    fired = sum(check(warming(scatter=0.03, seed=seed), "power").outcome != "passed" for seed in range(400))
    assert fired <= 400 * 0.05 + 3 * (400 * 0.05 * 0.95) ** 0.5
    told = check(warming(0.05, scatter=0.06), "power")
    assert told.outcome == "passed"
    assert "not clear of the scatter" in told.sentence


def test_too_few_runs_give_no_check_and_equal_ones_pass() -> None:
    few = warming()[:3]
    assert "warm-up-power" not in found(few, make_session())
    assert check(warming(scatter=0.0), "power").outcome == "passed"
    assert check(warming(0.04, scatter=0.0), "power").outcome == "failed"  # on the line to the last digit
