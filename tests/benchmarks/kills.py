"""Builds killed at random moments: python -m tests.benchmarks.kills [--count 200] [--seed N] [--out FOLDER]

A small invented season has two versions, A and B. A site stands on disk; a build of one of the versions is started
over it and SIGKILL ends it, at a moment drawn evenly over the time that such a build takes. After each kill

- the site on disk is A or B, byte for byte as an undisturbed build made it elsewhere;
- the next build succeeds, gives just the version it was asked for, and leaves nothing beside the site.

The kinds take turns: the whole process group killed (what closing a terminal or a session does, only harder); the main
process alone (what the system does when memory runs out), whose workers must then end by themselves; two builds at
once over one site, of which one or both are killed. So do caches: none, empty, and the one the last kill left.
A build that was over before its kill does not count. Exit code 1 where anything was wrong. Linux and macOS only.
"""

from __future__ import annotations

import argparse
import os
import random
import shutil
import signal
import statistics
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

from tests import seasons
from tests.unbroken import contents, version_of

ROOT = Path(__file__).resolve().parents[2]
KINDS = ("group", "group", "group", "main alone", "two at once")
CACHES = ("kept", "none", "empty")
WORKERS_END_WITHIN_S = 20.0
# The command itself, only that it takes worker processes for any number of runs where told so.
COMMAND = """
import sys
from generator import pipeline
if not hasattr(pipeline, "RUNS_WORTH_WORKERS"):
    raise SystemExit("kills.py: the number of runs from which workers are used has another name now")
if sys.argv.pop(1) == "workers":
    pipeline.RUNS_WORTH_WORKERS = 1
from generator.cli import main
raise SystemExit(main(sys.argv[1:]))
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Kill:
    """One kill and what was found after it.

    share    when it came, as a share of the time that such a build takes
    writing  whether the new site was being written then
    stood    what stood on disk afterwards: the "old" version, the "new" one, or "BROKEN"
    wrong    what was wrong, in words; empty where nothing was
    """

    kind: str
    cache: str
    workers: bool
    share: float
    writing: bool
    stood: str
    wrong: tuple[str, ...] = ()


@dataclass(slots=True, kw_only=True)
class Bench:
    """A scratch folder with both versions of the season, what their sites hold, and how long a build takes."""

    scratch: Path
    chance: random.Random
    holds: dict[str, Mapping[str, str]] = field(default_factory=dict)
    took: dict[tuple[str, bool], list[float]] = field(default_factory=dict)

    @property
    def site(self) -> Path:
        """The site that is built over and over; nothing else may stand beside it."""
        return self.scratch / "out" / "site"

    def season(self, version: str) -> Path:
        """Folder of a version; both have the same name."""
        return self.scratch / version / "season"

    def start(self, version: str, out: Path, cache: str, workers: bool) -> subprocess.Popen[str]:
        """Start a build in a process group of its own."""
        kept = self.scratch / "cache"
        if cache == "empty":
            shutil.rmtree(kept, ignore_errors=True)
        more = ["--no-cache"] if cache == "none" else []
        command = [sys.executable, "-c", COMMAND, "workers" if workers else "alone", "build"]
        return subprocess.Popen(
            [*command, str(self.season(version)), "--out", str(out), "--anew", *more],
            cwd=ROOT,
            env={**os.environ, "WHIRLBOOK_CACHE": str(kept)},
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            text=True,
            start_new_session=True,
        )

    def build(self, version: str, out: Path, cache: str, workers: bool) -> list[str]:
        """A build to its end; returns what was wrong with it."""
        began = time.perf_counter()
        running = self.start(version, out, cache, workers)
        _, told = running.communicate()
        if running.returncode:
            return [f"the next build ended with {running.returncode}: {told.strip()[-300:]}"]
        self.took.setdefault((cache, workers), []).append(time.perf_counter() - began)
        return []

    def takes(self, cache: str, workers: bool) -> float:
        """How long such a build lately took [s]."""
        return statistics.median(self.took[cache, workers][-5:])


def prepare(scratch: Path, chance: random.Random) -> Bench:
    """Write both versions, build each undisturbed elsewhere, and time every sort of build."""
    for version in ("A", "B"):
        folder = seasons.write_season(scratch / version / "season")
        if version == "B":
            (folder / "q/conclusion.md").write_text("It does matter, says the other one.\n", encoding="utf-8")
            (folder / "q/logs/02.csv").write_text(seasons.log_text(1.05, 2), encoding="utf-8")
    bench = Bench(scratch=scratch, chance=chance)
    for version in ("A", "B"):
        out = scratch / f"reference-{version}" / "site"
        if wrong := bench.build(version, out, "none", False):
            raise SystemExit("\n".join(wrong))
        bench.holds[version] = contents(out)
    if bench.holds["A"] == bench.holds["B"]:
        raise SystemExit("both versions give the same site; nothing could be told apart")
    for workers in (False, True):
        for cache in ("empty", "kept", "none"):
            if wrong := bench.build("A", bench.site, cache, workers) or standing(bench, "A"):
                raise SystemExit("\n".join(wrong))
    return bench


def standing(bench: Bench, version: str) -> list[str]:
    """What is wrong after a build that succeeded: another version, or something left beside the site."""
    wrong = []
    if (stands := version_of(bench.site, bench.holds)) != version:
        wrong.append(f"the next build of {version} left {stands or 'a broken site'}")
    if left := sorted(path.name for path in bench.site.parent.iterdir() if path != bench.site):
        wrong.append(f"left beside the site: {', '.join(left)}")
    return wrong


def kill_once(bench: Bench, kind: str, cache: str, workers: bool) -> Kill | None:
    """One kill with all that is asked afterwards; None where the build was over first."""
    chance = bench.chance
    old = version_of(bench.site, bench.holds)
    new = "B" if old == "A" else "A"
    share = chance.random()
    builds = [bench.start(new, bench.site, cache, workers)]
    if kind == "two at once":
        # a cache cannot be emptied under somebody's hands; the second takes what the first has
        builds.append(
            bench.start(chance.choice("AB"), bench.site, "kept" if cache == "empty" else cache, workers)
        )
    # two at once on few cores take longer, each
    pace = 1.0 if len(builds) == 1 else 1.6
    time.sleep(share * pace * bench.takes(cache, workers))
    victims = builds if len(builds) == 1 or chance.random() < 0.5 else [chance.choice(builds)]
    victims = [build for build in victims if build.poll() is None]
    writing = any(
        path.name.startswith(".site.building-") for path in bench.site.parent.glob(".site.building-*")
    )
    for build in victims:
        if kind == "main alone":
            build.kill()
        else:
            with suppress(ProcessLookupError):
                os.killpg(build.pid, signal.SIGKILL)
    wrong: list[str] = []
    for build in builds:
        if build in victims and kind == "main alone" and not ended(build):
            wrong.append(
                f"workers were still running {WORKERS_END_WITHIN_S:.0f} s after their main process was killed"
            )
            with suppress(ProcessLookupError):
                os.killpg(build.pid, signal.SIGKILL)
        _, told = build.communicate()
        if build not in victims and build.returncode not in (0, -signal.SIGKILL):
            wrong.append(
                f"the build that was not killed ended with {build.returncode}: {told.strip()[-300:]}"
            )
    hit = [build for build in victims if build.returncode == -signal.SIGKILL]
    if not hit and not wrong:
        return None
    stands = version_of(bench.site, bench.holds)
    if stands is None:
        wrong.append("the site on disk was no complete version")
    after = chance.choice("AB")
    wrong += bench.build(after, bench.site, "kept" if cache == "empty" else cache, workers) or standing(
        bench, after
    )
    stood = "BROKEN" if stands is None else "old" if stands == old else "new"
    return Kill(
        kind=kind, cache=cache, workers=workers, share=share, writing=writing, stood=stood, wrong=tuple(wrong)
    )


def ended(build: subprocess.Popen[str]) -> bool:
    """Whether everything of a killed build's group is gone before long."""
    build.wait()
    until = time.monotonic() + WORKERS_END_WITHIN_S
    while time.monotonic() < until:
        if not _alive(build.pid):
            return True
        time.sleep(0.05)
    return False


def _alive(group: int) -> bool:
    """Whether a process of the group still runs; one that is over and not yet taken in by its parent does not."""
    stats = list(_stats(group))
    if stats:
        return any(state != "Z" for state in stats)
    if sys.platform.startswith("linux"):
        return False
    try:
        os.killpg(group, 0)
    except ProcessLookupError:
        return False
    return True


def _stats(group: int) -> Iterator[str]:
    """State letters of the processes of a group, from /proc where there is one."""
    proc = Path("/proc")
    for folder in proc.iterdir() if proc.is_dir() else ():
        if folder.name.isdigit():
            with suppress(OSError, ValueError, IndexError):
                state, _, its_group = (folder / "stat").read_text().rpartition(")")[2].split()[:3]
                if int(its_group) == group:
                    yield state


def as_markdown(kills: list[Kill], took_s: float, seed: int) -> str:
    """The figures of a run as a table in Markdown."""
    lines = [
        "| killed | kills | while the site was written | old stood | new stood | wrong |",
        "| --- | --- | --- | --- | --- | --- |",
    ]
    for kind in (*dict.fromkeys(KINDS), "all"):
        own = [kill for kill in kills if kind in (kill.kind, "all")]
        stood = Counter(kill.stood for kill in own)
        wrong = sum(bool(kill.wrong) for kill in own)
        writing = sum(kill.writing for kill in own)
        lines.append(f"| {kind} | {len(own)} | {writing} | {stood['old']} | {stood['new']} | {wrong} |")
    caches = Counter(kill.cache for kill in kills)
    with_workers = sum(kill.workers for kill in kills)
    lines += [
        "",
        f"Seed {seed}, {took_s / 60:.1f} minutes. Caches: {', '.join(f'{name} {n}' for name, n in caches.items())}. "
        f"With worker processes: {with_workers}.",
        *(f"- {kill}" for kill in kills if kill.wrong),
    ]
    return "\n".join(lines) + "\n"


def main() -> int:
    """Kill so many builds, print and write what was found."""
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("--count", type=int, default=200, help="kills that hit a running build")
    asked.add_argument("--seed", type=int, default=20310504)
    asked.add_argument("--out", type=Path, default=Path("build/kills"), help="folder of the table")
    options = asked.parse_args()
    began, kills = time.perf_counter(), []
    with tempfile.TemporaryDirectory() as scratch:
        bench = prepare(Path(scratch), random.Random(options.seed))
        tries = 0
        while len(kills) < options.count and tries < 3 * options.count + 10:
            kind, cache = KINDS[tries % len(KINDS)], CACHES[tries // len(KINDS) % len(CACHES)]
            kill = kill_once(bench, kind, cache, workers=tries % 2 == 1)
            tries += 1
            if kill is None:
                continue
            kills.append(kill)
            if kill.wrong or len(kills) % 10 == 0:
                print(f"{len(kills)}: {kill}", flush=True)
            if kill.stood == "BROKEN" and version_of(bench.site, bench.holds) is None:
                print("the site stays broken; no use in going on")
                break
    told = as_markdown(kills, time.perf_counter() - began, options.seed)
    options.out.mkdir(parents=True, exist_ok=True)
    (options.out / "kills.md").write_text(told, encoding="utf-8")
    print(f"\n{told}")
    return 1 if len(kills) < options.count or any(kill.wrong for kill in kills) else 0


if __name__ == "__main__":
    raise SystemExit(main())
