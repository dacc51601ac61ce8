"""How long a check may take. The clock is handed in, so that nothing here reads the time itself."""

from __future__ import annotations

from collections.abc import Callable

__all__ = ["Budget"]


class Budget:
    """A stretch of time that can be shared out. `clock` returns seconds and never goes back."""

    def __init__(self, clock: Callable[[], float], seconds: float) -> None:
        self._clock = clock
        self._end = clock() + seconds

    def left(self) -> float:
        """Seconds left, 0 or more."""
        return max(0.0, self._end - self._clock())

    def over(self) -> bool:
        """Whether the time is up."""
        return self._clock() >= self._end

    def part(self, share: float, most: float = float("inf")) -> Budget:
        """A budget of `share` of what is left, at most `most` seconds."""
        return Budget(self._clock, min(most, self.left() * share))
