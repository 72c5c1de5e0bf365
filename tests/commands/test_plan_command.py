"""`whirlbook plan`: what it writes, what it leaves alone, what it ends with."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

import generator
from generator import plan_session as module
from generator.cli import main
from generator.commands.exit_codes import DONE, NOT_WRITTEN, PROBLEMS, REFUSED, USAGE
from generator.planning.run_sheet_foreseen import Foreseen
from generator.planning.run_sheet_yaml import MARKER
from tests.planning.planned_season import write_planned

Output = pytest.CaptureFixture[str]


def everything(folder: Path) -> dict[str, bytes]:
    return {
        str(file.relative_to(folder)): file.read_bytes()
        for file in sorted(folder.rglob("*"))
        if file.is_file()
    }


@pytest.fixture
def session(tmp_path: Path) -> Path:
    return write_planned(tmp_path / "s")


def test_the_sheet_and_the_list_are_written(session: Path, capsys: Output) -> None:
    before = everything(session.parent)
    assert main(["plan", str(session)]) == DONE
    after = everything(session.parent)
    assert set(after) - set(before) == {"next/run-sheet.html", "next/run-sheet.md"}
    assert {name for name in before if before[name] != after[name]} == {"next/session.yaml"}
    assert MARKER.encode() in after["next/session.yaml"]
    out, err = capsys.readouterr()
    assert "Does it matter?" in out
    assert "Runs:" in out
    assert "run-sheet.html: written" in err
    assert main(["plan", str(session)]) == DONE
    assert everything(session.parent) == after, "the same again"


def test_what_was_planned_can_be_rehearsed_checked_and_built(
    session: Path, tmp_path: Path, capsys: Output
) -> None:
    assert main(["plan", str(session)]) == DONE
    assert main(["rehearse", str(session)]) == DONE
    (session / "conclusion.md").write_text("Nothing yet.\n", encoding="utf-8")
    capsys.readouterr()
    assert main(["check", str(session.parent)]) == DONE
    assert "run-sheet" not in capsys.readouterr().err
    found = {results["session"]: results for results in generator.analyse(session.parent)}
    power = [c for c in found["next"]["contrasts"] if c["response"] == "electrical_power"]
    assert power
    assert all(c["basis"] == "between runs" for c in power)
    # logs of a rehearsal may be left without their list only if that is said
    assert main(["plan", str(session), "--repeats", "3"]) == PROBLEMS
    assert main(["plan", str(session), "--repeats", "3", "--force"]) == DONE


def test_a_dry_run_writes_nothing(session: Path, capsys: Output) -> None:
    before = everything(session.parent)
    assert (
        main(["plan", str(session), "--dry-run", "--power", "95", "--order", "random", "--seed", "3"]) == DONE
    )
    assert everything(session.parent) == before
    out, err = capsys.readouterr()
    assert "## Runs in order" in out
    assert "Nothing was written." in err
    assert main(["plan", str(session.parent / "q"), "--dry-run"]) == DONE, (
        "a measured session may be looked at"
    )


def test_a_measured_session_is_never_planned_over(session: Path, capsys: Output) -> None:
    before = everything(session.parent)
    for more in ([], ["--force"]):
        assert main(["plan", str(session.parent / "q"), *more]) == PROBLEMS
    assert everything(session.parent) == before
    assert "logs/01.csv" in capsys.readouterr().err


def test_a_typed_list_is_replaced_only_by_force(tmp_path: Path, capsys: Output) -> None:
    typed = "runs:\n  - {log: logs/mine.csv, procedure: hold, treatment: a}\n"
    session = write_planned(tmp_path / "s", runs=typed)
    before = everything(session)
    assert main(["plan", str(session)]) == PROBLEMS
    assert "--force" in capsys.readouterr().err
    assert everything(session) == before
    assert main(["plan", str(session), "--force"]) == DONE
    assert b"mine.csv" not in (session / "session.yaml").read_bytes()


def test_the_sheet_can_go_elsewhere_and_replaces_only_sheets(
    session: Path, tmp_path: Path, capsys: Output
) -> None:
    out = tmp_path / "bench"
    assert main(["plan", str(session), "--out", str(out)]) == DONE
    assert sorted(file.name for file in out.iterdir()) == ["run-sheet.html", "run-sheet.md"]
    assert not (session / "run-sheet.html").exists()
    (out / "run-sheet.md").write_text("my own notes\n", encoding="utf-8")
    before = everything(session.parent)
    assert main(["plan", str(session), "--out", str(out), "--repeats", "7"]) == NOT_WRITTEN
    assert (out / "run-sheet.md").read_text(encoding="utf-8") == "my own notes\n"
    assert everything(session.parent) == before
    assert "was not written by whirlbook plan" in capsys.readouterr().err


def test_options_that_cannot_be(session: Path, capsys: Output) -> None:
    for words in (["--repeats", "0"], ["--power", "90"], ["--order", "zigzag"], ["--change-minutes", "-1"]):
        with pytest.raises(SystemExit) as ended:
            main(["plan", str(session), *words])
        assert ended.value.code == USAGE
    capsys.readouterr()


def test_a_scatter_that_the_tester_knows(session: Path, capsys: Output) -> None:
    assert main(["plan", str(session), "--scatter", "electrical_power=0.2 %"]) == DONE
    text = (session / "run-sheet.md").read_text(encoding="utf-8")
    assert "Scatter of one run, electrical power: 0.2\u00a0%, as the tester states it." in text
    for wrong, told in (
        ("electrical_powr=1 %", "Did you mean 'electrical_power'?"), ("electrical_power=1", "--scatter"),
        ("electrical_power=0 %", "not above zero"), ("electrical_power", "--scatter"),
    ):  # fmt: skip
        assert main(["plan", str(session), "--scatter", wrong]) == PROBLEMS
        assert told in capsys.readouterr().err


def test_a_folder_that_is_no_session(session: Path, capsys: Output) -> None:
    assert main(["plan", str(session.parent / "rigs")]) == PROBLEMS
    assert main(["plan", str(session.parent / "nowhere")]) == PROBLEMS
    assert "is not a session" in capsys.readouterr().err


def test_faults_of_this_session_stop_it_and_those_of_others_do_not(session: Path, capsys: Output) -> None:
    other = session.parent / "q" / "session.yaml"
    other.write_text(other.read_text("utf-8").replace("rig: stand", "rig: stnd"), encoding="utf-8")
    assert main(["plan", str(session)]) == DONE
    assert "q/session.yaml has faults and was not used" in capsys.readouterr().err
    own = session / "session.yaml"
    own.write_text(own.read_text("utf-8").replace("rig: stand", "rig: stnd"), encoding="utf-8")
    assert main(["plan", str(session)]) == PROBLEMS
    assert "Did you mean 'stand'?" in capsys.readouterr().err


def test_an_unsafe_plan_is_refused_unless_the_session_says_why(
    session: Path, monkeypatch: pytest.MonkeyPatch, capsys: Output
) -> None:
    reason = "A reaches 40 000 rpm without its cap, and its propeller is limited to 30 000 rpm."
    monkeypatch.setattr(module, "foreseen", lambda *_: Foreseen(refused=(("lost-cap", reason),)))
    before = everything(session.parent)
    assert main(["plan", str(session)]) == REFUSED
    assert everything(session.parent) == before
    err = capsys.readouterr().err
    assert reason in err
    assert "go_on_because: {lost-cap:" in err
    said = f"Not safe: {reason} Goes on because: It runs in a bunker."
    monkeypatch.setattr(module, "foreseen", lambda *_: Foreseen(answered=(said,)))
    assert main(["plan", str(session)]) == DONE
    assert said in (session / "run-sheet.html").read_text(encoding="utf-8")
    assert said in (session / "run-sheet.md").read_text(encoding="utf-8")


def test_from_python(session: Path) -> None:
    before = everything(session.parent)
    found = generator.plan(session, repeats=4, order="random", seed=2, write=False)
    assert everything(session.parent) == before, "nothing is written"
    assert found["written"] == []
    assert found["session"] == "next"
    assert found["order"] == "random"
    assert len(found["runs"]) == 8
    assert found["runs"][0]["log"].startswith("logs/01-hold-")
    assert {one["repeats"] for one in found["chosen"]} == {4}
    json.dumps(found, allow_nan=False)
    written = generator.plan(session, repeats=4)["written"]
    assert [Path(file).name for file in written] == ["run-sheet.html", "run-sheet.md", "session.yaml"]


HOLD = "hold: {speed: [9000 rpm], settle: 0.5 s, window: 1 s}"
PROCEDURES = {
    "soak": "soak: {speed: 9000 rpm, on: 4 s, off: 4 s, cycles: 5}",
    "staircase": "staircase: {throttle: [20 %, 40 %, 60 %], step: 2 s, average: 1 s, compare_at: {speed: [9000 rpm]}}",
    "ramp": "ramp: {from: 10 %, to: 60 %, up: 10 s, compare_at: {speed: [9000 rpm]}}",
    "free-run": "free-run: {throttle: [20 %, 40 %, 60 %], read_at: [9000 rpm]}",
    "read-off": "read-off: {compare_at: {speed: [9000 rpm]}}",
    "zero": "zero: {channel: thrust, loads: [0 gf, 100 gf, 200 gf, 100 gf, 0 gf]}",
}


@pytest.mark.parametrize("procedure", PROCEDURES)
def test_every_procedure_can_be_planned(procedure: str, tmp_path: Path) -> None:
    session = write_planned(tmp_path / "s", **{HOLD: f"{HOLD}\n  {PROCEDURES[procedure]}"})
    found = generator.plan(session)
    own = [run for run in found["runs"] if run["procedure"] == procedure]
    assert len(own) == (1 if procedure == "zero" else 8)
    assert all(run["demand"]["duration_s"] > 0.0 for run in own)


def test_a_spin_up_on_a_supply_is_refused_until_the_file_says_why(tmp_path: Path, capsys: Output) -> None:
    up = "spin-up: {from: 4000 rpm, to: [9000 rpm], cycles: 5}"
    session = write_planned(tmp_path / "s", **{HOLD: f"{HOLD}\n  {up}"})
    before = everything(session)
    assert main(["plan", str(session)]) == REFUSED
    assert everything(session) == before
    err = capsys.readouterr().err
    assert "go_on_because: {supply-cannot-absorb:" in err
    assert "switch braking off in the controller, and say so under `go_on_because`" in err
    assert "run on a pack instead of the supply" in err
    assert "write `absorbs_returned_energy: true` into parts/bench.yaml." in err
    file = session / "session.yaml"
    reason = "Braking is switched off in the controller."
    text = file.read_text("utf-8") + f"go_on_because: {{supply-cannot-absorb: {reason}}}\n"
    file.write_text(text, encoding="utf-8")
    assert main(["plan", str(session)]) == DONE
    page = (session / "run-sheet.html").read_text(encoding="utf-8")
    assert "Not safe: " in page
    assert reason in page
    assert file.read_text("utf-8").endswith(text[text.index("claims:") :])


def test_a_supply_that_takes_energy_back_and_a_pack_are_cures(tmp_path: Path) -> None:
    up = f"{HOLD}\n  spin-up: {{from: 4000 rpm, to: [9000 rpm], cycles: 5}}"
    session = write_planned(tmp_path / "s", **{HOLD: up})
    with (session.parent / "parts" / "bench.yaml").open("a", encoding="utf-8") as part:
        part.write("absorbs_returned_energy: true\n")
    assert generator.plan(session, write=False)["runs"]
    feeds = "supply: bench, cells: 4, volts_per_cell: 4.0 V"
    session = write_planned(tmp_path / "p", **{HOLD: up, feeds: "supply: pond-4s"})
    assert generator.plan(session, write=False)["runs"]


def test_a_drain_as_started_takes_a_full_pack_a_run_and_what_is_too_loud_is_a_warning(
    tmp_path: Path, capsys: Output
) -> None:
    season = tmp_path / "s"
    assert main(["start", str(season), "--yes", "--procedures", "drain"]) == DONE
    capsys.readouterr()
    assert main(["plan", str(season / "first-question")]) == DONE
    said = capsys.readouterr().out.splitlines()
    assert any("8 full charges (each run empties it to the cut-off)" in line for line in said)
    assert not any("more than" in line for line in said)
    (loud,) = [line for line in said if line.startswith("Warning: ")]
    assert "of a day's allowance of noise: everybody in the room wears it" in loud
    page = (season / "first-question" / "run-sheet.html").read_text(encoding="utf-8")
    assert 'class="warned">Without hearing protection these runs are' in page


def test_runs_of_the_stand_alone_are_for_no_treatment(tmp_path: Path, capsys: Output) -> None:
    session = write_planned(tmp_path / "s", **{HOLD: PROCEDURES["zero"]}, **{
        "primary: [electrical_power]\n": "", "matters: {electrical_power: 2 %, thrust: 5 gf}\n": "",
        "claims:\n  - {says: It costs nothing., by: a forum, response: electrical_power, treatment: b, "
        "expects: no difference}\n": "",
    })  # fmt: skip
    assert main(["plan", str(session)]) == DONE
    assert "  Runs: 1\n" in capsys.readouterr().out
