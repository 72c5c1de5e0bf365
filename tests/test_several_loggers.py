"""A run logged by two loggers gives what the same run gave in one log: demo logs, cut apart with invented clocks."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
import yaml

from generator import cli, pipeline
from generator.intake.problems import SeasonProblems
from generator.reduction.records import RunReduction
from tests.conftest import DEMO

SESSION = "cell-count-capped"
OFFSETS = {0: 1.37, 1: -0.52, 2: 0.0083, 3: 2.25}  # run -> seconds the second clock starts later; invented


def cut_apart(folder: Path, *, state: bool = False, align: bool = True, drop: int | None = None) -> Path:
    """A season of four holds, thrust and current in a second log with a clock of its own."""
    for name in (SESSION, "parts", "rigs"):
        shutil.copytree(DEMO / name, folder / name)
    shutil.copy(DEMO / "season.yaml", folder)
    rig_file, file = folder / "rigs/loft-stand.yaml", folder / SESSION / "session.yaml"
    rig: dict[str, Any] = yaml.safe_load(rig_file.read_text(encoding="utf-8"))
    session: dict[str, Any] = yaml.safe_load(file.read_text(encoding="utf-8"))
    rig["channels"]["thrust"].update(logger="second", column="F")
    rig["channels"]["current"].update(logger="second", column="I")
    rig["loggers"] = {
        "second": {"time": {"column": "t", "unit": "s"}, "log": {"delimiter": ";"}}
        | ({"aligned_by": {"channel": "speed", "column": "n", "unit": "rpm"}} if align else {})
    }
    session["runs"] = session["runs"][: len(OFFSETS)]
    session["procedures"] = {"hold": session["procedures"]["hold"]}
    session["primary"], session["claims"] = ["electrical_power"], session["claims"][:1]
    session["matters"] = {"electrical_power": "2 %", "thrust": "2 %"}
    for index, run in enumerate(session["runs"]):
        log = folder / SESSION / run["log"]
        frame = pd.read_csv(log, comment="#")
        mark = log.read_text(encoding="utf-8").splitlines()[0]
        other = pd.DataFrame(
            {"t": frame["t_ms"] / 1000.0, "F": frame["lift_gf"], "I": frame["feed_A"], "n": frame["n_rpm"]}
        )
        kept = other["t"] >= other["t"].iloc[0] + max(OFFSETS[index], 0.0)
        second = other[kept] if OFFSETS[index] >= 0.0 else other
        own = frame.drop(columns=["lift_gf", "feed_A"])
        if OFFSETS[index] < 0.0:
            own = own[own["t_ms"] >= own["t_ms"].iloc[0] - 1000.0 * OFFSETS[index]]
        name = f"logs/{index + 1:02d}-second.csv"
        log.write_text(f"{mark}\n{own.to_csv(index=False)}", encoding="utf-8")
        (folder / SESSION / name).write_text(
            f"{mark}\n{second.to_csv(index=False, sep=';')}", encoding="utf-8"
        )
        if index != drop:
            run["further_logs"] = {"second": {"log": name}}
            if state:
                run["further_logs"]["second"].update(
                    offset=f"{OFFSETS[index] * 1000:.1f} ms", offset_uncertainty="2 ms"
                )
    rig_file.write_text(yaml.safe_dump(rig, allow_unicode=True), encoding="utf-8")
    file.write_text(yaml.safe_dump(session, allow_unicode=True), encoding="utf-8")
    (folder / SESSION / "conclusion.md").write_text("Two logs a run.\n", encoding="utf-8")
    return folder


def means(runs: tuple[RunReduction, ...]) -> dict[tuple[str, str, Any], float]:
    return {(run.run_id, r.response, r.at): r.value for run in runs for r in run.responses}


@pytest.mark.parametrize("state", [False, True])
def test_two_logs_give_what_one_gave(tmp_path: Path, demo: pipeline.Analysed, state: bool) -> None:
    (analysis,) = pipeline.analyse_season(cut_apart(tmp_path, state=state)).sessions
    whole = next(a for a in demo.sessions if a.session_id == SESSION)
    before, after = means(whole.runs[: len(OFFSETS)]), means(analysis.runs)
    assert set(before) == set(after)
    for run, offset in zip(analysis.runs, OFFSETS.values(), strict=True):
        (log,) = run.joined
        assert log.found is not state
        assert log.offset_s == pytest.approx(offset, abs=max(4.0 * log.offset_u_s, 0.006))
        assert log.offset_u_s < 0.01
        assert log.columns == ("thrust_n", "current_a")
        assert run.simulated
    for key, value in after.items():
        # the windows may end a sample apart, and the rest before a run is shorter where a clock starts late
        assert value == pytest.approx(before[key], rel=2e-3, abs=0.2), key


def test_both_logs_are_published_with_their_checksums(tmp_path: Path) -> None:
    assert cli.main(["build", str(cut_apart(tmp_path / "s")), "--out", str(tmp_path / "site")]) == cli.DONE
    folder = tmp_path / "site/sessions" / SESSION
    listed = (folder / "logs.sha256").read_text(encoding="utf-8")
    for index in range(1, len(OFFSETS) + 1):
        assert (folder / f"logs/{index:02d}-second.csv").is_file()
        assert f"logs/{index:02d}-second.csv" in listed
    page = (folder / "runs/01-hold-four-cell-1.html").read_text(encoding="utf-8")
    assert "01-second.csv" in page
    assert "found from both logs" in page


def test_a_clock_that_nothing_tells_is_a_problem_with_its_remedy(tmp_path: Path) -> None:
    with pytest.raises(SeasonProblems) as found:
        pipeline.analyse_season(cut_apart(tmp_path, align=False))
    assert len(found.value.problems) == len(OFFSETS)
    assert all(
        "clock of its own" in problem.what and "offset" in problem.remedy for problem in found.value.problems
    )


def test_a_missing_further_log_is_told(tmp_path: Path) -> None:
    with pytest.raises(SeasonProblems) as found:
        pipeline.analyse_season(cut_apart(tmp_path, drop=2))
    (problem,) = found.value.problems
    assert "has no log of second" in problem.what
    assert problem.key == "runs[3]", "counted from one, as a tester counts"
    assert problem.line


def test_a_rehearsal_writes_a_log_for_each_logger(tmp_path: Path) -> None:
    folder = cut_apart(tmp_path)
    (folder / SESSION / "rehearsal.yaml").unlink()
    for line in pipeline.rehearse(folder / SESSION, seed=4, force=True):
        assert line
    (analysis,) = pipeline.analyse_season(folder).sessions
    for run in analysis.runs:
        assert run.refused is None
        (log,) = run.joined
        assert 0.0 < log.offset_s < 0.85
        assert log.offset_u_s < 0.01
        assert {r.response for r in run.responses} >= {"thrust", "electrical_power"}


def test_loggers_that_do_not_fit_the_rig_are_told_with_key_and_line(tmp_path: Path) -> None:
    folder = cut_apart(tmp_path)
    file = folder / "rigs/loft-stand.yaml"
    text = file.read_text(encoding="utf-8")
    file.write_text(
        text.replace("logger: second", "logger: secnd", 1).replace("channel: speed", "channel: thrust")
    )
    with pytest.raises(SeasonProblems) as found:
        pipeline.analyse_season(folder)
    told = {problem.key: problem for problem in found.value.problems if "loft-stand" in problem.file}
    assert "second" in told["channels.current.logger"].remedy
    assert "not a channel of the run's own log" in told["loggers.second.aligned_by.channel"].what
    assert all(problem.line for problem in told.values())
