"""A small season of rehearsed sessions on one rig whose gain moves from session to session. All of it is invented."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta
from pathlib import Path

from generator.pipeline import rehearse
from tests.seasons import PARTS, RIG

# Runs of the check standard first, then one a treatment: the answer of each session is not what is looked at.
SESSION = """\
title: Session {number}
question: Does b draw more power than a?
date: {day}
rig: stand
air: {{temperature: {temperature} degC, pressure: 1004 hPa, humidity: 46 %}}
baseline: a
check_standard: reference
treatments:
  a: {{label: A, motor: reed, controller: brook, propeller: leaf, supply: bench, cells: 4, volts_per_cell: 4.0 V}}
  b: {{label: B, motor: reed, controller: brook, propeller: leaf, supply: bench, cells: 4, volts_per_cell: 4.0 V}}
  reference:
    {{label: Standard, motor: reed, controller: brook, propeller: leaf, supply: bench, cells: 4, volts_per_cell: 4 V}}
primary: [thrust]
matters: {{thrust: 2 %}}
procedures:
  hold: {{speed: [9000 rpm], settle: 0.5 s, window: 1 s}}
runs:
  - {{log: logs/01.csv, procedure: hold, treatment: reference, repeat: 1}}
  - {{log: logs/02.csv, procedure: hold, treatment: reference, repeat: 2}}
  - {{log: logs/03.csv, procedure: hold, treatment: a, repeat: 1}}
  - {{log: logs/04.csv, procedure: hold, treatment: b, repeat: 1}}
"""
# A steady rig keeps its gain errors; only what is stated here moves. Scatter between sessions comes from the runs.
TRUTH = """\
seed: {seed}
sampling: 50 Hz
sensors:
  speed: {{gain_error: 0 %}}
  thrust: {{gain_error: {thrust:.4f} %}}
  voltage: {{gain_error: 0 %}}
  current: {{gain_error: 0.1 %}}
"""
TEMPERATURES = (20.0, 18.5, 22.0, 19.0, 24.0, 21.5, 17.0, 23.0, 20.5, 19.5)


def session_id(number: int) -> str:
    """Id of the session of a number, counted from 1."""
    return f"session-{number:02d}"


def write_rig_season(folder: Path, thrust_gains: Sequence[float], seed: int) -> Path:
    """A season with one session a week for each gain error of the thrust channel [%], with rehearsed logs."""
    (folder / "rigs").mkdir(parents=True)
    (folder / "parts").mkdir()
    (folder / "season.yaml").write_text(
        "title: Season of a rig\nabout: Invented for tests.\nnotice: All data here are invented.\n",
        encoding="utf-8",
    )
    rig = RIG + "check_standard: Reed with the Leaf propeller on 16 V, held at 9000 rpm.\n"
    (folder / "rigs" / "stand.yaml").write_text(rig, encoding="utf-8")
    for name, text in PARTS.items():
        (folder / "parts" / f"{name}.yaml").write_text(text, encoding="utf-8")
    for number, gain in enumerate(thrust_gains, start=1):
        own = folder / session_id(number)
        own.mkdir()
        day = date(2031, 3, 1) + timedelta(days=7 * number)
        text = SESSION.format(number=number, day=day, temperature=TEMPERATURES[(number - 1) % 10])
        (own / "session.yaml").write_text(text, encoding="utf-8")
        truth = TRUTH.format(seed=1000 * seed + number, thrust=gain)
        (own / "rehearsal.yaml").write_text(truth, encoding="utf-8")
        (own / "conclusion.md").write_text("Invented.\n", encoding="utf-8")
    for number in range(1, len(thrust_gains) + 1):
        list(rehearse(folder / session_id(number), seed=None, force=True))
    return folder
