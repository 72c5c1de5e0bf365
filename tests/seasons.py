"""A small sound season on disk, for tests to use as it is or to break. All of it is invented."""

from __future__ import annotations

from pathlib import Path

SEASON = """\
title: Test season
about: Invented for tests.
notice: All data here are invented.
aircraft:
  mapper: {label: Mapper, mass_without_pack: 900 g, motors: 4, pack: pond-4s}
  scout: {label: Scout, mass_without_pack: 500 g, motors: 6, pack: pond-4s}
"""
RIG = """\
label: Test stand
channels:
  time: {column: t, unit: s}
  throttle: {column: cmd, idle: 1000, full: 2000}
  speed: {column: n, unit: rpm}
  thrust: {column: f, unit: gf, gain_uncertainty: 0.3 %, resolution: 0.1 gf}
  voltage: {column: u, unit: V, gain_uncertainty: 0.2 %}
  current: {column: i, unit: A, gain_uncertainty: 0.4 %}
  motor_temperature: {column: tm, unit: degC, offset_uncertainty: 0.5 K}
wiring: {resistance: 8 mohm}
"""
PARTS = {
    "reed": "kind: motor\nlabel: Reed\nkv: 1750 rpm/V\npole_pairs: 7\nrated_cells: 4\n",
    "brook": "kind: controller\nlabel: Brook\nrated_cells: 4\ncontinuous_current: 30 A\n",
    "leaf": "kind: propeller\nlabel: Leaf\ndiameter: 5.1 in\nblades: 3\n",
    "bench": "kind: supply\nlabel: Bench\nvoltage: 30 V\ncurrent_limit: 40 A\n",
    "pond-4s": "kind: pack\nlabel: Pond\ncells: 4\ncapacity: 1300 mAh\n",
}
SESSION = """\
title: Does it matter?
question: Does b draw more power than a?
date: 2031-05-04
rig: stand
air: {temperature: 20 degC, pressure: 1004 hPa, humidity: 46 %}
baseline: a
treatments:
  a: {label: A, motor: reed, controller: brook, propeller: leaf, supply: bench, cells: 4, volts_per_cell: 4.0 V}
  b: {label: B, motor: reed, controller: brook, propeller: leaf, supply: bench, cells: 4, volts_per_cell: 4.0 V}
primary: [electrical_power]
matters: {electrical_power: 2 %, thrust: 5 gf}
procedures:
  hold: {speed: [9000 rpm], settle: 0.5 s, window: 1 s}
runs:
  - {log: logs/01.csv, procedure: hold, treatment: a, repeat: 1, block: 1, started: 14:02}
  - {log: logs/02.csv, procedure: hold, treatment: b, repeat: 1, block: 1}
  - {log: logs/03.csv, procedure: hold, treatment: b, repeat: 2, block: 2}
  - {log: logs/04.csv, procedure: hold, treatment: a, repeat: 2, block: 2}
claims:
  - {says: It costs nothing., by: a forum, response: electrical_power, treatment: b, expects: no difference}
aircraft: [mapper]
"""


def log_text(power_factor: float = 1.0, run: int = 0) -> str:
    """A hold at 9000 rpm of 4 s between two rests of 2 s, 50 Hz, with a little deterministic ripple."""
    rows = ["t,cmd,n,f,u,i,tm"]
    for k in range(400):
        time = k / 50.0
        on = 2.0 <= time < 6.0
        ripple = ((k * 7919 + run * 104729) % 101 - 50) / 50.0
        speed = 9000.0 + 12.0 * ripple if on else 0.0
        force = 180.0 + 0.8 * ripple if on else 0.1 * ripple
        current = (2.5 + 0.02 * ripple + 0.004 * run) * power_factor if on else 0.001 * ripple
        rows.append(
            f"{time:.3f},{1450 if on else 1000},{speed:.1f},{force:.2f},"
            f"{16.0 - 0.01 * on:.3f},{current:.4f},{21 + 0.5 * on:.2f}"
        )
    return "\n".join(rows) + "\n"


def write_season(folder: Path) -> Path:
    """Write the season; returns its folder."""
    (folder / "rigs").mkdir(parents=True)
    (folder / "parts").mkdir()
    (folder / "q" / "logs").mkdir(parents=True)
    (folder / "season.yaml").write_text(SEASON, encoding="utf-8")
    (folder / "rigs" / "stand.yaml").write_text(RIG, encoding="utf-8")
    for name, text in PARTS.items():
        (folder / "parts" / f"{name}.yaml").write_text(text, encoding="utf-8")
    (folder / "q" / "session.yaml").write_text(SESSION, encoding="utf-8")
    (folder / "q" / "conclusion.md").write_text("It does not matter.\n", encoding="utf-8")
    for number, factor in ((1, 1.0), (2, 1.03), (3, 1.03), (4, 1.0)):
        text = log_text(factor, number)
        (folder / "q" / "logs" / f"0{number}.csv").write_text(text, encoding="utf-8")
    return folder
