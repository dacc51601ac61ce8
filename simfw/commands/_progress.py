"""A line that tells how far long work is, on a terminal only."""

from __future__ import annotations

import os
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
        self._shown = stream.isatty() and os.environ.get("TERM") != "dumb"
        self._start = self._last = time.monotonic()
        self._before: int | None = None  # what was done when it began
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
        if self._before is None:
            self._before, self._start = done, now
        if not self._shown or (now - self._last < EVERY_S and self._drawn):
            return
        self._last = now
        filled = WIDTH * done // max(total, 1)
        left = ""
        if done > self._before:
            left_s = (now - self._start) / (done - self._before) * (total - done)
            left = f", {format_rough_time(max(1.0, left_s), 2)} left"
        bar = "=" * filled + " " * (WIDTH - filled)
        self._draw(f"[{bar}] {done} of {total} {self._what}{left}")

    def tell(self, what: str) -> None:
        """Tell what goes on now that takes its time; how long is not known."""
        if self._shown:
            self._draw(f"{what} ...")

    def _draw(self, text: str) -> None:
        self._drawn = True
        self._stream.write(f"\r{text}\x1b[K")
        self._stream.flush()
