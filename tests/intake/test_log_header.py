"""Finding the table: comments, names, delimiter, units line, positions. All logs are invented."""

from __future__ import annotations

from pathlib import Path

import pytest

from generator.intake.log_header import MAX_COLUMNS
from generator.intake.log_records import SIMULATED_MARK
from generator.intake.log_text import MAX_LINE_BYTES
from tests.intake.log_files import CHANNELS, counted, make_rig, numbers, problems_of, read

ROWS = [[0.0, 100.0, 1.5], [1.0, 200.0, 2.5]]
TABLE = "Time,Speed,Thrust\n0,100,1.5\n1,200,2.5\n"


def test_any_names_any_order_and_only_the_wanted_columns(tmp_path: Path) -> None:
    rig = make_rig(
        {
            "time": {"column": "Zeit in Sekunden, roh", "unit": "s"},
            "speed": {"column": "回転数", "unit": "rpm"},
            "thrust": {"column": "Δ Schub [N]", "unit": "N"},
        }
    )
    log = read(
        tmp_path,
        'Δ Schub [N],note,回転数,"Zeit in Sekunden, roh"\n1.5,idle,100,0\n2.5,"up, then on",200,1\n',
        rig,
    )
    assert numbers(log) == ROWS
    assert list(log.frame.columns) == ["time_s", "speed_rpm", "thrust_n"]
    assert dict(log.columns)["time_s"] == "Zeit in Sekunden, roh"


@pytest.mark.parametrize(
    ("delimiter", "content"),
    [
        (",", TABLE),
        (";", TABLE.replace(",", ";")),
        ("\t", TABLE.replace(",", "\t")),
        ("|", TABLE.replace(",", " | ")),
        (" ", TABLE.replace(",", "   ")),
        (" ", "  Time   Speed Thrust\n     0 \t 100    1.5\n     1     200    2.5  \n"),
        (",", TABLE.replace(",", ", ")),
        (",", "Time , Speed , Thrust ,\n0,100,1.5,\n1,200,2.5,\n"),
        (",", "Time,Speed,Thrust\n0,100,1.5,\n1,200,2.5,\n"),
        (",", "Time,Speed,Thrust,\n0,100,1.5\n1,200,2.5\n"),
        (",", "Time,Speed,Thrust,,,\n0,100,1.5\n1,200,2.5,,\n"),
        (",", '"Time","Speed","Thrust"\n"0","100","1.5"\n"1","200","2.5"\n'),
    ],
)
def test_delimiters_are_found(tmp_path: Path, delimiter: str, content: str) -> None:
    log = read(tmp_path, content)
    assert (numbers(log), log.dialect.delimiter, log.dialect.header_line) == (ROWS, delimiter, 1)


def test_a_blank_in_a_name_does_not_make_blanks_the_delimiter(tmp_path: Path) -> None:
    log = read(tmp_path, "Time\tmotor temp\tSpeed\tThrust\n0\t20\t100\t1.5\n1\t\t200\t2.5\n")
    assert (numbers(log), log.dialect.delimiter) == (ROWS, "\t")


def test_prose_that_names_all_columns_is_no_header(tmp_path: Path) -> None:
    log = read(tmp_path, "Channels: Time Speed Thrust\n" + TABLE)
    assert (numbers(log), log.dialect.header_line) == (ROWS, 2)
    assert log.remarks == ("Line 1, above the table: Channels: Time Speed Thrust",)


@pytest.mark.parametrize(
    ("header", "wanted"),
    [
        ("Time", "Time"),
        (" Time  ", "Time"),
        ("TIME", "Time"),
        ("time  ", "Time"),
        ("\u00b5 Time", "\u03bc time"),
    ],
)
def test_names_match_exactly_then_stripped_then_without_case(
    tmp_path: Path, header: str, wanted: str
) -> None:
    rig = make_rig({**CHANNELS, "time": {"column": wanted, "unit": "s"}})
    assert numbers(read(tmp_path, TABLE.replace("Time", header), rig)) == ROWS


def test_the_exact_name_wins_over_one_in_capitals(tmp_path: Path) -> None:
    log = read(tmp_path, "TIME,Time,Speed,Thrust\n9,0,100,1.5\n9,1,200,2.5\n")
    assert numbers(log) == ROWS


def test_twin_names_must_be_told_apart(tmp_path: Path) -> None:
    content = "Time,Speed,Speed,Thrust\n0,7,100,1.5\n1,7,200,2.5\n"
    (problem,) = problems_of(tmp_path, content)
    assert (problem.line, problem.key) == (1, "speed")
    assert "the name of 2 columns" in problem.what
    assert "'#2' or '#3'" in problem.remedy
    assert "rigs/test-stand.yaml" in problem.remedy
    rig = make_rig({**CHANNELS, "speed": {"column": "#3", "unit": "rpm"}})
    assert numbers(read(tmp_path, content, rig)) == ROWS


def test_twins_that_no_channel_names_do_not_matter(tmp_path: Path) -> None:
    assert numbers(read(tmp_path, "Time,x,Speed,x,Thrust\n0,1,100,2,1.5\n1,1,200,2,2.5\n")) == ROWS


def test_comments_and_blank_lines_are_passed_over(tmp_path: Path) -> None:
    content = (
        "# bench 2, first floor\n\n  # indented\n"
        '"# quoted, because it holds a comma",,\n'
        "Time,Speed,Thrust\n\n0,100,1.5\n# marker\n \t\n1,200,2.5\n,,\n\n# end\n"
    )
    log = read(tmp_path, content)
    assert numbers(log) == ROWS
    assert log.dialect.header_line == 5
    assert log.remarks == (
        "bench 2, first floor",
        "indented",
        "quoted, because it holds a comma",
        "marker",
        "end",
    )


@pytest.mark.parametrize("mark", ["%", "//", ";", "'", "REM"])
def test_other_comment_marks(tmp_path: Path, mark: str) -> None:
    log = read(tmp_path, f"{mark} first, second\n" + TABLE, make_rig(comment=mark))
    assert (numbers(log), log.remarks) == (ROWS, ("first, second",))


def test_at_most_twenty_remarks(tmp_path: Path) -> None:
    log = read(tmp_path, "".join(f"# note {number}\n" for number in range(30)) + TABLE)
    assert log.remarks == tuple(f"note {number}" for number in range(20))


def test_names_in_a_comment_are_taken_when_nothing_else_has_them(tmp_path: Path) -> None:
    log = read(tmp_path, "# made by hand\n# Time,Speed,Thrust\n0,100,1.5\n1,200,2.5\n")
    assert (numbers(log), log.dialect.header_line) == (ROWS, 2)
    later = problems_of(tmp_path, "a,b,c\n0,100,1.5\n# Time,Speed,Thrust\n1,200,2.5\n")
    assert [problem.key for problem in later] == ["time", "speed", "thrust"]


@pytest.mark.parametrize("units", ["s,rpm,N", "[s],[rpm],[N]", ",rpm,N", '"s","rpm","N"'])
def test_a_line_of_units_is_passed_over_and_told(tmp_path: Path, units: str) -> None:
    log = read(tmp_path, TABLE.replace("\n", f"\n{units}\n", 1))
    assert numbers(log) == ROWS
    assert log.remarks[0].startswith("Line 2 was passed over as a line of units: ")


@pytest.mark.parametrize("row", ["zero,100,1.5", "zero,1oo,1.5", "0,slow,1.5"])
def test_a_damaged_first_sample_is_no_line_of_units(tmp_path: Path, row: str) -> None:
    found = problems_of(tmp_path, f"Time,Speed,Thrust\n{row}\n1,200,2.5\n")
    assert {problem.line for problem in found} == {2}
    assert all("is not a number" in problem.what for problem in found)


def test_files_without_header(tmp_path: Path) -> None:
    rig = make_rig(counted("time", "speed", "thrust"), no_header=True)
    log = read(tmp_path, "0,100,1.5\n1,200,2.5\n", rig)
    assert (numbers(log), log.dialect.header_line) == (ROWS, None)
    assert log.columns == (("time_s", "#1"), ("speed_rpm", "#2"), ("thrust_n", "#3"))


@pytest.mark.parametrize(
    ("above", "header_line"),
    [
        ("", None),
        ("a,b,c\n", 1),
        ("a,b,c\ns,rpm,N\n", 1),
        ("Logger 2\n\na,b,c\n", 3),
        ("Logger 2\nserial 4\n", None),
        ("# note\n", None),
    ],
)
def test_counted_columns_with_and_without_names(tmp_path: Path, above: str, header_line: int | None) -> None:
    log = read(tmp_path, above + "0,100,1.5\n1,200,2.5\n", make_rig(counted("time", "speed", "thrust")))
    assert (numbers(log), log.dialect.header_line) == (ROWS, header_line)


def test_a_damaged_first_sample_without_header_is_reported(tmp_path: Path) -> None:
    rig = make_rig(counted("time", "speed", "thrust"))
    (problem,) = problems_of(tmp_path, "0,1oo,1.5\n1,200,2.5\n2,300,3.5\n", rig)
    assert problem.line == 1
    assert "'1oo' is not a number" in problem.what


@pytest.mark.parametrize(
    ("content", "delimiter"),
    [
        ("0,5;100;1,5\n1;200;2,5\n", ";"),
        ("0,5 100 1,5\n1 200 2,5\n", " "),
        ("0,5\t100\t1,5\n1\t200\t2,5\n", "\t"),
    ],
)
def test_decimal_commas_are_not_taken_for_delimiters(tmp_path: Path, content: str, delimiter: str) -> None:
    log = read(tmp_path, content, make_rig(counted("time", "speed", "thrust")))
    assert (log.dialect.delimiter, log.dialect.decimal) == (delimiter, ",")
    assert numbers(log) == [[0.0, 100.0, 1.5], [0.5, 200.0, 2.5]]


def test_a_name_in_a_file_without_names(tmp_path: Path) -> None:
    found = problems_of(tmp_path, "0,100,1.5\n1,200,2.5\n", make_rig(no_header=True))
    assert [problem.key for problem in found] == ["time", "speed", "thrust"]
    assert "3 columns without names, '#1' to '#3'" in found[0].remedy


def test_a_number_beyond_the_last_column(tmp_path: Path) -> None:
    rig = make_rig({**CHANNELS, "speed": {"column": "#9", "unit": "rpm"}})
    (problem,) = problems_of(tmp_path, TABLE, rig)
    assert "there is no column '#9'" in problem.what
    assert "The log has 3 columns." in problem.remedy


def test_what_the_rig_states_is_obeyed(tmp_path: Path) -> None:
    content = "junk 1\njunk 2\nTime;Speed;Thrust\n9;9;9\nTime;Speed;Thrust\n0;100;1,5\n1;200;2,5\n"
    stated = make_rig(delimiter=";", decimal=",", header_row=5)
    log = read(tmp_path, content, stated)
    assert (numbers(log), log.dialect.header_line) == (ROWS, 5)
    assert numbers(read(tmp_path, content, make_rig(skip_rows=4))) == ROWS
    problems = problems_of(tmp_path, TABLE, make_rig(delimiter=";"))
    assert [problem.key for problem in problems] == ["time", "speed", "thrust"]


def test_the_stated_header_may_be_a_comment(tmp_path: Path) -> None:
    log = read(tmp_path, "# Time Speed Thrust\n0 100 1.5\n1 200 2.5\n", make_rig(header_row=1))
    assert (numbers(log), log.dialect.delimiter) == (ROWS, " ")


@pytest.mark.parametrize("stated", [{"header_row": 9}, {"header_row": 2}, {"header_row": 1, "skip_rows": 1}])
def test_a_stated_header_that_is_not_there(tmp_path: Path, stated: dict[str, int]) -> None:
    (problem,) = problems_of(tmp_path, TABLE.replace("\n", "\n\n", 1), make_rig(**stated))
    assert "has no column names in line" in problem.what
    assert "rigs/test-stand.yaml" in problem.remedy


def test_missing_columns_are_all_reported_with_the_nearest(tmp_path: Path) -> None:
    found = problems_of(tmp_path, "Time,Spead,Force\n0,100,1.5\n")
    assert [(problem.line, problem.key) for problem in found] == [(1, "speed"), (1, "thrust")]
    assert found[0].what == "there is no column 'Speed' in this log."
    assert found[0].remedy.startswith("The nearest is 'Spead'. Columns here: 'Time', 'Spead', 'Force'.")
    assert "`channels.speed.column` in rigs/test-stand.yaml" in found[0].remedy


def test_missing_columns_and_faulty_cells_in_one_pass(tmp_path: Path) -> None:
    found = problems_of(tmp_path, "Time,Spead,Thrust\n0,1,full\n0,2,3\n")
    assert [(problem.line, problem.key) for problem in found] == [(1, "speed"), (2, "Thrust"), (3, "Time")]


def test_a_long_list_of_columns_is_shortened(tmp_path: Path) -> None:
    names = ",".join(["Time", *(f"column {number}" for number in range(50))])
    found = problems_of(tmp_path, f"{names}\n{','.join('1' * 51)}\n")
    assert "and 31 more" in found[0].remedy


@pytest.mark.parametrize(
    ("content", "what"),
    [
        ("# only\n# comments\n", "holds no table"),
        ("Time,Speed,Thrust\n", "holds column names but no samples."),
        ("Time,Speed,Thrust\ns,rpm,N\n", "holds column names but no samples."),
        ("Time,Speed,Thrust\n0,1", "holds column names but no samples."),
    ],
)
def test_logs_without_samples(tmp_path: Path, content: str, what: str) -> None:
    (problem,) = problems_of(tmp_path, content)
    assert problem.what.startswith(what)


def test_everything_skipped(tmp_path: Path) -> None:
    (problem,) = problems_of(tmp_path, TABLE, make_rig(skip_rows=100))
    assert "`log: skip_rows` in rigs/test-stand.yaml" in problem.remedy


def test_a_line_too_long_is_refused(tmp_path: Path) -> None:
    (problem,) = problems_of(tmp_path, TABLE + "2,300," + "3" * MAX_LINE_BYTES)
    assert problem.line == 4
    assert "longer than 1,000,000 bytes" in problem.what


@pytest.mark.parametrize("delimiter", [",", " "])
def test_too_many_columns_are_refused(tmp_path: Path, delimiter: str) -> None:
    names = delimiter.join(["Time", "Speed", "Thrust", *(f"c{number}" for number in range(MAX_COLUMNS))])
    (problem,) = problems_of(tmp_path, names + "\n" + delimiter.join("1" * (MAX_COLUMNS + 3)) + "\n")
    assert (problem.line, problem.what) == (1, "has 10,003 columns; at most 10,000 are read.")


@pytest.mark.parametrize(
    ("content", "log"),
    [
        (f"# {SIMULATED_MARK}; seed 4\n{TABLE}", {}),
        (f"#{SIMULATED_MARK}; seed 4\n{TABLE}", {}),
        (f"## {SIMULATED_MARK}; seed 4\n{TABLE}", {}),
        (f'"# {SIMULATED_MARK}; seed 4",,\n{TABLE}', {}),
        (f"# first\n{TABLE}# {SIMULATED_MARK}; seed 4\n", {}),
        (f"# {SIMULATED_MARK}; seed 4\n{TABLE}", {"skip_rows": 1}),
        (f"# {SIMULATED_MARK}; seed 4\n{TABLE}", {"header_row": 2}),
        (f"% {SIMULATED_MARK}; seed 4\n{TABLE}", {"comment": "%"}),
        (f"# {SIMULATED_MARK}; seed 4\n{TABLE}", {"comment": "%"}),
    ],
)
def test_a_simulated_log_says_so_whatever_is_skipped(
    tmp_path: Path, content: str, log: dict[str, int]
) -> None:
    read_log = read(tmp_path, content, make_rig(**log))
    assert read_log.simulated == f"{SIMULATED_MARK}; seed 4"
    assert numbers(read_log) == ROWS


def test_a_measured_log_is_not_called_simulated(tmp_path: Path) -> None:
    assert read(tmp_path, f"# checked against {SIMULATED_MARK}\n{TABLE}").simulated is None


def test_a_real_cycler_log(tmp_path: Path) -> None:
    # Header and first samples as published in the repository batterysim/equiv-circ-model, commit 34752e7,
    # examples/data/cell-discharge-bitrode-3c.csv: CRLF, a name that occurs three times, an unnamed last column.
    content = (
        "Exclude,Time(s),Cycle,Loop,Loop,Loop,Step,StepTime(s),Current(A),Voltage(V),Power(W),Capacity(Ah),"
        "Energy(Wh),Mode,Data,\r\n"
        "No,1.0,1,1,1,1,2,1.0,-91.80,3.991,-366.0,-0.02,-0.09,DCHG, ,\r\n"
        "No,2.0,1,1,1,1,2,2.0,-91.80,3.979,-364.9,-0.04,-0.19,DCHG, ,\r\n"
    )
    rig = make_rig(
        {
            "time": {"column": "Time(s)", "unit": "s"},
            "voltage": {"column": "voltage(v)", "unit": "V"},
            "current": {"column": "Current(A)", "unit": "A", "sign": -1},
        }
    )
    assert numbers(read(tmp_path, content, rig)) == [[0, 3.991, 91.8], [1, 3.979, 91.8]]
