"""A season with a session that drains two packs and one that calibrates the load cell, for tests. All invented.

The packs are far too small for their load, so that a drain takes minutes instead of a quarter of an hour.
"""

from __future__ import annotations

from pathlib import Path

from tests.seasons import SEASON

RIG = """\
label: Test stand
channels:
  time: {column: t, unit: s}
  throttle: {column: cmd, idle: 1000, full: 2000}
  speed: {column: n, unit: rpm}
  thrust: {column: f, unit: gf, gain_uncertainty: 2 %, resolution: 0.1 gf}
  voltage: {column: u, unit: V, gain_uncertainty: 0.2 %}
  current: {column: i, unit: A, gain_uncertainty: 0.4 %}
  motor_temperature: {column: tm, unit: degC, offset_uncertainty: 0.5 K}
  pack_temperature: {column: tp, unit: degC, offset_uncertainty: 0.5 K}
wiring: {resistance: 8 mohm, resistance_uncertainty: 1 mohm}
"""
PARTS = {
    "reed": "kind: motor\nlabel: Reed\nkv: 1750 rpm/V\npole_pairs: 7\nrated_cells: 4\nmass: 30 g\n"
    "terminal_resistance: 80 mohm\nfree_run_current: 0.8 A\nfree_run_voltage: 10 V\n",
    "brook": "kind: controller\nlabel: Brook\nrated_cells: 4\ncontinuous_current: 30 A\n",
    "leaf": "kind: propeller\nlabel: Leaf\ndiameter: 5.1 in\nblades: 3\npitch: 4 in\n",
    "thimble": "kind: pack\nlabel: Thimble\ncells: 4\ncapacity: 300 mAh\nmass: 60 g\ninternal_resistance: 60 mohm\n",
    "acorn": "kind: pack\nlabel: Acorn\ncells: 4\ncapacity: 300 mAh\nmass: 60 g\ninternal_resistance: 60 mohm\n",
    "pond-4s": "kind: pack\nlabel: Pond\ncells: 4\ncapacity: 1300 mAh\n",
}
CONSTANT = "drain: {throttle: 60 %, cut_off: 3.4 V}"
PATTERN = "drain: {throttle: [70 %, 40 %], each: 5 s, cut_off: 3.4 V}"
PACKS = """\
title: Which small pack gives more?
question: Does the acorn give more charge than the thimble?
date: 2031-06-01
rig: stand
air: {{temperature: 20 degC, pressure: 1004 hPa, humidity: 46 %}}
baseline: thimble
treatments:
  thimble: {{label: Thimble, motor: reed, controller: brook, propeller: leaf, supply: thimble}}
  acorn: {{label: Acorn, motor: reed, controller: brook, propeller: leaf, supply: acorn}}
primary: [internal_resistance, delivered_charge]
matters: {{internal_resistance: 3 mohm, delivered_charge: 3 mAh, delivered_energy: 3 %, time_to_cut_off: 2 s, sag: 5 %}}
procedures:
  {procedure}
runs:
{runs}"""
PACKS_TRUTH = """\
seed: 5
sampling: 50 Hz
sources:
  thimble: {resistance: 60 mohm, state_of_charge: 97 %, state_of_charge_scatter: 0.5 %}
  acorn: {resistance: 90 mohm, state_of_charge: 97 %, state_of_charge_scatter: 0.5 %}
"""
LOAD_CELL = """\
title: How true is the load cell?
question: What do known weights say?
date: 2031-05-04
rig: stand
air: {temperature: 20 degC, pressure: 1004 hPa, humidity: 46 %}
baseline: thimble
treatments:
  thimble: {label: Thimble, motor: reed, controller: brook, propeller: leaf, supply: thimble}
  acorn: {label: Acorn, motor: reed, controller: brook, propeller: leaf, supply: acorn}
procedures:
  zero:
    channel: thrust
    loads: [0 gf, 100 gf, 200 gf, 400 gf, 600 gf, 400 gf, 200 gf, 100 gf, 0 gf]
    load_uncertainty: 0.1 %
    settle: 1 s
    window: 2 s
runs:
  - {log: logs/01-zero.csv, procedure: zero}
"""
LOAD_CELL_TRUTH = """\
seed: 7
sampling: 50 Hz
sensors: {thrust: {gain_error: 3 %, noise: 0.5 gf, hysteresis: 1 gf}}
"""


def pack_runs(repeats: int) -> str:
    """`runs:` of both packs in turn."""
    lines = []
    for repeat in range(1, repeats + 1):
        for name in ("thimble", "acorn") if repeat % 2 else ("acorn", "thimble"):
            number = len(lines) + 1
            lines.append(
                f"  - {{log: logs/{number:02d}-drain.csv, procedure: drain, treatment: {name}, repeat: {repeat}, "
                f"block: {repeat}}}\n"
            )
    return "".join(lines)


def write_drain_season(folder: Path, *, procedure: str = CONSTANT, repeats: int = 2) -> Path:
    """The season without logs; returns its folder. Sessions: `packs` and `load-cell`, with their hidden truths."""
    for name in ("rigs", "parts", "packs/logs", "load-cell/logs"):
        (folder / name).mkdir(parents=True)
    texts = {
        "season.yaml": SEASON,
        "rigs/stand.yaml": RIG,
        **{f"parts/{name}.yaml": text for name, text in PARTS.items()},
        "packs/session.yaml": PACKS.format(procedure=procedure, runs=pack_runs(repeats)),
        "packs/rehearsal.yaml": PACKS_TRUTH,
        "packs/conclusion.md": "The acorn has more resistance.\n",
        "load-cell/session.yaml": LOAD_CELL,
        "load-cell/rehearsal.yaml": LOAD_CELL_TRUTH,
        "load-cell/conclusion.md": "The load cell shows too much.\n",
    }
    for name, text in texts.items():
        (folder / name).write_text(text, encoding="utf-8")
    return folder
