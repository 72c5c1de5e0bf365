"""The workers of a Dask cluster that is there already: `whirlbook build SEASON --out SITE --scheduler ADDRESS`.

A worker needs this very program with the same libraries, and the season in a folder of the same path with the same
content; each says so of itself before every task, so that one that joins late is asked too. The scheduler needs the
program as well, since it reads the names of what it passes on. Whoever reaches a scheduler can run any code on its
workers: it belongs on a network that only its users reach.
"""

from __future__ import annotations

import hashlib
import logging
import os
import pickle
import platform
import sys
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import CancelledError, Executor, Future
from concurrent.futures import TimeoutError as NotYet
from contextlib import contextmanager
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

from generator import __version__
from generator.executors import NoWorkers, Others, alone
from generator.unchanged import LIBRARIES, PACKAGE, versions

REACHED_WITHIN_S = 10.0  # the scheduler answers, or is said not to be there
LEFT_WITHIN_S = 30.0  # so long may there be no worker at all: some are started again by themselves
LOOK_EVERY_S = 0.5


@dataclass(frozen=True, slots=True)
class Wanted:
    """What a worker must have to give the same bytes.

    program  one name for the program
    known    name -> version, for words where that differs
    folder   of the season, absolute
    content  SHA-256 of its season.yaml
    """

    program: str
    known: tuple[tuple[str, str], ...]
    folder: str
    content: str


def wanted(season: Path) -> Wanted:
    """What workers must have for a season. Raises OSError where there is none."""
    folder = os.path.abspath(season)
    return Wanted(_program(), tuple(_versions().items()), folder, _content(folder))


@lru_cache
def _program() -> str:
    """One name for the code and what it stands on; the same whether it runs from a checkout or is installed."""
    digest = hashlib.sha256(repr(sorted(_versions().items())).encode())
    for file in sorted(PACKAGE.rglob("*.py")):
        content = hashlib.sha256(file.read_bytes()).hexdigest()
        digest.update(f"{file.relative_to(PACKAGE).as_posix()} {content}\n".encode())
    return digest.hexdigest()


def _versions() -> dict[str, str]:
    return {"Whirlbook": __version__, "Python": sys.version.split()[0], **versions(LIBRARIES)}


def _content(folder: str) -> str:
    return hashlib.sha256(Path(folder, "season.yaml").read_bytes()).hexdigest()


def unfit(need: Wanted) -> str:
    """Why this process cannot work for another, in words; empty where it can."""
    here = f"The worker on {platform.node() or 'a machine without a name'}"
    if _program() != need.program:
        own = _versions()
        other = [
            f"{name} {own.get(name, 'none')} and not {version}"
            for name, version in need.known
            if own.get(name) != version
        ]
        what = ", ".join(other) or f"Whirlbook {__version__} with other files"
        return f"{here} has {what}. Install the same there as here."
    try:
        same = _content(need.folder) == need.content
    except OSError:
        return (
            f"{here} cannot read {need.folder}. The season must lie under this path there too, as on a shared "
            "disk."
        )
    return "" if same else f"{here} has another season in {need.folder}."


def _fit(need: Wanted, packed: bytes) -> tuple[str, bytes]:
    """Done by a worker: why it is unfit, else what the task made.

    packed  task and order, pickled: nothing of it is loaded before the worker is known to be fit, nor by the scheduler
    """
    why = unfit(need)
    if why:
        return why, b""
    task, order = pickle.loads(packed)
    return "", pickle.dumps(alone(task, order), protocol=5)


class Cluster(Others):
    """The workers of a Dask cluster.

    client   connected to its scheduler
    address  of the scheduler, as the user named it
    need     what each must have
    """

    def __init__(self, client: Any, address: str, need: Wanted) -> None:
        threads: Mapping[str, int] = client.nthreads()
        super().__init__(client.get_executor(pure=False, retries=0), max(1, sum(threads.values())))
        self._client, self._address, self._need = client, address, need
        self._nobody_since: float | None = None

    def _submit(self, executor: Executor, task: Callable[..., Any], order: Sequence[Any]) -> Future[Any]:
        packed = pickle.dumps((task, tuple(order)), protocol=5)
        try:
            return executor.submit(_fit, self._need, packed)
        except (OSError, RuntimeError, ValueError) as fault:
            raise self._gone() from fault

    def _wait(self, future: Future[Any]) -> Any:
        from distributed import KilledWorker

        while True:
            try:
                why, made = future.result(timeout=LOOK_EVERY_S)
            except NotYet:
                if future.done():
                    raise
                self._look()
            except CancelledError:
                raise self._gone() from None
            except KilledWorker:
                raise NoWorkers(
                    "One worker after the other died over the same piece of work. That happens where their memory "
                    "runs out."
                ) from None
            except ModuleNotFoundError as fault:
                if (fault.name or "").partition(".")[0] != "generator":
                    raise
                raise NoWorkers(
                    f"The workers at {self._address} have no Whirlbook. Install the same there as here."
                ) from None
            else:
                if why:
                    raise NoWorkers(why)
                return pickle.loads(made)

    def _look(self) -> None:
        """Raises NoWorkers where nobody is left who could do the work."""
        try:
            there = self._client.status == "running" and len(self._client.nthreads())
        except (OSError, ValueError, NotYet):
            raise self._gone() from None
        now = time.monotonic()
        if there:
            self._nobody_since = None
        elif self._nobody_since is None:
            self._nobody_since = now
        elif now - self._nobody_since > LEFT_WITHIN_S:
            if self._client.status != "running":
                raise self._gone()
            raise NoWorkers(f"No worker is left at {self._address}.")

    def _gone(self) -> NoWorkers:
        return NoWorkers(f"The scheduler at {self._address} is not there any more.")


@contextmanager
def cluster(address: str, season: Path) -> Iterator[Cluster]:
    """The workers at an address, for a block.

    Raises  NoWorkers where Dask is not installed, or the scheduler or its workers are not there or not fit
    """
    try:
        import dask
        import distributed
    except ModuleNotFoundError:
        raise NoWorkers(
            "To work on a cluster Whirlbook needs Dask: pip install 'whirlbook[cluster]'"
        ) from None
    for name in ("distributed.client", "distributed.core", "distributed.comm", "tornado.application"):
        logging.getLogger(name).setLevel(logging.CRITICAL)  # what they meet is told once, in plain words
    connect: Any = distributed.Client
    place = address if "://" in address else f"tcp://{address}"
    with dask.config.set({"distributed.comm.retry.count": 0}):
        try:
            need = wanted(season)
        except OSError:
            need = Wanted("", (), "", "")  # what is wrong with the season is told by those who read it
        try:
            client = connect(place, timeout=REACHED_WITHIN_S, set_as_default=False)
        except (OSError, ValueError, TypeError, NotYet):
            raise NoWorkers(
                f"No Dask scheduler answers at {address}. Is it running, and is the address the one that `dask "
                "scheduler` has printed?"
            ) from None
        try:
            if not client.nthreads():
                raise NoWorkers(
                    f"The scheduler at {address} has no workers. Start some: dask worker {address}"
                )
            yield Cluster(client, address, need)
        finally:
            client.close(timeout=5)
