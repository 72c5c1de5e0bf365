"""Mean curves from steps, and their difference."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from generator.evidence.curves_mean import compare_curves, mean_curves
from generator.evidence.records import CurvePoint
from generator.reduction.records import RunReduction, StepRow
from tests.evidence.invented_bench import BASE, OTHER, make_run

N_PER_GF = 9.80665e-3  # standard gravity, 3rd CGPM (1901)


def stairs(
    treatment: str, order: int, gain: float = 1.0, *, power: bool = True, **more: object
) -> RunReduction:
    """Up and down through five steps: power goes with the cube of the speed, thrust with its square."""
    steps = []
    levels = [0.2, 0.4, 0.6, 0.8, 1.0]
    for direction, ladder in (("up", levels), ("down", levels[-2::-1])):
        for throttle in ladder:
            speed = 20000.0 * throttle
            watts = gain * 300.0 * throttle**3
            means = [("speed_rpm", speed, 1.0), ("thrust_n", 800.0 * throttle**2 * N_PER_GF, 0.01)]
            means += (
                [("power_w", watts, 0.1)]
                if power
                else [("voltage_v", 15.0, 0.01), ("current_a", watts / 15.0, 0.01)]
            )
            steps.append(
                StepRow(direction=direction, throttle=throttle, start_s=0.0, stop_s=1.0, means=tuple(means))  # type: ignore[arg-type]
            )
    return make_run(treatment, order, procedure="staircase", steps=tuple(steps), **more)


def test_points_are_means_over_runs_in_the_order_of_the_way() -> None:
    points = mean_curves([stairs(BASE, 1, 0.98), stairs(OTHER, 2), stairs(BASE, 3, 1.02)])
    base = [p for p in points if p.treatment == BASE]
    assert [(p.direction, p.throttle_percent) for p in base] == [
        *(("up", t) for t in (20.0, 40.0, 60.0, 80.0, 100.0)),
        *(("down", t) for t in (80.0, 60.0, 40.0, 20.0)),
    ]
    assert base[4].power_w == pytest.approx(300.0)
    assert base[4].thrust_gf == pytest.approx(800.0)
    assert base[4].runs == 2
    # the mean of the runs' own quotients, by hand
    assert base[4].thrust_per_power_gf_w == pytest.approx((800 / 294 + 800 / 306) / 2)
    assert [p.treatment for p in points] == [BASE] * 9 + [OTHER] * 9


def test_power_from_voltage_and_current_and_refused_runs_left_out() -> None:
    points = mean_curves([stairs(BASE, 1, power=False), stairs(BASE, 2, 9.0, refused="no")])
    assert points[0].runs == 1
    assert points[4].power_w == pytest.approx(300.0)
    assert mean_curves([]) == ()


def test_a_step_that_one_run_has_twice_counts_once() -> None:
    once, twice = stairs(BASE, 1, 1.0), stairs(BASE, 2, 1.3)
    repeated = tuple(
        replace(s, means=(*s.means[:2], ("power_w", 480.0, 0.1))) for s in twice.steps if s.throttle == 1.0
    )
    points = mean_curves([once, replace(twice, steps=(*twice.steps, *repeated))])
    (top,) = [p for p in points if p.throttle_percent == 100.0]
    assert top.runs == 2
    assert top.power_w == pytest.approx((300.0 + (390.0 + 480.0) / 2) / 2)


def test_a_step_without_speed_or_power_gives_no_point_and_one_without_thrust_gives_none() -> None:
    def one(*means: tuple[str, float, float]) -> tuple[CurvePoint, ...]:
        step = StepRow(direction="up", throttle=0.5, start_s=0.0, stop_s=1.0, means=means)
        return mean_curves([make_run(BASE, 1, procedure="staircase", steps=(step,))])

    assert one(("speed_rpm", 9000.0, 1.0)) == ()
    assert one(("power_w", 90.0, 1.0), ("speed_rpm", math.nan, 1.0)) == ()
    (point,) = one(("power_w", 90.0, 1.0), ("speed_rpm", 9000.0, 1.0))
    assert (point.thrust_gf, point.thrust_per_power_gf_w) == (None, None)


def test_the_difference_of_two_power_laws_is_exact() -> None:
    points = mean_curves([stairs(BASE, 1), stairs(OTHER, 2, 1.05)])
    found = compare_curves(points, OTHER, BASE, lambda p: p.thrust_gf, lambda p: p.power_w, count=7)
    assert len(found) == 7
    assert (found[0].x, found[-1].x) == pytest.approx((32.0, 800.0))
    for one in found:
        assert one.relative == pytest.approx(0.05)
        assert one.baseline == pytest.approx(300.0 * (one.x / 800.0) ** 1.5)
        assert one.difference == pytest.approx(one.treatment - one.baseline)


def test_no_difference_beyond_the_common_range_or_from_two_points() -> None:
    points = mean_curves([stairs(BASE, 1), stairs(OTHER, 2)])

    def thrust(point: CurvePoint) -> float | None:
        if point.thrust_gf is None:
            return None
        return point.thrust_gf + (5000.0 if point.treatment == OTHER else 0.0)

    assert compare_curves(points, OTHER, BASE, thrust, lambda p: p.power_w) == ()
    assert compare_curves(points[:2], OTHER, BASE, thrust, lambda p: p.power_w) == ()
    assert compare_curves(points, OTHER, "six", lambda p: p.thrust_gf, lambda p: p.power_w) == ()
