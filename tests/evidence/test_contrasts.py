"""Treatments against the baseline: methods, what cancels, verdicts, exploratory contrasts."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from generator.evidence.contrasts import absolute_margin, contrasts, uncomputable
from generator.evidence.estimates import design_of
from generator.evidence.records import Contrast
from generator.evidence.summaries import summarise
from generator.intake.session import Margin, Session
from generator.reduction.records import RunReduction
from tests.evidence.invented_bench import (
    BASE,
    KINDS,
    OTHER,
    at_speed,
    make_run,
    make_session,
    percent_margin,
    response,
    runs_of,
    treatment,
    unit_margin,
)

AT = at_speed(16000)


def compared(runs: Sequence[RunReduction], session: Session) -> tuple[Contrast, ...]:
    return contrasts(summarise(runs, KINDS), runs, session, KINDS)


def one(values: Mapping[str, Sequence[float]], **more: Any) -> Contrast:
    """The one contrast of runs with these values of electrical power, primary unless said otherwise."""
    session = make_session(
        primary=more.pop("primary", ["electrical_power"]),
        margins=more.pop("margins", None),
        **{key: more.pop(key) for key in ("design", "runs") if key in more},
    )
    (found,) = compared(runs_of(values, **more), session)
    return found


# --- methods ------------------------------------------------------------------------------------------------


def test_welch_against_scipy() -> None:
    t, b = [104.0, 106.5, 105.0, 107.0], [101.0, 103.5, 100.5]
    found = one({BASE: b, OTHER: t})
    reference = stats.ttest_ind(t, b, equal_var=False)
    low, high = reference.confidence_interval(0.95)
    assert found.method == "Welch"
    assert found.basis == "between runs"
    assert found.p_value == pytest.approx(reference.pvalue)
    assert found.dof == pytest.approx(reference.df)
    assert found.interval == pytest.approx((low, high))
    assert found.difference == pytest.approx(found.treatment_value - found.baseline_value)
    assert found.runs == (4, 3)
    assert not found.indicative


def in_blocks(blocks: Mapping[str, Sequence[int | None]]) -> list[dict[str, Any]]:
    """The runs of a session file with their blocks."""
    made = []
    for name, places in blocks.items():
        for place, block in enumerate(places, start=1):
            run = {"log": f"logs/{name}-{place}.csv", "procedure": "hold", "treatment": name, "repeat": place}
            made.append(run if block is None else {**run, "block": block})
    return made


def test_paired_in_blocks_against_scipy() -> None:
    b, t = [100.0, 110.0, 120.0, 130.0], [103.0, 112.5, 123.5, 133.0]
    planned = in_blocks({BASE: [1, 2, 3, 4], OTHER: [1, 2, 3, 4]})
    found = one({BASE: b, OTHER: t}, blocks=True, runs=planned)
    reference = stats.ttest_rel(t, b)
    assert found.method == "paired in blocks"
    assert found.p_value == pytest.approx(reference.pvalue)
    assert found.interval == pytest.approx(tuple(reference.confidence_interval(0.95)))
    # what varies from block to block drops out; unpaired it would hide the difference
    unpaired = one({BASE: b, OTHER: t}, design="unpaired", blocks=True, runs=planned)
    assert unpaired.standard_uncertainty > 10.0 * found.standard_uncertainty


def test_a_straight_drift_is_taken_out_when_declared() -> None:
    # alternating runs on a bench that gains 1 W a run; treatment is 5 W above the baseline; by construction
    rng = np.random.default_rng(3)
    runs = [
        make_run(name, order, response("electrical_power", 100.0 + order + extra + rng.normal(0, 0.05), AT))
        for order, (name, extra) in enumerate(
            [(BASE, 0.0), (BASE, 0.0), (OTHER, 5.0), (OTHER, 5.0)] * 2, start=1
        )
    ]
    with_drift = compared(runs, make_session(design="drift", primary=["electrical_power"]))[0]
    without = compared(runs, make_session(primary=["electrical_power"]))[0]
    assert with_drift.method == "straight-line drift over run order taken out"
    assert with_drift.difference == pytest.approx(5.0, abs=0.2)
    assert without.difference == pytest.approx(7.0, abs=0.2)
    assert with_drift.difference == pytest.approx(with_drift.treatment_value - with_drift.baseline_value)


def test_a_drift_that_cannot_be_told_from_the_treatment_is_not_claimed() -> None:
    found = one({BASE: [100.0, 101.0], OTHER: [104.0]}, design="drift")
    assert found.method == "one run on one side"
    short = one({BASE: [100.0, 101.0], OTHER: [104.0, 104.5]}, design="drift")
    assert short.method == "straight-line drift over run order taken out"
    runs = [make_run(n, o, response("electrical_power", v, AT)) for o, (n, v) in
            enumerate([(BASE, 100.0), (BASE, 101.0), (OTHER, 104.0), (OTHER, 104.2)], start=1)]  # fmt: skip
    apart = [make_run(r.treatment, 1 if r.treatment == BASE else 2, *r.responses) for r in runs]
    (confounded,) = compared(apart, make_session(design="drift"))
    assert confounded.method.startswith("Welch (the order of the runs")


@pytest.mark.parametrize(
    ("blocks", "expected"),
    [
        ({BASE: [1, 2], OTHER: [1, 2]}, "blocks"),
        ({BASE: [1, 1], OTHER: [1, 1]}, "unpaired"),  # one block is no pairing
        ({BASE: [1, 2, 3], OTHER: [1, 2]}, "unpaired"),  # a block without both
        ({BASE: [1, 2], OTHER: [1, None]}, "unpaired"),  # a run without a block
        ({BASE: [None, None], OTHER: [None, None]}, "unpaired"),
    ],
)
def test_the_design_comes_from_the_plan(blocks: Mapping[str, Sequence[int | None]], expected: str) -> None:
    assert design_of(make_session(runs=in_blocks(blocks)), "hold") == expected
    assert design_of(make_session(runs=in_blocks(blocks), design="drift"), "hold") == "drift"


def test_the_design_looks_at_its_own_procedure_and_at_runs_that_were_meant() -> None:
    runs = in_blocks({BASE: [1, 2], OTHER: [1, 2]})
    runs.append(
        {"log": "logs/x.csv", "procedure": "hold", "treatment": BASE, "block": 9, "left_out": "door open"}
    )
    runs.append({"log": "logs/s.csv", "procedure": "soak", "treatment": BASE})
    assert design_of(make_session(runs=runs), "hold") == "blocks"
    assert design_of(make_session(runs=runs), "soak") == "unpaired"


def test_runs_of_the_check_standard_stand_outside_the_blocks() -> None:
    named = {BASE: treatment("4S"), OTHER: treatment("5S"), "standard": treatment("check standard")}
    first, last = (
        {"log": f"logs/{place}.csv", "procedure": "hold", "treatment": "standard", "repeat": repeat}
        for place, repeat in (("00", 1), ("99", 2))
    )
    runs = [first, *in_blocks({BASE: [1, 2], OTHER: [1, 2]}), last]
    session = make_session(treatments=named, runs=runs, check_standard="standard")
    assert design_of(session, "hold") == "blocks"
    assert design_of(make_session(treatments=named, runs=runs), "hold") == "unpaired"


def test_a_block_that_lost_its_partner_is_left_out_and_said() -> None:
    planned = in_blocks({BASE: [1, 2, 3], OTHER: [1, 2, 3]})
    found = one({BASE: [100.0, 110.0, 120.0], OTHER: [103.0, 112.5]}, blocks=True, runs=planned)
    assert found.method == "paired in blocks (1 without a partner in its block left out)"
    assert found.runs == (2, 2)
    assert found.difference == pytest.approx(2.75)
    few = one({BASE: [100.0, 110.0], OTHER: [103.0, 112.0]}, blocks=False, runs=planned)
    assert few.method == "Welch (too few whole blocks to pair)"


# --- one run ------------------------------------------------------------------------------------------------


def test_one_run_each_has_only_the_scatter_within() -> None:
    found = one({BASE: [100.0], OTHER: [103.0]})
    assert found.basis == "within one run"
    assert found.indicative
    assert found.standard_uncertainty == pytest.approx(0.1 * math.sqrt(2.0))
    assert found.repeats_to_settle is None
    assert found.sentence.startswith("Indicative, one run each: ")


def test_one_run_against_many_takes_the_wider_scatter() -> None:
    many = [100.0, 104.0, 98.0, 102.0]
    found = one({BASE: many, OTHER: [110.0]})
    sd = float(np.std(many, ddof=1))
    assert found.basis == "within one run"
    assert found.standard_uncertainty == pytest.approx(math.hypot(sd, sd / 2.0))
    assert "one run of 5S capped" in found.sentence


def test_fifty_samples_of_one_hold_do_not_become_repeats() -> None:
    runs = [
        make_run(
            name, order, *(response("electrical_power", value + 0.01 * i, AT, scatter=0.3) for i in range(50))
        )
        for order, (name, value) in enumerate([(BASE, 100.0), (OTHER, 101.0)], start=1)
    ]
    (found,) = compared(runs, make_session())
    assert found.runs == (1, 1)
    assert found.indicative


# --- what cancels -------------------------------------------------------------------------------------------

GROUPS = {BASE: [100.0, 100.4, 99.7, 100.1], OTHER: [110.2, 109.9, 110.4, 110.1]}


def test_a_gain_error_that_both_share_cancels_but_for_the_difference() -> None:
    bare = one(GROUPS)
    gained = one(GROUPS, shared_gain=0.02)
    systematic = math.sqrt(gained.standard_uncertainty**2 - bare.standard_uncertainty**2)
    # 2 % of the difference of 10.1 W, not 2 % of 110 W
    assert systematic == pytest.approx(0.02 * bare.difference)
    # and in the percentage it cancels altogether
    assert gained.relative_interval == pytest.approx(bare.relative_interval)


def test_a_common_offset_cancels_in_the_difference_and_not_in_the_percentage() -> None:
    bare = one(GROUPS)
    shifted = one(GROUPS, shared_offset=5.0)
    assert shifted.interval == pytest.approx(bare.interval)
    assert bare.relative_interval is not None
    assert shifted.relative_interval is not None
    width = [hi - lo for lo, hi in (bare.relative_interval, shifted.relative_interval)]
    assert width[1] > 1.5 * width[0]


def test_what_only_one_side_has_does_not_cancel() -> None:
    bare = one(GROUPS)
    runs = [
        make_run(r.treatment, r.order, response("electrical_power", r.responses[0].value, AT, scatter=0.1,
                                                shared={"wiring resistance": 0.6} if r.treatment == OTHER else {}))
        for r in runs_of(GROUPS)
    ]  # fmt: skip
    (found,) = compared(runs, make_session(primary=["electrical_power"]))
    assert found.standard_uncertainty == pytest.approx(math.hypot(bare.standard_uncertainty, 0.6))


def test_contributions_of_opposite_sign_add_up_in_the_difference() -> None:
    bare = one(GROUPS)
    runs = [
        make_run(r.treatment, r.order, response("electrical_power", r.responses[0].value, AT, scatter=0.1,
                                                shared={"timing": 0.3 if r.treatment == OTHER else -0.3}))
        for r in runs_of(GROUPS)
    ]  # fmt: skip
    (found,) = compared(runs, make_session(primary=["electrical_power"]))
    assert found.standard_uncertainty == pytest.approx(math.hypot(bare.standard_uncertainty, 0.6))


@given(st.floats(0.0, 0.2))
def test_no_common_gain_however_large_changes_the_percentage(gain: float) -> None:
    bare, gained = one(GROUPS), one(GROUPS, shared_gain=gain)
    assert gained.relative == pytest.approx(bare.relative)
    assert gained.relative_interval == pytest.approx(bare.relative_interval, rel=1e-9)


# --- verdicts, one of each from data ------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("shift", "margin", "verdict"),
    [
        (10.0, percent_margin(0.02), "more"),
        (-10.0, percent_margin(0.02), "less"),
        (2.2, percent_margin(0.02), "more, perhaps too little to matter"),
        (-2.2, percent_margin(0.02), "less, perhaps too little to matter"),
        (0.1, percent_margin(0.02), "no difference that matters"),
        (0.3, unit_margin(0.4, "W"), "not settled"),
        (0.2, None, "not settled"),
        (2.2, None, "more"),
    ],
)
def test_every_verdict_from_runs(shift: float, margin: Margin | None, verdict: str) -> None:
    scatter = np.array([-0.45, 0.15, 0.3, 0.0])
    margins = {} if margin is None else {"electrical_power": margin}
    found = one({BASE: list(100.0 + scatter), OTHER: list(100.0 + shift - scatter)}, margins=margins)
    assert found.verdict == verdict
    assert (found.margin is None) == (margin is None)
    assert (found.p_equivalence is None) == (margin is None)
    assert (found.repeats_to_settle is not None) == (verdict == "not settled")
    if found.repeats_to_settle is not None:
        assert found.repeats_to_settle > 4


def test_margins_are_shares_of_the_baseline_or_absolute() -> None:
    assert absolute_margin(percent_margin(0.02), -250.0) == pytest.approx(5.0)
    assert absolute_margin(unit_margin(10.0, "ms"), 90.0) == 10.0
    assert absolute_margin(percent_margin(0.02), 0.0) is None
    assert absolute_margin(None, 250.0) is None


def test_a_temperature_has_no_percentage() -> None:
    # two motors at 60 and 83 °C in one room (common practice, no source): a rise 23 K higher, not 38 % hotter
    runs = [
        make_run(name, order, response("temperature_rise", value, AT, scatter=0.5), procedure="soak")
        for order, (name, value) in enumerate(
            [(BASE, 39.6), (OTHER, 63.1), (BASE, 40.4), (OTHER, 62.9)], start=1
        )
    ]
    (found,) = compared(runs, make_session(primary=["temperature_rise"]))
    assert found.difference == pytest.approx(23.0)
    assert found.relative is None
    assert found.relative_interval is None
    assert "38" not in found.sentence


def test_a_baseline_about_zero_gives_no_percentage() -> None:
    found = one({BASE: [-1.0, 1.2, -0.3, 0.4], OTHER: [5.0, 5.5, 4.5, 5.2]})
    assert found.relative is None
    assert "%" not in found.sentence.replace("95\u00a0%", "")


# --- exploratory --------------------------------------------------------------------------------------------


def many_responses(session: Session) -> tuple[Contrast, ...]:
    rng = np.random.default_rng(11)
    names = ["electrical_power", "thrust", "current", "torque", "vibration", "peak_current"]
    runs = []
    for order, name in enumerate([BASE, OTHER] * 4, start=1):
        shift = 0.9 if name == OTHER else 0.0
        runs.append(
            make_run(name, order, *(response(r, 100.0 + shift + rng.normal(0, 0.45), AT) for r in names))
        )
    return compared(runs, session)


def test_exploratory_contrasts_are_adjusted_together_and_primary_ones_not() -> None:
    found = many_responses(make_session(primary=["electrical_power"]))
    primary = [c for c in found if c.primary]
    exploratory = [c for c in found if not c.primary]
    assert [c.response for c in primary] == ["electrical_power"]
    assert primary[0].p_adjusted is None
    # Holm by its definition: the smallest times their number, then one fewer, never falling
    p = sorted(c.p_value for c in exploratory if c.p_value is not None)
    running, expected = 0.0, []
    for place, value in enumerate(p):
        running = max(running, min((len(p) - place) * value, 1.0))
        expected.append(running)
    assert sorted(c.p_adjusted for c in exploratory if c.p_adjusted is not None) == pytest.approx(expected)


def test_an_exploratory_direction_needs_its_adjusted_p() -> None:
    found = [c for c in many_responses(make_session(primary=["electrical_power"])) if not c.primary]
    clear = [c for c in found if c.interval[0] > 0.0 or c.interval[1] < 0.0]
    fallen = [c for c in clear if c.p_adjusted is not None and c.p_adjusted >= 0.05]
    assert fallen, "the data must hold a contrast that only its number unsettles"
    assert {c.verdict for c in fallen} == {"not settled"}
    assert all("among 5 exploratory comparisons that may be chance" in c.sentence for c in fallen)
    stand = [c for c in clear if c not in fallen]
    assert all(c.verdict == "more" for c in stand)


def test_what_its_number_unsettles_needs_more_repeats_than_the_same_data_alone() -> None:
    together = {c.response: c for c in many_responses(make_session(primary=["electrical_power"]))}
    fallen = [
        c for c in together.values() if c.repeats_to_settle and (c.interval[0] > 0.0 or c.interval[1] < 0.0)
    ]
    assert fallen
    for contrast in fallen:
        alone = {c.response: c for c in many_responses(make_session(primary=[contrast.response]))}
        assert alone[contrast.response].verdict == "more"
        # 5 % over the five exploratory contrasts, against 5 % for a primary one that was only just missed
        assert contrast.repeats_to_settle is not None
        assert contrast.repeats_to_settle > 6


def test_more_repeats_are_asked_for_than_there_were() -> None:
    # so unequal a scatter leaves Welch one degree of freedom; equal scatter, as planning assumes, would do with two
    found = one({BASE: [100.0, 100.001], OTHER: [107.0, 109.0]})
    assert found.verdict == "not settled"
    assert found.repeats_to_settle == 3


def test_levels_and_intervals_are_printed_unadjusted() -> None:
    alone = many_responses(make_session(primary=["electrical_power", "thrust"]))
    together = many_responses(make_session(primary=["electrical_power"]))
    by_name = {c.response: c for c in together}
    for contrast in alone:
        assert contrast.level == 0.95
        assert by_name[contrast.response].interval == contrast.interval


# --- several treatments, missing sides, no scatter ----------------------------------------------------------


def test_each_treatment_is_held_against_the_baseline_in_the_order_of_the_session() -> None:
    session = make_session(treatments={n: treatment(n) for n in ("six", BASE, OTHER)})
    runs = runs_of({OTHER: [103.0, 103.5], "six": [105.0, 106.0], BASE: [100.0, 100.5]})
    found = compared(runs, session)
    assert [(c.treatment, c.baseline) for c in found] == [("six", BASE), (OTHER, BASE)]
    assert found[0].key == "electrical_power-16000rpm-six"


def test_without_the_baseline_there_is_no_contrast() -> None:
    assert compared(runs_of({OTHER: [103.0, 103.5]}), make_session()) == ()


def test_runs_that_agree_exactly_give_no_contrast_unless_something_is_known_of_them() -> None:
    bare = [make_run(n, o, response("throttle", v, AT)) for o, (n, v) in
            enumerate([(BASE, 50.0), (OTHER, 60.0)] * 2, start=1)]  # fmt: skip
    summaries = summarise(bare, KINDS)
    assert contrasts(summaries, bare, make_session(), KINDS) == ()
    assert uncomputable(summaries, (), make_session()) == (("throttle", AT, OTHER),)
    known = [make_run(r.treatment, r.order, response("throttle", r.responses[0].value, AT, own={"resolution": 0.1}))
             for r in bare]  # fmt: skip
    (found,) = compared(known, make_session())
    assert found.standard_uncertainty == pytest.approx(0.1 * math.sqrt(2.0))


def test_the_facts_of_one_bench() -> None:
    """40.44 against 45.41 W at 12 000 rpm (common practice, no source): +12.3 % power, -7.1 % thrust per watt."""
    small = np.array([-0.05, 0.05, 0.02, -0.02])
    runs = [
        make_run(name, 2 * place + (name == OTHER) + 1,
                 response("electrical_power", power + small[place], at_speed(12000)),
                 response("thrust_per_power", ratio - small[place] / 10, at_speed(12000)))
        for place in range(4)
        for name, power, ratio in ((BASE, 40.44, 4.79), (OTHER, 45.41, 4.45))
    ]  # fmt: skip
    power, ratio = compared(runs, make_session(primary=["electrical_power", "thrust_per_power"]))
    assert power.relative == pytest.approx(0.123, abs=5e-4)
    assert ratio.relative == pytest.approx(-0.071, abs=5e-4)
    assert (power.verdict, ratio.verdict) == ("more", "less")


# --- several treatments, pairs, families --------------------------------------------------------------------

THREE = {BASE: treatment("4S"), OTHER: treatment("5S capped"), "six-cell": treatment("6S capped")}
POWERS = {BASE: [100.0, 101.0, 99.5], OTHER: [103.0, 104.5, 103.5], "six-cell": [107.0, 106.0, 108.0]}


def test_intervals_of_one_primary_response_hold_for_all_treatments_together() -> None:
    session = make_session(treatments=THREE, primary=["electrical_power"])
    found = compared(runs_of(POWERS), session)
    assert [(c.treatment, c.jointly, c.level) for c in found] == [(OTHER, 2, 0.95), ("six-cell", 2, 0.95)]
    for contrast in found:
        reference = stats.ttest_ind(POWERS[contrast.treatment], POWERS[BASE], equal_var=False)
        # Bonferroni by hand: two comparisons, each at 97.5 %
        assert contrast.interval == pytest.approx(tuple(reference.confidence_interval(0.975)))
        assert "widened so that both comparisons hold at once" in contrast.sentence


def test_pairs_asked_for_are_compared_besides_the_baseline() -> None:
    pairs = [{"treatment": "six-cell", "against": OTHER}]
    session = make_session(treatments=THREE, primary=["electrical_power"], pairs=pairs)
    found = compared(runs_of(POWERS), session)
    assert [(c.treatment, c.baseline) for c in found] == [
        (OTHER, BASE),
        ("six-cell", BASE),
        ("six-cell", OTHER),
    ]
    pair = found[-1]
    assert pair.jointly == 3
    assert pair.difference == pytest.approx(7.0 - 11.0 / 3.0, abs=0.2)
    assert pair.key.endswith("-six-cell-against-five-cell")
    assert len({c.key for c in found}) == 3
    assert "than 5S capped" in pair.sentence


def test_claimed_responses_are_a_family_of_their_own() -> None:
    rng = np.random.default_rng(5)
    names = ("electrical_power", "thrust", "sound_level", "vibration", "top_speed", "current")
    runs = []
    for order in range(1, 9):
        name = (BASE, OTHER)[order % 2]
        shift = 2.2 if name == OTHER else 0.0  # sure by itself, and not among six
        values = [100.0 + (shift if n == "thrust" else 0.0) + rng.normal(0, 0.7) for n in names]
        runs.append(make_run(name, order, *(response(n, v, AT) for n, v in zip(names, values, strict=True))))
    claim = {"says": "More thrust.", "response": "thrust", "treatment": OTHER, "expects": "more"}
    plain_, claimed = compared(runs, make_session()), compared(runs, make_session(claims=[claim]))
    before = next(c for c in plain_ if c.response == "thrust")
    after = next(c for c in claimed if c.response == "thrust")
    assert (before.family, before.family_size) == ("exploratory", 6)
    assert (after.family, after.family_size) == ("claimed", 1)
    assert before.p_adjusted == pytest.approx(6 * before.p_value)
    assert after.p_adjusted == pytest.approx(after.p_value)
    assert not after.primary
    others = [c for c in claimed if c.response != "thrust"]
    assert {(c.family, c.family_size) for c in others} == {("exploratory", 5)}


def test_the_budget_of_a_difference_shows_what_cancels() -> None:
    # a gain of 3 % on both sides: 3 % of the difference is left of it; an offset cancels whole
    found = one({BASE: [100.0, 101.0], OTHER: [110.0, 111.0]}, shared_gain=0.03, shared_offset=0.5)
    sizes = {row.source: row.standard_uncertainty for row in found.budget}
    assert sizes["voltage gain"] == pytest.approx(0.03 * 10.0)
    assert sizes["current offset"] == pytest.approx(0.0, abs=1e-12)
    assert math.hypot(*sizes.values()) == pytest.approx(found.standard_uncertainty)
    assert sum(row.share for row in found.budget) == pytest.approx(1.0)
