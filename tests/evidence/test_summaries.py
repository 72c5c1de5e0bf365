"""Runs gathered into responses."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from generator.evidence.contrast_statistics import coverage_factor
from generator.evidence.summaries import gather, several_procedures, summarise
from tests.evidence.invented_bench import BASE, KINDS, OTHER, at_speed, make_run, response, runs_of

AT = at_speed(16000)


def test_the_mean_and_its_scatter_between_runs() -> None:
    # by hand: mean 102, deviations -2, 0, 2, sd 2, standard error 2 / sqrt(3)
    (found,) = summarise(runs_of({BASE: [100.0, 102.0, 104.0]}), KINDS)
    assert found.key == "electrical_power-16000rpm-four-cell"
    assert (found.value, found.unit, found.runs) == (102.0, "W", 3)
    assert found.standard_uncertainty == pytest.approx(2.0 / math.sqrt(3.0))
    assert found.dof == pytest.approx(2.0)
    assert [row.source for row in found.budget] == ["scatter between runs"]
    assert [run.value for run in found.per_run] == [100.0, 102.0, 104.0]


def test_shared_sources_add_signed_within_a_source_and_do_not_shrink_with_runs() -> None:
    runs = [
        make_run(
            BASE, order, response("electrical_power", value, AT, shared={"voltage gain": 0.3, "offset": sign})
        )
        for order, (value, sign) in enumerate([(100.0, 0.4), (102.0, -0.4), (101.0, 0.0)], start=1)
    ]
    (found,) = summarise(runs, KINDS)
    rows = {row.source: row for row in found.budget}
    assert rows["voltage gain"].standard_uncertainty == pytest.approx(0.3)  # the same in all three runs
    assert rows["offset"].standard_uncertainty == pytest.approx(0.0)  # +0.4, -0.4 and 0 cancel
    assert rows["voltage gain"].shared
    scatter = 1.0 / math.sqrt(3.0)
    assert found.standard_uncertainty == pytest.approx(math.hypot(scatter, 0.3))
    assert sum(row.share for row in found.budget) == pytest.approx(1.0)
    # Welch-Satterthwaite by hand would be u^4 / (scatter^4 / 2) = 3.2, and its interval narrower than the scatter
    # alone makes it with t = 4.303 (Student, two degrees of freedom)
    assert coverage_factor(0.95, found.dof) * found.standard_uncertainty == pytest.approx(
        4.30265 * scatter, rel=1e-5
    )


def test_one_run_has_what_it_tells_of_itself() -> None:
    only = response("electrical_power", 100.0, AT, scatter=0.3, own={"zero drift": 0.4}, shared={"gain": 1.2})
    (found,) = summarise([make_run(BASE, 1, only)], KINDS)
    assert found.standard_uncertainty == pytest.approx(1.3)  # 3-4-12-13
    assert found.per_run[0].within_run_uncertainty == pytest.approx(0.5)
    assert [row.source for row in found.budget] == ["gain", "zero drift", "scatter within the run"]


def test_cycles_give_the_scatter_of_one_run_its_degrees_of_freedom() -> None:
    only = response("rise_time", 90.0, AT, scatter=1.0, per_cycle=[89.0, 90.0, 91.0, 90.0])
    (found,) = summarise([make_run(BASE, 1, only, procedure="spin-up")], KINDS)
    assert found.dof == pytest.approx(3.0)


def test_runs_that_fall_on_one_step_are_not_known_better_than_the_step() -> None:
    runs = [make_run(BASE, i, response("thrust", 250.0, AT, own={"resolution": 0.29})) for i in (1, 2, 3)]
    (found,) = summarise(runs, KINDS)
    assert found.standard_uncertainty == pytest.approx(0.29)


def test_agreement_to_the_last_digit_is_not_certainty() -> None:
    runs = [make_run(BASE, i, response("thrust", 250.0, AT, scatter=0.4)) for i in (1, 2, 3, 4)]
    (found,) = summarise(runs, KINDS)
    assert found.standard_uncertainty == pytest.approx(0.2)


def test_refused_runs_and_missing_values_give_nothing() -> None:
    good, lost, refused = (
        make_run(BASE, 1, response("thrust", 250.0, AT, scatter=0.1)),
        make_run(BASE, 2, response("thrust", math.nan, AT), response("time_constant", math.inf)),
        make_run(BASE, 3, response("thrust", 999.0, AT), refused="speed missed"),
    )
    (found,) = summarise([good, lost, refused], KINDS)
    assert (found.value, found.runs) == (250.0, 1)


def test_a_response_given_twice_in_one_run_is_still_one_run() -> None:
    twice = make_run(
        BASE, 1, response("thrust", 250.0, AT, scatter=0.3), response("thrust", 252.0, AT, scatter=0.4)
    )
    (found,) = summarise([twice], KINDS)
    assert (found.value, found.runs) == (251.0, 1)
    assert found.standard_uncertainty == pytest.approx(0.25)  # sqrt(0.3^2 + 0.4^2) / 2


def test_fifty_samples_of_one_hold_do_not_become_repeats() -> None:
    """However often one hold is read, the number of runs and the scatter between runs stay those of the runs."""
    few = summarise(runs_of({BASE: [100.0, 104.0]}), KINDS)[0]
    often = summarise(
        [
            make_run(BASE, order, *(response("electrical_power", value, AT, scatter=0.7) for _ in range(50)))
            for order, value in enumerate([100.0, 104.0], start=1)
        ],
        KINDS,
    )[0]
    assert (often.runs, often.dof) == (few.runs, few.dof) == (2, 1.0)
    assert often.standard_uncertainty == pytest.approx(few.standard_uncertainty)


def test_one_procedure_is_taken_where_several_give_the_same_response() -> None:
    runs = [
        *(make_run(n, i, response("thrust", 250.0 + i, AT)) for i, n in enumerate((BASE, OTHER), start=1)),
        *(
            make_run(n, i, response("thrust", 300.0 + i, AT), procedure="staircase")
            for i, n in enumerate((BASE, OTHER), start=3)
        ),
    ]
    found = gather(runs)["thrust", AT]
    assert {o.run.procedure for observations in found.values() for o in observations} == {"hold"}
    assert several_procedures(runs) == (("thrust", "hold", ("staircase",)),)
    # a procedure that covers more treatments goes first, whatever its values
    assert {o.run.procedure for o in gather(runs[1:])["thrust", AT][BASE]} == {"staircase"}
    assert several_procedures(runs[:2]) == ()


def test_a_rounding_error_in_a_setpoint_does_not_part_a_condition() -> None:
    runs = [
        make_run(BASE, 1, response("thrust", 250.0, at_speed(16000.0))),
        make_run(BASE, 2, response("thrust", 252.0, at_speed(16000.000000001))),
    ]
    assert [s.runs for s in summarise(runs, KINDS)] == [2]


def test_a_response_without_a_kind_is_an_error() -> None:
    with pytest.raises(KeyError, match="invented"):
        summarise([make_run(BASE, 1, response("invented", 1.0))], KINDS)


@given(st.lists(st.floats(50, 150), min_size=2, max_size=8), st.floats(0.5, 2.0))
def test_a_scale_scales_value_and_uncertainty_alike(values: list[float], scale: float) -> None:
    if max(values) - min(values) < 1e-6:
        return
    plain = summarise(runs_of({BASE: values}, shared_gain=0.01), KINDS)[0]
    scaled = summarise(runs_of({BASE: [scale * v for v in values]}, shared_gain=0.01), KINDS)[0]
    assert scaled.value == pytest.approx(scale * plain.value)
    assert scaled.standard_uncertainty == pytest.approx(scale * plain.standard_uncertainty)


@given(st.permutations(list(range(6))))
def test_the_order_in_which_runs_are_handed_over_changes_nothing(order: list[int]) -> None:
    runs = runs_of({BASE: [100.0, 102.0, 104.0], OTHER: [101.0, 103.0, 108.0]})
    assert summarise([runs[i] for i in order], KINDS) == summarise(runs, KINDS)
