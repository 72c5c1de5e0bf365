"""Control charts of a rig: published examples, exact false alarm rates, causality, what restarts a chart."""

from __future__ import annotations

import csv
import datetime
import math
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from generator.evidence.checks import checks
from generator.evidence.rig_history import (
    ChartPoint,
    ChartRules,
    RigHistory,
    average_spread,
    chart_rules,
    limit_factors,
    mean_and_sd,
    moving_average,
    pooled,
    rig_history,
)
from generator.intake.rig import Rig
from generator.intake.session import Session
from generator.reduction.records import RunReduction
from generator.reduction.run import air_state
from tests.evidence.invented_bench import (
    AIR,
    BASE,
    KINDS,
    OTHER,
    THRESHOLDS,
    at_speed,
    make_run,
    make_season,
    make_session,
    response,
    treatment,
)

# NIST/SEMATECH e-Handbook of Statistical Methods, public domain; see SOURCES.md beside the files.
PUBLISHED = Path(__file__).parents[1] / "data" / "control_chart"
AT = at_speed(16000)
STANDARD = "reference"
TREATMENTS = {
    BASE: treatment("4S"),
    OTHER: treatment("5S capped"),
    STANDARD: treatment("Check standard"),
}


def rows(name: str) -> list[dict[str, str]]:
    with (PUBLISHED / name).open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def published(chart: str) -> dict[str, float]:
    return {row["quantity"]: float(row["value"]) for row in rows("limits.csv") if row["chart"] == chart}


def session_on(day: int, *, calibrated: datetime.date | None = None) -> Session:
    made = make_session(
        treatments=TREATMENTS,
        check_standard=STANDARD,
        date=datetime.date(2031, 5, 1) + datetime.timedelta(days=7 * day),
        primary=["electrical_power"],
    )
    rig = {
        "id": "stand",
        "label": "Stand",
        "channels": {
            "time": {"column": "t", "unit": "s"},
            "thrust": {"column": "f", "unit": "gf", "calibrated": calibrated},
        },
    }
    return made.model_copy(update={"id": f"s{day:02d}", "rig": Rig.model_validate(rig)})


Made = list[tuple[Session, list[RunReduction]]]


def made_of(
    values: Sequence[float], name: str = "thrust", calibrated: Sequence[datetime.date | None] | None = None
) -> Made:
    """Sessions, a week apart, with two check-standard runs each about the value, and one run a treatment."""
    found = []
    for day, value in enumerate(values):
        session = session_on(day, calibrated=None if calibrated is None else calibrated[day])
        runs = [make_run(STANDARD, 1 + i, response(name, value + d, AT)) for i, d in enumerate((-0.1, 0.1))]
        runs += [
            make_run(t, 3 + i, response(name, 400.0, AT, scatter=0.1)) for i, t in enumerate((BASE, OTHER))
        ]
        found.append((session, runs))
    return found


def points_of(history: RigHistory) -> tuple[ChartPoint, ...]:
    (chart,) = history.charts
    return chart.points


STEADY = [400.0, 400.6, 399.5, 400.2, 399.8]


def test_the_moving_average_and_its_limits_are_those_published() -> None:
    given = published("ewma")
    values = [float(row["value"]) for row in rows("ewma.csv")]
    made = moving_average(values, given["target"], given["lambda"])
    assert made == pytest.approx([float(row["ewma_published"]) for row in rows("ewma.csv")], abs=5.001e-3)
    spread = average_spread(10_000, given["lambda"], math.inf)
    assert spread == pytest.approx(given["sqrt_factor"], abs=5e-5)
    assert given["target"] + given["k"] * spread * given["s"] == pytest.approx(given["ucl"], abs=1e-4)
    assert given["target"] - given["k"] * spread * given["s"] == pytest.approx(given["lcl"], abs=1e-4)


def test_the_check_standard_of_the_handbook_gives_its_scatters_and_limits() -> None:
    given = published("check_standard_resistivity")
    data = rows("check_standard_resistivity.csv")
    within = pooled([(float(row["repeat_sd"]), int(row["repeat_df"])) for row in data])
    assert within is not None
    assert within.sd == pytest.approx(given["repeatability_sd_pooled"], abs=5e-6)
    assert within.dof == given["repeatability_df"]
    mean, sd = mean_and_sd([float(row["value"]) for row in data])
    assert sd == pytest.approx(given["level2_sd"], abs=5e-6)
    assert mean + given["k"] * sd == pytest.approx(given["ucl"], abs=5e-5)
    assert mean - given["k"] * sd == pytest.approx(given["lcl"], abs=5e-5)


def test_limits_become_the_handbooks_three_sigma_for_a_long_baseline() -> None:
    tail = 2.0 * float(stats.norm.sf(3.0))
    alone, averaged = limit_factors(10**7, 10_000, 0.3, tail)
    assert alone == pytest.approx(3.0, abs=1e-5)
    assert averaged == pytest.approx(3.0 * published("ewma")["sqrt_factor"], abs=2e-4)


def test_a_steady_rig_is_called_out_of_control_as_seldom_as_stated() -> None:
    # each limit alone is exact; both together are left at most twice as often
    rng, rules, tail = np.random.default_rng(31), ChartRules(), 0.02
    seasons, judged = 4000, 5
    n = rules.baseline
    alone = np.zeros(judged)
    averaged = np.zeros(judged)
    for _ in range(seasons):
        values = rng.normal(400.0, 0.5, n + judged)
        centre, sd = mean_and_sd(list(values[:n]))
        averages = moving_average(list(values[n:]), centre, rules.weight)
        for place in range(judged):
            one, many = limit_factors(n, place + 1, rules.weight, tail)
            alone[place] += abs(values[n + place] - centre) > one * sd
            averaged[place] += abs(averages[place] - centre) > many * sd
    low, high = stats.binom.ppf([5e-5, 1 - 5e-5], seasons, tail)
    assert ((low <= alone) & (alone <= high)).all()
    assert ((low <= averaged) & (averaged <= high)).all()


def test_a_whole_chart_of_a_steady_rig_keeps_its_rate() -> None:
    rng, seasons, false = np.random.default_rng(5), 300, 0
    rules = ChartRules(false_alarm=0.1)
    for _ in range(seasons):
        history = rig_history(made_of(list(rng.normal(400.0, 0.5, 6))), "stand", KINDS, rules)
        false += points_of(history)[-1].state == "out of control"
    # at most the stated rate; and well above nothing, since the limits overlap at the first session only
    assert stats.binom.ppf(1e-4, seasons, 0.05) <= false <= stats.binom.ppf(1 - 1e-4, seasons, 0.1)


def test_a_step_is_seen_at_its_session_and_the_rig_is_back_when_it_is() -> None:
    history = rig_history(made_of([*STEADY, 400.1, 406.0, 406.1, 400.0, 400.1, 400.0, 400.0]), "stand", KINDS)
    states = [point.state for point in points_of(history)]
    assert states[:6] == ["baseline"] * 5 + ["in control"]
    assert states[6:8] == ["out of control"] * 2
    assert states[-1] == "in control"
    assert history.state == "in control"


def test_a_drift_too_small_for_single_values_is_seen_by_the_average() -> None:
    drifted = [*STEADY, *(400.0 + 0.33 * k for k in range(1, 10))]
    points = points_of(rig_history(made_of(drifted), "stand", KINDS))
    first = next(point for point in points if point.state == "out of control")
    assert first.limits is not None
    assert first.limits[0] <= first.value <= first.limits[1]
    assert rig_history(made_of(drifted), "stand", KINDS).charts[0].trend_p == pytest.approx(0.0, abs=1e-3)


def test_later_sessions_change_nothing_that_was_said_of_earlier_ones() -> None:
    rng = np.random.default_rng(8)
    values = [*rng.normal(400.0, 0.5, 7), *(400.0 + k for k in range(6))]
    whole = points_of(rig_history(made_of(values), "stand", KINDS))
    for length in range(1, len(values)):
        part = points_of(rig_history(list(reversed(made_of(values)[:length])), "stand", KINDS))
        assert part == whole[:length]


def test_too_few_sessions_judge_nothing() -> None:
    history = rig_history(made_of(STEADY), "stand", KINDS)
    assert history.state == "baseline"
    assert {point.state for point in points_of(history)} == {"baseline"}
    assert rig_history(made_of(STEADY), "elsewhere", KINDS).state is None


def test_a_calibration_starts_the_chart_anew() -> None:
    new = datetime.date(2031, 5, 1) + datetime.timedelta(days=7 * 7)
    days = [new if day >= 7 else None for day in range(9)]
    points = points_of(
        rig_history(made_of([*STEADY, 400.0, 410.0, 402.0, 402.1], calibrated=days), "stand", KINDS)
    )
    assert points[6].state == "out of control"
    assert [(point.state, point.restarts) for point in points[7:]] == [
        ("baseline", "thrust calibrated"),
        ("baseline", ""),
    ]


def test_values_are_brought_to_one_air() -> None:
    (session, runs), *_ = made_of([400.0])
    density = air_state(session.file.air).density_kg_m3
    (point,) = points_of(rig_history([(session, runs)], "stand", KINDS))
    assert point.value == pytest.approx(400.0 * 1.225 / density)


def test_scatter_between_runs_and_sessions_is_found() -> None:
    # invented: 0.3 gf between runs, 0.4 gf between sessions: 0.5 gf for one run of any session
    rng, made = np.random.default_rng(3), []
    for day in range(200):
        middle = rng.normal(400.0, 0.4)
        runs = [make_run(STANDARD, 1 + i, response("thrust", rng.normal(middle, 0.3), AT)) for i in range(3)]
        made.append((session_on(day), runs))
    (chart,) = rig_history(made, "stand", KINDS).charts
    scale = 1.225 / air_state(made[0][0].file.air).density_kg_m3
    assert chart.repeatability is not None
    assert chart.reproducibility is not None
    assert chart.repeatability.dof == 400
    assert abs(chart.repeatability.sd - 0.3 * scale) < 4 * chart.repeatability.u
    assert abs(chart.reproducibility.sd - 0.5 * scale) < 4 * chart.reproducibility.u


def check_of(made: Made, place: int) -> list[str]:
    session, runs = made[place]
    history = rig_history(made, "stand", KINDS)
    found = checks(runs, (), make_season(), session, THRESHOLDS, AIR, (), (), history)
    told = [f"{c.outcome} {c.sentence} {c.weakens}" for c in found if c.id == "rig-in-control"]
    return [text.replace("\u202f", " ").replace("\xa0", " ") for text in told]


def test_sessions_from_the_signal_on_carry_the_notice() -> None:
    made = made_of([*STEADY, 400.1, 406.0, 400.0])
    assert check_of(made, 4) == []
    assert check_of(made, 5)[0].startswith("passed")
    (told,) = check_of(made, 6)
    assert told.startswith("warned The thrust at 16 000 rpm of the check standard is ")
    assert "taken by itself" in told
    assert "'thrust'" in told
    assert " above its baseline" in told


def test_a_session_without_the_check_standard_takes_the_newest_before_it() -> None:
    made = made_of([*STEADY, 400.1, 406.0, 400.0])
    made[7] = (made[7][0], made[7][1][2:])
    (told,) = check_of(made, 7)
    assert told.startswith("warned")
    assert "has not been seen back since" in told


@pytest.mark.parametrize(("day", "outcome"), [(20, "passed"), (21, "warned")])
def test_a_calibration_is_due_after_its_interval(day: int, outcome: str) -> None:
    session = session_on(0)
    channel = {"column": "f", "unit": "gf", "calibrated": "2031-04-20", "calibration_interval": "30 day"}
    rig = {
        "id": "stand",
        "label": "Stand",
        "channels": {"time": {"column": "t", "unit": "s"}, "thrust": channel},
    }
    file = session.file.model_copy(update={"date": datetime.date(2031, 5, day)})
    late = session.model_copy(update={"rig": Rig.model_validate(rig), "file": file})
    trace = {"thrust_n": [1.0, 1.0]}
    runs = [make_run(BASE, 1, response("thrust", 400.0, AT, scatter=0.1), trace=trace)]
    found = checks(runs, (), make_season(), late, THRESHOLDS, AIR, (), ())
    (told,) = [check for check in found if check.id == "calibration-due"]
    # 20 April and 30 days is 20 May
    assert told.outcome == outcome
    assert told.weakens == (("thrust",) if outcome == "warned" else ())
    assert "2031-05-20" in told.sentence


def test_the_rules_are_those_of_the_table_of_thresholds() -> None:
    assert chart_rules(THRESHOLDS) == ChartRules()


def test_a_speed_no_longer_measured_keeps_no_notice_alive() -> None:
    made = made_of([*STEADY, 400.1, 406.0])
    later = session_on(7)
    runs = [make_run(STANDARD, 1, response("thrust", 200.0, at_speed(9000)))]
    history = rig_history([*made, (later, runs)], "stand", KINDS)
    assert rig_history(made, "stand", KINDS).state == "out of control"
    assert history.state == "baseline"
    assert [chart.at for chart, _ in history.latest(later)] == [at_speed(9000)]
    assert [point.state for _, point in history.latest(made[6][0])] == ["out of control"]
