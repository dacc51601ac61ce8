"""One mutant after the other, in this process or in workers with bounds on time and memory.

Time is that of the processor, so that a busy machine finds the same failures.
"""

from __future__ import annotations

import contextlib
import io
import multiprocessing
import os
import random
import resource
import signal
import tempfile
import time
import traceback
import warnings
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from simfw.beside import begin_worker
from simfw.cli import main
from tests.fuzz.kinds import KINDS, Kind, bench, workshop
from tests.fuzz.mutate import mutated, mutated_archive

__all__ = ["Failure", "Tally", "many", "mutant", "one"]

SECONDS = 10
BYTES = 500_000_000


@dataclass(frozen=True, slots=True)
class Failure:
    """A mutant that did what none may: its kind, its number, and what happened."""

    kind: str
    number: int
    seed: int
    what: str


@dataclass(slots=True)
class Tally:
    """What came of some mutants: exit statuses, failures, the longest time, the most memory."""

    statuses: dict[str, int] = field(default_factory=dict)
    failures: list[Failure] = field(default_factory=list)
    longest_s: float = 0.0
    slowest: str = ""
    most_bytes: int = 0

    def add(self, other: Tally) -> None:
        """Put another tally to this one."""
        for status, count in other.statuses.items():
            self.statuses[status] = self.statuses.get(status, 0) + count
        self.failures += other.failures
        if other.longest_s > self.longest_s:
            self.longest_s, self.slowest = other.longest_s, other.slowest
        self.most_bytes = max(self.most_bytes, other.most_bytes)


def mutant(kind: Kind, number: int, seed: int, valid: bytes) -> bytes:
    """The content of a mutant: the same for the same number and seed."""
    chance = random.Random(f"{seed} {kind.name} {number}")
    others = [other.valid for other in KINDS if other.valid]
    change = mutated_archive if kind.name == "sr" else mutated
    return change(valid, chance, others)


def one(kind: Kind, number: int, seed: int, folder: Path) -> str:
    """Let a command read a mutant in a `workshop`; its exit status. Raises what it must not."""
    path = folder / kind.file
    if not kind.commands:
        compare, valid = bench(folder)
        path.write_bytes(mutant(kind, number, seed, valid))
        return f"{kind.name} {'agrees' if compare() == 'None' else 'differs'}"
    path.write_bytes(mutant(kind, number, seed, kind.valid))
    try:
        return f"{kind.name} {_run(kind.commands[number % len(kind.commands)], folder)}"
    finally:
        path.write_bytes(kind.valid)


def _run(command: Sequence[str], folder: Path) -> int:
    """A command line in a folder: its exit status."""
    told, said = io.StringIO(), io.StringIO()
    with (contextlib.chdir(folder), contextlib.redirect_stdout(told),
          contextlib.redirect_stderr(said)):  # fmt: skip
        status = main(command)
    assert status in (0, 1, 2), f"exit status {status}"
    assert status != 2 or said.getvalue(), "exit status 2 without a word"
    assert "Cannot write the output" not in said.getvalue(), said.getvalue()
    told.getvalue().encode()  # what is printed can be printed
    said.getvalue().encode()
    return status


def _several(numbers: range, seed: int, names: frozenset[str]) -> Tally:
    """Mutants one by one, each with its bounds; for a worker."""
    tally = Tally()
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    kinds = [kind for kind in KINDS if kind.name in names]
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        workshop(folder)
        for kind in kinds:  # what is loaded once is no mutant's doing
            for command in kind.commands:
                _run(command, folder)
        bench(folder)
        warnings.simplefilter("error")
        warnings.simplefilter("ignore", UserWarning)  # about the archives that are made here
        signal.signal(signal.SIGPROF, _too_long)
        signal.signal(signal.SIGALRM, _too_long)
        for number in numbers:
            kind = kinds[number % len(kinds)]
            begun, standing = time.process_time(), _held()
            resource.setrlimit(resource.RLIMIT_AS, (standing + BYTES, resource.RLIM_INFINITY))
            signal.setitimer(signal.ITIMER_PROF, SECONDS)
            signal.alarm(20 * SECONDS)
            try:
                status = one(kind, number, seed, folder)
                tally.statuses[status] = tally.statuses.get(status, 0) + 1
            except BaseException:
                _no_bounds()
                what = traceback.format_exc(limit=-6)
                tally.failures.append(Failure(kind.name, number, seed, what))
                if kind.valid:
                    (folder / kind.file).write_bytes(kind.valid)
            finally:
                _no_bounds()
            lasted = time.process_time() - begun
            if lasted > tally.longest_s:
                tally.longest_s, tally.slowest = lasted, f"{kind.name} {number}"
            tally.most_bytes = max(tally.most_bytes, _peak())
    return tally


class TooLongError(BaseException):
    """A mutant took longer than any may, of processor time or waiting.

    No `except Exception` takes it for something else.
    """


def _too_long(_number: int, _frame: object) -> None:
    raise TooLongError(f"longer than {SECONDS} s")


def _no_bounds() -> None:
    signal.setitimer(signal.ITIMER_PROF, 0)
    signal.alarm(0)
    resource.setrlimit(resource.RLIMIT_AS, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))


def _held() -> int:
    """The size of this process's memory (bytes of addresses)."""
    pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[0])
    return pages * os.sysconf("SC_PAGE_SIZE")


def _peak() -> int:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024


def many(count: int, seed: int, *, jobs: int = 1, only: str = "", start: int = 0,
         batch: int = 180) -> Iterator[tuple[int, Tally]]:
    """Mutants by the batch, each batch in a process of its own; how many are done, and the tally.

    A process that dies is a failure of its batch.
    """
    names = frozenset(kind.name for kind in KINDS if not only or kind.name == only)
    batches = [range(first, min(first + batch, start + count))
               for first in range(start, start + count, batch)]
    done = 0
    context = multiprocessing.get_context("spawn")
    with context.Pool(jobs, initializer=begin_worker, maxtasksperchild=1) as pool:
        waiting = [(numbers, pool.apply_async(_several, (numbers, seed, names)))
                   for numbers in batches]
        for numbers, result in waiting:
            try:
                tally = result.get(timeout=3600)
            except Exception as error:
                tally = Tally(failures=[Failure("batch", numbers.start, seed, repr(error))])
            done += len(numbers)
            yield done, tally
