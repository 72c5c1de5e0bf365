"""One command with what it took: wall time, processor time and memory of it and of every process it started."""

from __future__ import annotations

import ctypes
import os
import resource
import subprocess
import sys
import threading
import time
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

_PR_SET_CHILD_SUBREAPER = 36  # linux/prctl.h
LOOK_EVERY_S = 0.25
ORPHANS_END_WITHIN_S = 20.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Used:
    """What a command took.

    seconds    wall time, start of the program included
    processor  user and system time of all its processes [s]
    peak_mb    the most that all its processes had at one time, shared pages counted once (PSS, looked at four times
               a second); 0 where it was not looked at
    code, out  exit code and all it printed
    """

    seconds: float
    processor: float
    peak_mb: float
    code: int
    out: str


def run(command: Sequence[str], *, cwd: Path, env: Mapping[str, str], memory: bool = False) -> Used:
    """Run a command to its end. Call it from one thread only: it takes in every child that ends meanwhile."""
    _take_in_orphans()
    before, began = _children_s(), time.perf_counter()
    started = subprocess.Popen(
        command, cwd=cwd, env=dict(env), stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
    )
    peak = _Peak(started.pid) if memory else None
    out, _ = started.communicate()
    seconds = time.perf_counter() - began
    _wait_for_orphans()
    return Used(
        seconds=seconds,
        processor=_children_s() - before,
        peak_mb=peak.end() if peak else 0.0,
        code=started.returncode,
        out=out,
    )


def _children_s() -> float:
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def _take_in_orphans() -> None:
    """Processes whose parent has ended become ours (prctl(2)), so that their time counts too."""
    if sys.platform.startswith("linux"):
        ctypes.CDLL(None).prctl(_PR_SET_CHILD_SUBREAPER, 1, 0, 0, 0)


def _wait_for_orphans() -> None:
    until = time.monotonic() + ORPHANS_END_WITHIN_S
    with suppress(ChildProcessError):
        while time.monotonic() < until:
            if os.waitpid(-1, os.WNOHANG)[0] == 0:
                time.sleep(0.02)


class _Peak:
    """Looks again and again at how much a process and all below it have."""

    def __init__(self, pid: int) -> None:
        self._pid, self._most, self._over = pid, 0.0, threading.Event()
        self._thread = threading.Thread(target=self._look, daemon=True)
        self._thread.start()

    def end(self) -> float:
        self._over.set()
        self._thread.join()
        return self._most

    def _look(self) -> None:
        while not self._over.wait(LOOK_EVERY_S):
            self._most = max(self._most, sum(_pss_mb(pid) for pid in _tree(self._pid)))


def _tree(root: int) -> set[int]:
    parents = {}
    for folder in Path("/proc").iterdir():
        if folder.name.isdigit():
            with suppress(OSError, IndexError, ValueError):
                # the name in brackets may hold anything
                parents[int(folder.name)] = int((folder / "stat").read_text().rpartition(")")[2].split()[1])
    tree, grown = {root}, True
    while grown:
        more = {pid for pid, parent in parents.items() if parent in tree} - tree
        tree |= more
        grown = bool(more)
    return tree


def _pss_mb(pid: int) -> float:
    with suppress(OSError):
        for line in Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines():
            if line.startswith("Pss:"):
                return int(line.split()[1]) * 1024 / 1e6
    return 0.0
