"""How fast the site is made, by ratios within one run: python -m tests.benchmarks.speed [--quick] [--only a,b,...]

Sides of a ratio are run by turns, each pair gives a ratio, and the middle one counts, since a shared machine is never
the same twice. Beside wall time stands processor time, user and system, of all processes that a side started: other
work on the machine hardly touches it. Limits hold for wall time, or for processor time with --busy. Everything is
invented. Writes speed.md and speed.html to --out. Exit code 1 where a limit is missed.

(a) cold build of 24 sessions and 144 logs against its floor: the site's published specifications rendered with stock
    settings on all cores, and the logs read by pandas on all cores. Told twice: every picture that the pages show,
    wide and for phones, as NAME.vl.json says both; and, stricter, each NAME.vl.json once, which gives the wide ones
    only, while the build draws both
(b) a build with nothing to do against importing pandas and altair
(c) one conclusion, or one log, changed: against the cold build
(d) growth with the number of sessions, short ones: time and memory a session, pages a second, the overlay page
(e) one log of ten million rows against `pandas.read_csv` of the columns it needs
(f) the same sessions as notebooks, executed and exported, one after another by one command, as people do, and as
    many at a time as there are cores; --notebook-python names a Python with nbconvert, ipykernel, matplotlib, scipy,
    pandas and zstandard (see speed_notebooks.py for what is the same and what is not)
"""

from __future__ import annotations

import argparse
import json
import os
import re
import shutil
import statistics
import sys
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tests.benchmarks import speed_notebooks, speed_page, speed_process, speed_season
from tests.benchmarks.bench_log_read import _invented_log
from tests.benchmarks.speed_page import Measured

CORES = os.cpu_count() or 1
BLOCK = 500_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Side:
    """One side of a ratio, once. told: what the child said of itself."""

    wall: float
    processor: float
    peak_mb: float
    told: dict[str, Any]
    said: str


class Bench:
    """A scratch folder, the size of everything, and the figures found so far."""

    def __init__(self, scratch: Path, quick: bool, notebook_python: str, busy: bool) -> None:
        self.scratch, self.quick, self.notebook_python, self.busy = scratch, quick, notebook_python, busy
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

    def child(self, what: str, *arguments: object, cache: Path | None = None, memory: bool = False) -> Side:
        """Run one thing in a process of its own, start of Python included."""
        store = cache or self.scratch / "cache-empty"
        if cache is None:
            shutil.rmtree(store, ignore_errors=True)
        used = speed_process.run(
            [sys.executable, "-m", "tests.benchmarks.speed_child", what, *map(str, arguments)],
            cwd=speed_season.ROOT,
            env={**os.environ, "WHIRLBOOK_CACHE": str(store)},
            memory=memory,
        )
        if used.code:
            raise SystemExit(f"{what} failed:\n{used.out}")
        # what Python itself says as it ends may stand below
        told = json.loads(next(line for line in reversed(used.out.splitlines()) if line.startswith("{")))
        if told.get("code"):
            raise SystemExit(f"{what} ended with {told['code']}:\n{used.out}")
        return Side(
            wall=used.seconds, processor=used.processor, peak_mb=used.peak_mb, told=told, said=used.out
        )

    def add(self, part: str, what: str, value: float, unit: str, **more: Any) -> None:
        """Keep one figure and show it at once."""
        self.figures.append(Measured(part=part, what=what, value=value, unit=unit, busy=self.busy, **more))
        print("  ".join(cell for cell in speed_page.rows(self.figures[-1:])[0] if cell), flush=True)

    def times_of(self, part: str, what: str, sides: Sequence[Side], note: str = "") -> None:
        """Keep the middle time of one side."""
        wall, processor = (_middle([getattr(side, key) for side in sides]) for key in ("wall", "processor"))
        self.add(part, what, wall, "s", processor=processor, note=note)

    def ratio(self, part: str, what: str, ours: Sequence[Side], others: Sequence[Side], **more: Any) -> None:
        """Keep the middle of the ratios of pairs made one after the other."""
        pairs = list(zip(ours, others, strict=True))
        walls = [one.wall / other.wall for one, other in pairs]
        processor = _middle([one.processor / other.processor for one, other in pairs])
        spread = f"{len(walls)} pairs, {min(walls):.3g} to {max(walls):.3g}" if len(walls) > 1 else "one pair"
        self.add(part, what, _middle(walls), "x", processor=processor, note=spread, **more)


def _middle(values: Sequence[float]) -> float:
    return statistics.median(values)


def by_turns(times: int, *sides: Callable[[], Side]) -> list[list[Side]]:
    """Run each side so many times, one after the other, every second turn the other way round."""
    found: list[list[Side]] = [[] for _ in sides]
    for turn in range(times):
        order = range(len(sides)) if turn % 2 == 0 else reversed(range(len(sides)))
        for place in order:
            found[place].append(sides[place]())
    return found


def cold(bench: Bench) -> None:
    """(a)"""
    season, site = bench.season(8 if bench.quick else 24), bench.scratch / "site-a"

    def built() -> Side:
        return bench.child("build", season, "--out", site, "--no-cache", "--anew")

    built()  # the floor needs the specifications; this one is not counted
    ours, both, wide = by_turns(
        bench.times,
        built,
        lambda: bench.child("floor", site, season, "both"),
        lambda: bench.child("floor", site, season, "wide"),
    )
    bench.times_of("a", "cold build", ours)
    for bare, which in ((both, "every picture"), (wide, "wide pictures only")):
        size = f"{bare[0].told['charts']} pictures, {bare[0].told['logs']} logs"
        bench.times_of("a", f"floor, {which}", bare, size)
        bench.ratio("a", f"cold build / floor, {which}", ours, bare, limit=1.2)


def changed(bench: Bench) -> None:
    """(b) and (c), on one season with a cache of its own."""
    season = bench.season(8 if bench.quick else 24)
    site, cache = bench.scratch / "site-c", bench.scratch / "cache-c"

    def built(changed: bool = True) -> Side:
        side = bench.child("build", season, "--out", site, cache=cache)
        if changed == ("Nothing has changed" in side.said):
            raise SystemExit(
                f"a build {'saw no change' if changed else 'found something to do'}:\n{side.said}"
            )
        return side

    whole, nothing, imports, prose, log = [], [], [], [], []
    for turn in range(bench.times):
        shutil.rmtree(cache, ignore_errors=True)
        shutil.rmtree(site, ignore_errors=True)
        whole.append(built())
        pair = by_turns(4, lambda: built(changed=False), lambda: bench.child("libraries"))
        nothing += pair[0]
        imports += pair[1]
        own = season / speed_season.session_name(1)
        (own / "conclusion.md").write_text(f"Another conclusion, number {turn}.\n", encoding="utf-8")
        prose.append(built())
        _change_log(min((own / "logs").glob("*.csv")))
        log.append(built())
    bench.times_of("b", "nothing changed", nothing)
    bench.times_of("b", "importing pandas and altair", imports)
    bench.ratio("b", "nothing changed / imports", nothing, imports, limit=2.0)
    bench.times_of("c", "cold build that fills the cache", whole)
    for what, runs in (("one conclusion", prose), ("one log", log)):
        bench.times_of("c", f"{what} changed", runs)
        bench.ratio("c", f"{what} changed / cold", runs, whole, limit=1 / 6)


def _change_log(file: Path) -> None:
    """Another last digit in the middle row."""
    lines = file.read_text(encoding="utf-8").splitlines(keepends=True)
    middle = len(lines) // 2
    lines[middle] = re.sub(r"\d(?=\r?\n)", lambda digit: str((int(digit.group()) + 1) % 10), lines[middle])
    file.write_text("".join(lines), encoding="utf-8", newline="")


def _first_load(site: Path) -> int:
    """Bytes a browser fetches to show the overlay page: it, its style sheets, its scripts."""
    page = site / "overlay/index.html"
    html = page.read_text(encoding="utf-8")
    named = re.findall(r'<script[^>]*\bsrc="([^"]+)"', html)
    named += re.findall(r'<link[^>]*rel="stylesheet"[^>]*href="([^"]+)"', html)
    return page.stat().st_size + sum((page.parent / name).resolve().stat().st_size for name in named)


def growth(bench: Bench) -> None:
    """(d)"""
    found: dict[int, list[Side]] = {}
    first_load: dict[int, float] = {}
    site = bench.scratch / "site-d"
    sizes = (10, 40) if bench.quick else (10, 100, 500)
    # the small ones again at the end, so that a machine that has changed meanwhile shows
    for sessions in (*sizes, *sizes[:-1]):
        season = bench.scratch / f"short-{sessions}"
        if not season.exists():
            speed_season.write_short_season(season, sessions)
        side = bench.child("build", season, "--out", site, "--no-cache", "--anew", memory=True)
        found.setdefault(sessions, []).append(side)
        if sessions not in first_load:
            first_load[sessions] = _first_load(site) / 1e3
            _tell_size(bench, sessions, side, sum(1 for _ in site.rglob("*.html")), first_load[sessions])
        shutil.rmtree(site)
    few, many = sizes[0], sizes[-1]

    def each(key: str, more: int, less: int = 0) -> float:
        """Of each session beyond the first `less` of a season of `more`, start-up included where that is 0."""
        total = [_middle([getattr(side, key) for side in found.get(n, ())] or [0.0]) for n in (more, less)]
        return (total[0] - total[1]) / (more - less)

    def against(key: str, *spans: tuple[int, int]) -> float:
        return each(key, *spans[0]) / each(key, *spans[1])

    for what, spans, more in (
        (f"time a session, {many} against {few} sessions", ((many, 0), (few, 0)), {"limit": 1.2}),
        *(
            (f"a further session after {middle}, against one after {few}", ((many, middle), (middle, few)),
             {"note": "start-up left out, so that nothing hides behind it"})
            for middle in sizes[1:-1]
        ),
    ):  # fmt: skip
        bench.add("d", what, against("wall", *spans), "x", processor=against("processor", *spans), **more)
    what = f"peak memory, {many} against {few} sessions"
    bench.add("d", what, found[many][0].peak_mb / found[few][0].peak_mb, "x")
    what = f"first load of the overlay page, {many} against {few} sessions"
    bench.add("d", what, first_load[many] / first_load[few], "x", limit=1.2)


def _tell_size(bench: Bench, sessions: int, side: Side, pages: int, first_load: float) -> None:
    of = f"{sessions} sessions"
    note = f"{pages} pages, {pages / side.wall:.1f} a second, {side.wall:.1f} s in all"
    bench.add(
        "d",
        f"{of}: time a session",
        side.wall / sessions,
        "s",
        processor=side.processor / sessions,
        note=note,
    )
    note = f"of all processes together; {side.peak_mb / sessions:.2f} MB a session"
    bench.add("d", f"{of}: peak memory", side.peak_mb / 1e3, "GB", limit=1.5, note=note)
    bench.add("d", f"{of}: first load of the overlay page", first_load, "kB")


def long_log(bench: Bench) -> None:
    """(e)"""
    blocks = 2 if bench.quick else 20
    file = bench.scratch / "large.csv"
    invented = _invented_log(BLOCK)
    for block in range(blocks):
        moved = invented.assign(Time=invented["Time"] + block * BLOCK * 0.5)
        moved.to_csv(file, index=False, mode="a", header=block == 0)
    ours, bare = by_turns(
        bench.times,
        lambda: bench.child("read_ours", file, memory=True),
        lambda: bench.child("read_bare", file),
    )
    note = f"{blocks * BLOCK:,} rows, {file.stat().st_size / 1e6:.0f} MB"
    bench.times_of("e", "read_log, start of Python and imports included", ours, note)
    for sides, what in ((ours, "read_log"), (bare, "read_csv of the needed columns")):
        taken = [_middle([side.told[key] for side in sides]) for key in ("read_s", "read_processor_s")]
        bench.add("e", what, taken[0], "s", processor=taken[1])
    ratios = {
        key: _middle([one.told[key] / other.told[key] for one, other in zip(ours, bare, strict=True)])
        for key in ("read_s", "read_processor_s")
    }
    bench.add(
        "e", "read_log / read_csv", ratios["read_s"], "x", processor=ratios["read_processor_s"], limit=3.0
    )
    most = max(max(side.told["own_mb"], side.peak_mb) - side.told["before_mb"] for side in ours)
    data = ours[0].told["data_mb"]
    bench.add(
        "e", "peak memory above the data", (most - data) / 1e3, "GB", limit=1.0, note=f"data {data:.0f} MB"
    )
    file.unlink()


def notebooks(bench: Bench) -> None:
    """(f)"""
    season, site = bench.season(4 if bench.quick else 24), bench.scratch / "site-f"
    folder = bench.scratch / "notebooks"
    folder.mkdir(exist_ok=True)

    def built() -> Side:
        return bench.child("build", season, "--out", site, "--no-cache", "--anew")

    built()  # the notebooks need the names of figures and tables; this one is not counted
    names = sorted(path.parent.name for path in season.glob("*/session.yaml"))
    shown = {
        name: speed_notebooks.write_notebook(season, name, site, folder / f"{name}.ipynb") for name in names
    }

    def exported(at_a_time: str) -> Side:
        for page in folder.glob("*.html"):
            page.unlink()
        return bench.child("notebooks", folder, bench.notebook_python, at_a_time)

    one, many, ours = by_turns(
        1 if bench.quick else 2, lambda: exported("one"), lambda: exported("all"), built
    )
    held = 0
    for name, (figures, tables) in shown.items():
        speed_notebooks.check_page(folder / f"{name}.html", figures, tables)
        results = site / "sessions" / name / "results.json"
        held += speed_notebooks.check_numbers(folder / f"{name}.means.json", results)
    figures, tables = (sum(counts) for counts in zip(*shown.values(), strict=True))
    note = f"{len(names)} sessions, {figures} figures, {tables} tables; {held} means held against ours"
    bench.times_of("f", "cold build", ours)
    for theirs, how in ((one, "one after another"), (many, f"{CORES} at a time")):
        bench.times_of("f", f"notebooks, {how}", theirs, note)
        bench.ratio("f", f"notebooks, {how} / cold build", theirs, ours, limit=5.0, least=True)


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
    asked.add_argument("--busy", action="store_true", help="judge ratios by processor time")
    asked.add_argument("--notebook-python", default=sys.executable, help="Python that has nbconvert, for (f)")
    options = asked.parse_args()
    wanted = options.only.split(",")
    if unknown := [part for part in wanted if part not in PARTS]:
        asked.error(f"no part {', '.join(unknown)}; there are {', '.join(PARTS)}")
    with tempfile.TemporaryDirectory() as scratch:
        bench = Bench(Path(scratch), options.quick, options.notebook_python, options.busy)
        for measure in dict.fromkeys(PARTS[part] for part in wanted):
            measure(bench)
    speed_page.write(options.out, bench.figures, _machine())
    print(f"\n{speed_page.as_markdown(bench.figures, _machine())}")
    return 1 if any(one.verdict == "MISSED" for one in bench.figures) else 0


if __name__ == "__main__":
    raise SystemExit(main())
