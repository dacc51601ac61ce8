"""How much a check may do. What is counted is work, so that the same file gives the same answer.

A unit of work is about what ten microseconds of one processor do: an instant of the search that is
run counts `INSTANT`, a zone that is made counts `ZONE`, what is asked of the order of things in one
instant counts `ORDER`, an instant of the full model `MODEL`, a run of it `RUN` on top. A limit of
time can be added; where it was what ended something, `timed_out` says so.
"""

from __future__ import annotations

from collections.abc import Callable

__all__ = ["INSTANT", "MODEL", "MOST_BYTES", "ORDER", "RUN", "ZONE", "Budget"]

INSTANT = 6
ZONE = 1
ORDER = 2
MODEL = 4
RUN = 30
MOST_BYTES = 120_000_000
"""What one search may keep, reckoned from the number and the length of what it keeps."""


class Budget:
    """An amount of work that can be shared out; what a share spends, its whole spends.

    `clock` returns seconds and never goes back; with it the whole ends after `seconds` as well.
    """

    def __init__(
        self, work: int, *, clock: Callable[[], float] | None = None, seconds: float = 0.0,
        whole: Budget | None = None,
    ) -> None:
        self._left = max(0, work)
        self._whole = whole
        self._clock = clock
        self._end = 0.0 if clock is None else clock() + seconds
        self._timed_out = False

    def spend(self, work: int) -> None:
        """Take note of work that was done."""
        self._left -= work
        if self._whole is not None:
            self._whole.spend(work)

    def left(self) -> int:
        """Units left, 0 or more."""
        left = max(0, self._left)
        return left if self._whole is None else min(left, self._whole.left())

    def over(self) -> bool:
        """Whether the work is done, or the time is up."""
        if self._whole is not None:
            return self._left <= 0 or self._whole.over()
        if self._clock is not None and not self._timed_out:
            self._timed_out = self._clock() >= self._end
        return self._left <= 0 or self._timed_out

    @property
    def timed_out(self) -> bool:
        """Whether it was the time that ended something."""
        return self._timed_out if self._whole is None else self._whole.timed_out

    def part(self, share: float, most: int | None = None) -> Budget:
        """A budget of `share` of what is left, at most `most` units."""
        work = int(self.left() * share)
        return Budget(work if most is None else min(work, most), whole=self)
