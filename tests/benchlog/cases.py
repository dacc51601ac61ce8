"""Many cases one after another, told line by line: what all commands of this folder do."""

from __future__ import annotations

import tempfile
import time
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path

__all__ = ["Case", "numbers", "run_cases"]

Case = tuple[str, Callable[[Path], tuple[str, Sequence[str]]]]
"""What a case is called, and what runs it in a folder: what it tells, and what is wrong."""


def numbers(arguments: Sequence[str], *defaults: int) -> tuple[int, ...]:
    """The whole numbers of a command line; those that are not given are the `defaults`."""
    return (*map(int, arguments), *defaults[len(arguments) :])


def run_cases(what: str, cases: Iterable[Case], more: Callable[[], str] = str) -> int:
    """Run `cases`, each in a folder of its own, with a line for each and one for all.

    `more` is told in the last line. Returns 1 where something was wrong.
    """
    count = wrong = 0
    with tempfile.TemporaryDirectory() as folder:
        for name, run in cases:
            began = time.process_time()
            told, faults = run(Path(folder) / str(count))
            count += 1
            wrong += bool(faults)
            print(f"{name}: {told}{', ' if told else ''}{time.process_time() - began:.1f} s; "
                  f"{'; '.join(faults) or 'right'}", flush=True)
    print(f"{count} {what}, {wrong} wrong{more()}")
    return int(wrong > 0)
