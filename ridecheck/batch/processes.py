"""Many tasks over several processes; a process that dies costs only its own task."""

import multiprocessing
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from typing import Any, TypeVar

from ridecheck.core.threads import one_a_process

Task = TypeVar("Task")
Result = TypeVar("Result")


def run_tasks(
    work: Callable[[Task], Result],
    tasks: Sequence[Task],
    *,
    workers: int,
    prepare: Callable[..., None] | None = None,
    prepare_with: tuple[Any, ...] = (),
    killed: Callable[[Task], Result],
) -> Iterator[Result]:
    """Results in any order. work and prepare must be importable by name.

    A task whose process the system ended is tried once more, alone; ended again, its
    result is what ``killed`` says. An exception that work raises is raised here.
    """
    one_a_process()
    waiting = list(reversed(tasks))
    suspects: list[Task] = []
    while waiting:
        pool = _kept_pool(workers, prepare, prepare_with)
        try:
            yield from _until_broken(pool, work, waiting, suspects, workers)
        except BaseException:
            release()
            raise
        if suspects:
            release()
        for task in suspects:
            try:
                with _pool(1, prepare, prepare_with) as pool:
                    yield pool.submit(work, task).result()
            except BrokenProcessPool:
                yield killed(task)
        suspects.clear()


def _until_broken(
    pool: ProcessPoolExecutor,
    work: Callable[[Task], Result],
    waiting: list[Task],
    suspects: list[Task],
    workers: int,
) -> Iterator[Result]:
    """Keep each process busy with one task, so that few are under suspicion when one dies."""
    running: dict[Future[Result], Task] = {}
    try:
        while waiting or running:
            while waiting and len(running) < workers:
                task = waiting.pop()
                try:
                    running[pool.submit(work, task)] = task
                except BrokenProcessPool:
                    waiting.append(task)
                    raise
            done, _ = wait(running, return_when=FIRST_COMPLETED)
            for future in done:
                result = future.result()
                del running[future]
                yield result
    except BrokenProcessPool:
        for future, task in running.items():
            if future.done() and future.exception() is None:
                yield future.result()
            else:
                suspects.append(task)


_KEPT: list[ProcessPoolExecutor] = []


def release() -> None:
    """End the processes that are kept for the next stage."""
    while _KEPT:
        _KEPT.pop().shutdown(wait=True)


def _kept_pool(
    workers: int, prepare: Callable[..., None] | None, prepare_with: tuple[Any, ...]
) -> ProcessPoolExecutor:
    """The processes of the stage before, or new ones."""
    if not _KEPT:
        _KEPT.append(_pool(workers, prepare, prepare_with))
    return _KEPT[0]


def _pool(
    workers: int, prepare: Callable[..., None] | None, prepare_with: tuple[Any, ...]
) -> ProcessPoolExecutor:
    return ProcessPoolExecutor(
        max_workers=workers,
        mp_context=multiprocessing.get_context("spawn"),
        initializer=prepare,
        initargs=prepare_with,
    )
