"""Who does the work of a stage: this process, other processes of this machine, or any `concurrent.futures` executor.

A stage hands over tasks: functions of a module whose arguments hold all they need and whose results are all they do
(a local worker may besides keep what it made in the store). So it makes no difference to the site who works, how many
they are, and in which order they end; results are gathered in the order of the tasks.
"""

from __future__ import annotations

import os
import threading
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import BrokenExecutor, CancelledError, Executor, Future, ProcessPoolExecutor
from contextlib import contextmanager
from itertools import islice
from multiprocessing import get_context, parent_process
from multiprocessing.connection import wait
from typing import Any, Self, TypeVar

from generator.intake.problems import WhirlbookError

T = TypeVar("T")
TRIES = 3  # so often a task is begun while workers die over it
# Each run is read and gives about two charts; below so many, starting processes costs more than it saves.
RUNS_WORTH_WORKERS = 40
AHEAD = 2  # tasks a worker that are under way or wait to be taken, so that memory stays flat


class NoWorkers(WhirlbookError):
    """The workers are gone, or not fit to do the work."""


class Workers:
    """This process alone; the base of all others.

    count    how many work at once
    started  whether the others are there, so that using them costs nothing more
    shares   whether they see the disk as this process does, the user's cache included
    """

    def __init__(self, count: int = 1) -> None:
        self.count = max(1, count)
        self.started = False
        self.shares = True

    def start(self) -> None:
        """Let them come, so that they load what they need meanwhile. For where they will be wanted for sure."""

    def worth(self, runs: float, least: float) -> bool:
        """Whether others should do work as heavy as so many runs, `least` being what repays starting them."""
        return self.count > 1 and (self.started or runs >= least)

    def map(self, task: Callable[..., T], orders: Iterable[Sequence[Any]], ahead: int = AHEAD) -> Iterator[T]:
        """`task(*order)` of each order, in their order.

        ahead   tasks a worker that are under way or wait to be taken
        Raises  NoWorkers where nobody can do it; what a task raises
        """
        for order in orders:
            yield task(*order)

    def close(self, *, at_once: bool = False) -> None:
        """Let them go. at_once: what they are doing is not wanted any more."""

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        self.close(at_once=kind is not None)


HERE = Workers()


class _Task:
    """A task that is under way, with what it takes to begin it again."""

    def __init__(self, task: Callable[..., Any], order: Sequence[Any]) -> None:
        self.task, self.order, self.tries = task, order, 0
        self.begun_by: Executor | None = None
        self.future: Future[Any] = Future()


class Others(Workers):
    """The workers of an executor that somebody else made and will end.

    Whether they see the same disk is not known, so the cache stays with this process. Each works on one task at a
    time, since some settings of the libraries belong to a whole process: an executor of threads gains nothing.
    """

    def __init__(self, executor: Executor, count: int | None = None) -> None:
        known = count or getattr(executor, "_max_workers", None) or os.cpu_count() or 1
        super().__init__(int(known))
        self.started, self.shares = True, False
        self._executor: Executor | None = executor

    def worth(self, runs: float, least: float) -> bool:
        """Always: they were asked for."""
        return runs > 0

    def map(self, task: Callable[..., T], orders: Iterable[Sequence[Any]], ahead: int = AHEAD) -> Iterator[T]:
        """As `Workers.map`. A task whose worker died is begun again, up to TRIES times.

        The first tasks are begun at once, not when the first result is asked for.
        """
        waiting = iter(orders)
        under_way: deque[_Task] = deque()

        def begin(many: int) -> None:
            for order in islice(waiting, many):
                begun = _Task(task, order)
                self._begin(begun)
                under_way.append(begun)

        def results() -> Iterator[T]:
            try:
                while under_way:
                    made = self._result(under_way[0])
                    under_way.popleft()
                    begin(1)
                    yield made
            finally:
                for left in under_way:
                    left.future.cancel()

        begin(max(1, ahead) * self.count)
        return results()

    def _result(self, task: _Task) -> Any:
        while True:
            try:
                return self._wait(task.future)
            except BrokenExecutor:
                if task.tries >= TRIES or not self._again(task.begun_by):
                    raise NoWorkers(
                        "Worker processes ended before their work was done, again and again. That happens where "
                        "memory runs out: close other programs, or work with fewer at a time."
                    ) from None
            self._begin(task)

    def _begin(self, task: _Task) -> None:
        task.tries += 1
        for _ in range(TRIES):
            task.begun_by = self._at_work()
            try:
                task.future = self._submit(task.begun_by, task.task, task.order)
                return
            except BrokenExecutor:
                if not self._again(task.begun_by):
                    break
        raise NoWorkers("The worker processes have ended and take no more work.")

    def _at_work(self) -> Executor:
        if self._executor is None:
            raise NoWorkers("The worker processes have ended and take no more work.")
        return self._executor

    def _again(self, broken: Executor | None) -> bool:
        """Others in the place of those that died; False where there is no way to have them."""
        return False

    def _submit(self, executor: Executor, task: Callable[..., Any], order: Sequence[Any]) -> Future[Any]:
        return executor.submit(alone, task, tuple(order))

    def _wait(self, future: Future[Any]) -> Any:
        try:
            return future.result()
        except CancelledError:
            raise NoWorkers("The workers gave up what they were doing.") from None


_ONE_AT_A_TIME = threading.RLock()


def alone(task: Callable[..., T], order: Sequence[Any]) -> T:
    """A task, with no other of ours in the same process meanwhile."""
    with _ONE_AT_A_TIME:
        return task(*order)


class Processes(Others):
    """So many processes of this machine, started when they are first wanted, and again where some of them die.

    Each starts afresh, since a fork of a process that has rendered hangs; a program that asks for more than one must
    therefore keep its own work under `if __name__ == "__main__"`.
    """

    def __init__(self, count: int) -> None:
        super().__init__(NO_EXECUTOR, count)
        self._executor = None
        self.started, self.shares = False, True

    def worth(self, runs: float, least: float) -> bool:
        """As of all workers: what starting them costs must come back."""
        return Workers.worth(self, runs, least)

    def start(self) -> None:
        """Start them and let them load what reading and drawing take."""
        executor = self._at_work()
        for _ in range(self.count):
            executor.submit(_ready)

    def _at_work(self) -> Executor:
        if self._executor is None:
            self._executor = ProcessPoolExecutor(
                max_workers=self.count, mp_context=get_context("spawn"), initializer=_begin_worker
            )
            self.started = True
        return self._executor

    def _again(self, broken: Executor | None) -> bool:
        if broken is not None and broken is self._executor:
            broken.shutdown(wait=False, cancel_futures=True)
            self._executor = None
        return True

    def _submit(self, executor: Executor, task: Callable[..., Any], order: Sequence[Any]) -> Future[Any]:
        return executor.submit(task, *order)

    def close(self, *, at_once: bool = False) -> None:
        """End them."""
        executor, self._executor, self.started = self._executor, None, False
        if executor is None:
            return
        # what they make is kept whole or not at all, so that they can be stopped at any moment
        processes = list((getattr(executor, "_processes", None) or {}).values()) if at_once else []
        executor.shutdown(wait=not at_once, cancel_futures=True)
        for process in processes:
            process.terminate()


NO_EXECUTOR = Executor()


def one_thread() -> None:
    """Let the libraries of linear algebra work on one core, unless the user says otherwise; before they are loaded.

    Our matrices are small: more threads only wait for each other, a tenth of a build's processor time, and may add
    up in another order.
    """
    for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")


def _begin_worker() -> None:
    one_thread()
    _end_with_parent()


def _end_with_parent() -> None:
    """End this worker when the process that started it has ended, however it did.

    A pool's workers wait for orders through a pipe whose writing end they hold too, so they would wait for ever.
    """
    parent = parent_process()
    if parent is None:
        return

    def watch() -> None:
        wait([parent.sentinel])
        os._exit(1)

    threading.Thread(target=watch, daemon=True).start()


def _ready() -> None:
    """Load what a worker needs, and warm the chart engine up."""
    from generator.publication.session_files import make_ready

    make_ready()


@contextmanager
def at_work(wanted: int | Executor | Workers) -> Iterator[Workers]:
    """Workers for a block: so many local ones, ended with it; or those of somebody else, who will end them."""
    if isinstance(wanted, Workers):
        yield wanted
    elif isinstance(wanted, Executor):
        yield Others(wanted)
    elif wanted < 2:
        yield HERE
    else:
        with Processes(wanted) as ours:
            yield ours
