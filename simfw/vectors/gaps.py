"""The least time between two events that one region makes, by its rows alone.

From where the row stands that makes the first, the region has to come to where the other is made:
ends of times on the way take as long as they are, all else may come at once.
"""

from __future__ import annotations

from heapq import heappop, heappush

from simfw.behaviour.region import Region, Row, System

__all__ = ["Gaps"]

_Heard = tuple[tuple[str, str, int], ...]  # by region: an event, and when it was heard


class Gaps:
    """The gaps between the events of a system. `but` is a region whose rows may not be walked as
    they are written.
    """

    def __init__(self, system: System, but: str) -> None:
        self.system = system
        self.but = but
        self._known: dict[tuple[str, str], int] = {}
        self._makers: dict[str, str] = {}
        self._far: dict[str, int] = {}

    def heard(self, before: _Heard, event: str | None, at_ns: int) -> _Heard:
        """What has been heard last of each region, and when, at the earliest: with an event more;
        None stands for anything else.
        """
        maker = "" if event is None else self._maker(event)
        now = [] if not maker or event is None else [(maker, event, at_ns)]
        return tuple(sorted((*now, *(one for one in before if one[0] != maker
                                     and one[2] + self._longest(one[0]) > at_ns))))

    def until(self, heard: _Heard, event: str) -> int:
        """When an event can be heard at the earliest behind what has been heard."""
        return max((at_ns + self._between(one, event) for maker, one, at_ns in heard
                    if maker == self._maker(event)), default=0)

    def _longest(self, maker: str) -> int:
        """The longest gap between two events of a region: what is further back says nothing."""
        if maker not in self._far:
            events = {event for row in self.system.region(maker).rows for event in row.emit
                      if self._maker(event) == maker}
            self._far[maker] = max(self._between(one, then) for one in events for then in events)
        return self._far[maker]

    def _maker(self, event: str) -> str:
        """The region that makes an event, as it is written; "" where that is not one alone."""
        if event not in self._makers:
            making = {region.name: region for region in self.system.every for row in region.rows
                      if event in row.emit}
            outside = event in self.system.raw_events or any(
                event in (one.rises, one.falls) for one in self.system.conditions)
            (name, region), *others = making.items() or [("", None)]
            self._makers[event] = "" if (
                outside or others or region is None or name == self.but or region.kept is not None
                or any(row.to == "resume" for row in region.rows)) else name
        return self._makers[event]

    def _between(self, first: str, then: str) -> int:
        """The least time from where one event of a region is heard until another is behind it."""
        if (first, then) not in self._known:
            region = self.system.region(self._maker(first))
            both = [[row for row in region.rows if event in row.emit] for event in (first, then)]
            together = any(sum(row.emit.count(event) for event in {first, then}) > 1
                           for row in region.rows)
            self._known[first, then] = 0 if together else _way(region, *both)
        return self._known[first, then]


def _way(region: Region, first: list[Row], then: list[Row]) -> int:
    """The least time from when one of some rows fires until one of others does behind it."""
    waiting = [(0, to) for row in first for to in region.entered_by(row)]
    if any(row.to == "same" for row in first):
        return 0  # the stay that counts has begun before
    away: dict[str, int] = {}
    found = list[int]()
    while waiting:
        now, state = heappop(waiting)
        if state in away:
            continue
        away[state] = now
        found += [now + (row.after_ns or 0) for row in then if state in row.sources]
        for row in region.rows:
            if state in row.sources:
                for to in region.entered_by(row):
                    heappush(waiting, (now + (row.after_ns or 0), to))
    return min(found, default=0)  # where nothing leads there nothing is said
