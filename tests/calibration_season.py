"""A season with a session that calibrates a channel, for tests to use as it is or to break. All of it is invented,
but for the readings of the thermometer, which are those of JCGM 100:2008, H.3."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from tests.seasons import PARTS, SEASON, SESSION

# JCGM 100:2008 (GUM), Annex H.3, Table H.6: readings of the thermometer and corrections found, as transcribed in public
# test suites that compare with "the numbers in the GUM" (the document itself was not at hand).
H3_READING_C = (21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511)
H3_CORRECTION_C = (-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160)
H3_REFERENCE_C = tuple(round(t + b, 3) for t, b in zip(H3_READING_C, H3_CORRECTION_C, strict=True))

H3_RIG = """\
label: Bath
channels:
  time: {column: t, unit: s}
  air_temperature: {column: reading, unit: degC}
"""
H3_ZERO = (
    "zero: {channel: air_temperature, at: 20 degC, settle: 1 s, window: 2 s, loads: ["
    + ", ".join(f"{value:.3f} degC" for value in H3_REFERENCE_C)
    + "]}"
)


def levels_log(levels: Sequence[float], *, column: str, seconds: float = 5.0, hz: float = 10.0) -> str:
    """A log that shows each level for some seconds."""
    rows = [f"t,{column}"]
    each = round(seconds * hz)
    for place, level in enumerate(levels):
        rows += [f"{(place * each + k) / hz:.3f},{level:.4f}" for k in range(each)]
    return "\n".join(rows) + "\n"


def zero_session(procedure: str, runs: str, *, date: str = "2031-05-04") -> str:
    """session.yaml of a session that only calibrates; its treatments are there because a session has two."""
    head = SESSION.partition("primary:")[0].replace("2031-05-04", date)
    return f"{head}procedures:\n  {procedure}\nruns:\n{runs}"


def write_h3_season(folder: Path) -> Path:
    """The thermometer of H.3 on a rig of its own; returns the season's folder."""
    for name in ("rigs", "parts", "bath/logs"):
        (folder / name).mkdir(parents=True)
    (folder / "season.yaml").write_text(SEASON, encoding="utf-8")
    (folder / "rigs" / "stand.yaml").write_text(H3_RIG, encoding="utf-8")
    for name, text in PARTS.items():
        (folder / "parts" / f"{name}.yaml").write_text(text, encoding="utf-8")
    runs = "  - {log: logs/01-zero.csv, procedure: zero}\n"
    (folder / "bath" / "session.yaml").write_text(zero_session(H3_ZERO, runs), encoding="utf-8")
    (folder / "bath" / "conclusion.md").write_text("The thermometer was calibrated.\n", encoding="utf-8")
    log = levels_log(H3_READING_C, column="reading")
    (folder / "bath" / "logs" / "01-zero.csv").write_text(log, encoding="utf-8")
    return folder
