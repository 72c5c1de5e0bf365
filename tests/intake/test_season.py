"""A season's YAML files: read when sound, every problem in one pass when not."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import pytest

from generator.intake.problems import Problem, SeasonProblems
from generator.intake.season import inspect_season, load_season, season_date
from generator.reduction.procedures import contracts
from tests.seasons import write_season


@pytest.fixture
def season_folder(tmp_path: Path) -> Path:
    return write_season(tmp_path / "season")


def change(file: Path, old: str, new: str) -> None:
    text = file.read_text(encoding="utf-8")
    assert old in text, f"{old!r} is not in {file.name}"
    file.write_text(text.replace(old, new, 1), encoding="utf-8")


def problems_of(folder: Path) -> list[Problem]:
    return [p for p in inspect_season(folder, contracts()).problems if p.severity == "error"]


def test_a_sound_season_is_read_whole(season_folder: Path) -> None:
    season = load_season(season_folder, contracts())
    (session,) = season.sessions
    assert session.id == "q"
    assert session.rig.channels.present().keys() >= {"time", "speed", "thrust"}
    assert season.motor(session.file.treatments["a"]).kv_rpm_per_v == 1750.0
    assert session.file.runs[0].started is not None
    assert session.file.runs[0].started.hour == 14
    assert session.margins["electrical_power"].relative == pytest.approx(0.02)
    assert session.margins["thrust"].absolute == pytest.approx(5.0)
    assert session.conclusion == "It does not matter.\n"
    assert season_date(season).isoformat() == "2031-05-04"
    assert season.file.aircraft["mapper"].mass_without_pack_kg == pytest.approx(0.9)


def test_channel_values_become_house_units(season_folder: Path) -> None:
    rig = load_season(season_folder, contracts()).sessions[0].rig
    assert rig.channels.thrust is not None
    assert rig.channels.thrust.resolution == pytest.approx(0.1 * 9.80665e-3)
    assert rig.channels.motor_temperature is not None
    assert rig.channels.motor_temperature.offset_uncertainty == pytest.approx(0.5)


def test_records_cannot_be_changed(season_folder: Path) -> None:
    season = load_season(season_folder, contracts())
    with pytest.raises(Exception, match="frozen"):
        season.file.title = "other"  # type: ignore[misc]
    with pytest.raises(dataclasses.FrozenInstanceError):
        Problem(file="f", what="w", remedy="r").what = "x"  # type: ignore[misc]


# file, text, replacement, expected key, expected words, expected remedy
FAULTS = [
    ("season.yaml", "title: Test season", "titel: Test season", "titel", "no such key", "'title'"),
    ("season.yaml", "900 g", "900", "aircraft.mapper.mass_without_pack", "has no unit", "900 g"),
    ("season.yaml", "pond-4s", "pond-5s", "aircraft.mapper.pack", "not a pack", "pond-4s"),
    ("rigs/stand.yaml", "unit: gf", "unit: V", "channels.thrust.unit", "not a unit of force", "250 gf"),
    ("rigs/stand.yaml", "  time: {column: t, unit: s}\n", "", "channels.time", "is missing", "time"),
    ("rigs/stand.yaml", "full: 2000", "full: 1000", "channels.throttle.full", "same as", "idle"),
    ("rigs/stand.yaml", "0.3 %", "0.3", "channels.thrust.gain_uncertainty", "has no unit", "0.3 %"),
    ("parts/reed.yaml", "kind: motor", "kind: moter", "kind", "not a kind of part", "'motor'"),
    ("parts/reed.yaml", "pole_pairs: 7", "pole_pairs: seven", "pole_pairs", "does not fit", "Magnets"),
    ("parts/leaf.yaml", "5.1 in", "5.1 kg", "diameter", "not a unit of length", "5.1 in"),
    ("q/session.yaml", "baseline: a", "basline: a", "basline", "no such key", "'baseline'"),
    ("q/session.yaml", "baseline: a", "baseline: c", "baseline", "not a treatment", "a, b"),
    ("q/session.yaml", "motor: reed", "motor: read", "treatments.a.motor", "not a motor", "'reed'"),
    ("q/session.yaml", "supply: bench", "supply: reed", "treatments.a.supply", "is a motor", "bench"),
    ("q/session.yaml", "rig: stand", "rig: stnd", "rig", "not a rig", "'stand'"),
    ("q/session.yaml", "2 %", "2", "matters.electrical_power", "has no unit", "electrical_power: 2 W"),
    ("q/session.yaml", "5 gf", "5 ms", "matters.thrust", "not a unit of force", "250 gf"),
    ("q/session.yaml", "[electrical_power]", "[electric_power]", "primary[1]", "not a resp", "'electrical_power'"),
    ("q/session.yaml", "[9000 rpm]", "[9000]", "procedures.hold.speed[1]", "has no unit", "9000 rpm"),
    ("q/session.yaml", "window: 1 s", "windw: 1 s", "procedures.hold.windw", "no such key", "'window'"),
    ("q/session.yaml", "procedure: hold", "procedure: hald", "runs[1].procedure", "not a procedure", "'hold'"),
    ("q/session.yaml", "procedure: hold", "procedure: soak", "runs[1].procedure", "has no plan", "soak"),
    ("q/session.yaml", "logs/02.csv", "logs/2.csv", "runs[2].log", "not there", "logs/02.csv"),
    ("q/session.yaml", "logs/02.csv", "../../etc/passwd", "runs[2].log", "leads out", "inside"),
    ("q/session.yaml", "logs/02.csv", "logs/01.csv", "runs[2].log", "same run name", "once"),
    ("q/session.yaml", "repeat: 2, block: 2}\n  - {log: logs/04", "repeat: 1, block: 2}\n  - {log: logs/04",
     "runs[3].repeat", "also stands at run 2", "1, 2, 3"),
    ("q/session.yaml", "expects: no difference", "expects: nothing", "claims[1].expects", "not one", "no difference"),
    ("q/session.yaml", "aircraft: [mapper]", "aircraft: [maper]", "aircraft[1]", "not an aircraft", "'mapper'"),
    ("q/session.yaml", "46 %", "146 %", "air.humidity", "out of range", "at most 1"),
    ("q/session.yaml", "date: 2031-05-04", "date: 4 May", "date", "does not fit", ""),
    ("q/session.yaml", "label: B", "label: A", "treatments.b.label", "also the label", "own label"),
]  # fmt: skip


@pytest.mark.parametrize(("file", "old", "new", "key", "what", "remedy"), FAULTS)
def test_each_fault_names_file_line_key_and_remedy(
    season_folder: Path, file: str, old: str, new: str, key: str, what: str, remedy: str
) -> None:
    before = (season_folder / file).read_text(encoding="utf-8")
    line = before[: before.index(old)].count("\n") + 1
    change(season_folder / file, old, new)
    found = [p for p in problems_of(season_folder) if p.key == key and what in p.what]
    assert found, f"not reported; got {[str(p) for p in problems_of(season_folder)]}"
    assert found[0].file == f"{season_folder}/{file}"
    if new and old.count("\n") == 0:
        assert found[0].line == line
    assert remedy in found[0].remedy


def test_many_faults_in_many_files_come_in_one_pass(season_folder: Path) -> None:
    chosen = [FAULTS[i] for i in (0, 1, 3, 5, 8, 9, 10, 15, 18, 22, 26, 28)]
    for file, old, new, *_ in chosen:
        change(season_folder / file, old, new)
    found = {(p.file.removeprefix(f"{season_folder}/"), p.key) for p in problems_of(season_folder)}
    for file, _, _, key, *_ in chosen:
        assert (file, key) in found


def test_one_file_with_three_faults_of_different_depth(season_folder: Path) -> None:
    """A wrong type does not hide a wrong reference in the same file."""
    session = season_folder / "q/session.yaml"
    change(session, "46 %", "46")
    change(session, "claims:", "claimz:")
    change(session, "logs/03.csv", "logs/33.csv")
    keys = {p.key for p in problems_of(season_folder)}
    assert {"air.humidity", "runs[3].log", "claimz"} <= keys


def test_yaml_that_cannot_be_read_names_the_line(season_folder: Path) -> None:
    change(season_folder / "q/session.yaml", "title: Does it matter?", "title: Does it: matter?")
    (found,) = problems_of(season_folder)
    assert found.line == 1
    assert "not readable YAML" in found.what


def test_a_key_given_twice_is_told(season_folder: Path) -> None:
    change(season_folder / "q/session.yaml", "rig: stand", "rig: stand\nrig: other")
    assert any("twice" in p.what and p.line == 5 for p in problems_of(season_folder))


def test_aliases_that_multiply_are_refused(season_folder: Path) -> None:
    rows = ["a: &a [1,1,1,1,1,1,1,1,1,1]"]
    for name, before in zip("bcdefgh", "abcdefg", strict=True):
        rows.append(f"{name}: &{name} [{', '.join([f'*{before}'] * 10)}]")
    (season_folder / "parts" / "bomb.yaml").write_text("\n".join(rows), encoding="utf-8")
    assert any("aliases" in p.what for p in problems_of(season_folder))


def test_a_link_out_of_the_season_is_refused(season_folder: Path, tmp_path: Path) -> None:
    secret = tmp_path / "secret.csv"
    secret.write_text("t\n1\n", encoding="utf-8")
    log = season_folder / "q/logs/02.csv"
    log.unlink()
    log.symlink_to(secret)
    assert any("leads out" in p.what for p in problems_of(season_folder))


def test_a_folder_that_is_no_season(tmp_path: Path) -> None:
    with pytest.raises(SeasonProblems, match=r"season\.yaml"):
        load_season(tmp_path, contracts())
    with pytest.raises(SeasonProblems, match="is not there"):
        load_season(tmp_path / "nothing", contracts())


def test_logs_may_be_missing_before_bench_day(season_folder: Path) -> None:
    (season_folder / "q/logs/02.csv").unlink()
    assert load_season(season_folder, contracts(), logs_needed=False).sessions
    with pytest.raises(SeasonProblems, match=r"02\.csv"):
        load_season(season_folder, contracts())


def test_a_procedure_asks_for_its_channels(season_folder: Path) -> None:
    change(
        season_folder / "rigs/stand.yaml",
        "  motor_temperature: {column: tm, unit: degC, offset_uncertainty: 0.5 K}\n",
        "",
    )
    change(
        season_folder / "q/session.yaml",
        "  hold:",
        "  soak: {speed: 9000 rpm, on: 2 s, off: 2 s, cycles: 4}\n  hold:",
    )
    assert any("needs motor_temperature" in p.what for p in problems_of(season_folder))
