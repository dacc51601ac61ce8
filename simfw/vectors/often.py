"""How often regions may tell something in one instant, and when, as far as their rows tell.

An input moves once in an instant, a time ends once in it, and the row that it fires leaves its
state; an event is answered once by each region; a state is left at once as often as it is entered.
In the instant of power-up no time has ended yet, and in no other a region enters the state that it
starts in without a row. Where events follow from each other in a ring there is no such number.

What is in the queue to begin with is its first **round**, what comes of that is the second, and so
on; what conditions tell begins anew.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial

from simfw.behaviour.region import Region, Row, System

__all__ = ["ROUNDS", "SECOND", "Often", "Telling"]

EDGES = 1  # of one input in one instant, as the line protocol promises
ROUNDS = 8  # that are told apart; from the last of them on no more
SECOND = 2


@dataclass(frozen=True, slots=True)
class Telling:
    """Who tells an event: regions, or its condition; how often at most within one instant (a
    condition: before all of them are read anew), and how often there any `of` the events that the
    same ones tell. None where there is no such number. It may be told in some `rounds`, in the
    second behind what some `turns` have put there: those of regions by `Often.turns`, -1 of inputs.
    It is told `anew` where that may follow from what conditions tell.
    """

    event: str
    makers: tuple[str, ...]
    most: int | None
    of: int | None
    rounds: frozenset[int]
    turns: frozenset[int]
    anew: bool


class Often:
    """Counts for one system."""

    def __init__(self, system: System) -> None:
        self._raw = frozenset(system.raw_events)
        self._told = frozenset(event for one in system.conditions
                               for event in (one.rises, one.falls))
        self._regions = system.every
        self._makers: dict[str, tuple[str, ...]] = {}
        for region in system.every:
            for event in {event for row in region.rows for event in row.emit}:
                self._makers[event] = (*self._makers.get(event, ()), region.name)
        self._known: dict[object, int | None] = {}
        self.turns = {self._regions[number].name: turn
                      for turn, number in enumerate(system.turns)}
        self._when: dict[str, set[int]] = {event: {1} for event in self._raw}
        self._behind: dict[str, set[int]] = {event: {-1} for event in self._raw}
        self._anew = set(self._told)
        self._follow()

    def _follow(self) -> None:
        """In which rounds each event may be told, behind whose turns, and which may be anew."""
        entered: dict[tuple[str, str], set[int]] = {}
        anew: set[tuple[str, str]] = set()
        for region in self._regions:
            for state in ([one.name for one in region.states] if region.kept
                          else [region.starts]):
                entered[region.name, state] = {0}
        size = -1
        while size != (size := len(self._anew) + len(anew) + sum(
                len(one) for one in (*self._when.values(), *entered.values(),
                                     *self._behind.values()))):
            for region in self._regions:
                for row in region.rows:
                    self._fires_at(region, row, entered, anew)

    def _fires_at(self, region: Region, row: Row, entered: dict[tuple[str, str], set[int]],
                  anew: set[tuple[str, str]]) -> None:  # fmt: skip
        behind: set[int] = set()
        if row.on is not None:
            rounds = set(self._when.get(row.on, ()))
            later = row.on in self._anew
            if row.on in self._raw:
                behind = {-1}
        elif row.after_ns:
            rounds, later, behind = {1}, False, {self.turns[region.name]}
        else:
            places = [(region.name, state) for state in row.sources]
            rounds = {min(one + 1, ROUNDS) for place in places for one in entered.get(place, ())}
            later = not anew.isdisjoint(places)
            if 1 in rounds:
                behind = {self.turns[region.name]}
        for state in region.entered_by(row):
            entered.setdefault((region.name, state), set()).update(rounds)
            if later:
                anew.add((region.name, state))
        for event in row.emit:
            self._when.setdefault(event, set()).update(min(one + 1, ROUNDS) for one in rounds)
            self._behind.setdefault(event, set()).update(behind)
            if later:
                self._anew.add(event)

    def telling(self, events: Sequence[str], core: Collection[str]) -> Iterator[Telling]:
        """Of each of these events how those who are not in the `core` may tell it."""
        def makers(event: str) -> tuple[str, ...]:
            return (*([event] if event in self._told else ()),
                    *(name for name in self._makers.get(event, ()) if name not in core))

        for event in events:
            mine = makers(event)
            alike = [one for one in events if makers(one) == mine]
            yield Telling(event, mine, self._most([event], mine), self._most(alike, mine),
                          frozenset(self._when.get(event, ())),
                          frozenset(self._behind.get(event, ())), event in self._anew)

    def _most(self, events: Sequence[str], makers: Collection[str]) -> int | None:
        """How often some makers tell any of these events, in an instant of any kind."""
        counts = [self._tells(events, makers, power_up=power_up) for power_up in (False, True)]
        return None if None in counts else max(count for count in counts if count is not None)

    def _tells(self, events: Collection[str], makers: Collection[str], *, power_up: bool
               ) -> int | None:  # fmt: skip
        found: list[int | None] = [1] * len(self._told.intersection(events, makers))
        for region in self._regions:
            if region.name not in makers:
                continue
            rows = [row for row in region.rows if not set(events).isdisjoint(row.emit)]
            fires = self._fires(region, rows, power_up=power_up)
            found.append(None if fires is None else fires * max(
                (sum(event in events for event in row.emit) for row in rows), default=0))
        return _sum(found)

    def _once(self, key: object, count: Callable[[], int | None]) -> int | None:
        """Counted once; none while it is being counted, since it then follows from itself."""
        if key not in self._known:
            self._known[key] = None
            self._known[key] = count()
        return self._known[key]

    def _fires(self, region: Region, rows: Sequence[Row], *, power_up: bool) -> int | None:
        """How often any of some rows of a region fires."""
        timed = [row for row in rows if row.after_ns and not power_up]
        counts: list[int | None] = [_of_one_stay(timed)]
        counts.append(self._times(frozenset(row.on for row in rows if row.on is not None),
                                  power_up=power_up))
        for state in dict.fromkeys(name for row in rows if row.after_ns == 0
                                   for name in row.sources):
            here = [row for row in rows if row.after_ns == 0 and state in row.sources]
            entered = self._entered(region, state, power_up=power_up)
            counts.append(None if entered is None else entered * _of_one_stay(here))
        return _sum(counts)

    def _entered(self, region: Region, state: str, *, power_up: bool) -> int | None:
        """How often a state is entered."""
        first = power_up and (state == region.starts or region.kept is not None)
        return self._once((region.name, state, power_up), lambda: _sum([int(first), self._fires(
            region, [row for row in region.rows if state in region.entered_by(row)],
            power_up=power_up)]))

    def _times(self, events: frozenset[str], *, power_up: bool) -> int | None:
        """How often any of some events may come."""
        by_makers: dict[tuple[str, ...], list[str]] = {}
        counts: list[int | None] = [EDGES] * len(self._raw & events)
        for event in sorted(events - self._raw):
            by_makers.setdefault(self._makers.get(event, ()), []).append(event)
        counts += [1] * len(self._told & events)
        for makers, mine in by_makers.items():
            counts.append(self._once((makers, *mine, power_up),
                                     partial(self._tells, mine, makers, power_up=power_up)))
        return _sum(counts)


def _of_one_stay(rows: Sequence[Row]) -> int:
    """How many of some rows fire when their time ends: the first that leaves is the last."""
    return min(len(rows), 1) if all(row.to != "same" for row in rows) else len(rows)


def _sum(counts: Iterable[int | None]) -> int | None:
    found = 0
    for count in counts:
        if count is None:
            return None
        found += count
    return found
