"""Who does the work of a study: this process, or several on this machine."""

from __future__ import annotations

import multiprocessing
from collections.abc import Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from itertools import islice
from typing import Protocol, Self

from simfw.beside import begin_worker
from simfw.errors import RunError
from simfw.life.work import Outcome, Task, run_task

__all__ = ["AHEAD", "Here", "Processes", "Workers"]

AHEAD = 2  # tasks handed out per worker: one it does, one that waits; so that no list grows


class Workers(Protocol):
    """Does tasks and tells what came of them, in the order in which they end."""

    def run(self, tasks: Iterable[Task]) -> Iterator[list[Outcome]]:
        """Do `tasks`, which are asked for no earlier than they are needed."""
        ...


class Here:
    """The work is done in this process."""

    def run(self, tasks: Iterable[Task]) -> Iterator[list[Outcome]]:
        """Do one task after the other."""
        for task in tasks:
            yield run_task(task)


class Processes:
    """Processes on this machine, for the length of a `with` block."""

    def __init__(self, jobs: int) -> None:
        self._jobs = jobs
        self._before = set(multiprocessing.active_children())
        self._pool = ProcessPoolExecutor(max_workers=jobs, initializer=begin_worker)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, error: object, *_: object) -> None:
        if error is not None:
            # What they still do is wanted no more, and could take minutes.
            for child in set(multiprocessing.active_children()) - self._before:
                child.terminate()
        self._pool.shutdown(cancel_futures=True)

    def run(self, tasks: Iterable[Task]) -> Iterator[list[Outcome]]:
        """Do tasks in all processes at once. Raises RunError where one of them is lost."""
        waiting = iter(tasks)
        try:
            running = {
                self._pool.submit(run_task, task) for task in islice(waiting, AHEAD * self._jobs)
            }
            while running:
                done, running = wait(running, return_when=FIRST_COMPLETED)
                running |= {
                    self._pool.submit(run_task, task) for task in islice(waiting, len(done))
                }
                yield from _results(done)
        except BrokenProcessPool:
            raise RunError(
                "A process that shared the work was ended from outside (no memory left?). "
                "Try fewer --jobs; --keep FILE keeps what is finished."
            ) from None


def _results(done: set[Future[list[Outcome]]]) -> Iterator[list[Outcome]]:
    for future in done:
        yield future.result()
