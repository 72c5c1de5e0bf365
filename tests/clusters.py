"""A Dask cluster on this machine, on loopback alone: a scheduler and workers in processes of their own."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from tests.conftest import ROOT

COMES_WITHIN_S = 60.0
LOOPBACK = ("--host", "127.0.0.1", "--no-dashboard")


@dataclass(frozen=True, slots=True)
class LocalCluster:
    """Address of the scheduler, and its processes."""

    address: str
    scheduler: subprocess.Popen[bytes]
    workers: tuple[subprocess.Popen[bytes], ...]


@contextmanager
def local_cluster(scratch: Path, workers: int = 2) -> Iterator[LocalCluster]:
    """So many workers of one thread each, that nobody starts again when they die."""
    told = scratch / "scheduler.json"
    started: list[subprocess.Popen[bytes]] = []

    def start(module: str, *arguments: object) -> subprocess.Popen[bytes]:
        process = subprocess.Popen(
            [sys.executable, "-m", f"distributed.cli.{module}", "--scheduler-file", str(told), *LOOPBACK,
             *map(str, arguments)],
            cwd=scratch, env={**os.environ, "PYTHONPATH": str(ROOT)},
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        started.append(process)
        return process

    try:
        scheduler = start("dask_scheduler", "--port", 0)
        alone = ("--no-nanny", "--nthreads", 1, "--local-directory", scratch)
        there = tuple(start("dask_worker", "--name", f"worker-{n}", *alone) for n in range(workers))
        until = time.monotonic() + COMES_WITHIN_S
        while not told.exists() and time.monotonic() < until:
            time.sleep(0.05)
        address = json.loads(told.read_text(encoding="utf-8"))["address"]
        _wait_for(address, workers)
        yield LocalCluster(address, scheduler, there)
    finally:
        for process in started:
            process.kill()
            process.wait()


def _wait_for(address: str, workers: int) -> None:
    from distributed import Client

    with Client(address, timeout=COMES_WITHIN_S, set_as_default=False) as client:
        client.wait_for_workers(workers, timeout=COMES_WITHIN_S)
