"""A started season and session: explained, sound, never over anything, and good to the end of the way."""

from __future__ import annotations

import datetime
import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import yaml
from jsonschema import Draft202012Validator
from pydantic import BaseModel

import generator
from generator import cli, pipeline
from generator.intake.parts import PART_MODELS
from generator.intake.placeholders import MARK
from generator.intake.problems import OutputRefused, SeasonProblems
from generator.intake.rig import Rig
from generator.intake.season import inspect_season, load_season, session_model
from generator.intake.session import SeasonFile
from generator.planning import start_values
from generator.planning.start import start
from generator.planning.start_files import Invented, about, comment, explained, flow, keys_of
from generator.planning.start_session import SessionStart, planned_runs
from generator.reduction.procedures import PROCEDURES, contracts
from tests.seasons import write_season
from tests.test_console import on_a_terminal
from tests.test_schemas import _AsEditorsRead

ALL = ("hold", "staircase", "spin-up", "soak", "ramp", "free-run")
FIRST = SessionStart(id="first", date=datetime.date(2031, 5, 4))


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A season with a session of every procedure that can be started with."""
    folder = tmp_path_factory.mktemp("start") / "mine"
    start(folder, SessionStart(id="first", date=datetime.date(2031, 5, 4), procedures=ALL))
    return folder


def yaml_files(season: Path) -> list[Path]:
    return sorted(season.rglob("*.yaml"))


def model_of(file: Path) -> type[BaseModel]:
    if file.name == "season.yaml":
        return SeasonFile
    if file.name == "session.yaml":
        return session_model(contracts())
    if file.parent.name == "rigs":
        return Rig
    return PART_MODELS[yaml.safe_load(file.read_text(encoding="utf-8"))["kind"]]


def problems_but_missing_logs(season: Path) -> list[str]:
    found = inspect_season(season, contracts(), logs_needed=False)
    return [str(problem) for problem in found.problems if problem.severity == "error"]


# --- what is written ----------------------------------------------------------------------------------------


def test_a_started_season_is_sound_before_there_are_logs(season: Path) -> None:
    assert problems_but_missing_logs(season) == []
    read = load_season(season, contracts(), logs_needed=False)
    assert [session.id for session in read.sessions] == ["first"]
    assert set(read.sessions[0].plans) == set(ALL)
    assert {part.kind for part in read.parts.values()} == set(PART_MODELS)
    assert (season / "first" / "logs").is_dir()


def test_every_file_names_its_schema_and_fits_it(season: Path) -> None:
    for file in yaml_files(season):
        first = file.read_text(encoding="utf-8").splitlines()[0]
        match = re.fullmatch(r"# yaml-language-server: \$schema=(\S+)", first)
        assert match, file
        schema = (file.parent / match[1]).resolve()
        assert schema.is_relative_to(season.resolve()), "the season can be moved as a whole"
        data = yaml.load(file.read_text(encoding="utf-8"), Loader=_AsEditorsRead)
        errors = Draft202012Validator(json.loads(schema.read_text(encoding="utf-8"))).iter_errors(data)
        assert [error.message for error in errors] == []


def _all_keys(model: type[BaseModel], file: Path) -> Iterator[tuple[str, str]]:
    for key, info in keys_of(model).items():
        yield key, about(model, key, info)


def test_every_key_is_there_with_the_words_of_its_model(season: Path) -> None:
    """The comments are the descriptions of the JSON Schemas, so that they cannot drift from them."""
    for file in yaml_files(season):
        text = file.read_text(encoding="utf-8")
        unwrapped = re.sub(r"\n\s*#\s+", " ", text)
        for key, said in _all_keys(model_of(file), file):
            assert said, f"{file.name}: {key} has no description in its model"
            assert re.search(rf"^#?{re.escape(key)}:", text, re.MULTILINE), f"{file.name}: {key}"
            assert " ".join(said.split()) in " ".join(unwrapped.split()), f"{file.name}: {key}"


def _descriptions(schema: Any, path: str = "") -> Iterator[str]:
    """Places of keys that say nothing of themselves."""
    if isinstance(schema, dict):
        for name, field in schema.get("properties", {}).items():
            if name != "kind" and not (isinstance(field, dict) and "description" in field):
                yield f"{path}.{name}"
        for name, inner in schema.items():
            yield from _descriptions(inner, f"{path}.{name}" if name in ("$defs",) else path)
    elif isinstance(schema, list):
        for inner in schema:
            yield from _descriptions(inner, path)


@pytest.mark.parametrize("name", ["channels", "air", "treatments", "wiring"])
def test_keys_inside_a_group_are_explained_too(name: str, season: Path) -> None:
    text = "\n".join(file.read_text(encoding="utf-8") for file in yaml_files(season))
    words = {
        "channels": "Standard uncertainty of the gain", "air": "not reduced to sea level",
        "treatments": "Highest output the controller is allowed", "wiring": "Both leads together",
    }  # fmt: skip
    assert words[name] in text


def test_a_key_switched_on_is_right_as_it_stands(season: Path) -> None:
    """Every line behind a bare `#` is taken in, and the file still fits its model; but for either-or keys."""
    for file in yaml_files(season):
        text = file.read_text(encoding="utf-8")
        on = re.sub(r"^(\s*)#(?!throttle|read_at)(?=[A-Za-z_-]+:)", r"\1", text, flags=re.MULTILINE)
        assert on != text or file.parent.name == "nothing to switch on", file
        data = yaml.load(on, Loader=_AsEditorsRead)
        if file.parent.name in ("rigs", "parts"):
            data["id"] = file.stem
        read = model_of(file).model_validate(data)
        assert set(keys_of(type(read))) <= set(data)


def test_every_invented_value_is_marked_and_told_by_check(season: Path) -> None:
    told = {
        p.file: p.what for p in generator.check(season) if p.severity == "doubtful" and "invented" in p.what
    }
    for file in yaml_files(season):
        marks = sum(
            line.rstrip().endswith(MARK) for line in file.read_text(encoding="utf-8").splitlines()[8:]
        )
        assert marks > 0, file
        assert f"holds {marks} invented values" in told[str(file)]
    # taken away, they are told no longer
    part = season / "parts" / "my-pack.yaml"
    text = part.read_text(encoding="utf-8")
    part.write_text(text.replace(f"  {MARK}", ""), encoding="utf-8")
    assert not [p for p in generator.check(season) if p.file == str(part)]
    part.write_text(text, encoding="utf-8")


def test_every_value_that_could_be_wrong_on_another_bench_is_marked(season: Path) -> None:
    for file in (*season.glob("parts/*.yaml"), *season.glob("rigs/*.yaml")):
        for line in file.read_text(encoding="utf-8").splitlines():
            if re.match(r"^\s*[a-z_]+: \S", line):
                assert line.endswith(MARK) or line.startswith("kind:"), f"{file.name}: {line}"


def test_a_start_value_for_each_procedure_that_can_be_rehearsed() -> None:
    assert set(start_values.PROCEDURES) <= set(PROCEDURES)
    for name, begun in start_values.PROCEDURES.items():
        units = {kind.name for kind in PROCEDURES[name].responses}
        assert begun.response in units or (begun.response == "" and PROCEDURES[name].of_rig)


def test_hidden_schemas_are_no_session(season: Path) -> None:
    assert (season / ".schemas" / "session.schema.json").is_file()
    assert not [p for p in inspect_season(season, contracts()).problems if ".schemas" in p.file]


def test_before_there_are_logs_check_finds_no_error_and_plan_takes_the_list(tmp_path: Path) -> None:
    season = tmp_path / "mine"
    start(season, FIRST)
    told = [
        str(problem)
        for problem in generator.check(season)
        if "none of the 8 logs is there yet" in problem.what
    ]
    assert len(told) == 1
    assert "first/session.yaml:" in told[0]
    assert f"whirlbook rehearse {season}/first" in told[0]
    with pytest.raises(SeasonProblems) as found:  # a site needs them, and says so once, not once a log
        pipeline.analyse_season(season)
    assert len(found.value.problems) == 1
    assert "none of the 8 logs is there yet" in found.value.problems[0].what
    assert [str(problem) for problem in generator.check(season) if problem.severity == "error"] == []
    assert cli.main(["plan", str(season / "first")]) == 0, "the list that `start` wrote is nobody's own"
    assert "Written by whirlbook plan" in (season / "first" / "session.yaml").read_text(encoding="utf-8")
    assert [str(problem) for problem in generator.check(season) if problem.severity == "error"] == []
    # one log there that is none: that is wrong, and the others are still to come
    run = load_season(season, contracts(), logs_needed=False).sessions[0].file.runs[0]
    (season / "first" / run.log).write_text("t_ms\n", encoding="utf-8")
    told = generator.check(season)
    assert {p.run for p in told if p.severity == "error"} == {run.id}
    assert len([p for p in told if p.kind == "still to come" and "is not there yet" in p.what]) == 7


# --- the whole way ------------------------------------------------------------------------------------------


def test_start_rehearse_check_build(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What a newcomer does first, with every procedure at once."""
    season, out = tmp_path / "mine", tmp_path / "site"
    assert cli.main(["start", str(season), "--yes", "--procedures", ",".join(ALL), "--repeats", "2"]) == 0
    assert cli.main(["rehearse", str(season / "first-question")]) == 0
    assert cli.main(["check", str(season)]) == 0
    told = capsys.readouterr()
    assert "invented" in told.err
    assert cli.main(["build", str(season), "--out", str(out)]) == 0
    assert "Not ready to publish: invented values are left in 9 files." in capsys.readouterr().err
    page = (out / "sessions" / "first-question" / "index.html").read_text(encoding="utf-8")
    assert "simulated" in page
    assert "{{" not in page
    assert "replace -->" not in page
    document = json.loads((out / "sessions" / "first-question" / "results.json").read_text(encoding="utf-8"))
    responses = {contrast["response"] for contrast in document["contrasts"]}
    assert {start_values.PROCEDURES[name].response for name in ALL} <= responses


def test_a_second_session_takes_rig_and_parts_of_its_season(tmp_path: Path) -> None:
    season = write_season(tmp_path / "season")
    before = {file: file.read_bytes() for file in season.rglob("*") if file.is_file()}
    written = generator.start(
        season / "blades",
        title="Two blades or three?",
        question="At equal speed, does a third blade cost power?",
        treatments={"two": "Two blades", "three": "Three blades", "four": "Four blades"},
        procedures=("hold",),
        repeats=3,
    )
    assert [file.name for file in written] == ["session.yaml", "conclusion.md"]
    assert {file: file.read_bytes() for file in before} == before
    assert problems_but_missing_logs(season) == []
    read = next(s for s in load_season(season, contracts(), logs_needed=False).sessions if s.id == "blades")
    assert read.file.title == "Two blades or three?"
    assert read.file.rig == "stand"
    assert {t.motor for t in read.file.treatments.values()} == {"reed"}
    assert list(read.file.treatments) == ["two", "three", "four"]
    assert read.file.baseline == "two"
    text = (season / "blades" / "session.yaml").read_text(encoding="utf-8")
    assert "title: Two blades or three?\n" in text, "what the tester said is no invented value"
    assert generator.rehearse(season / "blades")
    assert not [problem for problem in generator.check(season) if problem.severity == "error"]


def test_a_pack_is_drained_and_a_stand_is_loaded(tmp_path: Path) -> None:
    """Two procedures of another kind: one needs a pack, one belongs to no treatment."""
    season = tmp_path / "mine"
    generator.start(season, session="packs", procedures=("drain",), repeats=1)
    generator.start(season / "load-cell", procedures=("zero",))
    assert problems_but_missing_logs(season) == []
    read = {session.id: session for session in load_season(season, contracts(), logs_needed=False).sessions}
    assert {t.supply for t in read["packs"].file.treatments.values()} == {"my-pack"}
    assert [run.procedure for run in read["load-cell"].file.runs] == ["zero"]
    assert not read["load-cell"].file.claims


def test_runs_are_balanced_against_a_linear_drift() -> None:
    runs = planned_runs(("a", "b", "c"), {"hold": 4})
    assert len({run["log"] for run in runs}) == len(runs) == 12
    places = {name: [place for place, run in enumerate(runs) if run["treatment"] == name] for name in "abc"}
    assert {sum(found) for found in places.values()} == {sum(range(12)) / 3}
    for block in range(1, 5):
        assert {run["treatment"] for run in runs if run["block"] == block} == {"a", "b", "c"}


# --- never over anything, and what cannot be ----------------------------------------------------------------


def test_nothing_is_ever_replaced(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    season = tmp_path / "mine"
    start(season, FIRST)
    before = {file: file.read_bytes() for file in season.rglob("*") if file.is_file()}
    for name in (season, season / "first", season / "parts"):
        assert cli.main(["start", str(name), "--yes"]) == 3
    assert "exists already" in capsys.readouterr().err
    other = tmp_path / "notes"
    other.mkdir()
    (other / "diary.txt").write_text("mine")
    with pytest.raises(OutputRefused):
        start(other, FIRST)
    assert [file.name for file in other.iterdir()] == ["diary.txt"]
    with pytest.raises(OutputRefused, match="no folder"):
        start(tmp_path / "mispelt" / "q", FIRST)
    assert {file: file.read_bytes() for file in season.rglob("*") if file.is_file()} == before
    assert sorted(path.name for path in tmp_path.iterdir()) == ["mine", "notes"], (
        "nothing is left lying about"
    )


def test_an_empty_folder_is_free_to_use(tmp_path: Path) -> None:
    (tmp_path / "mine").mkdir()
    assert start(tmp_path / "mine", FIRST)


@pytest.mark.parametrize(
    ("argv", "said"),
    [
        (["--treatment", "a=A"], "two to twelve"),
        (["--treatment", "a=A", "--treatment", "a=B"], "same name or label"),
        (["--treatment", "a b=A", "--treatment", "c=B"], "'a b' cannot be used as a name"),
        (["--procedures", "hodl"], "Did you mean 'hold'?"),
        (["--session", "parts"], "'parts' cannot be used as a name"),
        (["--rig", "../x"], "cannot be used as a name"),
    ],
)
def test_answers_that_cannot_be_are_refused_whole(
    argv: list[str], said: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.main(["start", str(tmp_path / "mine"), "--yes", *argv]) == 1
    assert said in capsys.readouterr().err
    assert not list(tmp_path.iterdir())


def test_a_procedure_that_the_rig_cannot_serve_is_refused(tmp_path: Path) -> None:
    season = write_season(tmp_path / "season")
    rig = season / "rigs" / "stand.yaml"
    lines = rig.read_text(encoding="utf-8").splitlines()
    rig.write_text(
        "\n".join(line for line in lines if "motor_temperature" not in line) + "\n", encoding="utf-8"
    )
    with pytest.raises(SeasonProblems, match="soak needs motor_temperature"):
        generator.start(season / "heat", procedures=("soak",))
    with pytest.raises(SeasonProblems, match="'lofft' is not a rig"):
        generator.start(season / "heat", rig="lofft")


# --- by dialogue --------------------------------------------------------------------------------------------


def test_a_dialogue_asks_and_takes_what_is_usual(tmp_path: Path) -> None:
    season = tmp_path / "mine"
    program = f"from generator import cli; raise SystemExit(cli.main(['start', {str(season)!r}]))"
    answers = b"Spring on the bench\nbad name!\nblades\n\nbarn-stand\n"
    answers += b"two=Two blades, three=Three blades\nhodl\nhold,soak\n"
    shown = on_a_terminal(program, answers)
    assert "Title of the season?" in shown
    assert "'bad name!' cannot be used as a name." in shown
    assert "Not known here: hodl." in shown
    assert problems_but_missing_logs(season) == []
    read = load_season(season, contracts(), logs_needed=False)
    assert read.file.title == "Spring on the bench"
    (session,) = read.sessions
    assert (session.id, session.rig.id, set(session.plans)) == ("blades", "barn-stand", {"hold", "soak"})
    assert {name: t.label for name, t in session.file.treatments.items()} == {
        "two": "Two blades", "three": "Three blades"
    }  # fmt: skip


def test_nobody_is_asked_where_nobody_sits(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("generator.console.ask", lambda *_: pytest.fail("asked"))
    assert cli.main(["start", str(tmp_path / "mine")]) == 0


# --- the writer ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "value", ["a: b", "#x", "yes", "14:02", "1e3", "-", "'", '"', "é°", " x ", "null", "{a}", "[x"]
)
def test_any_text_comes_back_as_it_was(value: str) -> None:
    assert yaml.safe_load(f"key: {flow(value)}") == {"key": value}
    assert yaml.safe_load(f"key: {flow({'inner': Invented(value)})}") == {"key": {"inner": value}}


def test_on_is_a_word() -> None:
    assert flow({"on": "2 s"}) == "{on: 2 s}"


def test_comments_are_wrapped_and_indented() -> None:
    lines = comment("word " * 60, 4)
    assert len(lines) > 2
    assert all(line.startswith("    # word") and len(line) <= 104 for line in lines)


def test_a_value_of_two_lines_is_refused() -> None:
    with pytest.raises(ValueError, match="one line"):
        explained(SeasonFile, {"title": "a\nb"}, {})
