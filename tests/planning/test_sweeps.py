"""Free runs and ramps as they are rehearsed: the drive pattern, the bench without a propeller, and the truth."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from generator.intake.season import load_season
from generator.planning.bench_model import RPM, Stretch, run_bench
from generator.planning.drive_patterns import drive_pattern
from generator.planning.rehearsal_file import load_rehearsal
from generator.planning.set_up import Assumptions, RunDraws, bench_model, without_propeller
from generator.planning.truth import true_of_treatment
from generator.reduction.free_run import FreeRunPlan
from generator.reduction.procedures import contracts
from generator.reduction.ramp import RampPlan
from tests.sweep_season import write_sweep_season


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory):
    folder = write_sweep_season(tmp_path_factory.mktemp("bench") / "season")
    season = load_season(folder, contracts(), logs_needed=False)
    session = next(s for s in season.sessions if s.id == "bearings")
    rehearsal = load_rehearsal(Path(folder) / "bearings" / "rehearsal.yaml")
    return bench_model(season, session, "reed", rehearsal, RunDraws(), Assumptions())


def test_a_throttle_can_move_evenly(bench) -> None:
    trace = run_bench(bench, (Stretch(kind="throttle", value=0.2, until=0.8, duration_s=3.0),))
    assert trace.throttle == pytest.approx(np.linspace(0.2, 0.8, 3001)[:-1], abs=1e-9)


def test_a_ramp_climbs_and_comes_down(bench) -> None:
    plan = RampPlan.model_validate({"from": "20 %", "to": "80 %", "up": "3 s", "down": "2 s"})
    labels = [(stretch.label, stretch.value, stretch.until) for stretch in drive_pattern(plan)]
    assert ("way up", 0.2, 0.8) in labels
    assert ("way down", 0.8, 0.2) in labels


def test_without_propeller_only_the_motor_brakes(bench) -> None:
    """Closed form at full output: speed from V = n/KV + R I with I the free-run current at that speed."""
    free = without_propeller(bench)
    trace = run_bench(free, (Stretch(kind="throttle", value=1.0, duration_s=4.0),))
    assert not trace.thrust_n.any()
    assert not trace.torque_nm.any()
    assert (
        trace.speed_rad_s[-1]
        > run_bench(bench, (Stretch(kind="throttle", value=1.0, duration_s=4.0),)).speed_rad_s[-1]
    )
    motor, kt = free.motor, 1.0 / free.motor.kv_rad_s_v
    amps = motor.free_run_current_a * (0.5 + 0.5 * trace.speed_rad_s[-1] / motor.free_run_speed_rad_s)
    warm = 1.0 + 0.00393 * (trace.winding_temperature_k[-1] - motor.resistance_temperature_k)
    volts = trace.speed_rad_s[-1] * kt + amps * (motor.resistance_ohm * warm + free.controller.resistance_ohm)
    assert volts == pytest.approx(trace.voltage_v[-1], rel=1e-4)


def test_truth_of_a_free_run(bench) -> None:
    plan = FreeRunPlan.model_validate({"speed": ["9000 rpm", "21000 rpm"], "hold": "2 s", "average": "1 s"})
    free = without_propeller(bench)
    found = {(t.response, t.at): t.value for t in true_of_treatment(free, "free-run", plan, "reed")}
    assert found["effective_kv", ()] == pytest.approx(free.motor.kv_rad_s_v / RPM)
    at = (("speed_rpm", 21000.0),)
    kt = 1.0 / free.motor.kv_rad_s_v
    assert found["drag_torque", at] == pytest.approx(kt * found["free_run_current", at])
    # what switching takes lies on top of the motor's own
    own = 0.8 * (0.5 + 0.5 * 21000.0 * RPM / free.motor.free_run_speed_rad_s)
    assert own < found["free_run_current", at] < 1.3 * own


def test_truth_of_a_ramp_is_the_steady_curve(bench) -> None:
    plan = RampPlan.model_validate(
        {
            "from": "20 %",
            "to": "90 %",
            "up": "9 s",
            "compare_at": {"throttle": ["55 %"], "speed": ["12000 rpm"]},
        }
    )
    found = {(t.response, t.at): t.value for t in true_of_treatment(bench, "ramp", plan, "reed")}
    steady = run_bench(bench, (Stretch(kind="throttle", value=0.55, duration_s=3.0),))
    at = (("throttle_percent", 55.0),)
    # the winding is warmer on the way down, which costs a few tenths of a percent of speed
    assert found["speed", at] == pytest.approx(steady.speed_rad_s[-1] / RPM, rel=4e-3)
    assert found["electrical_power", at] == pytest.approx(
        steady.voltage_v[-1] * steady.current_a[-1], rel=1.2e-2
    )
