"""Rehearsed logs: written as the logger would, read back the same, and never over a measured log."""

from __future__ import annotations

import gzip
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from generator.intake.log_records import SIMULATED_MARK
from generator.intake.logs import read_log
from generator.intake.rig import LogFormat, Rig
from generator.planning.log_writer import RehearsalRefused, is_simulated, log_bytes, require_writable
from generator.planning.sensors import reading_of

PLAIN = {"time": {"column": "t", "unit": "ms"}, "thrust": {"column": "lift", "unit": "gf", "sign": -1},
         "speed": {"column": "e", "unit": "rpm", "electrical": True},
         "motor_temperature": {"column": "m °C", "unit": "degC"},
         "throttle": {"column": "cmd", "idle": 1000, "full": 2000}}  # fmt: skip


def a_rig(**log: object) -> Rig:
    return Rig.model_validate({"id": "r", "label": "R", "channels": PLAIN, "log": log})


def a_frame(rows: int = 80) -> pd.DataFrame:
    k = np.arange(rows)
    frame = pd.DataFrame(
        {
            "time_s": k / 100.0,
            "thrust_n": 1.0 + 0.01 * np.sin(k),
            "speed_rpm": 9000.0 + k,
            "motor_temperature_k": 293.15 + 0.05 * k,
            "throttle": np.where(k > 20, 0.45, 0.0),
        }
    )
    frame.loc[30:32, "thrust_n"] = np.nan
    return frame


def a_log(rig: Rig, name: str, line_ending: str = "\n") -> bytes:
    readings = {quantity: reading_of(quantity, c, 7) for quantity, c in rig.channels.present().items()}
    return log_bytes(
        a_frame(), readings, rig, name=name, seed=5, remarks=("a remark",), line_ending=line_ending
    )


@pytest.mark.parametrize(
    ("name", "log", "ending"),
    [
        ("a.csv", {}, "\n"),
        ("a.csv", {"delimiter": ";", "decimal": ",", "encoding": "cp1252"}, "\r\n"),
        ("a.csv.gz", {"delimiter": "\t"}, "\n"),
        ("a.csv.zst", {"header_row": 5, "delimiter": "|"}, "\n"),
        ("a.csv", {"header_row": 1}, "\n"),
        ("a.csv", {"skip_rows": 3, "comment": ";;", "delimiter": ","}, "\n"),
        ("a.parquet", {}, "\n"),
    ],
)
def test_a_log_reads_back_as_it_was_meant(tmp_path, name, log, ending):
    rig = a_rig(**log)
    file = tmp_path / name
    file.write_bytes(a_log(rig, name, ending))
    back = read_log(file, shown=name, path=name, rig=rig, pole_pairs=7)
    assert back.simulated is not None
    assert back.simulated.startswith(SIMULATED_MARK)
    assert "seed 5" in back.simulated
    assert is_simulated(file)
    expected = a_frame()
    # half a step of what the logger shows: 0.1 gf is 0.00098 N, a turn is seven electrical ones
    half = {
        "time_s": 5e-5,
        "thrust_n": 5e-4,
        "speed_rpm": 0.5 / 7,
        "motor_temperature_k": 5e-4,
        "throttle": 5e-4,
    }
    for column, bound in half.items():
        np.testing.assert_allclose(
            back.frame[column].to_numpy(),
            expected[column].to_numpy(),
            rtol=0.0,
            atol=1.001 * bound,
            err_msg=column,
        )


def test_the_same_input_gives_the_same_bytes():
    for name in ("a.csv", "a.csv.gz", "a.csv.zst", "a.parquet"):
        assert a_log(a_rig(), name) == a_log(a_rig(), name)


def test_lines_end_and_decimals_are_written_as_asked():
    rig = a_rig(delimiter=";", decimal=",")
    text = a_log(rig, "a.csv", "\r\n").decode()
    assert text.startswith(f"# {SIMULATED_MARK}; seed 5\r\n# a remark\r\nt;")
    assert text.count("\r\n") == text.count("\n")
    assert "." not in text.split("\r\n")[4]
    assert ";;" in text  # the empty cells of the dropout


def test_a_measured_log_is_never_replaced(tmp_path):
    logs = tmp_path / "logs"
    logs.mkdir()
    for name, content in (
        ("m.csv", b"t,lift\n0,1\n"),
        ("m.csv.gz", gzip.compress(b"# logger 7\nt,lift\n0,1\n")),
        ("broken.csv.gz", b"\x1f\x8bnot a gzip file"),
        ("broken.csv.zst", b"\x28\xb5\x2f\xfdno"),
        ("broken.parquet", b"PAR1 no"),
        ("late.csv", f"t,lift\n0,1\n1,2\n# {SIMULATED_MARK}\n".encode()),
    ):
        file = logs / name
        file.write_bytes(content)
        with pytest.raises(RehearsalRefused, match=r"taken as measured") as refused:
            require_writable(file, tmp_path, f"s/logs/{name}", force=True)
        assert refused.value.file == f"s/logs/{name}"
        assert "Move the measured logs" in refused.value.remedy
        assert file.read_bytes() == content


def test_a_simulated_log_is_replaced_only_when_asked(tmp_path):
    file = tmp_path / "a.csv"
    file.write_bytes(a_log(a_rig(), "a.csv"))
    with pytest.raises(RehearsalRefused, match="holds a simulated log already"):
        require_writable(file, tmp_path, "a.csv", force=False)
    require_writable(file, tmp_path, "a.csv", force=True)
    require_writable(tmp_path / "new.csv", tmp_path, "new.csv", force=False)
    (tmp_path / "empty.csv").touch()
    require_writable(tmp_path / "empty.csv", tmp_path, "empty.csv", force=False)


def test_a_log_stays_in_its_session(tmp_path):
    session = tmp_path / "s"
    session.mkdir()
    with pytest.raises(RehearsalRefused, match="leads out of the session folder"):
        require_writable(session / ".." / "x.csv", session, "../x.csv", force=True)
    outside = tmp_path / "elsewhere.csv"
    outside.write_bytes(a_log(a_rig(), "a.csv"))
    link = session / "link.csv"
    link.symlink_to(outside)
    with pytest.raises(RehearsalRefused, match="leads out of the session folder"):
        require_writable(link, session, "link.csv", force=True)
    (session / "folder.csv").mkdir()
    with pytest.raises(RehearsalRefused, match="not a plain file"):
        require_writable(session / "folder.csv", session, "folder.csv", force=True)


def test_a_log_without_header_has_none():
    rig = a_rig().model_copy(update={"log": LogFormat.model_validate({"no_header": True})})
    lines = a_log(rig, "a.csv").decode().splitlines()
    assert lines[2][0].isdigit()


def test_a_file_that_is_not_there_is_not_simulated():
    assert not is_simulated(Path("there-is-no-such-log.csv"))
