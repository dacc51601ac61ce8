"""Who does the work of a study: this process, or several on this machine."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from multiprocessing import Pipe, Process
from multiprocessing.connection import Connection, wait
from typing import Protocol, Self

from simfw.beside import begin_worker
from simfw.errors import RunError
from simfw.life.work import Outcome, Task, run_task

__all__ = ["Here", "Processes", "Workers"]


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
    """Processes on this machine, for the length of a `with` block.

    Each has a pipe of its own, whose far end only it holds: however it ends, also in the middle of
    what it sends, the pipe ends with it, and nobody else waits for a lock that it took along.
    """

    def __init__(self, jobs: int) -> None:
        self._jobs = jobs
        self._workers: dict[Connection, Process] = {}

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        # What they still do is wanted no more, and could take minutes.
        for worker in self._workers.values():
            worker.terminate()
        for pipe, worker in self._workers.items():
            worker.join()
            pipe.close()

    def run(self, tasks: Iterable[Task]) -> Iterator[list[Outcome]]:
        """Do tasks in all processes at once. Raises RunError where one of them is lost."""
        waiting = iter(tasks)
        working: set[Connection] = set()
        for pipe in self._pipes():
            working |= _handed(pipe, waiting)
        while working:
            for ready in wait(list(working)):
                assert isinstance(ready, Connection)
                with _told():
                    done, found = ready.recv()
                working.discard(ready)
                if not done:
                    raise found
                working |= _handed(ready, waiting)
                yield found

    def _pipes(self) -> Iterator[Connection]:
        """The pipes to the processes, which are made where they are not there yet."""
        yield from list(self._workers)
        while len(self._workers) < self._jobs:
            here, there = Pipe()
            worker = Process(target=_work, args=(there,), daemon=True)
            try:
                worker.start()
            except BaseException:
                here.close()
                raise
            finally:
                there.close()
            self._workers[here] = worker
            yield here


@contextmanager
def _told() -> Iterator[None]:
    """Raise RunError where the process at the other end of a pipe is lost."""
    try:
        yield
    except (EOFError, OSError):
        raise RunError(
            "A process that shared the work was ended from outside (no memory left?). "
            "Try fewer --jobs; --keep FILE keeps what is finished."
        ) from None


def _handed(pipe: Connection, waiting: Iterator[Task]) -> set[Connection]:
    """Hand the next task to the process at a pipe; empty where there is none."""
    for task in waiting:
        with _told():
            pipe.send(task)
        return {pipe}
    return set()


def _work(pipe: Connection) -> None:
    """What such a process does: one task after the other, and tell what came of it."""
    begin_worker()
    with suppress(EOFError, OSError):
        while True:
            task = pipe.recv()
            try:
                answer: tuple[bool, object] = True, run_task(task)
            except Exception as error:
                answer = False, error
            pipe.send(answer)
