"""How long a large log takes beside bare pandas. Run by hand: python tests/benchmarks/bench_log_read.py

Not part of the test suite: times on a shared machine are not facts. The aim is at most three times the time
of `pandas.read_csv` on the same file; the exit code says whether it was met.
"""

from __future__ import annotations

import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd

from generator.intake.logs import read_log
from generator.intake.rig import Rig

ROWS = 1_000_000
LIMIT = 3.0
_CHANNELS = {
    "time": {"column": "Time", "unit": "ms"},
    "throttle": {"column": "Command", "idle": 1000, "full": 2000},
    "speed": {"column": "Speed", "unit": "rpm", "electrical": True},
    "thrust": {"column": "Thrust", "unit": "gf", "sign": -1},
    "torque": {"column": "Torque", "unit": "N*m"},
    "voltage": {"column": "Voltage", "unit": "V"},
    "current": {"column": "Current", "unit": "A"},
    "motor_temperature": {"column": "Motor", "unit": "degC"},
}


def _invented_log(rows: int) -> pd.DataFrame:
    noise = np.random.default_rng(20310504)
    columns = {"Time": np.arange(rows) * 0.5}
    for name, level in (
        ("Command", 1500),
        ("Speed", 90000),
        ("Thrust", -250),
        ("Torque", 0.1),
        ("Voltage", 16),
    ):
        columns[name] = np.round(noise.normal(level, abs(level) / 100, rows), 4)
    for name, level in (("Current", 12), ("Motor", 45), ("Spare 1", 1), ("Spare 2", 2)):
        columns[name] = np.round(noise.normal(level, level / 50, rows), 3)
    return pd.DataFrame(columns)


def _best_of(times: int, call: Callable[[], object]) -> float:
    taken = []
    for _ in range(times):
        start = time.perf_counter()
        call()
        taken.append(time.perf_counter() - start)
    return min(taken)


def main() -> int:
    """Write an invented log, read it both ways, print both times."""
    rig = Rig.model_validate({"id": "bench-rig", "label": "Bench rig", "channels": _CHANNELS})
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "large.csv"
        _invented_log(ROWS).to_csv(file, index=False)
        bare = _best_of(3, lambda: pd.read_csv(file))
        ours = _best_of(3, lambda: read_log(file, shown="large.csv", path="large.csv", rig=rig, pole_pairs=7))
        size = file.stat().st_size / 1e6
    print(
        f"{ROWS:,} rows, {size:.0f} MB: pandas {bare:.2f} s, read_log {ours:.2f} s, ratio {ours / bare:.2f}"
    )
    return 0 if ours <= LIMIT * bare else 1


if __name__ == "__main__":
    raise SystemExit(main())
