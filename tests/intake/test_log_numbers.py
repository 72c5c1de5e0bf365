"""Cells into numbers: decimal signs, empty cells, faults with their lines. All logs are invented."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from generator.intake import log_blocks, log_numbers
from generator.intake.log_cells import number_in
from tests.intake.log_files import CHANNELS, make_rig, numbers, problems_of, read

HEADER = "Time,Speed,Thrust\n"


@pytest.mark.parametrize(
    ("cell", "decimal", "value"),
    [
        ("1", ".", 1.0),
        (" +1.5 ", ".", 1.5),
        ("-.5", ".", -0.5),
        ("5.", ".", 5.0),
        ("1.5e-3", ".", 0.0015),
        ("2E+05", ".", 200000.0),
        ("1,5", ",", 1.5),
        ("-,5e2", ",", -50.0),
        ("7", ",", 7.0),
    ],
)
def test_numbers_as_loggers_write_them(cell: str, decimal: str, value: float) -> None:
    assert number_in(cell, decimal) == value


@pytest.mark.parametrize("cell", ["", "  ", "nan", "NaN", "NAN", "-nan"])
def test_empty_cells_are_not_a_number(cell: str) -> None:
    value = number_in(cell, ".")
    assert value is not None
    assert math.isnan(value)


@pytest.mark.parametrize(
    "cell",
    [
        "x",
        "1,5",
        "1.2.3",
        "1_000",
        "0x10",
        "1 000",
        "1e",
        "--1",
        "+-1",
        "1d5",
        ".",
        "-",
        "True",
        "١",
        "12 V",
        "1;5",
    ],
)
def test_what_is_no_number(cell: str) -> None:
    assert number_in(cell, ".") is None


def test_both_ways_of_reading_agree(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(5)
    rows = [
        f"{second},{rng.normal():.17g},{'' if second % 7 == 0 else rng.normal() * 1e9}"
        for second in range(300)
    ]
    content = HEADER + "\n".join(rows) + "\n"
    quick = read(tmp_path, content)
    monkeypatch.setattr(log_numbers, "read_sound_blocks", lambda *args, **more: None)
    slow = read(tmp_path, content)
    assert np.array_equal(quick.frame.to_numpy(), slow.frame.to_numpy(), equal_nan=True)


@pytest.mark.parametrize("mark", ["", '"'])
@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|", ", ", "   "])
def test_a_sound_log_is_read_in_blocks(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, delimiter: str, mark: str
) -> None:
    def refuse(self: object) -> None:
        raise AssertionError("read line by line")

    monkeypatch.setattr(log_numbers._LineReader, "read", refuse)
    monkeypatch.setattr(log_blocks, "_BLOCK_BYTES", 64)
    rows = [(float(second), second * 2.0, second / 8) for second in range(100)]
    lines = [delimiter.join(f"{mark}{cell}{mark}" for cell in row) + "\n" for row in rows]
    lines[50:50] = ["# marker\n", "\n"]
    log = read(tmp_path, HEADER.replace(",", delimiter) + "".join(lines))
    assert numbers(log) == [list(row) for row in rows]


def test_blocks_are_joined_in_order_and_any_faulty_one_is_located(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(log_blocks, "_BLOCK_BYTES", 64)
    lines = [f"{second},1,2\n" for second in range(200)]
    lines[150] = "150,1,x\n"
    (problem,) = problems_of(tmp_path, HEADER + "".join(lines))
    assert problem.line == 152


@pytest.mark.parametrize("delimiter", [";", "\t", "|", "  "])
def test_decimal_comma_is_found(tmp_path: Path, delimiter: str) -> None:
    content = "Time,Speed,Thrust\n0;100;1,25\n1;200;2,5\n".replace(",S", ";S").replace(",T", ";T")
    log = read(tmp_path, content.replace(";", delimiter))
    assert (log.dialect.decimal, numbers(log)) == (",", [[0, 100, 1.25], [1, 200, 2.5]])


def test_decimal_comma_that_shows_late(tmp_path: Path) -> None:
    rows = "".join(f"{second};1;2\n" for second in range(1000)) + "1000,5;1;2\n"
    log = read(tmp_path, "Time;Speed;Thrust\n" + rows)
    assert (log.dialect.decimal, log.frame["time_s"].iloc[-1]) == (",", 1000.5)


def test_decimal_comma_in_quotation_marks(tmp_path: Path) -> None:
    log = read(tmp_path, HEADER + '"0,0","100","1,25"\n"0,5","200","2,5"\n')
    assert numbers(log) == [[0, 100, 1.25], [0.5, 200, 2.5]]


@pytest.mark.parametrize(
    ("rows", "remedy"),
    [
        ("0;1.000,5;1\n1;2.000,5;2\n", "without thousands separators"),
        ("0;1,000.5;1\n1;2,000.5;2\n", "without thousands separators"),
        ("0;1 000;1\n1;2 000;2\n", "without thousands separators"),
        ("0;1,5;1\n1;2.5;2\n2;2.5;2\n", "state `log: decimal` in rigs/test-stand.yaml"),
    ],
)
def test_thousands_and_mixed_signs_are_refused(tmp_path: Path, rows: str, remedy: str) -> None:
    found = problems_of(tmp_path, "Time;Speed;Thrust\n" + rows)
    assert remedy in found[0].remedy
    assert (found[0].line, found[0].key) == (2, "Speed")


def test_stated_decimal_sign_is_obeyed(tmp_path: Path) -> None:
    (problem,) = problems_of(tmp_path, "Time;Speed;Thrust\n0;1;1,5\n", make_rig(decimal="."))
    assert "'1,5' is not a number" in problem.what


@pytest.mark.parametrize("empty", ["", " ", "nan", "NaN", "-nan", '""', " nan "])
def test_empty_cells_in_every_channel_but_time(tmp_path: Path, empty: str) -> None:
    log = read(tmp_path, HEADER + f"0,{empty},1.5\n1,200,{empty}\n2,300,3.5\n")
    expected = [[0, np.nan, 1.5], [1, 200, np.nan], [2, 300, 3.5]]
    assert np.array_equal(log.frame.to_numpy(), expected, equal_nan=True)
    (problem,) = problems_of(tmp_path, HEADER + f"0,1,1\n{empty},200,2\n2,1,1\n")
    assert (problem.line, problem.key, problem.what) == (3, "Time", "has no time.")


def test_a_column_that_was_never_logged(tmp_path: Path) -> None:
    log = read(tmp_path, HEADER + "0,,1\n1,,2\n")
    assert log.frame["speed_rpm"].isna().all()


def test_text_in_a_number_column_three_places_and_a_count(tmp_path: Path) -> None:
    rows = "".join(f"{second},{'stall' if second > 3 else 100},1\n" for second in range(10))
    found = problems_of(tmp_path, "# note\n" + HEADER + "\n" + rows)
    assert [problem.line for problem in found] == [8, 9, 10, None]
    assert all(problem.key == "Speed" for problem in found)
    assert found[0].what == "'stall' is not a number."
    assert found[3].what == "and 3 more of this kind."


def test_every_faulty_column_is_reported(tmp_path: Path) -> None:
    found = problems_of(tmp_path, HEADER + "0,a,1\n1,2,b\nc,2,3\n")
    assert {(problem.line, problem.key) for problem in found} == {(2, "Speed"), (3, "Thrust"), (4, "Time")}


@pytest.mark.parametrize("word", ["True", "false", "TRUE"])
def test_truth_values_are_no_numbers(tmp_path: Path, word: str) -> None:
    found = problems_of(tmp_path, HEADER + f"0,{word},1\n1,{word},1\n")
    assert [problem.line for problem in found] == [2, 3]


def test_text_in_a_column_that_no_channel_uses_does_not_matter(tmp_path: Path) -> None:
    log = read(
        tmp_path, 'Time,Note,Speed,Thrust\n0,"a 5"" propeller, at rest",1,1\n1,5" propeller,1,1\n2,True,1,1\n'
    )
    assert log.rows == 3


@pytest.mark.parametrize("word", ["inf", "-inf", "Infinity", "1e999"])
def test_infinite_values_are_refused_with_their_line(tmp_path: Path, word: str) -> None:
    (problem,) = problems_of(tmp_path, HEADER + f"0,1,1\n1,1,{word}\n2,1,1\n")
    assert (problem.line, problem.key, problem.what) == (3, "Thrust", "is infinite.")
    (problem,) = problems_of(tmp_path, HEADER + f"0,1,1\n{word},1,1\n2,1,1\n")
    assert (problem.line, problem.key, problem.what) == (3, "Time", "is infinite.")


@pytest.mark.parametrize("row", ["1,2", "1,2,3,4", "1"])
def test_ragged_rows_are_refused_with_their_line(tmp_path: Path, row: str) -> None:
    (problem,) = problems_of(tmp_path, HEADER + f"0,1,1\n{row}\n2,1,1\n")
    assert problem.line == 3
    assert "the table has 3 columns" in problem.what


def test_one_row_too_long_and_one_too_short_do_not_cancel(tmp_path: Path) -> None:
    found = problems_of(tmp_path, HEADER + "0,1,1\n1,1\n2,1,1,9\n3,1,1\n")
    assert [problem.line for problem in found] == [3, 4]


@pytest.mark.parametrize("row", ["1,200", '1,"200",2,9'])
def test_ragged_rows_among_quotation_marks(tmp_path: Path, row: str) -> None:
    (problem,) = problems_of(tmp_path, HEADER + f'"0",1,1\n{row}\n2,1,1\n')
    assert problem.line == 3


def test_ragged_rows_between_blanks(tmp_path: Path) -> None:
    found = problems_of(tmp_path, "Time Speed Thrust\n0 1 1\n1  2\n2 1  1 1\n3 1 1\n")
    assert [problem.line for problem in found] == [3, 4]


def test_decimal_comma_between_commas_is_explained(tmp_path: Path) -> None:
    found = problems_of(tmp_path, HEADER + "0,0,100,1,5\n0,5,200,2,5\n")
    assert "decimal commas" in found[0].remedy


@pytest.mark.parametrize("last", ["2,30", "2", "2,300,3e", "2,300,-", '2,300,"3'])
def test_a_last_line_cut_short_is_left_out_and_told(tmp_path: Path, last: str) -> None:
    log = read(tmp_path, HEADER + "0,100,1\n1,200,2\n" + last)
    assert log.rows == 2
    assert "Line 4, the last one, is incomplete and was left out." in log.remarks


def test_a_last_line_without_its_end_is_kept_and_told(tmp_path: Path) -> None:
    log = read(tmp_path, HEADER + "0,100,1\n1,200,2")
    assert log.rows == 2
    assert "Line 3 has no line end; its last value may have been cut short." in log.remarks
    assert read(tmp_path, HEADER + "0,100,1\n1,200,2\n").remarks == ()


def test_a_faulty_last_line_with_its_end_is_a_fault(tmp_path: Path) -> None:
    (problem,) = problems_of(tmp_path, HEADER + "0,100,1\n1,200,x\n")
    assert problem.line == 3


def test_a_quotation_mark_left_open_swallows_nothing(tmp_path: Path) -> None:
    (problem,) = problems_of(tmp_path, HEADER + '0,1,1\n1,"2,3\n2,1,1\n3,1,"4"\n')
    assert (problem.line, problem.what) == (3, "a quotation mark is not closed on this line.")


def test_a_logger_started_again_is_recognised(tmp_path: Path) -> None:
    found = problems_of(tmp_path, HEADER + "0,1,1\n1,1,1\n" + HEADER + "0,1,1\n")
    assert (found[0].line, found[0].remedy) == (4, "Split the log at this line.")


def test_two_channels_may_share_a_column(tmp_path: Path) -> None:
    rig = make_rig({**CHANNELS, "voltage": {"column": "Thrust", "unit": "V"}})
    assert numbers(read(tmp_path, HEADER + "0,1,5\n", rig)) == [[0, 1, 5, 5]]


def test_a_fault_is_shown_on_one_line(tmp_path: Path) -> None:
    (problem,) = problems_of(tmp_path, HEADER + f"0,1,\x1b[31m{'x' * 200}\n1,1,1\n")
    assert problem.what.isprintable()
    assert len(problem.what) < 80
