"""`check`: at the bench between two runs, on a whole season, and against all that `build` refuses."""

from __future__ import annotations

import json
import os
import shutil
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from jsonschema import Draft202012Validator

import generator
from generator import cli, pipeline
from generator.check_records import CheckRecord, check_schema, document
from generator.checking import check
from generator.commands.check import exit_code
from generator.commands.exit_codes import DONE, PROBLEMS, REPEAT
from generator.publication import site_check
from tests.conftest import DEMO, ROOT
from tests.seasons import log_text, write_season
from tests.test_broken_season import BREAKAGES, SECOND, edit, second_session

SESSION = "worn-bearing"
# invented, as all of the demo season: a load cell that sticks, a logger that stops, a spike that is harmless
FAULTS = """
faults:
  02-hold-worn-1: [{kind: stuck, channel: thrust, at: 4 s, for: 6 s}]
  03-hold-worn-2: [{kind: dropout, at: 4 s, for: 2.5 s}]
  05-hold-fresh-3: [{kind: spike, channel: thrust, at: 5 s, size: 250 gf}]
"""


def bench(folder: Path, change: Callable[[str], str]) -> Path:
    """A season of one rehearsed session of six holds; `change` edits its hidden truth. Returns the season."""
    folder.mkdir()
    shutil.copy(DEMO / "season.yaml", folder)
    for name in ("parts", "rigs", SESSION):
        shutil.copytree(DEMO / name, folder / name)
    truth = folder / SESSION / "rehearsal.yaml"
    truth.write_text(change(truth.read_text(encoding="utf-8")), encoding="utf-8")
    generator.rehearse(folder / SESSION, force=True)
    return folder


@pytest.fixture(scope="module")
def faulty(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return bench(tmp_path_factory.mktemp("faulty") / "season", lambda truth: truth + FAULTS)


def told(season: Path, severity: str, session: str | None = None) -> dict[str, set[str]]:
    """Run -> kinds of what is told of it in one severity."""
    found: dict[str, set[str]] = {}
    for record in generator.check(season, session=session):
        if record.severity == severity:
            found.setdefault(record.run, set()).add(record.kind)
    return found


# --- at the bench -------------------------------------------------------------------------------------------


def test_rehearsed_faults_are_told_run_by_run(faulty: Path) -> None:
    assert told(faulty, "repeat") == {"02-hold-worn-1": {"stuck"}, "03-hold-worn-2": {"speed missed"}}
    assert told(faulty, "noted") == {"03-hold-worn-2": {"gap"}, "05-hold-fresh-3": {"spike"}}
    assert told(faulty, "error") == {}
    (stuck,) = [r for r in generator.check(faulty) if r.kind == "stuck"]
    assert stuck.file == f"{faulty}/{SESSION}/logs/02-hold-worn-1.csv"
    assert stuck.check == "data-thrust"
    assert "thrust-16000rpm-worn" in stuck.weakens  # the session is complete: its verdicts were asked


def test_logs_as_they_arrive(faulty: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    season = tmp_path / "season"
    shutil.copytree(faulty, season)
    logs = sorted((season / SESSION / "logs").iterdir())
    for log in logs:
        log.rename(tmp_path / log.name)
    records = generator.check(season)
    assert {(r.severity, r.kind) for r in records} == {("noted", "still to come")}
    assert exit_code(check(season)) == DONE
    seen: list[set[str]] = []
    for place, log in enumerate(logs, start=1):
        (tmp_path / log.name).rename(log)
        report = check(season, session=SESSION)
        assert report.count("error") == 0
        (state,) = report.sessions
        assert len(state.to_come) == 6 - place
        assert state.judged is (place == 6)
        seen.append(set(report.to_repeat()))
    assert seen[0] == set()
    assert seen[1] == {"02-hold-worn-1"}
    assert seen[2] == seen[5] == {"02-hold-worn-1", "03-hold-worn-2"}
    logs[4].unlink()
    assert cli.main(["check", str(season), "--session", SESSION]) == REPEAT
    said = capsys.readouterr().err
    assert "worn-bearing: 5 of 6 runs are there; next is 05-hold-fresh-3" in said
    assert "05-hold-fresh-3 stands before it in the list and is not made yet" in said
    assert said.splitlines()[-1] == (
        "2 runs to repeat: 02-hold-worn-1, 03-hold-worn-2; 1 doubtful; 1 run still to come."
    )
    # a site needs every log, but for those of runs that are left out
    assert cli.main(["build", str(season), "--out", str(tmp_path / "site")]) == PROBLEMS
    assert cli.main(["check", str(season)]) == PROBLEMS
    assert capsys.readouterr().err.count("say why under `left_out:`") == 2
    text = (season / SESSION / "session.yaml").read_text("utf-8")
    lost = next(line for line in text.splitlines() if logs[4].name in line)
    (season / SESSION / "session.yaml").write_text(
        text.replace(lost, lost.rstrip("}") + ", left_out: the card was full}"), encoding="utf-8"
    )
    report = check(season)
    assert report.count("error") == 0
    (state,) = report.sessions
    assert state.judged
    assert state.to_come == ()


def test_the_order_is_told_by_when_the_logs_were_written_while_runs_are_to_come(
    faulty: Path, tmp_path: Path
) -> None:
    season = tmp_path / "season"
    shutil.copytree(faulty, season)
    logs = sorted((season / SESSION / "logs").iterdir())
    for place, log in enumerate(logs):
        os.utime(log, (1e9, 1e9 + 600 * place))
    os.utime(logs[1], (1e9, 1e9 - 600))
    assert "order" not in {r.kind for r in generator.check(season)}  # complete: files may have been copied
    logs[5].unlink()
    assert told(season, "doubtful")["02-hold-worn-1"] == {"order"}


def test_a_wrong_propeller_in_one_run_is_told_and_named(tmp_path: Path) -> None:
    """The same session rehearsed twice, once with another propeller really on: one log of that goes into the first."""

    def with_duo(truth: str) -> str:
        truth = truth.replace("  worn: {", "  worn: {propeller: duo-5.1, ")
        return truth.replace(
            "propellers:\n",
            "propellers:\n  duo-5.1: {thrust_coefficient: 0.128, power_coefficient: 0.0620}\n",
        )

    right = bench(tmp_path / "right", lambda truth: truth)
    assert told(right, "repeat") == {}
    wrong = bench(tmp_path / "wrong", with_duo)
    log = f"{SESSION}/logs/03-hold-worn-2.csv"
    shutil.copy(wrong / log, right / log)
    assert told(right, "repeat") == {"03-hold-worn-2": {"wrong propeller"}}
    (one,) = [r for r in generator.check(right) if r.kind == "wrong propeller"]
    assert "5 other runs" in one.what
    assert "would give" in one.what
    # the first run of a session has only the part file to be held against
    for other in sorted((right / SESSION / "logs").iterdir()):
        if other.name != "03-hold-worn-2.csv":
            other.unlink()
    assert told(right, "repeat") == {"03-hold-worn-2": {"wrong propeller"}}
    # and where all runs of one treatment have it, the part file knows which of them are right
    assert set(told(wrong, "repeat")) == {"02-hold-worn-1", "03-hold-worn-2", "06-hold-worn-3"}


def test_one_session_is_checked_between_two_runs_in_two_seconds() -> None:
    check(DEMO, session=SESSION)  # imports
    best = min(_seconds(lambda: check(DEMO, session="cell-count-capped")) for _ in range(2))
    assert best < 4.0, "2 s on a machine that does nothing else; twice that here"


def _seconds(work: Callable[[], object]) -> float:
    began = time.process_time()
    work()
    return time.process_time() - began


def test_session_looks_at_no_other(faulty: Path, tmp_path: Path) -> None:
    season = tmp_path / "season"
    shutil.copytree(faulty, season)
    shutil.copytree(season / SESSION, season / "other")
    (season / "other" / "logs" / "01-hold-fresh-1.csv").write_text("nothing\n", encoding="utf-8")
    assert {r.session for r in generator.check(season) if r.severity == "error"} == {"other"}
    assert {r.session for r in generator.check(season, session=SESSION)} == {SESSION}
    (unknown,) = [r for r in generator.check(season, session="worn-bering") if r.severity == "error"]
    assert "'worn-bering' is not a session" in unknown.what
    assert "worn-bearing" in unknown.remedy


def test_a_log_under_another_name_is_found(faulty: Path, tmp_path: Path) -> None:
    season = tmp_path / "season"
    shutil.copytree(faulty, season)
    logs = season / SESSION / "logs"
    (logs / "05-hold-fresh-3.csv").rename(logs / "05-hold-frsh-3.csv")
    (one,) = [r for r in generator.check(season) if r.kind == "no run"]
    assert one.severity == "doubtful"
    assert "logs/05-hold-fresh-3.csv" in one.remedy
    shutil.copy(logs / "05-hold-frsh-3.csv", logs / "05-hold-fresh-3.csv")
    (one,) = [r for r in generator.check(season) if r.kind == "no run"]
    assert one.severity == "noted"  # an attempt that was dropped


# --- for machines and for people ----------------------------------------------------------------------------


def fits(text: str) -> dict[str, object]:
    """The printed document, held against the schema as it is shipped."""
    schema = json.loads((ROOT / "shared" / "check.schema.json").read_text(encoding="utf-8"))
    found = json.loads(text)
    Draft202012Validator(schema).validate(found)
    return dict(found)


def test_json_fits_its_schema(faulty: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    Draft202012Validator.check_schema(check_schema())
    assert cli.main(["check", str(faulty), "--json"]) == REPEAT
    found = fits(capsys.readouterr().out)
    assert found["format"] == "whirlbook-check/1"
    # doubtful: what the thrust that stuck does to the session's own checks
    assert found["counts"] == {"error": 0, "repeat": 2, "doubtful": 2, "noted": 2}
    assert found["sessions"][0]["repeat"] == ["02-hold-worn-1", "03-hold-worn-2"]  # type: ignore[index]
    assert cli.main(["check", str(tmp_path / "nowhere"), "--json"]) == PROBLEMS
    assert fits(capsys.readouterr().out)["exit_code"] == PROBLEMS
    broken = write_season(tmp_path / "broken")
    for apply, _ in BREAKAGES.values():
        apply(broken)
    assert cli.main(["check", str(broken), "--json"]) == PROBLEMS
    fits(capsys.readouterr().out)


def test_schema_refuses_what_is_not_promised(faulty: Path) -> None:
    report = check(faulty)
    good = document(report, exit_code(report))
    validator = Draft202012Validator(check_schema())
    assert validator.is_valid(good)
    for change in ({"exit_code": 4}, {"format": "whirlbook-check/2"}, {"counts": {"error": 0}}, {"extra": 1}):
        assert not validator.is_valid({**good, **change}), change


def test_plain_where_nobody_watches_and_coloured_where_asked(
    faulty: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("FORCE_COLOR", raising=False)
    cli.main(["check", str(faulty)])
    assert "\x1b" not in capsys.readouterr().err
    monkeypatch.setenv("FORCE_COLOR", "1")
    monkeypatch.delenv("NO_COLOR", raising=False)
    cli.main(["check", str(faulty)])
    assert "\x1b[35m" in capsys.readouterr().err
    monkeypatch.setenv("NO_COLOR", "1")
    cli.main(["check", str(faulty)])
    assert "\x1b" not in capsys.readouterr().err


# --- all that build refuses ---------------------------------------------------------------------------------


def refused_by_build(season: Path, out: Path, capsys: pytest.CaptureFixture[str]) -> str:
    assert cli.main(["build", str(season), "--out", str(out), "--no-cache"]) == PROBLEMS
    assert not out.exists()
    return capsys.readouterr().err


def files_of(folder: Path) -> dict[Path, bytes]:
    return {file: file.read_bytes() for file in folder.rglob("*") if file.is_file()}


def same(problem: str, record: CheckRecord) -> bool:
    """Whether a record is the problem that build printed: same place, same words; a log that is missing, not yet."""
    first = str(record).splitlines()[0]
    return problem in (first, first.replace(" is not there yet.", " is not there."))


@pytest.mark.parametrize("name", [*BREAKAGES, "second session", "everything"])
def test_check_finds_all_that_build_refuses(
    name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    season = write_season(tmp_path / "season")
    if name in ("second session", "everything"):
        second_session(season)
    for known, (apply, _) in BREAKAGES.items():
        if name in (known, "everything"):
            apply(season)
    printed = refused_by_build(season, tmp_path / "site", capsys)
    before = files_of(tmp_path)
    records = generator.check(season)
    assert files_of(tmp_path) == before
    refused = [line for line in printed.splitlines()[:-1] if not line.startswith(("    ", "(doubtful)"))]
    assert refused
    unsaid = [line for line in refused if not any(same(line, record) for record in records)]
    assert unsaid == []
    # nothing but a log that may still come is less than an error
    mild = [r for line in refused for r in records if same(line, r) and r.severity != "error"]
    assert {r.kind for r in mild} <= {"still to come"}
    if name in ("second session", "everything"):
        wanted = [words for words in SECOND.values() if name == "second session"]
        assert [w for w in wanted if not any(w in str(r) for r in records)] == []


def content(place: str, text: str) -> Callable[[Path], None]:
    def apply(season: Path) -> None:
        (season / place).parent.mkdir(parents=True, exist_ok=True)
        (season / place).write_text(text, encoding="utf-8")

    return apply


def all_of(*changes: Callable[[Path], None]) -> Callable[[Path], None]:
    def apply(season: Path) -> None:
        for change in changes:
            change(season)

    return apply


def not_utf8(season: Path) -> None:
    (season / "content").mkdir()
    (season / "content" / "method.md").write_bytes(b"\xff\xfe\xff")


LATE: dict[str, Callable[[Path], None]] = {
    "a reference that fails": content("q/conclusion.md", "It is\n{{ value('lift', 'b') }}.\n"),
    "a reference that is not closed": content("q/conclusion.md", "It is {{ value('thrust', 'b'\n"),
    "a photo that is not there": content("q/conclusion.md", "![The stand](stand.jpg)\n"),
    "a photo that is none": all_of(
        content("q/conclusion.md", "![The stand](stand.jpg)\n"), content("q/stand.jpg", "not a picture")
    ),
    "a link that leads nowhere": content("q/conclusion.md", "See [it](b-against-c.html).\n"),
    "a place that is not in the method": content("q/conclusion.md", "See [it](../../method.html#nowhere).\n"),
    "a caution without a signal word": content(
        "content/cautions/hearing.md", "---\ntitle: Loud\n---\nIt is loud.\n"
    ),
    "a limit that is none": content(
        "shared/thresholds.yaml", "thresholds:\n  hold: {speed_miss_percent: {value: two, unit: '%'}}\n"
    ),
    "a page that is not UTF-8": not_utf8,
    "two runs that want one page": all_of(
        edit("q/session.yaml", "logs/03.csv", "logs/x.csv"),
        edit("q/session.yaml", "logs/04.csv", "logs/X.csv"),
        content("q/logs/x.csv", log_text(1.03, 3)),
        content("q/logs/X.csv", log_text(1.0, 4)),
    ),
}


@pytest.mark.parametrize("name", LATE)
def test_check_finds_what_build_refuses_last(
    name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Faults that `build` meets only once all is analysed, or while it writes."""
    season = write_season(tmp_path / "season")
    LATE[name](season)
    printed = refused_by_build(season, tmp_path / "site", capsys)
    before = files_of(tmp_path)
    records = generator.check(season)
    assert files_of(tmp_path) == before
    refused = [line for line in printed.splitlines()[:-1] if not line.startswith("    ")]
    errors = [r for r in records if r.severity == "error"]
    assert [line for line in refused if not any(line == str(r).splitlines()[0] for r in errors)] == []


def test_check_finds_a_layout_that_is_no_template(tmp_path: Path) -> None:
    season = write_season(tmp_path / "season")
    content("layouts/claims.html", "<p>\n{% if page %}\n")(season)
    (one,) = [r for r in generator.check(season) if r.severity == "error"]
    assert one.file.endswith("layouts/claims.html")
    assert one.line is not None


def test_what_check_lets_pass_build_writes(tmp_path: Path) -> None:
    """The other half: where `check` finds no error, there is a site, and every page it counts on is in it."""
    season, out = write_season(tmp_path / "season"), tmp_path / "site"
    content(
        "q/conclusion.md",
        "See [it](b-against-a.html), [that](../../claims.html), [parts](../../parts/index.html), "
        "[rig](../../rigs/stand.html), [run](runs/01.html), [why](../../method.html).\n",
    )(season)
    assert exit_code(check(season)) == DONE
    assert cli.main(["build", str(season), "--out", str(out), "--no-cache"]) == DONE
    analysed = pipeline.analyse_season(season)
    texts, _ = site_check.text_problems(pipeline.folders("content", season))
    analyses = {analysis.session_id: analysis for analysis in analysed.sessions}
    pages = site_check.pages_of(analysed.season, analyses, texts)
    made = {file.relative_to(out).as_posix() for file in out.rglob("*") if file.is_file()}
    assert set(pages) <= made
    assert {path for path in made if path.endswith(".html")} - set(pages) == {"overlay/index.html"}
    assert len(set(pages)) == len(pages)


# --- conclusion and demo ------------------------------------------------------------------------------------


def test_a_number_that_was_typed_is_doubtful(tmp_path: Path) -> None:
    season = write_season(tmp_path / "season")
    content("q/conclusion.md", "At 9000 rpm and 4.0 V a cell\nit draws 47.3 W more.\n")(season)
    (one,) = [r for r in generator.check(season) if r.severity == "doubtful" and r.kind == "site"]
    assert (one.line, one.session) == (2, "q")
    assert "'47.3 W'" in one.what


def test_the_demo_season_asks_for_no_run_again_that_was_sound() -> None:
    """Its truth is known: the load cell was knocked before the 96 kHz runs, and the pitches had one run each."""
    report = check(DEMO)
    assert report.count("error") == 0
    repeated = [r for r in report.records if r.severity == "repeat"]
    assert {r.kind for r in repeated} <= {"thrust off"}
    assert all("-f96-" in r.run for r in repeated)
    doubtful = {(r.session, r.kind) for r in report.records if r.severity == "doubtful"}
    assert {session for session, _ in doubtful} == {"pitch-sweep", "switching-frequency", "nicked-propeller"}
    assert ("switching-frequency", "thrust off") in doubtful
