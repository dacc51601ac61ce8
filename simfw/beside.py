"""Work that another process does while this one goes on with something else."""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
from collections.abc import Callable
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import suppress
from functools import partial
from multiprocessing.process import BaseProcess
from typing import Generic, ParamSpec, Self, TypeVar

__all__ = ["Beside", "begin_worker", "usable_cores"]

P = ParamSpec("P")
T = TypeVar("T")


class Beside(Generic[T]):
    """A function called in another process, for the length of a `with` block.

    `result` waits for what it returns, or raises what it raises. On a machine with one core,
    or where no process can be made or it is lost, the function is called here when the result is
    asked for. So the function must be pure, and its arguments and result fit to be sent (pickled).
    """

    def __init__(self, function: Callable[P, T], *args: P.args, **kwargs: P.kwargs) -> None:
        self._call: Callable[[], T] = partial(function, *args, **kwargs)
        self._pool: ProcessPoolExecutor | None = None
        self._future: Future[T] | None = None
        self._before = set(multiprocessing.active_children())
        if usable_cores() > 1:
            # Some machines let nobody make processes, or the semaphores between them.
            with suppress(OSError, ImportError, NotImplementedError):
                self._pool = ProcessPoolExecutor(max_workers=1, initializer=begin_worker)
                self._future = self._pool.submit(function, *args, **kwargs)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, error: object, *_: object) -> None:
        if self._pool is None:
            return
        if error is not None:  # nobody waits for it any more
            for child in set(multiprocessing.active_children()) - self._before:
                child.terminate()
        self._pool.shutdown(wait=error is not None, cancel_futures=True)

    def result(self) -> T:
        """What the function returns."""
        if self._future is None:
            return self._call()
        try:
            return self._future.result()
        except BrokenProcessPool:
            return self._call()


def usable_cores() -> int:
    """How many cores this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def begin_worker() -> None:
    """To be called first in each process that works for another one.

    Ctrl-C reaches all processes of a terminal, and only the first one acts on it. A worker ends
    with the process that it works for, however that ends: it would wait for work for ever.
    """
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    parent = multiprocessing.parent_process()
    if parent is not None:
        threading.Thread(target=_follow, args=(parent,), daemon=True).start()


def _follow(parent: BaseProcess) -> None:
    parent.join()
    os._exit(1)
