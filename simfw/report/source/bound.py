"""How many entries the queue of an instant can hold at once.

Every entry gets a weight, at least 1 and at least the sum of the weights of all that handling it
can put into the queue. Then the sum over the queue never grows while it is emptied: an entry is
taken out before what it gives rise to is put in. No more entries than that sum can be there, so the
sum of what an instant begins with bounds the queue. It begins with each input and each running time
once; the watched conditions come in only when it has run empty, and are a beginning of their own.

Weights are the least that satisfy this, found by iteration from 1; where rows multiply events round
a ring there are none, and the queue has no bound.
"""

from __future__ import annotations

from collections.abc import Iterator

from simfw.behaviour.region import Region, Row, System

__all__ = ["always_ends", "queue_bound"]

LARGEST = 120  # heads and counts of the queue stay in 8 bits
Timed = tuple[int, str, int]  # region, state, after_ns


def _timed(region: Region, state: str) -> list[Row]:
    rows = [row for row in region.rows if row.after_ns is not None and state in row.sources]
    return sorted(rows, key=lambda row: row.after_ns or 0)


class _Weights:
    """The weights of all events and of all times that can run out."""

    def __init__(self, system: System) -> None:
        self.system = system
        self.groups: dict[Timed, list[Row]] = {}
        self.heard: dict[str, list[list[tuple[int, Row]]]] = {}
        for number, region in enumerate(system.regions):
            for state in region.states:
                for row in _timed(region, state.name):
                    key = (number, state.name, row.after_ns or 0)
                    self.groups.setdefault(key, []).append(row)
            by_event: dict[str, list[tuple[int, Row]]] = {}
            for row in region.rows:
                if row.on is not None:
                    by_event.setdefault(row.on, []).append((number, row))
            for event, rows in by_event.items():
                self.heard.setdefault(event, []).append(rows)
        events = {*system.raw_events, *system.internal_events, *system.events, *self.heard}
        events |= {event for region in system.regions for row in region.rows for event in row.emit}
        self.event = dict.fromkeys(sorted(events), 1)
        self.group = dict.fromkeys(self.groups, 1)
        self.bounded = self._find()

    def _pushed(self, number: int, row: Row) -> int:
        """The weight of what firing `row` can put into the queue."""
        entered = self.system.regions[number].entered_by(row)
        return sum(self.event[event] for event in row.emit) + max(
            (self.group.get((number, state, 0), 0) for state in entered), default=0
        )

    def _of_group(self, key: Timed) -> int:
        """Rows run in order until one leaves; which one does, its guard decides."""
        kept = most = 0
        for row in self.groups[key]:
            pushed = self._pushed(key[0], row)
            most = max(most, kept + pushed)
            if row.to == "same":
                kept += pushed
            elif row.when is None:
                return most
        return most

    def _round(self) -> bool:
        """Raise each weight to what it has to be; whether any rose."""
        event = {
            name: max(1, sum(max(self._pushed(*row) for row in rows)
                             for rows in self.heard.get(name, ())))
            for name in self.event
        }  # fmt: skip
        group = {key: max(1, self._of_group(key)) for key in self.groups}
        rose = (event, group) != (self.event, self.group)
        self.event, self.group = event, group
        return rose

    def _find(self) -> bool:
        for _ in range(len(self.event) + len(self.group) + 1):
            if not self._round():
                return True
            if max((*self.event.values(), *self.group.values())) > LARGEST:
                return False
        return False

    def _running(self, number: int) -> dict[str, int]:
        """By state, the weights of all times that run in it: two that differ by less than a tick
        of the target run out together.
        """
        found: dict[str, int] = {}
        for (region, state, after_ns), weight in self.group.items():
            if region == number and after_ns:
                found[state] = found.get(state, 0) + weight
        return found

    def begins(self) -> Iterator[int]:
        """What an instant can begin with: at power-up, later, and when the queue has run empty."""
        signals = sum(self.event[event] for event in self.system.raw_events)
        regions = range(len(self.system.regions))
        yield signals + sum(
            self.group.get((n, self.system.regions[n].starts, 0), 0) for n in regions
        )
        yield signals + sum(max(self._running(number).values(), default=0) for number in regions)
        yield sum(
            max(self.event[item.rises], self.event[item.falls]) for item in self.system.conditions
        )


def queue_bound(system: System) -> int | None:
    """The most entries that the queue can hold at once, at least 1; None where no bound is found
    up to 120.
    """
    weights = _Weights(system)
    if not weights.bounded:
        return None
    bound = max(1, *weights.begins())
    return bound if bound <= LARGEST else None


def always_ends(system: System) -> bool:
    """Whether every instant comes to rest, whatever happens: no event or state of no length leads
    round to itself. Watched expressions may turn each other, so with them it is not known.
    """
    if system.conditions or queue_bound(system) is None:
        return False
    weights = _Weights(system)
    leads: dict[object, set[object]] = {event: set() for event in weights.event}

    def add(source: object, number: int, row: Row) -> None:
        found = leads.setdefault(source, set())
        found.update(row.emit)
        zero = {(number, state, 0) for state in system.regions[number].entered_by(row)}
        found.update(zero & weights.group.keys())

    for event, regions in weights.heard.items():
        for rows in regions:
            for number, row in rows:
                add(event, number, row)
    for key, rows_of in weights.groups.items():
        for row in rows_of:
            add(key, key[0], row)
    # Take away what leads nowhere, until nothing is left or only rings are.
    while True:
        ends = {source for source, found in leads.items() if not found}
        if not ends:
            return not leads
        leads = {source: found - ends for source, found in leads.items() if source not in ends}
