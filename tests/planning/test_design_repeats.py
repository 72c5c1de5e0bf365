"""Repeats that settle a margin: closed forms, the doubt about a scatter, families, and what is chosen."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, stats

from generator.evidence.power import power_beyond, power_equivalence
from generator.intake.session import Margin, Session
from generator.planning.design_records import Scatter, Settling
from generator.planning.design_repeats import (
    choose,
    conditions_in_words,
    in_words,
    repeats_to_settle_margin,
    settle_margins,
    settling_power,
    with_chosen,
)
from generator.reduction.hold import HoldPlan
from tests.benchmarks.coverage_plan import RIG
from tests.evidence.invented_bench import (
    KINDS,
    at_speed,
    make_session,
    percent_margin,
    treatment,
    unit_margin,
)

GIVEN = Scatter(sd=0.004, relative=True, dof=math.inf, basis="given", told="given")


def session_with(
    margins: dict[str, Margin],
    *,
    names: Sequence[str] = ("base", "first"),
    speeds: Sequence[float] = (9000.0,),
    **more: object,
) -> Session:
    """A session to be planned: one hold, a rig that measures power, thrust and vibration."""
    session = make_session(
        treatments={name: treatment(name) for name in names}, baseline="base", margins=margins, **more
    )
    plan = HoldPlan.model_construct(speed_rpm=tuple(speeds))
    return session.model_copy(update={"rig": RIG, "plans": {"hold": plan}})


def test_the_worse_of_finding_nothing_and_finding_the_margin() -> None:
    sd = math.sqrt(2.0) / 2.5
    none = power_equivalence(6, 0.0, sd, 1.0, paired=True)
    some = power_beyond(6, 1.0, sd, paired=True)
    assert settling_power(6, 2.5, 0.05) == pytest.approx(min(none, some))
    assert settling_power(6, 2.5, 0.05, method="unpaired") == pytest.approx(
        min(power_equivalence(6, 0.0, 0.4, 1.0), power_beyond(6, 1.0, 0.4))
    )


@pytest.mark.parametrize(("paired", "method"), [(1.0, "blocks"), (1.0, "unpaired")])
def test_many_repeats_are_what_the_normal_distribution_asks_for(paired: float, method: str) -> None:
    # n = 2 (z + z')^2 / ratio^2 for a difference of two means. No difference at all is the harder: both one-sided
    # tests at 5 % pass with probability 0.8 at z(0.95) + z(0.9). Source: NIST/SEMATECH e-Handbook, 7.2.2.2, for
    # the formula; the 0.9 is (1 + 0.8) / 2, for an interval that must lie inside both limits.
    ratio = 0.5
    wanted = 2.0 * (stats.norm.ppf(0.95) + stats.norm.ppf(0.9)) ** 2 / ratio**2
    found = repeats_to_settle_margin(0.8, ratio, 0.05, method=method)  # type: ignore[arg-type]
    assert wanted <= found.count <= wanted + 3.0


def test_a_scatter_from_few_runs_is_averaged_over_what_it_may_be() -> None:
    dof, ratio, n = 6.0, 3.0, 5

    def weighted(chi: float) -> float:
        inflated = ratio / math.sqrt(dof / chi)
        return settling_power(n, inflated, 0.05) * float(stats.chi2.pdf(chi, dof))

    exact = integrate.quad(weighted, 0.05, 60.0, limit=60, epsabs=1e-4)[0]
    assert settling_power(n, ratio, 0.05, dof=dof) == pytest.approx(exact, abs=0.01)
    assert settling_power(n, ratio, 0.05, dof=1e7) == pytest.approx(settling_power(n, ratio, 0.05), abs=1e-3)


@given(
    n=st.integers(2, 40),
    ratio=st.floats(0.3, 8.0),
    left=st.floats(0.0, 0.4),
    method=st.sampled_from(["blocks", "unpaired", "drift"]),
)
@settings(max_examples=40, deadline=None)
def test_more_runs_and_wider_margins_never_hurt(n: int, ratio: float, left: float, method: str) -> None:
    power = settling_power(n, ratio, 0.05, method=method, left_over=left)  # type: ignore[arg-type]
    assert 0.0 <= power <= 1.0 + 1e-9
    # Welch's degrees of freedom are averaged over few nodes below fifteen runs: equal to 0.003
    assert settling_power(n + 1, ratio, 0.05, method=method, left_over=left) >= power - 5e-3  # type: ignore[arg-type]
    assert settling_power(n, 1.1 * ratio, 0.05, method=method, left_over=left) >= power - 1e-6  # type: ignore[arg-type]
    assert settling_power(n, ratio, 0.025, method=method, left_over=left) <= power + 1e-6  # type: ignore[arg-type]


@given(ratio=st.floats(0.8, 8.0), power=st.sampled_from([0.8, 0.95]))
@settings(max_examples=20, deadline=None)
def test_the_repeats_are_the_fewest(ratio: float, power: float) -> None:
    found = repeats_to_settle_margin(power, ratio, 0.05)
    assert not found.capped
    assert settling_power(found.count, ratio, 0.05) >= power
    assert found.count == 2 or settling_power(found.count - 1, ratio, 0.05) < power


def test_what_cannot_be_reached_is_told_as_capped() -> None:
    found = repeats_to_settle_margin(0.8, 5.0, 0.05, left_over=0.8)
    assert (found.count, found.capped) == (200, True)


def test_nonsense_is_refused() -> None:
    with pytest.raises(ValueError, match="two repeats"):
        settling_power(1, 2.0, 0.05)
    with pytest.raises(ValueError, match="positive"):
        settling_power(4, 0.0, 0.05)


# --- sessions -----------------------------------------------------------------------------------------------


def test_the_family_decides_the_level() -> None:
    margins = {"electrical_power": percent_margin(0.02), "thrust": percent_margin(0.02)}
    session = session_with(
        margins, names=("base", "first", "second"), speeds=(9000.0, 12000.0), primary=["electrical_power"]
    )
    power, thrust = settle_margins(session, [], KINDS, {}, {"electrical_power": GIVEN, "thrust": GIVEN})
    assert (power.family, power.family_size, power.alpha) == ("primary", 2, 0.025)
    assert len(power.at) == 2
    assert thrust.family == "exploratory"
    # eight responses besides the primary one, two speeds, two comparisons
    responses = {"thrust", "thrust_per_power", "current", "torque", "shaft_power", "system_efficiency", "voltage",
                 "throttle", "vibration"}  # fmt: skip
    assert thrust.family_size == len(responses) * 2 * 2
    assert thrust.to_80 is not None
    assert power.to_80 is not None
    assert thrust.to_80.count > power.to_80.count


def test_a_claim_has_a_family_of_its_own() -> None:
    claims = [{"says": "x", "response": "thrust", "treatment": "first", "expects": "less"}]
    (row,) = settle_margins(
        session_with({"thrust": percent_margin(0.02)}, claims=claims), [], KINDS, {}, {"thrust": GIVEN}
    )
    assert (row.family, row.family_size, row.alpha) == ("claimed", 1, 0.05)


def test_a_margin_in_a_unit_takes_its_share_of_the_value_foreseen() -> None:
    session = session_with({"thrust": unit_margin(4.0, "gf")}, primary=["thrust"], speeds=(9000.0, 12000.0))
    values = {("thrust", at_speed(9000.0)): 200.0, ("thrust", at_speed(12000.0)): 400.0}
    low, high = settle_margins(session, [], KINDS, values, {"thrust": GIVEN})
    assert low.ratio == pytest.approx(4.0 / (0.004 * 200.0))
    assert high.ratio == pytest.approx(4.0 / (0.004 * 400.0))
    (unknown,) = settle_margins(session, [], KINDS, {}, {"thrust": GIVEN})
    assert unknown.to_80 is None
    assert "no value of thrust is foreseen" in in_words(unknown)


def test_the_hardest_primary_margin_decides_how_many() -> None:
    margins = {"electrical_power": percent_margin(0.012), "thrust": percent_margin(0.001)}
    session = session_with(margins, primary=["electrical_power"])
    rows = settle_margins(session, [], KINDS, {}, {"electrical_power": GIVEN, "thrust": GIVEN})
    power = rows[0]
    assert power.to_80 is not None
    assert power.to_95 is not None
    (found,) = choose(session, rows, 80, "random", None)
    assert found.repeats == power.to_80.count
    assert "electrical power" in found.why
    (more,) = choose(session, rows, 95, "abba", None)
    assert more.repeats == power.to_95.count + power.to_95.count % 2
    (asked,) = choose(session, rows, 80, "abba", 3)
    assert (asked.repeats, asked.why) == (3, "as asked for")
    filled = with_chosen(rows, [found], "blocks")
    assert filled[0].chosen is not None
    assert filled[0].chosen >= 0.8
    assert filled[1].chosen is not None
    assert filled[1].chosen < 0.5


@pytest.mark.parametrize(
    ("margin", "repeats", "why"), [(0.3, 4, "lost run"), (0.002, 12, "a day has no room")]
)
def test_few_and_many_repeats_are_kept_in_bounds_and_said(margin: float, repeats: int, why: str) -> None:
    session = session_with({"electrical_power": percent_margin(margin)}, primary=["electrical_power"])
    rows = settle_margins(session, [], KINDS, {}, {"electrical_power": GIVEN})
    (found,) = choose(session, rows, 80, "abba", None)
    assert found.repeats == repeats
    assert why in found.why


def test_a_simulated_session_settles_as_often_as_promised() -> None:
    # pairs of known scatter, straight from the definition of the verdicts: independent of the power functions
    rng = np.random.default_rng(20310504)
    ratio, n, trials = 2.5, 5, 4000
    sd = 1.0 / ratio
    none = rng.normal(0.0, math.sqrt(2.0) * sd, (trials, n))
    half = stats.t.ppf(0.95, n - 1) * none.std(axis=1, ddof=1) / math.sqrt(n)
    inside = np.mean((none.mean(axis=1) - half > -1.0) & (none.mean(axis=1) + half < 1.0))
    some = 1.0 + rng.normal(0.0, math.sqrt(2.0) * sd, (trials, n))
    half = stats.t.ppf(0.975, n - 1) * some.std(axis=1, ddof=1) / math.sqrt(n)
    beyond = np.mean(some.mean(axis=1) - half > 0.0)
    # four standard errors of the simulation
    assert settling_power(n, ratio, 0.05) == pytest.approx(
        min(inside, beyond), abs=4.0 * 0.5 / math.sqrt(trials)
    )


def test_conditions_in_words() -> None:
    assert conditions_in_words([()]) == ""
    assert conditions_in_words([at_speed(9000.0)]) == "at 9\u202f000\u00a0rpm"
    several = conditions_in_words([at_speed(9000.0), at_speed(12500.0), at_speed(16000.0)])
    assert several == "at 9\u202f000, 12\u202f500 and 16\u202f000\u00a0rpm"


def test_a_row_says_what_it_takes() -> None:
    session = session_with({"electrical_power": percent_margin(0.02)}, primary=["electrical_power"])
    (row,) = settle_margins(session, [], KINDS, {}, {"electrical_power": GIVEN})
    assert isinstance(row, Settling)
    assert row.to_80 is not None
    assert f"{row.to_80.count} repeats for 80 %" in in_words(row)
