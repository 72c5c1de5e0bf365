"""Wrong units in a rig's file: told once, at the rig's file, and no run is to be repeated for it."""

from __future__ import annotations

import datetime
import shutil
from pathlib import Path

import pytest

import generator
from generator.check_records import CheckRecord, CheckReport
from generator.checking import check
from generator.planning.start import start
from generator.planning.start_session import SessionStart

ID = "first-question"


@pytest.fixture(scope="module")
def rehearsed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("units") / "season"
    start(folder, SessionStart(id=ID, date=datetime.date(2031, 5, 4), repeats=2))
    list(generator.rehearse(folder / ID))
    return folder


def checked(rehearsed: Path, to: Path, *edits: tuple[str, str]) -> CheckReport:
    shutil.copytree(rehearsed, to)
    rig = to / "rigs" / "my-stand.yaml"
    text = rig.read_text("utf-8")
    for old, new in edits:
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    rig.write_text(text, encoding="utf-8")
    return check(to, session=ID)


def of_units(report: CheckReport) -> list[CheckRecord]:
    return [record for record in report.records if record.kind == "unit"]


# 1 rad/s = 30/pi rpm = 9.549 rpm; 1 rev/s = 60 rpm; the motor has 7 pole pairs
@pytest.mark.parametrize(
    ("old", "new", "key", "said"),
    [
        (
            "unit: rpm,", "unit: rad/s,", "channels.speed.unit",
            ("14\N{NARROW NO-BREAK SPACE}000", "too much, as rad/s would"),
        ),
        ("unit: rpm,", "unit: Hz,", "channels.speed.unit", ("too much, as 1/s or Hz would",)),
        ("unit: A,", "unit: mA,", "channels.current.unit",
         ("it must be below 1", "channels.current, channels.voltage and channels.thrust")),
        ("unit: A,", "unit: kA,", "channels.current.unit", ("current reads up to", "mA were taken for A")),
        ("column: t_ms, unit: ms", "column: t_ms, unit: s", "channels.time.unit", ("ms were taken for s",)),
    ],
)  # fmt: skip
def test_a_wrong_unit_is_told_once_and_nothing_is_repeated(
    rehearsed: Path, tmp_path: Path, old: str, new: str, key: str, said: tuple[str, ...]
) -> None:
    report = checked(rehearsed, tmp_path / "s", (old, new))
    (record,) = of_units(report)
    assert (record.severity, record.key, record.session, record.run) == ("doubtful", key, "", "")
    assert record.file.endswith("rigs/my-stand.yaml")
    assert record.line is not None
    for words in said:
        assert words in record.what + record.remedy
    assert not report.to_repeat()
    assert not [r for r in report.records if r.severity == "error"], "what follows in a model text is a doubt"


def test_right_units_tell_nothing(rehearsed: Path, tmp_path: Path) -> None:
    report = checked(rehearsed, tmp_path / "s")
    assert not of_units(report)
    assert not report.to_repeat()


def test_one_strange_run_is_no_wrong_unit(rehearsed: Path, tmp_path: Path) -> None:
    shutil.copytree(rehearsed, tmp_path / "t")
    log = sorted((tmp_path / "t" / ID / "logs").glob("*.csv"))[0]
    lines = log.read_text("utf-8").splitlines()
    head = next(i for i, line in enumerate(lines) if "n_rpm" in line and not line.startswith("#"))
    column = lines[head].split(",").index("n_rpm")
    made = lines[: head + 1]
    for line in lines[head + 1 :]:
        cells = line.split(",")
        cells[column] = str(float(cells[column]) / 9.549)
        made.append(",".join(cells))
    log.write_text("\n".join(made) + "\n", encoding="utf-8")
    report = check(tmp_path / "t", session=ID)
    assert not of_units(report)
    assert report.to_repeat() == (log.name.removesuffix(".csv"),)
