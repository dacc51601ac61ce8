"""Lines are counted while a test comes to new ones, and now and then to see whether it does again.

Counting makes a test take two to five times as long, and most of what takes long goes again and
again through the same lines: a search, a law that is drawn by the hundred, a year that is lived.
So a test is looked at after every tick of its processor time. Where nothing new was come to in a
few, the next ones go uncounted, then one is counted, and while nothing new comes more are left out
each time. What is counted is what was run; what is come to only once in a long test may be left
out, so that the percentage errs to the low side.
"""

from __future__ import annotations

import contextlib
import importlib
import pkgutil
import signal
import threading
from collections.abc import Iterator
from types import FrameType

from coverage import Coverage

import simfw

__all__ = ["begin", "uncounted", "uncounted_from_here", "while_new"]

TICK_S = 0.02
DULL = 25  # ticks with nothing new before any is left out
FIRST, MOST = 2, 4  # ticks that are left out
_stopped: Coverage | None = None
_known = -1
_left = 0
_dull = 0
_pause = FIRST
_held = 0
_threads = 0


def begin() -> None:
    """Note what threads there are before any test: one that serves a test is counted to its end.

    A module is imported once: each is now, so that none is while nothing is counted.
    """
    global _threads
    if Coverage.current() is not None:
        for module in pkgutil.walk_packages(simfw.__path__, "simfw."):
            if module.name != "simfw.__main__":
                importlib.import_module(module.name)
    _threads = threading.active_count()
    signal.signal(signal.SIGVTALRM, _look)


def _come_to(counting: Coverage) -> int:
    """How many steps from line to line there are in all that was counted here."""
    return sum(map(len, counting._collector.data.values()))


def _look(number: int, frame: FrameType | None) -> None:
    """Stop counting where the last tick came to nothing new, or begin again."""
    global _dull, _known, _left, _pause, _stopped
    if _held:
        return
    counting = Coverage.current()
    if counting is not None:
        before, _known = _known, _come_to(counting)
        if before != _known:
            _pause, _dull = FIRST, 0
            return
        _dull += 1
        if _dull >= DULL and threading.active_count() <= _threads:  # others are not counted anew
            counting.stop()
            _stopped, _left, _pause = counting, _pause, min(2 * _pause, MOST)
    elif _stopped is not None:
        _left -= 1
        if not _left:
            _begin_again()


def _begin_again() -> None:
    global _stopped
    if _stopped is not None:
        stopped, _stopped = _stopped, None
        stopped.start()


@contextlib.contextmanager
def while_new() -> Iterator[None]:
    """Let what runs in the block be counted while it comes to new lines."""
    global _dull, _known, _pause
    _dull, _known, _pause = 0, -1, FIRST
    signal.setitimer(signal.ITIMER_VIRTUAL, TICK_S, TICK_S)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_VIRTUAL, 0)
        _begin_again()


@contextlib.contextmanager
def uncounted() -> Iterator[None]:
    """Let what runs in the block be left out of the count of covered lines."""
    global _held
    counting = Coverage.current()
    _held += 1
    if counting is not None:
        counting.stop()
    try:
        yield
    finally:
        _held -= 1
        if counting is not None:
            counting.start()


def uncounted_from_here() -> None:
    """To be called in a child of a test: the lines that it counted would go with it."""
    counting = Coverage.current()
    if counting is not None:
        counting.stop()
