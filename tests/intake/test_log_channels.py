"""Columns into house units, and the time. All logs are invented; factors come from the sources named."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from generator.intake.rig import Rig
from tests.intake.log_files import make_rig, problems_of, read

TIME: dict[str, Any] = {"column": "t", "unit": "s"}
# Standard acceleration of free fall, exact by definition (3rd General Conference on Weights and Measures, 1901).
STANDARD_FALL = 9.80665


def rig_with(channel: str, **more: Any) -> Rig:
    return make_rig({"time": TIME, channel: {"column": "x", **more}})


def house(folder: Path, value: float, channel: str, *, pole_pairs: int = 7, **more: Any) -> float:
    """The house value that one logged number becomes."""
    log = read(folder, f"t,x\n0,{value}\n", rig_with(channel, **more), pole_pairs=pole_pairs)
    return float(log.frame.iloc[0, 1])


@pytest.mark.parametrize(
    ("channel", "unit", "logged", "expected"),
    [
        ("thrust", "gf", 1000, STANDARD_FALL),
        ("thrust", "kgf", 2, 2 * STANDARD_FALL),
        ("thrust", "N", 3.5, 3.5),
        ("torque", "mNm", 120, 0.12),
        ("voltage", "mV", 16050, 16.05),
        ("current", "mA", -70, -0.07),
        # 0 °C is 273.15 K and 32 °F (SI Brochure, 9th edition, 2.3.1)
        ("motor_temperature", "degC", 20, 293.15),
        ("controller_temperature", "°F", 32, 273.15),
        ("air_temperature", "K", 290, 290),
        ("speed", "rpm", 9000, 9000),
        ("speed", "Hz", 150, 9000),
        ("sound_level", "dB(A)", 92.5, 92.5),
        ("vibration", "m/s^2", 3, 3),
        ("throttle", "%", 45, 0.45),
    ],
)
def test_units(tmp_path: Path, channel: str, unit: str, logged: float, expected: float) -> None:
    assert house(tmp_path, logged, channel, unit=unit) == pytest.approx(expected, rel=1e-12)


def test_sign_and_offset(tmp_path: Path) -> None:
    # by hand: -(5 N - 2 N)
    assert house(tmp_path, 5, "thrust", unit="N", sign=-1, offset=2.0) == -3
    # by hand: 25 °C shown, 1.5 K too much
    assert house(tmp_path, 25, "motor_temperature", unit="degC", offset=1.5) == pytest.approx(
        296.65, abs=1e-9
    )


def test_throttle_between_its_ends_is_not_clipped(tmp_path: Path) -> None:
    ends = {"idle": 1000, "full": 2000}
    assert [
        house(tmp_path, count, "throttle", **ends) for count in (1000, 1500, 2000, 960, 2012)
    ] == pytest.approx([0, 0.5, 1, -0.04, 1.012], abs=1e-12)
    assert house(tmp_path, 1250, "throttle", idle=2000, full=1000) == 0.75
    assert house(tmp_path, 1500, "throttle", offset=0.02, **ends) == pytest.approx(0.48, abs=1e-12)


def test_speed_from_electrical_speed_and_from_pulses(tmp_path: Path) -> None:
    assert house(tmp_path, 63000, "speed", unit="rpm", electrical=True, pole_pairs=7) == 9000
    assert house(tmp_path, 300, "speed", unit="Hz", pulses_per_revolution=2) == 9000
    # the offset is what the logger shows, so it goes before the division
    assert house(tmp_path, 63700, "speed", unit="rpm", electrical=True, offset=700.0, pole_pairs=7) == 9000


@pytest.mark.parametrize(
    ("channel", "more", "what"),
    [
        ("thrust", {"unit": "V"}, "is not a unit of force"),
        ("thrust", {"unit": "blue"}, "is not a known unit"),
        ("speed", {}, "the speed has no unit"),
        ("throttle", {}, "the throttle has no unit"),
        ("throttle", {"idle": 1000}, "two different readings"),
        ("throttle", {"idle": 1000, "full": 1000}, "two different readings"),
    ],
)
def test_units_that_cannot_be(tmp_path: Path, channel: str, more: dict[str, Any], what: str) -> None:
    (problem,) = problems_of(tmp_path, "t,x\n0,1\n", rig_with(channel, **more))
    assert what in problem.what
    assert problem.key == channel
    assert f"`channels.{channel}` in rigs/test-stand.yaml" in problem.remedy


def test_a_number_too_large_for_its_unit(tmp_path: Path) -> None:
    (problem,) = problems_of(tmp_path, "t,x\n0,1\n1,1e308\n", rig_with("speed", unit="Hz"))
    assert (problem.line, problem.what) == (3, "is too large a number.")


def seconds(folder: Path, times: list[str], unit: str | None = "s") -> list[float]:
    rig = make_rig({"time": {"column": "t", "unit": unit}})
    log = read(folder, "t;x\n" + "".join(f"{time};1\n" for time in times), rig)
    assert list(log.frame.columns) == ["time_s"]
    values: list[float] = log.frame["time_s"].tolist()
    return values


@pytest.mark.parametrize(
    ("unit", "times"),
    [
        ("s", ["12.5", "12.75", "14"]),
        ("ms", ["12500", "12750", "14000"]),
        ("us", ["12500000", "12750000", "14000000"]),
        ("µs", ["-1500000", "-1250000", "0"]),
        ("min", ["1", "1.0041666666666667", "1.025"]),
    ],
)
def test_time_starts_at_zero_in_seconds(tmp_path: Path, unit: str, times: list[str]) -> None:
    assert seconds(tmp_path, times, unit) == pytest.approx([0, 0.25, 1.5], abs=1e-12)


def test_microseconds_since_1970_keep_their_digits(tmp_path: Path) -> None:
    assert seconds(tmp_path, ["1935928800000001", "1935928800000002"], "us") == pytest.approx(
        [0, 1e-6], rel=1e-12
    )


@pytest.mark.parametrize(
    "times",
    [
        ["2031-05-04T14:02:03.5", "2031-05-04T14:02:03.75", "2031-05-04T14:02:05"],
        ["2031-05-04 14:02:03.500", "2031-05-04 14:02:03.750", "2031-05-04 14:02:05.000"],
        ["2031-05-04T14:02:03,5", "2031-05-04T14:02:03,75", "2031-05-04T14:02:05,0"],
        ["2031-05-04T14:02:03.5Z", "2031-05-04T16:02:03.75+02:00", "2031-05-04T07:32:05-0630"],
        ["14:02:03.500", "14:02:03.750", "14:02:05.000"],
        ["0:00:59.5", "0:00:59.75", "0:01:01"],
        ["99:59:59.5", "99:59:59.75", "100:00:01"],
        ["2031-12-31T23:59:59.5", "2031-12-31T23:59:59.75", "2032-01-01T00:00:01"],
    ],
)
def test_clock_times(tmp_path: Path, times: list[str]) -> None:
    assert seconds(tmp_path, times, "clock") == pytest.approx([0, 0.25, 1.5], abs=1e-12)


def test_nanoseconds_of_a_clock_are_kept(tmp_path: Path) -> None:
    times = ["2031-05-04T14:02:03.000000001", "2031-05-04T14:02:03.000000003"]
    assert seconds(tmp_path, times, "clock") == pytest.approx([0, 2e-9], rel=1e-9)


def test_a_clock_that_passes_midnight(tmp_path: Path) -> None:
    rig = make_rig({"time": {"column": "t", "unit": "clock"}})
    log = read(tmp_path, "t,x\n23:59:59.5,1\n00:00:00.5,1\n00:00:01.5,1\n", rig)
    assert log.frame["time_s"].tolist() == [0, 1, 2]
    assert "passed midnight" in log.remarks[0]
    (problem,) = problems_of(tmp_path, "t,x\n14:00:00,1\n13:00:00,1\n15:00:00,1\n", rig)
    assert problem.what == "goes back from 14:00:00 to 13:00:00."


@pytest.mark.parametrize("word", ["noon", "14:02", "2031-02-30T00:00:00", "14:61:00", "12.5", "2031-05-04"])
def test_what_is_no_clock_time(tmp_path: Path, word: str) -> None:
    rig = make_rig({"time": {"column": "t", "unit": "clock"}})
    good = "2031-05-04T14:00:0" if "-" in word else "14:00:0"
    (problem,) = problems_of(tmp_path, f"t,x\n{good}0,1\n{word},1\n{good}2,1\n{good}3,1\n", rig)
    assert problem.line == 3
    assert f"'{word}' is not a" in problem.what


def test_clock_times_with_and_without_offset_do_not_mix(tmp_path: Path) -> None:
    rig = make_rig({"time": {"column": "t", "unit": "clock"}})
    found = problems_of(tmp_path, "t,x\n2031-05-04T14:00:00Z,1\n2031-05-04T14:00:01,1\n", rig)
    assert found[0].line == 3
    assert "offset from UTC" in found[0].what


def test_missing_clock_time(tmp_path: Path) -> None:
    rig = make_rig({"time": {"column": "t", "unit": "clock"}})
    (problem,) = problems_of(tmp_path, "t,x\n14:00:00,1\n,1\n14:00:02,1\n", rig)
    assert (problem.line, problem.what) == (3, "has no time.")


def test_time_that_goes_back_or_repeats(tmp_path: Path) -> None:
    rig = make_rig({"time": {"column": "t", "unit": "ms"}})
    found = problems_of(tmp_path, "# x\nt,x\n0,1\n12450,1\n12400,1\n\n12500,1\n12500,1\n13000,1\n", rig)
    assert [(problem.line, problem.key, problem.what) for problem in found] == [
        (5, "t", "goes back from 12450 ms to 12400 ms."),
        (8, "t", "repeats 12500 ms."),
    ]
    assert found[0].remedy == "Delete the repeated rows, or split the log at this line."


def test_the_first_three_places_and_a_count(tmp_path: Path) -> None:
    rig = make_rig({"time": {"column": "t", "unit": "s"}})
    found = problems_of(tmp_path, "t,x\n" + "7,1\n" * 1001, rig)
    assert [problem.line for problem in found] == [3, 4, 5, None]
    assert found[3].what == "and 997 more of this kind."


def test_time_without_a_unit(tmp_path: Path) -> None:
    (problem,) = problems_of(tmp_path, "t,x\n0,1\n", make_rig({"time": {"column": "t"}}))
    assert problem.what == "the time has no unit."


def test_time_steps_too_small_to_tell_apart(tmp_path: Path) -> None:
    found = problems_of(tmp_path, "t,x\n1e17,1\n1.00000000000000001e17,1\n", make_rig({"time": TIME}))
    assert "repeats" in found[0].what


def test_house_columns_stand_in_the_order_of_the_channels(tmp_path: Path) -> None:
    rig = make_rig(
        {"vibration": {"column": "v", "unit": "m/s^2"}, "thrust": {"column": "f", "unit": "N"}, "time": TIME}
    )
    log = read(tmp_path, "v,f,t\n1,2,0\n", rig)
    assert list(log.frame.columns) == ["time_s", "thrust_n", "vibration_m_s2"]
    assert log.columns == (("time_s", "t"), ("thrust_n", "f"), ("vibration_m_s2", "v"))
    assert log.frame.dtypes.eq(np.float64).all()
    assert math.isfinite(log.frame.to_numpy().sum())
