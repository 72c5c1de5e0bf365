"""Whole curves against each other: power laws that cross at a known thrust, ranges, sentences, and the truth."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from generator.evidence.contrast_statistics import coverage_factor
from generator.evidence.curve_contrasts import curve_contrasts
from generator.evidence.records import CurveContrast
from generator.planning.bench_model import BenchModel
from generator.planning.rehearse import Assumptions, RunDraws, Scatter, bench_model
from generator.planning.truth import true_of_treatment
from generator.reduction.measured import GF_PER_N
from generator.reduction.readings import is_preferred, preferred_numbers
from generator.reduction.staircase import CompareAt
from tests.evidence.curve_bench import THRUSTS, campaign, stairs
from tests.evidence.invented_bench import (
    BASE,
    KINDS,
    OTHER,
    make_session,
    percent_margin,
    treatment,
    unit_margin,
)
from tests.rehearsed import demo_session, rehearse_in_memory

NBSP = "\u00a0"
CROSS_GF = 240.0


def power_law(share_at_cross=0.0, exponent=1.5):
    """W against gf; every curve with share 0 gives 60 W at CROSS_GF."""
    return lambda thrust: 60.0 * (1.0 + share_at_cross) * (thrust / CROSS_GF) ** exponent


CROSSING = {BASE: power_law(), OTHER: power_law(exponent=1.53)}
ABOVE = {BASE: power_law(), OTHER: power_law(0.03)}
SAME = {BASE: power_law(), OTHER: power_law(0.001)}


def compared(runs, **session):
    found = curve_contrasts(runs, make_session(**session), KINDS)
    return {contrast.key: contrast for contrast in found}


def only(runs, **session) -> CurveContrast:
    (found,) = compared(runs, **session).values()
    return found


# --- closed forms -------------------------------------------------------------------------------------------


def test_without_scatter_the_difference_is_that_of_the_power_laws():
    found = only(campaign(CROSSING, 4, level=0.0, bend=0.0))
    assert [point.x for point in found.points] == list(THRUSTS)
    for point in found.points:
        base, other = (curve(point.x) for curve in CROSSING.values())
        assert point.difference == pytest.approx(other - base, abs=4e-4 * base)
        assert point.relative == pytest.approx((point.x / CROSS_GF) ** 0.03 - 1.0, abs=4e-4)


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("design", ["unpaired", "blocks"])
def test_two_power_laws_cross_where_they_do(seed, design):
    runs = campaign(CROSSING, 5, seed=seed, level=0.001, blocks=design == "blocks")
    found = only(runs, design=design)
    ((low, high),) = found.crossings
    assert low < CROSS_GF < high < 2.5 * low
    less, more = found.ranges[0], found.ranges[-1]
    assert (less.direction, more.direction) == (-1, 1)
    assert (less.low, more.high) == (THRUSTS[0], THRUSTS[-1])
    assert less.high == low
    assert more.low == high
    assert f"the curves cross between {low:g} and {high:g}{NBSP}gf of thrust" in found.sentence
    assert found.sentence.startswith(f"Between 63 and {low:g}{NBSP}gf of thrust 5S capped draws ")
    assert "in between the data do not settle it" in found.sentence


def test_the_sentence_holds_amounts_base_range_level_and_runs():
    found = only(campaign(ABOVE, 4, level=0.001))
    least = 100 * min(point.relative_low for point in found.points)
    most = 100 * max(point.relative_high for point in found.points)
    assert found.sentence == (
        f"Between 63 and 710{NBSP}gf of thrust 5S capped draws {least:.2f} to {most:.2f}{NBSP}% more electrical power "
        f"than 4S (95{NBSP}% band over the whole curve, from 63 to 710{NBSP}gf of thrust; 4 runs each)."
    )
    assert found.key == "electrical_power-over-thrust-five-cell"
    assert found.runs == (4, 4)
    assert (found.unit, found.axis_unit, found.level) == ("W", "gf", 0.95)


def test_nothing_is_settled_where_runs_scatter_more_than_they_differ():
    found = only(campaign(SAME, 3, level=0.02))
    assert found.ranges == ()
    assert found.crossings == ()
    assert found.sentence.startswith(
        "The data do not settle anywhere whether 5S capped draws more or less electrical power"
    )


# --- the margin ---------------------------------------------------------------------------------------------


def test_within_the_margin_all_along():
    found = only(campaign(SAME, 4, level=0.001), margins={"electrical_power": percent_margin(0.02)})
    (same,) = found.ranges
    assert (same.low, same.high, same.direction) == (THRUSTS[0], THRUSTS[-1], 0)
    assert f"as 4S to within the 2{NBSP}% that would matter" in found.sentence
    assert found.margin is None  # a share of the baseline, so each point has its own
    for point in found.points:
        assert point.margin == pytest.approx(0.02 * point.baseline_value)


@pytest.mark.parametrize(
    ("margin", "words"),
    [
        (0.005, "everywhere beyond the 0.5"),
        (0.026, "but perhaps less than the 2.6"),
        (None, "more electrical power than 4S ("),
    ],
)
def test_a_direction_says_whether_it_matters(margin, words):
    margins = {} if margin is None else {"electrical_power": percent_margin(margin)}
    found = only(campaign(ABOVE, 4, level=0.003), margins=margins)
    assert {r.direction for r in found.ranges} == {1}
    assert words in found.sentence


def test_a_margin_with_a_unit_is_judged_and_told_in_it():
    found = only(campaign(ABOVE, 4, level=0.001), margins={"electrical_power": unit_margin(2.0, "W")})
    assert found.margin == 2.0
    assert all(point.relative is None for point in found.points)
    # 3 % are 0.24 W at 63 gf and 9 W at 710 gf
    assert found.ranges[0].direction == 0
    assert found.ranges[-1].direction == 1
    assert f"{NBSP}W more electrical power" in found.sentence


# --- what is compared ---------------------------------------------------------------------------------------


def test_only_the_range_that_every_run_covers():
    found = only(campaign(ABOVE, 4, reach={3: 500.0}))
    assert found.points[-1].x == 500.0
    assert found.runs == (4, 4)


def test_three_points_make_a_curve_and_two_do_not():
    runs = campaign(ABOVE, 3, reach={1: 80.0})
    assert [point.x for point in only(runs).points] == [63.0, 71.0, 80.0]
    assert compared(campaign(ABOVE, 3, reach={1: 75.0})) == {}


def test_readings_at_other_numbers_and_of_holds_are_no_part_of_the_curve():
    runs = campaign(ABOVE, 3)
    hover = replace(runs[0].readings[0], at=(("thrust_gf", 305.9148639),), value=1e6)
    hold = replace(runs[0], procedure="hold", steps=(), run_id="hold", readings=(hover, *runs[0].readings))
    with_hover = [replace(run, readings=(*run.readings, hover)) for run in runs]
    assert only([*with_hover, hold]) == only(runs)


def test_refused_runs_are_left_out():
    runs = campaign(ABOVE, 3)
    wild = stairs(OTHER, 9, [1e4] * len(THRUSTS))
    assert only([*runs, replace(wild, refused="Left out")]) == only(runs)


THREE = {name: treatment(label) for name, label in (("a", "A"), ("b", "B"), ("c", "C"))}
OF_THREE = {"a": power_law(), "b": power_law(0.03), "c": power_law(0.05)}


def test_every_treatment_the_pairs_asked_for_and_never_the_check_standard():
    runs = campaign(OF_THREE, 4, level=0.001)
    asked = {"treatments": THREE, "baseline": "a", "pairs": [{"treatment": "c", "against": "b"}]}
    found = compared(runs, **asked)
    assert list(found) == [
        "electrical_power-over-thrust-b",
        "electrical_power-over-thrust-c",
        "electrical_power-over-thrust-c-against-b",
    ]
    pair = found["electrical_power-over-thrust-c-against-b"]
    assert (pair.treatment, pair.baseline) == ("c", "b")
    assert pair.points[0].relative == pytest.approx(1.05 / 1.03 - 1.0, abs=0.003)
    watched = compared(runs, treatments=THREE, baseline="a", check_standard="c")
    assert list(watched) == ["electrical_power-over-thrust-b"]


def test_several_comparisons_of_a_primary_response_hold_together():
    runs = campaign(OF_THREE, 4)
    alone = compared(runs, treatments=THREE, baseline="a")
    together = compared(runs, treatments=THREE, baseline="a", primary=["electrical_power"])
    for key, contrast in together.items():
        assert contrast.primary
        assert not alone[key].primary
        assert "for all 2 comparisons of this response together" in contrast.method
        for wide, narrow in zip(contrast.points, alone[key].points, strict=True):
            assert wide.low < narrow.low < narrow.high < wide.high


# --- how wide -----------------------------------------------------------------------------------------------


def half_widths(contrast):
    return np.array([(point.relative_high - point.relative_low) / 2.0 for point in contrast.points])


def test_gains_that_both_sides_share_cancel_in_the_ratio():
    plain = only(campaign(ABOVE, 4))
    gained = only(campaign(ABOVE, 4, shared={"current gain": 0.02, "voltage gain": -0.01}))
    assert half_widths(gained) == pytest.approx(half_widths(plain), rel=0.02)
    # what only one side has does not cancel: 2 % of the treatment with infinite dof
    one_sided = [
        replace(run, readings=tuple(replace(r, components=r.components[:1]) for r in run.readings))
        if run.treatment == BASE
        else run
        for run in campaign(ABOVE, 4, shared={"propeller gain": 0.02})
    ]
    assert (half_widths(only(one_sided)) > 0.04).all()


def test_the_band_is_wider_than_single_intervals_and_says_by_how_much():
    found = only(campaign(ABOVE, 4, blocks=True), design="blocks")
    runs = campaign(ABOVE, 4, blocks=True)
    differences = {x: np.subtract(_values(runs, OTHER, x), _values(runs, BASE, x)) for x in THRUSTS}
    ratios = [
        (point.high - point.low)
        / 2.0
        / (np.std(differences[point.x], ddof=1) / 2.0 * coverage_factor(0.95, 3))
        for point in found.points
    ]
    assert np.ptp(ratios) < 1e-9
    assert 1.0 < ratios[0] < 2.5  # Bonferroni over 22 points would be 3.1
    assert f"{ratios[0]:.1f} times as wide as the 95 % interval of a single point" in found.method
    assert "neighbouring points move together" in found.method


def _values(runs, name, x):
    return [r.value for run in runs if run.treatment == name for r in run.readings if r.at[0][1] == x]


def test_one_run_each_is_indicative_and_rests_on_what_is_within_the_runs():
    found = only(campaign(ABOVE, 1, scatter=0.002))
    assert found.basis == "within one run"
    assert found.sentence.startswith("Indicative, one run each: between 63 and 710")
    assert "probably draws" in found.sentence
    assert "only repeats can tell how far runs differ" in found.sentence
    assert "Bonferroni" in found.method
    assert len(found.points) == 7  # as many as the staircases have steps
    first = found.points[0]
    single = math.hypot(0.002 * first.treatment_value, 0.002 * first.baseline_value)
    assert (first.high - first.low) / 2.0 / single == pytest.approx(
        coverage_factor(1.0 - 0.05 / 7, math.inf), rel=1e-6
    )


def test_too_few_runs_to_tell_what_moves_together_pay_in_full():
    found = only(campaign(ABOVE, 3, blocks=True), design="blocks")
    assert "Bonferroni" in found.method
    assert [point.x for point in found.points] == [63.0, 100.0, 140.0, 200.0, 315.0, 500.0, 710.0]
    assert all(is_preferred("thrust_gf", point.x) for point in found.points)


# --- the truth ----------------------------------------------------------------------------------------------


@cache
def true_curves(session_id: str) -> dict[tuple[str, str, float, str], float]:
    """(response, axis, x, treatment) -> what is true in a rehearsed session, without sensors and scatter."""
    season, session, rehearsal = demo_session(session_id)
    still = rehearsal.model_copy(update={"scatter": Scatter.model_construct(start_temperature_k=0.0)})
    conditions = CompareAt.model_construct(
        thrust_n=tuple(x / GF_PER_N for x in preferred_numbers(25.0, 1200.0)),
        speed_rpm=preferred_numbers(4000.0, 26000.0),
        throttle=tuple(percent / 100.0 for percent in range(5, 101, 5)),
    )
    plan = session.plans["staircase"].model_copy(update={"compare_at": conditions})
    found = {}
    for name in session.file.treatments:
        model: BenchModel = bench_model(season, session, name, still, RunDraws(), Assumptions())
        for true in true_of_treatment(model, "staircase", plan, name):
            ((axis, x),) = true.at
            found[true.response, axis, round(x, 3), name] = true.value
    return found


def holds_truth(contrast: CurveContrast, truth: dict[tuple[str, str, float, str], float]) -> bool:
    for point in contrast.points:
        t, b = (
            truth[contrast.response, contrast.axis, point.x, name]
            for name in (contrast.treatment, contrast.baseline)
        )
        if point.relative is None:
            if not point.low <= t - b <= point.high:
                return False
        elif not point.relative_low <= t / b - 1.0 <= point.relative_high:
            return False
    return True


def test_bands_of_rehearsed_sessions_hold_the_true_difference_curve():
    counted = []
    for seed in (1, 2):
        analysis = rehearse_in_memory("two-or-three-blades", seed, ("staircase",)).analysis
        truth = true_curves("two-or-three-blades")
        counted += [
            holds_truth(contrast, truth)
            for contrast in analysis.curve_contrasts
            if contrast.response != "thrust_per_power"
        ]
    assert len(counted) == 14
    assert np.mean(counted) >= 0.95
