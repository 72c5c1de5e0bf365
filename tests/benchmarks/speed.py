"""How fast the site is made, by ratios within one run: python -m tests.benchmarks.speed [--quick] [--only a,b,...]

Sides of a ratio are run by turns and their medians compared, since a shared machine is never the same twice.
Everything is invented. Writes speed.md and speed.html to --out. Exit code 1 where a limit is missed.

(a) cold build against its floor: the site's published specifications (NAME.vl.json, which are the wide ones; those for
    phones are drawn by the build but not published, so the floor leaves them out) rendered with stock settings on all
    cores, and the logs read by pandas on all cores
(b) a build with nothing to do against importing pandas and altair
(c) one conclusion, or one log, changed: against the cold build
(d) growth with the number of sessions
(e) one long log against `pandas.read_csv` of the columns it needs
(f) the same sessions as notebooks, executed and exported; --notebook-python names a Python with nbconvert, ipykernel,
    matplotlib and pandas
"""

from __future__ import annotations

import argparse
import json
import os
import re
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

from tests.benchmarks import speed_page, speed_season
from tests.benchmarks.bench_log_read import _invented_log
from tests.benchmarks.speed_notebooks import write_notebook
from tests.benchmarks.speed_page import Measured

CORES = os.cpu_count() or 1
BLOCK = 500_000


class Bench:
    """A scratch folder, the size of everything, and the figures found so far."""

    def __init__(self, scratch: Path, quick: bool, notebook_python: str) -> None:
        self.scratch, self.quick, self.notebook_python = scratch, quick, notebook_python
        self.times = 1 if quick else 3
        self.figures: list[Measured] = []
        self._seasons: dict[int, Path] = {}

    def season(self, sessions: int) -> Path:
        """A season of so many sessions, written once."""
        if sessions not in self._seasons:
            print(f"... writing a season of {sessions} sessions", flush=True)
            enough = [n for n in self._seasons if n >= min(sessions, speed_season.SIMULATED)]
            logs_of = self._seasons[enough[0]] if enough else None
            self._seasons[sessions] = speed_season.write_season(
                self.scratch / f"season-{sessions}", sessions, logs_of
            )
        return self._seasons[sessions]

    def child(self, what: str, *arguments: object, cache: Path | None = None) -> dict[str, Any]:
        """Run one thing in a process of its own; its figures, and `seconds` from outside, start of Python included."""
        store = cache or self.scratch / "cache-empty"
        if cache is None:
            shutil.rmtree(store, ignore_errors=True)
        began = time.perf_counter()
        done = subprocess.run(
            [sys.executable, "-m", "tests.benchmarks.speed_child", what, *map(str, arguments)],
            cwd=speed_season.ROOT,
            env={**os.environ, "WHIRLBOOK_CACHE": str(store)},
            capture_output=True,
            text=True,
        )
        seconds = time.perf_counter() - began
        if done.returncode:
            raise SystemExit(f"{what} failed:\n{done.stdout}{done.stderr}")
        told = json.loads(done.stdout.splitlines()[-1])
        if told.get("code"):
            raise SystemExit(f"{what} ended with {told['code']}:\n{done.stdout}{done.stderr}")
        return {**told, "seconds": seconds, "said": done.stdout}

    def add(self, part: str, what: str, value: float, unit: str, **more: Any) -> None:
        """Keep one figure and show it at once."""
        self.figures.append(Measured(part=part, what=what, value=value, unit=unit, **more))
        print("  ".join(cell for cell in speed_page.rows(self.figures[-1:])[0] if cell), flush=True)


def _median(runs: Sequence[dict[str, Any]], key: str = "seconds") -> float:
    return statistics.median(run[key] for run in runs)


def cold(bench: Bench) -> None:
    """(a)"""
    season, site = bench.season(8 if bench.quick else 24), bench.scratch / "site-a"
    ours, bare = [], []
    for _ in range(bench.times):
        ours.append(bench.child("build", season, "--out", site, "--no-cache", "--anew"))
        bare.append(bench.child("floor", site, season))
    size = f"{bare[0]['charts']} charts, {bare[0]['logs']} logs"
    bench.add("a", "cold build", _median(ours), "s", note=size)
    bench.add("a", "floor: specifications and logs, bare", _median(bare), "s", note=size)
    bench.add("a", "cold build / floor", _median(ours) / _median(bare), "x", limit=1.2)


def changed(bench: Bench) -> None:
    """(b) and (c), on one season with a cache of its own."""
    season = bench.season(8 if bench.quick else 24)
    site, cache = bench.scratch / "site-c", bench.scratch / "cache-c"
    whole, nothing, imports, prose, log = [], [], [], [], []
    for turn in range(bench.times):
        shutil.rmtree(cache, ignore_errors=True)
        shutil.rmtree(site, ignore_errors=True)
        whole.append(bench.child("build", season, "--out", site, cache=cache))
        for _ in range(3):
            nothing.append(bench.child("build", season, "--out", site, cache=cache))
            if "Nothing has changed" not in nothing[-1]["said"]:
                raise SystemExit("a second build found something to do")
            imports.append(bench.child("libraries"))
        own = season / speed_season.session_name(1)
        (own / "conclusion.md").write_text(f"Another conclusion, number {turn}.\n", encoding="utf-8")
        prose.append(bench.child("build", season, "--out", site, cache=cache))
        file = min((own / "logs").glob("*.csv"))
        lines = file.read_text(encoding="utf-8").splitlines(keepends=True)
        middle = len(lines) // 2
        lines[middle] = re.sub(
            r"\d(?=\r?\n)", lambda digit: str((int(digit.group()) + 1) % 10), lines[middle]
        )
        file.write_text("".join(lines), encoding="utf-8", newline="")
        log.append(bench.child("build", season, "--out", site, cache=cache))
    bench.add("b", "nothing changed", _median(nothing), "s")
    bench.add("b", "importing pandas and altair", _median(imports), "s")
    bench.add("b", "nothing changed / imports", _median(nothing) / _median(imports), "x", limit=2.0)
    bench.add("c", "cold build that fills the cache", _median(whole), "s")
    for what, runs in (("one conclusion", prose), ("one log", log)):
        bench.add("c", f"{what} changed", _median(runs), "s")
        bench.add("c", f"{what} changed / cold", _median(runs) / _median(whole), "x", limit=1 / 6)


def _first_load(site: Path) -> int:
    """Bytes a browser fetches to show the overlay page: it, its style sheets, its scripts."""
    page = site / "overlay/index.html"
    html = page.read_text(encoding="utf-8")
    named = re.findall(r'<script[^>]*\bsrc="([^"]+)"', html)
    named += re.findall(r'<link[^>]*rel="stylesheet"[^>]*href="([^"]+)"', html)
    return page.stat().st_size + sum((page.parent / name).resolve().stat().st_size for name in named)


def growth(bench: Bench) -> None:
    """(d)"""
    each = {}
    for sessions in (10, 40) if bench.quick else (10, 100, 500):
        season, site = bench.season(sessions), bench.scratch / "site-d"
        run = bench.child("build", season, "--out", site, "--no-cache", "--anew")
        pages = sum(1 for _ in site.rglob("*.html"))
        each[sessions] = run["seconds"] / sessions
        of = f"{sessions} sessions"
        bench.add(
            "d", f"{of}: time a session", each[sessions], "s", note=f"{pages / run['seconds']:.1f} pages/s"
        )
        note = f"and at most {run['child_mb']:.0f} MB in each of {CORES} workers"
        bench.add("d", f"{of}: peak memory", run["own_mb"] / 1e3, "GB", limit=1.5, note=note)
        bench.add("d", f"{of}: first load of the overlay page", _first_load(site) / 1e3, "kB")
        shutil.rmtree(site)
    few, many = min(each), max(each)
    bench.add("d", f"time a session, {many} against {few} sessions", each[many] / each[few], "x", limit=1.2)


def long_log(bench: Bench) -> None:
    """(e)"""
    blocks = 2 if bench.quick else 20
    file = bench.scratch / "large.csv"
    invented = _invented_log(BLOCK)
    for block in range(blocks):
        moved = invented.assign(Time=invented["Time"] + block * BLOCK * 0.5)
        moved.to_csv(file, index=False, mode="a", header=block == 0)
    ours, bare = [], []
    for _ in range(bench.times):
        ours.append(bench.child("read_ours", file))
        bare.append(bench.child("read_bare", file))
    note = f"{blocks * BLOCK:,} rows, {file.stat().st_size / 1e6:.0f} MB"
    bench.add("e", "read_log", _median(ours, "read_s"), "s", note=note)
    bench.add("e", "read_csv of the needed columns", _median(bare, "read_s"), "s")
    bench.add("e", "read_log / read_csv", _median(ours, "read_s") / _median(bare, "read_s"), "x", limit=3.0)
    above = max(run["own_mb"] - run["before_mb"] - run["data_mb"] for run in ours) / 1e3
    bench.add(
        "e", "peak memory above the data", above, "GB", limit=1.0, note=f"data {ours[0]['data_mb']:.0f} MB"
    )
    file.unlink()


def notebooks(bench: Bench) -> None:
    """(f)"""
    season, site = bench.season(4 if bench.quick else 24), bench.scratch / "site-f"
    folder = bench.scratch / "notebooks"
    folder.mkdir(exist_ok=True)
    ours = [bench.child("build", season, "--out", site, "--no-cache", "--anew")]
    sessions = sorted(path.parent for path in season.glob("*/session.yaml"))
    drawn = sum(write_notebook(session, site, folder / f"{session.name}.ipynb") for session in sessions)

    def export(session: Path) -> None:
        command = [bench.notebook_python, "-m", "nbconvert", "--execute", "--to", "html"]
        subprocess.run([*command, str(folder / f"{session.name}.ipynb")], check=True, capture_output=True)

    began = time.perf_counter()
    with ThreadPoolExecutor(CORES) as pool:
        list(pool.map(export, sessions))
    taken = time.perf_counter() - began
    bench.add(
        "f", "notebooks", taken, "s", note=f"{len(sessions)} sessions, {drawn} figures, {CORES} at a time"
    )
    bench.add("f", "cold build", _median(ours), "s")
    bench.add("f", "notebooks / cold build", taken / _median(ours), "x", limit=5.0, least=True)


PARTS: dict[str, Callable[[Bench], None]] = {
    "a": cold, "b": changed, "c": changed, "d": growth, "e": long_log, "f": notebooks,
}  # fmt: skip


def _machine() -> str:
    load = ", ".join(f"{one:.1f}" for one in os.getloadavg())
    return (
        f"{CORES} cores, Python {sys.version.split()[0]}, load over 1, 5 and 15 minutes at the end: {load}."
    )


def main() -> int:
    """Run the parts asked for, print and write what was found."""
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("--quick", action="store_true", help="small seasons, one turn each")
    asked.add_argument("--only", default=",".join(PARTS), help="parts, such as a,e; all where not given")
    asked.add_argument("--out", type=Path, default=Path("build/speed"), help="folder of table and chart")
    asked.add_argument("--notebook-python", default=sys.executable, help="Python that has nbconvert, for (f)")
    options = asked.parse_args()
    wanted = options.only.split(",")
    if unknown := [part for part in wanted if part not in PARTS]:
        asked.error(f"no part {', '.join(unknown)}; there are {', '.join(PARTS)}")
    with tempfile.TemporaryDirectory() as scratch:
        bench = Bench(Path(scratch), options.quick, options.notebook_python)
        for measure in dict.fromkeys(PARTS[part] for part in wanted):
            measure(bench)
    speed_page.write(options.out, bench.figures, _machine())
    print(f"\n{speed_page.as_markdown(bench.figures, _machine())}")
    return 1 if any(one.verdict == "MISSED" for one in bench.figures) else 0


if __name__ == "__main__":
    raise SystemExit(main())
