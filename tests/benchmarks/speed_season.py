"""Seasons of any size for the speed benchmarks. All of it is invented.

`write_season`: the demo season's parts and rigs, six invented logs a session.
The first 24 sessions are simulated each with a seed of its own. Beyond, logs are copies of theirs: reading, reducing
and drawing a copy takes as long as the original, since nothing is kept between sessions of one build.

`write_short_season`: sessions of four logs of 400 rows each, every one different, so that growth can be measured to
hundreds of sessions.
"""

from __future__ import annotations

import datetime
import re
import shutil
from pathlib import Path

from generator import pipeline
from tests import seasons

ROOT = Path(__file__).resolve().parents[2]
DEMO = ROOT / "demo_sessions"
# Demo session -> its runs that are kept, by the number their log begins with.
KINDS = {
    "worn-bearing": ("01", "02", "03", "04", "05", "06"),
    "cell-count-capped": ("01", "02", "09", "10", "15", "16"),
    "two-or-three-blades": ("01", "02", "03", "04", "09", "10"),
    "pitch-sweep": ("01", "02", "03", "04", "05", "06"),
}
LOGS = 6
SIMULATED = 24
FIRST_DAY = datetime.date(2029, 3, 1)


def session_name(place: int) -> str:
    """Folder of the session at this place of the season, counted from 0."""
    return f"s{place:04d}-{tuple(KINDS)[place % len(KINDS)]}"


def write_season(folder: Path, sessions: int, logs_of: Path | None = None) -> Path:
    """Write a season with its logs.

    folder    must not be there yet
    sessions  how many
    logs_of   a season made before, of at least 24 sessions or as many as this: its logs are copied, none simulated
    """
    folder.mkdir(parents=True)
    for name in ("parts", "rigs"):
        shutil.copytree(DEMO / name, folder / name)
    shutil.copy(DEMO / "season.yaml", folder)
    for place in range(sessions):
        _write_session(folder, place)
        own = folder / session_name(place)
        if logs_of is not None:
            shutil.copytree(logs_of / session_name(place % SIMULATED) / "logs", own / "logs")
        elif place < SIMULATED:
            for _ in pipeline.rehearse(own, seed=20290301 + place, force=True):
                pass
        else:
            shutil.copytree(folder / session_name(place % SIMULATED) / "logs", own / "logs")
    return folder


def _write_session(folder: Path, place: int) -> None:
    kind = tuple(KINDS)[place % len(KINDS)]
    own = folder / session_name(place)
    own.mkdir()
    lines = (DEMO / kind / "session.yaml").read_text(encoding="utf-8").splitlines()
    kept = [
        line
        for line in lines
        if not (run := re.match(r"  - \{log: logs/(\d\d)-", line)) or run.group(1) in KINDS[kind]
    ]
    day = FIRST_DAY + datetime.timedelta(days=place)
    text = "\n".join(f"date: {day}" if line.startswith("date:") else line for line in kept) + "\n"
    (own / "session.yaml").write_text(text, encoding="utf-8")
    truth = (DEMO / kind / "rehearsal.yaml").read_text(encoding="utf-8")
    # planted faults name runs that may have been left out
    (own / "rehearsal.yaml").write_text(re.sub(r"(?m)^faults:\n(?:  .*\n)*", "", truth), encoding="utf-8")
    (own / "conclusion.md").write_text("Invented to measure how long a build takes.\n", encoding="utf-8")


def write_short_season(folder: Path, sessions: int) -> Path:
    """Write a season of short sessions; the folder must not be there yet."""
    seasons.write_season(folder)
    shutil.rmtree(folder / "q")
    for place in range(sessions):
        own = folder / f"s{place:04d}"
        (own / "logs").mkdir(parents=True)
        day = FIRST_DAY + datetime.timedelta(days=place)
        text = re.sub(r"(?m)^date: .*$", f"date: {day}", seasons.SESSION)
        text = re.sub(r"(?m)^title: .*$", f"title: Does it matter on day {place + 1}?", text)
        (own / "session.yaml").write_text(text, encoding="utf-8")
        (own / "conclusion.md").write_text("Invented to measure how a build grows.\n", encoding="utf-8")
        for run, factor in enumerate((1.0, 1.03, 1.03, 1.0), start=1):
            log = seasons.log_text(factor * (1 + place / 1e4), run)
            (own / "logs" / f"0{run}.csv").write_text(log, encoding="utf-8")
    return folder


def log_files(season: Path) -> list[Path]:
    """Every log of a season."""
    return sorted(file for file in season.glob("*/logs/*") if file.is_file())
