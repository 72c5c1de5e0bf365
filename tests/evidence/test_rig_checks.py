"""Supply, lag, range and calibrations: each check passes on clean data and fires on data foul in just that way."""

from __future__ import annotations

import datetime
import math
from collections.abc import Mapping
from typing import Any

import numpy as np
import pytest

from generator.evidence.records import Check
from generator.intake.rig import Rig
from generator.intake.session import Session
from generator.reduction.records import Finding, RunReduction
from tests.evidence.invented_bench import BASE, OTHER, at_speed, make_run, make_session, response, treatment
from tests.evidence.test_checks import found
from tests.evidence.test_sentences import plain_spaces

DATE = datetime.date(2031, 5, 4)  # of the invented session
FOUR_CELLS = {
    BASE: treatment("4S", cells=4, volts_per_cell="4.0 V"),
    OTHER: treatment("5S capped", cells=5, volts_per_cell="4.0 V", output_cap="80 %"),
}


def session_with(channels: Mapping[str, Mapping[str, Any]], **more: Any) -> Session:
    """A session on a rig with these channels, offsets and ranges in house units."""
    columns = {name: {"column": name, **keys} for name, keys in channels.items()}
    rig = Rig.model_validate(
        {"id": "stand", "label": "Stand", "channels": {"time": {"column": "t", "unit": "s"}, **columns}}
    )
    return make_session(**more).model_copy(update={"rig": rig})


def one(checks: Mapping[str, Check], id_: str) -> Check:
    assert id_ in checks, sorted(checks)
    return checks[id_]


# --- supply -------------------------------------------------------------------------------------------------


def volts(low: float, high: float = 16.0, name: str = BASE, order: int = 1, rows: int = 30) -> RunReduction:
    """A run whose tap voltage falls from `high` to `low` for so many rows of its trace."""
    course = np.where((np.arange(200) > 100) & (np.arange(200) <= 100 + rows), low, high)
    return make_run(
        name, order, response("electrical_power", 100.0, at_speed(16000)),
        response("sound_level", 80.0, at_speed(16000)), trace={"voltage_v": course},
    )  # fmt: skip


@pytest.mark.parametrize(
    ("low", "outcome"),
    [(15.9, "passed"), (15.69, "passed"), (15.67, "warned"), (15.21, "warned"), (15.19, "failed")],
)
def test_a_voltage_that_falls_off_its_set_value(low: float, outcome: str) -> None:
    runs = [volts(low), volts(19.9, 20.0, OTHER, 2)]
    check = one(found(runs, make_session(treatments=FOUR_CELLS)), "supply-voltage")
    assert check.outcome == outcome
    assert check.treatments == (() if outcome == "passed" else (BASE,))
    assert check.weakens == (() if outcome == "passed" else ("electrical_power",))
    assert plain_spaces(check.threshold) == "2 %"
    if low == 15.67:
        assert plain_spaces(check.sentence) == (
            "The lowest voltage at the tap was 15.67 V, 2.1 % below the 16 V set for 4S, in logs/01-hold-four-cell.csv."
        )


def test_a_dip_of_one_sample_is_no_limit_and_a_pack_falls_by_nature() -> None:
    session = make_session(treatments=FOUR_CELLS)
    assert one(found([volts(12.0, rows=2)], session), "supply-voltage").outcome == "passed"
    packs = {name: {**keys, "supply": "pack"} for name, keys in FOUR_CELLS.items()}
    assert "supply-voltage" not in found([volts(12.0)], make_session(treatments=packs))
    assert "supply-voltage" not in found([volts(12.0)])  # nothing was set
    above = one(found([volts(16.05, 16.1)], session), "supply-voltage")
    assert "not below the 16" in plain_spaces(above.sentence)


# --- lag ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("lag_ms", "outcome"),
    [(0.0, None), (13.4, "passed"), (13.6, "warned"), (27.3, "warned"), (27.6, "failed")],
)
def test_a_speed_sensor_against_the_shortest_transition(lag_ms: float, outcome: str | None) -> None:
    # ln 9 · 13.5 ms = 29.7 ms, a third of 90 ms; ln 9 · 27.44 ms = 60.3 ms, two thirds of it
    run = make_run(BASE, 1, response("rise_time", 120.0), response("fall_time", 90.0), response("peak_current", 30.0),
                   procedure="spin-up")  # fmt: skip
    made = found([run], session_with({"speed": {"lag": f"{lag_ms} ms"}}))
    if outcome is None:
        assert "speed-lag" not in made
        return
    check = one(made, "speed-lag")
    assert check.outcome == outcome
    assert check.weakens == (() if outcome == "passed" else ("rise_time", "fall_time"))
    assert f"{math.log(9) * lag_ms:.0f} ms for a step by itself" in plain_spaces(check.sentence)


def test_a_lagging_current_weakens_the_peak_alone() -> None:
    run = make_run(BASE, 1, response("rise_time", 90.0), response("peak_current", 30.0), procedure="spin-up")
    check = one(found([run], session_with({"current": {"lag": "20 ms"}})), "current-lag")
    assert (check.outcome, check.weakens) == ("warned", ("peak_current",))
    without = make_run(BASE, 1, response("rise_time", 90.0), procedure="spin-up")
    assert "current-lag" not in found([without], session_with({"current": {"lag": "20 ms"}}))


# --- range --------------------------------------------------------------------------------------------------


def reading(column: str, level: float, *, rows: int = 40, findings: tuple[Finding, ...] = ()) -> RunReduction:
    course = np.where((np.arange(200) > 100) & (np.arange(200) <= 100 + rows), level, 0.0)
    if column.endswith("_k"):
        course = np.where(course == 0.0, 293.15, course)
    names = ("thrust", "thrust_per_power", "current", "motor_temperature_rise", "sound_level")
    return make_run(BASE, 1, *(response(n, 9.0, at_speed(9000)) for n in names), trace={column: course},
                    findings=findings)  # fmt: skip


@pytest.mark.parametrize(
    ("level", "outcome"), [(5.0, "passed"), (9.49, "passed"), (9.51, "warned"), (-9.51, "passed")]
)
def test_a_load_cell_near_the_end_of_its_range(level: float, outcome: str) -> None:
    made = found([reading("thrust_n", level)], session_with({"thrust": {"range": [-20.0, 10.0]}}))
    check = one(made, "channel-range" if outcome == "passed" else "range-thrust")
    assert check.outcome == outcome
    assert check.weakens == (() if outcome == "passed" else ("thrust", "thrust_per_power"))
    assert "channel-range" not in made or "range-thrust" not in made


def test_either_end_and_a_spike_and_an_open_end() -> None:
    both = session_with({"thrust": {"range": [-20.0, 10.0]}})
    assert one(found([reading("thrust_n", -19.5)], both), "range-thrust").outcome == "warned"
    assert one(found([reading("thrust_n", 30.0, rows=1)], both), "channel-range").outcome == "passed"
    rest = session_with({"thrust": {"range": [0.0, None]}})  # a channel rests at a lower end of zero
    assert "channel-range" not in found([reading("thrust_n", 5.0)], rest)
    assert "channel-range" not in found([reading("thrust_n", 5.0)])  # none stated


def test_a_temperature_counts_from_the_other_end() -> None:
    # -40 to 120 °C: 112 °C is 95 % of the way; as kelvins it would be 98 % of 393 K at 112 °C and 88 % at 75 °C
    session = session_with({"motor_temperature": {"range": [233.15, 393.15]}})
    assert one(found([reading("motor_temperature_k", 384.9)], session), "channel-range").outcome == "passed"
    check = one(found([reading("motor_temperature_k", 385.5)], session), "range-motor-temperature")
    assert check.weakens == ("motor_temperature_rise",)
    assert "112 °C" in plain_spaces(check.sentence)


def test_readings_that_are_cut_off_fail_and_are_told_once() -> None:
    sentence = "The thrust sits at the end of its range in 40 samples from 3.10 s on; doubtful."
    cut = Finding(kind="clipped", channel="thrust_n", grade="doubtful", sentence=sentence)
    made = found(
        [reading("thrust_n", 7.0, findings=(cut,))], session_with({"thrust": {"range": [-20.0, 10.0]}})
    )
    check = one(made, "range-thrust")
    assert check.outcome == "failed"
    assert check.weakens == ("thrust", "thrust_per_power")
    assert plain_spaces(check.sentence).endswith(
        "In 1 run it is cut off: The thrust sits at the end of its range in 40 samples from 3.10 s on."
    )
    assert "data-thrust" not in made
    assert "data-thrust" in found(
        [reading("thrust_n", 7.0, findings=(cut,))]
    )  # no range stated: told as before


def test_a_peak_of_current_counts() -> None:
    run = make_run(
        BASE, 1, response("peak_current", 58.0), procedure="spin-up", trace={"current_a": [1.0, 2.0]}
    )
    check = one(found([run], session_with({"current": {"range": [-10.0, 60.0]}})), "range-current")
    assert (check.outcome, check.weakens) == ("warned", ("peak_current",))


# --- calibration --------------------------------------------------------------------------------------------


def calibrated(days: int, **more: Any) -> dict[str, Any]:
    return {"calibrated": DATE - datetime.timedelta(days=days), **more}


@pytest.mark.parametrize(
    ("days", "outcome"), [(0, "passed"), (365, "passed"), (366, "warned"), (1096, "failed"), (-1, "warned")]
)
def test_calibrations_grow_old_and_may_come_too_late(days: int, outcome: str) -> None:
    session = session_with({"thrust": calibrated(days), "current": calibrated(20)})
    run = make_run(BASE, 1, *(response(n, 9.0, at_speed(9000)) for n in ("thrust", "current")),
                   trace={"thrust_n": [1.0], "current_a": [1.0]})  # fmt: skip
    check = one(found([run], session), "calibration-age")
    assert check.outcome == outcome
    assert check.weakens == (() if outcome == "passed" else ("thrust",))
    assert plain_spaces(check.threshold) == "365 d, and before the session"
    if days == 366:
        assert check.sentence == "The thrust was calibrated 366 days before the session (2030-05-03)."
    if days == -1:
        assert check.sentence == "The thrust was calibrated 1 day after the session (2031-05-05)."


def test_a_stated_drift_and_a_missing_date_are_told_and_weaken_nothing() -> None:
    run = make_run(BASE, 1, response("thrust", 9.0, at_speed(9000)),
                   trace={"thrust_n": [1.0], "current_a": [1.0], "voltage_v": [1.0]})  # fmt: skip
    session = session_with({"thrust": calibrated(800, gain_drift="0.3 %"), "current": {}, "voltage": {}})
    check = one(found([run], session), "calibration-age")
    assert (check.outcome, check.weakens) == ("passed", ())
    assert check.sentence == (
        "Older, with the drift since then in the uncertainty: thrust. "
        "No date of calibration is stated for voltage and current."
    )
    # beyond the session there is no drift to reckon with the sign of: it warns like any other
    later = session_with({"thrust": calibrated(-30, gain_drift="0.3 %")})
    assert one(found([run], later), "calibration-age").outcome == "warned"
    # a channel that was not logged does not matter
    assert "calibration-age" not in found([make_run(BASE, 1)], session)
