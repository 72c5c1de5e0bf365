"""A lithium cell emptied by a laboratory cycler: the charge that the cycler itself counted comes out of the log."""

from __future__ import annotations

from pathlib import Path

import pytest

from generator import pipeline
from generator.reduction.records import RunReduction
from tests.calibration_season import zero_session
from tests.seasons import PARTS, SEASON

LOG = Path(__file__).parent / "logs" / "cell-discharge-bitrode-3c.csv"
# Line of the log (counted from 1) at which each discharge begins and the last one of it, the lowest voltage in it, and
# what the cycler prints in that line: charge (Ah), energy (Wh), seconds since the discharge began.
RIG = """\
label: Cycler
channels:
  time: {column: '#2', unit: s}
  current: {column: '#9', unit: A, sign: -1}
  voltage: {column: '#10', unit: V}
"""
CELL = "kind: pack\nlabel: Cell\ncells: 1\ncapacity: 33.1 Ah\n"
REST_LINES = 60


def discharges() -> list[tuple[int, int]]:
    """First and last line of each discharge that has a rest before it, places in the list of lines."""
    lines = LOG.read_text(encoding="ascii").splitlines()
    modes = [line.split(",")[13] if line.count(",") > 12 else "" for line in lines]
    found, first = [], None
    for place, mode in enumerate(modes):
        if mode == "DCHG" and first is None:
            first = place
        elif mode != "DCHG" and first is not None:
            if modes[first - 1] == "REST":
                found.append((first, place - 1))
            first = None
    return found


def reduced(folder: Path, first: int, last: int) -> RunReduction:
    """One discharge with its rests, as it stands in the log, through reading and reduction."""
    lines = LOG.read_text(encoding="ascii").splitlines()
    cut_off = float(lines[last].split(",")[9])
    for name in ("rigs", "parts", "cell/logs"):
        (folder / name).mkdir(parents=True)
    (folder / "season.yaml").write_text(SEASON, encoding="utf-8")
    (folder / "rigs" / "stand.yaml").write_text(RIG, encoding="utf-8")
    for name, text in {**PARTS, "cell": CELL}.items():
        (folder / "parts" / f"{name}.yaml").write_text(text, encoding="utf-8")
    procedure = f"drain: {{throttle: 100 %, cut_off: {cut_off} V, settle: 1 s, window: 10 s}}"
    runs = "  - {log: logs/01.csv, procedure: drain, treatment: a}\n"
    session = zero_session(procedure, runs).replace(
        "supply: bench, cells: 4, volts_per_cell: 4.0 V", "supply: cell"
    )
    (folder / "cell" / "session.yaml").write_text(session, encoding="utf-8")
    (folder / "cell" / "conclusion.md").write_text("It was emptied.\n", encoding="utf-8")
    part = lines[first - REST_LINES : last + REST_LINES]
    (folder / "cell" / "logs" / "01.csv").write_text("\n".join([lines[0], *part]) + "\n", encoding="utf-8")
    (run,) = pipeline.analyse_season(folder).sessions[0].runs
    assert run.refused is None
    return run


@pytest.mark.parametrize("which", range(4))
def test_charge_energy_and_time_are_those_of_the_cycler(tmp_path: Path, which: int) -> None:
    """Capacity, energy and step time as the log's own columns print them in the last line of the discharge."""
    first, last = discharges()[which]
    printed = LOG.read_text(encoding="ascii").splitlines()[last].split(",")
    charge_ah, energy_wh, lasts_s = -float(printed[11]), -float(printed[12]), float(printed[7])
    found = {response.response: response.value for response in reduced(tmp_path / "s", first, last).responses}
    # the log changes from a line a second to a line a minute; its own sums have two decimals
    assert found["delivered_charge"] == pytest.approx(1000.0 * charge_ah, rel=1e-3)
    assert found["delivered_energy"] == pytest.approx(energy_wh, rel=1.5e-3)
    assert found["time_to_cut_off"] == pytest.approx(lasts_s, abs=1.5)


def test_the_resistance_is_that_of_the_first_seconds(tmp_path: Path) -> None:
    """Against the step that stands in the log: last line of the rest and the lines 2 to 11 s into the discharge."""
    first, last = discharges()[-1]
    lines = [line.split(",") for line in LOG.read_text(encoding="ascii").splitlines()]
    rest_v = float(lines[first - 1][9])
    under = [float(lines[place][9]) for place in range(first + 1, first + 11)]
    steps = [(rest_v - volts) / 91.8 for volts in under]
    run = reduced(tmp_path / "s", first, last)
    assert run.fitted is not None
    by_step = run.fitted["resistance_ohm"].dropna()
    assert min(steps) - 0.0003 <= float(by_step.iloc[0]) <= max(steps)
