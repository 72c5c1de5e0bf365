"""Whoever does the work, results come in the order of the tasks, or somebody is told that they do not come."""

from __future__ import annotations

import os
import time
from collections.abc import Iterator
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest

from generator.executors import HERE, TRIES, NoWorkers, Others, Processes, Workers, at_work


def slower_first(number: int, of: int) -> int:
    """The square, later for smaller numbers."""
    time.sleep(0.002 * (of - number))
    return number * number


def dies_once(mark: str) -> int:
    """Ends its process the first time, without a word."""
    if not Path(mark).exists():
        Path(mark).touch()
        os._exit(1)
    return os.getpid()


def dies() -> None:
    """Ends its process each time."""
    os._exit(1)


def fails(number: int) -> None:
    """Raises."""
    raise ValueError(f"task {number}")


def orders() -> Iterator[tuple[int, int]]:
    return ((number, 12) for number in range(12))


def test_results_come_in_order_and_faults_where_they_belong() -> None:
    with ThreadPoolExecutor(4) as threads:
        for workers in (HERE, Others(threads)):
            assert list(workers.map(slower_first, orders())) == [n * n for n in range(12)]
            with pytest.raises(ValueError, match="task 7"):
                list(workers.map(fails, [(7,), (8,)]))


def test_few_tasks_are_taken_ahead() -> None:
    taken: list[int] = []

    def told() -> Iterator[tuple[int, int]]:
        for order in orders():
            taken.append(order[0])
            yield order

    with ThreadPoolExecutor(2) as threads:
        found = Others(threads).map(slower_first, told(), ahead=2)
        assert next(found) == 0
        assert len(taken) == 2 * 2 + 1
        assert list(found) == [n * n for n in range(1, 12)]


def test_a_process_that_dies_is_replaced_and_its_task_begun_again(tmp_path: Path) -> None:
    with Processes(2) as workers:
        assert not workers.started
        mark = str(tmp_path / "died")
        made = list(workers.map(dies_once, [(mark,)] * 5, ahead=1))
        assert len(made) == 5
        assert os.getpid() not in made


def test_work_that_kills_every_process_is_given_up() -> None:
    with Processes(1) as workers, pytest.raises(NoWorkers, match="memory runs out"):
        list(workers.map(dies, [()]))


class Vanished(Executor):
    """An executor whose workers have gone: tasks are taken, and cancelled."""

    def submit(self, task: Any, /, *args: Any, **named: Any) -> Future[Any]:
        future: Future[Any] = Future()
        future.cancel()
        return future


def test_an_executor_that_gives_up_is_told_plainly() -> None:
    with pytest.raises(NoWorkers, match="gave up"):
        list(Others(Vanished(), 1).map(slower_first, orders()))


def test_starting_others_must_repay() -> None:
    assert not HERE.worth(1000, 40)
    here = Processes(2)
    assert here.worth(40, 40)
    assert not here.worth(39, 40)
    assert not Processes(1).worth(1000, 40)
    with ThreadPoolExecutor(1) as threads:
        assert Others(threads).worth(1, 40), "they were asked for"
        assert not Others(threads).worth(0, 40)
    assert TRIES > 1


def test_a_number_an_executor_or_workers_will_do() -> None:
    with at_work(1) as workers:
        assert workers is HERE
    with at_work(3) as workers:
        assert isinstance(workers, Processes)
        assert workers.count == 3
        with at_work(workers) as same:
            assert same is workers
    with ThreadPoolExecutor(5) as threads, at_work(threads) as others:
        assert others.count == 5
        assert not others.shares
    assert Workers().shares
