"""Deliberately foul sessions with known truth, written to disk as a logger would. All of it is invented.

gain-cancels  the current reads 4 % too much; two treatments differ by 1 % in power at equal speed
gain-stays    the same meter; two propellers of which one takes three times the power of the other
one-hold      no difference at all, but one run each, and runs scatter far more than samples within a run
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path

import numpy as np

VOLTS = 16.0
SPEED_RPM = 9000.0
RATE_HZ = 25.0
REST_S, HELD_S = 1.5, 4.0
WINDOW_S = 2.0  # 50 samples

GAIN_U = 0.03  # as the rig's owner states it
GAIN_ERROR = 0.04  # as it is; nobody at the bench knows
SHARE = 0.01  # by how much the second treatment of `gain-cancels` takes more power
SMALL_W, LARGE_W = 100.0, 300.0  # what the two propellers of `gain-stays` take
SPARE_W = 205.0  # the margin there; the true difference is less
RUN_SCATTER = 0.0005  # of the power, from run to run, in the first two sessions

ONE_HOLD_W = 100.0
ONE_HOLD_RUN_SD_W = 1.5
SAMPLE_SD_W = 0.3

SEASON = """\
title: Foul data
about: Invented for tests; each session would fool a careless analysis.
notice: All data here are invented.
"""
RIG = """\
label: Test stand
channels:
  time: {column: t, unit: s}
  throttle: {column: cmd, unit: "%"}
  speed: {column: n, unit: rpm}
  thrust: {column: f, unit: gf}
  voltage: {column: u, unit: V}
  current: {column: i, unit: A, gain_uncertainty: 3 %}
"""
PARTS = {
    "reed": "kind: motor\nlabel: Reed\nkv: 1750 rpm/V\npole_pairs: 7\n",
    "brook": "kind: controller\nlabel: Brook\n",
    "leaf": "kind: propeller\nlabel: Leaf\ndiameter: 7 in\nblades: 2\n",
    "frond": "kind: propeller\nlabel: Frond\ndiameter: 9 in\nblades: 3\n",
    "bench": "kind: supply\nlabel: Bench\nvoltage: 30 V\ncurrent_limit: 60 A\n",
}
SESSION = """\
title: {title}
question: {question}
date: 2031-05-04
rig: stand
air: {{temperature: 20 degC, pressure: 1004 hPa, humidity: 46 %}}
baseline: a
treatments:
  a: {{label: A, motor: reed, controller: brook, propeller: leaf, supply: bench, cells: 4, volts_per_cell: 4.0 V}}
  b: {{label: B, motor: reed, controller: brook, propeller: {propeller}, supply: bench,
      cells: 4, volts_per_cell: 4.0 V}}
primary: [electrical_power]
matters: {{electrical_power: {margin}}}
procedures:
  hold: {{speed: [9000 rpm], settle: 0.5 s, window: 2 s}}
runs:
{runs}
claims:
  - {{says: B takes more power., by: a forum, response: electrical_power, treatment: b, expects: more}}
  - {{says: B takes no more power., by: a friend, response: electrical_power, treatment: b, expects: no difference}}
"""


def log_text(power_w: float, rng: np.random.Generator, *, gain: float = 1.0, sample_sd_w: float) -> str:
    """One hold between two rests; the samples of the current are independent of one another.

    power_w      true mean power of this run
    gain         what the current meter reads over what flows
    sample_sd_w  scatter of single samples
    """
    time = np.arange(round((2 * REST_S + HELD_S) * RATE_HZ)) / RATE_HZ
    on = (time >= REST_S) & (time < REST_S + HELD_S)
    speed = np.where(on, SPEED_RPM + 3.0 * rng.standard_normal(time.size), 0.0)
    amps = np.where(on, power_w, 0.0) + sample_sd_w * rng.standard_normal(time.size)
    thrust = np.where(on, 400.0, 0.0) + 0.3 * rng.standard_normal(time.size)
    rows = ["t,cmd,n,f,u,i"]
    rows += [
        f"{t:.3f},{45 if is_on else 0},{n:.1f},{f:.2f},{VOLTS:.3f},{gain * w / VOLTS:.5f}"
        for t, is_on, n, f, w in zip(time, on, speed, thrust, amps, strict=True)
    ]
    return "\n".join(rows) + "\n"


def write_session(
    folder: Path,
    *,
    title: str,
    question: str,
    margin: str,
    truth_w: Mapping[str, float],
    order: str,
    run_sd_w: Mapping[str, float],
    seed: int,
    gain: float = 1.0,
    propeller: str = "leaf",
) -> None:
    """One session of holds.

    truth_w   mean power of each treatment, "a" and "b"
    order     treatments in the order made, such as "abba"; two runs that follow each other are a block
    run_sd_w  scatter between runs of each treatment
    """
    rng = np.random.default_rng(seed)
    (folder / "logs").mkdir(parents=True)
    lines: list[str] = []
    for place, name in enumerate(order, start=1):
        power = truth_w[name] + run_sd_w[name] * rng.standard_normal()
        text = log_text(power, rng, gain=gain, sample_sd_w=SAMPLE_SD_W)
        (folder / "logs" / f"{place:02d}.csv").write_text(text, encoding="utf-8")
        lines.append(
            f"  - {{log: logs/{place:02d}.csv, procedure: hold, treatment: {name}, "
            f"repeat: {order[:place].count(name)}, block: {(place + 1) // 2}}}"
        )
    text = SESSION.format(
        title=title, question=question, margin=margin, propeller=propeller, runs="\n".join(lines)
    )
    (folder / "session.yaml").write_text(text, encoding="utf-8")
    (folder / "conclusion.md").write_text("See above.\n", encoding="utf-8")


def write_season(folder: Path) -> Path:
    """Season, rig and parts without a session; returns its folder."""
    for name in ("rigs", "parts"):
        (folder / name).mkdir(parents=True)
    (folder / "season.yaml").write_text(SEASON, encoding="utf-8")
    (folder / "rigs" / "stand.yaml").write_text(RIG, encoding="utf-8")
    for name, text in PARTS.items():
        (folder / "parts" / f"{name}.yaml").write_text(text, encoding="utf-8")
    return folder


def write_gain_cancels(season: Path, *, seed: int = 1) -> None:
    """Four runs each, in blocks, with a meter that reads 4 % too much."""
    truth = {"a": SMALL_W, "b": SMALL_W * (1.0 + SHARE)}
    write_session(
        season / "gain-cancels", title="Does the other timing cost power?", question="Does B take more power?",
        margin="0.5 %", truth_w=truth, order="abbaabba", seed=seed, gain=1.0 + GAIN_ERROR,
        run_sd_w={name: RUN_SCATTER * power for name, power in truth.items()},
    )  # fmt: skip


def write_gain_stays(season: Path, *, seed: int = 2) -> None:
    """Two propellers, four runs each, with the same meter; what matters is stated in watts."""
    truth = {"a": SMALL_W, "b": LARGE_W}
    write_session(
        season / "gain-stays", title="Does the large propeller fit the supply?",
        question="Does B take more power than A by more than the 205 W that the supply has to spare?",
        margin=f"{SPARE_W:g} W", truth_w=truth, order="abbaabba", seed=seed, gain=1.0 + GAIN_ERROR,
        run_sd_w={name: RUN_SCATTER * power for name, power in truth.items()}, propeller="frond",
    )  # fmt: skip


def write_one_hold(season: Path, seeds: Iterable[int]) -> None:
    """One session a seed: one run each of two treatments that are the same."""
    for seed in seeds:
        write_session(
            season / f"one-hold-{seed:02d}", title="Is B better?", question="Does B take more power?",
            margin="0.1 W", truth_w={"a": ONE_HOLD_W, "b": ONE_HOLD_W}, order="ab", seed=seed,
            run_sd_w={"a": ONE_HOLD_RUN_SD_W, "b": ONE_HOLD_RUN_SD_W},
        )  # fmt: skip
