"""Looking ahead for the next thing: a scout goes on folded and tells until when nothing happens."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from simfw.engine.observer import Observer
from simfw.engine.plant import Plant
from simfw.engine.prepared import Prepared
from simfw.engine.snapshot import Snapshot
from simfw.engine.stepwise import Stepwise
from simfw.engine.timeline import Change

__all__ = ["MOST_STEPS", "Scout", "Test"]

MOST_STEPS = 20_000
"""So many steps a scout goes: whole folded cycles, or single instants where nothing comes round."""

_EARLIER_NS = 10**9
_EARLIER = 3e-6  # folded, a crossing may come out a millionth of its time earlier or later

Test = Callable[[Sequence[str], Sequence[str], Sequence[str]], bool]
"""Whether it is what one waits for: the states before and after, and the events in between."""


class Scout:
    """Goes ahead of a bench and knows nothing that the bench is not to find out for itself."""

    def __init__(self, prepared: Prepared) -> None:
        self._prepared = prepared
        self._plant: Plant | None = None

    def nothing_until(
        self, saved: Snapshot, changes: Sequence[Change], end_ns: int, test: Test
    ) -> int:
        """A time up to `end_ns` (ns) before which nothing passes `test`, gone from `saved` on.

        `changes` are what has been done and not happened yet.
        """
        heard = _Heard()
        scout = Stepwise(
            self._prepared, saved.base, observers=(heard,), resume=saved, plant=self._plant,
        )
        self._plant = scout.plant
        scout.bring(changes)
        scout.begin()
        names = scout.stepper.names()
        for _ in range(MOST_STEPS):
            before_ns = scout.now
            if not scout.stride(end_ns):
                return end_ns
            after = scout.stepper.names()
            events, heard.events = heard.events, []
            if test(names, after, [name for _, name in events]):
                # What cannot be seen from the events may have come at once.
                told = [time_ns for time_ns, name in events if test(after, after, [name])]
                first_ns = min(told, default=before_ns)
                return max(before_ns, first_ns - _EARLIER_NS - int(first_ns * _EARLIER))
            names = after
        return scout.now


class _Heard(Observer):
    """The events of one step."""

    def __init__(self) -> None:
        self.events: list[tuple[int, str]] = []

    def event(self, time_ns: int, name: str) -> None:
        """Keep it."""
        self.events.append((time_ns, name))
