"""A contact that moves at an even pace, so that every so many strokes take just as long as a time.

What counts strokes comes round after so many of them, and may do again what has begun a time while
that runs: a little before its end, in the very instant, or a little after.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import product

from simfw.gadget.model import Gadget
from simfw.vectors.closing import settle_ns
from simfw.vectors.nodes import Found
from simfw.vectors.sketch import Act

__all__ = ["Hurried"]

MS = 1_000_000
BEGINS_NS = 1000 * MS
LONGEST_NS = 60_000 * MS  # a time that is filled with strokes
MOST_STROKES = 64
ROUNDS = 3
SHARES = (1000, 930, 995, 1005, 1050)  # of the time, in thousandths


class Hurried:
    """Makes such courses."""

    def __init__(self, gadget: Gadget) -> None:
        self.gadget = gadget
        self.counts = dict.fromkeys(
            [*(dial.count or len(dial.values) for dial in gadget.dials.values()), 1, 2])

    def courses(self, times_ns: Iterable[int]) -> Iterator[Found]:
        """Courses for times, shortest first; those that no contact is quick enough for left out."""
        times = sorted(time for time in set(times_ns) if time <= LONGEST_NS)
        names = (*self.gadget.buttons,
                 *(name for name, one in self.gadget.toggles.items() if not one.in_supply))
        for time_ns, name, count, share in product(times, names, self.counts, SHARES):
            pace_ns = time_ns * share // (1000 * count)
            rest_ns = settle_ns(self.gadget, name) + MS
            if pace_ns > 2 * rest_ns and ROUNDS * count <= MOST_STROKES:
                yield self._course(name, pace_ns, min(pace_ns // 2, 2 * rest_ns), ROUNDS * count,
                                   time_ns)

    def _course(self, name: str, pace_ns: int, closed_ns: int, strokes: int, time_ns: int) -> Found:
        acts = [Act(BEGINS_NS + number * pace_ns + at_ns, "contact", name, on)
                for number in range(strokes) for at_ns, on in ((0, 1.0), (closed_ns, 0.0))]
        ends_ns = acts[-1].at_ns + 2 * time_ns + BEGINS_NS
        return Found(charge=0.5, acts=tuple(acts), ends_ns=ends_ns, covers=frozenset())
