"""A line that tells how far long work is, on a terminal only."""

from __future__ import annotations

import time
from typing import TextIO

from simfw.quantity import format_rough_time

__all__ = ["Bar"]

WIDTH = 30
EVERY_S = 0.2


class Bar:
    """Shows done and total with the time that is left; nothing where `stream` is no terminal."""

    def __init__(self, stream: TextIO, what: str) -> None:
        self._stream = stream
        self._what = what
        self._shown = stream.isatty()
        self._start = self._last = time.monotonic()
        self._drawn = False

    def __enter__(self) -> Bar:
        return self

    def __exit__(self, *_: object) -> None:
        if self._drawn:
            self._stream.write("\r\x1b[K")  # ECMA-48: back to the start, erase the line
            self._stream.flush()

    def show(self, done: int, total: int) -> None:
        """Tell that `done` of `total` are finished."""
        now = time.monotonic()
        if not self._shown or (now - self._last < EVERY_S and self._drawn):
            return
        self._last, self._drawn = now, True
        filled = WIDTH * done // max(total, 1)
        left = ""
        if done:
            left = f", {format_rough_time((now - self._start) / done * (total - done), 2)} left"
        bar = "=" * filled + " " * (WIDTH - filled)
        self._stream.write(f"\r[{bar}] {done} of {total} {self._what}{left}\x1b[K")
        self._stream.flush()
