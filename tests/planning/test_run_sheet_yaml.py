"""The list of runs is set into session.yaml; every other byte stays, and nobody's list is lost."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

from generator.intake.problems import SeasonProblems
from generator.intake.yaml_source import read_yaml
from generator.planning.design_records import Change, PlannedRun, RunDemand
from generator.planning.log_writer import SIMULATED_MARK
from generator.planning.run_sheet_yaml import MARKER, replace_file, require_no_logs, with_runs


def run(place: int, treatment: str = "a", block: int | None = 1, procedure: str = "hold") -> PlannedRun:
    name = "-".join(part for part in (f"{place:02d}", procedure, treatment, "1") if part)
    return PlannedRun(
        place=place, log=f"logs/{name}.csv", procedure=procedure, treatment=treatment, repeat=1, block=block,
        change=Change(steps=(), minutes=0.0), cooling_s=0.0, starts_min=0.0,
        demand=RunDemand(duration_s=1.0, running_s=1.0),
    )  # fmt: skip


RUNS = (run(1, "a"), run(2, "b"), run(3, "watch", None))
LIST = f"""\
  {MARKER}
  - {{log: logs/01-hold-a-1.csv, procedure: hold, treatment: a, repeat: 1, block: 1}}
  - {{log: logs/02-hold-b-1.csv, procedure: hold, treatment: b, repeat: 1, block: 1}}
  - {{log: logs/03-hold-watch-1.csv, procedure: hold, treatment: watch, repeat: 1}}
"""
BEFORE = (
    "title: T   # a remark, with runs: in it\nabout: |\n  runs:\n    - not these\n"
    "procedures:\n  hold: {speed: [9000 rpm]}\n\n"
)
AFTER = "# before the claims\nclaims: []\n\n# at the end"


def written(text: str, runs: tuple[PlannedRun, ...] = RUNS, *, force: bool = False) -> str:
    return with_runs(text.encode(), runs, "s/session.yaml", force=force).decode()


@pytest.mark.parametrize(
    ("line", "kept"),
    [
        ("runs:\n", "runs:\n"),
        ("runs: []\n", "runs:\n"),
        ("runs:   # plan writes this\n", "runs:   # plan writes this\n"),
        ("runs: []  # empty\n", "runs:  # empty\n"),
        ("runs: null\n", "runs:\n"),
        ("runs: ~\n", "runs:\n"),
    ],
)
def test_an_empty_list_is_filled_and_the_rest_stays(line: str, kept: str) -> None:
    assert written(BEFORE + line + AFTER) == BEFORE + kept + LIST + AFTER


def test_a_missing_key_is_set_after_the_procedures() -> None:
    before = BEFORE.rstrip("\n") + "\n"
    assert written(before + "\n" + AFTER) == before + "runs:\n" + LIST + "\n" + AFTER
    assert written("title: T\nprocedures:\n  hold: {speed: [9000 rpm]}") == (
        "title: T\nprocedures:\n  hold: {speed: [9000 rpm]}\nruns:\n" + LIST
    )


def test_the_last_key_needs_no_line_after_it() -> None:
    assert written(BEFORE + "runs:") == BEFORE + "runs:\n" + LIST


def test_its_own_list_is_replaced_and_comes_out_the_same() -> None:
    once = written(BEFORE + "runs:\n" + AFTER)
    assert written(once) == once
    shorter = written(once, RUNS[:1])
    assert "02-hold-b-1" not in shorter
    assert shorter.endswith(AFTER)
    assert written(shorter) == once


def test_a_file_with_other_line_ends_and_a_byte_order_mark_keeps_them() -> None:
    text = (BEFORE + "runs:\n" + AFTER).replace("\n", "\r\n")
    content = with_runs(b"\xef\xbb\xbf" + text.encode(), RUNS, "s")
    assert content == b"\xef\xbb\xbf" + (BEFORE + "runs:\n" + LIST + AFTER).replace("\n", "\r\n").encode()


@pytest.mark.parametrize(
    "body",
    [
        "  - {log: logs/mine.csv, procedure: hold, treatment: a}\n",
        "  - {log: logs/01-hold-a-1.csv, procedure: hold, treatment: a, repeat: 1, block: 1, notes: mine}\n",
        "  # my own remark\n  - {log: logs/01-hold-a-1.csv, procedure: hold, treatment: a, repeat: 1, block: 1}\n",
        "  - log: logs/01-hold-a-1.csv\n    procedure: hold\n    treatment: a\n",
        "  - just words\n",
        "  one: two\n",
    ],
)
def test_a_list_that_somebody_typed_is_left_alone(body: str) -> None:
    with pytest.raises(SeasonProblems) as found:
        written(BEFORE + "runs:\n" + body + AFTER)
    (problem,) = found.value.problems
    assert (problem.key, problem.line) == ("runs", BEFORE.count("\n") + 1)
    assert "--force" in problem.remedy
    assert written(BEFORE + "runs:\n" + body + AFTER, force=True) == BEFORE + "runs:\n" + LIST + AFTER


@pytest.mark.parametrize(
    "text",
    ["{title: T, runs: []}\n", "title: T\nruns: [{log: logs/1.csv}]\n", "- a\n- b\n", "title: [unclosed\n"],
)
def test_a_shape_that_does_not_allow_it_is_refused(text: str) -> None:
    with pytest.raises(SeasonProblems) as found:
        written(text)
    assert "session.yaml" in str(found.value)


def test_a_list_that_others_refer_to_is_not_torn_out() -> None:
    text = "title: T\nruns: &them\n  - {log: logs/x.csv}\npairs: *them\n"
    with pytest.raises(SeasonProblems):
        written(text, force=True)


def test_logs_of_further_loggers_are_named_too(tmp_path: Path) -> None:
    runs = tuple(replace(one, further_logs=(("box", one.log.replace(".csv", "-box.csv")),)) for one in RUNS)
    text = written("title: T\nruns:\n", runs)
    (tmp_path / "session.yaml").write_text(text, encoding="utf-8")
    source, problems = read_yaml(tmp_path / "session.yaml", "s")
    assert problems == []
    assert source.data["runs"][1]["further_logs"] == {"box": {"log": "logs/02-hold-b-1-box.csv"}}
    assert written(text, runs) == text
    (tmp_path / "logs").mkdir()
    (tmp_path / "logs" / "02-hold-b-1-box.csv").write_text("t\n0\n", encoding="utf-8")
    with pytest.raises(SeasonProblems, match="02-hold-b-1-box"):
        require_no_logs(text.encode(), tmp_path, "s", force=False)


def test_names_that_yaml_would_take_for_something_else_are_quoted(tmp_path: Path) -> None:
    text = written(
        "title: T\nruns:\n", (run(1, "4"), run(2, "on"), run(3, "2031-05-04"), run(4, "", None, "zero"))
    )
    (tmp_path / "session.yaml").write_text(text, encoding="utf-8")
    source, problems = read_yaml(tmp_path / "session.yaml", "s")
    assert problems == []
    assert [entry.get("treatment") for entry in source.data["runs"]] == ["4", "on", "2031-05-04", None]
    assert written(text, (run(1, "4"),)).count("- {") == 1


def lines_of(*lines: str) -> st.SearchStrategy[list[str]]:
    return st.lists(st.sampled_from(lines), max_size=5, unique=True)


@given(
    before=lines_of("# remark\n", "\n", "  # indented remark\n", "about: 'runs: not here'\n"),
    after=lines_of(
        "# remark\n", "\n", "   \n", "claims: []\n", "pairs:\n  - {a: 1}\n", "note: |\n  runs:\n   - x\n\n"
    ),
    value=st.sampled_from(["", " []", " # mine", " []   # mine", " null"]),
)  # fmt: skip
@settings(max_examples=80, deadline=None)
def test_every_line_but_the_list_is_kept(before: list[str], after: list[str], value: str) -> None:
    head = "title: T\n" + "".join(before)
    tail = "".join(after)
    made = written(f"{head}runs:{value}\n{tail}")
    assert made.startswith(head + "runs:")
    assert made.endswith(LIST + tail)
    old, new = (yaml.safe_load(text) for text in (f"{head}runs:{value}\n{tail}", made))
    assert {k: v for k, v in new.items() if k != "runs"} == {k: v for k, v in old.items() if k != "runs"}


# --- logs that are there ------------------------------------------------------------------------------------


def test_measured_logs_are_never_planned_over(tmp_path: Path) -> None:
    content = written("title: T\nruns:\n").encode()
    require_no_logs(content, tmp_path, "s/session.yaml", force=False)
    (tmp_path / "logs").mkdir()
    log = tmp_path / "logs" / "02-hold-b-1.csv"
    log.write_text("t,n\n0,1\n", encoding="utf-8")
    for force in (False, True):
        with pytest.raises(SeasonProblems, match=r"02-hold-b-1\.csv"):
            require_no_logs(content, tmp_path, "s/session.yaml", force=force)
    log.write_text(f"# {SIMULATED_MARK}\nt,n\n0,1\n", encoding="utf-8")
    with pytest.raises(SeasonProblems, match="simulated"):
        require_no_logs(content, tmp_path, "s/session.yaml", force=False)
    require_no_logs(content, tmp_path, "s/session.yaml", force=True)


def test_a_file_is_replaced_whole_and_keeps_its_mode(tmp_path: Path) -> None:
    file = tmp_path / "session.yaml"
    file.write_text("old", encoding="utf-8")
    file.chmod(0o640)
    replace_file(file, b"new")
    assert file.read_bytes() == b"new"
    assert file.stat().st_mode & 0o777 == 0o640
    assert [entry.name for entry in tmp_path.iterdir()] == ["session.yaml"]
