"""Where the scatter of one run comes from, in which order, and what blocks take out of it."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pytest

from generator.evidence.estimates import Design as Method
from generator.intake.rig import Rig
from generator.intake.session import Session
from generator.planning.design_scatter import earlier_value, left_over_share, scatter_of
from generator.reduction.records import RunReduction
from tests.benchmarks.coverage_plan import RIG
from tests.evidence.invented_bench import KINDS, at_speed, make_run, make_session, response, treatment

AT, FAST = at_speed(9000.0), at_speed(16000.0)
KIND = KINDS["electrical_power"]
NAMES = ("base", "first")


def session(name: str = "planned", day: int = 20, rig: Rig = RIG, **more: object) -> Session:
    made = make_session(
        treatments={n: treatment(n) for n in (*NAMES, "standard")},
        baseline="base",
        check_standard="standard",
        date=f"2031-05-{day:02d}",
        **more,
    )
    return made.model_copy(update={"id": name, "rig": rig})


def earlier(
    values: Sequence[Sequence[float]],
    name: str = "before",
    day: int = 1,
    *,
    rig: Rig = RIG,
    blocks: bool = True,
    simulated: bool = False,
    fast: float | None = None,
) -> tuple[Session, tuple[RunReduction, ...]]:
    """A session of blocks; values[block] is (baseline, treatment). fast: the same runs at another speed, times this."""
    planned, runs = [], []
    for block, row in enumerate(values, start=1):
        for treatment_name, value in zip(NAMES, row, strict=True):
            place = len(runs) + 1
            planned.append(
                {"log": f"logs/{place:02d}.csv", "procedure": "hold", "treatment": treatment_name, "repeat": block,
                 **({"block": block} if blocks else {})}
            )  # fmt: skip
            found = [response("electrical_power", value, AT)]
            if fast is not None:
                found.append(response("electrical_power", fast * value, FAST))
            more = {"simulated": "SIMULATED"} if simulated else {}
            runs.append(
                make_run(treatment_name, place, *found, block=block if blocks else 0, repeat=block, **more)
            )
    return session(name, day, rig, runs=planned), tuple(runs)


def standards(
    values: Sequence[float], name: str, day: int, rig: Rig = RIG
) -> tuple[Session, tuple[RunReduction, ...]]:
    runs = tuple(
        make_run("standard", place, response("electrical_power", value, AT))
        for place, value in enumerate(values, 1)
    )
    return session(name, day, rig), runs


def found(
    *sessions: tuple[Session, tuple[RunReduction, ...]], method: Method = "blocks", value: float | None = None
):  # type: ignore[no-untyped-def]
    return scatter_of("electrical_power", KIND, session(), list(sessions), KINDS, method=method, value=value)


BLOCKS = ((100.0, 104.0), (110.0, 115.0), (90.0, 93.0), (105.0, 108.0))


def test_the_check_standard_comes_first() -> None:
    rng = np.random.default_rng(5)
    made = [standards(list(100.0 + rng.standard_normal(2)), f"s{i}", i + 1) for i in range(7)]
    scatter = found(*made, earlier(BLOCKS, day=9))
    assert scatter.basis == "check standard"
    assert scatter.dof == 7.0
    pairs = [[run.responses[0].value for run in runs] for _, runs in made]
    pooled = math.sqrt(sum(np.var(np.array(pair) / np.mean(pair), ddof=1) for pair in pairs) / 7.0)
    assert scatter.sd == pytest.approx(pooled)
    assert scatter.told == "from 14 runs of the check standard in 7 sessions"


def test_a_short_history_of_the_check_standard_gives_way_to_a_longer_one() -> None:
    few = [standards([100.0, 100.4], f"s{i}", i + 1) for i in range(3)]
    assert found(*few).basis == "check standard"
    many = [earlier(BLOCKS, f"e{i}", 10 + i) for i in range(3)]
    assert found(*few, *many).basis == "earlier sessions"
    assert found(*few[:1]).basis != "check standard"  # one degree of freedom tells nothing


def test_the_scatter_inside_blocks_against_numpy() -> None:
    # two treatments: the mean square inside blocks is half the variance of the block differences, each as a share
    table = np.array(BLOCKS) / np.mean(BLOCKS, axis=0)
    scatter = found(earlier(BLOCKS))
    assert scatter.sd == pytest.approx(math.sqrt(np.var(table[:, 1] - table[:, 0], ddof=1) / 2.0))
    assert scatter.dof == 3.0
    assert scatter.told == "from 8 runs in 1 earlier session on this rig inside their blocks"


def test_without_blocks_it_is_the_scatter_about_the_means() -> None:
    table = np.array(BLOCKS) / np.mean(BLOCKS, axis=0)
    pooled = math.sqrt(sum(np.var(side, ddof=1) for side in table.T) / 2.0)
    for one in (found(earlier(BLOCKS), method="unpaired"), found(earlier(BLOCKS, blocks=False))):
        assert one.sd == pytest.approx(pooled)
        assert one.dof == 6.0


def test_a_drift_is_taken_out_where_the_analysis_will_do_so() -> None:
    rng = np.random.default_rng(3)
    drifting = [
        [100.0 + 3.0 * block + rng.normal(), 104.0 + 3.0 * block + rng.normal()] for block in range(6)
    ]
    straight, drifted = found(earlier(drifting), method="drift"), found(earlier(drifting), method="unpaired")
    assert (straight.dof, drifted.dof) == (9.0, 10.0)
    assert straight.sd < 0.4 * drifted.sd
    assert "a drift taken out" in straight.told


def test_speeds_of_one_run_count_once() -> None:
    # at the other speed each run misses by just as much: nothing new is learnt
    one, two = found(earlier(BLOCKS)), found(earlier(BLOCKS, fast=5.0))
    assert (two.dof, two.sd) == (one.dof, pytest.approx(one.sd))


def test_other_rigs_and_later_days_tell_nothing() -> None:
    other = RIG.model_copy(update={"id": "another"})
    assert found(earlier(BLOCKS, rig=other)).basis == "assumed"
    assert found(earlier(BLOCKS, day=25)).basis == "assumed"
    assert found(earlier(BLOCKS, name="planned")).basis == "assumed"  # its own runs, planned anew


def test_measured_runs_go_before_simulated_ones_and_those_are_told() -> None:
    quiet = tuple((100.0 + 0.1 * i, 104.0 - 0.1 * i) for i in range(5))
    measured, simulated = earlier(BLOCKS, "m"), earlier(quiet, "s", day=2, simulated=True)
    assert found(measured, simulated).sd == found(measured).sd
    only = found(simulated)
    assert only.simulated
    assert "simulated, not measured" in only.told


def test_without_runs_the_rig_file_is_asked_and_then_an_assumption_is_made() -> None:
    rig = Rig.model_validate(
        {"id": "stand", "label": "Stand", "channels": {
            "time": {"column": "t", "unit": "s"},
            "voltage": {"column": "u", "unit": "V", "gain_uncertainty": "0.3 %"},
            "current": {"column": "i", "unit": "A", "gain_uncertainty": "0.4 %"}}}
    )  # fmt: skip
    planned = session(rig=rig)
    scatter = scatter_of("electrical_power", KIND, planned, [], KINDS, method="blocks")
    assert scatter.basis == "stated by the rig"
    assert scatter.sd == pytest.approx(math.hypot(0.003, 0.004))
    assert math.isinf(scatter.dof)
    bare = scatter_of("rise_time", KINDS["rise_time"], planned, [], KINDS, method="blocks")
    assert (bare.basis, bare.sd) == ("assumed", 0.01)
    warm = scatter_of(
        "motor_temperature_rise", KINDS["motor_temperature_rise"], planned, [], KINDS, method="blocks"
    )
    assert (warm.relative, warm.sd, warm.size) == (False, 1.0, "1\u00a0K")


def test_what_the_rig_left_over_before() -> None:
    offsets = {"base": 1.0, "first": 1.3}
    runs = [
        make_run(
            name, place,
            response("electrical_power", 100.0, AT, shared={"current offset": offset, "voltage gain": 0.5}),
        )
        for place, (name, offset) in enumerate(offsets.items(), start=1)
    ]  # fmt: skip
    before = (session("before", 1), tuple(runs))
    assert left_over_share("electrical_power", KIND, session(), [before]) == pytest.approx(0.003)
    assert left_over_share("thrust", KINDS["thrust"], session(), [before]) is None


def test_a_value_from_the_nearest_condition_before() -> None:
    before = earlier(BLOCKS, fast=5.0)
    near = earlier_value("electrical_power", at_speed(15000.0), session(), [before])
    assert near == (pytest.approx(5.0 * np.mean(BLOCKS)), "as in session before")
    assert earlier_value("thrust", AT, session(), [before]) is None
    told = earlier_value(
        "electrical_power", AT, session(), [before, earlier(BLOCKS, "later", 2, simulated=True)]
    )
    assert told == (pytest.approx(np.mean(BLOCKS)), "as in session later, which was simulated")
