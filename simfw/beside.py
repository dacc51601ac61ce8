"""Work that another process does while this one goes on with something else."""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
from collections.abc import Callable
from contextlib import suppress
from functools import partial
from multiprocessing import Pipe, Process
from multiprocessing.connection import Connection
from multiprocessing.process import BaseProcess
from typing import Generic, ParamSpec, Self, TypeVar, cast

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
        self._worker: BaseProcess | None = None
        self._reader: Connection | None = None
        if usable_cores() > 1:
            # Some machines let nobody make processes.
            with suppress(OSError, ImportError, NotImplementedError):
                self._start()

    def _start(self) -> None:
        reader, writer = Pipe(duplex=False)
        try:
            worker = Process(target=_work, args=(self._call, writer), daemon=True)
            worker.start()
        except BaseException:
            reader.close()
            raise
        finally:
            # Only the worker holds this end now: it closes with the worker, however that ends,
            # and who reads then sees an end, also in the middle of what was being sent.
            writer.close()
        self._worker, self._reader = worker, reader

    def __enter__(self) -> Self:
        return self

    def __exit__(self, error: object, *_: object) -> None:
        if self._worker is None or self._reader is None:
            return
        self._reader.close()
        self._worker.terminate()  # nobody waits for it any more
        self._worker.join()

    def result(self) -> T:
        """What the function returns."""
        if self._reader is None:
            return self._call()
        try:
            done, value = self._reader.recv()
        except (EOFError, OSError):
            return self._call()
        if not done:
            raise value
        return cast(T, value)


def _work(call: Callable[[], object], writer: Connection) -> None:
    """What the other process does: send what the call returns or raises, and end."""
    begin_worker()
    try:
        answer = True, call()
    except Exception as error:
        answer = False, error
    writer.send(answer)


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
