"""Logs in ASAM MDF 4, written by the library that reads them; invented numbers."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from asammdf import MDF, Signal

from generator.intake.log_records import SIMULATED_MARK, BenchLog
from generator.intake.logs import read_log
from generator.intake.problems import Problem, SeasonProblems
from tests.intake.log_files import make_rig

RIG = {
    "time": {"column": "t", "unit": "s"},
    "speed": {"column": "Drehzahl", "unit": "rpm"},
    "thrust": {"column": "Schub", "unit": "N", "sign": -1},
}
TIMES = np.arange(0.0, 5.0, 0.01)
SPEED = 9000.0 + 10.0 * TIMES
SLOW = np.arange(0.0, 5.0, 0.04)


def write(file: Path, *signals: Signal, comment: str = "", version: str = "4.10") -> Path:
    with MDF(version=version) as mdf:
        for signal in signals:
            mdf.append(signal)
        mdf.header.comment = comment
        saved = mdf.save(file, overwrite=True, compression=2)
    Path(saved).rename(file)
    return file


def speed(values: np.ndarray = SPEED) -> Signal:
    return Signal(values, TIMES, name="Drehzahl", unit="1/min")


def thrust() -> Signal:
    raw = np.round(100.0 * (2.0 + SLOW)).astype(np.int32)
    return Signal(-raw, SLOW, name="Schub", unit="N", conversion={"a": 0.01, "b": 0.0})


def read(file: Path, **channels: dict[str, object]) -> BenchLog:
    rig = make_rig({**RIG, **channels})
    return read_log(file, shown="logs/a.mf4", path="a.mf4", rig=rig, pole_pairs=7)


def problems_of(file: Path) -> tuple[Problem, ...]:
    with pytest.raises(SeasonProblems) as found:
        read(file)
    return tuple(found.value.problems)


def test_channels_with_clocks_of_their_own_stand_in_one_frame(tmp_path: Path) -> None:
    log = read(write(tmp_path / "a.mf4", speed(), thrust()))
    assert log.dialect.container == "mdf"
    assert log.rows == len(TIMES)
    np.testing.assert_allclose(log.frame["time_s"], TIMES, atol=1e-9)
    np.testing.assert_allclose(log.frame["speed_rpm"], SPEED)
    inside = SLOW[-1] >= TIMES
    np.testing.assert_allclose(log.frame["thrust_n"][inside], 2.0 + TIMES[inside], atol=0.006)
    assert log.frame["thrust_n"][~inside].isna().all(), "nothing is made up beyond its record"
    assert dict(log.columns)["speed_rpm"] == "Drehzahl"
    assert log.simulated is None


def test_a_simulated_log_says_so(tmp_path: Path) -> None:
    file = write(tmp_path / "a.mf4", speed(), thrust(), comment=f"{SIMULATED_MARK}: rehearsal, seed 3")
    assert read(file).simulated == f"{SIMULATED_MARK}: rehearsal, seed 3"


def test_a_missing_channel_is_told_with_those_that_are_there(tmp_path: Path) -> None:
    (problem,) = problems_of(write(tmp_path / "a.mf4", speed()))
    assert problem.key == "thrust"
    assert "Drehzahl" in problem.remedy


def test_a_formula_in_the_file_is_not_carried_out(tmp_path: Path) -> None:
    formula = Signal(SPEED, TIMES, name="Schub", conversion={"formula": "X1*2"})
    (problem,) = problems_of(write(tmp_path / "a.mf4", speed(), formula))
    assert "formula" in problem.what


def test_words_are_no_numbers(tmp_path: Path) -> None:
    words = Signal(np.array([b"low", b"high"] * (len(TIMES) // 2)), TIMES, name="Schub", encoding="utf-8")
    (problem,) = problems_of(write(tmp_path / "a.mf4", speed(), words))
    assert "numbers" in problem.what


def test_a_file_cut_off_is_told_or_whole_but_never_half_read(tmp_path: Path) -> None:
    whole = write(tmp_path / "a.mf4", speed(), thrust())
    data, frame = whole.read_bytes(), read(whole).frame
    told = 0
    for kept in (9, 40, 64, 200, *range(300, len(data), 101)):
        whole.write_bytes(data[:kept])
        try:
            log = read(whole)
        except SeasonProblems:
            told += 1
        else:
            pd.testing.assert_frame_equal(log.frame, frame)
    assert told > 10


def test_time_that_goes_back_is_told(tmp_path: Path) -> None:
    times = TIMES.copy()
    times[200] = times[199] - 0.5
    file = write(tmp_path / "a.mf4", Signal(SPEED, times, name="Drehzahl"), thrust())
    assert any("goes back" in problem.what for problem in problems_of(file))


def test_without_the_library_the_remedy_says_what_to_install(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = write(tmp_path / "a.mf4", speed(), thrust())
    monkeypatch.setitem(sys.modules, "asammdf", None)
    (problem,) = problems_of(file)
    assert "whirlbook[mdf]" in problem.remedy
