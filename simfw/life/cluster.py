"""Work on other machines: tasks go to the workers of a dask scheduler that is already running.

Whatever a lost worker had in hand is done again by another one, so that it costs time and no
results. The library (`distributed`, the extra `cluster`) is imported when a cluster is asked for.
"""

from __future__ import annotations

import asyncio
import importlib
import logging
from collections.abc import Iterable, Iterator
from concurrent.futures import CancelledError
from itertools import islice
from typing import Any, Self

from simfw.errors import RunError, UsageError
from simfw.life.work import Outcome, Task, run_task

__all__ = ["Cluster"]

ANSWER_S = 5.0  # how long a scheduler may take to answer
WORKERS_S = 20.0  # and how long to wait for its first worker
LOGS = ("asyncio", "distributed", "distributed.client")
PORT = 8786  # what a scheduler listens on unless told otherwise
AHEAD = 2  # tasks handed out per worker: one it does, one that waits; so that no list grows


class Cluster:
    """The workers of the scheduler at `address` (HOST:PORT or tcp://..., tls://...).

    For the length of a `with` block. Raises UsageError where there is no such scheduler or it has
    no workers.
    """

    def __init__(self, address: str) -> None:
        self._address = address
        self._library = _library()
        found = _asked(address, self._library)
        if found.get("type") != "Scheduler":
            raise UsageError(
                f"--cluster {address}: a {str(found.get('type')).lower()} answers there, no "
                "scheduler. Give the address of the scheduler, which it prints when it starts."
            )
        # What the library would say about lost workers is no concern of who asked for a study.
        self._levels = {name: logging.getLogger(name).level for name in LOGS}
        self._set_levels(dict.fromkeys(LOGS, logging.CRITICAL))
        self._client = self._library.Client(address, timeout=ANSWER_S, set_as_default=False)
        try:
            self._client.wait_for_workers(1, timeout=WORKERS_S)
        except TimeoutError:
            self._close()
            raise UsageError(
                f"--cluster {address}: the scheduler there has no workers. Start some, with simfw "
                f"installed for scheduler and workers: dask worker {address}"
            ) from None

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._close()

    def _close(self) -> None:
        self._client.close()  # the scheduler drops what nobody waits for
        self._set_levels(self._levels)

    def _set_levels(self, levels: dict[str, int]) -> None:
        for name, level in levels.items():
            logging.getLogger(name).setLevel(level)

    def run(self, tasks: Iterable[Task]) -> Iterator[list[Outcome]]:
        """Do tasks on all workers at once, whoever comes and goes meanwhile.

        Raises RunError where workers are lost again and again, or the scheduler is.
        """
        waiting = iter(tasks)
        running: set[Any] = set()
        while True:
            try:
                wanted = AHEAD * sum(self._client.nthreads().values())
                for task in islice(waiting, max(0, max(1, wanted) - len(running))):
                    running.add(self._client.submit(run_task, task, pure=False))
                if not running:
                    return
                with self._client.as_current():
                    done, running = self._library.wait(running, return_when="FIRST_COMPLETED")
            except OSError:
                raise self._gone() from None
            for future in done:
                yield self._result(future)

    def _gone(self) -> RunError:
        return RunError(
            f"--cluster {self._address}: the scheduler answers no more. --keep FILE keeps what is "
            "finished."
        )

    def _result(self, future: Any) -> list[Outcome]:
        try:
            found: list[Outcome] = future.result()
        except CancelledError:
            raise self._gone() from None
        except self._library.KilledWorker:
            raise RunError(
                f"--cluster {self._address}: several workers in a row were lost over the same "
                "users (no memory left?). --keep FILE keeps what is finished."
            ) from None
        except (ModuleNotFoundError, RuntimeError) as error:
            missing = error if isinstance(error, ModuleNotFoundError) else error.__cause__
            if not isinstance(missing, ModuleNotFoundError):
                raise
            raise RunError(
                f'--cluster {self._address}: the scheduler or a worker has no "{missing.name}". '
                "Install simfw with the same packages for the scheduler and the workers as here."
            ) from None
        return found


def _library() -> Any:
    try:
        return importlib.import_module("distributed")
    except ModuleNotFoundError:
        raise UsageError(
            '--cluster needs the extra "cluster": pip install "simfw[cluster]".'
        ) from None


def _asked(address: str, library: Any) -> dict[str, Any]:
    """What the server at `address` says that it is.

    Asked before a client is made, since a client waits without end for a server of another kind.
    """

    async def ask() -> dict[str, Any]:
        arguments = library.Security().get_connection_args("client")
        server = library.rpc(address, timeout=ANSWER_S, connection_args=arguments)
        async with server as answering:
            return dict(await answering.identity())

    try:
        return asyncio.run(asyncio.wait_for(ask(), ANSWER_S + 1.0))
    except ValueError as error:
        raise UsageError(
            f"--cluster {address}: this is not the address of a scheduler ({error}). "
            f"Write HOST:PORT, for example 192.0.2.7:{PORT}."
        ) from None
    except (OSError, EOFError, MemoryError, TimeoutError):
        # A server of another kind may say anything, for instance that 3 EB are to come.
        raise UsageError(
            f"--cluster {address}: no scheduler answers there. Start one with "
            f'"dask scheduler", or give its address (HOST:PORT, as it prints it).'
        ) from None
