"""`whirlbook calibrate`: from a log of the GUM's readings to a record for later sessions, by the command itself."""

from __future__ import annotations

import json
from pathlib import Path

import jsonschema
import pytest
import yaml

from generator.cli import main
from generator.commands.exit_codes import DONE, NOT_WRITTEN, PROBLEMS
from tests.calibration_season import write_h3_season
from tests.conftest import ROOT

NAME = "stand-air-temperature-2031-05-04"


def test_the_guide_through_the_whole_chain(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Log file, reading, reduction, record: JCGM 100:2008, H.3 (transcribed), half a unit of the last printed digit."""
    folder = write_h3_season(tmp_path / "season")
    assert main(["calibrate", str(folder / "bath")]) == DONE
    said = capsys.readouterr().out
    assert f"calibration: {NAME}" in said
    record = yaml.safe_load((folder / "rigs" / "calibrations" / f"{NAME}.yaml").read_text(encoding="utf-8"))
    value = {name: float(record[name].split()[0]) for name in ("at", "offset", "residual_standard_deviation")}
    scatter = record["from_scatter"]
    assert value["at"] == 20.0
    assert value["offset"] == pytest.approx(-0.1712, abs=0.00005)
    assert float(scatter["offset"].split()[0]) == pytest.approx(0.0029, abs=0.00005)
    assert record["gain"] - 1.0 == pytest.approx(0.00218, abs=0.000005)
    assert scatter["gain"] == pytest.approx(0.00067, abs=0.000005)
    assert scatter["correlation"] == pytest.approx(-0.930, abs=0.0005)
    assert value["residual_standard_deviation"] == pytest.approx(0.0035, abs=0.00005)
    correction = value["offset"] + 10.0 * (record["gain"] - 1.0)
    assert correction == pytest.approx(-0.1494, abs=0.00005)
    assert record["logs"][0]["log"] == "logs/01-zero.csv"
    assert "simulated" not in record


def test_the_record_is_what_its_schema_says(tmp_path: Path) -> None:
    folder = write_h3_season(tmp_path / "season")
    main(["calibrate", str(folder / "bath")])
    text = (folder / "rigs" / "calibrations" / f"{NAME}.yaml").read_text(encoding="utf-8")
    record = yaml.safe_load(text) | {"date": "2031-05-04"}
    schema = json.loads((ROOT / "shared" / "calibration.schema.json").read_text(encoding="utf-8"))
    jsonschema.validate(record, schema)


def test_nothing_that_is_there_is_replaced_unasked(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = write_h3_season(tmp_path / "season")
    file = folder / "rigs" / "calibrations" / f"{NAME}.yaml"
    assert main(["calibrate", str(folder / "bath")]) == DONE
    first = file.read_bytes()
    assert main(["calibrate", str(folder / "bath")]) == DONE  # the same again changes nothing
    assert file.read_bytes() == first
    capsys.readouterr()
    file.write_text("somebody else's", encoding="utf-8")
    assert main(["calibrate", str(folder / "bath")]) in (PROBLEMS, NOT_WRITTEN)
    assert file.read_text(encoding="utf-8") == "somebody else's"
    file.write_bytes(first.replace(b"gain: 1.002182698", b"gain: 1.1"))
    assert main(["calibrate", str(folder / "bath")]) == NOT_WRITTEN
    assert "--force" in capsys.readouterr().err
    assert b"gain: 1.1" in file.read_bytes()
    assert main(["calibrate", str(folder / "bath"), "--force"]) == DONE
    assert file.read_bytes() == first


def test_a_session_without_known_loads_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = write_h3_season(tmp_path / "season")
    (folder / "bath" / "logs" / "01-zero.csv").unlink()
    assert main(["calibrate", str(folder / "bath")]) == PROBLEMS
    assert "01-zero.csv: is not there." in capsys.readouterr().err
    (folder / "bath" / "logs" / "01-zero.csv").write_text("t,reading\n0,20\n1,20\n2,20\n", encoding="utf-8")
    assert main(["calibrate", str(folder / "bath")]) == PROBLEMS
    assert "Loads not found" in capsys.readouterr().err
    assert not list((folder / "rigs").glob("calibrations/*"))


def test_repeats_share_one_line(tmp_path: Path) -> None:
    """Two runs with the same readings: the same line, twice the points, the degrees of freedom of all of them."""
    folder = write_h3_season(tmp_path / "season")
    session = folder / "bath" / "session.yaml"
    second = "  - {log: logs/02-zero.csv, procedure: zero, repeat: 2}\n"
    session.write_text(session.read_text(encoding="utf-8") + second, encoding="utf-8")
    log = (folder / "bath" / "logs" / "01-zero.csv").read_text(encoding="utf-8")
    (folder / "bath" / "logs" / "02-zero.csv").write_text(f"# again\n{log}", encoding="utf-8")
    assert main(["calibrate", str(folder / "bath")]) == DONE
    record = yaml.safe_load((folder / "rigs" / "calibrations" / f"{NAME}.yaml").read_text(encoding="utf-8"))
    assert len(record["points"]) == 22
    assert record["degrees_of_freedom"] == 20
    assert record["gain"] - 1.0 == pytest.approx(0.00218, abs=0.000005)
