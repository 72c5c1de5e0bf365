"""Invented rigs and logs on disk for the tests of log reading."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from generator.intake.log_bytes import MAX_BYTES
from generator.intake.log_records import BenchLog
from generator.intake.logs import read_log
from generator.intake.problems import Problem, SeasonProblems
from generator.intake.rig import Rig

CHANNELS: dict[str, dict[str, Any]] = {
    "time": {"column": "Time", "unit": "s"},
    "speed": {"column": "Speed", "unit": "rpm"},
    "thrust": {"column": "Thrust", "unit": "N"},
}


def make_rig(channels: dict[str, dict[str, Any]] | None = None, **log: Any) -> Rig:
    """A rig with the given channels and `log:` keys."""
    return Rig.model_validate(
        {"id": "test-stand", "label": "Test stand", "channels": channels or CHANNELS, "log": log}
    )


def counted(*channels: str) -> dict[str, dict[str, Any]]:
    """The standard channels, named by `#1`, `#2`, ... in the order given."""
    return {name: {**CHANNELS[name], "column": f"#{place}"} for place, name in enumerate(channels, start=1)}


def read(
    folder: Path,
    content: str | bytes,
    rig: Rig | None = None,
    *,
    name: str = "run.csv",
    pole_pairs: int = 7,
    max_bytes: int = MAX_BYTES,
) -> BenchLog:
    """Write a log and read it."""
    file = folder / name
    file.write_bytes(content.encode() if isinstance(content, str) else content)
    return read_log(
        file,
        shown=f"logs/{name}",
        path=name,
        rig=rig or make_rig(),
        pole_pairs=pole_pairs,
        max_bytes=max_bytes,
    )


def problems_of(
    folder: Path, content: str | bytes, rig: Rig | None = None, **more: Any
) -> tuple[Problem, ...]:
    """Write a log that must be refused; the problems."""
    with pytest.raises(SeasonProblems) as found:
        read(folder, content, rig, **more)
    assert found.value.problems
    return found.value.problems


def numbers(log: BenchLog) -> list[list[float]]:
    """The frame as rows."""
    rows: list[list[float]] = log.frame.to_numpy().tolist()
    return rows
